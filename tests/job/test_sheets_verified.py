"""Outcomes of predictions and rig checks are worked out again from their recordings."""

from __future__ import annotations

import json
import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest
from made_job import MadeJob, rig
from wrong_job import wrong_job


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A prediction, what was read since, its outcome, and the checks of both captures."""
    folder = wrong_job(tmp_path_factory.mktemp("sheets")).folder
    assert rig("adjust", folder, "--take", 1).status == 0
    made = MadeJob(folder, 5, began=datetime.now(UTC)).whole()
    assert rig("adjust", folder, "--confirm").status == 1  # it was not moved
    for capture in sorted((folder / "captures").glob("*.capture")):
        assert rig("check", folder, capture).status < 2
    assert made.capture.exists()
    return folder


def outcome(job: Path) -> Path:
    (found,) = (job / "predictions").glob("*.outcome*.json")
    return found


def rig_check(job: Path) -> Path:
    return max((job / "captures").glob("*.check.json"))


def failed(path: Path) -> list[str]:
    ran = rig("verify", path, "--json")
    assert ran.status == (0 if ran.answer["holds"] else 1), ran.err
    return [each["what"] for each in ran.answer["checks"] if not each["holds"]]


@pytest.mark.parametrize("sheet", [outcome, rig_check])
def test_every_figure_is_found_again(job: Path, sheet: object) -> None:
    assert callable(sheet)
    ran = rig("verify", sheet(job), "--json")
    assert ran.status == 0, ran.out
    assert len(ran.answer["checks"]) > 20
    assert any(each["found"] not in ("", "1 values") for each in ran.answer["checks"])


def test_a_whole_job_is_verified_with_them(job: Path) -> None:
    ran = rig("verify", job, "--json")
    assert ran.status == 0, ran.out
    named = {each["what"].partition(":")[0] for each in ran.answer["checks"]}
    assert outcome(job).name in named
    assert {each.name for each in (job / "captures").glob("*.check.json")} <= named


@pytest.mark.parametrize(
    ("sheet", "change", "named"),
    [
        (outcome, ("confirmations", 0, "verdict"), "confirmations[0].verdict"),
        (outcome, ("confirmations", 0, "read_btdc"), "confirmations[0].read_btdc"),
        (rig_check, ("verdict",), "verdict"),
        (rig_check, ("checks", 0, "verdict"), "checks[0].verdict"),
        (rig_check, ("checks", 0, "words"), "checks[0].words"),
    ],
)
def test_what_was_edited_is_named(
    job: Path, tmp_path: Path, sheet: object, change: tuple[str | int, ...], named: str
) -> None:
    assert callable(sheet)
    copy = Path(shutil.copytree(job, tmp_path / "job"))
    path: Path = sheet(copy)
    plain = json.loads(path.read_text("utf-8"))
    inner = plain
    for part in change[:-1]:
        inner = inner[part]
    value = inner[change[-1]]
    inner[change[-1]] = value + 0.5 if isinstance(value, float) else f"{value} indeed"
    path.write_text(json.dumps(plain), "utf-8")
    assert named in failed(path)


def test_a_prediction_that_was_edited_unsettles_its_outcome(job: Path, tmp_path: Path) -> None:
    copy = Path(shutil.copytree(job, tmp_path / "job"))
    prediction = copy / "predictions" / json.loads(outcome(copy).read_text("utf-8"))["prediction"]
    with prediction.open("ab") as file:
        file.write(b"\n")
    assert failed(outcome(copy)) == ["figures"]


def test_an_engine_file_edited_later_is_taken_from_a_certificate(job: Path, tmp_path: Path) -> None:
    copy = Path(shutil.copytree(job, tmp_path / "job"))
    file = copy / "engine.toml"
    text = file.read_text("utf-8").replace("earliest_deg_btdc = 37", "earliest_deg_btdc = 36.5")
    certified = Path(shutil.copytree(copy, tmp_path / "certified"))
    file.write_text(text, "utf-8")
    assert failed(outcome(copy)) == failed(rig_check(copy)) == ["figures"]
    assert rig("certify", certified).status < 2
    (certified / "engine.toml").write_text(text, "utf-8")
    assert failed(outcome(certified)) == failed(rig_check(certified)) == []


@pytest.mark.parametrize("sheet", [outcome, rig_check])
@pytest.mark.parametrize(
    ("key", "value"), [("kind", "outcome"), ("kind", None), ("version", 1), ("version", "3")]
)
def test_a_kind_or_version_that_was_altered_is_named(
    job: Path, tmp_path: Path, sheet: object, key: str, value: object
) -> None:
    """Else whatever was altered with it would pass unseen."""
    assert callable(sheet)
    copy = Path(shutil.copytree(job, tmp_path / "job"))
    path: Path = sheet(copy)
    plain = json.loads(path.read_text("utf-8"))
    path.write_text(json.dumps(plain | {key: value}), "utf-8")
    assert any(each.startswith(f"{path.name}: ") for each in failed(copy))


def test_a_file_of_the_person_s_own_is_left_alone(job: Path, tmp_path: Path) -> None:
    copy = Path(shutil.copytree(job, tmp_path / "job"))
    (copy / "captures" / "list.json").write_text('{"kind": "shopping"}', "utf-8")
    assert failed(copy) == []


def test_a_sheet_of_before_says_that_it_is_not_proved(job: Path, tmp_path: Path) -> None:
    copy = Path(shutil.copytree(job, tmp_path / "job"))
    path = rig_check(copy)
    plain = json.loads(path.read_text("utf-8"))
    for name in ("version", "program", "made_utc", "size_bytes"):
        del plain[name]
    path.write_text(json.dumps(plain), "utf-8")
    ran = rig("verify", copy, "--json")
    assert ran.status == 0
    (said,) = (each["words"] for each in ran.answer["checks"] if each["what"].startswith(path.name))
    assert "no figure can be computed again" in said

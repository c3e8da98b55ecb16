"""Outcomes of predictions and rig checks are worked out again from their recordings."""

from __future__ import annotations

import json
import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest
from made_job import MadeJob, rig
from wrong_job import wrong_job

from rig.certificate import page, seal

FIXTURES = Path(__file__).parents[2] / "fixtures"


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


def prediction(job: Path) -> Path:
    return min((job / "predictions").glob("*.json"), key=lambda path: len(path.name))


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
    """A person's own file among them is ignored."""
    own = job / "captures" / "list.json"
    own.write_text('{"kind": "shopping"}', "utf-8")
    ran = rig("verify", job, "--json")
    own.unlink()
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


@pytest.mark.parametrize(
    ("key", "value"), [("kind", "outcome"), ("kind", None), ("version", 1), ("version", "3")]
)
def test_a_kind_or_version_that_was_altered_is_named(
    job: Path, tmp_path: Path, key: str, value: object
) -> None:
    """Else whatever was altered with it would pass unseen."""
    copy = Path(shutil.copytree(job, tmp_path / "job"))
    for path in (outcome(copy), rig_check(copy)):
        plain = json.loads(path.read_text("utf-8"))
        path.write_text(json.dumps(plain | {key: value}), "utf-8")
    named = {each.partition(": ")[0] for each in failed(copy)}
    assert {outcome(copy).name, rig_check(copy).name} <= named


# -- less is never held to account --


def without(path: Path, *names: str, **changed: object) -> list[str]:
    """What is named of a sheet without these keys, with its words; the sheet is put right again."""
    whole = path.read_text("utf-8")
    plain = json.loads(whole) | changed
    path.write_text(json.dumps({k: v for k, v in plain.items() if k not in names}), "utf-8")
    try:
        checks = rig("verify", path, "--json").answer["checks"]
        return [f"{each['what']}: {each['words']}" for each in checks if not each["holds"]]
    finally:
        path.write_text(whole, "utf-8")


SINCE_VERSION_2 = ("version", "program", "made_utc", "size_bytes")


def test_a_rig_check_of_version_1_is_computed_again(tmp_path: Path) -> None:
    kept = Path(shutil.copytree(FIXTURES / "version_0_3", tmp_path / "job"))
    (capture,) = (kept / "captures").glob("*.capture")
    assert rig("check", kept, capture).status == 0
    path = rig_check(kept)
    assert without(path, *SINCE_VERSION_2) == []
    assert without(path, *SINCE_VERSION_2, verdict="good") == ["verdict: differs"]
    assert without(path, "program")
    assert without(path, "program", "version", "made_utc")


def test_a_sheet_that_says_less_is_named(job: Path) -> None:
    """A recording of a later program has no sheet of version 1, and none of an earlier program."""
    assert "begun by" in " ".join(without(rig_check(job), *SINCE_VERSION_2))
    assert "begun by" in " ".join(without(rig_check(job), program="0.3.0"))
    assert without(outcome(job), "version", "program", "captures", "reference")
    assert without(prediction(job), "after") == ["after: differs"]


def test_a_sheet_says_that_the_engine_file_was_edited(job: Path, tmp_path: Path) -> None:
    """A window that is altered in engine file and sheets: no recording was begun with it."""
    copy = Path(shutil.copytree(job, tmp_path / "job"))
    file = copy / "engine.toml"
    wider = file.read_text("utf-8").replace("earliest_deg_btdc = 37", "earliest_deg_btdc = 39")
    file.write_text(wider, "utf-8")
    (capture,) = (copy / "captures" / json.loads(rig_check(copy).read_text())["recording"],)
    assert rig("check", copy, capture).status < 2
    ran = rig("verify", rig_check(copy), "--json")
    said = {each["what"]: each["words"] for each in ran.answer["checks"]}
    assert f"edited after {capture.name} was begun" in said["engine.toml"]


def test_certificates_spliced_are_named(job: Path, tmp_path: Path) -> None:
    """Of one job: no part of one passes in the other, nor without what was adjusted between."""
    copy = Path(shutil.copytree(job, tmp_path / "job"))
    first, last = sorted((copy / "captures").glob("*.capture"))
    both, one = (
        Path(rig("certify", copy, *of, "--json").answer["certificate"])
        for of in ([first, last], [first])
    )
    assert rig("verify", copy).status == 0
    record, other = (json.loads(each.read_bytes()) for each in (both, one))
    assert record["adjustments"]
    assert not other["adjustments"]
    parts = [name for name in record if name != "seals" and record[name] != other[name]]
    assert len(parts) > 10
    for name in ("adjustments", "judgements", "captures", "issued_utc"):
        spliced = {key: value for key, value in record.items() if key != "seals"}
        spliced[name] = other[name]
        drawn = page.render(spliced).encode("utf-8")
        both.write_bytes(seal.file_bytes(spliced, drawn))
        both.with_suffix(".html").write_bytes(drawn)
        assert failed(both), name

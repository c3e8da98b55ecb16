"""Unit reports, predictions and the job's reference: whatever is altered in them is named."""

from __future__ import annotations

import functools
import json
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from unittest import mock

import pytest
from bench_unit import bench
from made_job import copied, rig
from wrong_job import wrong_job

from rig.certificate.prove import prove_sheet

Plain = dict[str, Any]
Where = tuple[str | int, ...]


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A unit report in a job of its own, with all that can be said beside a recording."""
    job = Path(shutil.copytree(bench().folder, tmp_path_factory.mktemp("report") / "job"))
    (capture,) = (job / "captures").iterdir()
    coupled = capture.with_name("coupled.capture")
    shutil.copy(capture, coupled)
    ran = rig(
        "bench", job, capture, "--unit", "upper", "--serial", "417-B", "--poles", 4, "--changed",
        "new contacts", "--impulse", coupled, "--neutral-forward", 10.1, "--neutral-back", 8.3,
        "--json",
    )  # fmt: skip
    assert ran.status == 0, ran.err
    return Path(ran.answer["saved"])


@pytest.fixture(scope="module")
def prediction(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = wrong_job(tmp_path_factory.mktemp("prediction"))
    ran = rig("adjust", made.folder, "--take", 1, "--grain-deg", 0.2, "--json")
    assert ran.status == 0, ran.err
    return Path(ran.answer["saved"])


@pytest.fixture(scope="module")
def earlier(prediction: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same as before version 5, which took steps as carried out exactly."""
    whole = prediction.parent.parent
    job = Path(shutil.copytree(whole, tmp_path_factory.mktemp("earlier") / "job"))
    (job / prediction.relative_to(whole)).unlink()
    with mock.patch("rig.adjust.predictions.u_by_hand_deg", return_value=0.0):
        ran = rig("adjust", job, "--take", 1, "--grain-deg", 0.2, "--json")
    assert ran.status == 0, ran.err
    return Path(ran.answer["saved"])


def test_the_genuine_ones_hold(report: Path, prediction: Path) -> None:
    for path in (report, prediction):
        ran = rig("verify", path)
        assert ran.status == 0, ran.out
        assert "everything holds" in ran.out


def as_prediction_3(plain: Plain) -> None:
    plain["version"] = 3
    for step in plain["steps"]:
        step |= {"means": step.pop("kind"), "disturbs": 1, "enough": True}
    for each in plain["predictions"]:
        each["made_utc"] = plain["made_utc"]


def as_report_2(plain: Plain) -> None:
    plain["version"] = 2
    plain["found"]["play"] = plain["found"].pop("backlash")


def test_sheets_of_earlier_versions_hold_and_what_is_altered_in_them_is_named(
    report: Path, earlier: Path
) -> None:
    for path, as_earlier in ((report, as_report_2), (earlier, as_prediction_3)):
        genuine = path.read_text("utf-8")
        plain = json.loads(genuine)
        as_earlier(plain)
        path.write_text(json.dumps(plain), "utf-8")
        ran = rig("verify", path)
        assert ran.status == 0, ran.out
        plain["version"] += 1  # the format of the one, the version of the other
        path.write_text(json.dumps(plain), "utf-8")
        assert rig("verify", path).status == 1
        path.write_text(genuine, "utf-8")


def test_an_earlier_sheet_holds_where_its_option_has_another_number_now(earlier: Path) -> None:
    """Versions before 4 passed over some places of a lever, so that their numbers may differ."""
    genuine = earlier.read_text("utf-8")
    plain = json.loads(genuine)
    plain["option"] = 2
    earlier.write_text(json.dumps(plain), "utf-8")
    assert rig("verify", earlier).status == 1
    as_prediction_3(plain)
    earlier.write_text(json.dumps(plain), "utf-8")
    ran = rig("verify", earlier)
    earlier.write_text(genuine, "utf-8")
    assert ran.status == 0, ran.out


def leaves(value: Any, where: Where = ()) -> Iterator[tuple[Where, Any]]:
    if isinstance(value, dict):
        for name, each in value.items():
            yield from leaves(each, (*where, name))
    elif isinstance(value, list):
        for i, each in enumerate(value):
            yield from leaves(each, (*where, i))
    else:
        yield where, value


def other(value: Any) -> Any:
    if isinstance(value, bool):
        return not value
    if isinstance(value, int):
        return value + 1
    if isinstance(value, float):
        return value + 0.25
    return 1.0 if value is None else f"{value} indeed"


def unnamed(path: Path) -> set[str]:
    """The kinds of value in a sheet that can be altered, and nothing is named."""
    genuine = path.read_text("utf-8")
    found: set[str] = set()
    tried: set[str] = set()
    for where, value in leaves(json.loads(genuine)):
        kind = ".".join("[]" if isinstance(part, int) else part for part in where)
        if kind in tried:
            continue
        tried.add(kind)
        plain = json.loads(genuine)
        inner = functools.reduce(lambda of, part: of[part], where[:-1], plain)
        inner[where[-1]] = other(value)
        path.write_text(json.dumps(plain), "utf-8")
        if rig("verify", path).status == 0:
            found.add(kind)
    path.write_text(genuine, "utf-8")
    assert len(tried) > 20
    return found


def test_any_value_of_a_unit_report_is_named_but_what_the_person_said(report: Path) -> None:
    """What was changed on a unit no recording knows."""
    assert unnamed(report) == {"changes.[]"}


@pytest.mark.slow
def test_any_value_of_a_prediction_is_named(prediction: Path) -> None:
    """How finely the options were told apart is the person's word, as long as it changes none."""
    assert unnamed(prediction) <= {"grain_deg", "carried_out"}


Change = Callable[[Plain], object]


@pytest.mark.parametrize(
    "change",
    [
        lambda plain: plain["found"]["lobes"].pop(),
        lambda plain: plain.pop("bench"),
        lambda plain: plain.update(version=1),
        lambda plain: plain.update(recording="../engine.toml"),
        lambda plain: plain.update(impulse=None),
        lambda plain: plain.update(found=None),
    ],
)
def test_a_report_that_is_not_whole_is_named(report: Path, change: Change) -> None:
    genuine = report.read_text("utf-8")
    plain = json.loads(genuine)
    change(plain)
    report.write_text(json.dumps(plain), "utf-8")
    assert [each for each in prove_sheet(report) if not each.holds]
    report.write_text(genuine, "utf-8")


def test_a_job_is_proved_whole_and_what_is_altered_in_it_is_named(tmp_path: Path) -> None:
    job = copied(tmp_path)
    ran = rig("verify", job)
    assert ran.status == 0, ran.out
    assert "reference.json, in use" in ran.out
    file = job / "reference.json"
    plain = json.loads(file.read_bytes())
    plain["current"]["tdc_deg"] += 1.0
    file.write_text(json.dumps(plain), "utf-8")
    ran = rig("verify", job)
    assert ran.status == 1
    (named,) = [line for line in ran.out.splitlines() if line.startswith("DOES NOT HOLD")]
    assert "reference.json, in use" in named


@pytest.mark.parametrize("key", ["how", "made_utc", "capture", "method", "cylinder", "warnings"])
def test_whatever_a_reference_says_of_itself_is_proved(tmp_path: Path, key: str) -> None:
    job = copied(tmp_path)
    file = job / "reference.json"
    plain = json.loads(file.read_bytes())
    value = plain["current"][key]
    plain["current"][key] = ["none"] if key == "warnings" else other(value)
    file.write_text(json.dumps(plain), "utf-8")
    assert rig("verify", job).status == 1

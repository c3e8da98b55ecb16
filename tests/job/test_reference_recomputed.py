"""Top dead centre is taken from its recording; what a file says of it is a claim."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from made_job import MadeJob, copied, rig

from rig.certificate import record as certificate

Change = Callable[[dict[str, Any]], object]


def edit(job: Path, change: Change) -> dict[str, Any]:
    """``reference.json`` altered as with an editor; the reference in use as it was."""
    file = job / "reference.json"
    plain = json.loads(file.read_bytes())
    before: dict[str, Any] = json.loads(json.dumps(plain["current"]))
    change(plain["current"])
    file.write_text(json.dumps(plain), "utf-8")
    return before


def certified(job: Path, *more: str) -> tuple[dict[str, Any], str, str]:
    """Certify; the record, the page, and what was said. It verifies."""
    ran = rig("certify", job, *more, "--json")
    assert ran.status < 2, ran.err
    proved = rig("verify", ran.answer["certificate"])
    assert proved.status == 0, proved.out
    record = certificate.load(Path(ran.answer["certificate"]))
    return record, Path(ran.answer["page"]).read_text("utf-8"), ran.err


def later(plain: dict[str, Any]) -> None:
    plain["tdc_deg"] += 1.0
    plain["made_utc"] = "2026-03-02T00:00:00.000Z"


def narrower(plain: dict[str, Any]) -> None:
    for key in ("u_deg", "U_deg"):
        plain["uncertainty"][key] /= 10.0
    plain["made_utc"] = "2026-03-02T00:00:00.000Z"


def other_factor(plain: dict[str, Any]) -> None:
    plain["uncertainty"]["k"] += 0.3
    plain["made_utc"] = "2026-03-02T00:00:00.000Z"


def other_part(plain: dict[str, Any]) -> None:
    plain["uncertainty"]["parts"][0]["u_deg"] += 0.3
    plain["made_utc"] = "2026-03-02T00:00:00.000Z"


@pytest.mark.parametrize("change", [later, narrower, other_factor, other_part])
def test_an_edited_position_or_uncertainty_changes_no_verdict(
    tmp_path: Path, change: Change
) -> None:
    job = copied(tmp_path)
    plain, _, _ = certified(job)
    before = edit(job, change)
    record, _, said = certified(job)
    assert record["reference"]["tdc_deg"] == before["tdc_deg"]
    for part in ("reference", "readings", "judgements", "comparisons"):
        assert record[part] == plain[part]
    assert "TDC was recorded as" in said
    assert "which is used" in said


def second_session(job: Path) -> MadeJob:
    """Readings of another day, with the reference that the job has."""
    made = MadeJob(job, 7)
    made.do("turn 380 at 150").state_stroke().do("turn 800 at 200").end()
    return made


def test_a_reference_of_another_capture_is_worked_out_from_that_one(tmp_path: Path) -> None:
    job = copied(tmp_path)
    (first,) = (job / "captures").iterdir()
    before = edit(job, later)
    second_session(job)
    record, page, _ = certified(job)
    assert record["reference"]["tdc_deg"] == before["tdc_deg"]
    assert record["reference"]["method"] == "stop"
    used = {each["file"]: each["used_for"] for each in record["captures"]}
    assert used[first.name] == "top dead centre"
    assert list(used.values()).count("readings") == 1
    assert first.name in page
    others = [each["start_utc"] for each in record["captures"] if each["used_for"] == "readings"]
    assert record["measured_from_utc"] == min(others)


def test_a_reference_whose_recording_is_gone_is_set_by_hand_on_the_page_too(tmp_path: Path) -> None:
    job = copied(tmp_path)
    (first,) = (job / "captures").iterdir()
    first.rename(tmp_path / "away.capture")
    shutil.rmtree(job / "certificates")
    second_session(job)
    record, page, _ = certified(job)
    assert record["reference"]["method"] == "set by hand"
    assert record["reference"]["forward_deg"] == []
    assert [each["source"] for each in record["reference"]["uncertainty"]["parts"]] == ["entered"]
    assert "<b>set by hand</b>: no recording gives it" in page
    assert "touches, " not in page


@pytest.mark.parametrize("name", ["", "nothing.capture", "../../../etc/passwd", ".."])
def test_a_claim_of_no_recording_is_set_by_hand(tmp_path: Path, name: str) -> None:
    job = copied(tmp_path)
    shutil.rmtree(job / "captures")
    (job / "captures").mkdir()
    edit(job, lambda plain: plain.update(capture=name, method="stop"))
    ran = rig("tdc", "show", job, "--json")
    assert ran.status == 0
    assert ran.answer["method"] == "set by hand"
    assert "counts as set by hand" in ran.err


def test_one_set_by_hand_afterwards_does_not_replace_what_the_recording_gives(
    tmp_path: Path,
) -> None:
    job = copied(tmp_path)
    (capture,) = (job / "captures").iterdir()
    edit(
        job,
        lambda plain: plain.update(
            method="set by hand", capture=capture.name, made_utc="2030-01-01T00:00:00Z", tdc_deg=1.0
        ),
    )
    record, _, _ = certified(job)
    assert record["reference"]["method"] == "stop"


def test_the_same_recording_twice_is_refused(tmp_path: Path) -> None:
    job = copied(tmp_path)
    (capture,) = (job / "captures").iterdir()
    copy = capture.with_name("copy.capture")
    shutil.copy(capture, copy)
    for twice in ((capture, capture), (capture, copy)):
        ran = rig("certify", job, *twice)
        assert ran.status == 2
        assert "the same recording as" in ran.err

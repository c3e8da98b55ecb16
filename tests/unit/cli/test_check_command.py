"""rig check: a sound rig, each thing that can be wrong with one, and what is saved of it."""

from __future__ import annotations

import errno
import json
import os
from pathlib import Path
from typing import Any

import pytest
from made_job import MadeJob, copied, finished, refused, rig

from rig.job.folder import Job
from rig.virtual.ground_truth import draw
from rig.virtual.rig import pin_recording


def checks(answer: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {each["name"]: each for each in answer["checks"]}


def bad(answer: dict[str, Any]) -> set[str]:
    return {each["name"] for each in answer["checks"] if each["verdict"] == "bad"}


def turned(folder: Path, *plan: str, **options: Any) -> MadeJob:
    """A job with a capture of some turns and a rest."""
    made = MadeJob(folder / "job", 7, **options)
    made.do("rest 3", *plan)
    return made.end()


def checked(made: MadeJob, status: int) -> dict[str, Any]:
    ran = rig("check", made.folder, "--json")
    assert ran.status == status, ran.out + ran.err
    return ran.answer


def test_a_sound_rig_is_to_be_trusted(tmp_path: Path) -> None:
    made = turned(tmp_path, "turn 1800 at 110")
    answer = checked(made, 0)
    assert answer["verdict"] == "good"
    assert bad(answer) == set()
    assert checks(answer)["counts a turn"]["measured"] == (
        "4096 counts from index to index, 4096 entered"
    )
    assert len(answer["not_tried"]) == 2
    ran = rig("check", made.folder)
    assert ran.status == 0
    last = "every check made is good; not tried, so not proved: switches and inputs"
    assert ran.out.splitlines()[-1] == last


def test_the_verdicts_are_saved_beside_the_capture(tmp_path: Path) -> None:
    made = turned(tmp_path, "turn 1800 at 110")
    answer = checked(made, 0)
    sheet = made.capture.with_suffix(".check.json")
    saved = json.loads(sheet.read_text("utf-8"))
    assert saved["kind"] == "rig check"
    assert saved["checks"] == answer["checks"]
    assert saved["capture_sha256"] == answer["capture_sha256"]
    rig("check", made.folder)  # again: the same sheet, not another
    assert list(made.folder.joinpath("captures").glob("*.json")) == [sheet]
    assert Job(made.folder).newest().known.path == made.capture


def test_stated_lines_for_counts_are_told(tmp_path: Path) -> None:
    """Lines stated where counts are meant: four times as many lie between two index pulses."""
    true = draw(finished().job.profile, 7)  # an encoder of 4096 counts
    made = MadeJob(
        tmp_path / "job",
        7,
        edit=lambda text: text.replace("counts_per_turn = 4096", "counts_per_turn = 1024"),
        hidden=true,
    )
    made.do("rest 3", "turn 1800 at 110").end()
    answer = checked(made, 1)
    assert "a line has four counts: enter 4096" in checks(answer)["counts a turn"]["cause"]


def test_the_other_way_round_is_told(tmp_path: Path) -> None:
    made = turned(tmp_path, "turn 1800 at 110")
    text = made.engine_file.read_text("utf-8")
    made.engine_file.write_text(
        text.replace('forward_counts = "up"', 'forward_counts = "down"'), "utf-8"
    )
    answer = checked(made, 1)
    assert "direction" in bad(answer)
    assert "A and B are exchanged" in checks(answer)["direction"]["cause"]


@pytest.mark.parametrize(
    ("fault", "name"),
    [
        ("fault illegal 2", "illegal transitions"),
        ("fault edges 3", "losses"),
        ("fault counts 5", "index"),
        ("fault stuck upper closed", "contacts of upper"),
    ],
)
def test_each_fault_is_found(tmp_path: Path, fault: str, name: str) -> None:
    made = turned(tmp_path, "turn 500 at 110", fault, "turn 1900 at 110")
    answer = checked(made, 1)
    assert name in bad(answer), answer["checks"]
    assert checks(answer)[name]["cause"]


def test_exchanged_leads_are_found_by_opening_each_by_hand(tmp_path: Path) -> None:
    """The engine file has the two inputs exchanged; each unit is opened by hand once."""
    made = MadeJob(tmp_path / "job", 7)
    made.do("rest 3", "turn 1800 at 110", "goto 70 at 90")
    for unit in ("upper", "lower"):
        made.live.annotate("rig-check", {"step": "by hand", "unit": unit})
        made.do(f"finger {unit} 0.6", "rest 0.6")
        made.live.annotate("rig-check", {"step": "done"})
    made.end()
    answer = checked(made, 0)
    assert checks(answer)["input of upper"]["verdict"] == "good"
    text = made.engine_file.read_text("utf-8")
    swapped = text.replace("input = 1", "input = 9").replace("input = 2", "input = 1")
    made.engine_file.write_text(swapped.replace("input = 9", "input = 2"), "utf-8")
    answer = checked(made, 1)
    assert bad(answer) == {"input of upper", "input of lower"}
    assert "exchange" in checks(answer)["input of upper"]["cause"]


def switched(folder: Path, *, earthed: bool) -> MadeJob:
    made = MadeJob(folder / "job", 7)
    made.do("rest 3")
    if earthed:
        made.do("switch off upper")
    made.live.annotate("rig-check", {"step": "switch off", "unit": "upper"})
    made.do("turn 400 at 110")
    if earthed:
        made.do("switch on upper")
    made.live.annotate("rig-check", {"step": "switch on", "unit": "upper"})
    made.do("turn 400 at 110")
    made.live.annotate("rig-check", {"step": "turn"})
    made.do("turn 1500 at 110")
    return made.end()


def test_a_switch_that_earths_is_proved(tmp_path: Path) -> None:
    answer = checked(switched(tmp_path, earthed=True), 0)
    switch = checks(answer)["switch of upper"]
    assert switch["verdict"] == "good"
    assert checks(answer)["contacts of upper"]["verdict"] == "good"  # the turn at OFF is no fault


def test_a_switch_that_does_not_earth_is_called_live(tmp_path: Path) -> None:
    """Switch OFF earths the primary; an open earthing lead leaves the magneto live.

    FAA-H-8083-32 ch. 4, Ignition Switches.
    """
    answer = checked(switched(tmp_path, earthed=False), 1)
    assert bad(answer) == {"switch of upper"}
    assert "LIVE" in checks(answer)["switch of upper"]["words"]


def test_debouncing_is_proposed_from_what_was_seen(tmp_path: Path) -> None:
    """Where chatter is longer than the settings allow for, settings that suit are proposed."""
    made = turned(tmp_path, "turn 1800 at 110")
    text = made.engine_file.read_text("utf-8")
    tight = "\n[contacts]\nclosed_end_ms = 0.5\nlongest_dropout_ms = 0.1\nleast_open_ms = 1.0\n"
    made.engine_file.write_text(text + tight, "utf-8")
    ran = rig("check", made.folder, "--json")
    assert ran.answer["contacts"]["closed_end_ms"] > 0.5
    assert "propose" in checks(ran.answer)["debouncing"]["words"]


def test_a_pin_recording_is_checked_the_same_way(tmp_path: Path) -> None:
    job = Job(copied(tmp_path))
    recording = tmp_path / "pins.vcd"
    with recording.open("w", encoding="ascii") as out:
        pin_recording(["rest 3", "turn 1800 at 110"], job.profile, out, 7)
    ran = rig("check", job.folder, recording, "--json")
    assert ran.status == 0, ran.out
    assert ran.answer["verdict"] == "good"
    assert not recording.with_suffix(".check.json").exists()  # it is no capture of the job


def test_the_certificate_cites_the_verdicts() -> None:
    record = finished().folder / "certificates"
    (path,) = record.glob("*/*.json")
    cited = json.loads(path.read_text("utf-8"))["rig_checks"]
    assert {"counts a turn", "direction", "index", "contacts of upper"} <= {
        each["name"] for each in cited
    }
    assert {each["verdict"] for each in cited} <= {"good", "bad", "not tried"}


def test_what_is_refused(tmp_path: Path) -> None:
    job = copied(tmp_path)
    assert "no such job folder" in refused(2, "check", tmp_path / "nowhere")
    missing = refused(2, "check", job, tmp_path / "nothing.capture")
    assert "nothing.capture" in missing
    capture = Job(job).newest().known.path
    head = capture.read_bytes().splitlines(keepends=True)[0]
    alone = capture.with_name("20200101-000000.capture")
    alone.write_bytes(head)
    assert "no position records" in refused(2, "check", job, alone)


@pytest.mark.parametrize("bad", [False, True], ids=["good", "bad"])
def test_verdicts_that_cannot_be_saved_are_told_and_the_status_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, bad: bool
) -> None:
    made = turned(tmp_path, "turn 1800 at 110", *(["fault counts 5", "turn 900 at 110"] * bad))
    before = rig("check", made.folder)
    assert before.status == bad
    sheet = made.capture.with_suffix(".check.json")
    saved = sheet.read_bytes()

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("os.fsync", full)
    ran, plain = rig("check", made.folder, "--json"), rig("check", made.folder)
    monkeypatch.undo()
    assert (ran.status, plain.status) == (2, 2)
    assert ran.err == plain.err
    assert ran.err.startswith(f"rig check: {sheet}: cannot be saved: the disk is full; ")
    assert ran.answer["verdict"] == ("bad" if bad else "good")
    assert plain.out == before.out
    assert sheet.read_bytes() == saved  # and nothing half done beside it
    assert set(made.capture.parent.iterdir()) == {made.capture, sheet}

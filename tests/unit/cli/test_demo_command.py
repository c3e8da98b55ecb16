"""The demonstration: the whole job by a simulated hand, short enough for a newcomer."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from made_job import copied, refused, rig
from virtual_bench import VirtualBench

from rig.base.errors import InputError
from rig.cli.live import FASTEST, SEED
from rig.live.demo import VirtualRigProcess, demonstration
from rig.live.script import Script
from rig.signal.events import Reason

LONGEST_S = 45.0  # of the rig's own time, for a certificate within a minute of the first command


class InStep(VirtualRigProcess):
    """A virtual rig in this process, in its own time, that takes commands as its program does."""

    def __init__(self, bench: VirtualBench) -> None:
        self._bench = bench
        self._told: list[str] = []
        self.asked = self.done = 0
        self.last: dict[str, Any] = {}

    def tell(self, command: str) -> None:
        self._told.append(command)

    def hear(self) -> None:
        if not self._told:
            return
        command = self._told.pop(0)
        try:
            self._bench.do(command)
            self.last = {"done": command, **self._bench.rig.reply}
        except InputError as why:
            self.last = {"error": str(why)}
        self.done += 1


def carried_out(bench: VirtualBench, script: Script) -> VirtualBench:
    """The bench at the end of a script."""
    for _ in range(20_000):
        if not script.step():
            return bench
        bench.do("rest 0.05")
    raise AssertionError(f"it does not end: {bench.ui_state.view().next}")


def demonstrated(folder: Path, seed: int, speed: float) -> VirtualBench:
    """The demonstration, to its end."""
    bench = VirtualBench(folder, seed)
    hand = InStep(bench)
    lines = demonstration(hand, bench.live, speed)
    return carried_out(bench, Script(lines, bench.ui_state, "demo", hand.command))


@pytest.mark.parametrize("seed", [SEED, pytest.param(4, marks=pytest.mark.slow)])
def test_the_job_takes_under_45_s_and_ends_with_a_certificate(tmp_path: Path, seed: int) -> None:
    bench = demonstrated(tmp_path / "job", seed, 1.0)
    saved = bench.live.saved
    assert saved is not None
    assert saved.files[0].exists()
    assert saved.files[1].exists()
    assert bench.feed.now_s < LONGEST_S
    rejected = {each.rejection.reason for each in bench.live.session.readings() if each.rejection}
    assert Reason.WITHOUT_DRAG not in rejected  # a careful person holds it before the first turn
    judged = {(each.unit, each.setting) for each in saved.assessments if each.cylinder is None}
    assert judged == {
        ("upper", "full advance"), ("upper", "full retard"), ("lower", "full advance"),
    }  # fmt: skip


@pytest.mark.slow
def test_the_patient_see_the_same_job_more_slowly(tmp_path: Path) -> None:
    usual = demonstrated(tmp_path / "usual", SEED, 1.0)
    slow = demonstrated(tmp_path / "slow", SEED, 0.3)
    assert slow.feed.now_s > 2.0 * usual.feed.now_s
    assert usual.live.saved is not None
    assert slow.live.saved is not None
    for one, other in zip(usual.live.saved.assessments, slow.live.saved.assessments, strict=True):
        assert (one.unit, one.setting, one.cylinder) == (other.unit, other.setting, other.cylinder)
        assert one.mean_btdc == pytest.approx(other.mean_btdc, abs=0.1)


SCRIPT = """
    wait rig within 10 s
    hand turn 580 at 200
    wait index
    piston stop in
    hand stop in
    hand touch forward at 200
    hand touch back at 200
    wait 1 touches
    hand turn 40 at 200
    hand stop out
    piston stop out
    hand goto 0 at 200
    firing TDC
    hand turn 400 at 200
    wait 1 readings
    save
"""


def scripted(folder: Path, text: str) -> VirtualBench:
    """A job from a script, the hand's commands too."""
    bench = VirtualBench(folder)
    lines = iter(text.splitlines())
    return carried_out(bench, Script(lines, bench.ui_state, "job.txt", InStep(bench).command))


def test_a_script_commands_the_hand_as_well(tmp_path: Path) -> None:
    saved = scripted(tmp_path / "job", SCRIPT).live.saved
    assert saved is not None
    assert {each.unit for each in saved.assessments} == {"upper", "lower"}


def test_what_the_hand_cannot_do_names_its_line(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"job.txt, line 3: 'hand stop in': the piston"):
        scripted(tmp_path / "job", "hand turn 400 at 200\nhand goto 5 at 200\nhand stop in")


@pytest.mark.parametrize(
    ("typed", "said"),
    [("0", "enter 0.1 to 2"), ("-1", "enter 0.1 to 2"), (f"{FASTEST + 1:g}", "enter 0.1 to 2"),
     ("nan", "is not a number"), ("fast", "is not a number")],
)  # fmt: skip
def test_a_speed_that_cannot_be(typed: str, said: str, tmp_path: Path) -> None:
    assert said in refused(2, "demo", "--job", tmp_path / "job", f"--speed={typed}")


def test_a_seed_that_cannot_be(tmp_path: Path) -> None:
    assert "enter 0 or more" in refused(2, "demo", "--job", tmp_path / "job", "--seed=-1")
    assert not (tmp_path / "job").exists()
    assert not (tmp_path / "job").exists()


def test_a_script_that_cannot_be_read_is_reported_before_a_rig_is_looked_for(
    tmp_path: Path,
) -> None:
    job = copied(tmp_path)
    said = refused(2, "live", job, "--script", tmp_path / "nothing")
    assert "the script cannot be read" in said


@pytest.mark.slow
def test_a_script_that_fails_leaves_word_of_its_capture(tmp_path: Path) -> None:
    script = tmp_path / "job.txt"
    script.write_text("wait rig within 20 s\nno such thing\n")
    ran = rig("demo", "--job", tmp_path / "job", "--script", script, "--plain", "--socket")
    assert ran.status == 2
    assert "job.txt, line 2: 'no such thing': there is no such action" in ran.err
    (capture,) = (tmp_path / "job" / "captures").iterdir()
    assert f"capture:     {capture}" in ran.out

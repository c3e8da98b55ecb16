"""A whole job from a script, through the table of actions; errors name the line."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from made_job import rig
from virtual_bench import VirtualBench

from rig.base.angles import wrap
from rig.base.errors import InputError
from rig.live.script import Script, script_lines

JOB = """
    wait rig within 5 s
    enter                             # it is made safe
    press step_done                   # the gap
    k                                 # the rig check
    hand turn 400 at 120
    wait index
    piston stop in
    hand stop in
    hand touch forward at 120
    hand touch back at 120
    hand touch forward at 120
    hand touch back at 120
    wait 2 touches
    hand turn 40 at 90
    hand stop out
    piston stop out
    wait TDC
    hand goto 0 at 90
    firing TDC
    hand turn 1450 at 110
    wait 5 readings
    hand lever full retard
    lever upper full retard
    hand turn 800 at 110
    wait 3 readings of upper
    remark gap 0.30 mm; cold          # the second is an answer too many
"""


def bench_script(bench: VirtualBench, text: str) -> Script:
    """A script whose hand is that of the virtual bench."""

    def hand(command: str) -> Callable[[], bool]:
        bench.do(command)
        return lambda: True

    return Script(iter(text.splitlines()), bench.ui_state, "job.txt", hand)


def played(bench: VirtualBench, text: str) -> VirtualBench:
    script = bench_script(bench, text)
    while script.step():
        bench.do("rest 0.1")
    return bench


def test_a_whole_job_is_driven_and_repeated_without_a_terminal(tmp_path: Path) -> None:
    text = JOB.replace("; cold", "") + "work done new heel; upper\nas left\n"
    text += "hand turn 800 at 110\nsave\n"
    runs = [played(VirtualBench(tmp_path / name), text) for name in ("one", "two")]
    for bench in runs:
        session = bench.live.session
        assert bench.live.saved is not None
        assert rig("verify", bench.live.saved.files[0]).status == 0
        assert session.annotations.remarks == ["gap 0.30 mm"]
        assert session.annotations.changes == [("new heel", "upper")]
        assert session.annotations.steps == {"make safe", "gap"}
        assert session.setting_of("upper") == "full retard"
        reference = session.reference
        assert reference is not None
        truth = bench.rig.truth()["tdc_deg_after_index"]
        assert abs(wrap(reference.tdc_deg - truth)) < 2 * reference.uncertainty.U_deg
    readings = [[repr(r) for r in bench.live.session.readings()] for bench in runs]
    assert readings[0] == readings[1]
    assert len(readings[0]) > 20


@pytest.mark.parametrize(
    ("text", "number", "why"),
    [
        (JOB, 27, "'cold' answers no question"),
        ("\n\npistn stop in", 3, "did you mean 'piston stop'?"),
        ("save", 1, "There is nothing to certify yet: find TDC first."),
        ("piston stop in", 1, "index passes first"),
        ("enter now", 1, "step done takes nothing after it"),
        ("wait 3 cows", 1, "wait for what? Enter rig, index"),
        ("wait TDC within 0 s", 1, "it took longer than that"),
        ("hand turn 400 at 120\npiston stop sideways", 2, "enter in or out"),
        ("hand turn 400 at 120\nlever upper half", 2, "has no setting 'half'"),
        ("remark", 1, "Enter it after remark: WORDS"),
        ("touch", 1, "This step needs no event from you."),
    ],
)
def test_an_error_names_the_line_and_what_to_do(
    tmp_path: Path, text: str, number: int, why: str
) -> None:
    with pytest.raises(InputError) as found:
        played(VirtualBench(tmp_path / "job"), text)
    assert str(found.value).startswith(f"job.txt, line {number}: ")
    assert why in str(found.value)


def test_a_hand_is_wanted_where_there_is_none(tmp_path: Path) -> None:
    bench = VirtualBench(tmp_path / "job")
    script = Script(iter(["hand turn 400"]), bench.ui_state)
    with pytest.raises(InputError, match="a person turns the crank"):
        script.step()


def test_procedures_are_driven_by_their_own_actions(tmp_path: Path) -> None:
    bench = played(
        VirtualBench(tmp_path / "job", 11),
        """
        hand turn 750 at 300
        dial gauge
        hand goto 40 at 250
        hand goto 30 at 40
        wait 1 s
        space 3.10
        hand goto 22 at 40
        wait 1 s
        space 1.70 mm
        undo
        esc
        rig check
        ready
        """,
    )
    assert [each.point.drop_mm for each in bench.live.session.gauge.readings] == [3.1]
    panel = bench.ui_state.view().panel
    assert panel is not None
    assert "now do it" in panel.state


def test_a_script_that_cannot_be_read_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="the script cannot be read"):
        script_lines(str(tmp_path / "none.txt"))
    (tmp_path / "bad.txt").write_bytes(b"wait rig\n\xff\n")
    with pytest.raises(InputError, match="byte 10 is not UTF-8"):
        script_lines(str(tmp_path / "bad.txt"))

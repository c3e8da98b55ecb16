"""What the hand can be told, and what it says when it cannot do it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from launch_engine import launch_engine

from rig.base.errors import InputError
from rig.virtual.operator import FAULTS, FORMS, lines_of, parse, parse_fault
from rig.virtual.rig import VirtualRig

PROFILE = launch_engine()


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("turn 360", {"verb": "turn", "deg": 360.0}),
        ("turn 360 at 12.5", {"verb": "turn", "deg": 360.0, "speed": 12.5}),
        ("  back   2.5 ", {"verb": "back", "deg": 2.5}),
        ("goto -4 back at 10", {"verb": "goto", "deg": -4.0, "back": "back", "speed": 10.0}),
        ("touch", {"verb": "touch"}),
        ("touch back unsteady", {"verb": "touch", "way": "back", "how": "unsteady"}),
        ("stop in", {"verb": "stop in"}),
        ("stop in 3 at 12 mm", {"verb": "stop in", "cylinder": "3", "mm": 12.0}),
        ("stop in at 12 mm", {"verb": "stop in", "mm": 12.0}),
        ("stop out", {"verb": "stop out"}),
        ("lever full advance", {"verb": "lever", "name": "full advance"}),
        (
            "lever 0.4 from full advance to full retard",
            {"verb": "lever", "share": 0.4, "start": "full advance", "name": "full retard"},
        ),
        ("move the upper one -1.5", {"verb": "move", "name": "the upper one", "deg": -1.5}),
        ("set upper", {"verb": "set", "name": "upper"}),
        ("finger upper", {"verb": "finger", "name": "upper"}),
        ("finger unit 2 0.5", {"verb": "finger", "name": "unit 2", "s": 0.5}),
        ("switch off lower", {"verb": "switch", "way": "off", "name": "lower"}),
        ("noise dirty", {"verb": "noise", "sort": "dirty"}),
        ("hand tremor_deg 0.4", {"verb": "hand", "name": "tremor_deg", "value": 0.4}),
        ("fault cable 2 in 1.5", {"verb": "fault", "what": "cable 2", "after": 1.5}),
        ("fault stuck upper open", {"verb": "fault", "what": "stuck upper open"}),
    ],
)
def test_commands_are_understood(text: str, wanted: dict[str, object]) -> None:
    command = parse(text)
    assert {"verb": command.verb, **command.parts} == wanted


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "allowed: turn"),
        ("trun 30", "did you mean 'turn'"),
        ("turn", "turn DEG"),
        ("turn -30", "turn DEG"),
        ("turn 30 at 0", "speed above 0"),
        ("stop", "did you mean 'stop in'"),
        ("hold on", "hold S"),
    ],
)
def test_what_is_not_understood_gets_a_sentence(text: str, said: str) -> None:
    with pytest.raises(InputError, match=said):
        parse(text)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("touch", "no piston stop"),
        ("move middle 2", "no unit 'middle'.*upper, lower"),
        ("lever half", "no unit has the setting 'half'.*full advance, full retard"),
        ("lever 0.5 from half to full retard", "no unit has the setting 'half'"),
        ("lever 1.5 from full advance to full retard", "a part of the way, 0 to 1"),
        ("stop in 9", "no cylinder 9"),
        ("stop in at 500 mm", "does not pass"),
        ("hand strength 3", "allowed are speed_deg_s"),
        ("hand uneven 1", "at most 0.8"),
        ("noise loud", "allowed are clean"),
        ("fault sneeze", "no fault 'sneeze'"),
        ("fault cable", "fault cable S"),
        ("fault stuck middle open", "no unit 'middle'"),
        ("switch off middle", "no unit 'middle'"),
    ],
)
def test_what_cannot_be_done_gets_a_sentence_and_nothing_moves(text: str, said: str) -> None:
    rig = VirtualRig(PROFILE, 1)
    list(rig.do("turn 100"))
    before = rig.truth()
    with pytest.raises(InputError, match=said):
        list(rig.do(text))
    assert rig.truth() == before
    assert b"".join(data for part in rig.do("turn 10") for _, data in part)


def test_the_stop_cannot_go_in_when_the_piston_is_high() -> None:
    rig = VirtualRig(PROFILE, 1)
    list(rig.do("goto 5"))
    with pytest.raises(InputError, match="too high"):
        list(rig.do("stop in"))


@given(
    st.text(max_size=40)
    | st.sampled_from(list(FORMS)).flatmap(
        lambda verb: st.text("0123456789 .-+abcdefinot", max_size=20).map(
            lambda rest: f"{verb} {rest}"
        )
    )
)
def test_no_text_gets_anything_but_a_command_or_a_sentence(text: str) -> None:
    try:
        command = parse(text)
    except InputError:
        return
    assert command.verb in FORMS


@given(st.sampled_from(list(FAULTS)), st.text("0123456789. abopenclsd", max_size=12))
def test_no_fault_text_gets_anything_but_a_fault_or_a_sentence(name: str, rest: str) -> None:
    try:
        fault = parse_fault(f"{name} {rest}".strip())
    except InputError:
        return
    assert fault[0] == name


def test_a_plan_has_remarks_and_empty_lines() -> None:
    assert lines_of("turn 3 # slowly\n\n# nothing\n hold 1\n") == ["turn 3", "hold 1"]

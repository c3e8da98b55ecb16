"""As found, adjusting, as left. What the words mean is common practice, no source."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from played import Played

from rig.session.annotations import Annotations, Timeline, phase_of
from rig.timing.values import ADJUSTING, Phase
from rig.virtual.rig import demo_profile


def stated(*changes: tuple[float, Phase]) -> Timeline[Phase]:
    since: Timeline[Phase] = Timeline("as found")
    for t_us, phase in changes:
        since.set(t_us, phase)
    return since


READ_US = [10.0, 20.0, 40.0, 60.0, 80.0, 100.0]


@pytest.mark.parametrize(
    ("phases", "moved_us", "wanted"),
    [
        ([], [], "found " * 6),
        ([], [5.0], "found " * 6),  # moved before anything was read
        ([], [30.0], "found found adjusting adjusting adjusting adjusting"),
        ([], [30.0, 70.0], "found found adjusting adjusting adjusting adjusting"),
        ([(50.0, "as left")], [30.0], "found found adjusting left left left"),
        ([(50.0, "as left")], [], "found found found left left left"),
        # Moved after the tightening, and tightened again.
        ([(50.0, "as left")], [30.0, 70.0], "found found adjusting left adjusting adjusting"),
        (
            [(50.0, "as left"), (90.0, "as left")],
            [30.0, 70.0],
            "found found adjusting adjusting adjusting left",
        ),
        # Said at the end, of what was changed before: all was read with it.
        ([(50.0, "as left")], [30.0, 110.0], "found found adjusting left left left"),
    ],
)
def test_a_move_parts_what_was_read_before_it_from_what_was_read_after(
    phases: list[tuple[float, Phase]], moved_us: list[float], wanted: str
) -> None:
    found = [phase_of(t, stated(*phases), moved_us, READ_US).split()[-1] for t in READ_US]
    assert found == wanted.split()


def test_what_was_read_before_a_unit_was_moved_is_not_averaged_with_what_came_after() -> None:
    played = Played(seed=3).know_tdc().do("turn 800 at 110", "goto 33 at 90", "rest 0.5")
    found = {j.unit: j.mean_btdc for j in played.session.assessments()}
    played.note("moving", unit="upper").do("set upper", "rest 0.5").note(
        "moving", unit="upper", end=True
    )
    played.do("back 90 at 60", "turn 900 at 110")
    judged = [j for j in played.session.assessments() if j.cylinder is None and j.kind == "turned"]
    figures = {(j.unit, j.phase): j.mean_btdc for j in judged}
    assert figures["upper", "as found"] == found["upper"]
    assert figures["upper", "adjusting"] == pytest.approx(33.0, abs=0.6)
    assert ("lower", "adjusting") not in figures
    assert played.session.phase_of("upper") == "adjusting"
    assert not played.session.annotations.tightened
    (now,) = [c for c in played.session.comparisons() if c.phase == "adjusting"]
    upper, lower = figures["upper", "adjusting"] or 0.0, figures["lower", "as found"] or 0.0
    assert now.difference_deg == pytest.approx(upper - lower, abs=1e-9)
    played.note("phase", phase="as left").do("turn 800 at 110")
    assert played.session.annotations.tightened
    assert {r.phase for r in played.counted()[-4:]} == {"as left"}


@settings(max_examples=300, deadline=None)
@given(st.lists(st.sampled_from(["read", "move", "tighten"]), max_size=25))
def test_no_figure_spans_a_move(events: list[str]) -> None:
    """Whatever is read, moved and tightened in turn: readings that count together lie between the
    same two moves, and after every move but those before the first reading a figure begins anew."""
    told = Annotations(demo_profile())
    read_us: list[float] = []
    moved_us: list[float] = []
    for number, event in enumerate(events, 1):
        t_us = 10.0 * number
        if event == "read":
            read_us.append(t_us)
        elif event == "move":
            moved_us.append(t_us)
            told.acts["moved"](t_us, {"unit": "upper"})
        else:
            told.acts["phase"](t_us, {"phase": "as left"})
    figures: dict[str, list[float]] = {}
    for t_us in read_us:
        phase = told.phase_at("upper", t_us, read_us)
        if phase != ADJUSTING or not told.moved_since("upper", t_us):
            figures.setdefault(phase, []).append(t_us)
    for name, together in figures.items():
        assert not [m for m in moved_us if together[0] < m < together[-1]], (name, events)

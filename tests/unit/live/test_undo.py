"""Backspace undoes the last thing that was done, read or touched; a replay agrees."""

from __future__ import annotations

from pathlib import Path

import pytest
from how_many import how_many
from hypothesis import given, settings
from hypothesis import strategies as st
from virtual_bench import VirtualBench

from rig.job.results import results_of
from rig.session.session import Session


@pytest.fixture
def found(tmp_path: Path) -> VirtualBench:
    bench = VirtualBench(tmp_path / "job")
    bench.find_dead_centre()
    return bench


def undone(bench: VirtualBench) -> str:
    bench.press("backspace")
    return bench.ui_state.view().message


def test_a_piston_stop_that_was_not_out_is_in_again_with_its_touches(found: VirtualBench) -> None:
    session = found.live.session
    assert session.reference is not None
    assert undone(found) == "Undone: the piston stop is out."
    assert session.reference is None
    stop = session.touches()
    assert stop is not None
    assert (len(stop.side(1)), len(stop.side(-1))) == (2, 2)
    assert undone(found) == "Undone: the last touch turning back."
    found.press("p")
    assert session.reference is not None
    assert (len(session.reference.forward_deg), len(session.reference.backward_deg)) == (2, 1)
    assert found.job.reference() == session.reference
    found.live.end()
    again = results_of(found.job.profile, [found.live.capture_path])
    assert again.reference == session.reference


def test_a_touch_by_the_word_of_the_person_counts_once(tmp_path: Path) -> None:
    """Space at the stop enters a touch; the crank's own movement places the same touch better."""
    bench = VirtualBench(tmp_path / "job")
    bench.do("turn 400 at 120")
    bench.press("p")
    bench.do("stop in", "touch forward at 120", "hold 0.6")
    bench.press("space")
    entered = bench.live.session.touches()
    assert entered is not None
    assert len(entered.side(1)) == 1
    bench.do("touch back at 120", "hold 0.6", "turn 40 at 90")
    both_ways = bench.live.session.touches()
    assert both_ways is not None
    assert (len(both_ways.side(1)), len(both_ways.side(-1))) == (1, 1)
    assert both_ways.side(1)[0] == pytest.approx(entered.side(1)[0], abs=0.3)


def test_firing_tdc_lever_phase_move_and_selection_are_undone(found: VirtualBench) -> None:
    session = found.live.session
    found.do("goto 0 at 90")
    found.press("f")
    found.do("rest 0.3")
    found.press("1", "l", "v", "1", "enter")
    assert session.stroke is not None
    assert session.setting_of("upper") == "full retard"
    assert session.annotations.moved_us("upper")
    messages = [undone(found) for _ in range(4)]
    assert messages == [
        "Undone: upper was moved.", "Undone: as left.",
        "Undone: the lever of upper at full retard.",
        "Undone: firing TDC.",
    ]  # fmt: skip
    assert session.stroke is None
    assert session.setting_of("upper") == "full advance"
    assert not session.annotations.tightened
    assert not session.annotations.moved_us("upper")


def test_a_tdc_that_was_selected_by_mistake_is_undone(found: VirtualBench) -> None:
    session = found.live.session
    first = session.reference
    found.do("goto 40 at 60", "goto 1 at 20", "rest 1")
    found.press("e", *"flywheel T", "enter", "enter", "t")
    panel = found.ui_state.view().panel
    assert panel is not None
    (number,) = [line.label for line in panel.lines if "by flywheel T" in line.text]
    found.press(number, "y")
    assert session.reference is not None
    assert session.reference.mark == "flywheel T"
    assert "Undone: TDC by" in undone(found)
    assert session.reference == first == found.job.reference()


def state(session: Session) -> object:
    noted = session.annotations
    return (
        session.reference, session.stroke, session.stop is None, noted.steps, noted.skipped,
        noted.remarks, noted.changes, noted.tightened, session.gauge.marks,
        [(noted.of[u.name].setting.now, noted.moved_us(u.name)) for u in session.profile.units],
    )  # fmt: skip


ACTS = {
    "remark": ("r", *"cold", "enter"), "work": ("w", *"heel", "enter", "1", "enter"),
    "lever": ("1",), "left": ("l",), "moved": ("v", "2", "enter"), "firing": ("f", "y", "esc"),
    "mark": ("e", *"notch", "enter", "enter"), "done": ("enter",), "skip": ("k",),
    "stop": ("p",),
}  # fmt: skip


@pytest.fixture(scope="module")
def after_touches(tmp_path_factory: pytest.TempPathFactory) -> VirtualBench:
    """TDC found, the crank at rest: where ``check`` begins and ends."""
    bench = VirtualBench(tmp_path_factory.mktemp("undo") / "job")
    bench.find_dead_centre()
    bench.do("turn 400 at 200", "goto 0 at 200", "rest 1")
    return bench


def check(bench: VirtualBench, acts: list[str]) -> None:
    before = state(bench.live.session)
    depth = len(bench.ui_state.bench.done)
    for act in acts:
        bench.press(*ACTS[act])
    while len(bench.ui_state.bench.done) > depth:
        bench.press("backspace")
    assert state(bench.live.session) == before


WORK = st.lists(st.sampled_from(sorted(ACTS)), max_size=8)


@settings(max_examples=5, deadline=None)
@given(WORK)
def test_whatever_was_done_is_undone_in_reverse_order(
    after_touches: VirtualBench, acts: list[str]
) -> None:
    check(after_touches, acts)


@pytest.mark.slow
@settings(max_examples=how_many(12), deadline=None)
@given(WORK)
def test_whatever_was_done_is_undone_many_times(
    after_touches: VirtualBench, acts: list[str]
) -> None:
    check(after_touches, acts)

"""The keys on the dashboard: the few in the foot are shown whole, the page has them all."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import nothing_cut
import pytest
from slow_but import slow_but
from virtual_bench import VirtualBench, offered

from rig.job.new import example_names
from rig.live.layout import render
from rig.live.view import View

SIZES = ((80, 24), (120, 40))


def states(folder: Path, engine: str) -> Iterator[VirtualBench]:
    """A bench in one state after the other, from the start to the certificate."""
    bench = VirtualBench(folder / "job", engine=engine)
    yield bench
    bench.do("turn 30 at 60")
    yield bench
    bench.press("enter", "enter")
    yield bench
    bench.press("c")
    yield bench
    bench.press("enter")
    yield bench
    bench.press("esc", "k", "k")
    yield bench
    bench.do("turn 680 at 300")
    yield bench
    bench.press("d")
    yield bench
    bench.press("esc", "p")
    yield bench
    try:
        bench.do("stop in")
    except Exception:  # the piston stands in its way
        bench.do("turn 180 at 300", "stop in")
    bench.do("touch forward at 120", "touch back at 120")
    yield bench
    bench.do("turn 40 at 90", "stop out")
    bench.press("p")
    yield bench
    bench.press("t")
    yield bench
    bench.press("esc", "enter")
    yield bench
    bench.do("goto 0 at 200")
    bench.press("f")
    bench.do("turn 800 at 300")
    yield bench
    bench.press("g", "5", "enter")
    yield bench
    bench.press("esc", "m", "1", "enter")
    yield bench
    bench.press("esc", "l")
    yield bench
    bench.press("s", "y")
    assert bench.live.saved is not None
    yield bench


def screen(view: View, size: tuple[int, int]) -> str:
    return "\n".join(render(view, *size).plain())


QUICK = ("example", "two_stroke_single")
ENGINES = slow_but(example_names(), *QUICK)


@pytest.mark.parametrize("engine", ENGINES)
def test_every_key_in_the_foot_and_on_the_page_is_shown_whole(tmp_path: Path, engine: str) -> None:
    seen = 0
    for bench in states(tmp_path, engine):
        view = bench.ui_state.view()
        for size in nothing_cut.SIZES:
            nothing_cut.assert_nothing_cut(view, size)
        keys = [key.key for key in view.keys]
        named = bench.ui_state.bench.advice.press == "quit"  # then q comes first
        assert (keys[0], keys[-1]) == ("q", "h") if named else keys[-2:] == ["h", "q"]
        for size in SIZES:
            text = screen(view, size)
            for key in view.keys:
                assert f" {key.key}  {key.label}" in text, (size, key)
            assert "…" not in text.splitlines()[-1]
        bench.press("h")
        page = bench.ui_state.view()
        for size in SIZES:
            lines = screen(page, size).splitlines()
            for action in page.actions:
                own = [line for line in lines if line.startswith(f"  {action.key} ")]
                assert any(action.does in line and action.undo in line for line in own), (
                    size,
                    action,
                )
        bench.press("esc")
        assert not bench.ui_state.view().actions
        seen += 1
    assert seen == 18


def test_every_action_has_a_line_and_says_why_it_is_not_offered(tmp_path: Path) -> None:
    for bench in states(tmp_path, "example"):
        actions = bench.ui_state.actions()
        keys = [key.key for action, _ in actions for key in action.keys(bench.ui_state.bench)]
        assert len(set(keys)) == len(keys)
        foot = [key.key for key in bench.ui_state.view().keys]
        bench.press("h")
        shown = [key for line in bench.ui_state.view().actions for key in line.key.split()]
        bench.press("esc")
        offered = [k.key for a, why in actions if not why for k in a.keys(bench.ui_state.bench)]
        assert [key for key in shown if key not in ("not", "now")] == offered
        assert set(foot) <= set(offered)
        assert all(action.does and action.undo and action.label for action, _ in actions)
        for action, why in actions:
            for key in action.keys(bench.ui_state.bench) if why else ():
                bench.press(key.key)
                assert bench.ui_state.view().message == why
                assert len(why) <= 76
                assert why.endswith(".")


def test_the_key_that_next_names_is_offered_and_first_on_the_foot(tmp_path: Path) -> None:
    for engine in ("example", "two_stroke_single"):
        for bench in states(tmp_path / engine, engine):
            advice = bench.ui_state.bench.advice
            view = bench.ui_state.view()
            if not advice.press:
                continue
            named = {action.id: action for action in offered(bench.ui_state)}
            assert advice.press in named, (advice, view.keys)
            keys = [key.key for key in named[advice.press].keys(bench.ui_state.bench)]
            assert view.keys[0].key in keys
            assert view.then.endswith(f"press {keys[0]}")


def test_keys_work_from_the_page_and_close_it(tmp_path: Path) -> None:
    bench = VirtualBench(tmp_path / "job")
    bench.do("turn 30 at 60")
    bench.press("h", "enter")
    assert bench.live.session.annotations.steps == {"make safe"}
    assert not bench.ui_state.view().actions
    bench.press("h", "h")
    assert not bench.ui_state.view().actions
    bench.press("h", "c")
    view = bench.ui_state.view()
    assert view.panel is not None
    assert view.panel.title == "rig check"


def test_a_page_too_long_for_the_terminal_says_so(tmp_path: Path) -> None:
    bench = VirtualBench(tmp_path / "job")
    bench.press("h")
    view = bench.ui_state.view()
    assert "all keys" in screen(view, (80, 24))
    assert "this page" in screen(view, (60, 20)) or "80x24 shows all" in screen(view, (60, 20))


def test_what_was_said_to_be_done_is_taken_back(tmp_path: Path) -> None:
    bench = VirtualBench(tmp_path / "job")
    bench.do("turn 30 at 60")
    annotations = bench.live.session.annotations
    bench.press("enter", "enter", "backspace")
    assert annotations.steps == {"make safe"}
    bench.press("k", "r", *"gap 0.30 mm", "enter", "w", *"new heel", "enter", "enter")
    assert (annotations.skipped, annotations.remarks, annotations.changes) == (
        {"gap"},
        ["gap 0.30 mm"],
        [("new heel", "")],
    )
    messages = []
    for _ in range(5):
        bench.press("backspace")
        messages.append(bench.ui_state.view().message)
    assert messages == [
        "Undone: the work new heel.", "Undone: a remark.", "Undone: the step gap is skipped.",
        "Undone: the step make safe is done.", "Nothing was done yet that can be undone.",
    ]  # fmt: skip
    assert (annotations.steps, annotations.skipped, annotations.remarks, annotations.changes) == (
        set(),
        set(),
        [],
        [],
    )


def test_the_stroke_is_stated_again_only_when_asked_for(tmp_path: Path) -> None:
    bench = VirtualBench(tmp_path / "job")
    bench.find_dead_centre()
    bench.do("goto 0 at 200")
    bench.press("f")
    before = bench.live.session.stroke
    bench.do("turn 20 at 60", "goto 0 at 200")
    bench.press("f", "n")
    assert bench.live.session.stroke == before
    bench.press("f", "y")
    after = bench.live.session.stroke
    assert before is not None
    assert after is not None
    assert after.turn == before.turn + 1


def test_firing_tdc_far_from_tdc_is_asked_about(tmp_path: Path) -> None:
    bench = VirtualBench(tmp_path / "job")
    bench.find_dead_centre()
    bench.do("goto 45 at 200")
    bench.press("f")
    question = bench.ui_state.view().question
    assert question is not None
    assert "45° before TDC" in question.text
    bench.press("n")
    assert bench.live.session.stroke is None
    bench.press("f", "y")
    assert bench.live.session.stroke is not None


def test_long_names_of_units_leave_the_foot_whole(tmp_path: Path) -> None:
    bench = VirtualBench(tmp_path / "job")
    text = bench.job.engine_file.read_text("utf-8")
    long = "the one on the far side of the block"
    bench.job.engine_file.write_text(text.replace('"upper"', f'"{long}"'), "utf-8")
    other = VirtualBench(bench.job.folder)
    other.find_dead_centre()
    other.do("goto 0 at 200")
    other.press("f")
    foot = screen(other.ui_state.view(), (80, 24)).splitlines()[-2:]
    assert " q  quit" in foot[-1] or " q  quit" in foot[0]
    assert "lever the one" in " ".join(foot)

"""Whatever is pressed and turned, NEXT names no key that is not offered then."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from virtual_bench import VirtualBench, offered

from rig.base.errors import InputError
from rig.guide.action import DIGITS

KEYS = (
    ("enter",), ("space",), ("backspace",), ("k",), ("p",), ("p",), ("d",), ("t",), ("f", "y"),
    ("1",), ("b",), ("c",), ("l",), ("esc",), ("m", "1", "enter"), ("g", "5", "enter"), ("i",),
    ("a",),
    ("e", "x", "enter", "enter"), ("v", "2", "enter"), ("h",), ("w", "x", "enter", "enter"),
    ("space", *"2.00", "enter"), ("o", "3", "enter"), ("NEXT",), ("NEXT",), ("NEXT",),
)  # fmt: skip
HAND = (
    "turn 400 at 300", "back 60 at 200", "goto 0 at 300", "stop in", "stop out", "rest 1",
    "touch forward at 300", "touch back at 300", "lever full retard", "set upper",
    "fault dip", "fault reset", "turn 800 at 300",
)  # fmt: skip
WALK = st.lists(st.sampled_from((*KEYS, *HAND)), max_size=14)


def check(bench: VirtualBench) -> None:
    view, advice = bench.ui_state.view(), bench.ui_state.bench.advice
    if not advice.press:
        assert view.then == ""
        return
    keys = {
        key.key: action
        for action in offered(bench.ui_state)
        for key in action.keys(bench.ui_state.bench)
    }
    named = [key for key, action in keys.items() if advice.press in (action.id, key)]
    assert named, (advice.step, advice.press)
    assert view.then.endswith(f"press {named[0]}")
    shown = [key.key for key in view.keys]
    assert view.actions or keys[named[0]].key == DIGITS or named[0] in shown


def walk(engine: str, steps: list[str | tuple[str, ...]]) -> None:
    with TemporaryDirectory() as folder:
        bench = VirtualBench(Path(folder, "job"), engine=engine)
        check(bench)
        for step in steps:
            with suppress(InputError):  # the hand cannot do it there
                if isinstance(step, str):
                    bench.do(step)
                elif step == ("NEXT",):
                    bench.press(bench.ui_state.view().keys[0].key)
                else:
                    bench.press(*step)
            check(bench)


@settings(max_examples=6, deadline=None)
@given(WALK)
def test_next_names_an_offered_key(steps: list[str | tuple[str, ...]]) -> None:
    walk("example", steps)


def test_the_stop_comes_out_after_a_restart() -> None:
    """Without an index: it may not pass while the stop is in."""
    walk("example", [
        "turn 400 at 300", ("enter",), "stop in", ("p",),
        *("touch forward at 300", "touch back at 300") * 3,
        "turn 40 at 150", "fault reset", "rest 3", "stop out", ("p",),
    ])  # fmt: skip


@pytest.mark.slow
@settings(max_examples=60, deadline=None)
@given(st.sampled_from(["example", "radial_nine", "two_stroke_single"]), WALK)
def test_next_names_an_offered_key_on_any_engine(
    engine: str, steps: list[str | tuple[str, ...]]
) -> None:
    walk(engine, steps)

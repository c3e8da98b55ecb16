"""Only what changed is sent, and it makes the right picture."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from screen_states import READING, STATES

from rig.live import run
from rig.live.layout import render
from rig.live.terminal import Ended
from rig.live.view import View

MOVE = re.compile(r"\x1b\[(\d+);1H")


class Glass:
    """What a terminal would show: lines set whole at the place that the cursor is sent to."""

    def __init__(self) -> None:
        self.lines: dict[int, str] = {}

    def take(self, sent: str) -> None:
        sent = sent.replace("\x1b[?2026h", "").replace("\x1b[?2026l", "")
        if "\x1b[2J" in sent:
            self.lines.clear()
            sent = sent.replace("\x1b[0m\x1b[2J", "")
        parts = MOVE.split(sent)
        assert parts[0] == ""
        for row, line in zip(parts[1::2], parts[2::2], strict=True):
            self.lines[int(row) - 1] = line


@given(st.lists(st.sampled_from(sorted(STATES)), min_size=1, max_size=6))
@settings(max_examples=50, deadline=None)
def test_changes_add_up_to_the_picture(names: list[str]) -> None:
    glass, old = Glass(), None
    for name in names:
        new = render(STATES[name], 80, 24).ansi()
        glass.take(run.changed_lines(old, new))
        old = new
        assert [glass.lines[row] for row in range(24)] == new


def test_nothing_is_sent_when_nothing_changed() -> None:
    lines = render(READING, 80, 24).ansi()
    assert run.changed_lines(lines, lines) == ""


def test_a_moving_crank_sends_little() -> None:
    one = render(READING, 80, 24).ansi()
    moved = replace(READING, crank=replace(READING.crank, btdc_deg=151.9))
    other = render(moved, 80, 24).ansi()
    sent = run.changed_lines(one, other)
    assert len(MOVE.findall(sent)) <= 3
    assert len(sent) < 0.25 * len(run.changed_lines(None, other))


class FakeTerminal:
    """Stands in for the terminal, so that the loop runs without one."""

    def __init__(self, sizes: list[tuple[int, int]], pressed: list[list[str]]) -> None:
        self.sizes, self.pressed = sizes, pressed
        self.sent: list[str] = []
        self.fresh = True
        self.ended: Ended | None = None
        self.given_back = False

    def __enter__(self) -> FakeTerminal:
        return self

    def __exit__(self, *exc: object) -> None:
        self.given_back = True

    def size(self) -> tuple[int, int]:
        return self.sizes[0] if len(self.sizes) == 1 else self.sizes.pop(0)

    def write(self, text: str) -> None:
        self.sent.append(text)

    def keys(self, wait_s: float) -> list[str]:
        if not self.pressed:
            self.ended = "hangup"
            return []
        return self.pressed.pop(0)


def run_on(
    monkeypatch: pytest.MonkeyPatch,
    terminal: FakeTerminal,
    view_source: Callable[[], View],
    on_key: Callable[[str], None],
    stop: Callable[[], bool],
) -> Ended:
    monkeypatch.setattr(run, "Terminal", lambda *_: terminal)
    return run.run(view_source, on_key, stop=stop)


def test_it_draws_once_while_nothing_changes(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = FakeTerminal([(80, 24)], [[] for _ in range(10)])
    ended = run_on(monkeypatch, terminal, lambda: READING, lambda key: None, lambda: False)
    assert ended == "hangup"
    assert len(terminal.sent) == 1
    assert terminal.given_back


def test_a_new_size_draws_everything_again(monkeypatch: pytest.MonkeyPatch) -> None:
    sizes = [(80, 24), (80, 24), (120, 40), (120, 40)]
    terminal = FakeTerminal(sizes, [[], [], []])
    run_on(monkeypatch, terminal, lambda: READING, lambda key: None, lambda: False)
    assert len(terminal.sent) == 2
    assert all("\x1b[2J" in sent for sent in terminal.sent)


def test_keys_arrive_in_order_and_stop_is_obeyed(monkeypatch: pytest.MonkeyPatch) -> None:
    got: list[str] = []
    terminal = FakeTerminal([(80, 24)], [["a", "up"], ["q"], ["never"]])
    ended = run_on(monkeypatch, terminal, lambda: READING, got.append, lambda: "q" in got)
    assert ended == "stopped"
    assert got == ["a", "up", "q"]


def test_the_terminal_is_given_back_when_the_view_cannot_be_made(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def broken() -> View:
        raise ValueError("no view")

    terminal = FakeTerminal([(80, 24)], [])
    with pytest.raises(ValueError, match="no view"):
        run_on(monkeypatch, terminal, broken, lambda key: None, lambda: False)
    assert terminal.given_back

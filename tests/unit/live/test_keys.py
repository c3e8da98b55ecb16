"""Keys, and the terminal left as it was found."""

from __future__ import annotations

import itertools
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.base.escape import shows_colour
from rig.guide.action import typed
from rig.live.terminal import ENTER_SCREEN, LEAVE_SCREEN, KeyDecoder

STREAM = b"q\x1b[A\x1b[B\x1bOC\x1b[D \r\x7fy\xc3\xa9\x1b[1~\x1b[5~\x1b[99;5u\x1b[Zz"
KEYS = ["q", "up", "down", "right", "left", "space", "enter", "backspace", "y", "é", "home",
        "page up", "z"]  # fmt: skip


def test_keys_have_names() -> None:
    assert KeyDecoder().feed(STREAM) == KEYS


@given(st.sets(st.integers(1, len(STREAM) - 1)))
def test_keys_do_not_depend_on_how_the_bytes_are_cut(cuts: set[int]) -> None:
    decoder, keys = KeyDecoder(), []
    ends = [0, *sorted(cuts), len(STREAM)]
    for start, end in itertools.pairwise(ends):
        keys += decoder.feed(STREAM[start:end])
    assert keys == KEYS
    assert not decoder.pending


@given(st.binary(max_size=200))
def test_any_bytes_give_names_or_nothing(data: bytes) -> None:
    decoder = KeyDecoder()
    for key in decoder.feed(data) + decoder.flush():
        assert key.isprintable()
        assert key
    assert not decoder.pending


def test_a_lone_escape_is_one_when_nothing_follows() -> None:
    decoder = KeyDecoder()
    assert decoder.feed(b"\x1b") == []
    assert decoder.pending
    assert decoder.flush() == ["esc"]
    assert decoder.feed(b"\x1bq") == ["esc", "q"]


def test_an_answer_is_typed() -> None:
    entry = ""
    for key in ("3", "6", "space", "x", "backspace", "backspace", ".", "up"):
        entry, entered = typed(entry, key)
        assert entered is None
    assert entry == "36."
    assert typed("36.5", "enter") == ("36.5", True)
    assert typed("36.", "esc") == ("36.", False)
    assert len(typed("x" * 80, "x")[0]) == 80


def test_no_colour_is_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    class Screen:
        def isatty(self) -> bool:
            return True

    screen = Screen()
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm-256color")
    assert shows_colour(screen)  # type: ignore[arg-type]
    monkeypatch.setenv("NO_COLOR", "1")
    assert not shows_colour(screen)  # type: ignore[arg-type]
    monkeypatch.setenv("NO_COLOR", "")  # set but empty means nothing (no-color.org)
    assert shows_colour(screen)  # type: ignore[arg-type]
    monkeypatch.setenv("TERM", "dumb")
    assert not shows_colour(screen)  # type: ignore[arg-type]


pytestmark_pty = pytest.mark.skipif(
    sys.platform == "win32", reason="pseudo-terminals are a thing of POSIX systems"
)

CHILD = """
import sys, time
sys.path.insert(0, {states!r})
from dataclasses import replace
from screen_states import READING
from rig.live.run import run
begun = time.monotonic()
def view():
    return replace(READING, elapsed_s=float(int(time.monotonic() - begun)))
stopped = []
def on_key(key):
    if key == "x":
        raise RuntimeError("thrown by a key")
    if key == "q":
        stopped.append(key)
ended = run(view, on_key, stop=lambda: bool(stopped) or time.monotonic() - begun > 20)
with open({report!r}, "w") as report:
    report.write(ended)
"""


class Child:
    """A process that shows the dashboard on a pseudo-terminal of its own."""

    def __init__(self, tmp_path: Path, env: dict[str, str] | None = None) -> None:
        import pty
        import termios

        self.report = tmp_path / "ended.txt"
        code = CHILD.format(
            states=str(Path(__file__).parents[2] / "support"), report=str(self.report)
        )
        self.master, slave = pty.openpty()
        termios.tcsetwinsize(slave, (24, 80))
        self.before = termios.tcgetattr(slave)
        self.slave: int | None = slave
        self.process = subprocess.Popen(
            [sys.executable, "-c", code], stdin=slave, stdout=slave, stderr=slave,
            start_new_session=True, env={**os.environ, "TERM": "xterm-256color",
                                         "PYTHONIOENCODING": "utf-8", **(env or {})},
        )  # fmt: skip
        self.output = b""

    def read_until(self, wanted: bytes, seconds: float = 15.0) -> None:
        import select

        until = time.monotonic() + seconds
        while wanted not in self.output:
            assert time.monotonic() < until, self.output[-2000:]
            if select.select([self.master], [], [], 0.1)[0]:
                self.output += os.read(self.master, 65536)

    def press(self, keys: bytes) -> None:
        os.write(self.master, keys)

    def finish(self) -> int:
        self.read_until(LEAVE_SCREEN.encode())
        return self.process.wait(10)

    def assert_as_found(self) -> None:
        import termios

        assert self.slave is not None
        assert termios.tcgetattr(self.slave) == self.before
        text = self.output.decode()
        assert text.count(ENTER_SCREEN) == text.count(LEAVE_SCREEN) == 1
        assert text.index(ENTER_SCREEN) < text.index(LEAVE_SCREEN)

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        for descriptor in (self.master, self.slave):
            if descriptor is not None:
                os.close(descriptor)


@pytest.mark.slow
@pytestmark_pty
def test_the_terminal_is_given_back_after_a_key_to_stop(tmp_path: Path) -> None:
    child = Child(tmp_path)
    try:
        child.read_until(b"36.223")
        import termios

        assert child.slave is not None
        assert not termios.tcgetattr(child.slave)[3] & termios.ICANON
        child.press(b"q")
        assert child.finish() == 0
        child.assert_as_found()
        assert child.report.read_text() == "stopped"
    finally:
        child.close()


@pytest.mark.slow
@pytestmark_pty
def test_the_terminal_is_given_back_after_an_exception(tmp_path: Path) -> None:
    child = Child(tmp_path)
    try:
        child.read_until(b"36.223")
        child.press(b"x")
        assert child.finish() == 1
        child.read_until(b"thrown by a key")
        child.assert_as_found()
        after = child.output.split(LEAVE_SCREEN.encode())[1]
        assert b"RuntimeError" in after  # told on the ordinary screen
    finally:
        child.close()


@pytestmark_pty
@pytest.mark.parametrize(
    ("name", "ended"), [("SIGINT", "interrupt"), ("SIGTERM", "terminate"), ("SIGHUP", "hangup")]
)
def test_the_terminal_is_given_back_after_a_signal(tmp_path: Path, name: str, ended: str) -> None:
    child = Child(tmp_path)
    try:
        child.read_until(b"36.223")
        child.process.send_signal(getattr(signal, name))
        assert child.finish() == 0
        child.assert_as_found()
        assert child.report.read_text() == ended
    finally:
        child.close()


@pytestmark_pty
def test_a_terminal_that_goes_away_ends_the_loop_in_order(tmp_path: Path) -> None:
    child = Child(tmp_path)
    try:
        child.read_until(b"36.223")
        assert child.slave is not None
        os.close(child.slave)
        os.close(child.master)
        child.process.wait(10)
        assert child.report.read_text() == "hangup"
    finally:
        if child.process.poll() is None:
            child.process.kill()


@pytest.mark.slow
@pytestmark_pty
def test_a_resize_is_followed(tmp_path: Path) -> None:
    import termios

    child = Child(tmp_path)
    try:
        child.read_until(b"36.223")
        assert child.slave is not None
        termios.tcsetwinsize(child.slave, (40, 120))
        child.read_until(b"line OK")
        termios.tcsetwinsize(child.slave, (12, 40))
        child.read_until(b"80x24 shows all; this is 40x12")
        child.press(b"q")
        assert child.finish() == 0
        child.assert_as_found()
    finally:
        child.close()


@pytest.mark.slow
@pytestmark_pty
def test_no_color_in_the_environment_reaches_the_screen(tmp_path: Path) -> None:
    child = Child(tmp_path, {"NO_COLOR": "1"})
    try:
        child.read_until(b"36.223")
        child.press(b"q")
        child.finish()
        assert b"38;5;" not in child.output
    finally:
        child.close()

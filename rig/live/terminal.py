"""The one door to the terminal: keys in, text out, everything left as it was found.

POSIX terminals and the Windows console differ only in this file.
"""

from __future__ import annotations

import codecs
import contextlib
import os
import signal
import sys
import time
from types import FrameType, TracebackType
from typing import Literal, TextIO

if sys.platform == "win32":
    import ctypes
    import msvcrt
else:
    import select
    import termios
    import tty


Ended = Literal["stopped", "interrupt", "terminate", "hangup"]


"""Why the screen came to its end: asked to, Ctrl-C, SIGTERM, or the terminal went away."""


ENTER_SCREEN = "\x1b[?1049h\x1b[?25l\x1b[2J"


"""Alternate screen, cursor hidden, cleared."""


LEAVE_SCREEN = "\x1b[0m\x1b[?25h\x1b[?1049l"


"""Plain text again, cursor shown, the screen that was there before."""


_ESCAPE_WAIT_S = 0.03
_LONGEST_SEQUENCE = 16

_SEQUENCES = {
    "[A": "up", "[B": "down", "[C": "right", "[D": "left", "[H": "home", "[F": "end",
    "OA": "up", "OB": "down", "OC": "right", "OD": "left", "OH": "home", "OF": "end",
    "[1~": "home", "[4~": "end", "[5~": "page up", "[6~": "page down", "[3~": "delete",
}  # fmt: skip
_SINGLE = {
    "\r": "enter", "\n": "enter", "\t": "tab", " ": "space", "\x7f": "backspace",
    "\x08": "backspace",
}  # fmt: skip
_WINDOWS = {
    "H": "up", "P": "down", "M": "right", "K": "left", "G": "home", "O": "end", "I": "page up",
    "Q": "page down", "S": "delete",
}  # fmt: skip


class KeyDecoder:
    """Bytes from a terminal to names of keys; knows no terminal itself.

    A printable character is its own name; others are ``enter``, ``esc``, ``up`` and so on. What
    means nothing is left out. Sequences by ECMA-48 5.4; the letters are what common terminals send
    (common practice, no source).
    """

    def __init__(self) -> None:
        self._utf8 = codecs.getincrementaldecoder("utf-8")("replace")
        self._pending = ""

    @property
    def pending(self) -> bool:
        """True while the beginning of a sequence is held, which may be a lone ``esc``."""
        return bool(self._pending)

    def feed(self, data: bytes) -> list[str]:
        """Take in ``data``; the keys that are complete."""
        self._pending += self._utf8.decode(data)
        keys: list[str] = []
        while self._pending:
            taken, key = self._first()
            if not taken:
                break
            self._pending = self._pending[taken:]
            if key:
                keys.append(key)
        return keys

    def flush(self) -> list[str]:
        """Nothing followed: a held ``esc`` is one."""
        held, self._pending = self._pending, ""
        return ["esc"] if held.startswith("\x1b") else []

    def _first(self) -> tuple[int, str]:
        """How many characters the first key takes, 0 when it is not complete, and its name."""
        text = self._pending
        if text[0] != "\x1b":
            return 1, _SINGLE.get(text[0], text[0] if text[0].isprintable() else "")
        if len(text) > 1 and text[1] not in "[O":
            return 1, "esc"
        if len(text) < 3:
            return 0, ""
        end = _sequence_end(text)
        return end, _SEQUENCES.get(text[1:end], "")


def _sequence_end(text: str) -> int:
    """Length of the sequence that ``text`` begins with; 0 when it is not complete.

    A sequence that breaks the rule or is too long ends where it does.
    """
    if text[1] == "O":
        return 3
    for place, character in enumerate(text[2:], start=2):
        if "\x40" <= character <= "\x7e":
            return place + 1
        if place > _LONGEST_SEQUENCE or not "\x20" <= character <= "\x3f":
            return place
    return 0


class Terminal:
    """The terminal while the dashboard has it.

    As a context manager it takes the terminal (keys without enter, alternate screen, no cursor)
    and gives it back however the block is left. ``ended`` tells when a signal or a lost terminal
    asks for the end; asked a second time, KeyboardInterrupt or SystemExit is raised.
    """

    def __init__(self, out: TextIO | None = None, keys: TextIO | None = None) -> None:
        self._out = sys.stdout if out is None else out
        self._keys = sys.stdin if keys is None else keys
        self._decoder = KeyDecoder()
        self._old_handlers: dict[int, object] = {}
        self._old_mode: object = None
        self._has_keys = False
        self._suspended = False
        self.ended: Ended | None = None
        self.fresh = True  # the screen holds nothing of ours: draw all of it

    def __enter__(self) -> Terminal:
        try:
            for name, handler in (
                ("SIGINT", self._on_end), ("SIGTERM", self._on_end), ("SIGHUP", self._on_end),
                ("SIGTSTP", self._on_suspend),
            ):  # fmt: skip
                number = getattr(signal, name, None)
                if number is not None:
                    with contextlib.suppress(ValueError):  # not in the main thread: no signals here
                        self._old_handlers[number] = signal.signal(number, handler)
            self._take()
        except BaseException:
            self._restore()
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._restore()

    def size(self) -> tuple[int, int]:
        """Columns and lines now."""
        try:
            size = os.get_terminal_size(self._out.fileno())
        except OSError:
            return 80, 24
        return max(1, size.columns), max(1, size.lines)

    def write(self, text: str) -> None:
        """Send ``text`` at once. A terminal that went away sets ``ended``."""
        try:
            self._out.write(text)
            self._out.flush()
        except (OSError, ValueError):
            self.ended = self.ended or "hangup"

    def keys(self, wait_s: float) -> list[str]:
        """Keys pressed, waiting at most ``wait_s`` for the first."""
        if self._suspended:
            self._suspended = False
            self._suspend()
        data = self._read(wait_s)
        keys = self._decoder.feed(data)
        if self._decoder.pending and not keys:
            more = self._read(_ESCAPE_WAIT_S)
            keys = self._decoder.feed(more) if more else self._decoder.flush()
        return keys

    def _on_end(self, number: int, frame: FrameType | None) -> None:
        if self.ended is not None and number == signal.SIGINT:
            raise KeyboardInterrupt
        if self.ended is not None:
            raise SystemExit(128 + number)
        known: dict[int, Ended] = {signal.SIGINT: "interrupt", signal.SIGTERM: "terminate"}
        self.ended = known.get(number, "hangup")

    def _on_suspend(self, number: int, frame: FrameType | None) -> None:
        self._suspended = True

    def _restore(self) -> None:
        self._give_back()
        for number, handler in self._old_handlers.items():
            signal.signal(number, handler)  # type: ignore[arg-type]
        self._old_handlers.clear()

    if sys.platform == "win32":

        def _take(self) -> None:
            self._old_mode = _console_mode(self._out.fileno())
            self.write(ENTER_SCREEN)
            self.fresh = True

        def _give_back(self) -> None:
            self.write(LEAVE_SCREEN)
            if isinstance(self._old_mode, int):
                _set_console_mode(self._out.fileno(), self._old_mode)

        def _suspend(self) -> None:
            """Windows has no such thing."""

        def _read(self, wait_s: float) -> bytes:
            until = time.monotonic() + wait_s
            while not msvcrt.kbhit():
                if time.monotonic() >= until:
                    return b""
                time.sleep(0.01)
            character = msvcrt.getwch()
            if character in ("\x00", "\xe0"):
                name = _WINDOWS.get(msvcrt.getwch(), "")
                sequence = next((s for s, key in _SEQUENCES.items() if key == name), "")
                return f"\x1b{sequence}".encode() if sequence else b""
            if character == "\x03":
                self._on_end(signal.SIGINT, None)
                return b""
            return character.encode("utf-8", "replace")

    else:

        def _take(self) -> None:
            self._has_keys = self._keys.isatty()
            if self._has_keys:
                mode = termios.tcgetattr(self._keys)
                self._old_mode = mode
                tty.setcbreak(self._keys, termios.TCSADRAIN)
            self.write(ENTER_SCREEN)
            self.fresh = True

        def _give_back(self) -> None:
            self.write(LEAVE_SCREEN)
            if isinstance(self._old_mode, list):
                with contextlib.suppress(termios.error):  # the terminal is gone: nothing to restore
                    termios.tcsetattr(self._keys, termios.TCSADRAIN, self._old_mode)
                self._old_mode = None

        def _suspend(self) -> None:
            """Ctrl-Z: give the terminal back, stop, and take it again when called to go on."""
            self._give_back()
            os.kill(os.getpid(), signal.SIGSTOP)
            self._take()

        def _read(self, wait_s: float) -> bytes:
            if not self._has_keys:
                time.sleep(wait_s)
                return b""
            ready, _, _ = select.select([self._keys], [], [], wait_s)
            if not ready:
                return b""
            try:
                data = os.read(self._keys.fileno(), 1024)
            except OSError:
                data = b""
            if not data:
                self.ended = self.ended or "hangup"
            return data


if sys.platform == "win32":
    _VIRTUAL_TERMINAL = 0x0004  # ENABLE_VIRTUAL_TERMINAL_PROCESSING, from memory

    def _console_mode(descriptor: int) -> int | None:
        """The console's mode before control sequences are switched on; None without a console."""
        mode = ctypes.c_uint32()
        handle = msvcrt.get_osfhandle(descriptor)
        if not ctypes.windll.kernel32.GetConsoleMode(handle, ctypes.byref(mode)):
            return None
        _set_console_mode(descriptor, mode.value | _VIRTUAL_TERMINAL)
        return mode.value

    def _set_console_mode(descriptor: int, mode: int) -> None:
        handle = msvcrt.get_osfhandle(descriptor)
        ctypes.windll.kernel32.SetConsoleMode(handle, mode)

"""The one door to the terminal: keys in, text out, everything left as it was found.

POSIX terminals and the Windows console differ only in this file.
"""

from __future__ import annotations

import codecs
import contextlib
import os
import re
import signal
import sys
import time
from collections.abc import Callable
from types import FrameType
from typing import Literal, TextIO

from rig.base.streams import INTERRUPTED, handled

if sys.platform == "win32":
    import ctypes
    import msvcrt
else:
    import select
    import termios
    import tty


# Why the screen ended: asked to, Ctrl-C, SIGTERM, or the terminal went away.
Ended = Literal["stopped", "interrupt", "terminate", "hangup"]

# Alternate screen, cursor hidden, cleared; plain text, cursor shown, the screen of before.
ENTER_SCREEN = "\x1b[?1049h\x1b[?25l\x1b[2J"
LEAVE_SCREEN = "\x1b[0m\x1b[?25h\x1b[?1049l"

_ESCAPE_WAIT_S = 0.03

_KEYS = {
    "\r": "enter", "\n": "enter", "\t": "tab", " ": "space", "\x7f": "backspace",
    "\x08": "backspace", "\x1b": "esc",
    "\x1b[A": "up", "\x1b[B": "down", "\x1b[C": "right", "\x1b[D": "left", "\x1b[H": "home",
    "\x1b[F": "end", "\x1bOA": "up", "\x1bOB": "down", "\x1bOC": "right", "\x1bOD": "left",
    "\x1bOH": "home", "\x1bOF": "end", "\x1b[1~": "home", "\x1b[4~": "end", "\x1b[5~": "page up",
    "\x1b[6~": "page down", "\x1b[3~": "delete",
}  # fmt: skip
_WINDOWS = {
    "H": "\x1b[A", "P": "\x1b[B", "M": "\x1b[C", "K": "\x1b[D", "G": "\x1b[H", "O": "\x1b[F",
    "I": "\x1b[5~", "Q": "\x1b[6~", "S": "\x1b[3~",
}  # fmt: skip

# One whole key. A sequence that breaks the rule or is too long ends where it does.
_ONE_KEY = re.compile(
    r"\x1b\[(?:[ -?]{0,15}(?:[@-~]|(?=[^ -~]))|[ -?]{16})|\x1bO.|\x1b(?=[^[O])|[^\x1b]", re.DOTALL
)


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
        while found := _ONE_KEY.match(self._pending):
            self._pending = self._pending[found.end() :]
            text = found[0]
            keys.append(_KEYS.get(text, text if len(text) == 1 and text.isprintable() else ""))
        return [key for key in keys if key]

    def flush(self) -> list[str]:
        """Nothing followed: a held ``esc`` is one."""
        held, self._pending = self._pending, ""
        return ["esc"] if held else []


class Terminal:
    """The terminal while the dashboard has it.

    As a context manager it takes the terminal (keys without enter, alternate screen, no cursor)
    and gives it back however the block is left. ``ended`` is true once a signal or a lost terminal
    asks for the end; asked a second time, KeyboardInterrupt or SystemExit is raised.
    """

    def __init__(self) -> None:
        self._out, self._keys = sys.stdout, sys.stdin
        self._decoder = KeyDecoder()
        self._undo = contextlib.ExitStack()
        self._restore: Callable[[], object] = lambda: None  # the mode of the terminal
        self._has_keys = self._keys.isatty()
        self._suspended = False
        self.ended: Ended | None = None
        self.fresh = True  # the screen holds nothing of ours: draw all of it

    def __enter__(self) -> Terminal:
        with contextlib.ExitStack() as undo:
            undo.enter_context(handled(("SIGINT", "SIGTERM", "SIGHUP"), self._on_end))
            undo.enter_context(handled(("SIGTSTP",), self._on_suspend))
            undo.callback(self._give_back)
            self._take()
            self._undo = undo.pop_all()
        return self

    def __exit__(self, *exc: object) -> None:
        self._undo.close()

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
        if self._suspended:  # Ctrl-Z: stop, and take the terminal again when called to go on
            self._suspended = False
            self._give_back()
            _stop()
            self._take()
        keys = self._decoder.feed(self._read(wait_s))
        if self._decoder.pending and not keys:
            more = self._read(_ESCAPE_WAIT_S)
            keys = self._decoder.feed(more) if more else self._decoder.flush()
        return keys

    def _on_end(self, number: int, frame: FrameType | None) -> None:
        if self.ended is not None and number == signal.SIGINT:
            raise KeyboardInterrupt
        if self.ended is not None:
            raise SystemExit(INTERRUPTED + number)
        known: dict[int, Ended] = {signal.SIGINT: "interrupt", signal.SIGTERM: "terminate"}
        self.ended = known.get(number, "hangup")

    def _on_suspend(self, number: int, frame: FrameType | None) -> None:
        self._suspended = True

    def _take(self) -> None:
        self._restore = _keys_at_once(self._out, self._keys)
        self.write(ENTER_SCREEN)
        self.fresh = True

    def _give_back(self) -> None:
        self.write(LEAVE_SCREEN)
        self._restore()
        self._restore = lambda: None

    if sys.platform == "win32":

        def _read(self, wait_s: float) -> bytes:
            until = time.monotonic() + wait_s
            while not msvcrt.kbhit():
                if time.monotonic() >= until:
                    return b""
                time.sleep(0.01)
            character = msvcrt.getwch()
            if character in ("\x00", "\xe0"):
                return _WINDOWS.get(msvcrt.getwch(), "").encode()
            if character == "\x03":
                self._on_end(signal.SIGINT, None)
                return b""
            return character.encode("utf-8", "replace")

    else:

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

    def _keys_at_once(out: TextIO, keys: TextIO) -> Callable[[], object]:
        """Switch control sequences on; what switches the console back."""
        kernel, handle = ctypes.windll.kernel32, msvcrt.get_osfhandle(out.fileno())
        mode = ctypes.c_uint32()
        if not kernel.GetConsoleMode(handle, ctypes.byref(mode)):
            return lambda: None
        kernel.SetConsoleMode(handle, mode.value | _VIRTUAL_TERMINAL)
        return lambda: kernel.SetConsoleMode(handle, mode.value)

    def _stop() -> None:
        """Windows has no such thing."""

else:

    def _keys_at_once(out: TextIO, keys: TextIO) -> Callable[[], object]:
        """Keys come without enter; what sets the terminal back."""
        if not keys.isatty():
            return lambda: None
        mode = termios.tcgetattr(keys)
        tty.setcbreak(keys, termios.TCSADRAIN)

        def restore() -> None:
            with contextlib.suppress(termios.error):  # the terminal is gone: nothing to restore
                termios.tcsetattr(keys, termios.TCSADRAIN, mode)

        return restore

    def _stop() -> None:
        os.kill(os.getpid(), signal.SIGSTOP)

"""The dashboard on the terminal, drawn again whenever something on it changes."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from typing import TextIO

from rig.screen.dashboard import render
from rig.screen.keys import Ended, Terminal, shows_colour, shows_unicode
from rig.screen.view import View

# DEC private mode 2026: the terminal shows what lies between in one go. A terminal that does not
# know it ignores it (ECMA-48: unknown modes are ignored).
_TOGETHER, _SHOWN = "\x1b[?2026h", "\x1b[?2026l"


def changed_lines(old: list[str] | None, new: list[str]) -> str:
    """What has to be sent to turn the lines ``old`` into ``new``; all of it when ``old`` is None.

    Empty when they are the same.
    """
    parts = [
        f"\x1b[{row + 1};1H{line}"
        for row, line in enumerate(new)
        if old is None or line != old[row]
    ]
    if not parts:
        return ""
    clear = "\x1b[0m\x1b[2J" if old is None else ""
    return f"{_TOGETHER}{clear}{''.join(parts)}{_SHOWN}"


def run(
    view_source: Callable[[], View],
    on_key: Callable[[str], None],
    *,
    stop: Callable[[], bool],
    fps: float = 20.0,
    out: TextIO | None = None,
    keys: TextIO | None = None,
) -> Ended:
    """Show the views of ``view_source`` until ``stop`` says so; returns why it ended.

    ``out`` and ``keys`` are the terminal's two sides, standard output and input unless given.

    ``on_key`` is called with the name of each key pressed (``rig.screen.keys``). Both are called
    from this thread, at most ``fps`` times a second plus once a key. Whatever they raise comes out
    here, after the terminal is as it was found. Ctrl-C, SIGTERM and a terminal that goes away end
    the loop in order, so that the caller can save; they raise nothing.
    """
    stream = sys.stdout if out is None else out
    colour, unicode = shows_colour(stream), shows_unicode(stream)
    shown: tuple[View, tuple[int, int]] | None = None
    lines: list[str] | None = None
    period_s = 1.0 / fps
    with Terminal(stream, keys) as terminal:
        while not stop() and terminal.ended is None:
            due = time.monotonic() + period_s
            wanted = view_source(), terminal.size()
            if terminal.fresh or shown is None or shown[1] != wanted[1]:
                lines = shown = None
            if wanted != shown:
                new = render(wanted[0], *wanted[1], colour, unicode).ansi()
                terminal.write(changed_lines(lines, new))
                terminal.fresh = False
                lines, shown = new, wanted
            for key in terminal.keys(max(0.0, due - time.monotonic())):
                on_key(key)
        return terminal.ended or "stopped"

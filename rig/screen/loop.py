"""The dashboard on the terminal, drawn again whenever something on it changes."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from typing import TextIO

from rig.screen.canvas import Frame
from rig.screen.dashboard import render
from rig.screen.keys import Ended, Terminal, shows_colour, shows_unicode
from rig.screen.view import View

# DEC private mode 2026: the terminal shows what lies between in one go. A terminal that does not
# know it ignores it (ECMA-48: unknown modes are ignored).
_TOGETHER, _SHOWN = "\x1b[?2026h", "\x1b[?2026l"


def changed_lines(old: Frame | None, new: Frame) -> str:
    """What has to be sent to turn ``old`` into ``new``; everything when ``old`` is None.

    Empty when they look the same.
    """
    lines = new.ansi()
    before = [""] * len(lines) if old is None else old.ansi()
    parts = [
        f"\x1b[{row + 1};1H{line}"
        for row, (line, was) in enumerate(zip(lines, before, strict=True))
        if old is None or line != was
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

    ``on_key`` is called with the name of each key pressed (``rig.screen.keys``). Both are called
    from this thread, at most ``fps`` times a second plus once a key. Whatever they raise comes out
    here, after the terminal is as it was found. Ctrl-C, SIGTERM and a terminal that goes away end
    the loop in order, so that the caller can save; they raise nothing.
    """
    stream = sys.stdout if out is None else out
    colour, unicode = shows_colour(stream), shows_unicode(stream)
    shown: View | None = None
    frame: Frame | None = None
    period_s = 1.0 / fps
    with Terminal(stream, keys) as terminal:
        while not stop() and terminal.ended is None:
            due = time.monotonic() + period_s
            view, size = view_source(), terminal.size()
            if terminal.fresh or frame is None or (frame.width, frame.height) != size:
                frame = shown = None
            if view != shown:
                new = render(view, *size, colour, unicode)
                update = changed_lines(frame, new)
                if update:
                    terminal.write(update)
                terminal.fresh = False
                frame, shown = new, view
            _serve_keys(terminal, on_key, due)
        return terminal.ended or "stopped"


def _serve_keys(terminal: Terminal, on_key: Callable[[str], None], due: float) -> None:
    """Pass keys on until the next picture is due; a key brings it forward."""
    keys = terminal.keys(max(0.0, due - time.monotonic()))
    for key in keys:
        on_key(key)

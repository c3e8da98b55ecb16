"""The dashboard on the terminal, drawn again whenever something on it changes."""

from __future__ import annotations

import contextlib
import importlib
import queue
import sys
import threading
import time
from collections.abc import Callable

from rig.base.errors import RigLostError
from rig.base.escape import is_screen, message, shows_colour, shows_unicode
from rig.base.streams import OutputError, asked_to_end
from rig.guide.action import Host, Prompt
from rig.guide.procedure import Procedure
from rig.job.folder import Job
from rig.live.layout import render
from rig.live.live_session import LiveSession, PortReader
from rig.live.plain_lines import run as print_changes
from rig.live.terminal import Ended, Terminal
from rig.live.ui_state import UiState
from rig.live.view import View
from rig.wire.ports import Place, Port, find_rig, open_port

FRAMES_A_SECOND = 15.0
QUIT = "q"


def load() -> None:
    """Load what the first touch and opening need: that takes seconds, best before a port is open,
    so that no bytes of the rig wait meanwhile."""
    for name in ("scipy.special", "scipy.signal"):
        importlib.import_module(name)


def start(job: Job, port: Port) -> LiveSession:
    """A live run on an open port, which is opened again when it was lost."""
    load()
    live: LiveSession | None = None
    place = Place.of(port)

    def reopen() -> Port:
        return place.again(live.session.identity if live is not None else None)

    feed = PortReader(port, reopen)
    try:
        live = LiveSession(job, feed, port.url)
    except BaseException:
        feed.close()
        raise
    return live


def show(
    ui_state: UiState, over: Callable[[], bool], *, plain_lines: bool = False, led: bool = False
) -> None:
    """Show ``ui_state`` until ``over``: the dashboard on a terminal, else plain lines.

    ``led``: the lines go to standard error, and each line of standard input is a key by its first
    letter, an empty one enter; at the end of the input the procedure is left.
    """
    if not plain_lines and is_screen(sys.stdout, sys.stdin):
        run(ui_state.view, ui_state.key, stop=over)
        return
    typed = Lines() if led else None

    def view() -> View:
        shown = ui_state.view()
        line = typed() if typed is not None else None
        if line == QUIT:
            ui_state.leave()
        elif line is not None:
            ui_state.key(line.strip().casefold()[:1] or "enter")
        return shown

    with asked_to_end() as asked:

        def stop() -> bool:
            return asked() or over()

        try:
            print_changes(view, stop=stop, out=sys.stderr if led else None)
        except OutputError as why:  # the capture does not depend on it
            message(f"rig live: {why}; the capture goes on")
            print_changes(view, stop=stop)
        except BrokenPipeError:
            message("the output was closed; the capture is kept")
        if asked():
            message("stopped; the capture is kept")


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
    fps: float = FRAMES_A_SECOND,
) -> Ended:
    """Show the views of ``view_source`` until ``stop`` is true; returns why it ended.

    ``on_key`` is called with the name of each key pressed (``rig.live.terminal``). Both are called
    from this thread, at most ``fps`` times a second plus once a key. Whatever they raise comes out
    here, after the terminal is as it was found. Ctrl-C, SIGTERM and a terminal that goes away end
    the loop in order, so that the caller can save; they raise nothing.
    """
    colour, unicode = shows_colour(sys.stdout), shows_unicode(sys.stdout)
    shown: tuple[View, tuple[int, int]] | None = None
    lines: list[str] | None = None
    period_s = 1.0 / fps
    with Terminal() as terminal:
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


def capture_alone(
    job: Job, url: str | None, procedure: Callable[[Host, Prompt], Procedure]
) -> LiveSession:
    """A live run of one procedure that has the screen to itself, in the place of a job; it has
    ended. Raises RigLostError when no rig was recognised."""
    live = start(job, open_port(url) if url else find_rig())
    ui_state = UiState(live, alone=procedure)
    try:
        show(ui_state, lambda: ui_state.ended, led=True)
    finally:
        live.end()
    if not live.understood:
        raise RigLostError(f"no rig was recognised: {live.diagnosis() or 'nothing was received'}")
    if live.recorder.writer.is_there():
        message(f"capture: {live.capture_path}")
    return live


class Lines:
    """Lines of standard input, taken in a thread of its own; called, one of them or None."""

    def __init__(self) -> None:
        self._lines: queue.SimpleQueue[str] = queue.SimpleQueue()
        threading.Thread(target=self._read, daemon=True).start()

    def __call__(self) -> str | None:
        try:
            return self._lines.get_nowait()
        except queue.Empty:
            return None

    def _read(self) -> None:
        with contextlib.suppress(OSError):  # a folder in its place, a window that was closed
            for line in sys.stdin:
                self._lines.put(line)
        self._lines.put(QUIT)  # the input has ended

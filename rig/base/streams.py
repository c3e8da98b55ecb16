"""The standard streams as they may be: closed, full, without a reader, behind a closed window.

Standard output that cannot be written is one sentence, once. Standard error that cannot be written
is given up: nobody is there to read it. In both cases the command goes on to its end, so that what
it keeps on disk is whole.
"""

from __future__ import annotations

import contextlib
import errno
import io
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from types import FrameType
from typing import Any, TextIO, cast

from rig.base.errors import InputError, reason

INTERRUPTED = 128
"""Ended by a signal: this and its number (common practice, no source)."""


class OutputError(InputError):
    """Standard output cannot be written."""


class _Output:
    """A stream to write to. What fails is told once, by way of ``failed``; all later writing has no
    effect."""

    def __init__(self, stream: TextIO | None, failed: Callable[[OSError], None]) -> None:
        self._stream = stream
        self._failed = failed
        self._terminal = stream is not None and _is_terminal(stream)
        self._over = False
        self.refused = False  # what was to be said could not be

    def write(self, text: str) -> int:
        """Write ``text``."""
        self._do("write", text)
        return len(text)

    def flush(self) -> None:
        """Have all that was written go its way."""
        if self._stream is not None:
            self._do("flush")

    def isatty(self) -> bool:
        """Whether a person looks at it."""
        return self._terminal

    def _do(self, what: str, *given: str) -> None:
        if self._over:
            return
        try:
            if self._stream is None:
                raise OSError(errno.EBADF, os.strerror(errno.EBADF))
            getattr(self._stream, what)(*given)
        except OSError as why:
            self._over = True
            self._drain()
            if why.errno == errno.EIO and self._terminal:  # its window was closed
                why = BrokenPipeError(errno.EPIPE, "")
            self.refused = not isinstance(why, BrokenPipeError)
            self._failed(why)

    def _drain(self) -> None:
        """What waits in the stream is written at the program's end, to where it does no harm: a
        number that was closed would be given to the next file that is opened."""
        if self._stream is not None:
            with contextlib.suppress(OSError, ValueError):
                nowhere = os.open(os.devnull, os.O_WRONLY)
                os.dup2(nowhere, self._stream.fileno())
                os.close(nowhere)

    def __getattr__(self, name: str) -> Any:
        if self._stream is None:
            if name == "encoding":
                return "utf-8"
            raise AttributeError(name)
        return getattr(self._stream, name)


def _is_terminal(stream: TextIO) -> bool:
    try:
        return stream.isatty()
    except (OSError, ValueError):
        return False


def _refused(why: OSError) -> None:
    if isinstance(why, BrokenPipeError):
        raise why  # the reader has gone, which is no trouble
    raise OutputError(f"standard output cannot be written: {reason(why)}") from why


def _given_up(why: OSError) -> None:
    """There is nobody to tell."""


@contextlib.contextmanager
def standard_streams() -> Iterator[Callable[[], bool]]:
    """Streams that a command can rely on: one that was closed is there, and takes nothing.

    Gives what says whether standard output has refused anything.
    """
    before = sys.stdin, sys.stdout, sys.stderr
    _keep_numbers()
    for stream in before:
        # A terminal that cannot show a degree sign must not end a session, nor a stray byte.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    if sys.stdin is None:
        sys.stdin = io.StringIO()
    out = _Output(before[1], _refused)
    sys.stdout = cast(TextIO, out)
    sys.stderr = cast(TextIO, _Output(before[2], _given_up))
    try:
        yield lambda: out.refused
    finally:
        sys.stdin, sys.stdout, sys.stderr = before


def _keep_numbers() -> None:
    """Take the numbers of standard streams that are closed, or the next file that is opened has
    one of them, and another program's output lands in it."""
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # the lowest that is free


@contextlib.contextmanager
def ended_in_order() -> Iterator[list[int]]:
    """When asked to end (SIGTERM) or when the terminal is gone (SIGHUP), raise KeyboardInterrupt as
    Ctrl-C does, so that files are closed and the terminal is given back.

    Gives the signals that came. One that is ignored (nohup) stays so.
    """
    came: list[int] = []

    def end(number: int, frame: FrameType | None) -> None:
        came.append(number)
        raise KeyboardInterrupt

    with _handled(("SIGTERM", "SIGHUP"), end):
        yield came


@contextlib.contextmanager
def asked_to_end() -> Iterator[Callable[[], bool]]:
    """Gives what says whether Ctrl-C, SIGTERM or SIGHUP has asked for the end, so that what is
    being done is finished first. Asked a second time, KeyboardInterrupt is raised."""
    asked: list[int] = []

    def ask(number: int, frame: FrameType | None) -> None:
        if asked:
            raise KeyboardInterrupt
        asked.append(number)

    with _handled(("SIGINT", "SIGTERM", "SIGHUP"), ask):
        yield lambda: bool(asked)


@contextlib.contextmanager
def _handled(
    names: tuple[str, ...], handler: Callable[[int, FrameType | None], None]
) -> Iterator[None]:
    """``handler`` takes these signals, but for those that are ignored; Windows has no SIGHUP, and
    signals come in the main thread alone."""
    old: dict[int, Any] = {}
    if threading.current_thread() is threading.main_thread():
        for name in names:
            number = getattr(signal, name, None)
            if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
                old[number] = signal.signal(number, handler)
    try:
        yield
    finally:
        for number, before in old.items():
            signal.signal(number, before)

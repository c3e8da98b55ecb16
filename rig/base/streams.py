"""The standard streams in any state: closed, full, without a reader, behind a closed window.

Standard output that cannot be written is reported once, in one sentence. Standard error that cannot
be written is abandoned: nobody is there to read it. In both cases the command continues to its end,
so that its files are complete.
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

INTERRUPTED = 128  # exit status after a signal: this and its number (common practice, no source)


class OutputError(InputError):
    """Standard output cannot be written."""


class _Output:
    """A stream to write to. The first failure is reported through ``failed``; further writing does
    nothing."""

    def __init__(self, stream: TextIO | None, failed: Callable[[OSError], None]) -> None:
        self._stream = stream
        self._failed = failed
        self._terminal = stream is not None and _is_terminal(stream)
        self._over = False
        self.refused = False  # something could not be written

    def write(self, text: str) -> int:
        """Write ``text``."""
        self._do("write", text)
        return len(text)

    def flush(self) -> None:
        """Flush the stream."""
        if self._stream is not None:
            self._do("flush")

    def isatty(self) -> bool:
        """Whether it is a terminal."""
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
        """What waits in the stream is written at the program's end: redirect that to where it does
        no harm. A closed number would be given to the next file that is opened."""
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
        raise why  # the reader has gone, which is normal
    raise OutputError(f"standard output cannot be written: {reason(why)}") from why


@contextlib.contextmanager
def standard_streams() -> Iterator[Callable[[], bool]]:
    """Streams that a command can rely on: a closed one is replaced by one that discards.

    Yields a function: whether standard output has refused anything.
    """
    before = sys.stdin, sys.stdout, sys.stderr
    _keep_numbers()
    for stream in before:
        # A terminal without a degree sign must not end a session, nor must a stray byte.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    if sys.stdin is None:
        sys.stdin = io.StringIO()
    out = _Output(before[1], _refused)
    sys.stdout = cast(TextIO, out)
    sys.stderr = cast(TextIO, _Output(before[2], lambda _: None))
    try:
        yield lambda: out.refused
    finally:
        sys.stdin, sys.stdout, sys.stderr = before


def _keep_numbers() -> None:
    """Occupy the numbers of closed standard streams; otherwise the next file that is opened gets
    one, and another program's output goes into it."""
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # uses the lowest free number


@contextlib.contextmanager
def ended_in_order() -> Iterator[list[int]]:
    """When asked to end (SIGTERM) or when the terminal is gone (SIGHUP), raise KeyboardInterrupt as
    Ctrl-C does, so that files are closed and the terminal is restored.

    Yields the signals received. An ignored one (nohup) stays ignored.
    """
    came: list[int] = []

    def end(number: int, frame: FrameType | None) -> None:
        came.append(number)
        raise KeyboardInterrupt

    with handled(("SIGTERM", "SIGHUP"), end):
        yield came


@contextlib.contextmanager
def asked_to_end() -> Iterator[Callable[[], bool]]:
    """Yields a function: whether Ctrl-C, SIGTERM or SIGHUP has asked for the end, so that the
    present task can be finished first. The second request raises KeyboardInterrupt."""
    asked: list[int] = []

    def ask(number: int, frame: FrameType | None) -> None:
        if asked:
            raise KeyboardInterrupt
        asked.append(number)

    with handled(("SIGINT", "SIGTERM", "SIGHUP"), ask):
        yield lambda: bool(asked)


@contextlib.contextmanager
def handled(
    names: tuple[str, ...], handler: Callable[[int, FrameType | None], None]
) -> Iterator[None]:
    """Use ``handler`` for these signals, except ignored ones. Windows has no SIGHUP, and only the
    main thread gets signals."""
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

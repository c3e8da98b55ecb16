"""The virtual rig's lines on a pseudo-terminal at their own pace, and when each byte was sent."""

from __future__ import annotations

import bisect
import functools
import os
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Callable
from contextlib import nullcontext
from pathlib import Path
from types import TracebackType

from rig.virtual.rig import demo_profile, run

SLOW_S = 120.0
"""Longer than any wait here takes, on a busy machine too."""


@functools.cache
def speech(plan: str = "turn 4000 at 200", seed: int = 7) -> tuple[tuple[float, bytes], ...]:
    """What the rig says to a hand's plan: seconds, line."""
    return tuple(run(plan, demo_profile(), seed).lines)


class PacedRig:
    """A port with a rig at its far end. ``link`` gives the port another name."""

    def __init__(self, lines: tuple[tuple[float, bytes], ...], link: Path | None = None) -> None:
        self._lines = lines
        self._far, self._near = os.openpty()
        tty.setraw(self._near)
        os.set_blocking(self._far, False)
        self.port = os.ttyname(self._near)
        if link is not None:
            link.symlink_to(self.port)
            self.port = str(link)
        self.data = b"".join(line for _, line in lines)
        self._at_s: list[float] = []  # when so many bytes in all had been sent
        self._sent: list[int] = []
        self.unheard = threading.Event()  # set: it goes on, and nothing comes through
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._speak, daemon=True)

    def __enter__(self) -> PacedRig:
        return self

    def begin(self) -> None:
        """Say the lines from now on."""
        self._thread.start()

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.unplug()

    def unplug(self) -> None:
        """The port goes away. May be called twice."""
        self._over.set()
        if self._thread.ident is not None:
            self._thread.join(timeout=5.0)
        for handle in (self._far, self._near):
            if handle >= 0:
                os.close(handle)
        self._far = self._near = -1

    def heard(self) -> bytes:
        """What the program has written to the rig."""
        try:
            return os.read(self._far, 1000)
        except BlockingIOError:
            return b""

    def sent_by(self, at_s: float) -> int:
        """Bytes sent up to then, by ``time.monotonic``."""
        n = bisect.bisect_right(self._at_s, at_s)
        return self._sent[n - 1] if n else 0

    def sent_at(self, byte: int) -> float:
        """When the byte of that number was sent."""
        return self._at_s[bisect.bisect_right(self._sent, byte)]

    def _speak(self) -> None:
        began_s, total = time.monotonic(), 0
        for due_s, line in self._lines:
            wait_s = began_s + due_s - time.monotonic()
            if self._over.wait(max(wait_s, 0.0)):
                return
            rest = b"" if self.unheard.is_set() else line
            while rest and not self._over.is_set():
                try:
                    done = os.write(self._far, rest)
                except BlockingIOError:  # a real rig's bytes would be lost here
                    break
                rest, total = rest[done:], total + done
                self._at_s.append(time.monotonic())
                self._sent.append(total)


WRITTEN: dict[int, Path] = {}  # process -> the file with its output, if not a pipe


def wait_for(running: subprocess.Popen[str], found: Callable[[], object]) -> None:
    """Until ``found`` gives something true, which is to come while the program runs."""
    until = time.monotonic() + SLOW_S
    while not found():
        if running.poll() is not None or time.monotonic() > until:
            status = running.poll()
            running.kill()
            said = WRITTEN[running.pid].read_text() if running.pid in WRITTEN else ""
            said += running.communicate()[0] or ""
            raise AssertionError(f"it never came; status {status}: {said}")
        time.sleep(0.003)


def start(*words: str | Path, out: Path | None = None) -> subprocess.Popen[str]:
    """A command of the program as a process of its own, its output in one stream: ``out``, or a
    pipe."""
    with out.open("w") if out is not None else nullcontext(subprocess.PIPE) as stream:
        running = subprocess.Popen(
            [sys.executable, "-u", "-m", "rig", *map(str, words)],
            stdin=subprocess.DEVNULL,
            stdout=stream,
            stderr=subprocess.STDOUT,
            text=True,
        )
    if out is not None:
        WRITTEN[running.pid] = out
    return running

"""The port in a thread of its own: bytes wait in a queue, whatever the screen is doing."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass

from rig.faults import RigError
from rig.wire.port import Port
from rig.wire.ports import AnotherRigError

AGAIN_S = 1.0
"""A lost port is tried again this often."""


@dataclass(frozen=True, slots=True)
class Bytes:
    """What came, and when by the host's clock (``time.monotonic``, seconds)."""

    data: bytes
    at_s: float


@dataclass(frozen=True, slots=True)
class Lost:
    """The port went away; the feed goes on trying."""

    why: str


@dataclass(frozen=True, slots=True)
class Back:
    """The port is there again."""

    url: str


@dataclass(frozen=True, slots=True)
class Another:
    """While the port is lost: another rig is there, which is not taken."""

    why: str


Word = Bytes | Lost | Back | Another


class Feed:
    """Reads ``port`` until ``close``. ``reopen`` opens the port again after it was lost."""

    def __init__(self, port: Port, reopen: Callable[[], Port]) -> None:
        self._port = port
        self._reopen = reopen
        self._queue: queue.SimpleQueue[Word] = queue.SimpleQueue()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="rig port", daemon=True)
        self._thread.start()

    def words(self) -> list[Word]:
        """All that came since the last call, bytes of one stretch joined."""
        words: list[Word] = []
        data: list[Bytes] = []
        while not self._queue.empty():
            word = self._queue.get()
            if isinstance(word, Bytes):
                data.append(word)
                continue
            words += _joined(data)
            data = []
            words.append(word)
        return words + _joined(data)

    def ask(self) -> None:
        """Ask the rig who it is. A port that is lost just now is told nothing."""
        if self._port.is_open:
            try:
                self._port.write(b"?\n")
            except RigError as why:
                self._queue.put(Lost(str(why)))

    def close(self) -> None:
        """End the thread and close the port."""
        self._stop.set()
        self._thread.join(timeout=2.0)
        self._port.close()

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                data = self._port.read()
            except RigError as why:
                self._queue.put(Lost(str(why)))
                self._port.close()
                if not self._came_back():
                    return
                continue
            if data:
                self._queue.put(Bytes(data, time.monotonic()))
        self._port.close()  # opened again, it may be, after it was to be closed

    def _came_back(self) -> bool:
        said = ""
        while not self._stop.wait(AGAIN_S):
            try:
                self._port = self._reopen()
            except AnotherRigError as why:
                if str(why) != said:
                    said = str(why)
                    self._queue.put(Another(said))
                continue
            except RigError:
                continue  # said once already, and shown until the rig is back
            self._queue.put(Back(self._port.url))
            return True
        return False


def _joined(data: list[Bytes]) -> list[Word]:
    return [Bytes(b"".join(word.data for word in data), data[-1].at_s)] if data else []

"""A clock for listening: it goes on as those who are listened to get their turns.

On a busy machine a device of the tests may say nothing for a second. By this clock no time passes
then, so what is heard within it does not depend on how busy the machine is.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager

ROUND_S = 0.01


class Rounds:
    """Seconds, by the turns of the slowest of those who have their say just now."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._turns: dict[int, int] = {}
        self._reached = 0
        self._next = 0

    @contextmanager
    def say(self) -> Iterator[int]:
        """Have a say, under the number given; ``turn`` ends each turn of it."""
        with self._lock:
            self._next += 1
            who = self._next
            self._turns[who] = self._reached
        try:
            yield who
        finally:
            with self._lock:
                del self._turns[who]

    def turn(self, who: int) -> None:
        """It has said what it says in a turn, or was silent."""
        with self._lock:
            self._turns[who] += 1

    def __call__(self) -> float:
        with self._lock:
            self._reached = max(self._reached, min(self._turns.values(), default=0))
            return self._reached * ROUND_S


ROUNDS = Rounds()

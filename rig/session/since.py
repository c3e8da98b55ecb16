"""A value that changes at instants of the rig's time, and a list whose last can be taken back."""

from __future__ import annotations

import bisect
import math
from collections.abc import Callable, Mapping
from typing import Generic, TypeVar

T = TypeVar("T")


class Since(Generic[T]):
    """A value that changes at instants of the rig's time."""

    def __init__(self, first: T) -> None:
        self._times: list[float] = [-math.inf]
        self._values: list[T] = [first]

    def set(self, t_us: float, value: T) -> None:
        """From ``t_us`` on the value is ``value``. Times come in order."""
        self._times.append(max(t_us, self._times[-1]))
        self._values.append(value)

    def at(self, t_us: float) -> T:
        """The value in force at ``t_us``; a change at that very instant is not in force yet."""
        return self._values[max(bisect.bisect_left(self._times, t_us) - 1, 0)]

    def began(self, t_us: float) -> float:
        """Since when the value at ``t_us`` is in force; minus infinity for the first."""
        return self._times[max(bisect.bisect_left(self._times, t_us) - 1, 0)]

    @property
    def last_us(self) -> float:
        """When it was last set; minus infinity when it never was."""
        return self._times[-1]

    @property
    def now(self) -> T:
        """The value in force now."""
        return self._values[-1]


def put(of: list[T], value: Mapping[str, object], item: Callable[[], T]) -> None:
    """Add what a note says to ``of``; one that says ``{"back": true}`` takes the last away."""
    if value.get("back"):
        del of[-1:]
    else:
        of.append(item())

"""Edges that wait to be said, and bursts that are too long to be said whole."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from rig.wire.line import hexadecimal


@dataclass(slots=True)
class Edge:
    """A change of an input. ``at``: how many encoder steps there were up to it, from the start."""

    t_us: int
    input: int
    level: int
    at: int

    @property
    def since_us(self) -> int:
        return self.t_us


class Burst:
    """Edges of one input for which there was no room: the last is kept, the others are told of."""

    def __init__(self, before_us: int, edge: Edge) -> None:
        self.last = edge
        self.left_out = 0
        self._input = edge.input
        self._first_us = self._left_us = self.since_us = edge.t_us
        self._longest = [0, 0]
        self._run(1 - edge.level, edge.t_us - before_us)

    def add(self, edge: Edge) -> None:
        self.left_out += 1
        self._left_us = self.last.t_us
        self._run(self.last.level, edge.t_us - self.last.t_us)
        self.last = edge

    def _run(self, level: int, lasting_us: int) -> None:
        self._longest[level] = max(self._longest[level], lasting_us)

    @property
    def at(self) -> int:
        return self.last.at

    def fields(self, clock: Callable[[int], str]) -> tuple[str, ...]:
        """``X``: input, edges left out, the first and the last of them, longest low and high."""
        times = clock(self._first_us), clock(self._left_us)
        longest = (hexadecimal(us) for us in self._longest)
        return hexadecimal(self._input), hexadecimal(self.left_out), *times, *longest

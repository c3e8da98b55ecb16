"""Between the rows of a dump and the rig's records: what is unknown, and where stretches end."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from rig.counted import many
from rig.wire.pin_records import Stretch
from rig.wire.records import Trouble
from rig.wire.vcd_body import Rows, Words

Ints = NDArray[np.int64]

STEP_US = 500_000
"""Stretches end at multiples of this, which are multiples of all times when records are due."""

_LONGEST = 600  # steps in a stretch: five minutes, so that a batch stays small
_SILENCE = 1_200  # steps: ten minutes. Longer without any change is passed over
_ENCODER = 3  # bits of A and B
_SAID = 10


class Levels(NamedTuple):
    """Rows without unknown levels; ``doubt`` as in ``Stretch``."""

    ticks: Ints
    levels: Words
    doubt: Words

    def part(self, low: int, high: int | None) -> Levels:
        """Rows ``low`` to ``high``."""
        return Levels(self.ticks[low:high], self.levels[low:high], self.doubt[low:high])


class Known:
    """Takes x and z out of rows.

    An unknown pin keeps its last level; being known for the first time is no edge. While A or B
    is unknown neither moves, and after that it is not known how far the encoder went. ``start``
    is the tick and the levels at which both are known for the first time; rows up to there are
    left out. ``troubles`` fills up; whoever reads it empties it.
    """

    def __init__(self, roles: Sequence[str], tick_us: Fraction) -> None:
        self._roles = roles
        self._tick_us = tick_us
        self._unseen = (1 << len(roles)) - 1
        self._unknown = self._unseen  # at the latest row
        self._encoder = 0  # levels of A and B when both were known last
        self._levels = 0
        self._spells = 0
        self._left_out = 0
        self.start: tuple[int, np.unsignedinteger[Any]] | None = None
        self.troubles: list[Trouble] = []

    def settle(self, rows: Rows) -> Levels:
        """The rows after ``start``, with levels throughout."""
        ticks, levels, unknown = rows
        settled = Levels(ticks, levels, np.zeros_like(levels))
        if not len(ticks):
            return settled
        if self._unseen or self._unknown or unknown.any():
            levels = self._held(levels, unknown)
            settled = Levels(ticks, levels, settled.doubt)
            before = np.concatenate((np.array([self._unknown], unknown.dtype), unknown[:-1]))
            self._tell_spells(ticks, unknown & ~before)
            self._mark_first(settled, unknown)
            settled = self._hold_encoder(settled, unknown, before)
        self._unknown, self._levels = int(unknown[-1]), int(levels[-1])
        if len(settled.ticks):
            self._encoder = int(settled.levels[-1]) & _ENCODER
        return settled

    def _held(self, levels: Words, unknown: Words) -> Words:
        """Levels in which an unknown pin keeps the level of the last row that knew it, whatever it
        was on the way to being unknown within one time stamp."""
        held = levels.copy()
        rows = np.arange(len(levels))
        for number in range(len(self._roles)):
            bit = levels.dtype.type(1 << number)
            lost = unknown & bit != 0
            if not lost.any():
                continue
            latest = np.maximum.accumulate(np.where(lost, -1, rows))
            old = np.where(latest < 0, levels.dtype.type(self._levels) & bit, levels[latest] & bit)
            held = np.where(lost, (held & ~bit) | old, held)
        return held.astype(levels.dtype)

    def missing(self) -> str:
        """Which of A and B have not been known yet: "a", "b" or "a and b"."""
        return (
            " and ".join(
                role for number, role in enumerate(self._roles[:2]) if self._unseen >> number & 1
            )
            or "a together with b"
        )

    def finish(self, end_tick: int) -> None:
        """Say what can only be said at the end."""
        for number, role in enumerate(self._roles):
            if self._unseen >> number & 1:
                self._trouble(end_tick, "vcd", f"{role} is never 0 or 1")
        if self._left_out:
            self._trouble(
                end_tick,
                "vcd",
                f"{many(self._left_out, 'edge')} came before a and b were both known",
            )
        if self._spells > _SAID:
            self._trouble(
                end_tick,
                "vcd",
                f"{many(self._spells - _SAID, 'more time')} at which a pin was x or z",
            )

    def _tell_spells(self, ticks: Ints, onset: Words) -> None:
        for row in np.flatnonzero(onset).tolist():
            for number, role in enumerate(self._roles):
                if int(onset[row]) >> number & 1:
                    self._spells += 1
                    if self._spells <= _SAID:
                        kind = "vcd" if number > 1 else "encoder"
                        self._trouble(int(ticks[row]), kind, f"{role} is neither 0 nor 1 (x or z)")

    def _mark_first(self, settled: Levels, unknown: Words) -> None:
        """Doubt the change of a pin in the row in which it is known for the first time."""
        for number in range(len(self._roles)):
            bit = 1 << number
            if self._unseen & bit:
                seen = np.flatnonzero(unknown & unknown.dtype.type(bit) == 0)
                if len(seen):
                    self._unseen &= ~bit
                    if not bit & _ENCODER:
                        settled.doubt[seen[0]] |= bit

    def _hold_encoder(self, settled: Levels, unknown: Words, before: Words) -> Levels:
        """Leave out what is before ``start``; keep A and B still while one is unknown."""
        ticks, levels, doubt = settled
        dark = (unknown & _ENCODER) != 0
        was_dark = (before & _ENCODER) != 0
        if self.start is None:
            bright = np.flatnonzero(~dark)
            row = int(bright[0]) if len(bright) else len(ticks) - 1
            previous = np.concatenate((np.array([self._levels], levels.dtype), levels[:row]))
            flips = (levels[: row + 1] ^ previous) & ~doubt[: row + 1]
            self._left_out += int(np.count_nonzero(flips >> 2))
            if len(bright):
                self.start = (int(ticks[row]), levels[row])
                self._encoder = int(levels[row]) & _ENCODER
            ticks, levels, doubt = ticks[row + 1 :], levels[row + 1 :], doubt[row + 1 :]
            dark, was_dark = dark[row + 1 :], was_dark[row + 1 :]
        if dark.any() or was_dark.any():
            latest = np.maximum.accumulate(np.where(dark, -1, np.arange(len(dark))))
            held = np.where(latest < 0, self._encoder, levels[latest] & _ENCODER)
            levels = levels & ~levels.dtype.type(_ENCODER) | held.astype(levels.dtype)
            doubt = doubt | (was_dark & ~dark).astype(doubt.dtype)
        return Levels(ticks, levels, doubt)

    def _trouble(self, tick: int, kind: str, detail: str) -> None:
        self.troubles.append(Trouble(float(tick * self._tick_us), kind, detail))


class Cutter:
    """Cuts rows into stretches.

    Nothing is given for more than ten minutes without any change; ``troubles`` says so.
    """

    def __init__(self, tick_us: Fraction) -> None:
        self._tick_us = tick_us
        self._step = int(STEP_US / tick_us)
        self._held: list[Levels] = []
        self._at: int | None = None
        self._latest = 0  # tick of the latest change given
        self.troubles: list[Trouble] = []

    @property
    def begun(self) -> bool:
        """Whether ``begin`` was called."""
        return self._at is not None

    def begin(self, tick: int) -> None:
        """Rows after ``tick`` will follow."""
        self._at = tick // self._step * self._step
        self._latest = tick

    def stretches(self, rows: Levels) -> Iterator[Stretch]:
        """All that can be given once ``rows`` are known."""
        if len(rows.ticks) or not self._held:
            self._held.append(rows)
        if not len(rows.ticks):
            return
        until = (int(rows.ticks[-1]) - 1) // self._step * self._step
        if self._at is not None and until > self._at:
            yield from self._cut(until)

    def finish(self, end_tick: int) -> Iterator[Stretch]:
        """The rest, up to ``end_tick``: one stretch at least, though it may be of no length."""
        yield from self._cut(end_tick, whole=True)

    def _cut(self, until: int, *, whole: bool = False) -> Iterator[Stretch]:
        rows = Levels(*(np.concatenate(each) for each in zip(*self._held, strict=True)))
        low, at = 0, self._at or 0
        while at < until or whole:
            end = min(until, at + _LONGEST * self._step)
            following = int(rows.ticks[low]) if low < len(rows.ticks) else until
            quiet = (-(-self._latest // self._step) + _SILENCE) * self._step
            if following > quiet > at:
                end = min(end, quiet)
            elif following > quiet:
                at = self._pass_over(at, following)
                end = min(until, at + self._step)
            high = int(np.searchsorted(rows.ticks, end, "right"))
            yield Stretch(*rows.part(low, high), at, end)
            if high > low:
                self._latest = int(rows.ticks[high - 1])
            low, at, whole = high, end, False
        self._at = at
        self._held = [rows.part(low, None)]

    def _pass_over(self, at: int, following: int) -> int:
        """Go on just before ``following``, as nothing changes in between."""
        ahead = max((following - 1) // self._step * self._step, at)
        hours = float((ahead - at) * self._tick_us / 3_600_000_000)
        if hours:
            detail = f"nothing changes; {hours:.1f} hours of it are passed over"
            self.troubles.append(Trouble(float(at * self._tick_us), "vcd", detail))
        return ahead

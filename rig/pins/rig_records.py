"""Pin levels to what a rig would have sent, for a whole stretch of time at once.

The rules are those of ``firmware_notes/protocol.md``: when a position record is due, which encoder
edges go with an edge, which visits to a quadrature state count for its width. Between the rows of a
dump and the rig's records, unknown levels are resolved and the rows are cut into stretches.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from fractions import Fraction
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from rig.base.rounding import many
from rig.pins.vcd_body import Rows, Words
from rig.wire.records import EDGE, INDEX_INPUT, POSITION, WIDTH, Batch, Health, LineError

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

UNKNOWN_LEVEL = "unknown-level"  # line error: a pin without a level

_GRID_US = 20_000  # a position at each of these if the count has changed since the last ...
_REST = 5  # ... and else at each fifth
_WIDTHS_US = 250_000  # also the shortest time between totals of illegal transitions
_WAIT_US = 250_000  # how long an edge waits for the encoder edges after it
_LONGEST_VISIT_US = 65_536
_NEVER = np.int64(2**63 - 1)

_STEP = np.array([0, 1, 2, -1], np.int8)  # by difference of quadrature states; 2: both changed
_ILLEGAL = 2


class Levels(NamedTuple):
    """Pin levels at each change, none of them unknown, (n,).

    Bits of ``levels``: 0 A, 1 B, then index and contacts. ``doubt`` marks what a row does not show:
    bit 0, how far the encoder went since the row before; a bit of another pin, that its level
    changed (it was unknown before).
    """

    ticks: Ints
    levels: Words
    doubt: Words

    def part(self, low: int, high: int | None) -> Levels:
        return Levels(self.ticks[low:high], self.levels[low:high], self.doubt[low:high])


class Stretch(NamedTuple):
    """``Levels`` in (``start``, ``end``], in ticks."""

    ticks: Ints
    levels: Words
    doubt: Words
    start: int
    end: int


class _Moves(NamedTuple):
    """Encoder transitions. ``step`` is 0 where the direction is not known."""

    ticks: Ints
    counts: Ints  # after the transition
    step: NDArray[np.int8]

    def since(self, first: int) -> _Moves:
        return _Moves(self.ticks[first:], self.counts[first:], self.step[first:])


class _Edges(NamedTuple):
    ticks: Ints
    input: Ints
    level: Ints
    counts: Ints

    def part(self, low: int, high: int | None) -> _Edges:
        return _Edges(*(each[low:high] for each in self))


class Recorder:
    """Turns stretches into batches. Keeps back only edges that wait for what comes after them.

    ``tick_us`` is the length of a tick in microseconds, at most 10,000 and a power of ten.
    ``inputs`` gives the input number (0 index) for each bit of the levels from 2 on. A and B are
    known from ``tick`` on: the count begins at their quadrature state.
    """

    def __init__(
        self,
        tick_us: Fraction,
        inputs: Mapping[int, int],
        tick: int,
        levels: np.unsignedinteger[Any],
    ) -> None:
        self._ticks_to_us, self._ticks_in_us = tick_us.numerator, tick_us.denominator
        self._inputs = inputs
        self._grid = int(_GRID_US / tick_us)
        self._widths = int(_WIDTHS_US / tick_us)
        self._wait = int(_WAIT_US / tick_us)
        self._longest = -int(-_LONGEST_VISIT_US // tick_us)  # a visit is shorter
        self._edge_bits = sum(1 << bit for bit in inputs)
        self._levels = levels
        self._direction = 1  # of the last step
        self._mark = -(-tick // self._grid) - _REST  # the grid mark of the last position
        # The start is a transition of unknown direction: nothing is reported across it.
        count = _quadrature(np.array([levels])).astype(np.int64)
        self._moves = _Moves(np.array([tick], np.int64), count, np.zeros(1, np.int8))
        self._waiting = _Edges(*np.empty((4, 0), np.int64))
        self._dwell = np.zeros(4, np.int64)
        self._breaks = 0
        self._illegal = 0
        self._end = tick

    def take(self, stretch: Stretch, *, last: bool = False) -> Batch:
        """The records of a stretch; the ``last`` one ends with a position.

        If it does not begin at the end of the one before, nothing changed between them, and nothing
        is reported for that time.
        """
        if stretch.start > self._end:
            self._mark += (stretch.start // self._grid - self._mark) // _REST * _REST
        self._end = stretch.end
        states = np.concatenate((np.array([self._levels]), stretch.levels))
        kept = len(self._moves.ticks)
        moves = self._moved(stretch, states)
        new = moves.since(kept - 1)  # the first of these is the last one before the stretch
        edges = self._edges(stretch, states, new)
        surrounded, released = self._surround(edges, moves)
        due = len(edges.ticks) if last else int(np.searchsorted(released, stretch.end, "right"))
        ticks, count, positions = self._positions(new, stretch.end, last)
        positions["levels"] = self._levels_at(ticks, stretch, states)
        positions["levels"] |= (count & 3) ^ (count >> 1 & 1)  # A and B
        oldest = np.append(edges.ticks, _NEVER)[np.searchsorted(released, ticks, "right")]
        positions["done_us"] = self._us(np.minimum(ticks, oldest))  # the oldest not sent by then
        if last:
            positions["done_us"][-1] = np.nextafter(positions["t_us"][-1], np.inf)
        illegal = new.ticks[1 + np.flatnonzero(new.step[1:] == 0)]
        positions["illegal"] = self._illegal + np.searchsorted(illegal, ticks, "right")
        widths = self._width_records(new, stretch.end)
        health = self._health(illegal, stretch.end)
        self._levels = states[-1]
        self._waiting = edges.part(due, None)
        waits = self._waiting.ticks[0] if due < len(edges.ticks) else _NEVER
        needed = int(np.searchsorted(moves.ticks, waits, "right")) - 2
        self._moves = moves.since(max(needed, 0))
        return Batch(positions, surrounded[:due], widths, list(health))

    def _us(self, ticks: Ints) -> Floats:
        return ticks * self._ticks_to_us / self._ticks_in_us

    def _moved(self, stretch: Stretch, states: Words) -> _Moves:
        """Encoder transitions, after the few kept from before."""
        quadrature = _quadrature(states)
        turned = (quadrature[1:] - quadrature[:-1]) & quadrature.dtype.type(3)
        torn = stretch.doubt & stretch.doubt.dtype.type(1)
        rows = np.flatnonzero((turned | torn) != 0)
        step = _STEP.take(turned.take(rows))
        jump = step
        unsure = (step == _ILLEGAL) | (torn.take(rows) != 0)
        if unsure.any():
            order = np.arange(len(step))
            latest = np.maximum.accumulate(np.where(np.abs(step) == 1, order, -1))
            way = np.where(latest < 0, self._direction, np.sign(step[latest]))
            jump = np.where(step == _ILLEGAL, 2 * way, step)
            step = np.where(unsure, np.int8(0), step)
        counted = jump[jump != 0]  # a level that was unknown for a while may be unchanged
        if len(counted):
            self._direction = int(np.sign(counted[-1]))
        kept = self._moves
        return _Moves(
            np.concatenate((kept.ticks, stretch.ticks.take(rows))),
            np.concatenate((kept.counts, kept.counts[-1] + np.cumsum(jump, dtype=np.int64))),
            np.concatenate((kept.step, step)),
        )

    def _edges(self, stretch: Stretch, states: Words, new: _Moves) -> _Edges:
        """Contact and index edges in order of time, after those that still wait."""
        flips = (states[1:] ^ states[:-1]) & states.dtype.type(self._edge_bits) & ~stretch.doubt
        rows = np.flatnonzero(flips != 0)
        found = []
        for bit, number in self._inputs.items():
            own = rows[(flips[rows] >> bit & 1) != 0]
            level = (states[own + 1] >> bit & 1).astype(np.int64)
            found.append((stretch.ticks[own], np.full(len(own), number, np.int64), level))
        t, which, level = (np.concatenate(each) for each in zip(*found, strict=True))
        order = np.lexsort((which, t))
        t = t[order]
        count = new.counts[np.searchsorted(new.ticks, t, "right") - 1]
        fresh = (t, which[order], level[order], count)
        return _Edges(*(np.concatenate(pair) for pair in zip(self._waiting, fresh, strict=True)))

    def _surround(self, edges: _Edges, moves: _Moves) -> tuple[NDArray[np.void], Ints]:
        """The edges with their neighbouring encoder edges, and when each is complete (ticks)."""
        records = np.zeros(len(edges.ticks), EDGE)
        records["t_us"] = self._us(edges.ticks)
        records["input"], records["level"] = edges.input, edges.level
        records["count"] = edges.counts
        following = np.searchsorted(moves.ticks, edges.ticks, "right")
        which = following[:, None] + np.arange(-2, 2)
        exists = (which >= 0) & (which < len(moves.ticks))
        which = np.clip(which, 0, len(moves.ticks) - 1)
        ticks, step = moves.ticks[which], moves.step[which]
        latest = edges.ticks + self._wait
        exists &= ticks <= latest[:, None]
        illegal = np.flatnonzero(moves.step == 0)
        reported = exists & (step != 0)
        if len(illegal):  # nothing is reported across one
            passed = np.searchsorted(illegal, following)
            reported &= np.searchsorted(illegal, which) == passed[:, None]
        records["around_t_us"] = np.where(reported, self._us(ticks), np.nan)
        records["around_at"] = np.where(reported, moves.counts[which] + (step < 0), 0)
        records["around_step"] = np.where(reported, step, 0)
        # The second edge after ends the wait; so does an illegal one.
        released = np.where(exists[:, 3], ticks[:, 3], latest)
        released = np.where(exists[:, 2] & (step[:, 2] == 0), ticks[:, 2], released)
        return records, np.maximum.accumulate(released)

    def _positions(self, new: _Moves, end: int, last: bool) -> tuple[Ints, Ints, NDArray[np.void]]:
        """Positions at grid marks where the count changed, and at each fifth without a change.

        Returns their ticks, their counts, and the records as far as these make them.
        """
        due = (new.ticks[1:] + (self._grid - 1)) // self._grid
        later = np.append(due[1:] != due[:-1], [True] * bool(len(due)))
        passed = np.flatnonzero(later) + 1  # transitions up to each of the marks
        marks = due[passed - 1]
        moving = len(marks)
        limit = end // self._grid + 1
        if last:
            limit = -(-end // self._grid)
            if not moving or marks[-1] < limit:
                marks, passed = np.append(marks, limit), np.append(passed, len(due))
        # The positions at rest are between the mark before and the next one.
        previous = np.concatenate(([self._mark], marks))
        start = np.concatenate(([0], passed))
        at_rest = np.maximum(np.append(marks, limit) - previous - 1, 0) // _REST
        each = at_rest + 1
        each[-1] -= 1  # no change after the last
        group = np.repeat(np.arange(len(each)), each)
        place = np.arange(len(group)) - np.repeat(np.cumsum(each) - each, each) + 1
        mark = previous[group] + _REST * place
        count = new.counts[start][group]
        changed = np.flatnonzero(place > at_rest[group])
        mark[changed], count[changed] = marks, new.counts[passed]
        ticks = np.minimum(mark * self._grid, end)
        records = np.zeros(len(group), POSITION)
        records["t_us"] = self._us(ticks)
        records["count"] = records["low"] = records["high"] = count
        if moving:
            start, changed = start[:moving], changed[:moving]
            low = np.minimum.reduceat(new.counts[1:], start)
            high = np.maximum.reduceat(new.counts[1:], start)
            records["low"][changed] = np.minimum(low, new.counts[start])
            records["high"][changed] = np.maximum(high, new.counts[start])
        if len(mark):
            self._mark = int(mark[-1])
        return ticks, count, records

    def _levels_at(self, ticks: Ints, stretch: Stretch, states: Words) -> Ints:
        """Index and contact bits of the positions at ``ticks``."""
        flips = (states[1:] ^ states[:-1]) & states.dtype.type(self._edge_bits)
        rows = np.flatnonzero(flips != 0)
        pins = states[np.concatenate(([0], rows + 1))].astype(np.int64)
        levels = np.zeros(len(pins), np.int64)
        for bit, number in self._inputs.items():
            levels |= (pins >> bit & 1) << (2 if number == INDEX_INPUT else 3 + number)
        return levels[np.searchsorted(stretch.ticks[rows], ticks, "right")]

    def _width_records(self, new: _Moves, end: int) -> NDArray[np.void]:
        """Totals of the time spent in each quadrature state, wherever the count changes."""
        if len(new.ticks) < 2:
            return np.empty(0, WIDTH)
        ticks = new.ticks[1:]
        lasted = ticks - new.ticks[:-1]  # visits: each ends as the next begins
        turned_round = (new.step[1:] != new.step[:-1]) | (new.step[1:] == 0)
        broken = np.flatnonzero(turned_round | (lasted >= self._longest))
        first, last = (-(-int(tick) // self._widths) for tick in ticks[[0, -1]])
        slots = last - first + 1
        marks = np.arange(first, last + 1, dtype=np.int64) * self._widths
        ends = np.diff(np.searchsorted(ticks, marks, "right"), prepend=0)
        slot = np.repeat(np.arange(slots), ends)
        place = slot * 4 + (new.counts[:-1] & 3)
        place[broken] = 4 * slots
        dwell = np.bincount(place, lasted, 4 * slots + 1)[:-1]  # exact: no sum is above 2**53
        totals = self._dwell + np.cumsum(dwell.reshape(slots, 4).astype(np.int64), axis=0)
        breaks = self._breaks + np.cumsum(np.bincount(slot[broken], minlength=slots))
        self._dwell, self._breaks = totals[-1], int(breaks[-1])
        reported = np.flatnonzero(ends)
        records = np.zeros(len(reported), WIDTH)
        records["t_us"] = self._us(np.minimum(marks[reported], end))
        records["count"] = new.counts[np.cumsum(ends)[reported]]
        records["dwell_us"] = self._us(totals[reported])
        records["breaks"] = breaks[reported]
        return records

    def _health(self, illegal: Ints, end: int) -> list[Health]:
        """The total of illegal transitions at these ticks, if it has grown."""
        mark, grown = np.unique(-(-illegal // self._widths), return_counts=True)
        reported = []
        for tick, more in zip(np.minimum(mark * self._widths, end), grown.tolist(), strict=True):
            self._illegal += more
            t_us = float(self._us(tick))
            reported.append(Health(t_us, int(t_us // 1_000_000), self._illegal, 0, 0, 0))
        return reported


def _quadrature(levels: Words) -> Words:
    """State 0..3 from bits 0 (A) and 1 (B): 00, 10, 11, 01 in the order of counting up."""
    channels: Words = levels & levels.dtype.type(3)
    return channels ^ (channels >> channels.dtype.type(1))


STEP_US = 500_000  # stretches end at multiples of this, as do all times at which records are due
_LONGEST = 600  # steps in a stretch: five minutes, so that a batch stays small
_SILENCE = 1_200  # steps: ten minutes. Longer times without any change are skipped
_ENCODER = 3  # bits of A and B
_REPORTED = 10


class Known:
    """Removes x and z from rows.

    An unknown pin keeps its last level; becoming known is no edge. While A or B is unknown neither
    moves, and afterwards the encoder's movement is in doubt. ``start`` is the tick and the levels
    at which both are first known; rows before that are left out. ``report`` gets line errors.
    """

    def __init__(
        self, roles: Sequence[str], tick_us: Fraction, report: Callable[[LineError], None]
    ) -> None:
        self._roles = roles
        self._tick_us = tick_us
        self._report = report
        self._unseen = self._unknown = (1 << len(roles)) - 1  # so far; at the latest row
        self._levels = 0  # of each pin when it was known last
        self._encoder = 0  # levels of A and B when both were known last
        self._spells = 0
        self._left_out = 0
        self.start: tuple[int, np.unsignedinteger[Any]] | None = None

    def settle(self, rows: Rows) -> Levels:
        """The rows after ``start``, with known levels."""
        ticks, levels, unknown = rows
        doubt = np.zeros_like(levels)
        first = 0
        if len(ticks) and (self._unseen or self._unknown or unknown.any()):
            levels, first = self._resolved(rows, doubt)
        elif len(ticks):
            self._levels = int(levels[-1])
            self._encoder = self._levels & _ENCODER
        return Levels(ticks[first:], levels[first:], doubt[first:])

    def _resolved(self, rows: Rows, doubt: Words) -> tuple[Words, int]:
        """Known levels, and how many rows are left out; marks what is in ``doubt``."""
        ticks, given, unknown = rows
        word = given.dtype.type
        first = 0 if self.start else len(ticks)
        begins = [0, *(np.flatnonzero(unknown[1:] != unknown[:-1]) + 1).tolist()]
        kept = []  # levels that unknown pins keep from each of these rows on; those of A and B
        for row in begins:
            if row:
                self._known_before(int(given[row - 1]))
            kept.append((self._levels, self._encoder))
            before, self._unknown = self._unknown, int(unknown[row])
            self._report_spells(int(ticks[row]), self._unknown & ~before)
            doubt[row] |= self._unseen & ~self._unknown & ~_ENCODER
            self._unseen &= self._unknown
            if self._unknown & _ENCODER:
                continue
            if self.start is None:
                level = int(given[row]) & ~self._unknown | self._levels & self._unknown
                self.start, first = (int(ticks[row]), word(level)), row + 1
            elif before & _ENCODER:
                doubt[row] |= 1
        self._known_before(int(given[-1]))
        pins, encoder = np.repeat(np.array(kept, given.dtype), np.diff([*begins, len(ticks)]), 0).T
        levels = (given & ~unknown) | (pins & unknown)
        flips = (levels ^ np.concatenate((pins[:1], levels[:-1]))) & ~doubt
        self._left_out += int(np.count_nonzero(flips[:first] >> word(2)))
        dark = (unknown & word(_ENCODER)) != 0
        return np.where(dark, levels & ~word(_ENCODER) | encoder, levels), first

    def _known_before(self, given: int) -> None:
        """The levels ``given`` by the last row before the unknown pins change."""
        self._levels = given & ~self._unknown | self._levels & self._unknown
        if not self._unknown & _ENCODER:
            self._encoder = self._levels & _ENCODER

    def missing(self) -> str:
        """Which of A and B have not been known yet: "a", "b" or "a and b"."""
        both = [role for bit, role in enumerate(self._roles[:2]) if self._unseen >> bit & 1]
        return " and ".join(both) or "a together with b"

    def finish(self, end_tick: int) -> None:
        """Report what is certain only at the end."""
        for bit, role in enumerate(self._roles):
            if self._unseen >> bit & 1:
                self._line_error(end_tick, UNKNOWN_LEVEL, f"{role} is never 0 or 1")
        if self._left_out:
            text = f"{many(self._left_out, 'edge')} came before a and b were both known"
            self._line_error(end_tick, UNKNOWN_LEVEL, text)
        if self._spells > _REPORTED:
            text = f"{many(self._spells - _REPORTED, 'more time')} at which a pin was x or z"
            self._line_error(end_tick, UNKNOWN_LEVEL, text)

    def _report_spells(self, tick: int, onset: int) -> None:
        for bit, role in enumerate(self._roles):
            if onset >> bit & 1:
                self._spells += 1
                if self._spells <= _REPORTED:
                    kind = UNKNOWN_LEVEL if bit > 1 else "encoder"
                    self._line_error(tick, kind, f"{role} is neither 0 nor 1 (x or z)")

    def _line_error(self, tick: int, kind: str, detail: str) -> None:
        self._report(LineError(float(tick * self._tick_us), kind, detail))


class Cutter:
    """Cuts the rows after ``tick`` into stretches.

    More than ten minutes without any change are skipped; ``report`` gets a line error.
    """

    def __init__(self, tick_us: Fraction, tick: int, report: Callable[[LineError], None]) -> None:
        self._tick_us = tick_us
        self._step = int(STEP_US / tick_us)
        self._held: list[Levels] = []
        self._at = tick // self._step * self._step
        self._latest = tick  # of the latest change sent
        self._report = report

    def stretches(self, rows: Levels) -> Iterator[Stretch]:
        """All stretches that are complete with ``rows``."""
        self._held.append(rows)
        if len(rows.ticks):
            until = (int(rows.ticks[-1]) - 1) // self._step * self._step
            if until > self._at:
                yield from self._cut(until)

    def finish(self, end_tick: int) -> Iterator[Stretch]:
        """The rest, up to ``end_tick``: at least one stretch, which may be empty."""
        yield from self._cut(end_tick, whole=True)

    def _cut(self, until: int, *, whole: bool = False) -> Iterator[Stretch]:
        rows = Levels(*map(np.concatenate, zip(*self._held, strict=True)))
        low, at = 0, self._at
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
        """Continue just before ``following``, as nothing changes in between."""
        ahead = max((following - 1) // self._step * self._step, at)
        hours = float((ahead - at) * self._tick_us / 3_600_000_000)
        if hours:
            detail = f"nothing changes; {hours:.1f} hours of it are skipped"
            self._report(LineError(float(at * self._tick_us), "idle", detail))
        return ahead

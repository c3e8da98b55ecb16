"""The board: changes of pins in, lines of the format out, each with the time at which it is sent.

It does what ``firmware_notes/protocol.md`` asks of a board, from its pins and a clock alone. A
stretch of time gives the same lines whole or in parts.

``Counter`` is its encoder counter, ``Cable`` is what can happen to bytes between the board and the
program.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np

from rig.virtual.motion import Ints
from rig.virtual.pins import AB, FOOT, INDEX, Levels, Pins
from rig.wire.line import PROTOCOL, encode, hexadecimal

TICK_US = 20_000
WIDTHS_US = 250_000
HEALTH_US = 1_000_000
IDENTITY_US = 2_000_000
QUIET_US = 100_000  # longest time between positions
HEALTH_GAP_US = 200_000
FOOT_US = 20_000

Timed = tuple[float, bytes]
"""When the last byte of a line has arrived (seconds of the rig's time), and the line."""


@dataclass(frozen=True, slots=True)
class BoardSpec:
    """A board. ``counts`` is what it *claims* of its encoder."""

    counts: int
    contacts: int
    name: str = "virtual-rig"
    protocol: int = PROTOCOL
    baud: int = 500_000
    clock_start_us: int = 0
    count_start: int = 0
    edge_room: int = 128  # edges that can wait for their neighbours
    line_room: int = 4096  # bytes that can wait for the line
    boot_s: float = 0.3  # from a reset to the first line
    supply_mv: int = 5010


class Board:
    """One life of a board, from a start to the next reset."""

    def __init__(self, spec: BoardSpec, levels: Levels, at_s: float, cause: int = 1) -> None:
        self._spec = spec
        self._began_us = self._now_us = self._sent_us = self._health_us = int(at_s * 1e6)
        self._line_free_us = float(self._began_us)
        self._byte_us = 1e7 / spec.baud  # ten bits to a byte: start, eight, stop
        clock, count = (spec.clock_start_us, spec.count_start) if cause == 1 else (0, 0)
        self._clock_us = clock - self._began_us
        self._levels = dict(levels.inputs)
        self.counter = Counter(self._began_us, count - count % 4 + levels.count % 4)
        self._queue: deque[Edges] = deque()
        self._bursts: dict[int, Edges] = {}
        self._edge_us: dict[int, int] = {}
        self._number = self._dropped = self._lost_edges = 0
        self.full_until_us = 0  # fault: no room for lines until then; they are dropped
        self.lose_edges = 0  # fault: so many of the next contact or index edges find no room
        self._foot: tuple[int, int, int] | None = None  # first change, last change, level
        self._position_us = self._began_us - QUIET_US
        self._totals = (0, 0, 0)
        self._last_steps = self._last_widths = 0
        self._out: list[Timed] = []
        self._send("R", self._began_us, cause)
        self._identity(self._began_us)

    # -- public --

    def feed(self, pins: Pins) -> list[Timed]:
        """The lines sent from the end of the last stretch to the end of this one."""
        self.counter.feed(pins)
        at = self.counter.at(pins.edge_us)
        columns = (each.tolist() for each in (pins.edge_us, pins.edge_input, pins.edge_level, at))
        edges = deque(zip(*columns, strict=True))
        until_us = int(pins.until_s * 1e6)
        for now_us in self._timers(until_us):
            while edges and edges[0][0] <= now_us:
                self._arrive(*edges.popleft())
            self._drain(now_us)
            self._tick(now_us)
        for edge in edges:
            self._arrive(*edge)
        self._drain(until_us)
        self._now_us = until_us
        waiting = (*self._queue, *self._bursts.values())
        self.counter.forget(min((each[0].at for each in waiting), default=None))
        return self._sent()

    def identify(self) -> list[Timed]:
        """The answer to ``?``."""
        self._identity(self._now_us)
        return self._sent()

    # -- edges --

    def _arrive(self, t_us: int, number: int, level: int, at: int) -> None:
        self._drain(t_us)
        self._levels[number] = level
        edge = Edge(t_us, number, level, at, self._edge_us.get(number, t_us))
        self._edge_us[number] = t_us
        if number == FOOT:
            self._foot = (self._foot[0] if self._foot else t_us, t_us, level)
        elif self.lose_edges:
            self.lose_edges -= 1
            self._lost_edges += 1
        elif len(self._queue) < self._spec.edge_room and not self._bursts:
            self._queue.append([edge])
        else:
            self._bursts.setdefault(number, []).append(edge)

    def _drain(self, now_us: int) -> None:
        """Send the waiting edges that are complete."""
        while True:
            while self._queue and (at_us := self._sendable_us(self._queue[0])) <= now_us:
                self._send_edges(self._queue.popleft(), at_us)
            if not self._bursts or len(self._queue) > self._spec.edge_room // 2:
                return
            bursts = self._bursts.values()
            settled = [each for each in bursts if len(each) > 1] + [each[-1:] for each in bursts]
            self._queue += sorted(settled, key=lambda edges: edges[0].t_us)
            self._bursts.clear()

    def _sendable_us(self, edges: Edges) -> int:
        """When they are complete and the line has room; half of it is kept for other lines."""
        ready_us = edges[-1].t_us if len(edges) > 1 else self.counter.ready_us(edges[0])
        room_us = self._line_free_us - 0.5 * self._spec.line_room * self._byte_us
        return max(ready_us, self._sent_us, int(np.ceil(room_us)))

    def _send_edges(self, edges: Edges, at_us: int) -> None:
        first = edges[0]
        if len(edges) > 1:  # ``X``: all but the last, and the longest run at each level
            times = self._clock(first.t_us), self._clock(edges[-2].t_us)
            low, high = (
                max(
                    (each.t_us - each.before_us for each in edges if each.level != level), default=0
                )
                for level in (0, 1)
            )
            self._send("X", at_us, first.input, len(edges) - 1, *times, low, high)
            return
        kind, *head = ("Z",) if first.input == INDEX else ("C", first.input)
        count, around = self.counter.around(first)
        self._send(kind, at_us, *head, first.level, self._clock(first.t_us), count, *around)

    # -- timers --

    def _timers(self, until_us: int) -> list[int]:
        """The board's own times of reading, after now and up to ``until_us``."""
        since_us = self._now_us - self._began_us
        return sorted({
            t_us
            for every in (TICK_US, WIDTHS_US)
            for t_us in range(self._began_us + (since_us // every + 1) * every, until_us + 1, every)
        })  # fmt: skip

    def _tick(self, now_us: int) -> None:
        since, look = now_us - self._began_us, self.counter.look(now_us)
        if self._foot and now_us - self._foot[1] >= FOOT_US:
            self._send("F", now_us, self._foot[2], self._clock(self._foot[0]))
            self._foot = None
        moved = look.steps != self._last_steps
        if since % TICK_US == 0 and (moved or now_us - self._position_us >= QUIET_US):
            self._position(now_us, look)
            self._last_steps = look.steps
        if since % WIDTHS_US == 0 and look.steps != self._last_widths:
            self._send("W", now_us, self._clock(now_us), look.count, *look.widths)
            self._last_widths = look.steps
        totals = (look.illegal, self._lost_edges, self._dropped)
        grown = totals != self._totals and now_us - self._health_us >= HEALTH_GAP_US
        if since % HEALTH_US == 0 or grown:
            self._health_us, self._totals = now_us, totals
            supply_mv = self._spec.supply_mv
            self._send("H", now_us, self._clock(now_us), since // 1_000_000, *totals, supply_mv)
        if since % IDENTITY_US == 0:
            self._identity(now_us)

    def _position(self, now_us: int, look: Look) -> None:
        first = [*list(self._queue)[:1], *self._bursts.values()]
        held_us = max((now_us - edges[0].t_us for edges in first), default=0)
        low, high = self.counter.span(look)
        bits = sum(bit << place for place, bit in enumerate(AB[look.count % 4]))
        for number, level in self._levels.items():
            bits |= level << {FOOT: 3, INDEX: 2}.get(number, 3 + number)
        fields = (look.count, look.count - low, high - look.count, bits, held_us)
        self._send("P", now_us, self._clock(now_us), *fields, look.illegal, self._lost_edges)
        self._position_us = now_us

    def _identity(self, now_us: int) -> None:
        spec = self._spec
        self._send("I", now_us, spec.protocol, spec.counts, spec.contacts, spec.name)

    # -- the line --

    def _clock(self, rig_us: int) -> int:
        return rig_us + self._clock_us

    def _send(self, kind: str, now_us: int, *fields: int | str) -> None:
        """A line; numbers are written as hexadecimal."""
        words = (hexadecimal(each) if isinstance(each, int) else each for each in fields)
        line = encode(kind, self._number, *words)
        self._number = (self._number + 1) & 0xFFFF
        self._sent_us = now_us
        waiting = max(self._line_free_us - now_us, 0.0) / self._byte_us
        if waiting + len(line) > self._spec.line_room or now_us < self.full_until_us:
            self._dropped += 1
            return
        self._line_free_us = max(self._line_free_us, now_us) + len(line) * self._byte_us
        self._out.append((self._line_free_us * 1e-6, line))

    def _sent(self) -> list[Timed]:
        out, self._out = self._out, []
        return out


@dataclass(frozen=True, slots=True)
class Edge:
    """A change of an input. ``at``: the number of encoder steps from the start up to it;
    ``before_us``: when the input changed before."""

    t_us: int
    input: int
    level: int
    at: int
    before_us: int


Edges = list[Edge]
"""An edge that waits to be sent, or edges of one input for which there was no room: the last of
them is sent afterwards, the others are only counted."""

WAIT_US = 250_000  # how long an edge waits for the encoder edges after it
LONG_VISIT_US = 65_536
TOO_OLD_US = 1 << 31
T_US, STEP, COUNT, WIDTHS, ILLEGAL = 0, 1, 2, slice(3, 8), 8


@dataclass(frozen=True, slots=True)
class Look:
    """The counter as the board reads it."""

    count: int
    steps: int  # in all so far
    illegal: int
    widths: tuple[int, ...]  # totals of time in states 0 to 3, and of visits that do not count


class Counter:
    """Encoder steps as the board sees them, from its start.

    A column of the table for each step: its time, its direction (0 at the start and where both
    channels changed: nothing is reported beyond that), the count after it, and the totals up to
    it: times in the four states, visits that do not count, illegal transitions.
    """

    def __init__(self, began_us: int, count: int) -> None:
        self._table = np.array([[began_us, 0, count, *[0] * 6]], np.int64).T
        self._forgotten = 0  # steps that are no longer in the table
        self._spanned = 0  # steps up to the last span, forgotten ones included
        self.ignore = 0  # fault: so many cycles of four steps go unseen, when four go one way
        self.merge = 0  # fault: so many pairs of the next steps are one change of both channels

    def feed(self, pins: Pins) -> None:
        """More steps."""
        t_us, step = self._faulty(pins.step_us, pins.step)
        illegal = np.abs(step) > 1
        change = np.where(illegal, 2 * _last_way(self._table[STEP], step), step)
        new = np.zeros((9, len(t_us)), np.int64)
        new[T_US], new[STEP] = t_us, np.where(illegal, 0, step)
        new[COUNT] = self._table[COUNT, -1] + np.cumsum(change)
        # A visit is the time between two steps; it belongs to the state entered by the first.
        entered = np.concatenate([self._table[:, -1:], new[:, :-1]], axis=1)[:, : len(t_us)]
        lasted = new[T_US] - entered[T_US]
        good = (entered[STEP] == new[STEP]) & (new[STEP] != 0) & (lasted < LONG_VISIT_US)
        visits = np.flatnonzero(good)
        new[3 + entered[COUNT, visits] % 4, visits] = lasted[visits]
        new[7], new[ILLEGAL] = ~good, illegal
        new[3:] = self._table[3:, -1:] + np.cumsum(new[3:], axis=1)
        self._table = np.concatenate([self._table, new], axis=1)

    def at(self, t_us: Ints) -> Ints:
        """Number of steps from the start up to each time, steps at that time included."""
        return np.searchsorted(self._table[T_US], t_us, side="right") + self._forgotten

    def look(self, now_us: int) -> Look:
        """What the board reads at a time."""
        nth = int(np.searchsorted(self._table[T_US], now_us, side="right")) - 1
        seen = self._table[:, nth].tolist()
        return Look(seen[COUNT], nth + self._forgotten, seen[ILLEGAL], tuple(seen[WIDTHS]))

    def span(self, look: Look) -> tuple[int, int]:
        """Lowest and highest count from the last span to this look."""
        first, last = self._spanned - self._forgotten, look.steps - self._forgotten
        self._spanned = look.steps
        counts = self._table[COUNT, first : last + 1]
        return int(counts.min()), int(counts.max())

    def ready_us(self, edge: Edge) -> int:
        """When an edge is complete."""
        second, late = edge.at - self._forgotten + 1, edge.t_us + WAIT_US
        return min(int(self._table[T_US, second]), late) if second < self._table.shape[1] else late

    def around(self, edge: Edge) -> tuple[int, list[str]]:
        """Count at the edge; the two steps before it and the two after, as fields."""
        after = edge.at - self._forgotten
        two, one, three, four = (self._neighbour(after + n, edge.t_us) for n in (-2, -1, 0, 1))
        two, four = two if one != "." else ".", four if three != "." else "."
        return int(self._table[COUNT, after - 1]), [two, one, three, four]

    def _neighbour(self, which: int, t_us: int) -> str:
        if not 0 <= which < self._table.shape[1]:
            return "."
        later_us, step = (int(each) for each in self._table[: STEP + 1, which] - (t_us, 0))
        if step == 0 or abs(later_us) >= TOO_OLD_US or later_us > WAIT_US:
            return "."
        return ("+" if step > 0 else "-") + hexadecimal(abs(later_us))

    def forget(self, oldest: int | None) -> None:
        """Forget what no edge needs; ``oldest`` is the ``at`` of the oldest waiting edge."""
        last = self._forgotten + self._table.shape[1]
        keep = min(last if oldest is None else oldest, self._spanned)
        drop = max(keep - 3 - self._forgotten, 0)
        self._forgotten += drop
        self._table = self._table[:, drop:]

    def _faulty(self, t_us: Ints, step: Ints) -> tuple[Ints, Ints]:
        """The steps without those that the requested faults hide."""
        if self.ignore and len(step) >= 4 * self.ignore:
            n = 4 * self.ignore
            sums = np.convolve(step, np.ones(n, np.int64), "valid")
            places = np.flatnonzero(np.abs(sums) == n)
            if len(places):
                gone = slice(int(places[0]), int(places[0]) + n)
                t_us, step = np.delete(t_us, gone), np.delete(step, gone)
                self.ignore = 0
        if self.merge and len(step) > 8:
            first = np.arange(4, len(step) - 1, 8)[: self.merge]
            first = first[step[first] == step[first + 1]]
            step = step.copy()
            step[first + 1] *= 2
            t_us, step = np.delete(t_us, first), np.delete(step, first)
            self.merge -= len(first)
        return t_us, step


def _last_way(before: Ints, step: Ints) -> Ints:
    """Direction of the last legal step before each of ``step``; +1 when there was none."""
    both = np.concatenate([before[-3:], step])
    legal = np.abs(both) == 1
    last = np.maximum.accumulate(np.where(legal, np.arange(len(both)), -1))
    way = np.where(last >= 0, both[np.maximum(last, 0)], 1)
    return np.asarray(way[len(both) - len(step) :])


@dataclass(slots=True)
class Cable:
    """Carries lines. Faults are requested by number of lines or up to a time."""

    rng: np.random.Generator
    corrupt: int = 0  # lines still to have one byte changed
    lose: int = 0  # lines still to lose one byte
    garbage: int = 0  # bytes of noise to come before the next line
    _out: tuple[float, float] = (0.0, 0.0)
    _cut: bool = False

    def pull_out(self, from_s: float, until_s: float) -> None:
        """Nothing gets through in this stretch; the lines at its ends are cut in half."""
        self._out = (from_s, until_s)

    def carry(self, lines: list[Timed]) -> list[Timed]:
        return [(due_s, data) for due_s, line in lines if (data := self._one(due_s, line))]

    def _one(self, due_s: float, line: bytes) -> bytes:
        from_s, until_s = self._out
        if from_s < due_s <= until_s:
            head, self._cut = (b"" if self._cut else line[: len(line) // 2]), True
            return head
        if self._cut:
            self._cut = False
            line = line[len(line) // 2 :]
        if self.garbage:
            line = self.rng.bytes(self.garbage) + line
            self.garbage = 0
        if self.corrupt:
            self.corrupt -= 1
            at = int(self.rng.integers(len(line)))
            line = line[:at] + bytes([line[at] ^ (1 << int(self.rng.integers(8)))]) + line[at + 1 :]
        if self.lose:
            self.lose -= 1
            at = int(self.rng.integers(len(line)))
            line = line[:at] + line[at + 1 :]
        return line

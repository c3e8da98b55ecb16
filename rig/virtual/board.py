"""The board: changes of pins in, lines of the format out, each with the time at which it is sent.

It does what ``firmware_notes/protocol.md`` asks of a board, and knows what a board knows: pins and
a clock. Feeding it a stretch of time whole or in parts gives the same lines.

``Counter`` is its encoder counter, ``Edge`` and ``Burst`` are edges that wait to be sent, and
``Cable`` is what can happen to bytes between the board and the program.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from rig.virtual.motion import Ints
from rig.virtual.pins import FOOT, INDEX, Levels, Pins
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
        self._began_us = self._now_us = int(at_s * 1e6)
        self._said_us = self._began_us
        self._line_free_us = float(self._began_us)
        self._byte_us = 1e7 / spec.baud  # ten bits to a byte: start, eight, stop
        power_on = cause == 1
        start = spec.count_start if power_on else 0
        self._clock_us = (spec.clock_start_us if power_on else 0) - self._began_us
        self._levels = dict(levels.inputs)
        self.counter = Counter(self._began_us, start - start % 4 + levels.count % 4)
        self._queue: deque[Edge | Burst] = deque()
        self._bursts: dict[int, Burst] = {}
        self._edge_us: dict[int, int] = {}
        self._number = self._dropped = self._lost_edges = 0
        self.full_until_us = 0  # fault: no room for lines until then; they are dropped
        self.lose_edges = 0  # fault: so many of the next contact or index edges find no room
        self._foot: tuple[int, int, int] | None = None  # first change, last change, level
        self._position_us = self._began_us - QUIET_US
        self._health_us = self._began_us
        self._totals = (0, 0, 0)
        self._last_steps = self._last_widths = 0
        self._low = self._high = self.counter.count
        self._out: list[Timed] = []
        self._say("R", self._began_us, hexadecimal(cause))
        self._identity(self._began_us)

    # -- public --

    def feed(self, pins: Pins) -> list[Timed]:
        """The lines sent from the end of the last stretch to the end of this one."""
        until_us = int(pins.until_s * 1e6)
        timers = self._timers(until_us)
        looks = self.counter.feed(pins, timers)
        columns = (pins.edge_us, pins.edge_input, pins.edge_level, self.counter.after(pins.edge_us))
        edges = [Edge(*row) for row in zip(*(each.tolist() for each in columns), strict=True)]
        nth = 0
        for now_us, look in zip(timers, looks, strict=True):
            while nth < len(edges) and edges[nth].t_us <= now_us:
                self._arrive(edges[nth])
                nth += 1
            self._drain(now_us)
            self._tick(now_us, look)
        for edge in edges[nth:]:
            self._arrive(edge)
        self._drain(until_us)
        self._now_us = until_us
        waiting = [edge.at for edge in self._queue] + [b.last.at for b in self._bursts.values()]
        self.counter.forget(min(waiting, default=None))
        out, self._out = self._out, []
        return out

    def identify(self) -> list[Timed]:
        """The answer to ``?``."""
        self._identity(self._now_us)
        out, self._out = self._out, []
        return out

    # -- edges --

    def _arrive(self, edge: Edge) -> None:
        self._drain(edge.t_us)
        self._levels[edge.input] = edge.level
        if edge.input == FOOT:
            first = self._foot[0] if self._foot else edge.t_us
            self._foot = (first, edge.t_us, edge.level)
        elif self.lose_edges:
            self.lose_edges -= 1
            self._lost_edges += 1
        elif len(self._queue) < self._spec.edge_room and not self._bursts:
            self._queue.append(edge)
        elif edge.input in self._bursts:
            self._bursts[edge.input].add(edge)
        else:
            self._bursts[edge.input] = Burst(self._edge_us.get(edge.input, edge.t_us), edge)
        self._edge_us[edge.input] = edge.t_us

    def _drain(self, now_us: int) -> None:
        """Send the waiting edges that are complete."""
        while True:
            while self._queue and (at_us := self._sayable_us(self._queue[0])) <= now_us:
                self._say_edge(self._queue.popleft(), at_us)
            if not self._bursts or len(self._queue) > self._spec.edge_room // 2:
                return
            bursts = self._bursts.values()
            settled: list[Edge | Burst] = [b for b in bursts if b.left_out]
            settled += [b.last for b in bursts]
            self._queue += sorted(settled, key=lambda item: item.since_us)
            self._bursts.clear()

    def _sayable_us(self, item: Edge | Burst) -> int:
        """When an edge is complete and the line has room; half of it is kept for other lines."""
        ready_us = item.last.t_us if isinstance(item, Burst) else self.counter.ready_us(item)
        room_us = self._line_free_us - 0.5 * self._spec.line_room * self._byte_us
        return max(ready_us, self._said_us, int(np.ceil(room_us)))

    def _say_edge(self, item: Edge | Burst, at_us: int) -> None:
        if isinstance(item, Burst):
            self._say("X", at_us, *item.fields(self._clock))
            return
        kind, *head = ("Z",) if item.input == INDEX else ("C", hexadecimal(item.input))
        count, around = self.counter.around(item)
        t, level = self._clock(item.t_us), str(item.level)
        self._say(kind, at_us, *head, level, t, hexadecimal(count), *around)

    # -- timers --

    def _timers(self, until_us: int) -> list[int]:
        """The board's own times of reading, after now and up to ``until_us``."""
        times: list[int] = []
        for every in (TICK_US, WIDTHS_US):
            first = self._began_us + ((self._now_us - self._began_us) // every + 1) * every
            times += range(first, until_us + 1, every)
        return sorted(set(times))

    def _tick(self, now_us: int, look: Look) -> None:
        since = now_us - self._began_us
        self._low, self._high = min(self._low, look.low), max(self._high, look.high)
        if self._foot and now_us - self._foot[1] >= FOOT_US:
            first_us, _, level = self._foot
            self._say("F", now_us, str(level), self._clock(first_us))
            self._foot = None
        moved = look.steps != self._last_steps
        if since % TICK_US == 0 and (moved or now_us - self._position_us >= QUIET_US):
            self._position(now_us, look)
            self._last_steps = look.steps
        if since % WIDTHS_US == 0 and look.steps != self._last_widths:
            totals = (hexadecimal(total) for total in look.widths)
            self._say("W", now_us, self._clock(now_us), hexadecimal(look.count), *totals)
            self._last_widths = look.steps
        totals_now = (look.illegal, self._lost_edges, self._dropped)
        grown = totals_now != self._totals and now_us - self._health_us >= HEALTH_GAP_US
        if since % HEALTH_US == 0 or grown:
            self._health_us, self._totals = now_us, totals_now
            values = (since // 1_000_000, *totals_now, self._spec.supply_mv)
            self._say("H", now_us, self._clock(now_us), *map(hexadecimal, values))
        if since % IDENTITY_US == 0:
            self._identity(now_us)

    def _position(self, now_us: int, look: Look) -> None:
        count = look.count
        oldest = [item.since_us for item in (*list(self._queue)[:1], *self._bursts.values())]
        held = now_us - min(oldest) if oldest else 0
        fields = (count, count - self._low, self._high - count, self._bits(count), held)
        totals = (look.illegal, self._lost_edges)
        self._say("P", now_us, self._clock(now_us), *map(hexadecimal, (*fields, *totals)))
        self._low = self._high = count
        self._position_us = now_us

    def _bits(self, count: int) -> int:
        state = count % 4
        bits = int(state in (1, 2)) | int(state in (2, 3)) << 1
        for number, level in self._levels.items():
            bits |= level << (3 if number == FOOT else 2 if number == INDEX else 3 + number)
        return bits

    def _identity(self, now_us: int) -> None:
        spec = self._spec
        numbers = map(hexadecimal, (spec.protocol, spec.counts, spec.contacts))
        self._say("I", now_us, *numbers, spec.name)

    # -- the line --

    def _clock(self, rig_us: int) -> str:
        return hexadecimal(rig_us + self._clock_us)

    def _say(self, kind: str, now_us: int, *fields: str) -> None:
        line = encode(kind, self._number, *fields)
        self._number = (self._number + 1) & 0xFFFF
        self._said_us = now_us
        waiting = max(self._line_free_us - now_us, 0.0) / self._byte_us
        if waiting + len(line) > self._spec.line_room or now_us < self.full_until_us:
            self._dropped += 1
            return
        self._line_free_us = max(self._line_free_us, now_us) + len(line) * self._byte_us
        self._out.append((self._line_free_us * 1e-6, line))


WAIT_US = 250_000  # how long an edge waits for the encoder edges after it
LONG_VISIT_US = 65_536
TOO_OLD_US = 1 << 31


@dataclass(frozen=True, slots=True)
class Look:
    """The counter as the board reads it; low and high since it last did."""

    count: int
    low: int
    high: int
    steps: int  # in all so far
    illegal: int
    widths: tuple[int, ...]  # totals of time in states 0 to 3, and of visits that do not count


class Counter:
    """Encoder steps as the board sees them, from its start.

    The history holds the time of each step, its direction (0 at the start and where both channels
    changed: nothing is reported beyond that), the count after it, and the totals up to it: times in
    the four states, visits that do not count, illegal transitions.
    """

    def __init__(self, began_us: int, count: int) -> None:
        self._t_us = np.array([began_us], np.int64)
        self._step = np.zeros(1, np.int64)
        self._count = np.array([count], np.int64)
        self._totals = np.zeros((1, 6), np.int64)
        self._forgotten = 0  # steps that are no longer in the history
        self._looked = 0  # steps that the board has read, forgotten ones included
        self.ignore = 0  # fault: so many cycles of four steps go unseen, when four go one way
        self.merge = 0  # fault: so many pairs of the next steps are one change of both channels

    @property
    def count(self) -> int:
        return int(self._count[-1])

    def feed(self, pins: Pins, look_us: list[int]) -> list[Look]:
        """Process the steps; what the board reads at each of ``look_us``, in order."""
        self._append(*self._faulty(pins.step_us, pins.step))
        if not look_us:
            return []
        upto = np.searchsorted(self._t_us, np.asarray(look_us, np.int64), side="right") - 1
        starts = np.concatenate([[self._looked - self._forgotten], upto[:-1]])
        # From the count at the last reading to the count at this one, both included.
        seen, now = self._count[: upto[-1] + 1], self._count[upto]
        low = np.minimum(np.minimum.reduceat(seen, starts), now)
        high = np.maximum(np.maximum.reduceat(seen, starts), now)
        self._looked = int(upto[-1]) + self._forgotten
        steps = upto + self._forgotten
        rows = zip(now.tolist(), low.tolist(), high.tolist(), steps.tolist(), strict=True)
        totals = self._totals[upto].tolist()
        return [
            Look(*row, all_[5], tuple(all_[:5])) for row, all_ in zip(rows, totals, strict=True)
        ]

    def after(self, t_us: Ints) -> Ints:
        """Number of steps from the start up to each time, steps at that time included."""
        return np.searchsorted(self._t_us, t_us, side="right") + self._forgotten

    def ready_us(self, edge: Edge) -> int:
        """When an edge is complete."""
        second = edge.at - self._forgotten + 1
        late = edge.t_us + WAIT_US
        return min(int(self._t_us[second]), late) if second < len(self._t_us) else late

    def around(self, edge: Edge) -> tuple[int, list[str]]:
        """Count at the edge; the two steps before it and the two after, as fields."""
        after = edge.at - self._forgotten
        two, one, three, four = (
            self._neighbour(which, edge.t_us) for which in range(after - 2, after + 2)
        )
        two, four = two if one != "." else ".", four if three != "." else "."
        return int(self._count[after - 1]), [two, one, three, four]

    def _neighbour(self, which: int, t_us: int) -> str:
        if not 0 <= which < len(self._t_us) or self._step[which] == 0:
            return "."
        distance = abs(int(self._t_us[which]) - t_us)
        if distance >= TOO_OLD_US or (self._t_us[which] - t_us) > WAIT_US:
            return "."
        return ("+" if self._step[which] > 0 else "-") + hexadecimal(distance)

    def forget(self, oldest: int | None) -> None:
        """Drop what no edge needs any more; ``oldest`` is the ``at`` of the oldest waiting edge."""
        last = self._forgotten + len(self._t_us)
        keep = min(last if oldest is None else oldest, self._looked)
        drop = max(keep - 3 - self._forgotten, 0)
        self._forgotten += drop
        self._t_us, self._step = self._t_us[drop:], self._step[drop:]
        self._count, self._totals = self._count[drop:], self._totals[drop:]

    def _append(self, t_us: Ints, step: Ints) -> None:
        n = len(self._t_us)
        illegal = np.abs(step) > 1
        change = np.where(illegal, 2 * _last_way(self._step, step), step)
        self._t_us = np.concatenate([self._t_us, t_us])
        self._step = np.concatenate([self._step, np.where(illegal, 0, step)])
        self._count = np.concatenate([self._count, self.count + np.cumsum(change)])
        # A visit is the time between two steps; it belongs to the state entered by the first.
        lasted = np.diff(self._t_us[n - 1 :])
        entered, left = self._step[n - 1 : -1], self._step[n:]
        good = (entered == left) & (left != 0) & (lasted < LONG_VISIT_US)
        new = np.zeros((len(t_us), 6), np.int64)
        rows = np.flatnonzero(good)
        new[rows, self._count[n - 1 : -1][rows] % 4] = lasted[rows]
        new[:, 4], new[:, 5] = ~good, illegal
        self._totals = np.concatenate([self._totals, self._totals[-1] + np.cumsum(new, axis=0)])

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
class Edge:
    """A change of an input. ``at``: the number of encoder steps from the start up to it."""

    t_us: int
    input: int
    level: int
    at: int

    @property
    def since_us(self) -> int:
        return self.t_us


class Burst:
    """Edges of one input for which there was no room: the last is kept, the others are counted."""

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

"""The board: changes of pins in, lines of the format out, each with the time at which it is there.

It does what ``firmware_notes/protocol.md`` asks of a board, and knows what a board knows: pins and
a clock. Feeding it a stretch of time whole or in parts gives the same lines.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np

from rig.virtual.counting import Counter, Look
from rig.virtual.edges import Burst, Edge
from rig.virtual.pins import FOOT, INDEX, Levels, Pins
from rig.wire.line import PROTOCOL, encode, hexadecimal

TICK_US = 20_000
WIDTHS_US = 250_000
HEALTH_US = 1_000_000
IDENTITY_US = 2_000_000
QUIET_US = 100_000
"""A position at least so often."""
HEALTH_GAP_US = 200_000
FOOT_US = 20_000

Timed = tuple[float, bytes]
"""When the last byte of a line is there (seconds of the rig's time), and the line."""


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
        self._counter = Counter(self._began_us, start - start % 4 + levels.count % 4)
        self._queue: deque[Edge | Burst] = deque()
        self._bursts: dict[int, Burst] = {}
        self._edge_us: dict[int, int] = {}
        self._number = self._dropped = self._lost_edges = 0
        self._full_until_us = 0
        self._lose_edges = 0
        self._foot: tuple[int, int, int] | None = None  # first change, last change, level
        self._position_us = self._began_us - QUIET_US
        self._health_us = self._began_us
        self._totals = (0, 0, 0)
        self._last_steps = self._last_widths = 0
        self._low = self._high = self._counter.count
        self._out: list[Timed] = []
        self._say("R", self._began_us, hexadecimal(cause))
        self._identity(self._began_us)

    # -- what may be asked of it --

    def feed(self, pins: Pins) -> list[Timed]:
        """The lines said from the end of the last stretch to the end of this one."""
        until_us = int(pins.until_s * 1e6)
        timers = self._timers(until_us)
        looks = self._counter.feed(pins, timers)
        edges = self._arriving(pins)
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
        self._counter.forget(min(waiting, default=None))
        out, self._out = self._out, []
        return out

    def identify(self) -> list[Timed]:
        """The answer to ``?``."""
        self._identity(self._now_us)
        out, self._out = self._out, []
        return out

    # -- faults --

    def fill(self, until_s: float) -> None:
        """No room for lines until then: they are dropped."""
        self._full_until_us = int(until_s * 1e6)

    def lose_edges(self, number: int) -> None:
        """The next contact or index edges find no room."""
        self._lose_edges += number

    @property
    def counter(self) -> Counter:
        return self._counter

    # -- edges --

    def _arriving(self, pins: Pins) -> list[Edge]:
        t_us = pins.edge_us
        at = self._counter.after(t_us)
        rows = zip(
            t_us.tolist(),
            pins.edge_input.tolist(),
            pins.edge_level.tolist(),
            at.tolist(),
            strict=True,
        )
        return [Edge(*row) for row in rows]

    def _arrive(self, edge: Edge) -> None:
        self._drain(edge.t_us)
        self._levels[edge.input] = edge.level
        if edge.input == FOOT:
            first = self._foot[0] if self._foot else edge.t_us
            self._foot = (first, edge.t_us, edge.level)
        elif self._lose_edges:
            self._lose_edges -= 1
            self._lost_edges += 1
        elif len(self._queue) < self._spec.edge_room and not self._bursts:
            self._queue.append(edge)
        elif edge.input in self._bursts:
            self._bursts[edge.input].add(edge)
        else:
            self._bursts[edge.input] = Burst(self._edge_us.get(edge.input, edge.t_us), edge)
        self._edge_us[edge.input] = edge.t_us

    def _drain(self, now_us: int) -> None:
        """Say what can be said of the edges that wait."""
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
        """When an edge is complete and the line has room; half of it is left to other lines."""
        ready_us = item.last.t_us if isinstance(item, Burst) else self._counter.ready_us(item)
        room_us = self._line_free_us - 0.5 * self._spec.line_room * self._byte_us
        return max(ready_us, self._said_us, int(np.ceil(room_us)))

    def _say_edge(self, item: Edge | Burst, at_us: int) -> None:
        if isinstance(item, Burst):
            self._say("X", at_us, *item.fields(self._clock))
            return
        kind, *head = ("Z",) if item.input == INDEX else ("C", hexadecimal(item.input))
        count, around = self._counter.around(item)
        t, level = self._clock(item.t_us), str(item.level)
        self._say(kind, at_us, *head, level, t, hexadecimal(count), *around)

    # -- timers --

    def _timers(self, until_us: int) -> list[int]:
        """The board's own times of looking, later than now and up to ``until_us``."""
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
        if waiting + len(line) > self._spec.line_room or now_us < self._full_until_us:
            self._dropped += 1
            return
        self._line_free_us = max(self._line_free_us, now_us) + len(line) * self._byte_us
        self._out.append((self._line_free_us * 1e-6, line))

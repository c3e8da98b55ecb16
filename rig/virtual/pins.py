"""What a logic analyser would see on the rig's pins, and a writer of value change dumps.

``Wiring`` has the faults between the sensors and the pins: a stuck contact or index, a dead encoder
channel.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import product
from typing import TextIO

import numpy as np

from rig.virtual.motion import Floats, Ints


def whole_us(t_s: Floats) -> Ints:
    """Seconds to whole microseconds, rounded down."""
    return np.floor(t_s * 1e6).astype(np.int64)


INDEX, FOOT = 0, -1
"""Inputs beside the contacts, which are numbered from 1."""


@dataclass(frozen=True)
class Pins:
    """All changes of the pins in a stretch of time, each list in order of time.

    ``count`` is the encoder's count after a step (modulo 4 the quadrature state: 0 is AB = 00,
    1 is 10, 2 is 11, 3 is 01). ``edge_input``: 0 index, 1 first contact, ..., -1 foot switch.
    """

    from_s: float
    until_s: float
    step_s: Floats
    step: Ints
    count: Ints
    edge_s: Floats
    edge_input: Ints
    edge_level: Ints

    @cached_property
    def step_us(self) -> Ints:
        """The microsecond of each step."""
        return whole_us(self.step_s)

    @cached_property
    def edge_us(self) -> Ints:
        """The microsecond of each edge."""
        return whole_us(self.edge_s)

    def part(self, from_s: float, until_s: float) -> Pins:
        """The changes after the microsecond of ``from_s`` up to the end of that of ``until_s``."""
        ends = whole_us(np.array([from_s, until_s]))
        a, b = np.searchsorted(self.step_us, ends, side="right")
        c, d = np.searchsorted(self.edge_us, ends, side="right")
        steps = (self.step_s[a:b], self.step[a:b], self.count[a:b])
        edges = (self.edge_s[c:d], self.edge_input[c:d], self.edge_level[c:d])
        return Pins(from_s, until_s, *steps, *edges)

    def with_edges(self, edge_s: Floats, edge_input: Ints, edge_level: Ints) -> Pins:
        """The same steps with other edges, sorted by time."""
        order = np.argsort(edge_s, kind="stable")
        edges = (edge_s[order], edge_input[order], edge_level[order])
        return Pins(self.from_s, self.until_s, self.step_s, self.step, self.count, *edges)


@dataclass(slots=True)
class Levels:
    """The levels of all pins at one moment: ``inputs`` by input number."""

    count: int
    inputs: dict[int, int]

    def follow(self, pins: Pins) -> None:
        """Set the levels to those at the end of ``pins``."""
        if len(pins.count):
            self.count = int(pins.count[-1])
        for number, level in zip(pins.edge_input.tolist(), pins.edge_level.tolist(), strict=True):
            self.inputs[number] = level

    @property
    def ab(self) -> tuple[int, int]:
        return AB[self.count % 4]


AB = ((0, 0), (1, 0), (1, 1), (0, 1))
"""Levels of A and B by quadrature state; A leading B counts up."""


class VcdWriter:
    """A value change dump (IEEE 1364) of the pins: ``a``, ``b``, ``z``, ``contact1`` ... ``foot``.

    ``step_us`` is the finest step of time, 1 or 0.1 (written as ``100 ns``); a time is written as
    the step that contains it.
    """

    def __init__(self, out: TextIO, levels: Levels, step_us: float = 1.0) -> None:
        self._out = out
        self._per_s = 1e6 / step_us
        inputs = sorted(levels.inputs, key=lambda n: (n < 0, n))
        names = {INDEX: "z", FOOT: "foot"}
        self._codes = {n: chr(ord("#") + i) for i, n in enumerate(inputs)}
        unit = "1 us" if step_us == 1.0 else f"{round(step_us * 1000)} ns"
        lines = [f"$timescale {unit} $end", "$scope module rig $end"]
        lines += ["$var wire 1 ! a $end", '$var wire 1 " b $end']
        lines += [
            f"$var wire 1 {self._codes[n]} {names.get(n, f'contact{n}')} $end" for n in inputs
        ]
        a, b = levels.ab
        lines += ["$upscope $end", "$enddefinitions $end", "#0", "$dumpvars", f"{a}!", f'{b}"']
        lines += [f"{levels.inputs[n]}{self._codes[n]}" for n in inputs]
        out.write("\n".join([*lines, "$end", ""]))
        self._tick = 0

    def write(self, pins: Pins) -> None:
        """Write the changes in ``pins``, which follow those written before."""
        ticks = np.floor(np.concatenate([pins.step_s, pins.edge_s]) * self._per_s).astype(np.int64)
        order = np.argsort(ticks, kind="stable")
        changes = _encoder_changes(pins.step, pins.count)
        edges = zip(pins.edge_input.tolist(), pins.edge_level.tolist(), strict=True)
        changes += [f"{level}{self._codes[number]}" for number, level in edges]
        lines: list[str] = []
        for tick, which in zip(ticks[order].tolist(), order.tolist(), strict=True):
            if tick != self._tick:
                lines.append(f"#{tick}")
                self._tick = tick
            lines.append(changes[which])
        if lines:
            self._out.write("\n".join([*lines, ""]))

    def end(self, at_s: float) -> None:
        """Write a last time stamp, for the length of the recording."""
        tick = int(at_s * self._per_s)
        if tick > self._tick:
            self._out.write(f"#{tick}\n")


def _encoder_changes(step: Ints, count: Ints) -> list[str]:
    """What changes at each step: A or B, or both if a step was lost."""
    table = {
        (was, now): "\n".join(
            f"{level}{code}"
            for before, level, code in zip(AB[was], AB[now], '!"', strict=True)
            if before != level
        )
        for was, now in product(range(4), repeat=2)
    }
    pairs = zip(((count - step) % 4).tolist(), (count % 4).tolist(), strict=True)
    return [table[pair] for pair in pairs]


SOON_S = 1e-6  # A fault takes effect this long after the start of a stretch, that is, within it


@dataclass(slots=True)
class Wiring:
    """Converts the sensors' levels to those of the pins."""

    stuck: dict[int, int] = field(default_factory=dict)  # input: level
    dead: str = ""  # "a" or "b": that channel does not change; "": none

    def stick(self, number: int, level: int | None) -> None:
        """An input stays at a level, or with None at none."""
        self.stuck.pop(number, None)
        if level is not None:
            self.stuck[number] = level

    def carry(self, pins: Pins, sensors: Levels, shown: Levels) -> Pins:
        """``pins`` as the board sees them.

        ``sensors`` and ``shown`` are the levels of both sides at the start; neither is changed.
        """
        wanted = {number: self.stuck.get(number, sensors.inputs[number]) for number in shown.inputs}
        jumps = [(n, level) for n, level in wanted.items() if level != shown.inputs[n]]
        if self.stuck or jumps:
            keep = ~np.isin(pins.edge_input, list(self.stuck))
            new = np.array(jumps, np.int64).reshape(-1, 2)
            pins = pins.with_edges(
                np.concatenate([np.full(len(new), pins.from_s + SOON_S), pins.edge_s[keep]]),
                np.concatenate([new[:, 0], pins.edge_input[keep]]),
                np.concatenate([new[:, 1], pins.edge_level[keep]]),
            )
        if self.dead or (shown.count - sensors.count) % 4:
            pins = self._steps(pins, sensors, shown)
        return pins

    def _steps(self, pins: Pins, sensors: Levels, shown: Levels) -> Pins:
        """With a dead channel the state moves to and fro between two neighbours."""
        count = shown.count
        rows: list[tuple[float, int, int]] = []
        states = [sensors.count, *pins.count.tolist()]
        for t_s, state in zip([pins.from_s + SOON_S, *pins.step_s.tolist()], states, strict=True):
            (a, b), (shown_a, shown_b) = AB[state % 4], AB[count % 4]
            seen = (shown_a if self.dead == "a" else a, shown_b if self.dead == "b" else b)
            change = (AB.index(seen) - count + 1) % 4 - 1  # -1, 0, 1, or 2: both changed
            if change:
                count += change
                rows.append((t_s, change, count))
        table = np.array(rows).reshape(-1, 3)
        step, counts = table[:, 1:].astype(np.int64).T
        return replace(pins, step_s=table[:, 0], step=step, count=counts)

"""Faults between the sensors and the pins: a stuck contact or index, a dead encoder channel."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from rig.virtual.pins import AB, Levels, Pins

STATE_OF = {levels: state for state, levels in enumerate(AB)}
SOON_S = 1e-6
"""A fault shows this long after the start of a stretch, that is, within it."""


@dataclass(slots=True)
class Wiring:
    """Turns what the sensors give into what the pins show."""

    stuck: dict[int, int] = field(default_factory=dict)  # input: level
    dead: str = ""  # "a" or "b": that channel stays as it is; "": none

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
        states = [sensors.count % 4, *(pins.count % 4).tolist()]
        for t_s, state in zip([pins.from_s + SOON_S, *pins.step_s.tolist()], states, strict=True):
            a, b = AB[state]
            if self.dead:
                shown_a, shown_b = AB[count % 4]
                a, b = (shown_a, b) if self.dead == "a" else (a, shown_b)
            change = (STATE_OF[a, b] - count + 1) % 4 - 1  # -1, 0, 1, or 2: both changed
            if change:
                count += change
                rows.append((t_s, change, count))
        table = np.array(rows).reshape(-1, 3)
        step, counts = table[:, 1].astype(np.int64), table[:, 2].astype(np.int64)
        return replace(pins, step_s=table[:, 0], step=step, count=counts)

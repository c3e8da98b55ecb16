"""A rig in slow motion: the records for some pins, one event after the other.

It follows ``firmware_notes/protocol.md`` and shares no code with the package's reading of pins.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from fractions import Fraction

Row = tuple[int, int, int]  # tick, levels, unknown: bits a, b, z, contact1, contact2
GRAY = [0, 1, 3, 2]  # by a + 2 b: the place in 00, 10, 11, 01


@dataclass
class Move:
    t: Fraction
    count: int  # after it
    step: int  # 0: illegal


@dataclass
class Told:
    positions: list[tuple[float, ...]] = field(default_factory=list)
    edges: list[tuple[object, ...]] = field(default_factory=list)
    widths: list[tuple[object, ...]] = field(default_factory=list)
    illegal: int = 0


def held(rows: list[Row]) -> list[Row]:
    """A pin that is unknown after all changes of a time stamp has the level that it had before."""
    levels, out = 0, []
    for tick, now, unknown in rows:
        levels = levels & unknown | now & ~unknown
        out.append((tick, levels, unknown))
    return out


def slow_records(rows: list[Row], tick_us: Fraction, end_tick: int, inputs: dict[int, int]) -> Told:
    """``inputs``: input number (0 index) by bit of the levels."""
    told = Told()
    end = end_tick * tick_us
    rows = held(rows)
    start = next((number for number, row in enumerate(rows) if not row[2] & 3), None)
    assert start is not None
    began = rows[start][0] * tick_us
    count = GRAY[rows[start][1] & 3]
    levels = rows[start][1]
    seen = 0
    for row in rows[: start + 1]:
        seen |= ~row[2]
    direction, torn = 1, False
    moves: list[Move] = []
    edges: list[tuple[Fraction, int, int, int]] = []
    states = [(began, count, levels)]  # after each row
    for tick, now, unknown in rows[start + 1 :]:
        t = tick * tick_us
        if unknown & 3:
            torn = True
        else:
            turned = (GRAY[now & 3] - GRAY[levels & 3]) % 4
            step = {0: 0, 1: 1, 2: 2 * direction, 3: -1}[turned]
            if step or torn:
                count += step
                moves.append(Move(t, count, 0 if torn or turned == 2 else step))
                told.illegal += torn or turned == 2
                direction = (step > 0) - (step < 0) or direction
            torn = False
            levels = levels & ~3 | now & 3
        for bit, which in sorted(inputs.items(), key=lambda item: item[1]):
            if (now ^ levels) >> bit & 1 and seen >> bit & 1:
                edges.append((t, which, now >> bit & 1, count))
        levels = now & ~3 | levels & 3
        seen |= ~unknown
        states.append((t, count, levels))
    released = _edges(told, edges, moves)
    waits = [(edge[0], gone) for edge, gone in zip(edges, released, strict=True)]
    _positions(told, states, moves, waits, end=end, inputs=inputs)
    _widths(told, moves, end, [states[0][1], *(m.count for m in moves)])
    return told


def _edges(
    told: Told, edges: list[tuple[Fraction, int, int, int]], moves: list[Move]
) -> list[Fraction]:
    released: list[Fraction] = []
    for t, which, level, count in edges:
        before = [m for m in moves if m.t <= t]
        after = [m for m in moves if t < m.t <= t + 250_000]
        near: list[Move | None] = [None] * 4
        for place in (1, 0):
            if not before or before[-1].step == 0:
                break
            near[place] = before.pop()
        gone = t + 250_000
        for place in (2, 3):
            if not after or after[0].step == 0:
                gone = after[0].t if after else gone
                break
            near[place] = after.pop(0)
            if place == 3:
                gone = near[place].t  # type: ignore[union-attr]
        released.append(max([gone, *released[-1:]]))
        told.edges.append(
            (
                float(t), which, level, count,
                *(float(m.t) if m else math.nan for m in near),
                *((m.count if m.step > 0 else m.count + 1) if m else 0 for m in near),
                *(m.step if m else 0 for m in near),
            )
        )  # fmt: skip
    return released


def _positions(
    told: Told,
    states: list[tuple[Fraction, int, int]],
    moves: list[Move],
    waits: list[tuple[Fraction, Fraction]],
    *,
    end: Fraction,
    inputs: dict[int, int],
) -> None:
    mark = math.ceil(states[0][0] / 20_000)
    latest: Fraction | None = None
    while True:
        t = min(Fraction(mark * 20_000), end)
        since = states[0][0] if latest is None else latest
        moved = [m for m in moves if since < m.t <= t]
        if latest is None or moved or t - latest >= 100_000 or t == end:
            _, count, levels = [state for state in states if state[0] <= t][-1]
            start = [state for state in states if state[0] <= since][-1][1]
            passed = [count] if latest is None and not moved else [start, *(m.count for m in moved)]
            pins = levels & 3
            for bit, which in inputs.items():
                pins |= (levels >> bit & 1) << (2 if which == 0 else 3 + which)
            held = [came for came, gone in waits if came <= t < gone]
            done = float(min([t, *held]))
            illegal = sum(m.step == 0 and m.t <= t for m in moves)
            row = (float(t), count, min(passed), max(passed), pins, done, illegal, 0)
            told.positions.append(row)
            latest = t
        if t >= end:
            break
        mark += 1
    last = told.positions[-1]
    told.positions[-1] = (*last[:5], math.nextafter(float(end), math.inf), *last[6:])


def _widths(told: Told, moves: list[Move], end: Fraction, counts: list[int]) -> None:
    dwell = [Fraction(0)] * 4
    breaks = 0
    for number, move in enumerate(moves):
        before = moves[number - 1] if number else None
        lasted = move.t - before.t if before else Fraction(0)
        if before and before.step and before.step == move.step and lasted < 65_536:
            dwell[counts[number] % 4] += lasted
        else:
            breaks += 1
        mark = math.ceil(move.t / 250_000)
        following = moves[number + 1].t if number + 1 < len(moves) else None
        if following is None or math.ceil(following / 250_000) > mark:
            t = min(Fraction(mark * 250_000), end)
            told.widths.append((float(t), move.count, *map(float, dwell), breaks))

"""A worked example of protocol.md: the raw lines of a rig, written from that page alone.

    python firmware_notes/example_lines.py LINES [TRUTH]

writes the lines of a rig with a 600-line encoder whose crank is turned by a trembling hand, and, as
JSON, where the contacts really opened. Nothing but the standard library is used, and nothing of the
program that reads rigs.
"""

from __future__ import annotations

import json
import math
import sys
import zlib
from bisect import bisect_right
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

COUNTS = 2400  # of a turn
SECONDS = 14
INDEX_DEG, INDEX_WIDE_DEG = 130.0, 0.3  # where the index becomes active, and for how long
OPENS_DEG = (200.0, 380.5)  # contact 1 opens there, within 360 degrees of the count's zero
OPEN_DEG = 60.0  # and stays open so long
BOUNCE_US = (0, 130, 210, 460, 520)  # opens, closes, opens, ... after the first opening
STATES = (0, 1, 3, 2)  # bits 0 (A) and 1 (B) of a level, by count modulo 4
WAIT_US = 250_000


def angle_deg(t_us: float) -> float:
    """The crank: begins at rest, turns forward, trembles by 0.05 degrees at 9 Hz."""
    t_s = t_us / 1e6
    run_up = min(t_s, 1.0)
    return 95.0 * (t_s - run_up / 2.0) * run_up + 0.05 * run_up * math.sin(2 * math.pi * 9 * t_s)


def crossings(levels: list[float], upto_us: int) -> list[tuple[int, int, int]]:
    """(time, number of the level, +1 or -1) whenever the crank passes one of the sorted levels."""
    found = []
    step_us, t_us, here = 200, 0, angle_deg(0.0)
    while t_us < upto_us:
        there = angle_deg(t_us + step_us)
        low, high = sorted((here, there))
        inside = range(bisect_right(levels, low), bisect_right(levels, high))
        way = 1 if there > here else -1
        for n in inside[::way]:
            early, late = float(t_us), float(t_us + step_us)
            while late - early > 0.25:
                middle = (early + late) / 2.0
                passed = (angle_deg(middle) > levels[n]) == (way > 0)
                early, late = (early, middle) if passed else (middle, late)
            found.append((round(late), n, way))
        t_us, here = t_us + step_us, there
    return found


class Step(NamedTuple):
    """An encoder edge, and the count that it reached."""

    t_us: int
    way: int
    reached: int


class Edge(NamedTuple):
    """An edge of a contact (input from 1) or of the index (0)."""

    t_us: int
    input: int
    level: int


def encoder(upto_us: int) -> list[Step]:
    boundaries = [(k - 0.5) * 360.0 / COUNTS for k in range(1, 12 * COUNTS)]
    steps, count = [], 0
    for t_us, _, way in crossings(boundaries, upto_us):
        count += way
        steps.append(Step(t_us, way, count))
    return steps


def edges(upto_us: int) -> list[Edge]:
    turns = range(int(angle_deg(upto_us) // 360.0) + 1)
    index = [360.0 * k + INDEX_DEG + wide for k in turns for wide in (0.0, INDEX_WIDE_DEG)]
    found = [Edge(t, 0, int((n % 2 == 0) == (way > 0))) for t, n, way in crossings(index, upto_us)]
    for opens in sorted(360.0 * k + deg for k in turns for deg in OPENS_DEG):
        first = crossings([opens, opens + OPEN_DEG], upto_us)
        if first:
            found += [Edge(first[0][0] + us, 1, 1 - n % 2) for n, us in enumerate(BOUNCE_US)]
        found += [Edge(t, 1, 0) for t, n, _ in first[-1:] if n == 1]
    return sorted(edge for edge in found if edge.t_us < upto_us)


class Rig:
    """Says what it saw, in order, as the page has it."""

    def __init__(self) -> None:
        self.lines: list[str] = []

    def say(self, kind: str, *fields: int | str) -> None:
        shown = [each if isinstance(each, str) else f"{each:X}" for each in fields]
        body = " ".join([kind, f"{len(self.lines) & 0xFFFF:X}", *shown])
        self.lines.append(f"{body} {zlib.crc32(body.encode('ascii')):08X}")


def beside(edge: Edge, steps: list[Step], times: list[int]) -> tuple[list[str], int, int]:
    """The four encoder edges beside an edge, the count at it, and when it can be sent."""
    n = bisect_right(times, edge.t_us)  # one at the same instant counts as before
    after = [s for s in steps[n : n + 2] if s.t_us <= edge.t_us + WAIT_US]
    before = steps[max(0, n - 2) : n]
    fields = ["."] * (2 - len(before))
    fields += [f"{'+' if s.way > 0 else '-'}{edge.t_us - s.t_us:X}" for s in before]
    fields += [f"{'+' if s.way > 0 else '-'}{s.t_us - edge.t_us:X}" for s in after]
    fields += ["."] * (2 - len(after))
    ready = after[1].t_us if len(after) == 2 else edge.t_us + WAIT_US
    return fields, steps[n - 1].reached if n else 0, ready


def widths(steps: list[Step], upto: int) -> tuple[list[int], int]:
    """Running totals of the time in each state, and visits that do not count."""
    totals, breaks = [0, 0, 0, 0], 0
    for entered, left in pairwise(steps[:upto]):
        long = left.t_us - entered.t_us
        if entered.way == left.way and long < 65_536:
            totals[entered.reached % 4] += long
        else:
            breaks += 1
    return totals, breaks


def lines(upto_us: int = SECONDS * 1_000_000) -> Iterator[str]:
    """Every line that the rig sends."""
    steps, seen = encoder(upto_us), edges(upto_us)
    times = [s.t_us for s in steps]
    ready = [(edge, *beside(edge, steps, times)) for edge in seen]
    rig = Rig()
    rig.say("R", 1)
    sent = last = 0
    for t_us in range(20_000, upto_us, 20_000):
        while sent < len(ready) and ready[sent][3] <= t_us:  # edges in order of time
            edge, near, count, _ = ready[sent]
            head = [edge.input] if edge.input else []
            rig.say("C" if edge.input else "Z", *head, edge.level, edge.t_us, count, *near)
            sent += 1
        if t_us % 2_000_000 == 20_000:
            rig.say("I", 1, COUNTS, 1, "worked-example")
        now = bisect_right(times, t_us)
        count = steps[now - 1].reached if now else 0
        moved = [s.reached for s in steps[max(0, last - 1) : now]] or [count]
        if now != last or t_us % 100_000 == 0:
            levels = STATES[count % 4]
            for edge in seen:
                bit = 3 + edge.input if edge.input else 2
                if edge.t_us <= t_us:
                    levels = levels & ~(1 << bit) | edge.level << bit
            waits = [edge.t_us for edge in seen[sent : sent + 1] if edge.t_us <= t_us]
            held = t_us - waits[0] if waits else 0
            rig.say("P", t_us, count, count - min(moved), max(moved) - count, levels, held, 0, 0)
        if now != last and t_us % 240_000 == 0:
            totals, breaks = widths(steps, now)
            rig.say("W", t_us, count, *totals, breaks)
        if t_us % 1_000_000 == 0:
            rig.say("H", t_us, t_us // 1_000_000, 0, 0, 0, 5000)
        last = now
    yield from rig.lines


def truth(upto_us: int = SECONDS * 1_000_000) -> list[float]:
    """Where the contacts opened, degrees of crank after the index."""
    turns = range(int(angle_deg(upto_us) // 360.0) + 1)
    places = sorted(360.0 * k + deg for k in turns for deg in OPENS_DEG)
    return [deg - INDEX_DEG for deg in places if deg < angle_deg(upto_us)]


def main(arguments: list[str]) -> None:
    Path(arguments[0]).write_text("".join(f"{line}\n" for line in lines()), "ascii", newline="\n")
    if len(arguments) > 1:
        Path(arguments[1]).write_text(json.dumps({"opens_after_index_deg": truth()}), "ascii")


if __name__ == "__main__":
    main(sys.argv[1:])

"""Measures the limits of the firmware on the simulated chip; limits.md has the figures.

    python firmware_notes/simulator/measure.py            a table
    python firmware_notes/simulator/measure.py --json     the same as one JSON object
    python firmware_notes/simulator/measure.py --board rp2040    the second board: fewer figures, as
                                                                 its emulator is slow

The same seed gives the same figures on every machine: the chip is simulated, not timed.
"""

from __future__ import annotations

import argparse
import json
import random
import subprocess
import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from run_pins import BOARDS, START_US, build

from rig.base.errors import RigError
from rig.wire.reader import LineReader
from rig.wire.records import Batch, Cut, Health, LineError

LINE_BYTES_PER_S = 50_000  # 500000 baud, ten bits a byte
BURST_EDGES, BURST_US = 40, 3000
HAND_COUNTS_PER_S = 2048  # 30 turns a minute of 4096 counts
GOAL_COUNTS_PER_S = 20_000
STATES = [(0, 0), (1, 0), (1, 1), (0, 1)]

Kind = TypeVar("Kind")
Change = tuple[float, str, int]  # microseconds, pin, level


@dataclass(frozen=True)
class Heard:
    """What came of a run, read by the program's own reader."""

    batches: list[Batch]
    bytes: int
    stack_used: int
    stack_room: int

    def edges(self, number: int) -> tuple[np.ndarray, np.ndarray]:
        """Times and levels of an input's edges."""
        own = [batch.edges[batch.edges["input"] == number] for batch in self.batches]
        return (
            np.concatenate([edges["t_us"] for edges in own]),
            np.concatenate([edges["level"] for edges in own]),
        )

    def last_count(self) -> int:
        return int([b for b in self.batches if len(b.positions)][-1].positions["count"][-1])

    def longest_held_us(self) -> float:
        return max(
            float(np.max(b.positions["t_us"] - b.positions["done_us"], initial=0))
            for b in self.batches
        )

    def others(self, kind: type[Kind]) -> list[Kind]:
        return [o for batch in self.batches for o in batch.others if isinstance(o, kind)]


class Bench:
    def __init__(self, counts_per_turn: int, board: str) -> None:
        self._command, self._elf = build(counts_per_turn, board)

    def run(self, changes: Iterable[Change], seconds: float) -> Heard:
        text = "".join(f"{t_us:.4f} pin {pin} {level}\n" for t_us, pin, level in sorted(changes))
        command = [*self._command, "--facts", "--seconds", str(seconds), str(self._elf)]
        done = subprocess.run(command, input=text.encode(), capture_output=True, check=True)
        facts = done.stderr.split()
        reader = LineReader()
        batches = reader.feed(done.stdout)
        return Heard(batches, len(done.stdout), int(facts[3]), int(facts[1]))


def turning(counts_per_s: float, end_us: float) -> list[Change]:
    """An encoder turned evenly."""
    changes: list[Change] = []
    for place in range(int((end_us - START_US) * counts_per_s / 1e6) if counts_per_s else 0):
        (a, _), (next_a, next_b) = STATES[place % 4], STATES[(place + 1) % 4]
        t_us = START_US + (place + 0.5) * 1e6 / counts_per_s
        changes.append((t_us, "a", next_a) if a != next_a else (t_us, "b", next_b))
    return changes


def chatter(end_us: float, every_us: float, edges: int = BURST_EDGES) -> list[Change]:
    """Bursts of edges at random instants, on both contacts in turn."""
    dice = random.Random(7)
    changes: list[Change] = []
    level = {1: 0, 2: 0}
    begin_us = START_US + 50_000.0
    while begin_us + BURST_US < end_us:
        instants = sorted(dice.uniform(begin_us, begin_us + BURST_US) for _ in range(edges))
        for place, t_us in enumerate(instants):
            number = 1 + place % 2
            level[number] ^= 1
            changes.append((t_us, f"contact{number}", level[number]))
        begin_us += every_us
    return changes


def late_us(heard: Heard, changes: list[Change]) -> np.ndarray | None:
    """How late each contact edge was dated; None when not all were reported one by one."""
    late = []
    for number in (1, 2):
        true = [(t_us, level) for t_us, pin, level in changes if pin == f"contact{number}"]
        times, levels = heard.edges(number)
        if levels.tolist() != [level for _, level in true]:
            return None
        late.append(times - np.array([t_us for t_us, _ in true]))
    return np.concatenate(late)


def nothing_lost(heard: Heard, changes: list[Change]) -> bool:
    """Whether every count and edge was reported, without line errors."""
    steps = sum(pin in ("a", "b") for _, pin, _ in changes)
    health = heard.others(Health)[-1]
    return (
        heard.last_count() == steps
        and late_us(heard, changes) is not None
        and not (health.illegal or health.lost_edges or health.lost_lines)
        and not heard.others(LineError)
        and not heard.others(Cut)
    )


def most(good: Callable[[int], bool], low: int, high: int, step: int) -> int:
    """The largest multiple of ``step`` that is good, between a good and a bad one."""
    while high - low > step:
        middle = (low + high) // 2 // step * step
        if good(middle):
            low = middle
        else:
            high = middle
    return low


def fastest(bench: Bench, bursts: bool) -> int:
    """Counts a second at which nothing is lost over a second."""
    end_us = 1.02e6

    def good(counts_per_s: int) -> bool:
        changes = turning(counts_per_s, end_us)
        if bursts:
            changes += chatter(end_us, 200_000)
        return nothing_lost(bench.run(changes, 1.6), changes)

    return most(good, 1000, 100_000, 500)


def time_errors(bench: Bench, counts_per_s: float, burst: bool) -> dict[str, float]:
    end_us = 4e6
    changes = turning(counts_per_s, end_us)
    changes += chatter(end_us, 300_000 if burst else 50_000, BURST_EDGES if burst else 1)
    heard = bench.run(changes, 4.6)
    late = late_us(heard, changes)
    if late is None or not nothing_lost(heard, changes):
        raise RigError(f"edges were lost at {counts_per_s} counts a second")
    error = np.abs(late - np.median(late))
    return {
        "edges": len(error),
        "mean_us": round(float(error.mean()), 2),
        "worst_us": round(float(error.max()), 2),
    }


def shortest_pulse_us(bench: Bench, counts_per_s: float) -> float:
    """Seen at each of 400 places, to a sixteenth of a microsecond.

    While the encoder turns, pulses begin at each sixteenth of the 5 us after one of its edges,
    when the interrupt is busy with that.
    """

    def good(sixteenths: int) -> bool:
        changes = turning(counts_per_s, 2.4e6)
        steps = [t_us for t_us, _, _ in changes][:: max(1, len(changes) // 401)]
        for place in range(400):
            if counts_per_s:
                t_us = steps[place] + place % 80 / 16
            else:
                t_us = START_US + 1000 + place * 5003.1
            changes += [(t_us, "contact1", 1), (t_us + sixteenths / 16, "contact1", 0)]
        heard = bench.run(changes, 2.8)
        return len(heard.edges(1)[0]) + sum(cut.edges for cut in heard.others(Cut)) == 800

    return (most(lambda n: not good(n), 1, 400, 1) + 1) / 16


def load(bench: Bench, counts_per_s: float, burst_every_us: float) -> dict[str, float]:
    seconds = 4.0
    changes = turning(counts_per_s, seconds * 1e6)
    if burst_every_us:
        changes += chatter(seconds * 1e6, burst_every_us)
    heard = bench.run(changes, seconds)
    return {
        "bytes_per_s": round(heard.bytes / seconds),
        "share": round(heard.bytes / seconds / LINE_BYTES_PER_S, 3),
        "longest_wait_ms": round(heard.longest_held_us() / 1000, 1),
    }


def longest_burst(bench: Bench, counts_per_s: float, most_edges: int = 400) -> int:
    """Edges in 3 ms, on both contacts together, that are reported one by one."""

    def good(edges: int) -> bool:
        end_us = START_US + 60_000
        changes = turning(counts_per_s, 4e5) + chatter(end_us, 1e6, edges)
        return nothing_lost(bench.run(changes, 1.2), changes)

    return most(good, 1, most_edges, 1)


def beyond(bench: Bench) -> dict[str, object]:
    """What is said where the limits are passed: a tenth of a second of each."""
    fast = turning(100_000, START_US + 1e5)
    noise = [(START_US + 1e5 + i * 5, "contact1", 1 - i % 2) for i in range(20_001)]
    noisy = turning(5000, START_US + 3e5) + noise
    said: dict[str, object] = {}
    for name, changes in (("100000 counts/s", fast), ("200000 contact edges/s", noisy)):
        heard = bench.run(changes, 1.6)
        health = heard.others(Health)[-1]
        said[name] = {
            "counts_true": sum(pin in ("a", "b") for _, pin, _ in changes),
            "counts_told": heard.last_count(),
            "illegal_told": health.illegal,
            "edges_told_one_by_one": len(heard.edges(1)[0]),
            "edges_told_as_cut": sum(cut.edges for cut in heard.others(Cut)),
            "times_unwatched_told": health.lost_edges,
            "lines_dropped_told": health.lost_lines,
        }
    return said


def measure_second() -> dict[str, object]:
    """The second board: what holds, of the rates that are tried."""
    bench = Bench(2400, "rp2040")

    def good(counts_per_s: int) -> bool:
        changes = turning(counts_per_s, 2.2e5) + chatter(2.2e5, 100_000)
        return nothing_lost(bench.run(changes, 1.2), changes)

    def seen(pulse_us: float) -> bool:
        changes: list[Change] = []
        for place in range(200):
            t_us = START_US + 1000 + place * 5003.1
            changes += [(t_us, "contact1", 1), (t_us + pulse_us, "contact1", 0)]
        heard = bench.run(changes, 1.6)
        return len(heard.edges(1)[0]) + sum(cut.edges for cut in heard.others(Cut)) == 400

    worst = bench.run(turning(GOAL_COUNTS_PER_S, 3e5) + chatter(3e5, 1e5, 120), 0.6)
    return {
        "counts_per_s": {str(rate): good(rate) for rate in (100_000, 160_000)},
        "time_error": {
            "at rest, single edges": time_errors(bench, 0, False),
            "turning by hand, chatter": time_errors(bench, HAND_COUNTS_PER_S, True),
        },
        "pulse_at_rest_seen_us": {str(us): seen(us) for us in (0.5, 1.0)},
        "line_load": {
            "turning by hand, chatter every second": load(bench, HAND_COUNTS_PER_S, 1e6),
        },
        "edges_in_3_ms_reported_singly": {"at rest": longest_burst(bench, 0, 64)},
        "stack_bytes": {"room": worst.stack_room, "used": worst.stack_used},
    }


def measure() -> dict[str, object]:
    bench = Bench(2400, "atmega328p")
    worst = bench.run(turning(GOAL_COUNTS_PER_S, 1e6) + chatter(1e6, 2e5, 120), 1.2)
    counts = {"without chatter": fastest(bench, False), "with chatter": fastest(bench, True)}
    return {
        "fastest_counts_per_s": counts,
        "fastest_turns_per_min": {
            name: {str(turn): round(rate * 60 / turn) for turn in (2400, 4096)}
            for name, rate in counts.items()
        },
        "time_error": {
            "at rest, single edges": time_errors(bench, 0, False),
            "turning by hand, chatter": time_errors(bench, HAND_COUNTS_PER_S, True),
            "20000 counts/s, chatter": time_errors(bench, GOAL_COUNTS_PER_S, True),
        },
        "shortest_pulse_us": {
            "at rest": shortest_pulse_us(bench, 0),
            "turning by hand": shortest_pulse_us(bench, HAND_COUNTS_PER_S),
            "20000 counts/s": shortest_pulse_us(bench, GOAL_COUNTS_PER_S),
        },
        "line_load": {
            "at rest": load(bench, 0, 0),
            "turning by hand": load(bench, HAND_COUNTS_PER_S, 0),
            "turning by hand, chatter every second": load(bench, HAND_COUNTS_PER_S, 1e6),
            "turning by hand, chatter every 0.1 s": load(bench, HAND_COUNTS_PER_S, 1e5),
        },
        "edges_in_3_ms_reported_singly": {
            "at rest": longest_burst(bench, 0),
            "turning by hand": longest_burst(bench, HAND_COUNTS_PER_S),
            "20000 counts/s": longest_burst(bench, GOAL_COUNTS_PER_S),
        },
        "beyond": beyond(bench),
        "stack_bytes": {"room": worst.stack_room, "used": worst.stack_used},
    }


def table(figures: dict[str, object], before: str = "") -> None:
    for name, value in figures.items():
        if isinstance(value, dict):
            print(f"{before}{name.replace('_', ' ')}")
            table(value, before + "    ")
        else:
            print(f"{before}{name.replace('_', ' '):<40} {value}")


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--json", action="store_true", help="one JSON object")
    parser.add_argument("--board", choices=BOARDS, default="atmega328p")
    given = parser.parse_args()
    try:
        figures = measure() if given.board == "atmega328p" else measure_second()
    except RigError as error:
        print(f"measure: {error}", file=sys.stderr)
        return error.status
    if given.json:
        print(json.dumps(figures))
    else:
        table(figures)
    return 0


if __name__ == "__main__":
    sys.exit(main())

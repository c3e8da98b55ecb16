"""Writes large pin recordings for the benchmarks: a crank turned by hand, contacts that bounce."""

from __future__ import annotations

from pathlib import Path

import numpy as np

COUNTS_PER_TURN = 4096
_HEADER = """$timescale 1 us $end
$scope module rig $end
$var wire 1 ! a $end
$var wire 1 " b $end
$var wire 1 # z $end
$var wire 1 $ contact1 $end
$var wire 1 % contact2 $end
$upscope $end
$enddefinitions $end
#0
$dumpvars
0!
0"
0#
0$
0%
$end
"""
_AFTER = ("1!", '1"', "0!", '0"')  # the change that leads to count 1, 2, 3, 4


def write_pins(path: Path, edges: int, edges_per_s: float, seed: int = 1) -> None:
    """A dump of ``edges`` count edges at ``edges_per_s`` on the average, in the plain layout.

    Index once a turn for one count; each contact opens and closes once a turn with 20 edges of
    bounce. The speed goes up and down by a third, and each step by a hundredth.
    """
    random = np.random.default_rng(seed)
    with path.open("w", encoding="ascii") as file:
        file.write(_HEADER)
        now = 0.0
        for first in range(0, edges, 100_000):
            number = min(100_000, edges - first)
            counts = np.arange(first + 1, first + number + 1)
            speed = edges_per_s * (1 + np.sin(counts / 900) / 3)
            times = now + np.cumsum(1e6 / speed * random.normal(1, 0.01, number).clip(0.5))
            now = float(times[-1])
            file.write("".join(_lines(counts.tolist(), times.astype(int).tolist())))


def _lines(counts: list[int], times: list[int]) -> list[str]:
    lines = []
    for count, t in zip(counts, times, strict=True):
        lines.append(f"#{t}\n{_AFTER[(count - 1) % 4]}\n")
        place = count % COUNTS_PER_TURN
        if place < 2:
            lines.append(f"{1 - place}#\n")
        for code, opens, closes in (("$", 1500, 2600), ("%", 1510, 2590)):
            if place in (opens, closes):
                level = int(place == opens)
                for bounce in range(21):
                    lines.append(f"#{t + 2 * bounce + 1}\n{level ^ (bounce & 1)}{code}\n")
    return lines

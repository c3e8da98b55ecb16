"""How fast pin recordings are read, as ratios within one run.

Run with ``pytest -m bench tests/bench/test_pin_speed.py -s`` to see the figures.
"""

from __future__ import annotations

import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import pytest
from pin_dumps import COUNTS_PER_TURN, write_pins
from vcdvcd import VCDVCD

from rig.pins.recording import PinRecording

pytestmark = pytest.mark.bench

EDGES = 2_000_000
ROUNDS = 5


def line_loop(path: Path) -> None:
    with path.open("rb") as file:
        for _line in file:
            pass


def read_pins(path: Path) -> int:
    return sum(
        len(batch.positions) for batch in PinRecording(path, None, COUNTS_PER_TURN).batches()
    )


def best_s(*works: Callable[[], object], rounds: int = ROUNDS) -> list[float]:
    """Least processor time of each of ``works``, in turn so that all meet the same neighbours."""
    best = [float("inf")] * len(works)
    for _ in range(rounds):
        for number, work in enumerate(works):
            start = time.process_time()
            work()
            best[number] = min(best[number], time.process_time() - start)
    return best


@pytest.mark.parametrize("edges_per_s", [230.0, 5000.0])
def test_against_a_plain_line_loop(tmp_path: Path, edges_per_s: float) -> None:
    """All records of 2 million count edges in at most 2.5 times a loop that only takes lines."""
    path = tmp_path / "large.vcd"
    write_pins(path, EDGES, edges_per_s)
    loop_s, pins_s = best_s(lambda: line_loop(path), lambda: read_pins(path))
    print(
        f"\n{edges_per_s:.0f} edges/s: {pins_s / loop_s:.2f} times the line loop ({loop_s:.3f} s)"
    )
    assert pins_s < 2.5 * loop_s


def test_against_a_library(tmp_path: Path) -> None:
    """A library that keeps every change as an object takes many times longer."""
    path = tmp_path / "some.vcd"
    write_pins(path, EDGES // 20, 5000.0)
    library_s, pins_s = best_s(lambda: VCDVCD(str(path)), lambda: read_pins(path), rounds=2)
    print(f"\nthe library's parse takes {library_s / pins_s:.0f} times as long")
    assert library_s > 5 * pins_s


def test_memory_does_not_grow_with_the_file(tmp_path: Path) -> None:
    peaks = []
    for edges in (EDGES // 8, EDGES):
        path = tmp_path / f"{edges}.vcd"
        write_pins(path, edges, 230.0)
        tracemalloc.start()
        try:
            read_pins(path)
            peaks.append(tracemalloc.get_traced_memory()[1] / 2**20)
        finally:
            tracemalloc.stop()
    print(f"\npeak {peaks[0]:.1f} MiB for an eighth of the file, {peaks[1]:.1f} MiB for all of it")
    assert peaks[1] < 1.2 * peaks[0]
    assert peaks[1] < 32

"""Reading pin recordings: time against a plain line loop and VCD libraries, and memory."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from pin_dumps import COUNTS_PER_TURN, write_pins
from ratio import least_s
from vcd.reader import tokenize
from vcdvcd import VCDVCD

from rig.pins.recording import PinRecording
from rig.signal.events import Opening, Settings
from rig.signal.openings import OpeningFinder

pytestmark = pytest.mark.bench

EDGES = 2_000_000
RATES = {"by hand, slowly": 230.0, "fast": 5000.0}
"""Count edges a second: 20 and 440 degrees a second with 4096 counts a turn."""


def line_loop(path: Path) -> None:
    with path.open("rb") as file:
        for _ in file:
            pass


def records(path: Path) -> None:
    for _ in PinRecording(path, None, COUNTS_PER_TURN).batches():
        pass


def openings(path: Path) -> int:
    follower = OpeningFinder(Settings(COUNTS_PER_TURN))
    found = 0
    for batch in PinRecording(path, None, COUNTS_PER_TURN).batches():
        found += sum(isinstance(event, Opening) for event in follower.take(batch))
    return found + sum(isinstance(event, Opening) for event in follower.finish())


@pytest.mark.parametrize("rate", RATES.values(), ids=RATES)
def test_against_a_plain_line_loop(rate: float, tmp_path: Path) -> None:
    path = tmp_path / "pins.vcd"
    write_pins(path, EDGES, rate)
    assert openings(path) == EDGES // COUNTS_PER_TURN * 2
    took = least_s(
        6,
        loop=lambda: line_loop(path),
        records=lambda: records(path),
        openings=lambda: openings(path),
    )
    ratio = took["openings"] / took["loop"]
    print(
        f"\npins, {rate:g} edges/s: to openings {ratio:.2f} of a line loop"
        f" (to records {took['records'] / took['loop']:.2f}), aim 4"
    )
    assert ratio <= 4.0


def test_against_vcd_libraries(tmp_path: Path) -> None:
    path = tmp_path / "pins.vcd"
    write_pins(path, EDGES // 20, 230.0)

    def by_tokens() -> None:
        with path.open("rb") as file:
            for _ in tokenize(file):
                pass

    took = least_s(
        2,
        openings=lambda: openings(path),
        vcdvcd=lambda: VCDVCD(str(path)),
        pyvcd=by_tokens,
    )
    ratios = {name: took["openings"] / took[name] for name in ("vcdvcd", "pyvcd")}
    print(
        "\npins: to openings "
        + ", ".join(f"{ratio:.3f} of {name}'s parse" for name, ratio in ratios.items())
        + ", aim 0.5"
    )
    assert max(ratios.values()) <= 0.5


MEASURE = """
import json, sys
from pathlib import Path
from ratio import most_mib
from test_read_speed import openings
print(json.dumps([openings(Path(sys.argv[1])), most_mib()]))
"""


@pytest.mark.skipif(sys.platform != "linux", reason="the kernel is asked for the memory")
def test_memory_does_not_grow_with_the_file(tmp_path: Path) -> None:
    most = []
    for millions in (2, 20):
        edges = millions * 1_000_000 // COUNTS_PER_TURN * COUNTS_PER_TURN
        path = tmp_path / f"{millions}.vcd"
        write_pins(path, edges, 5000.0)
        done = subprocess.run(
            [sys.executable, "-c", MEASURE, str(path)],
            cwd=Path(__file__).parent, capture_output=True, text=True, check=True,
        )  # fmt: skip
        found, mib = json.loads(done.stdout)
        assert found == edges // COUNTS_PER_TURN * 2
        most.append(mib)
        path.unlink()
    small, large = most
    print(
        f"\npins: 20 million count edges in {large:.0f} MiB, {large / small:.3f} of what"
        " 2 million take, aim 1.1"
    )
    assert large <= 1.1 * small

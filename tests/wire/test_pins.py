"""Pin recordings become the records that a rig would have sent."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from slow_dump import slow_rows
from slow_rig import slow_records

from rig.faults import InputError
from rig.wire.pins import PinRecording
from rig.wire.records import Batch, Health, Identity, Other, Trouble

HEADER = """$timescale {} $end $scope module rig $end
$var wire 1 ! a $end $var wire 1 " b $end $var wire 1 # z $end
$var wire 1 $ contact1 $end $var wire 1 % contact2 $end
$upscope $end $enddefinitions $end
"""
CODES = [b"!", b'"', b"#", b"$", b"%"]
SIGNS = "!\"#$%"
INPUTS = {2: 0, 3: 1, 4: 2}
START = "#0\n$dumpvars 0! 0\" 0# 0$ 0% $end\n"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("pins")


class Read:
    """All records of a recording."""

    def __init__(self, path: Path, chunk: int = 1 << 19, names: dict[str, str] | None = None):
        self.recording = PinRecording(path, names, 4096, chunk_bytes=chunk)
        self.batches: list[Batch] = list(self.recording.batches())
        self.positions = np.concatenate([batch.positions for batch in self.batches])
        self.edges = np.concatenate([batch.edges for batch in self.batches])
        self.widths = np.concatenate([batch.widths for batch in self.batches])
        self.others: list[Other] = [other for batch in self.batches for other in batch.others]

    @property
    def troubles(self) -> list[Trouble]:
        return [other for other in self.others if isinstance(other, Trouble)]

    @property
    def illegal(self) -> int:
        totals = [other.illegal for other in self.others if isinstance(other, Health)]
        return totals[-1] if totals else 0


def read(folder: Path, body: str, timescale: str = "1 us", chunk: int = 1 << 19) -> Read:
    path = folder / "some.vcd"
    path.write_text(HEADER.format(timescale) + body)
    return Read(path, chunk)


@st.composite
def pin_stories(draw: st.DrawFn) -> tuple[str, str]:
    """A body, and the timescale: the crank steps, trembles, jumps; contacts and index change."""
    levels = [0, 0, 0, 0, 0]
    now = 0
    first = draw(st.sampled_from([START, "#3 1! 0# 0%\n#5\n", "#40000 0!\n#70001 1\"\n"]))
    words = [first]
    levels = {START: [0] * 5, "#3 1! 0# 0%\n#5\n": [1, 0, 0, 0, 0]}.get(first, [0, 1, 0, 0, 0])
    now = {START: 0, "#3 1! 0# 0%\n#5\n": 5}.get(first, 70_001)
    action = st.sampled_from(["up"] * 6 + ["down"] * 2 + ["both", "z", "c1", "c1", "c2", "x", "ax"])
    wait = st.sampled_from([0, 1, 50, 3_000, 3_100, 20_000, 70_000, 250_000, 250_001, 1_300_000])
    for _ in range(draw(st.integers(1, 25))):
        what, repeats = draw(action), draw(st.integers(1, 6))
        each = draw(wait)
        for _ in range(repeats):
            now += each
            words.append(f"#{now}")
            if what in ("up", "down", "both"):
                place = [0, 1, 3, 2].index(levels[0] + 2 * levels[1])
                place += {"up": 1, "down": -1, "both": 2}[what]
                levels[0], levels[1] = [(0, 0), (1, 0), (1, 1), (0, 1)][place % 4]
                words.append(f"{levels[0]}! {levels[1]}\"")
            elif what == "x":
                words.append("x$")
            elif what == "ax":
                words.append("z!")
            else:
                pin = {"z": 2, "c1": 3, "c2": 4}[what]
                levels[pin] ^= 1
                words.append(f"{levels[pin]}{SIGNS[pin]}")
    words += [f"#{now}", *(f"{levels[pin]}{SIGNS[pin]}" for pin in range(5))]
    if draw(st.booleans()):
        words.append(f"#{now + draw(st.sampled_from([1, 19_999, 20_000, 777_777]))}")
    return "\n".join(words) + "\n", draw(st.sampled_from(["1 us", "100 ns", "1 ps", "10 us", "1 s"]))


def tick_of(timescale: str) -> Fraction:
    return {
        "1 us": Fraction(1), "100 ns": Fraction(1, 10), "1 ps": Fraction(1, 10**6),
        "10 us": Fraction(10), "1 s": Fraction(10**6),
    }[timescale]  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(story=pin_stories(), chunk=st.integers(1, 300))
def test_records_are_those_of_a_rig(folder: Path, story: tuple[str, str], chunk: int) -> None:
    body, timescale = story
    tick_us = tick_of(timescale)
    if tick_us > 10:  # seconds: keep the times short
        body = "\n".join(
            f"#{int(word[1:]) // 100_000}" if word[0] == "#" and word[1:].isdigit() else word
            for word in body.split()
        ) + "\n"
    rows, end = slow_rows(body.encode(), CODES)
    expected = slow_records(rows, tick_us, end, INPUTS)
    got = read(folder, body, timescale)
    assert [tuple(map(float, p)) for p in got.positions.tolist()] == [
        tuple(map(float, p)) for p in expected.positions
    ]
    edges = [
        (e["t_us"], e["input"], e["level"], e["count"], *e["around_t_us"], *e["around_at"],
         *e["around_step"])
        for e in got.edges
    ]  # fmt: skip
    np.testing.assert_array_equal(
        np.array(edges, float).reshape(-1, 16), np.array(expected.edges, float).reshape(-1, 16)
    )
    widths = [(w["t_us"], w["count"], *w["dwell_us"], w["breaks"]) for w in got.widths]
    np.testing.assert_array_equal(
        np.array(widths, float).reshape(-1, 7), np.array(expected.widths, float).reshape(-1, 7)
    )
    assert got.illegal == expected.illegal
    cut = read(folder, body, timescale, chunk)
    for mine, other in ((got.positions, cut.positions), (got.widths, cut.widths)):
        assert mine.tobytes() == other.tobytes()
    assert got.edges.tobytes() == cut.edges.tobytes()
    assert got.others == cut.others

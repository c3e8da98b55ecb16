"""Pin recordings become the records that a rig would have sent."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from how_many import how_many
from hypothesis import example, given, settings
from hypothesis import strategies as st
from slow_dump import slow_rows
from slow_rig import slow_records

from rig.base.errors import InputError
from rig.pins import rig_records, vcd_body
from rig.pins.recording import PinRecording
from rig.wire.records import Batch, Health, Identity, LineError, Other

HEADER = """$timescale {} $end $scope module rig $end
$var wire 1 ! a $end $var wire 1 " b $end $var wire 1 # z $end
$var wire 1 $ contact1 $end $var wire 1 % contact2 $end
$upscope $end $enddefinitions $end
"""
CODES = [b"!", b'"', b"#", b"$", b"%"]
SIGNS = '!"#$%'
INPUTS = {2: 0, 3: 1, 4: 2}
START = '#0\n$dumpvars 0! 0" 0# 0$ 0% $end\n'


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
    def line_errors(self) -> list[LineError]:
        return [other for other in self.others if isinstance(other, LineError)]

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
    first, now, levels = draw(
        st.sampled_from(
            [
                (START, 0, [0, 0, 0, 0, 0]),
                ("#3 1! 0# 0%\n#5\n", 5, [1, 0, 0, 0, 0]),
                ('#40000 0!\n#70001 1"\n', 70_001, [0, 1, 0, 0, 0]),
            ]
        )
    )
    words, levels = [first], list(levels)
    action = st.sampled_from(
        ["up"] * 6 + ["down"] * 2 + ["both", "z", "c1", "c1", "c2", "x$", "x%", "z#", "z!", 'x"']
    )
    wait = st.sampled_from([0, 1, 50, 3_000, 3_100, 20_000, 70_000, 250_000, 250_001, 400_000])
    for _ in range(draw(st.integers(1, 25))):
        what, repeats = draw(action), draw(st.integers(1, 4))
        each = draw(wait)
        for _ in range(repeats):
            now += each
            words.append(f"#{now}")
            if what in ("up", "down", "both"):
                place = [0, 1, 3, 2].index(levels[0] + 2 * levels[1])
                place += {"up": 1, "down": -1, "both": 2}[what]
                levels[0], levels[1] = [(0, 0), (1, 0), (1, 1), (0, 1)][place % 4]
                words.append(f'{levels[0]}! {levels[1]}"')
            elif what[0] in "xz" and len(what) == 2:
                words.append(what)
            else:
                pin = {"z": 2, "c1": 3, "c2": 4}[what]
                levels[pin] ^= 1
                words.append(f"{levels[pin]}{SIGNS[pin]}")
    words += [f"#{now}", *(f"{levels[pin]}{SIGNS[pin]}" for pin in range(5))]
    if draw(st.booleans()):
        words.append(f"#{now + draw(st.sampled_from([1, 19_999, 20_000, 777_777]))}")
    return "\n".join(words) + "\n", draw(
        st.sampled_from(["1 us", "100 ns", "1 ps", "10 us", "1 s"])
    )


def tick_of(timescale: str) -> Fraction:
    return {
        "1 us": Fraction(1), "100 ns": Fraction(1, 10), "1 ps": Fraction(1, 10**6),
        "10 us": Fraction(10), "1 s": Fraction(10**6),
    }[timescale]  # fmt: skip


JUMPS_AND_DOUBT = (
    START + '#1\n0! 1"\n#2\n1! 0"\n#2\nz!\n#250002\n0! 1"\n#500002\n1! 0"\n#500002\n1!\n0"\n'
)
"""A level that was not known comes back as it was: the way of the jump after is the way before."""


@settings(max_examples=12)
@given(story=pin_stories(), chunk=st.integers(1, 300))
@example(story=(JUMPS_AND_DOUBT, "1 us"), chunk=1)
def test_records_are_those_of_a_rig(folder: Path, story: tuple[str, str], chunk: int) -> None:
    as_a_rig(folder, story, chunk)


@pytest.mark.slow
@settings(max_examples=how_many(30))
@given(story=pin_stories(), chunk=st.integers(1, 300))
def test_many_records_are_those_of_a_rig(folder: Path, story: tuple[str, str], chunk: int) -> None:
    as_a_rig(folder, story, chunk)


def as_a_rig(folder: Path, story: tuple[str, str], chunk: int) -> None:
    body, timescale = story
    tick_us = tick_of(timescale)
    if tick_us > 10:  # seconds: keep the times short
        body = (
            "\n".join(
                f"#{int(word[1:]) // 100_000}" if word[0] == "#" and word[1:].isdigit() else word
                for word in body.split()
            )
            + "\n"
        )
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


class NarrowNumpy:
    """numpy whose own integers have 32 bits: on 32-bit systems, and on Windows before numpy 2."""

    def __getattr__(self, name: str) -> Any:
        return getattr(np, name)

    def arange(self, *args: Any, dtype: Any = None) -> Any:
        made = np.arange(*args, dtype=dtype)
        return made.astype(np.int32) if dtype is None and made.dtype.kind == "i" else made

    def array(self, values: Any, dtype: Any = None) -> Any:
        made = np.array(values, dtype)
        plain = dtype is None and not hasattr(values, "dtype") and made.dtype.kind == "i"
        return made.astype(np.int32) if plain and abs(made).max(initial=0) < 2**31 else made


def test_ticks_do_not_need_64_bits_of_the_systems_own(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Three seconds in steps of a nanosecond are beyond 31 bits."""
    turn = ["1!", '1"', "0!", '0"']
    steps = "".join(f"#{7_000_003 * n} {turn[n % 4]} {n // 40 % 2}$\n" for n in range(1, 500))
    body, names = START + steps + "#4000000000\n", ("positions", "edges", "widths", "others")
    wide = read(folder, body, "1 ns")
    for module in (rig_records, vcd_body):
        monkeypatch.setattr(module, "np", NarrowNumpy())
    narrow = read(folder, body, "1 ns")
    for name in names:
        assert repr(getattr(narrow, name)[-3:]) == repr(getattr(wide, name)[-3:]), name


def test_the_kept_recordings(folder: Path) -> None:
    """Signal by signal against counting its changes one by one."""
    for path in sorted(Path("fixtures/pins").glob("*.vcd")):
        got = Read(path)
        rows, last = slow_rows(path.read_bytes().split(b"$enddefinitions $end")[1], CODES)
        levels = np.array([row[1] for row in rows])
        for bit, number in INPUTS.items():
            changes = np.count_nonzero(np.diff(levels >> bit & 1))
            assert np.count_nonzero(got.edges["input"] == number) == changes
        assert got.recording.end_us == last
        assert got.positions["t_us"][-1] == last
        assert got.line_errors == []
        assert got.illegal == 0
        position = got.positions
        assert ((position["count"] & 3) == np.array([0, 1, 3, 2])[position["levels"] & 3]).all()
        assert (position["low"] <= position["count"]).all()
        assert (position["count"] <= position["high"]).all()
        assert (np.diff(position["t_us"]) <= 100_000).all()
        total = got.widths["dwell_us"][-1].sum()
        assert 0.5 * last < total < last


def test_every_edge_is_given_before_it_is_reported_to_be(folder: Path) -> None:
    for chunk in (200, 1 << 19):
        got = Read(Path("fixtures/pins/coarse.vcd"), chunk)
        left = got.edges["t_us"]
        for batch in got.batches:
            left = left[len(batch.edges) :]
            if len(batch.positions) and len(left):
                assert batch.positions["done_us"].max() <= left[0]
        assert not len(left)
        assert got.positions["done_us"][-1] > got.edges["t_us"][-1]


@pytest.mark.parametrize(
    ("pins", "count"), [('0! 0"', 0), ('1! 0"', 1), ('1! 1"', 2), ('0! 1"', 3)]
)
def test_the_count_begins_as_the_quadrature_state(folder: Path, pins: str, count: int) -> None:
    got = read(folder, f"#0 {pins} 0# 0$ 0%\n#50000\n")
    assert got.positions["count"].tolist() == [count, count]
    assert got.positions["t_us"].tolist() == [0.0, 50_000.0]


def test_neighbours_of_an_edge(folder: Path) -> None:
    """Two up before, one of them at the same instant; one up and one down after."""
    got = read(folder, START + '#1000 1! #4000 1" 1$ #6000 0! #7500 1! #9000\n')
    edge = got.edges[0]
    assert (edge["t_us"], edge["input"], edge["level"], edge["count"]) == (4000.0, 1, 1, 2)
    assert edge["around_t_us"].tolist() == [1000.0, 4000.0, 6000.0, 7500.0]
    assert edge["around_at"].tolist() == [1, 2, 3, 3]
    assert edge["around_step"].tolist() == [1, 1, 1, -1]


@pytest.mark.parametrize(("late", "told"), [(250_000, 1), (250_001, 0)])
def test_an_edge_waits_250_ms(folder: Path, late: int, told: int) -> None:
    got = read(folder, START + f"#1000 1$ #{1000 + late} 1! #900000\n")
    assert got.edges["around_step"][0].tolist() == [0, 0, told, 0]
    assert np.isnan(got.edges["around_t_us"][0][:2]).all()
    held = got.positions[got.positions["done_us"] < got.positions["t_us"]]
    assert set(held["done_us"]) == {1000.0}
    assert held["t_us"].max() == 200_000.0  # standing still: one position in 100 ms


def test_an_illegal_transition(folder: Path) -> None:
    """Both channels at once: two counts in the direction of the last step, and no neighbour."""
    got = read(folder, START + '#10 1! #20 0! #30 1! 1" #40 1$ #50 0" #60 0! #70 0$ #80 1! #90\n')
    assert got.illegal == 1
    assert got.edges["count"].tolist() == [-2, -4]
    assert got.edges["around_step"].tolist() == [[0, 0, -1, -1], [-1, -1, 1, 0]]
    assert got.positions["count"][-1] == -3


def test_levels_that_are_none(folder: Path) -> None:
    """x and z are no levels; an encoder that was unknown may have gone any way.

    Common practice, no source.
    """
    got = read(folder, START + '#10 x$ #20 0$ #30 z% #40 1% #50 1! #60 x! #70 1" #80 0! #90\n')
    assert got.edges[["input", "level", "t_us"]].tolist() == [(2, 1, 40.0)]
    assert got.illegal == 1
    assert [trouble.kind for trouble in got.line_errors] == [
        "unknown-level",
        "unknown-level",
        "encoder",
    ]
    assert [trouble.t_us for trouble in got.line_errors] == [10.0, 30.0, 60.0]


def test_pins_known_late(folder: Path) -> None:
    got = read(folder, '#10 0! 1$ #20 0$ #30 0" #40 1% #50 0% #60 1! #70\n')
    assert got.edges[["input", "level", "t_us"]].tolist() == [(2, 0, 50.0)]
    assert [trouble.detail for trouble in got.line_errors] == [
        "z is never 0 or 1",
        "1 edge came before a and b were both known",
    ]


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ("#0 0# 0$ 0% #5 1$\n", "a and b"),
        ("#0 0! 0# 0$ 0% #5 1! #8 0!\n", "b is never"),
        ("", "a and b"),
    ],
)
def test_an_encoder_that_is_never_known(folder: Path, body: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        read(folder, body)


def test_a_long_silence_is_skipped(folder: Path) -> None:
    """Ten years: ten minutes of it are told, then the records go on just before the next change."""
    late = 10 * 365 * 86_400 * 10**6
    body = START + f'#20000 1! #{late} 1" 1$ #{late + 10} 0! #{late + 300000}\n'
    got, cut = read(folder, body), read(folder, body, chunk=7)
    assert 6_000 < len(got.positions) < 6_100
    assert got.positions.tobytes() == cut.positions.tobytes()
    assert [trouble.detail for trouble in got.line_errors] == [
        "nothing changes; 87599.8 hours of it are skipped"
    ]
    assert got.edges["t_us"].tolist() == [float(late)]
    assert got.edges["around_step"].tolist() == [[1, 1, 1, 0]]
    assert max(len(batch.positions) for batch in got.batches) < 20_000


def test_names(folder: Path) -> None:
    path = folder / "names.vcd"
    path.write_text(
        "$timescale 1 us $end $scope module top $end $var wire 1 ! A_in $end "
        '$var wire 1 " b $end $var wire 1 # K1 $end $var wire 1 $ contact3 $end '
        "$upscope $end $enddefinitions $end\n" + START.replace("0%", "") + "#9 1# #10 1$ #11\n"
    )
    got = Read(path, names={"a": "top.A_in", "contact1": "K1"})
    assert got.recording.inputs == {1: "contact1", 3: "contact3"}
    assert got.edges[["input", "t_us"]].tolist() == [(1, 9.0), (3, 10.0)]
    assert got.positions["levels"][-1] == 1 << 4 | 1 << 6
    identity = got.others[0]
    assert identity == Identity(0.0, 1, 4096, 3, "pin-recording")
    for names, words in (
        (None, "no signal called 'a'; there are: top.A_in, top.b"),
        ({"a": "A_in", "contact1": "K7"}, "no signal called 'K7'"),
        ({"a": "b"}, "are the same signal"),
        ({"clock": "b"}, "'clock=b' names no pin"),
        ({"contact0": "b"}, "names no pin"),
        ({"contact17": "b"}, "names no pin"),
    ):
        with pytest.raises(InputError) as error:
            PinRecording(path, names, 4096)
        assert words in str(error.value)


def test_no_contact_at_all(folder: Path) -> None:
    path = folder / "bare.vcd"
    path.write_text(
        '$timescale 1 us $end $var wire 1 ! a $end $var wire 1 " b $end $enddefinitions $end\n'
    )
    with pytest.raises(InputError, match="no signal called 'contact1'; there are: a, b"):
        PinRecording(path, None, 4096)


def test_what_the_file_has_to_say_comes_along(folder: Path) -> None:
    got = read(folder, START + '#10 1! what #20 1" #5 0!\n')
    assert [trouble.t_us for trouble in got.line_errors] == [10.0, 20.0]
    assert all(trouble.kind == "recording" for trouble in got.line_errors)
    assert got.positions["count"][-1] == 2

"""Dumps are read right in any layout, cut anywhere (IEEE Std 1364-2005 clause 18)."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from how_many import how_many
from hypothesis import given, settings
from hypothesis import strategies as st
from slow_dump import Dump, dumps, slow_rows

from rig.pins.vcd_body import PAD, BodyReader, Rows, decimals
from rig.pins.vcd_header import Header, read_header
from rig.wire.records import LineError

HEADER = '$timescale 1 us $end $var wire 1 ! a $end $var wire 4 " bus $end $enddefinitions $end\n'
Plain = list[tuple[int, int, int]]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("dumps")


class Read(BodyReader):
    """Reads, and keeps what was reported."""

    def __init__(self, header: Header, names: list[str], chunk: int) -> None:
        self.line_errors: list[LineError] = []
        pins = [header.pin(name) for name in names]
        super().__init__(header, pins, self.line_errors.append, chunk)


def read(path: Path, names: list[str], chunk: int = 1 << 19) -> tuple[Plain, Read]:
    reader = Read(read_header(path), names, chunk)
    got: list[Rows] = list(reader.rows())
    plain = [
        (int(tick), int(levels), int(unknown))
        for rows in got
        for tick, levels, unknown in zip(*rows, strict=True)
    ]
    return plain, reader


def levels_of(folder: Path, body: str) -> tuple[list[tuple[int, str]], list[str]]:
    """The level of pin a (? when it is none) at each change, and what was said."""
    path = folder / "one.vcd"
    path.write_bytes((HEADER + body).encode())
    rows, reader = read(path, ["a"])
    return [(t, "?" if dark else str(level)) for t, level, dark in rows], [
        trouble.detail for trouble in reader.line_errors
    ]


@settings(max_examples=25)
@given(dump=st.one_of(dumps(), dumps(plain=True)), chunk=st.integers(1, 400))
def test_any_layout_cut_anywhere(folder: Path, dump: Dump, chunk: int) -> None:
    cut_anywhere(folder, dump, chunk)


@pytest.mark.slow
@settings(max_examples=how_many(50))
@given(dump=st.one_of(dumps(), dumps(plain=True)), chunk=st.integers(1, 400))
def test_many_layouts_cut_anywhere(folder: Path, dump: Dump, chunk: int) -> None:
    cut_anywhere(folder, dump, chunk)


WORDS = [
    "0!", "1!", "x!", "#1", "#2", "#3", "#4", "#50", "#9x", "#", "#99999999999999999999", "b01",
    "b01x", "!", "b1", "!", "r1.5", "!", "what", "$dumpvars", "$dumpoff", "$dumpon", "$comment",
    "$end", "$end",
]  # fmt: skip


@settings(max_examples=60)
@given(words=st.lists(st.sampled_from(WORDS), max_size=60), chunk=st.integers(1, 40))
def test_any_words_read_alike_wherever_the_file_is_cut(
    folder: Path, words: list[str], chunk: int
) -> None:
    path = folder / "soup.vcd"
    path.write_text(HEADER + "#0 0!\n" + "\n".join(words))
    cut, reader = read(path, ["a"], chunk)
    whole, other = read(path, ["a"])
    assert cut == whole
    assert reader.line_errors == other.line_errors
    assert reader.end_tick == other.end_tick


@pytest.mark.parametrize("chunk", [3, 8, 1 << 19])
@pytest.mark.parametrize("body", ["#5x\n%#9 1!\n#4 0!\n%#8y\n", "#5 1!\n%#3z\n#3 0!\n%"])
def test_what_comes_after_the_place_up_to_which_it_is_read_is_not_reported(
    folder: Path, body: str, chunk: int
) -> None:
    path = folder / "stopped.vcd"
    path.write_text(HEADER + "#0 0!\n" + body.replace("%", "what junk\n"))
    _, reader = read(path, ["a"], chunk)
    *said, last = [error.detail for error in reader.line_errors]
    assert "time runs backwards" in last
    assert [detail.split("'")[1] for detail in said] in (
        ["#5x", "what", "junk"],
        ["what", "junk", "#3z"],
    )


def cut_anywhere(folder: Path, dump: Dump, chunk: int) -> None:
    path = folder / "any.vcd"
    path.write_bytes(dump.header + dump.body)
    expected, end = slow_rows(dump.body, dump.codes)
    cut, reader = read(path, dump.names, chunk)
    whole, other = read(path, dump.names)
    assert cut == whole == expected
    assert reader.end_tick == other.end_tick == end
    assert reader.line_errors == other.line_errors


@pytest.mark.parametrize(
    ("body", "expected"),
    [
        ("#5\n1!\n#7\n0!\n", [(5, "1"), (7, "0")]),
        ("#5\r\n1!\r\n#7\r\n0!\r\n", [(5, "1"), (7, "0")]),
        ("#5 1! #7 0! ", [(5, "1"), (7, "0")]),
        ("1! #7 0! ", [(0, "1"), (7, "0")]),  # before the first stamp: the start
        ("$dumpvars 0! $end #0 #7 1! ", [(0, "0"), (7, "1")]),
        ("0! #5 1! 0! 1! #6 ", [(0, "0"), (5, "1")]),  # simultaneous: the last state holds
        ("0! #5 1! 0! #6 ", [(0, "0")]),
        ("0! #5 1! #5 0! #6 ", [(0, "0")]),  # the same stamp twice is one instant
        ("0! #5 0! #6 0! ", [(0, "0")]),  # a repeated value is no change
        ("0! #5 x! #6 0! ", [(0, "0"), (5, "?"), (6, "0")]),
        ("0! #5 Z! #6 z! #7 X! #8 1! ", [(0, "0"), (5, "?"), (8, "1")]),
        ("b0 ! #5 B1 ! #6 bx ! #7 b0000 ! ", [(0, "0"), (5, "1"), (6, "?"), (7, "0")]),
        ('0! #5 b1010 " #6 r-1.5e3 " #7 1! ', [(0, "0"), (7, "1")]),
        ("0! #5 $comment #9 1! b1 $end #6 1! ", [(0, "0"), (6, "1")]),
        ("0! #5 $soon_invented 1! $dumpoff $end #6 1! ", [(0, "0"), (6, "1")]),
        ("0! #5 $dumpall 1! $end ", [(0, "0"), (5, "1")]),
        ("0! #5 $dumpoff $end #6 1! #7 $dumpon 1! $end ", [(0, "0"), (5, "?"), (7, "1")]),
        ("0! #0000000000000000000000000007 1! ", [(0, "0"), (7, "1")]),
        ("0! #5 1!", [(0, "0"), (5, "1")]),  # no line break at the end
    ],
)
def test_what_the_format_allows(folder: Path, body: str, expected: list[tuple[int, str]]) -> None:
    assert levels_of(folder, body) == (expected, [])


def test_codes_may_look_like_anything(folder: Path) -> None:
    codes = ["#", "$", "0", "b", "r", "x", "#5", "$end1", "1", "b1"]
    variables = "".join(f"$var wire 1 {code} p{n} $end\n" for n, code in enumerate(codes))
    path = folder / "codes.vcd"
    changes = "".join(f"#{n + 1}\n1{code}\n" for n, code in enumerate(codes))
    vectors = "".join(f"#{n + 20}\nb0 {code}\n" for n, code in enumerate(codes))
    path.write_text(
        f"$timescale 1 us $end {variables} $enddefinitions $end\n"
        + "".join(f"0{code}\n" for code in codes) + changes + vectors
    )  # fmt: skip
    rows, reader = read(path, [f"p{n}" for n in range(len(codes))])
    level = 0
    expected = [(0, 0, 0)]
    for n in range(len(codes)):
        level |= 1 << n
        expected.append((n + 1, level, 0))
    for n in range(len(codes)):
        level &= ~(1 << n)
        expected.append((n + 20, level, 0))
    assert rows == expected
    assert reader.line_errors == []


def test_many_pins_fit(folder: Path) -> None:
    path = folder / "many.vcd"
    codes = [chr(40 + n) for n in range(20)]
    path.write_text(
        "$timescale 1 us $end "
        + "".join(f"$var wire 1 {code} p{n} $end\n" for n, code in enumerate(codes))
        + "$enddefinitions $end\n"
        + "".join(f"#{n + 1} 1{code}\n" for n, code in enumerate(codes))
    )
    rows, _ = read(path, [f"p{n}" for n in range(20)])
    full = (1 << 20) - 1
    assert rows == [(n + 1, (2 << n) - 1, full & ~((2 << n) - 1)) for n in range(20)]


def test_two_pins_with_one_code(folder: Path) -> None:
    path = folder / "shared.vcd"
    path.write_text(
        "$timescale 1 us $end $var wire 1 ! a $end $var wire 1 ! b $end "
        "$enddefinitions $end\n0!\n#3\n1!\n#4\n1!\n#5\n0!\n"
    )
    assert read(path, ["a", "b"])[0] == [(0, 0, 0), (3, 3, 0), (5, 0, 0)]


def test_a_cut_anywhere_reads_up_to_it(folder: Path) -> None:
    body = '$dumpvars\n0!\nb1010 "\n$end\n#5\n1!\n#70\n0!\n$comment about it $end\n#345\n1!\n#346\n'
    path = folder / "cut.vcd"
    path.write_text(HEADER + body)
    whole, _ = read(path, ["a"])
    said = 0
    for cut in range(len(HEADER), len(HEADER) + len(body)):
        path.write_text((HEADER + body)[:cut])
        rows, reader = read(path, ["a"])
        assert rows == whole[: len(rows)]
        assert all("cut off" in trouble.detail for trouble in reader.line_errors)
        said += bool(reader.line_errors)
    assert said > len(body) / 3


@pytest.mark.parametrize(
    "body",
    [
        "0!\n#5\n1", "0!\n#", "0!\n#500\n1!\n#4", "0!\nb1", "0!\nb1 ", "0!\n$en", "0!\n$comment a",
        "0!\n#5\n$dumpall\n1!\n", "0!\n#5\nr1.5 ",
    ],
)  # fmt: skip
def test_a_cut_is_reported(folder: Path, body: str) -> None:
    rows, said = levels_of(folder, body)
    assert rows[0] == (0, "0")
    assert len(said) == 1
    assert "cut off" in said[0]


def test_a_code_that_may_go_on_is_not_taken_at_the_cut(folder: Path) -> None:
    path = folder / "longer.vcd"
    header = (
        "$timescale 1 us $end $var wire 1 ! a $end $var wire 1 !! c $end $enddefinitions $end\n"
    )
    path.write_text(header + "0! 0!! #5 1!")
    rows, reader = read(path, ["a"])
    assert rows == [(0, 0, 0)]
    assert "cut off" in reader.line_errors[0].detail


def test_time_that_runs_backwards_ends_the_reading(folder: Path) -> None:
    rows, said = levels_of(folder, "0!\n#100\n1!\n#99\n0!\n#200\n1!\n")
    assert rows == [(0, "0"), (100, "1")]
    assert said == ["line 5: time runs backwards, from #100 to #99; read up to there"]


@pytest.mark.parametrize("stamp", ["9999999999999999", "9" * 40])
def test_a_nonsense_time_ends_the_reading(folder: Path, stamp: str) -> None:
    rows, said = levels_of(folder, f"0!\n#100\n1!\n#{stamp}\n0!\n")
    assert rows == [(0, "0"), (100, "1")]
    assert len(said) == 1
    assert "line 5" in said[0]
    assert "31 years" in said[0]


def test_words_that_are_no_change_are_reported(folder: Path) -> None:
    rows, said = levels_of(folder, "0!\n#5\nwell\n1!\n#6x\n#7\n0!\n1\n")
    assert rows == [(0, "0"), (5, "1"), (7, "0")]
    assert said == [
        "line 4: 'well' is no value change; skipped",
        "line 6: '#6x' is no value change; skipped",
        "line 9: '1' is no value change; skipped",
    ]


def test_many_bad_words_are_counted(folder: Path) -> None:
    _, said = levels_of(folder, "0!\n" + "? \x1b[31m\n" * 300)
    assert len(said) == 11
    assert said[-1] == "590 more words that are not value changes"
    assert not any("\x1b" in line for line in said)


@given(
    numbers=st.lists(st.integers(0, 2**63 - 1), min_size=1, max_size=40), zeros=st.integers(0, 3)
)
def test_decimals(numbers: list[int], zeros: int) -> None:
    texts = ["0" * (zeros if n % 3 == 0 else 0) + str(n) for n in numbers]
    check_decimals(texts, numbers)


@given(start=st.integers(0, 10**17), steps=st.lists(st.integers(0, 10**7), min_size=30))
def test_decimals_that_grow_slowly(start: int, steps: list[int]) -> None:
    numbers = (start + np.cumsum(steps)).tolist()
    check_decimals([str(n) for n in numbers], numbers)


def check_decimals(texts: list[str], numbers: list[int]) -> None:
    text = " ".join(texts).encode()
    buffer = np.frombuffer(b"9" * PAD + text + b"9" * PAD, np.uint8).copy()
    lengths = np.array([len(t) for t in texts])
    end = PAD + np.cumsum(lengths + 1) - 1
    values, bad = decimals(buffer, end - lengths, end)
    assert bad is None
    assert values.tolist() == numbers


@given(st.lists(st.binary(min_size=1, max_size=20), min_size=1, max_size=20))
def test_decimals_tell_what_is_none(texts: list[bytes]) -> None:
    buffer = np.frombuffer(b"9" * PAD + b"".join(texts) + b"9" * PAD, np.uint8).copy()
    lengths = np.array([len(t) for t in texts])
    end = PAD + np.cumsum(lengths)
    _, bad = decimals(buffer, end - lengths, end)
    told = np.zeros(len(texts), bool) if bad is None else bad
    digits = [all(48 <= c <= 57 for c in t) for t in texts]
    assert (~told).tolist() == digits


def test_steps_of_time(folder: Path) -> None:
    """100 ns and #25 are 2.5 us; 1 us and #4294967296 are 4294.967296 s (W: wrap of 32 bits)."""
    path = folder / "steps.vcd"
    for text, tick, last_us in (("100 ns", 25, 2.5), ("1us", 2**32, 4294.967296e6)):
        path.write_text(
            f"$timescale\n\t{text}\n$end $var wire 1 ! a $end $enddefinitions $end\n0! #{tick} 1!\n"
        )
        header = read_header(path)
        rows, _ = read(path, ["a"])
        assert float(rows[-1][0] * header.tick_us) == last_us
        assert header.tick_us in (Fraction(1, 10), Fraction(1))

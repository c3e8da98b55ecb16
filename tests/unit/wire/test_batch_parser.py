"""Lines taken together give the very records that they give one by one."""

from __future__ import annotations

import functools
from typing import Any

import numpy as np
import pytest
from batches import reported_singly, troubles
from how_many import how_many
from hypothesis import given, settings
from hypothesis import strategies as st
from launch_engine import launch_engine

from rig.virtual.board import BoardSpec
from rig.virtual.rig import run
from rig.wire.line import LONGEST_NAME, encode, hexadecimal
from rig.wire.reader import FEW, MANY, MOST_REPORTED, LineReader
from rig.wire.records import MOST_CONTACTS, Batch, Note

PLAN = ["turn 150 at 150", "back 30 at 90", "foot", "turn 100 at 60"]


@functools.cache
def stream(clock_start_us: int = 0, count_start: int = 0) -> list[bytes]:
    """Lines of a virtual rig, their LF included."""
    board = BoardSpec(4096, 2, clock_start_us=clock_start_us, count_start=count_start)
    return run(PLAN, launch_engine(), 5, board=board).data.splitlines(keepends=True)


def records(batches: list[Batch]) -> tuple[list[str], ...]:
    """All rows and others, each in order, as text (NaN is not equal to itself)."""
    columns = [
        [repr(row) for batch in batches for row in getattr(batch, name).tolist()]
        for name in ("positions", "edges", "widths")
    ]
    others = [other for batch in batches for other in batch.others]
    counted = sorted(troubles(batches).items())
    return (*columns, [repr(other) for other in reported_singly(others)], [repr(counted)])


def read(data: bytes, step: int) -> tuple[tuple[list[str], ...], int]:
    reader = LineReader()
    batches: list[Batch] = []
    for start in range(0, len(data), step):
        batches += reader.feed(data[start : start + step])
    return records(batches + reader.finish()), reader.lines


def slow(lines: list[bytes]) -> tuple[tuple[list[str], ...], int]:
    """Line by line: so few are never taken together."""
    reader = LineReader()
    batches = [batch for line in lines for batch in reader.feed(line)]
    return records(batches + reader.finish()), reader.lines


def test_a_whole_stream() -> None:
    lines = stream()
    assert len(lines) > 10 * FEW
    assert read(b"".join(lines), 1 << 20) == slow(lines)


@pytest.mark.parametrize("near", [1_000_000, 2_500_000])
def test_clock_and_counts_that_wrap(near: int) -> None:
    lines = stream((1 << 32) - near, (1 << 31) - 700)
    assert read(b"".join(lines), 1 << 20) == slow(lines)
    assert any(f"({float(1 << 32)}" < row for row in slow(lines)[0][0])


def test_more_lines_than_are_taken_together() -> None:
    lines = [
        encode(
            "P",
            n & 0xFFFF,
            hexadecimal(20_000 * n),
            hexadecimal(7 * n),
            "0",
            "6",
            "30",
            "0",
            *(["1", hexadecimal(n)] if n % 3 else []),
        )
        for n in range(2 * MANY + 3)
    ]
    assert read(b"".join(lines), 1 << 24) == slow(lines)


ODD = st.sampled_from(
    [
        b"\n", b"x\n", b"#\n", b"P\n", b"P  1\n", b"y" * 200 + b"\n", b"\xff\x00\n",
        encode("R", 0, "4"), encode("I", 3, "2", "1000", "2", "later"), encode("Q", 9, "1"),
        encode("I", 3, "1", "1000", "2", "a b"), encode("P", 1, "5", "", "0", "0", "0", "0"),
        encode("P", 1, "000000005", "0", "0", "0", "0", "0"),
        encode("P", 1, "5", "0", "0", "0", "0", "0", "7"),
        encode("P", 1, "5", "0", "0", "0", "0", "0", "7", "2"),
        encode("P", 1, "5", "0", "0", "0", "0", "0", "7", "2", "1"),
        encode("C", 1, "0", "1", "5", "0", ".", ".", ".", "."),
        encode("C", 1, "1", "01", "5", "0", ".", ".", ".", "."),
        encode("C", 1, "1", "1", "5", "0", "+1", ".", ".", "."),
        encode("C", 1, "1", "1", "5", "0", ".", "+", ".", "."),
        encode("Z", 1, "1", "5", "0", ".", "5", ".", "."),
        encode("W", 1, "5", "0", "1", "2", "3", "4", "-1"),
    ]
)  # fmt: skip
CHANGE = st.tuples(
    st.sampled_from(["drop", "twice", "swap", "flip", "cr", "odd"]), st.integers(0), ODD
)


def changed(lines: list[bytes], changes: list[tuple[str, int, bytes]]) -> list[bytes]:
    lines = list(lines)
    for what, where, odd in changes:
        at = where % len(lines)
        if what == "drop":
            del lines[at]
        elif what == "twice":
            lines.insert(at, lines[at])
        elif what == "swap":
            lines[at - 1], lines[at] = lines[at], lines[at - 1]
        elif what == "flip":
            place = where // len(lines) % (len(lines[at]) - 1 or 1)
            byte = bytes([lines[at][place] ^ 1 << where % 7])
            lines[at] = lines[at][:place] + byte + lines[at][place + 1 :]
        elif what == "cr":
            lines[at] = lines[at][:-1] + b"\r\n"
        else:
            lines.insert(at, odd)
    return lines


@settings(max_examples=60)
@given(st.lists(CHANGE, max_size=12), st.integers(200, 40_000), st.booleans())
def test_whatever_stands_between(
    changes: list[tuple[str, int, bytes]], step: int, wraps: bool
) -> None:
    lines = changed(stream((1 << 32) - 1_500_000 if wraps else 0), changes)
    assert read(b"".join(lines), step) == slow(lines)


NUMBER = st.sampled_from([0, 1, 7, (1 << 31) - 1, 1 << 31, (1 << 32) - 1]) | st.integers(0, 1 << 32)
FIELD = NUMBER.map(lambda n: f"{n:X}")
LEVEL = st.sampled_from(["0", "1", "0", "1", "2"])
BESIDE = st.just(".") | st.tuples(st.sampled_from("+-"), FIELD).map("".join)
NEAR = st.lists(BESIDE, min_size=4, max_size=4) | st.lists(
    st.tuples(st.sampled_from("+-"), FIELD).map("".join), min_size=4, max_size=4
)


def line_of(kind: str, *parts: st.SearchStrategy[Any]) -> st.SearchStrategy[tuple[str, list[str]]]:
    """Kind and fields; ``TIME`` is put in where the lines are numbered."""

    def flat(drawn: tuple[Any, ...]) -> tuple[str, list[str]]:
        fields: list[str] = []
        for each in drawn:
            fields += each if isinstance(each, list) else [each]
        return kind, fields

    return st.tuples(*parts).map(flat)


TIME = st.just("time")
CONTACT = st.integers(0, MOST_CONTACTS + 1).map(lambda n: f"{n:X}")
NAME = st.text("ABCxyz019._+- ", min_size=0, max_size=LONGEST_NAME + 1)
RECORD = st.one_of(
    line_of("P", TIME, FIELD, FIELD, FIELD, FIELD, FIELD, st.just([]) | st.tuples(FIELD, FIELD)
            .map(list)),
    line_of("C", CONTACT, LEVEL, TIME, FIELD, NEAR),
    line_of("Z", LEVEL, TIME, FIELD, NEAR),
    line_of("W", TIME, *[FIELD] * 6),
    line_of("F", LEVEL, TIME),
    line_of("X", CONTACT, FIELD, TIME, TIME, FIELD, FIELD),
    line_of("H", TIME, st.sampled_from(["0", "1", "5"]) | FIELD, *[FIELD] * 4),
    line_of("I", st.sampled_from(["1", "1", "2"]), FIELD, CONTACT, NAME),
    line_of("R", FIELD),
    line_of("Q", FIELD),
)  # fmt: skip


@st.composite
def streams(draw: st.DrawFn) -> list[bytes]:
    """Lines of all kinds with any fields, in good order, long runs of the common kinds in them."""
    position = encode("P", 0, "1", "0", "0", "0", "0", "0")
    lines, t_us = [position], draw(st.sampled_from([2, (1 << 32) - 200_000]))
    for kind, fields in draw(st.lists(RECORD, min_size=FEW, max_size=4 * FEW)):
        t_us += draw(st.integers(0, 30_000))
        told = [hexadecimal(t_us) if each == "time" else each for each in fields]
        number = 0 if kind == "R" else len(lines) & 0xFFFF
        try:
            lines.append(encode(kind, number, *told))
        except ValueError:  # longer than a line may be
            continue
    return lines


@settings(max_examples=15)
@given(streams())
def test_all_records_with_any_fields(lines: list[bytes]) -> None:
    assert read(b"".join(lines), 1 << 20) == slow(lines)


@pytest.mark.slow
@settings(max_examples=how_many(40))
@given(streams())
def test_many_records_with_any_fields(lines: list[bytes]) -> None:
    assert read(b"".join(lines), 1 << 20) == slow(lines)


def test_sound_lines_with_wrong_numbers_take_no_long_time() -> None:
    line = encode("P", 7, "5", "0", "0", "0", "0", "0")
    found, lines = read(line * 5000, 1 << 24)
    assert lines == 5000
    assert len(found[0]) == 1
    assert len(found[3]) == MOST_REPORTED
    assert found[4] == ["[('repeat', 4999)]"]


@settings(max_examples=20)
@given(st.lists(st.integers(0, 300), max_size=6))
def test_notes_of_the_host_keep_their_places(places: list[int]) -> None:
    lines = stream()[:300]
    notes = [(at, Note(0.0, f"n{k}", {})) for k, at in enumerate(sorted(places))]
    together = LineReader().feed(b"".join(lines), notes)
    reader = LineReader()
    found: list[Batch] = []
    for at in range(len(lines) + 1):
        found += [
            Batch(others=[Note(reader.now_us, note.name, {})]) for k, note in notes if k == at
        ]
        found += reader.feed(lines[at]) if at < len(lines) else []
    assert records(together) == records(found)
    assert np.all([batch.positions["t_us"] >= 0 for batch in together if len(batch.positions)])

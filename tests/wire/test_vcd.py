"""Dumps are read right in any layout, cut anywhere."""

from __future__ import annotations

import io
import re
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from slow_dump import Dump, dumps, slow_rows

from rig.faults import InputError
from rig.wire.vcd import read_header
from rig.wire.vcd_body import BodyReader, Rows

HEADER = "$timescale 1 us $end $scope module rig $end {} $upscope $end $enddefinitions $end\n"
PIN = "$var wire 1 ! a $end"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("dumps")


def rows_of(path: Path, names: list[str], chunk: int = 1 << 19) -> tuple[list[tuple[int, ...]], BodyReader]:
    header = read_header(path)
    reader = BodyReader(header, [header.pin(name) for name in names], chunk)
    got: list[Rows] = list(reader.rows())
    return [
        (int(t), int(levels), int(unknown))
        for rows in got
        for t, levels, unknown in zip(*rows, strict=True)
    ], reader


def levels_of(path: Path, body: str, header: str = HEADER.format(PIN)) -> list[tuple[int, ...]]:
    path.write_bytes((header + body).encode())
    return rows_of(path, ["a"])[0]


@settings(max_examples=300, deadline=None)
@given(dump=st.one_of(dumps(), dumps(plain=True)), chunk=st.integers(1, 400))
def test_any_layout_cut_anywhere(folder: Path, dump: Dump, chunk: int) -> None:
    path = folder / "any.vcd"
    path.write_bytes(dump.header + dump.body)
    expected, end = slow_rows(dump.body, dump.codes)
    if end > 10**24:
        return
    got, reader = rows_of(path, dump.names, chunk)
    assert got == expected
    assert reader.end_tick == end
    whole, other = rows_of(path, dump.names)
    assert whole == expected
    assert other.troubles == reader.troubles

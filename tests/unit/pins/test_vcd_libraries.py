"""Dumps written by one library and parsed by another give what this reader gives."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from vcd import VCDWriter
from vcdvcd import VCDVCD

from rig.pins.vcd_body import BodyReader
from rig.pins.vcd_header import read_header
from rig.wire.records import LineError

NAMES = ["a", "b", "z", "contact1"]
STORIES = st.lists(
    st.tuples(st.integers(1, 10**6), st.sampled_from(NAMES), st.sampled_from("01xz")), max_size=60
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("libraries")


@settings(max_examples=60, deadline=None)
@given(story=STORIES, timescale=st.sampled_from(["1 us", "100 ns", "1 ps"]), extra=st.booleans())
def test_written_and_parsed_by_others(
    folder: Path, story: list[tuple[int, str, str]], timescale: str, extra: bool
) -> None:
    path = folder / "written.vcd"
    with path.open("w") as file, VCDWriter(file, timescale=timescale, date="d") as writer:
        wires = {
            name: writer.register_var("top.rig", name, "wire", size=1, init=0) for name in NAMES
        }
        bus = writer.register_var("top", "bus", "integer", size=16, init=0)
        number = writer.register_var("top", "number", "real", init=0.0)
        now = 0
        for wait, name, value in story:
            now += wait
            writer.change(wires[name], now, value)
            if extra:
                writer.change(bus, now, now % 65536)
                writer.change(number, now, now / 7)
    parsed = VCDVCD(str(path))
    header = read_header(path)
    for name in NAMES:
        errors: list[LineError] = []
        reader = BodyReader(header, [header.pin(name)], errors.append, 100)
        mine = [
            (int(tick), "?" if dark else str(level))
            for rows in reader.rows()
            for tick, level, dark in zip(*rows, strict=True)
        ]
        theirs: list[tuple[int, str]] = []
        for tick, value in parsed[f"top.rig.{name}"].tv:
            level = value if value in "01" else "?"
            if not theirs or theirs[-1][1] != level:
                theirs.append((tick, level))
        assert mine == theirs
        assert errors == []

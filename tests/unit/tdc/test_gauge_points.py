"""Gauge points as people write them down."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.base.errors import InputError
from rig.tdc.gauge_points import load_points, points_from_text


@pytest.mark.parametrize(
    "text",
    [
        "141.2 3.5\n148.65 2.0\n",
        "141.2, 3.5\n148.65, 2.0\n",
        "141.2,3.5\n148.65,2.0\n",
        "141.2;3.5\n148.65;2.0\n",
        "141,2; 3,5\n148,65; 2,0\n",
        "141,2 3,5\n148,65 2,0\n",
        "141.2\t3.5\n\n148.65\t2.0  # read twice\n",
        "# a series\nafter_index_deg, lift_mm\n141.2, 3.5\n148.65, 2.0\n",
        "lift_mm; after_index_deg\n3.5; 141.2\n2.0; 148.65\n",
        '"crank_deg";"lift_mm"\n141.2;3.5\n148.65;2.0\n',
        "\ufeff141.2 3.5\r\n148.65 2.0\r\n",
    ],
)
def test_every_common_way_of_writing(tmp_path: Path, text: str) -> None:
    file = tmp_path / "points.csv"
    file.write_bytes(text.encode("utf-8"))
    points = load_points(file)
    assert [(p.angle_deg, p.drop_mm) for p in points] == [(141.2, 3.5), (148.65, 2.0)]


def test_inches_are_taken_exactly() -> None:
    """1 in = 25.4 mm exactly (definition)."""
    by_heading = points_from_text("crank_deg lift_in\n10 0.125\n", "points")
    by_option = points_from_text("10 0.125\n", "points", "inch")
    assert by_heading == by_option
    assert by_heading[0].drop_mm == pytest.approx(3.175)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "no gauge point"),
        ("# nothing\n", "no gauge point"),
        ("141.2 3.5\nabout 150 2\n", "line 2"),
        ("141.2\n", "line 1"),
        ("36,5,2,10\n", "semicolon"),
        ("angle, lift\n1, 2\n", "heading"),
        ("141.2 nan\n", "line 1"),
        ("1e99 2.0\n", "line 1"),
        ("lift_mm crank_deg lift_in\n1 2 3\n", "heading"),
    ],
)
def test_what_makes_no_sense_is_reported(text: str, said: str) -> None:
    with pytest.raises(InputError, match=said):
        points_from_text(text, "points.csv")


def test_a_heading_and_an_option_that_contradict(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="lift_mm"):
        points_from_text("crank_deg lift_mm\n1 2\n", "points.csv", "inch")


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        load_points(tmp_path / "none.csv")
    binary = tmp_path / "points.csv"
    binary.write_bytes(b"12.0 \xff\xfe")
    with pytest.raises(InputError, match="UTF-8"):
        load_points(binary)
    binary.write_bytes(b"1 2\n" * 2000)
    with pytest.raises(InputError, match="at most 1000"):
        load_points(binary)
    binary.write_bytes(b" " * 1_100_000)
    with pytest.raises(InputError, match="1000000 bytes"):
        load_points(binary)


@given(st.text(max_size=200))
def test_any_text_is_read_or_refused(text: str) -> None:
    said = ""
    try:
        points = points_from_text(text, "points")
    except InputError as why:
        points, said = [], str(why)
    assert bool(points) != bool(said)
    assert said.isprintable()

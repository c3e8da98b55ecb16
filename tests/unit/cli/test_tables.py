"""Tables that commands print."""

from __future__ import annotations

import io
import math
import unicodedata
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len
from screen_states import HOSTILE

from rig.base.uncertainty import Contribution, Source, Uncertainty
from rig.cli.output import shown_lines, table_lines
from rig.cli.results import assessment_lines, reading_lines
from rig.signal.events import Reason, Rejection
from rig.timing.values import Assessment, Comparison, Mark, Reading
from rig.words.assessments import MARKS, RULES

# W3: repeatability 0.12/sqrt(10), TDC 0.05 of 4, encoder 0.15/sqrt(12); JCGM 100 G.4.1.
W3 = Uncertainty(
    0.076256,
    14.6146,
    2.1448,
    0.163554,
    (
        Contribution(Source.REPEATABILITY, 0.037947, 9.0, "A", "s 0.12 of 10 readings"),
        Contribution(Source.TDC, 0.05, 3.0, "A", "4 touches"),
        Contribution(Source.COUNTING, 0.043301, math.inf, "B", "0.15/sqrt(12)"),
    ),
)
JUDGED = Assessment(
    "upper", "full advance", 1, "as left", "turned", 6, 36.223, 0.066, W3, 37.0, 36.0, 35.0,
    "inside", "inside", "guarded",
    (Mark.STROKE_NOT_ENTERED,),
)  # fmt: skip
OPEN = Assessment(
    "lower", "full retard", None, "as found", "impulse", 1, -4.0, None, None, None, None, None,
    "inconclusive", "no window set", "guarded",
)  # fmt: skip
COMPARED = Comparison("upper", "lower", "full advance", None, 0.313, W3, 0.0, 1.0, "inside")


def fits(lines: list[str]) -> bool:
    return all(cell_len(line) <= 80 and line == line.rstrip() for line in lines)


def test_a_unit_is_a_heading_and_a_table() -> None:
    own = [replace(JUDGED, cylinder=None), JUDGED, replace(JUDGED, cylinder=3)]
    lines = assessment_lines(own)
    assert lines[:4] == [
        "upper, full advance, as left: inside",
        "  window 37° BTDC to 35° BTDC",
        "  cyl.  n         mean  U, °  SD, °  verdict",
        "  all   6  36.22° BTDC  0.16  0.066  inside",
    ]
    assert f"  {MARKS[Mark.STROKE_NOT_ENTERED]}" in lines
    assert lines[-1] == RULES["guarded"]
    assert fits(lines[:-1])


def test_what_was_not_turned_has_no_verdict() -> None:
    lines = assessment_lines([OPEN])
    assert lines[0] == "lower, full retard, as found, impulse coupling"
    assert "  window none set" in lines
    assert "4.00° ATDC" in lines[3]


def test_windows_that_differ_have_a_column() -> None:
    own = [JUDGED, replace(JUDGED, cylinder=2, earliest_btdc=36.5, latest_btdc=34.5)]
    lines = assessment_lines(own)
    assert "37° BTDC to 35° BTDC" in lines[2]
    assert "36.5° BTDC to 34.5° BTDC" in lines[3]
    assert fits(lines[:-1])


def test_a_row_says_how_far_it_is_out() -> None:
    late = replace(JUDGED, mean_btdc=34.56, verdict="outside")
    lines = assessment_lines([JUDGED, replace(late, cylinder=2)])
    assert lines[0] == "upper, full advance, as left: late by 0.44°: cylinder 2"
    assert lines[4].endswith("late by 0.44°")


def test_columns_line_up_and_lines_end_without_space() -> None:
    lines = table_lines(
        ("name", "n"), [("a", "1"), ("漢字", "100"), ("longer name", "22")], numeric={1}
    )
    assert {cell_len(line) for line in lines} == {2 + len("longer name") + 2 + 3}
    assert all(line == line.rstrip() for line in lines)


def test_a_pair_is_a_heading_and_a_table() -> None:
    lines = assessment_lines([], [COMPARED, replace(COMPARED, cylinder=2)])
    assert lines == [
        "upper earlier than lower, full advance, nominal 0° ±1°",
        "  cyl.     by  U, °  verdict",
        "  all   0.31°  0.16  inside",
        "  2     0.31°  0.16  inside",
    ]


def test_openings_say_what_is_rejected() -> None:
    good = Reading("upper", "fixed", 1, 0, 36.2, 323.8, 1.25, None)
    bad = Reading("upper", "fixed", 1, 0, -4.0, 4.0, 2.5, Rejection(Reason.BACKWARDS),
                  wrong_stroke=True)  # fmt: skip
    lines = reading_lines([good, bad])
    assert lines[1].endswith("36.20° BTDC")
    assert lines[2].endswith("4.00° ATDC")
    assert lines[3] == "      rejected: the crank went backwards, one crank turn out"
    assert len(lines) == 4


WORD = st.text(st.sampled_from("aé漢字°-5"), min_size=1, max_size=3)
CELL = st.lists(WORD, max_size=20).map(" ".join)


@given(
    st.integers(1, 7).flatmap(
        lambda n: st.lists(st.lists(CELL, min_size=n, max_size=n), min_size=1, max_size=3)
    ),
    st.sets(st.integers(0, 6)),
)
@settings(deadline=None, max_examples=30)
def test_every_table_fits_80_columns_and_loses_nothing(
    rows: list[list[str]], numeric: set[int]
) -> None:
    lines = table_lines(rows[0], rows[1:], numeric)
    assert fits(lines)
    shown = sorted(character for line in lines for character in line if character != " ")
    assert shown == sorted(c for row in rows for cell in row for c in cell if c != " ")


@given(st.sampled_from(HOSTILE))
@settings(deadline=None)
def test_hostile_text_steers_nothing(text: str) -> None:
    for line in table_lines((text, "n"), [(text, text)]):
        assert all(unicodedata.category(character)[0] != "C" for character in line)


class Terminal(io.StringIO):
    """Text kept, and said to be a terminal."""

    encoding = "utf-8"

    def isatty(self) -> bool:
        return True


def test_long_lines_are_wrapped_on_a_terminal_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    long = f"  cyl. 2: {' '.join(['words of a sentence'] * 12)}"
    monkeypatch.setenv("COLUMNS", "80")
    assert shown_lines([long]) == [long]
    monkeypatch.setattr("sys.stdout", Terminal())
    lines = shown_lines([long])
    assert fits(lines)
    assert " ".join(" ".join(lines).split()) == " ".join(long.split())

"""Tables that commands print."""

from __future__ import annotations

import io
import math
import re
import unicodedata
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len
from screen_states import HOSTILE

from rig.base.uncertainty import Contribution, Source, Uncertainty
from rig.cli.output import (
    Table,
    comparison_table,
    judgement_table,
    plain_lines,
    reading_table,
    show,
)
from rig.signal.events import Reason, Rejection
from rig.timing.values import Assessment, Comparison, Mark, Reading
from rig.words.assessments import MARKS

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
    "inside", "inside", "0.22° early, inside", "guarded: the window less the uncertainty", "",
    (Mark.STROKE_NOT_STATED,),
)  # fmt: skip
OPEN = Assessment(
    "lower", "full retard", None, "as found", "impulse", 1, -4.0, None, None, None, None, None,
    "inconclusive", "no window set", "", "guarded: the window less the uncertainty",
    "two more readings would settle it",
)  # fmt: skip
COMPARED = Comparison("upper", "lower", "full advance", None, 0.313, W3, 0.0, 1.0, "inside",
                      "upper opens 0.31° before lower")  # fmt: skip


class Terminal(io.StringIO):
    """Text kept, and said to be a terminal."""

    encoding = "utf-8"

    def isatty(self) -> bool:
        return True


def test_judgements() -> None:
    lines = plain_lines(judgement_table([JUDGED, OPEN]))
    assert lines[0] == "Assessment"
    assert lines[1].split() == [
        "unit", "setting", "cylinder", "phase", "n", "mean", "within", "spread", "window",
        "verdict", "in", "words",
    ]  # fmt: skip
    for words in ("36.22° BTDC", "±0.16°", "0.066", "37° BTDC to 35° BTDC", "as left",
                  "0.22° early, inside, firing TDC not entered"):  # fmt: skip
        assert words in lines[2]
    for words in ("4.00° ATDC", "none set", "inconclusive", "impulse"):
        assert words in lines[3]
    assert lines[4:] == [
        "guarded: the window less the uncertainty",
        "lower, full retard, cylinder –: two more readings would settle it",
    ]


def test_columns_line_up_and_lines_end_without_space() -> None:
    table = Table("", ("name", "n"), (("a", "1"), ("漢字", "100"), ("longer name", "22")),
                  frozenset({1}))  # fmt: skip
    lines = plain_lines(table)
    assert {cell_len(line) for line in lines} == {len("longer name") + 2 + 3}
    assert all(line == line.rstrip() for line in lines)


def test_comparison() -> None:
    text = "\n".join(plain_lines(comparison_table([COMPARED])))
    for words in ("upper against lower", "0.31°", "±0.16°", "0° ±1°", "all", "inside"):
        assert words in text


def test_openings_say_what_is_rejected() -> None:
    good = Reading("upper", "fixed", 1, 0, 36.2, 323.8, 1.25, None)
    bad = Reading("upper", "fixed", 1, 0, -4.0, 4.0, 2.5, Rejection(Reason.BACKWARDS),
                  wrong_stroke=True)  # fmt: skip
    lines = plain_lines(reading_table([good, bad]))
    assert "36.20° BTDC  yes" in lines[2]
    assert "4.00° ATDC  no     the crank went backwards, one crank turn out" in lines[3]


def test_a_terminal_gets_rules_and_colour_unless_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.setenv("COLUMNS", "200")
    monkeypatch.delenv("NO_COLOR", raising=False)
    out = Terminal()
    show(judgement_table([JUDGED]), out)
    assert "38;5;33" in out.getvalue()
    assert "──" in out.getvalue()
    monkeypatch.setenv("NO_COLOR", "1")
    out = Terminal()
    show(judgement_table([JUDGED]), out)
    assert "38;5" not in out.getvalue()
    assert "36.22° BTDC" in out.getvalue()


def test_anything_else_gets_plain_lines() -> None:
    out = io.StringIO()
    show(judgement_table([JUDGED]), out)
    assert out.getvalue().splitlines() == plain_lines(judgement_table([JUDGED]))
    assert "\x1b" not in out.getvalue()


@given(st.sampled_from(HOSTILE))
@settings(deadline=None)
def test_hostile_text_steers_nothing(text: str) -> None:
    table = Table(text, (text, "n"), ((text, text),), notes=(text,))
    for line in plain_lines(table):
        assert all(unicodedata.category(character)[0] != "C" for character in line)
    out = Terminal()
    show(table, out)
    left = re.sub(r"\x1b\[[0-9;]*m", "", out.getvalue())
    assert all(c == "\n" or unicodedata.category(c)[0] != "C" for c in left)
    if "[bold" in text:
        assert "[bold red]" in left


def test_what_the_words_say_is_not_said_again_as_a_mark() -> None:
    judged = replace(
        JUDGED,
        words="1.4 degrees early, firing TDC not entered",
        marks=(Mark.STROKE_NOT_STATED, Mark.PAPER_MEANT),
    )
    (row,) = judgement_table([judged]).rows
    assert row[-1] == f"1.4 degrees early, firing TDC not entered, {MARKS[Mark.PAPER_MEANT]}"
    impulse = replace(
        OPEN,
        kind="impulse",
        words="29.97 degrees late, impulse coupling engaged",
        marks=(Mark.IMPULSE_COUPLING,),
    )
    (row,) = judgement_table([impulse]).rows
    assert row[-1] == "29.97 degrees late, impulse coupling engaged"

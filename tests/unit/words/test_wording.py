"""Angles in words, and text made harmless."""

from __future__ import annotations

import unicodedata

from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from rig.base.escape import LIMIT, _harmless, clean
from rig.live.canvas import Canvas, Ink
from rig.words.figures import clock, degrees, number


def test_numbers() -> None:
    assert degrees(1.4) == "1.4°"
    assert degrees(None) == number(float("nan")) == "–"
    assert number(-0.001, 2) == "0.00"
    assert number(-0.01, 2) == "-0.01"


def test_elapsed_time() -> None:
    assert [clock(s) for s in (0.0, 59.9, 247.0, 3847.0, float("nan"))] == [
        "0:00", "0:59", "4:07", "1:04:07", "0:00",
    ]  # fmt: skip


@given(st.text(), st.booleans())
def test_clean_text_steers_nothing(text: str, unicode: bool) -> None:
    safe = clean(text, unicode)
    assert all(unicodedata.category(character)[0] != "C" for character in safe)
    assert "\n" not in safe
    assert unicode or safe.isascii()
    assert clean(safe, unicode) == safe or len(safe) > LIMIT


@given(st.text(st.characters(max_codepoint=0x2FF)))
def test_what_is_printable_below_the_marks_is_harmless(text: str) -> None:
    if text.isprintable():
        assert _harmless(text) == list(text)


def test_clean_keeps_what_names_are_written_with() -> None:
    for name in ("Überholung", "arrière", "ошибка", "点火装置", "ひ", "[oben]", "a<b>&c"):
        assert clean(name) == name


def test_clean_drops_piled_up_marks() -> None:
    assert len(clean("a" + "\u0336" * 100)) <= 3


def test_without_unicode_the_trade_s_signs_are_spelt() -> None:
    assert clean("36.2° BTDC ±0.1°", unicode=False) == "36.2 deg BTDC +/-0.1 deg"
    assert clean("Überholung", unicode=False) == "Uberholung"


@given(st.lists(st.tuples(st.integers(-3, 12), st.integers(-1, 3), st.text(max_size=8))))
def test_a_canvas_stays_as_wide_as_it_is(texts: list[tuple[int, int, str]]) -> None:
    """Characters of two places are overwritten half and whole without shifting a line."""
    canvas = Canvas(10, 3, Ink())
    for x, y, text in [*texts, (0, 0, "漢字漢字漢"), (1, 0, "a"), (4, 0, "字"), (9, 1, "漢")]:
        canvas.put(x, y, text)
    assert [cell_len(line) for line in canvas.frame().plain()] == [10, 10, 10]


@given(st.text(max_size=60), st.integers(1, 20), st.integers(0, 4))
def test_wrapped_text_fits(text: str, width: int, rows: int) -> None:
    lines = Canvas(30, 5, Ink()).wrap(text, width, rows)
    assert len(lines) <= rows
    assert all(cell_len(line) <= width for line in lines)

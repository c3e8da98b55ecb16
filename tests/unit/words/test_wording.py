"""Angles in words, and text made harmless."""

from __future__ import annotations

import unicodedata
from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len
from sample_engines import nine, readings, reference
from screen_states import BOTH

from rig.base.escape import LIMIT, _harmless, clean
from rig.live.text import Frame, Pen, beside, ends, fitted
from rig.timing.assess import assess
from rig.words.assessments import comparison_words, places_words
from rig.words.figures import clock, degrees, number


def test_numbers() -> None:
    assert degrees(1.4) == "1.4°"
    assert degrees(None) == number(float("nan")) == "–"
    assert number(-0.001, 2) == "0.00"
    assert number(-0.01, 2) == "-0.01"


def test_degrees_that_do_not_count_from_a_cylinders_own_tdc_are_said_to() -> None:
    """A link rod puts a TDC up to some 5 degrees from its place in the firing order (geometry)."""
    job = nine()
    engine, read = (
        job.engine,
        [each for c in (1, 3, 5) for each in readings([36.0] * 3, cylinder=c)],
    )
    judged = assess(read, job, reference())
    assert places_words(judged, engine, reference()) == []
    linked = replace(engine, master_cylinder=1)
    assert places_words(judged, linked, reference()) == [
        "cylinders 3 and 5: degrees BTDC are counted from their places in the firing order, not"
        " from their own TDCs, which are not entered"
    ]
    assert places_words(judged, replace(linked, entered_tdc_deg={3: 81.7}), reference()) == [
        "cylinder 5: degrees BTDC are counted from its place in the firing order, not from its own"
        " TDC, which is not entered"
    ]


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


@given(st.text(max_size=30), st.text(max_size=30), st.integers(1, 24))
def test_lines_are_as_wide_as_they_have_to_be(one: str, other: str, width: int) -> None:
    """Characters of two places are cut whole, and never shift what stands beside them."""
    pen = Pen()
    assert fitted(pen.text(one), width).cell_len == width
    whole = [pen.text("x"), *beside([pen.text(one)], [pen.text(other)], 8),
             ends(pen.text(one), pen.text("y"), 12)]  # fmt: skip
    frame = Frame.of(whole, width, 6, colour=True, unicode=True)
    assert [cell_len(line) for line in frame.plain()] == [width] * 6


@given(st.text(max_size=60), st.integers(2, 20))
def test_wrapped_text_fits_and_is_whole(text: str, width: int) -> None:
    lines = Pen().wrap(width, text)
    assert all(line.cell_len <= width for line in lines)
    assert "".join("".join(line.plain for line in lines).split()) == "".join(clean(text).split())


def test_a_pair_has_the_worst_verdict_of_its_cylinders_on_the_screen() -> None:
    """As on the certificate: no "inside" over all above a cylinder that is outside."""
    whole = replace(BOTH, difference_deg=0.42, verdict="inside")
    own = [replace(whole, cylinder=n, verdict="outside") for n in (5, 8)]
    assert comparison_words([whole]) == "upper 0.42° before lower: inside"
    assert comparison_words([whole, *own]) == (
        "upper 0.42° before lower: outside: cylinders 5 and 8"
    )
    one = replace(own[0], verdict="inconclusive")
    assert comparison_words([whole, one]).endswith("lower: inconclusive: cylinder 5")
    assert comparison_words([BOTH, *own]) == "upper 1.66° before lower: outside by 0.66°"

"""Text and figures as they go to paper."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.record import ink


@given(st.text())
def test_nothing_unseen_is_left(text: str) -> None:
    shown = ink.visible(text)
    assert all(unicodedata.category(each)[0] not in "C" for each in shown)
    assert len(shown) <= ink.LONGEST_TEXT * len("[U+10FFFF]")


@given(st.text(alphabet="<>&\"'ab\x1b\u202e", max_size=40))
def test_no_markup_is_left(text: str) -> None:
    inner = ink.ink(text).removeprefix("<bdi>").removesuffix("</bdi>")
    assert not set(inner) & set("<>\"'")


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("\x1b[2J", "[U+001B][2J"),
        ("a\u202egnp", "a[U+202E]gnp"),
        ("zero\u200bwidth", "zero[U+200B]width"),
        ("two\nlines\tand\u00a0more", "two lines and more"),
        ("\ud800", "[U+D800]"),
        ("Zündung 36°", "Zündung 36°"),
    ],
)
def test_the_unseen_is_spelt_out(text: str, shown: str) -> None:
    assert ink.visible(text) == shown


def test_long_text_is_cut() -> None:
    assert len(ink.visible("x" * 1000)) == ink.LONGEST_TEXT


@pytest.mark.parametrize(
    ("btdc_deg", "U_deg", "digits", "side"),
    [
        (36.1234, 0.1636, "36.12", "BTDC"),
        (-4.04, 0.16, "4.04", "ATDC"),
        (36.26, 1.4, "36.3", "BTDC"),
        (-0.001, 0.2, "0.00", "BTDC"),
        (36.1234, 0.004, "36.12", "BTDC"),
        (36.1234, None, "36.12", "BTDC"),
    ],
)
def test_an_opening_in_the_words_of_the_trade(
    btdc_deg: float, U_deg: float | None, digits: str, side: str
) -> None:
    assert ink.opening(btdc_deg, U_deg) == (digits, side)


def test_a_difference_bears_its_sign() -> None:
    assert ink.difference(0.171, 0.1) == "+0.17"
    assert ink.difference(-0.171, 0.1) == "−0.17"


def test_what_was_stated_stays_as_it_was_stated() -> None:
    assert [ink.stated(each) for each in (36.0, 35.25, 0.0)] == ["36°", "35.25°", "0°"]


def test_figures_that_are_none_are_shown_as_such() -> None:
    assert ink.figure(float("nan")) == "?"
    assert ink.spread(float("inf")) == "∞"


def test_a_fingerprint_in_groups() -> None:
    assert ink.grouped("0123456789abcdef0") == "01234567 89abcdef 0"

"""Text and figures as they go to paper."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.base import escape
from rig.words import figures


@given(st.text())
def test_nothing_unseen_is_left(text: str) -> None:
    shown = escape.visible(text)
    assert all(unicodedata.category(each)[0] not in "C" for each in shown)
    assert len(shown) <= escape.LONGEST_TEXT * len("[U+10FFFF]")


@given(st.text(alphabet="<>&\"'ab\x1b\u202e", max_size=40))
def test_no_markup_is_left(text: str) -> None:
    inner = escape.ink(text).removeprefix("<bdi>").removesuffix("</bdi>")
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
    assert escape.visible(text) == shown


def test_long_text_is_cut() -> None:
    assert len(escape.visible("x" * 1000)) == escape.LONGEST_TEXT


def test_what_was_entered_stays_as_it_was_entered() -> None:
    assert [figures.entered(each) for each in (36.0, 35.25, 0.0)] == ["36°", "35.25°", "0°"]


def test_a_fingerprint_in_groups() -> None:
    assert figures.grouped("0123456789abcdef0") == "01234567 89abcdef 0"

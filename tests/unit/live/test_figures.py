"""Words and figures in large letters."""

from __future__ import annotations

from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.live.text import HEIGHT, Size, blocks

SIZES: tuple[Size, ...] = ("small", "large")
LETTERS = "0123456789.-ACDEILNORSTUVY"


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("unicode", [True, False])
def test_every_figure_is_its_own(size: Size, unicode: bool) -> None:
    pictures = {character: blocks(character, size, unicode) for character in LETTERS}
    for one, other in combinations(pictures, 2):
        if {one, other} == {"0", "O"}:  # the same stroke in any hand
            continue
        assert pictures[one] != pictures[other], (one, other)
    for picture in pictures.values():
        assert len(picture) == HEIGHT[size]
        assert len({len(line) for line in picture}) == 1


@pytest.mark.parametrize("size", ["large"])
def test_any_two_digits_differ_in_several_places(size: Size) -> None:
    """From two metres one place is not seen."""
    for one, other in combinations("0123456789", 2):
        pairs = zip("".join(blocks(one, size)), "".join(blocks(other, size)), strict=True)
        assert sum(a != b for a, b in pairs) >= 3, (one, other)


@given(st.text(LETTERS, min_size=1, max_size=7), st.sampled_from(SIZES), st.booleans())
def test_figures_stand_side_by_side(text: str, size: Size, unicode: bool) -> None:
    lines = blocks(text, size, unicode)
    start = 0
    for character in text:
        own = blocks(character, size, unicode)
        assert tuple(line[start : start + len(own[0])] for line in lines) == own
        start += len(own[0]) + 1
    assert start == len(lines[0]) + 1


@pytest.mark.parametrize("size", SIZES)
def test_ascii_figures_are_ascii(size: Size) -> None:
    assert all(line.isascii() for line in blocks(LETTERS, size, unicode=False))


def test_unknown_characters_are_refused() -> None:
    with pytest.raises(KeyError):
        blocks("q", "small")

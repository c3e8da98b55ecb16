"""How well an angle is known, as it is typed. A length is laid round the rim: checks R1 and R3."""

from __future__ import annotations

import math
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.base.errors import InputError
from rig.engine.windows import typed_within


@pytest.mark.parametrize(
    ("text", "deg"),
    [
        ("0.5", 0.5),
        ("0,5", 0.5),
        (" 1 ", 1.0),
        ("0.25 deg", 0.25),
        ("2°", 2.0),
        ("1/2 degrees", 0.5),
    ],
)
def test_degrees_need_no_rim(text: str, deg: float) -> None:
    found = typed_within(text, None)
    assert found.deg == deg
    assert (found.words, found.of_rim) == (f"{deg:g}°", False)


@pytest.mark.parametrize(
    ("text", "rim_mm", "deg"),
    [
        ("78.539816 mm", 300.0, 30.0),  # R1: arc = pi D b / 360
        ("2 1/2 in", 304.8, 23.873241),  # R3: 63.5 mm
        ("2.5in", 304.8, 23.873241),
        ('2.5"', 304.8, 23.873241),
    ],
)
def test_a_length_is_laid_round_the_rim(text: str, rim_mm: float, deg: float) -> None:
    found = typed_within(text, rim_mm)
    assert found.deg == pytest.approx(deg, abs=1e-6)
    assert found.of_rim
    assert found.words.startswith(f"{deg:.3g}° (")
    assert found.words.endswith(f" round a rim of {rim_mm:g} mm)")


def test_a_length_without_a_rim_says_what_to_state() -> None:
    with pytest.raises(InputError, match=r"rim_diameter_mm .* under \[engine\], or degrees"):
        typed_within("2 mm", None)


@pytest.mark.parametrize("text", ["", "about one", "0", "-1", "181", "nan", "1 cm", "1/0", "1..2",
                                  "9" * 41, "1 mm 2"])  # fmt: skip
def test_what_is_no_limit_is_refused(text: str) -> None:
    with pytest.raises(InputError):
        typed_within(text, 300.0)
    with pytest.raises(InputError, match="half way round"):
        typed_within("500 mm", 300.0)


@given(st.text(max_size=50), st.sampled_from([None, 300.0]))
def test_any_text_is_a_limit_or_is_refused(text: str, rim_mm: float | None) -> None:
    with suppress(InputError):
        found = typed_within(text, rim_mm)
        assert 0.0 < found.deg <= 180.0
        assert math.isfinite(found.deg)

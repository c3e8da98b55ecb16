"""How figures are stated: digits, sides, turns, counts.

Source of the rule of two figures, and of rounding the value to the last place of its uncertainty:
JCGM 100:2008, 7.2.6.
"""

from __future__ import annotations

import ast
import itertools
import math
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import rig
from rig.base import rounding
from rig.base.angles import wrap
from rig.base.uncertainty import Contribution, Source, combine
from rig.words.assessments import few_readings

ROOT = Path(rig.__file__).parent


@pytest.mark.parametrize(
    ("value", "U", "shown"),
    [
        (36.2345, 0.1636, ("36.23", "0.16")),
        (36.2345, 1.34, ("36.2", "1.3")),
        (36.2345, 12.6, ("36", "13")),
        (136.2345, 126.0, ("140", "130")),
        (36.2345, 0.0234, ("36.235", "0.023")),
        (36.2345, 0.0049, ("36.2345", "0.0049")),
        (36.23456, 0.0004, ("36.23456", "0.00040")),
        (36.2345, 0.996, ("36.2", "1.0")),
        (36.2345, 9.96, ("36", "10")),
        (36.2345, 0.0996, ("36.23", "0.10")),
        (36.235, 0.10, ("36.24", "0.10")),
        (36.2345, 0.1049, ("36.23", "0.10")),
        (36.2345, 0.105, ("36.23", "0.11")),
        (-4.0, 0.31, ("-4.00", "0.31")),
        (-0.001, 0.31, ("0.00", "0.31")),
        # Not known, or of nothing: the value to a hundredth, and no zero.
        (36.2345, 0.0, ("36.23", "not known")),
        (36.2345, None, ("36.23", "not known")),
        (36.2345, math.inf, ("36.23", "not known")),
        (math.nan, 0.1, ("?", "0.10")),
    ],
)
def test_a_figure_and_its_uncertainty(
    value: float, U: float | None, shown: tuple[str, str]
) -> None:
    assert (rounding.figure(value, U), rounding.two_figures(U)) == shown


@given(st.floats(-360.0, 360.0), st.floats(1e-6, 500.0))
def test_two_figures_and_the_value_to_the_same_place(value: float, U: float) -> None:
    shown, shown_U = Decimal(rounding.figure(value, U)), Decimal(rounding.two_figures(U))
    first = shown_U.adjusted()
    last = Decimal(1).scaleb(first - 1)
    assert shown_U % last == 0
    assert shown % last == 0
    # As many digits as the place has, no more: the eye reads each of them as known.
    exponent = max(0, -(first - 1))
    assert shown.as_tuple().exponent == shown_U.as_tuple().exponent == -exponent
    assert abs(shown - Decimal(repr(value))) <= last / 2


@given(st.floats(1e-12, 1e4))
def test_an_uncertainty_never_appears_small_nor_as_zero(U: float) -> None:
    """Never more than a twentieth below what it is."""
    shown = Decimal(rounding.two_figures(U))
    assert shown > 0
    assert shown >= Decimal("0.95") * Decimal(repr(U))
    if U >= 1e-6:
        assert shown <= Decimal("1.05") * Decimal(repr(U))


@given(st.floats(-720.0, 720.0), st.none() | st.floats(1e-4, 20.0))
def test_angles_are_brought_into_their_turn_after_they_are_rounded(
    angle_deg: float, U: float | None
) -> None:
    shown = rounding.after_index(angle_deg, U)
    assert 0.0 <= float(shown) < 360.0
    assert not shown.startswith("-")
    digits, side = rounding.opening(angle_deg, U)
    assert side in ("BTDC", "ATDC")
    assert 0.0 <= float(digits) <= 180.0
    if float(digits) in (0.0, 180.0):
        assert side == "BTDC"
    # The same angle: the difference is of rounding alone.
    sign = 1.0 if side == "BTDC" else -1.0
    place = 10.0 ** Decimal(digits).as_tuple().exponent  # type: ignore[operator]
    if "." in digits:
        for each in (float(shown), sign * float(digits)):
            off = abs((each - angle_deg + 180.0) % 360.0 - 180.0)
            assert off <= 0.51 * place + 1e-9


def test_an_angle_that_rounds_to_a_whole_turn() -> None:
    assert rounding.after_index_with(359.9996, 0.012) == "0.000° after the index ±0.012°"
    assert rounding.after_index(359.96, decimals=1) == "0.0"
    assert rounding.after_index(-1e-12) == "0.00"
    assert rounding.btdc(-179.9999, 0.16) == "180.00° BTDC"
    assert rounding.btdc(180.004) == "180.00° BTDC"
    assert rounding.after_index(355.0, 126.0) == "0"  # to tens that is a whole turn


def test_before_and_after_the_top() -> None:
    assert rounding.btdc(36.2, decimals=1) == "36.2° BTDC"
    assert rounding.btdc(-4.04, 0.16) == "4.04° ATDC"
    assert rounding.btdc(-0.001, 0.2) == rounding.btdc(0.0) == "0.00° BTDC"
    assert rounding.btdc(None) == rounding.btdc(math.nan) == "–"
    assert rounding.btdc_with(36.1234, 0.1636) == "36.12° BTDC ±0.16°"
    assert rounding.btdc_with(36.1234, None) == "36.12° BTDC"
    assert rounding.opening(math.nan) == ("?", "BTDC")
    assert rounding.after_index(math.inf) == "?"


def test_differences_bear_their_sign_and_zero_has_none() -> None:
    assert rounding.difference(0.171, 0.1) == "+0.17"
    assert rounding.difference(-0.171, 0.1) == "−0.17"
    assert rounding.difference(-0.001, 0.1) == "0.00"


def test_what_somebody_entered_stays_as_it_was_entered() -> None:
    assert [rounding.entered(each) for each in (36.0, 35.25, 0.0, -4.0)] == [
        "36",
        "35.25",
        "0",
        "-4",
    ]
    assert rounding.entered(100.0) == "100"
    assert rounding.entered_btdc(-4.25) == "4.25° ATDC"
    assert rounding.entered_btdc(0.0) == "0° BTDC"


def test_what_follows_from_a_length_ends_at_hundredths() -> None:
    """110 mm round a rim of 400 mm: 31.512676... degrees (length over radius)."""
    assert rounding.entered(math.degrees(110.0 / 200.0)) == "31.51"
    assert rounding.entered(-math.degrees(3.0 / 200.0)) == "-0.86"


@given(st.integers(-1_799_999, 1_800_000), st.integers(-20_000, 20_000))
def test_sums_of_entered_angles_stay_exact(nominal: int, tolerance: int) -> None:
    limit = wrap(nominal / 1e4 + tolerance / 1e4)
    assert float(rounding.entered(limit)) == pytest.approx(limit, abs=1e-9)


def test_scatter_and_parts() -> None:
    assert [rounding.scatter(each) for each in (None, 0.0, 0.1234, 0.00345)] == [
        "–", "0", "0.12", "0.0035",
    ]  # fmt: skip
    assert [rounding.u_part(each) for each in (0.0, 0.0254)] == ["none", "0.025"]
    assert rounding.within(0.16) == "±0.16°"
    assert rounding.within(None) == rounding.within(0.0) == ""


def test_where_a_wide_interval_comes_from() -> None:
    """Student's factor of one degree of freedom is 12.706 (JCGM 100:2008, Table G.2)."""
    repeats = Contribution(Source.REPEATABILITY, 0.1, 1.0, "A", "")
    counting = Contribution(Source.COUNTING, 0.002, math.inf, "B", "")
    assert few_readings(combine([repeats, counting]), 2) == "2 readings: Student's factor 12.7"
    touches = Contribution(Source.TDC, 0.2, 2.0, "B", "")
    assert few_readings(combine([touches, counting]), 8) == (
        "TDC: 2 degrees of freedom, Student's factor 4.3"
    )
    many = Contribution(Source.REPEATABILITY, 0.1, 9.0, "A", "")
    assert few_readings(combine([many, counting]), 10) == ""
    assert few_readings(None, 1) == ""


@pytest.mark.parametrize(
    "path", sorted(ROOT.rglob("*.py")), ids=lambda path: str(path.relative_to(ROOT))
)
def test_no_uncertainty_is_written_with_digits_of_its_own(path: Path) -> None:
    """``± {U:.2f}`` would show 0.004 as zero: what follows a ± has its digits from here."""
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.JoinedStr):
            for before, value in itertools.pairwise(node.values):
                if isinstance(before, ast.Constant) and str(before.value).rstrip().endswith("±"):
                    assert isinstance(value, ast.FormattedValue)
                    form = ast.unparse(value.format_spec) if value.format_spec else ""
                    assert "f" not in form.removeprefix("f"), node.lineno

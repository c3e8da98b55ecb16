"""The line through certificates, against NumPy's own least squares and against chance."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chi2 as chi_square
from scipy.stats import t as student

from rig.base.uncertainty import Contribution, Source
from rig.timing.drift import DAYS_A_YEAR, EXIT_COVERAGE, LATEST, TOO_FAR, DatedMean, Line, fit


def dated(
    year: float,
    mean_btdc: float,
    u_own: float = 0.05,
    *,
    u_shared: float = 0.0,
    level: int = 0,
    shares: str = "",
    n: int = 10,
    nu: float = math.inf,
) -> DatedMean:
    parts = [Contribution(Source.REPEATABILITY, u_own, nu, "A", "")]
    if u_shared:
        parts.append(Contribution(Source.TDC, u_shared, math.inf, "B", ""))
    return DatedMean(
        year * DAYS_A_YEAR, mean_btdc, tuple(parts), level, shares or f"reference of {year}", n
    )


def fitted(points: list[DatedMean]) -> Line:
    line = fit(points)
    assert line is not None
    return line


def test_a_straight_row_gives_its_slope() -> None:
    line = fitted([dated(year, 36.0 - 0.25 * year) for year in range(5)])
    assert line.per_year_deg == pytest.approx(-0.25, abs=1e-12)
    assert line.last_btdc == pytest.approx(35.0, abs=1e-12)
    assert line.scatter == pytest.approx(0.0, abs=1e-9)
    assert line.distinguishable


def test_closed_form_of_equal_weights() -> None:
    """u(slope) = u / sqrt(sum of squared distances from the middle year); textbook."""
    line = fitted([dated(year, 36.0, 0.05) for year in range(5)])
    assert line.U_per_year_deg == pytest.approx(1.959964 * 0.05 / math.sqrt(10.0), rel=1e-6)


@given(st.lists(st.tuples(st.floats(34.0, 38.0), st.floats(0.02, 0.5)), min_size=3, max_size=12))
def test_agrees_with_another_library(values: list[tuple[float, float]]) -> None:
    years = np.arange(len(values), dtype=float) * 0.7
    angles = np.array([angle for angle, _ in values])
    u = np.array([each for _, each in values])
    line = fitted([dated(y, a, s) for y, (a, s) in zip(years, values, strict=True)])

    (slope, at_end), covariance = np.polyfit(
        years - years[-1], angles, 1, w=1.0 / u, cov="unscaled"
    )
    free = len(values) - 2
    chi2 = float(np.sum(((angles - slope * (years - years[-1]) - at_end) / u) ** 2))
    scatter = math.sqrt(chi2 / free)
    assert line.per_year_deg == pytest.approx(slope, abs=1e-8)
    assert line.last_btdc == pytest.approx(at_end, abs=1e-8)
    assert line.scatter == pytest.approx(scatter, abs=1e-6)
    if math.isclose(chi2, chi_square.isf(TOO_FAR, free), rel_tol=1e-6):
        return
    far = chi2 > chi_square.isf(TOO_FAR, free)
    k = student.ppf(0.975, free) if far else 1.959963985
    u_slope = math.sqrt(covariance[0, 0]) * (scatter if far else 1.0)
    assert line.U_per_year_deg == pytest.approx(k * u_slope, rel=1e-5)


def test_a_step_is_no_drift() -> None:
    before = [dated(year, 36.0 - 0.1 * year, level=0) for year in range(4)]
    after = [dated(4 + year, 39.0 - 0.1 * year, level=1) for year in range(3)]
    line = fitted(before + after)
    assert line.per_year_deg == pytest.approx(-0.1, abs=1e-12)
    assert line.last_btdc == pytest.approx(38.8, abs=1e-12)
    assert line.free == 4


def test_set_again_each_year_the_slope_is_that_between_the_visits() -> None:
    """As left, then as found a year later 0.3 less, set back, and so on."""
    points = [dated(0, 36.0, level=0)]
    for year in range(1, 5):
        points += [dated(year, 35.7, level=year - 1), dated(year, 36.0, level=year)]
    assert fitted(points).per_year_deg == pytest.approx(-0.3, abs=1e-12)


def test_a_shared_reference_says_nothing_against_a_slope() -> None:
    own = [dated(year, 36.0 - 0.1 * year, 0.05) for year in range(5)]
    shared = [dated(year, 36.0 - 0.1 * year, 0.05, u_shared=0.8, shares="one") for year in range(5)]
    apart = [dated(year, 36.0 - 0.1 * year, 0.05, u_shared=0.8) for year in range(5)]
    assert fitted(shared).U_per_year_deg == pytest.approx(fitted(own).U_per_year_deg, rel=1e-6)
    assert fitted(apart).U_per_year_deg > 10.0 * fitted(own).U_per_year_deg


@pytest.mark.parametrize(
    "points",
    [
        [],
        [dated(0, 36.0)],
        [dated(0, 36.0), dated(1, 35.9)],
        [dated(0, 36.0), dated(0, 35.9), dated(0, 35.8)],
        [dated(0, 36.0, level=0), dated(0, 35.0, level=0), dated(1, 36.0, level=1)],
    ],
    ids=["none", "one", "two", "one day", "a day in each stretch"],
)
def test_too_few_to_bear_a_line(points: list[DatedMean]) -> None:
    assert fit(points) is None


def test_the_turn_of_the_circle_is_no_drift() -> None:
    line = fitted([dated(0, 179.9), dated(1, -180.0), dated(2, -179.9)])
    assert line.per_year_deg == pytest.approx(0.1, abs=1e-9)
    assert line.last_btdc == pytest.approx(-179.9, abs=1e-9)


def test_the_latest_points_count() -> None:
    long_ago = [dated(year, 100.0) for year in range(-200, 0)]
    lately = [dated(year, 36.0 - 0.01 * year) for year in range(LATEST)]
    assert fitted(long_ago + lately).per_year_deg == pytest.approx(-0.01, abs=1e-9)


@pytest.mark.parametrize("u_own", [0.0, 1e-170, 1e-6, 200.0, 1e300])
@pytest.mark.parametrize("shares", ["", "one"])
def test_a_point_without_a_true_uncertainty_is_left_out(u_own: float, shares: str) -> None:
    good = [dated(year, 36.0 - 0.1 * year, u_shared=0.4, shares=shares) for year in range(5)]
    line = fitted(good)
    for at in range(6):
        none = dated(at - 0.5, 12.0, u_own, u_shared=0.4, shares=shares)
        assert fit([*good[:at], none, *good[at:]]) == line
    assert fit([dated(year, 36.0, u_own) for year in range(5)]) is None


def test_two_visits_within_minutes_ten_years_ago() -> None:
    """They bear next to nothing of the slope, and take nothing from it."""
    minute = 1.0 / DAYS_A_YEAR / 1440.0
    points = [dated(0, 36.0), dated(2 * minute, 36.0), dated(0, 30.0, level=1)]
    points += [dated(10 + year, 31.0 - 0.2 * year, level=2) for year in range(3)]
    line = fitted(points)
    assert line.per_year_deg == pytest.approx(-0.2, abs=1e-9)
    assert line.U_per_year_deg == pytest.approx(1.959964 * 0.05 / math.sqrt(2.0), rel=1e-6)
    assert fit([dated(0, 36.0), dated(minute / 60, 36.0), dated(minute / 30, 36.0)]) is None


def test_the_entered_interval_holds_the_truth_as_often_as_it_says() -> None:
    """500 engines of six certificates, made by chance: 95 % within, by what chance allows."""
    chance = np.random.default_rng(11)
    held = 0
    for _ in range(500):
        points = [dated(year, 36.0 - 0.08 * year + chance.normal(0.0, 0.05)) for year in range(6)]
        line = fitted(points)
        held += abs(line.per_year_deg + 0.08) <= line.U_per_year_deg
    # Widening only where the scatter happens to be large makes it hold a little more often.
    assert 0.93 <= held / 500 <= 0.995


def test_readings_that_agree_by_chance_keep_their_weight() -> None:
    """Two readings that fall together state a spread of nothing; that is no reason to leave out."""
    points = [dated(year, 36.0 - 0.1 * year, 0.05, n=2, nu=1.0, u_shared=0.05) for year in range(4)]
    points.append(dated(4, 35.6, 0.0, n=2, nu=1.0, u_shared=0.05))
    assert fitted(points).points == 5


def test_spreads_of_few_readings_are_pooled() -> None:
    """Four certificates of two readings have four degrees of freedom, and k = 2.776 (table G.2)."""
    points = [dated(year, 36.0, 0.05 * (1.0 + 0.3 * (year % 2)), n=2, nu=1.0) for year in range(4)]
    line = fitted(points)
    assert line.nu == pytest.approx(4.0)
    pooled = math.sqrt((0.05**2 + 0.065**2) / 2.0)
    assert line.U_per_year_deg == pytest.approx(2.776 * pooled / math.sqrt(5.0), rel=1e-3)


def test_more_readings_weigh_more_where_the_spread_is_the_same() -> None:
    """Twice as many readings, half the variance: as the same point twice."""
    many = [dated(0, 36.0, 0.05, n=4, nu=3.0), dated(1, 36.1, 0.05 / math.sqrt(2.0), n=8, nu=7.0)]
    same = [dated(0, 36.0, 0.05), dated(1, 36.1, 0.05), dated(1, 36.1, 0.05)]
    for each in (many, same):
        each.append(dated(2, 36.5, 0.05, n=4, nu=3.0 if each is many else math.inf))
    assert fitted(many).per_year_deg == pytest.approx(fitted(same).per_year_deg, rel=1e-9)


def test_spreads_that_differ_beyond_chance_are_not_pooled() -> None:
    wild = [dated(year, 36.0, 2.0 if year == 3 else 0.02, n=8, nu=7.0) for year in range(4)]
    line = fitted(wild)
    assert len(line.parts) == 4
    steady = fitted([dated(year, 36.0, 0.02, n=8, nu=7.0) for year in range(3)])
    # The three that agree hold the slope; the wild one takes little from it.
    assert line.U_per_year_deg < 3.0 * steady.U_per_year_deg


def test_points_far_from_the_line_have_more_uncertainty_than_they_state() -> None:
    apart = [dated(year, 36.0 + 0.5 * (-1) ** year, 0.05) for year in range(6)]
    line = fitted(apart)
    assert line.scatter > 5.0
    assert line.nu == line.free == 4
    assert not line.distinguishable


@given(st.integers(3, 12), st.floats(0.02, 0.3), st.floats(-0.5, 0.5), st.floats(0.1, 3.0))
def test_as_early_as_is_before_the_line_itself(
    many: int, u_own: float, slope: float, room: float
) -> None:
    """And is there where the band, of level and slope together, meets the limit."""
    line = fitted([dated(year, 36.0 + slope * year, u_own) for year in range(many)])
    if not line.distinguishable:
        return
    limit = line.last_btdc + math.copysign(room, line.per_year_deg)
    soonest = line.soonest(limit)
    own = room / abs(line.per_year_deg)
    if soonest is None:
        assert own > 100.0
        return
    assert soonest <= own
    if soonest > 0.0:
        near = abs(limit - line.at(soonest))
        assert near == pytest.approx(line.expanded_at(soonest, EXIT_COVERAGE), rel=1e-6)
    else:
        assert room <= line.expanded_at(0.0, EXIT_COVERAGE)


def test_level_and_slope_together() -> None:
    """The textbook's variance of a line at x: u^2 (1/n + (x - mean)^2 / Sxx), equal weights."""
    line = fitted([dated(year, 36.0 - 0.5 * year, 0.05) for year in range(5)])
    for years in (0.0, 1.0, 7.5):
        u = 0.05 * math.sqrt(1.0 / 5.0 + (years + 2.0) ** 2 / 10.0)
        assert line.expanded_at(years) == pytest.approx(1.959964 * u, rel=1e-6)


def test_neutral_that_drifts_over_its_pole_pitch() -> None:
    points = [dated(year, (89.9 + 0.1 * year) % 90.0) for year in range(4)]
    line = fit(points, 90.0)
    assert line is not None
    assert line.per_year_deg == pytest.approx(0.1, abs=1e-9)

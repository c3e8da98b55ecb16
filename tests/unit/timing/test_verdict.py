"""Verdicts against published conformance probabilities and acceptance limits."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chi2, norm
from scipy.stats import t as student

from rig.base.uncertainty import Contribution, Source, combine
from rig.engine.profile import Rule
from rig.timing.values import Verdict
from rig.timing.verdict import (
    MANY_READINGS,
    MOST_READINGS,
    Remedy,
    acceptance_limits,
    conformance_probability,
    decide,
    decide_spread,
    more_readings,
    remedy,
    sd_interval,
    with_readings,
)
from rig.words.assessments import how_to_decide, probability_words


@pytest.mark.parametrize(
    ("reading", "verdict", "probability"),
    [
        (36.62, "inside", 0.994351),
        (36.70, "inside", 0.977250),
        (36.80, "inconclusive", 0.908789),
        (37.00, "inconclusive", 0.500000),
        (37.10, "inconclusive", 0.252493),
    ],
    ids=["J2", "J3", "J4", "J5", "J6"],
)
def test_guarded_window(reading: float, verdict: Verdict, probability: float) -> None:
    """Window 35 to 37, u 0.15, U 0.30, w = U. Source: JCGM 106:2012, clauses 7, 8 (from memory)."""
    assert decide(reading, 0.30, 35.0, 37.0) == verdict
    assert conformance_probability(reading, 0.15, 35.0, 37.0) == pytest.approx(
        probability, abs=1e-6
    )


def test_acceptance_limits_move_in() -> None:
    assert acceptance_limits(35.0, 37.0, 0.30) == pytest.approx((35.30, 36.70))
    assert acceptance_limits(-math.inf, 37.0, 0.25) == (-math.inf, 36.75)


@given(st.floats(30.0, 42.0))
def test_nothing_fits_a_window_narrower_than_twice_its_uncertainty(reading: float) -> None:
    """J7: U 1.1 in a window of 2.0; the limits cross, 36.10 to 35.90. Source: JCGM 106:2012."""
    assert acceptance_limits(35.0, 37.0, 1.1) == pytest.approx((36.10, 35.90))
    assert decide(reading, 1.1, 35.0, 37.0) != "inside"


def test_single_limits() -> None:
    """J8, J9. Source: JCGM 106:2012, clause 7 examples (inputs from memory)."""
    assert conformance_probability(-5.47, 0.05, -math.inf, -5.40) == pytest.approx(
        0.919243, abs=1e-6
    )
    assert conformance_probability(509.7, 8.6, 490.0, math.inf) == pytest.approx(0.989010, abs=1e-6)
    assert decide(-5.47, 0.10, -math.inf, -5.40) == "inconclusive"
    assert decide(509.7, 17.2, 490.0, math.inf) == "inside"


@given(st.floats(34.0, 38.0), st.floats(0.02, 2.0))
def test_probability_against_the_distribution(reading: float, u: float) -> None:
    theirs = float(norm.cdf(37.0, reading, u) - norm.cdf(35.0, reading, u))
    assert conformance_probability(reading, u, 35.0, 37.0) == pytest.approx(theirs, abs=1e-12)


@given(st.floats(34.0, 38.0), st.floats(0.02, 2.0), st.floats(1.0, 60.0))
def test_probability_of_few_readings(reading: float, u: float, nu: float) -> None:
    """Student's distribution about the mean (JCGM 100:2008, G.3), by another function of SciPy."""
    theirs = float(student.cdf(37.0, nu, reading, u) - student.cdf(35.0, nu, reading, u))
    assert conformance_probability(reading, u, 35.0, 37.0, nu) == pytest.approx(theirs, abs=1e-9)


@pytest.mark.parametrize(
    ("probability", "words"),
    [
        (None, ""),
        (0.004, "inside with a probability under 1 %"),
        (0.624, "inside with a probability of 62 %"),
        (0.998, "inside with a probability over 99 %"),
    ],
)
def test_a_probability_in_words(probability: float | None, words: str) -> None:
    assert probability_words(probability) == words


@given(st.floats(30.0, 42.0), st.floats(0.01, 3.0))
def test_a_guarded_verdict_is_seldom_wrong(reading: float, u: float) -> None:
    """With U = 1.96 u an accepted or a rejected reading is wrong with at most 2.5 % a limit."""
    inside = conformance_probability(reading, u, 35.0, 37.0)
    verdict = decide(reading, 1.959964 * u, 35.0, 37.0)
    if verdict == "inside":
        assert inside >= 0.95 - 1e-6
    if verdict == "outside":
        assert inside <= 0.025 + 1e-6


@pytest.mark.parametrize(
    ("reading", "U", "rule", "verdict"),
    [
        (36.9, 0.3, "simple", "inside"),
        (37.1, 0.3, "simple", "outside"),
        (36.9, None, "simple", "inside"),
        (36.0, None, "guarded", "inconclusive"),
        (37.31, 0.3, "guarded", "outside"),
        (34.69, 0.3, "guarded", "outside"),
    ],
)
def test_rules(reading: float, U: float | None, rule: Rule, verdict: Verdict) -> None:
    assert decide(reading, U, 35.0, 37.0, rule) == verdict


def test_without_a_limit_a_spread_is_not_assessed() -> None:
    assert decide_spread(0.1, 9, None) == "no window set"


@given(st.floats(0.01, 2.0), st.integers(2, 60))
def test_interval_of_a_standard_deviation(sd: float, n: int) -> None:
    low, high = sd_interval(sd, n - 1)
    assert low == pytest.approx(sd * math.sqrt((n - 1) / chi2.ppf(0.975, n - 1)), rel=1e-9)
    assert high == pytest.approx(sd * math.sqrt((n - 1) / chi2.ppf(0.025, n - 1)), rel=1e-9)


def test_spread_against_its_limit() -> None:
    """Ten readings with s = 0.12: the true one lies in 0.0825 to 0.2191 (chi-square, 9 d.f.:
    2.700 and 19.023, printed in any table)."""
    assert sd_interval(0.12, 9) == pytest.approx(
        (0.12 * math.sqrt(9 / 19.023), 0.12 * math.sqrt(9 / 2.700)), abs=1e-4
    )
    assert decide_spread(0.12, 10, 0.25) == "inside"
    assert decide_spread(0.12, 10, 0.15) == "inconclusive"
    assert decide_spread(0.12, 10, 0.08) == "outside"
    assert decide_spread(0.12, 10, 0.15, "simple") == "inside"
    assert decide_spread(0.12, 10, 0.10, "simple") == "outside"
    assert decide_spread(None, 1, 0.25) == "inconclusive"


def budget(s: float, n: int, tdc: float, nu: float = math.inf) -> list[Contribution]:
    return [
        Contribution(Source.REPEATABILITY, s / math.sqrt(n), n - 1, "A", ""),
        Contribution(Source.TDC, tdc, nu, "B", ""),
        Contribution(Source.GRADUATION, 0.01, math.inf, "B", ""),
    ]


def test_more_readings_shrink_only_the_repeatability() -> None:
    """Twelve readings with the same s are s/sqrt(12) with 11 degrees of freedom."""
    grown = with_readings(budget(0.3, 4, 0.05, 3), 4, 12)
    whole = combine(budget(0.3, 12, 0.05, 3))
    assert (grown.u_deg, grown.nu_eff) == pytest.approx((whole.u_deg, whole.nu_eff))
    assert grown.parts[0].nu == 11
    assert with_readings(budget(0.3, 4, 0.05), 4, math.inf).u_deg == pytest.approx(
        math.hypot(0.05, 0.01)
    )


@given(st.floats(0.01, 0.6), st.integers(2, 20), st.floats(0.0, 0.2), st.floats(0.05, 1.0))
def test_the_number_of_readings_is_the_least_that_settles(
    s: float, n: int, tdc: float, margin: float
) -> None:
    parts = budget(s, n, tdc)
    if combine(parts).U_deg <= margin:
        return
    more = more_readings(parts, n, margin)
    if more is None:
        assert with_readings(parts, n, n + MOST_READINGS).U_deg > margin
    else:
        assert with_readings(parts, n, n + more).U_deg <= margin
        assert more == 1 or with_readings(parts, n, n + more - 1).U_deg > margin


def test_settled_by_readings() -> None:
    whole = combine(budget(0.3, 4, 0.05))
    words = how_to_decide(0.7, whole, 4, -1.0, 1.0)
    count = more_readings(whole.parts, 4, 0.3)
    assert count is not None
    assert words.startswith(f"{count} more reading")


def test_settled_only_by_a_better_tdc() -> None:
    words = how_to_decide(0.8, combine(budget(0.1, 10, 0.25)), 10, -1.0, 1.0)
    assert words.startswith("more readings will not help: ")
    assert "TDC, now 0.25 degrees, would have to shrink to about 0.10" in words


def test_a_window_that_is_too_narrow_is_reported() -> None:
    words = how_to_decide(0.0, combine(budget(0.1, 10, 0.6)), 10, -1.0, 1.0)
    assert "no reading could be accepted" in words
    assert "TDC" in words


def test_a_mean_beside_the_limit_is_reported() -> None:
    parts = [Contribution(Source.REPEATABILITY, 0.2, 3, "A", "")]
    words = how_to_decide(0.999, combine(parts), 4, -1.0, 1.0)
    assert words.startswith(f"more than {MOST_READINGS} more readings")


def test_two_parts_may_have_to_shrink_together() -> None:
    parts = [
        Contribution(Source.REPEATABILITY, 0.01, 9, "A", ""),
        Contribution(Source.TDC, 0.3, math.inf, "B", ""),
        Contribution(Source.RUN_OUT, 0.25, math.inf, "B", ""),
        Contribution(Source.GRADUATION, 0.01, math.inf, "B", ""),
    ]
    words = how_to_decide(0.9, combine(parts), 10, -1.0, 1.0)
    assert "run-out, now 0.25 degrees" in words
    assert "TDC to nothing" in words


def test_where_nearly_all_would_have_to_vanish_nothing_decides() -> None:
    of = (Source.TDC, Source.RUN_OUT, Source.COUNTING)
    parts = [Contribution(source, 0.02, math.inf, "B", "") for source in of]
    words = how_to_decide(0.999, combine(parts), 10, -1.0, 1.0)
    assert words.endswith("the mean is on its limit, and no reading decides it")


def test_one_reading_says_nothing_of_its_spread() -> None:
    assert how_to_decide(0.2, None, 1, -1.0, 1.0) == "one reading has no SD: take 2 more"


REPEATS, TOUCHED = (
    Contribution(Source.REPEATABILITY, 0.05, 4.0, "A", ""),
    Contribution(Source.TDC, 0.1, math.inf, "B", ""),
)


def test_the_remedy_is_more_readings_where_some_are_enough() -> None:
    """Without a spread, two more; else as many as bring U down to the margin."""
    assert remedy(0.1, None, 1) == Remedy(readings=2)
    alone = combine([REPEATS])
    found = remedy(0.05, alone, 5)
    assert found == Remedy(readings=more_readings(alone.parts, 5, 0.05) or 0)
    assert 0 < found.readings <= MANY_READINGS


def test_the_remedy_is_the_largest_part_where_no_readings_help() -> None:
    """U without repeatability is 0.196 (k = 1.96): a margin below it wants a smaller part."""
    both = combine([REPEATS, TOUCHED])
    assert remedy(0.15, both, 5) == Remedy(largest=Source.TDC)
    assert remedy(0.25, both, 5).readings > 0
    assert remedy(1e-6, combine([REPEATS]), 5) == Remedy()  # on the limit itself


def test_the_remedy_is_what_can_be_done_at_the_bench_where_that_is_enough() -> None:
    parts = [REPEATS, TOUCHED, replace(TOUCHED, source=Source.BACKLASH, u_deg=0.3)]
    drag = {Source.BACKLASH: 0.0}
    assert remedy(0.25, combine(parts), 5, drag) == Remedy(shrink=Source.BACKLASH)
    assert remedy(0.15, combine(parts), 5, drag) == Remedy(largest=Source.BACKLASH)
    both = drag | {Source.TDC: 0.02}
    assert remedy(0.15, combine(parts), 5, both) == Remedy(shrink=Source.BACKLASH)
    assert remedy(0.15, combine(parts[:2]), 5, both) == Remedy(shrink=Source.TDC)


@given(
    st.floats(1e-6, 1.0),
    st.floats(1e-4, 1.0),
    st.floats(0.0, 1.0),
    st.integers(2, 50),
)
def test_what_the_remedy_says_decides_it(margin: float, s: float, u_tdc: float, n: int) -> None:
    """So many readings more are enough, one less is not; a part is named only where none are."""
    parts = [replace(REPEATS, u_deg=s, nu=n - 1.0), replace(TOUCHED, u_deg=u_tdc)]
    found = remedy(margin, combine(parts), n)
    if found.readings:
        assert with_readings(parts, n, n + found.readings).U_deg <= margin
        if found.readings > 1:
            assert with_readings(parts, n, n + found.readings - 1).U_deg > margin
    elif found.largest is not None:
        assert with_readings(parts, n, math.inf).U_deg > margin

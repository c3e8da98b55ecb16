"""Combination of uncertainties against published worked examples, tables and other libraries."""

from __future__ import annotations

import math
import statistics
import subprocess
import sys

import GTC
import GTC.reporting
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from rig.base.codec import from_plain, to_plain
from rig.base.errors import InputError
from rig.base.uncertainty import (
    Contribution,
    Source,
    combine,
    mean_and_sd,
    quantisation,
    rectangular,
    student_t,
    sure_within,
    u_shaped,
)


def part(u: float, nu: float = math.inf) -> Contribution:
    return Contribution(Source.OTHER, u, nu, "B", "")


def parts(sizes: list[float], freedoms: list[float]) -> list[Contribution]:
    return [part(u, nu) for u, nu in zip(sizes, freedoms, strict=True)]


def test_three_parts_of_the_guide() -> None:
    """W1. Source: JCGM 100:2008, G.4.1 example (from memory): 19.0, and U95 of 2.2 per cent."""
    whole = combine(parts([0.25, 0.57, 0.82], [9, 4, 14]))
    assert whole.u_deg == pytest.approx(1.029466, abs=1e-6)
    assert whole.nu_eff == pytest.approx(18.9987, abs=1e-4)
    assert whole.k == pytest.approx(2.0930, abs=1e-4)
    assert whole.U_deg == pytest.approx(2.1547, abs=1e-4)


def test_end_gauge_of_the_guide() -> None:
    """W2. Source: JCGM 100:2008, H.1 (printed results from memory): nu_eff 16, U99 about 93 nm."""
    whole = combine(parts([25, 9.7, 2.9, 16.6], [18, 25.6, 50, 2]), coverage=0.99)
    assert whole.u_deg == pytest.approx(31.6711, abs=1e-4)
    assert whole.nu_eff == pytest.approx(16.7646, abs=1e-4)
    assert whole.k == pytest.approx(2.9208, abs=1e-4)
    assert whole.U_deg == pytest.approx(93, abs=0.6)


def test_an_opening_with_three_parts() -> None:
    """W3: s 0.12 of ten readings, TDC 0.05 of four, encoder step 0.15. By JCGM 100."""
    sizes = [0.12 / math.sqrt(10), 0.05, quantisation(0.15)]
    assert sizes == pytest.approx([0.037947, 0.05, 0.043301], abs=1e-6)
    whole = combine(parts(sizes, [9, 3, math.inf]))
    assert whole.u_deg == pytest.approx(0.076256, abs=1e-6)
    assert whole.nu_eff == pytest.approx(14.6146, abs=1e-4)
    assert whole.k == pytest.approx(2.1448, abs=1e-4)
    assert whole.U_deg == pytest.approx(0.1636, abs=1e-4)


def test_distributions() -> None:
    """D1 and D2. Source: JCGM 100:2008, 4.3.7, 4.3.9, H.1.3.4, F.2.2.1 (clauses from memory)."""
    assert rectangular(0.2) == pytest.approx(0.115470, abs=1e-6)
    assert u_shaped(0.2) == pytest.approx(0.141421, abs=1e-6)
    assert quantisation(0.15) == pytest.approx(0.043301, abs=1e-6)
    assert math.hypot(quantisation(0.15), quantisation(0.15)) == pytest.approx(0.061237, abs=1e-6)


SIGMAS = [math.erf(sigma / math.sqrt(2.0)) for sigma in (1, 2, 3)]
COVERAGES = [SIGMAS[0], 0.90, 0.95, SIGMAS[1], 0.99, SIGMAS[2]]


@pytest.mark.parametrize(
    ("nu", "row"),
    [
        (1, [1.8373, 6.3138, 12.7062, 13.9677, 63.6567, 235.8015]),
        (2, [1.3213, 2.9200, 4.3027, 4.5265, 9.9248, 19.2067]),
        (4, [1.1416, 2.1318, 2.7764, 2.8693, 4.6041, 6.6202]),
        (9, [1.0587, 1.8331, 2.2622, 2.3198, 3.2498, 4.0943]),
        (19, [1.0270, 1.7291, 2.0930, 2.1405, 2.8609, 3.4472]),
    ],
)
def test_student_table(nu: int, row: list[float]) -> None:
    """Source: JCGM 100:2008 Table G.2, the same as NIST Technical Note 1297 Table B.1.

    The columns 68.27, 95.45 and 99.73 per cent stand for 1, 2 and 3 sigma of a normal.
    """
    assert [student_t(nu, p) for p in COVERAGES] == pytest.approx(row, abs=5.1e-5)


@given(st.floats(1.0, 500.0), st.floats(0.5, 0.999))
def test_student_against_the_distribution(nu: float, coverage: float) -> None:
    from scipy.stats import t

    expected = float(t.ppf((1.0 + coverage) / 2.0, math.floor(round(nu, 1))))
    assert student_t(nu, coverage) == pytest.approx(expected, abs=5.2e-7)  # 6 decimals


def test_student_of_more_freedom_than_a_machine_word() -> None:
    """Spreads that are nothing but the last bits of sums give such numbers."""
    assert student_t(1e300) == student_t(1e19) == student_t(math.inf) == 1.959964


def test_no_end_of_freedom_is_the_normal() -> None:
    assert combine([part(0.3)]).k == pytest.approx(statistics.NormalDist().inv_cdf(0.975))
    assert combine([part(0.3)]).nu_eff == math.inf


@given(
    st.lists(
        st.tuples(st.floats(0.001, 1.0), st.one_of(st.integers(1, 60), st.just(math.inf))),
        min_size=1,
        max_size=6,
    )
)
@example([(0.9375, math.inf), (0.1171875, 24)])
def test_against_a_metrology_library(stated: list[tuple[float, float]]) -> None:
    """The same sum in GTC, a measurement-uncertainty library of a national institute."""
    total = sum(GTC.ureal(0.0, u, nu) for u, nu in stated)
    whole = combine([part(u, nu) for u, nu in stated])
    assert whole.u_deg == pytest.approx(total.u, rel=1e-12)
    if math.isinf(total.df):
        assert math.isinf(whole.nu_eff) or whole.nu_eff > 1e6
    else:
        assert whole.nu_eff == pytest.approx(total.df, rel=1e-9)
        k = GTC.reporting.k_factor(math.floor(round(total.df, 1)), 95)
        # Beyond some 100,000 degrees of freedom the library takes the normal distribution, which
        # is 1.2e-5 less there.
        assert whole.k == pytest.approx(k, rel=2e-5)


def test_nothing_is_nothing() -> None:
    whole = combine([part(0.0, 4)])
    assert (whole.u_deg, whole.U_deg, whole.nu_eff) == (0.0, 0.0, math.inf)


@pytest.mark.parametrize("bad", [part(-0.1), part(math.nan), part(math.inf), part(0.1, 0.5)])
def test_no_size_or_no_freedom_is_refused(bad: Contribution) -> None:
    with pytest.raises(ValueError, match="other"):
        combine([part(0.1), bad])


@pytest.mark.parametrize("coverage", [0.0, 1.0, math.nan])
def test_coverage_is_a_probability(coverage: float) -> None:
    with pytest.raises(ValueError, match="coverage"):
        combine([part(0.1)], coverage)


MAVRO = (
    "8 7 8 9 8 7 5 4 5 5 7 8 8 9 9 11 10 6 4 3 3 5 5 6 5 4 3 4 5 4 5 6 5 6 9 10 10 11 12 13 14 15 "
    "17 16 16 16 17 16 15 14"
)


@pytest.mark.parametrize(
    ("values", "mean", "sd", "tolerance"),
    [
        ([10000001.0, 10000003.0, 10000002.0], 10000002.0, 1.0, 1e-14),
        # Its decimals are not binary: two passes in double precision come within 2e-9.
        ([10000000.2] + [10000000.1, 10000000.3] * 500, 10000000.2, 0.1, 2e-9),
        (
            [2.0010 + 0.0001 * int(k) for k in MAVRO.split()],
            2.00185600000000,
            0.000429123454003053,
            1e-13,
        ),
    ],
    ids=["NumAcc1", "NumAcc4", "Mavro"],
)
def test_reference_data(values: list[float], mean: float, sd: float, tolerance: float) -> None:
    """Source: NIST StRD, Univariate Summary Statistics, certified mean and standard deviation."""
    found_mean, found_sd = mean_and_sd(values)
    assert found_mean == pytest.approx(mean, rel=1e-15)
    assert found_sd == pytest.approx(sd, abs=tolerance)


def test_one_value_has_no_spread_and_none_no_mean() -> None:
    assert mean_and_sd([36.2]) == (36.2, None)
    with pytest.raises(ValueError, match="no values"):
        mean_and_sd([])


def test_scipy_waits_until_it_is_needed() -> None:
    code = "import sys, rig.timing.compare, rig.timing.impulse; print('scipy' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


@given(st.floats(0.001, 180.0), st.floats(0.5, 0.99))
def test_what_is_sure_to_lie_within_is_never_expanded_beyond_it(half: float, share: float) -> None:
    """A rectangular distribution has ``share`` of itself within that share of its half-width."""
    part = Contribution(Source.ENTERED, rectangular(half), math.inf, "B", "")
    found = sure_within(part, half, share)
    assert found.U_deg == pytest.approx(share * half)
    assert found.U_deg < half
    assert found.U_deg == pytest.approx(found.k * found.u_deg)
    with pytest.raises(ValueError, match="not rectangular"):
        sure_within(part, 2.0 * half, share)


EARLIER = {
    "repeatability, upper": (Source.REPEATABILITY, "upper"),
    "top dead centre": (Source.TDC, ""),
    "run-out": (Source.RUN_OUT, ""),
    "play": (Source.BACKLASH, ""),
    "play of both": (Source.BACKLASH_OF_BOTH, ""),
    "hand, left, outer": (Source.HELD, "left, outer"),
    "play of the encoder's drive": (Source.ENCODER_BACKLASH, ""),
    "cylinder offset": (Source.OFFSET, ""),
    "statement": (Source.ENTERED, ""),
    "lifts nearly equal": (Source.UNEQUAL_DROPS, ""),
    "nobody knows": (Source.OTHER, ""),
}


@pytest.mark.parametrize("name", EARLIER)
def test_a_part_that_files_named_in_words_has_its_source(name: str) -> None:
    plain = {"name": name, "u_deg": 0.1, "nu": "inf", "kind": "B", "how": "as before"}
    found = from_plain(Contribution, Contribution.earlier(plain), "part")
    assert (found.source, found.of) == EARLIER[name]
    assert from_plain(Contribution, to_plain(found), "part") == found


def test_a_source_that_nobody_knows_is_refused() -> None:
    part = to_plain(Contribution(Source.TDC, 0.1, 4.0, "A", "")) | {"source": "guess"}
    with pytest.raises(
        InputError, match=r'part\.source: must be one of "repeatability".*, not .guess'
    ):
        from_plain(Contribution, part, "part")

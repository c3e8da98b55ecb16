"""The table of gap laws, against scipy's truncated exponential and by numbers drawn from it."""

import numpy as np
import pytest
from scipy.stats import truncexpon

from rig.signal import bounce_model

SCALES_US = np.geomspace(20.0, 4000.0, 24)
BOUNDS = (1.0, 2.0, 3.0, 4.5, np.inf)
GAPS_US = np.array([0.0, 3.0, 55.0, 310.0, 1900.0, 3999.0])
ONCE_IN = 100_000.0
"""One gap in so many follows no law; it is even up to 4 ms."""


@pytest.mark.parametrize(
    ("nth", "bound", "scale_us"),
    [(i, b, s) for i, (b, s) in enumerate((b, s) for b in BOUNDS for s in SCALES_US)],
)
def test_means_and_densities(nth: int, bound: float, scale_us: float) -> None:
    law = truncexpon(bound if np.isfinite(bound) else 1e3, scale=scale_us)
    assert np.isclose(bounce_model.MEANS_US[nth], law.mean(), rtol=1e-9)
    expected = law.pdf(GAPS_US) + 1 / ONCE_IN / 4000.0
    assert np.allclose(
        np.exp(bounce_model.log_density(GAPS_US.tolist())[:, nth]), expected, rtol=1e-9
    )


def test_weights_are_shares_that_lie_about_a_usual_gap() -> None:
    prior = bounce_model.prior()
    assert np.isclose(prior.sum(), 1.0)
    middle_us = np.exp(prior @ np.log(bounce_model.MEANS_US))
    assert 50.0 < middle_us < 200.0


@pytest.mark.parametrize(("bound", "scale_us"), [(1.0, 400.0), (3.0, 100.0), (np.inf, 60.0)])
def test_the_right_law_is_found_among_all(bound: float, scale_us: float) -> None:
    """From a thousand gaps: the mean, and how much of the density lies beyond a bound."""
    law = truncexpon(bound if np.isfinite(bound) else 1e3, scale=scale_us)
    gaps_us = law.rvs(1000, random_state=np.random.default_rng(5))
    weights = bounce_model.log_density(gaps_us.tolist()).sum(axis=0)
    weights = np.exp(weights - weights.max())
    weights /= weights.sum()
    assert np.isclose(weights @ bounce_model.MEANS_US, law.mean(), rtol=0.1)
    least = bounce_model.least_density(weights)
    assert least == sorted(least, reverse=True)
    beyond = least[bounce_model.STEPS_US.index(min(s for s in bounce_model.STEPS_US if s > 1000.0))]
    assert beyond < (1e-7 if np.isfinite(bound) else 1e-6)

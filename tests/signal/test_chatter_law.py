"""The law that tells noise from chatter, against scipy's own distributions."""

import math

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import lomax

from rig.signal.chatter_law import (
    PRIOR_CLOSED_US,
    PRIOR_EVENTS,
    PRIOR_GAP_US,
    PRIOR_GAPS,
    ChatterLaw,
)


@given(st.lists(st.floats(1.0, 5000.0), min_size=1, max_size=6))
def test_the_split_is_the_likeliest_by_brute_force(gaps: list[float]) -> None:
    """With runs of one length on both sides only gaps and rates decide."""
    law = ChatterLaw()
    runs = [60.0] * len(gaps)
    log_length = math.log((1 - 1 / 2) / (1 - 0.5 / 4))
    of_chatter = np.asarray(lomax.logpdf(gaps, PRIOR_GAPS, scale=PRIOR_GAPS * PRIOR_GAP_US))
    of_noise = math.log(PRIOR_EVENTS / PRIOR_CLOSED_US) + log_length
    scores = [
        of_noise * first + float(np.sum(of_chatter[first:])) for first in range(len(gaps) + 1)
    ]
    found = law.split(gaps, runs)
    if max(gaps) <= PRIOR_GAP_US:
        assert found == 0
    else:
        assert math.isclose(scores[found], max(scores), abs_tol=1e-9)


def test_rates_are_learnt_and_taken_back() -> None:
    law = ChatterLaw()
    law.learn_noise([5.0] * 80, 9e6)
    assert math.isclose(law.noise_rate, 80.5 / 10, rel_tol=1e-12)
    law.unlearn_noise([5.0] * 80)
    assert math.isclose(law.noise_rate, 0.5 / 10, rel_tol=1e-12)
    law.learn_chatter([60.0] * 96, [80.0] * 96)
    assert math.isclose(law.gap_us, (400 + 96 * 60) / 100, rel_tol=1e-12)
    # A spike of 5 us, and 700 us before the next run: learnt as noise once there is much of it.
    law.learn_noise([5.0] * 80, 1e6)
    assert law.split([700.0], [5.0]) == 1
    assert law.split([90.0], [80.0]) == 0

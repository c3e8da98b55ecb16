"""Noise against bounce: by brute force with scipy's distributions, and on transitions drawn from
distributions that are not in the model."""

import itertools
import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy.special import logsumexp
from scipy.stats import expon, norm, truncexpon

from rig.signal.bounce_model import (
    MOST,
    PRIOR_BOUNCES,
    PRIOR_CLOSED_US,
    PRIOR_CROWD,
    PRIOR_EVENTS,
    PRIOR_SHORT_BOUNCE,
    PRIOR_SHORT_NOISE,
    SHORT_GAP_US,
    SHORT_US,
    BounceModel,
)

LAWS = [
    truncexpon(bound, scale=scale_us)
    for bound in (1.0, 2.0, 3.0, 4.5, 1000.0)
    for scale_us in np.geomspace(20.0, 4000.0, 24)
]
LAW_WEIGHTS = np.array(
    [norm.pdf(math.log(law.mean() / 100.0), scale=math.log(2.5)) for law in LAWS]
)
CROWDS = [
    (0.0, 1.0, 1.0 - PRIOR_CROWD),
    *(
        (events, spread_us, PRIOR_CROWD / 9)
        for events in (0.3, 1.0, 3.0)
        for spread_us in (3e3, 1e4, 3e4)
    ),
]


def starts(
    runs_us: Sequence[float], gaps_us: Sequence[float], begin_us: float = 0.0
) -> list[float]:
    lasting = [run + gap for run, gap in zip(runs_us, gaps_us, strict=True)]
    return list(itertools.accumulate(lasting, initial=begin_us))


def shares(
    law: BounceModel, runs_us: list[float], gaps_us: list[float], ago: list[float]
) -> list[float]:
    """Noise had come so many microseconds before the first run."""
    return law.shares(starts(runs_us, gaps_us), runs_us, gaps_us, len(runs_us), [-t for t in ago])


def split(law: BounceModel, runs_us: list[float], gaps_us: list[float], ago: list[float]) -> int:
    """How many of the runs are noise."""
    found = shares(law, runs_us, gaps_us, ago)
    return found.index(max(found))


def log_splits(runs_us: list[float], gaps_us: list[float], ago: list[float]) -> list[float]:
    """Each split's likelihood with nothing learnt: every law with every crowd, one by one."""
    rate = PRIOR_EVENTS / PRIOR_CLOSED_US
    more = PRIOR_BOUNCES[0] / sum(PRIOR_BOUNCES)
    of_noise = PRIOR_SHORT_NOISE[0] / PRIOR_SHORT_NOISE[1]
    of_chatter = PRIOR_SHORT_BOUNCE[0] / PRIOR_SHORT_BOUNCE[1]
    begins = starts(runs_us, gaps_us)
    found = []
    for first in range(len(runs_us) + 1):
        length = sum(
            math.log(share if run <= SHORT_US else 1 - share)
            for nth, run in enumerate(runs_us)
            for share in [of_noise if nth < first else of_chatter]
        )
        events = [-t for t in ago] + begins[:first]
        crowded = logsumexp([
            math.log(weight) - number + sum(
                math.log(rate + number * expon.pdf(begins[first] - t, scale=spread_us))
                for t in events
            )
            for number, spread_us, weight in CROWDS
        ])  # fmt: skip
        chattered = logsumexp(
            [
                math.log(weight) + sum(np.log(law.pdf(gaps_us[first:]) + 1e-5 / 4000.0))
                for law, weight in zip(LAWS, LAW_WEIGHTS / LAW_WEIGHTS.sum(), strict=True)
            ]
        )
        found.append(length + crowded + chattered + (len(runs_us) - first) * math.log(more))
    return found


@given(
    st.lists(st.tuples(st.floats(1.0, 900.0), st.floats(1.0, 3900.0)), min_size=1, max_size=4),
    st.lists(st.floats(1.0, 9e4), max_size=2),
)
@example([(109.0, 464.0)], [1748.0, 210.0, 585.0, 2715.0])
@example([(109.0, 464.0)], [])
def test_the_split_is_the_likeliest_by_brute_force(
    runs_and_gaps: list[tuple[float, float]], ago: list[float]
) -> None:
    runs_us, gaps_us = [run for run, _ in runs_and_gaps], [gap for _, gap in runs_and_gaps]
    found = shares(BounceModel(), runs_us, gaps_us, ago)
    first = found.index(max(found))
    if max(gaps_us) <= SHORT_GAP_US:
        assert first == 0
        return
    scores = log_splits(runs_us, gaps_us, ago)
    assert math.isclose(scores[first], max(scores), abs_tol=1e-6)
    if len(found) > 1:  # else all was clear
        logs = np.array(scores)
        np.testing.assert_allclose(np.array(found), np.exp(logs - logsumexp(logs)), atol=1e-6)


def test_rates_are_learnt_and_undone() -> None:
    noisy, quiet, undone = BounceModel(), BounceModel(), BounceModel()
    for law, runs_us in ((noisy, [5.0] * 80), (quiet, []), (undone, [5.0] * 80)):
        law.learn_noise(runs_us, 9e6)
    undone.unlearn_noise([5.0] * 80)
    of_noisy, of_quiet, of_undone = (
        shares(law, [5.0, 80.0, 100.0], [900.0, 50.0, 70.0], []) for law in (noisy, quiet, undone)
    )
    assert of_noisy[1] > 2.0 * of_quiet[1]
    assert of_undone == of_quiet


def chattering(seed: int, longest_us: float) -> tuple[list[float], list[float]]:
    """Runs, and gaps that are the shorter of two even ones: none of the laws of the table."""
    random = np.random.default_rng(seed)
    bounces = int(random.integers(3, 8))
    gaps_us = random.uniform(20.0, longest_us, (bounces, 2)).min(axis=1)
    return random.uniform(30.0, 300.0, bounces).tolist(), gaps_us.tolist()


@pytest.mark.parametrize("longest_us", [300.0, 1000.0, 3000.0])
def test_a_gap_beyond_the_longest_is_learnt_to_be_of_noise(longest_us: float) -> None:
    """Three noise events a second; a drop-out half as long again before the opening as any gap."""
    law = BounceModel()
    for seed in range(60):
        law.learn_noise([100.0], 1e6 / 3)
        assert split(law, *chattering(seed, longest_us), []) == 0
    runs_us, gaps_us = chattering(99, longest_us)
    assert split(law, [100.0, *runs_us], [1.5 * longest_us, *gaps_us], []) == 1
    assert split(law, [100.0, *runs_us], [0.8 * longest_us, *gaps_us], []) == 0


def test_a_spike_is_reported_by_its_length() -> None:
    """Where spikes are many, and no run of the bounce is as short."""
    law = BounceModel()
    for seed in range(60):
        law.learn_noise([5.0] * 80, 1e6)
        assert split(law, *chattering(seed, 300.0), []) == 0
    runs_us, gaps_us = chattering(99, 300.0)
    assert split(law, [5.0, *runs_us], [250.0, *gaps_us], []) == 1
    assert split(law, [80.0, *runs_us], [250.0, *gaps_us], []) == 0


def test_noise_that_crowds_before_the_opening_is_learnt() -> None:
    """One drop-out some milliseconds before each opening and short gaps after it; not so when the
    long gaps are anywhere in the bounce."""
    crowded, chatter = BounceModel(), BounceModel()
    random = np.random.default_rng(8)
    for seed in range(40):
        runs_us, gaps_us = chattering(seed, 200.0)
        long_us = float(random.uniform(500.0, 3900.0))
        first = split(crowded, [80.0, *runs_us], [long_us, *gaps_us], [])
        assert seed < 3 or first == 1
        gaps_us.insert(seed % (len(gaps_us) + 1), long_us)
        first = split(chatter, [80.0, *runs_us], gaps_us, [])
        assert seed < 8 or first == 0
    assert crowded.crowd > 0.5
    assert chatter.crowd < 0.01


def test_much_bounce_takes_little_time_and_no_more_than_so_many_runs_are_noise() -> None:
    law = BounceModel()
    law.learn_noise([5.0] * 1000, 1e6)
    runs_us, gaps_us = [5.0] * 100_000, [1900.0] * 100_000
    assert split(law, runs_us, gaps_us, []) <= MOST


@pytest.mark.parametrize("gap_us", [900.0, 1500.0, 2500.0])
def test_the_risk_is_judged_by_who_expects_noise_to_gather(gap_us: float) -> None:
    """A drop-out some way before the bounce, before anything is learnt: it may belong to it, or be
    the first of noise that gathers."""
    law = BounceModel()
    runs_us, gaps_us = [80.0, 100.0, 60.0], [gap_us, 50.0, 70.0]
    shares = law.shares(starts(runs_us, gaps_us), runs_us, gaps_us, len(runs_us))
    assert math.isclose(sum(shares), 1.0)
    assert math.isclose(sum(law.doubts), 1.0)
    assert law.doubts[1] > shares[1]
    assert law.doubts[0] < shares[0]


def test_clear_bounce_has_no_risk() -> None:
    law = BounceModel()
    runs_us, gaps_us = [80.0, 100.0, 60.0], [90.0, 50.0, 70.0]
    assert law.shares(starts(runs_us, gaps_us), runs_us, gaps_us, len(runs_us)) == [1.0]
    assert law.doubts == [1.0]

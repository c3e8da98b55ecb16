"""Readings through a geared encoder with backlash, against the truth of the virtual engine.

Touches from both sides average the backlash away, readings do not: a reference left in the middle
would put every mean off by half the backlash.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from statistics import mean
from typing import Literal

import pytest
from played import PROFILE, Played

from rig.engine.geometry import geometry_of
from rig.engine.profile import Profile
from rig.tdc.dial_gauge import Gauge, GaugePoint
from rig.tdc.gauge_series import work_through
from rig.tdc.reference import TdcReference

SEEDS = [1, 2, *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(3, 6))]
LIFTS_AT_DEG = (32, 26, 20, 14)


def geared(ratio: str, backlash_deg: float, end: Literal["encoder", "crank"]) -> Profile:
    encoder = replace(
        PROFILE.encoder,
        turns_per_crank_turn=Fraction(ratio),
        backlash_deg=backlash_deg,
        backlash_error_deg=backlash_deg / 4.0,
        turned_at=end,
    )
    return replace(PROFILE, encoder=encoder)


def gauged(played: Played) -> TdcReference:
    """TDC by the dial gauge, each point come to with the piston rising."""
    points = []
    for way, words in ((1, "goto {} at 20"), (-1, "goto -{} back at 20")):
        played.do(f"goto {45 * way} at 60")
        for at in LIFTS_AT_DEG:
            played.do(words.format(at), "gauge")
            points.append(GaugePoint(played.crank_deg, float(played.rig.reply["travel_mm"])))
    profile = played.session.profile
    found = work_through(
        points, Gauge(0.01), geometry_of(profile.engine, 1), profile.encoder, cylinder=1
    )
    assert found.fit is not None
    return found.fit.reference


def errors(played: Played) -> list[tuple[float, float]]:
    """Of each unit and cylinder: by how much its figure misses the truth, and its U."""
    truth = played.rig.truth()["units"]
    found = []
    for judged in played.session.assessments():
        if judged.cylinder is None or judged.mean_btdc is None or judged.uncertainty is None:
            continue
        lobes = truth["1" if judged.unit == "upper" else "2"]["btdc"]
        read = judged.mean_btdc
        found.append((min((read - true for true in lobes), key=abs), judged.uncertainty.U_deg))
    return found


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize(
    ("ratio", "backlash_deg", "end"),
    [("9/16", 0.6, "encoder"), ("1/2", 0.6, "crank"), ("3/2", 0.4, "encoder")],
)
def test_the_backlash_is_taken_to_the_side_of_forward_movement(
    seed: int, ratio: str, backlash_deg: float, end: Literal["encoder", "crank"]
) -> None:
    played = Played(seed, geared(ratio, backlash_deg, end)).do("turn 740 at 180").touch(3)
    by_stop = played.session.reference
    assert by_stop is not None
    played.state_stroke().do("turn 1460 at 120")
    for reference in (by_stop, gauged(played)):
        played.session.reference = reference
        found = errors(played)
        assert len(found) == 8
        assert abs(mean(error for error, _ in found)) < backlash_deg / 4.0
        assert sum(abs(error) <= U for error, U in found) >= 6

"""Whether stated intervals hold the truth, in simulated sessions whose truth is known.

A session: the encoder sits with a run-out of unknown phase and with a graduation error of its own
at each position; dead centre is found by touching a stop from both sides; units with a spread of
their own are read on one or more cylinders. The errors are made here from what they physically are,
not from the contributions that the judgement lists, so that one left out or counted twice shows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest
from sample_engines import four, reading, unit

from rig.engine.profile import Encoder, Profile, Synchronism
from rig.engine.reference import Reference
from rig.engine.uncertainty import Contribution, combine
from rig.timing.compare import compare_units
from rig.timing.judge import judge
from rig.timing.results import Judgement, Reading

FIRES_AFTER_DEG = {1: 0.0, 3: 180.0, 4: 360.0, 2: 540.0}


@dataclass(frozen=True)
class Scenario:
    """Sizes in degrees of crank; ``touches`` is how often the stop is met on each side."""

    readings: int = 8
    cylinders: tuple[int, ...] = (1,)
    spread: float = 0.3
    touch_spread: float = 0.08
    touches: int = 4
    run_out: float = 0.02
    graduation: float = 0.02
    play: float = 0.0
    counts_per_turn: int = 4096


SCENARIOS = {
    "many readings": Scenario(readings=12),
    "few readings": Scenario(readings=3),
    "two on each of four": Scenario(readings=2, cylinders=(1, 3, 4, 2)),
    "poor dead centre": Scenario(spread=0.1, touch_spread=0.3, touches=3),
    "coarse encoder": Scenario(counts_per_turn=2400, graduation=0.1, spread=0.15),
}
BOUNDED = {
    "run-out": Scenario(run_out=0.3, spread=0.1, touch_spread=0.03),
    "run-out, four cylinders": Scenario(
        run_out=0.3, spread=0.1, touch_spread=0.03, readings=3, cylinders=(1, 3, 4, 2)
    ),
    "graduation": Scenario(graduation=0.3, spread=0.1, touch_spread=0.03),
    "play": Scenario(play=0.8, spread=0.1),
}
ALL = SCENARIOS | BOUNDED


class Bench:
    """Sessions of one scenario from one seed."""

    def __init__(self, scenario: Scenario, seed: int) -> None:
        self.scenario = scenario
        self.rng = np.random.default_rng(seed)
        one = unit("upper", 1, "1", 2)
        two = unit("lower", 2, "1", 2)
        if scenario.play:
            one = replace(one, play_deg=scenario.play)
            two = replace(two, play_deg=scenario.play)
        encoder = Encoder(
            scenario.counts_per_turn,
            graduation_error_deg=scenario.graduation,
            run_out_deg=scenario.run_out,
        )
        wanted = Synchronism("upper", "lower", 0.0, 1.0, "manual")
        self.profile: Profile = replace(four(one, two, encoder=encoder), synchronism=(wanted,))

    def session(self) -> tuple[dict[str, float], list[Reading], Reference]:
        """Mount the encoder, find dead centre, read both units. Returns the truth as well."""
        s, rng = self.scenario, self.rng
        phase = rng.uniform(0.0, 360.0)
        lines: dict[int, float] = {}

        def measured(crank_deg: float) -> float:
            place = round(crank_deg) % 360
            line = lines.setdefault(place, rng.uniform(-s.graduation, s.graduation))
            run_out = s.run_out * math.sin(math.radians(crank_deg + phase))
            placing = 0.1 * 360.0 / s.counts_per_turn / math.sqrt(12.0) * rng.normal()
            return crank_deg + line + run_out + placing

        tdc, half_arc = rng.uniform(60.0, 300.0), rng.uniform(25.0, 45.0)
        sides = [
            [measured(tdc + way * half_arc) + s.touch_spread * rng.normal()
             for _ in range(s.touches)]
            for way in (-1.0, 1.0)
        ]  # fmt: skip
        reference = self.reference(sides)
        truth, found = {}, []
        for name in ("upper", "lower"):
            truth[name] = rng.uniform(34.0, 38.0)
            pulled = rng.uniform(0.0, s.play)
            for cylinder in s.cylinders:
                for turn in range(1, s.readings + 1):
                    top = tdc + FIRES_AFTER_DEG[cylinder] + 720.0 * turn
                    opens = truth[name] + s.spread * rng.normal() + pulled
                    at = measured(top - opens)
                    btdc = reference.tdc_deg + FIRES_AFTER_DEG[cylinder] + 720.0 * turn - at
                    found.append(replace(reading(btdc, name, cylinder), crank_deg=at))
        return truth, found, reference

    def reference(self, sides: list[list[float]]) -> Reference:
        """Dead centre half-way between the touches, with their scatter as its uncertainty."""
        s = self.scenario
        squares = sum(float(np.var(side, ddof=1)) for side in sides)
        u_deg = math.sqrt(squares / s.touches) / 2.0
        part = Contribution("repeatability", u_deg, 2 * (s.touches - 1), "A", "")
        forward, backward = sides
        return Reference(
            tdc_deg=float(np.mean(sides)),
            uncertainty=combine([part]),
            method="stop",
            how="",
            forward_deg=tuple(forward),
            backward_deg=tuple(backward),
        )


def coverage(scenario: Scenario, sessions: int, seed: int = 20) -> tuple[float, float, float]:
    """Shares of sessions: mean held the truth, difference held it, verdict was wrong."""
    bench = Bench(scenario, seed)
    held, difference_held, wrong = 0, 0, 0
    for _ in range(sessions):
        truth, found, reference = bench.session()
        first = next(j for j in judge(found, bench.profile, reference) if j.unit == "upper")
        assert first.uncertainty is not None
        assert first.mean_btdc is not None
        held += abs(first.mean_btdc - truth["upper"]) <= first.uncertainty.U_deg
        wrong += _is_wrong(first, truth["upper"])
        both = compare_units(found, bench.profile, reference)[0]
        assert both.uncertainty is not None
        off = both.difference_deg - (truth["upper"] - truth["lower"])
        difference_held += abs(off) <= both.uncertainty.U_deg
    return held / sessions, difference_held / sessions, wrong / sessions


def _is_wrong(judgement: Judgement, truth: float) -> bool:
    inside = 35.0 <= truth <= 37.0
    return (judgement.verdict == "inside" and not inside) or (
        judgement.verdict == "outside" and inside
    )


@pytest.mark.parametrize("name", SCENARIOS)
def test_intervals_hold_the_truth_as_often_as_they_say(name: str) -> None:
    mean, difference, wrong = coverage(SCENARIOS[name], 300)
    assert 0.90 <= mean <= 0.99
    assert 0.90 <= difference <= 0.99
    assert wrong <= 0.025


@pytest.mark.parametrize("name", BOUNDED)
def test_bounded_parts_are_held_at_least_as_often(name: str) -> None:
    """A part with an end (arcsine, rectangular) that outweighs the rest lies within U more often
    than 95 %: its furthest value is 1.41 or 1.73 of its standard uncertainty, and k is 1.96."""
    mean, difference, wrong = coverage(BOUNDED[name], 150)
    assert mean >= 0.93
    assert difference >= 0.90
    assert wrong <= 0.025


@pytest.mark.bench
@pytest.mark.parametrize("name", ALL)
def test_coverage_over_two_thousand(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    mean, difference, wrong = coverage(ALL[name], 2000, seed=5)
    with capsys.disabled():
        print(f"\n{name:26} mean {mean:.3f}  difference {difference:.3f}  wrong {wrong:.4f}")
    assert mean >= 0.93
    assert difference >= 0.93
    assert wrong <= 0.025

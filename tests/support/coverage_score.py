"""How often stated intervals hold the truth over many whole jobs, and how often verdicts are wrong.

``SCENARIOS`` are the jobs. In each, the first unit's true mean lies exactly on a limit of its
window, where a verdict is hardest; in every other job so does the difference of the units. The
second unit lies where units lie.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from statistics import fmean, median

import numpy as np
from scipy.special import ndtr
from whole_job import NOMINAL, TOGETHER, TOLERANCE, Scenario, WholeJob

from rig.base.uncertainty import Contribution, Source, Uncertainty
from rig.tdc.reference import TdcReference
from rig.timing.assess import unit_figure
from rig.timing.values import Assessment, Verdict

SETTING = "full advance"
SCENARIOS = {
    "many readings": Scenario(readings=16),
    "four cylinders": Scenario(readings=6, cylinders=4),
    "few readings": Scenario(readings=3),
    "few, four cylinders": Scenario(readings=3, cylinders=4),
    "each of four once": Scenario(readings=1, cylinders=4, lobes=0.0),
    "two touches a side": Scenario(touches=2),
    "poor touches": Scenario(readings=8, spread=0.1, touch_spread=0.3, touches=6),
    "the hand leans": Scenario(lean=0.1),
    "offset limited": Scenario(offset="limited", offset_mm=2.0),
    "offset not stated": Scenario(offset="not stated"),
    "run-out beside the rest": Scenario(run_out=0.08),
    "encoder at half speed": Scenario(
        encoder_turns=Fraction(1, 2), run_out=0.02, encoder_play=0.3
    ),
    "encoder at twice the speed": Scenario(encoder_turns=Fraction(2), run_out=0.15),
    "steady touches, coarse": Scenario(touch_spread=0.02, touches=3, counts_per_turn=2400),
    "ten steady touches, coarse": Scenario(
        spread=0.05, touch_spread=0.01, touches=10, counts_per_turn=2400
    ),
    "graduation": Scenario(spread=0.1, touch_spread=0.04, touches=6, graduation=0.15),
    "geometry not stated": Scenario(touch_spread=0.04, offset="no geometry"),
    "offset outweighs": Scenario(
        spread=0.1, touch_spread=0.03, stop_mm=25.0, offset="not stated"
    ),
    "run-out outweighs": Scenario(spread=0.1, touch_spread=0.03, run_out=0.3),
    "run-out, four cylinders": Scenario(
        readings=3, cylinders=4, spread=0.1, touch_spread=0.03, run_out=0.3
    ),
    "run-out, geared to a half": Scenario(
        spread=0.1, touch_spread=0.03, encoder_turns=Fraction(1, 2), run_out=0.1
    ),
    "run-out up to what is stated": Scenario(
        spread=0.1, run_out=0.15, run_out_is="up to what is stated"
    ),
    "play outweighs": Scenario(spread=0.1, play=0.8),
}  # fmt: skip

_GRID = (np.arange(2000) + 0.5) / 2000
_RECTANGULAR = np.sqrt(3.0) * (2.0 * _GRID - 1.0)
# The mean of two places, each anywhere within the same width.
_TRIANGULAR = np.sqrt(6.0) * np.sign(_GRID - 0.5) * (1.0 - np.sqrt(1.0 - np.abs(2.0 * _GRID - 1.0)))
LAWS = {
    Source.RUN_OUT: np.sqrt(2.0) * np.sin(2.0 * np.pi * _GRID),  # arcsine
    Source.OFFSET: _RECTANGULAR,
    Source.BACKLASH: _RECTANGULAR,
    Source.BACKLASH_OF_BOTH: _TRIANGULAR,
    Source.COUNTING: _TRIANGULAR,
    Source.GRADUATION: _TRIANGULAR,
}
"""Parts whose error has an end, and its law: values of even chance, with a mean square of 1."""


@dataclass
class Tally:
    """One figure over many jobs: held or not, with what its interval was made from."""

    held: list[bool] = field(default_factory=list)
    nu_eff: list[float] = field(default_factory=list)
    largest: list[str] = field(default_factory=list)  # the largest part whose error has an end
    bounded: list[float] = field(default_factory=list)  # its share of the variance
    by_law: list[float] = field(default_factory=list)  # the coverage that its law makes

    def add(self, off_deg: float, uncertainty: Uncertainty, parts: Sequence[Contribution]) -> None:
        self.held.append(abs(off_deg) <= uncertainty.U_deg)
        self.nu_eff.append(uncertainty.nu_eff)
        source, share = _bounded_part(parts)
        self.bounded.append(share)
        self.largest.append(source or "")
        self.by_law.append(_coverage_by_law(source, share, uncertainty.k))

    @property
    def coverage(self) -> float:
        return fmean(self.held) if self.held else math.nan

    @property
    def usual_part(self) -> str:
        """The part with an end that is the largest most often."""
        return max(sorted(set(self.largest)), key=self.largest.count)

    @property
    def is_bounded(self) -> bool:
        """One part whose error has an end is more than half of the variance, more often than not"""
        return median(self.bounded) > 0.5

    @property
    def is_ordinary(self) -> bool:
        """Of 8 degrees of freedom or more, and no such part is more than half of the variance."""
        return median(self.nu_eff) >= 8.0 and not self.is_bounded


@dataclass
class Score:
    """What many jobs of one scenario came to."""

    jobs: int
    figures: dict[str, Tally]
    wrong: dict[str, float]  # shares of verdicts


def score(scenario: Scenario, jobs: int, seed: int) -> Score:
    """Do ``jobs`` whole jobs."""
    rng = np.random.default_rng(seed)
    figures = {name: Tally() for name in ("dead centre", "one cylinder", "unit", "difference")}
    accepted, refused, together, apart_said, wrong, moved = [], [], [], [], [], []
    for number in range(jobs):
        limit = NOMINAL + (TOLERANCE if number % 4 < 2 else -TOLERANCE)
        apart = float(rng.choice([-TOGETHER, TOGETHER]))
        other = limit - apart if number % 2 else rng.normal(NOMINAL, 0.8 * TOLERANCE)
        job = WholeJob(scenario, rng, (limit, other))
        _tally(job, figures)
        upper, lower = (_whole(job, unit) for unit in ("upper", "lower"))
        accepted.append(upper.verdict == "inside")
        refused.append(upper.verdict == "outside")
        wrong.append(_is_wrong(lower.verdict, abs(other - NOMINAL) <= TOLERANCE))
        moved.append(not job.session.comparisons())
        if number % 2:
            both = [each.verdict for each in job.session.comparisons()[:1]]
            together.append(both == ["inside"])
            apart_said.append(both == ["outside"])
    return Score(
        jobs,
        figures,
        {
            "inside, on the limit": fmean(accepted),
            "outside, on the limit": fmean(refused),
            "together, on the limit": fmean(together),
            "apart, on the limit": fmean(apart_said),
            "wrong, as units come": fmean(wrong),
            "moved, of steady units": fmean(moved),
        },
    )


def _tally(job: WholeJob, figures: dict[str, Tally]) -> None:
    reference = job.session.reference
    assert reference is not None, job.session.stop_result
    off = (reference.tdc_deg - job.tdc_deg + 180.0) % 360.0 - 180.0
    own = _named_by_law(reference, job)
    figures["dead centre"].add(off, reference.uncertainty, own)
    truth = job.btdc["lower"]
    judged = [j for j in job.session.assessments() if j.unit == "lower"]
    one = next(j for j in judged if j.cylinder == 1)
    for name, j, true in (
        ("one cylinder", one, truth[1]),
        ("unit", _whole(job, "lower"), fmean(truth.values())),
    ):
        if j.uncertainty is not None:
            assert j.mean_btdc is not None
            parts = [p for p in j.uncertainty.parts if p.source is not Source.TDC]
            parts += [p for p in own if p.source not in (Source.GRADUATION, Source.RUN_OUT)]
            figures[name].add(j.mean_btdc - true, j.uncertainty, parts)
    apart = fmean(job.btdc["upper"].values()) - fmean(truth.values())
    for both in job.session.comparisons()[:1]:  # none where a unit's readings lie in groups apart
        assert both.uncertainty is not None
        off = both.difference_deg - apart
        figures["difference"].add(off, both.uncertainty, both.uncertainty.parts)


def _named_by_law(reference: TdcReference, job: WholeJob) -> list[Contribution]:
    """The reference's parts; a spread of touches over two counts is rounding, which has an end."""
    q_deg = 360.0 / (job.scenario.counts_per_turn * float(job.scenario.encoder_turns))
    sides = reference.forward_deg, reference.backward_deg
    if any((max(side) - min(side) + 180.0) % 360.0 - 180.0 > 1.5 * q_deg for side in sides):
        return list(reference.uncertainty.parts)
    rounding = [
        p
        for p in reference.uncertainty.parts
        if p.source in (Source.COUNTING, Source.REPEATABILITY)
    ]
    others = [p for p in reference.uncertainty.parts if p not in rounding]
    u_deg = math.hypot(*(part.u_deg for part in rounding))
    return [*others, *(replace(part, source=Source.COUNTING, u_deg=u_deg) for part in rounding[:1])]


def _whole(job: WholeJob, unit: str) -> Assessment:
    found = unit_figure(job.session.assessments(), unit, SETTING)
    assert found is not None
    return found


def _is_wrong(verdict: Verdict, inside: bool) -> bool:
    return verdict == ("outside" if inside else "inside")


def _bounded_part(parts: Sequence[Contribution]) -> tuple[Source | None, float]:
    """The largest part whose error has an end, and its share of the variance."""
    bounded = [p for p in parts if p.source in LAWS]
    largest = max(bounded, key=lambda p: p.u_deg, default=None)
    if largest is None:
        return None, 0.0
    return largest.source, largest.u_deg**2 / sum(p.u_deg**2 for p in parts)


def _coverage_by_law(source: Source | None, share: float, k: float) -> float:
    """What +/- k holds of a bounded error with ``share`` of the variance and a normal rest."""
    law = 0.0 if source is None else LAWS[source] * math.sqrt(share)
    rest = math.sqrt(max(1.0 - share, 1e-12))
    return float(np.mean(ndtr((k - law) / rest) - ndtr((-k - law) / rest)))

"""Readings to assessments: per unit, setting and cylinder, against the window."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from rig.base.angles import wrap
from rig.base.earlier_rules import Rules
from rig.base.uncertainty import combine
from rig.engine.profile import Encoder, Profile, Setting, Unit
from rig.tdc.reference import TdcReference
from rig.timing.means import Sample, valid_readings
from rig.timing.uncertainty_budget import parts_of_mean
from rig.timing.values import ADJUSTING, PHASES, WORST_FIRST, Assessment, Mark, Reading, Verdict
from rig.timing.verdict import decide_spread, judge

KINDS = ("turned", "set", "impulse")


def assess(
    readings: Sequence[Reading],
    profile: Profile,
    reference: TdcReference,
    rules: Rules = (),
) -> list[Assessment]:
    """Assess all valid readings, grouped by unit, setting, phase, kind and cylinder.

    Order: units and settings as in the profile, phases in order, kinds "turned", "set", "impulse";
    first the mean over all cylinders (``cylinder`` None), then each cylinder. The mean over all
    cylinders is the mean of the cylinders' means; there is none if only one cylinder was read or
    if windows are per cylinder. Readings a whole crank turn out are assessed apart, and never as
    inside. Only "turned" readings get a verdict. ``rules`` are those of an earlier version.

    Trips of an impulse coupling must be marked before
    (``rig.timing.impulse.separate_impulse_trips``).
    """
    found = []
    for unit in profile.units:
        for setting in unit.settings:
            running: dict[tuple[str, int | None], float] = {}
            for sample in _samples(readings, unit, setting, profile.encoder, rules):
                for cylinder in sample.averaged(setting) if sample.has_means else [None]:
                    one = _assessment(sample, cylinder, setting, profile, reference, rules)
                    key = (one.phase, cylinder)
                    if one.mean_btdc is not None and one.kind == "turned":
                        running[key] = one.mean_btdc
                    elif one.mean_btdc is not None and one.kind == "impulse" and key in running:
                        one = replace(one, lag_deg=wrap(running[key] - one.mean_btdc))
                    found.append(one)
    return found


def unit_figure(
    assessments: Sequence[Assessment],
    unit: str,
    setting: str,
    phase: str = "as found",
    kind: str = "turned",
) -> Assessment | None:
    """The assessment of the whole unit: over all cylinders, else of its only cylinder.

    None when there is none (nothing read, or windows per cylinder).
    """
    wanted = (unit, setting, phase, kind)
    own = [j for j in assessments if (j.unit, j.setting, j.phase, j.kind) == wanted]
    over_all = [j for j in own if j.cylinder is None]
    candidates = over_all or (own if len({j.cylinder for j in own}) == 1 else [])
    return min(candidates, key=lambda j: Mark.ONE_TURN_OUT in j.marks, default=None)


@dataclass(frozen=True, slots=True)
class UnitVerdict:
    """The verdict on a unit in one setting and phase: that of its worst cylinder.

    ``beyond_deg`` is how far the worst mean is beyond its limit, on ``side``; None unless its angle
    is outside. ``cylinders`` have this verdict; empty if all have it.
    """

    verdict: Verdict = "no window set"
    side: Literal["early", "late", ""] = ""
    beyond_deg: float | None = None
    U_deg: float | None = None  # of the worst mean
    cylinders: tuple[int, ...] = ()
    one_turn_out: bool = False


def unit_verdict(
    assessments: Sequence[Assessment], unit: str, setting: str, phase: str = "as found"
) -> UnitVerdict:
    """The verdict on a unit by its turned readings."""
    wanted = (unit, setting, phase, "turned")
    return verdict_over([j for j in assessments if (j.unit, j.setting, j.phase, j.kind) == wanted])


def verdict_over(own: Sequence[Assessment]) -> UnitVerdict:
    """The worst verdict among assessments of one unit, over all cylinders and on each."""
    verdict: Verdict = next(
        (each for each in WORST_FIRST if any(j.verdict == each for j in own)), "no window set"
    )
    having = [j for j in own if j.verdict == verdict]
    one_turn_out = any(Mark.ONE_TURN_OUT in j.marks for j in having)
    cylinders = [j.cylinder for j in having if j.cylinder is not None]
    if len(cylinders) == sum(j.cylinder is not None for j in own):
        cylinders = []
    if verdict != "outside" or one_turn_out:
        return UnitVerdict(
            verdict, cylinders=tuple(cylinders), one_turn_out=verdict == "outside" and one_turn_out
        )
    beyond, side, U_deg = max((_beyond(j) for j in having), key=lambda each: each[0])
    return UnitVerdict(verdict, side, beyond, U_deg, tuple(cylinders))


def _beyond(j: Assessment) -> tuple[float, Literal["early", "late"], float | None]:
    """How far a mean is beyond the nearer limit; which one; its U, degrees."""
    U_deg = j.U_deg
    if j.mean_btdc is None or j.earliest_btdc is None or j.latest_btdc is None:
        return -math.inf, "early", U_deg
    early, late = wrap(j.mean_btdc - j.earliest_btdc), wrap(j.latest_btdc - j.mean_btdc)
    return (early, "early", U_deg) if early > late else (late, "late", U_deg)


def found_and_left(assessments: Sequence[Assessment]) -> list[Assessment]:
    """As found, then as left; adjusting only if nothing was read as left."""
    left = {(j.unit, j.setting) for j in assessments if j.phase == "as left"}
    kept = [j for j in assessments if j.phase != ADJUSTING or (j.unit, j.setting) not in left]
    return sorted(kept, key=lambda j: PHASES.index(j.phase) if j.phase in PHASES else len(PHASES))


def _samples(
    readings: Sequence[Reading], unit: Unit, setting: Setting, encoder: Encoder, rules: Rules
) -> Iterator[Sample]:
    """The readings that belong together; those a crank turn out after the others of their kind."""
    own = [r for r in valid_readings(readings) if r.unit == unit.name and r.setting == setting.name]
    for phase in PHASES:
        for kind in KINDS:
            for wrong in (False, True):
                group = [
                    r for r in own if (r.phase, r.kind, r.wrong_stroke) == (phase, kind, wrong)
                ]
                if group:
                    yield Sample(group, unit, encoder, rules)


def _assessment(
    sample: Sample,
    cylinder: int | None,
    setting: Setting,
    profile: Profile,
    reference: TdcReference,
    rules: Rules,
) -> Assessment:
    """Of a cylinder or of all; without a mean where there is none."""
    groups = sample.groups(cylinder) if sample.has_means else ()
    figure = sample.figure(cylinder) if sample.has_means and not groups else None
    unit = sample.unit
    of = sample.readings if cylinder is None else sample.cells[False, cylinder]
    first, rule = of[0], profile.decision_rule
    window = setting.window
    if setting.per_cylinder:
        window = setting.per_cylinder.get(cylinder, window) if cylinder else None
    judged = window if first.kind == "turned" else None
    found = Assessment(
        unit=unit.name,
        setting=setting.name,
        cylinder=cylinder,
        phase=first.phase,
        kind=first.kind,
        n=len(of),
        mean_btdc=None,
        sd_deg=None,
        uncertainty=None,
        earliest_btdc=window.earliest_btdc if window else None,
        nominal_btdc=window.nominal_btdc if window else None,
        latest_btdc=window.latest_btdc if window else None,
        verdict="inconclusive" if judged else "no window set",
        spread_verdict="no window set",
        rule=rule,
        marks=_marks(of, unit, in_groups=bool(groups)),
        groups=groups,
        in_turn=sample.split.in_turn if groups and sample.split else None,
    )
    if figure is None:
        return found
    parts = parts_of_mean(figure, unit, profile, reference, rules)
    found = replace(
        found,
        mean_btdc=figure.mean_btdc,
        sd_deg=figure.sd_deg,
        uncertainty=None if parts is None else combine(parts),
    )
    if first.kind != "turned":
        return found
    spread = decide_spread(figure.sd_deg, figure.n, setting.spread_limit_deg, rule)
    found = replace(found, spread_verdict=spread)
    if judged is None:
        return found
    off, late, early = (
        wrap(each - judged.nominal_btdc)
        for each in (figure.mean_btdc, judged.latest_btdc, judged.earliest_btdc)
    )
    verdict, probability = judge(off, found.uncertainty, late, early, rule)
    if first.wrong_stroke:
        verdict, probability = "outside", None
    return replace(found, verdict=verdict, probability_inside=probability)


def _marks(group: Sequence[Reading], unit: Unit, *, in_groups: bool) -> tuple[Mark, ...]:
    marks = {
        Mark.ONE_TURN_OUT: group[0].wrong_stroke,
        Mark.STROKE_NOT_ENTERED: not all(r.stroke_known for r in group),
        Mark.CONFIRM_BY_TURNING: group[0].kind == "set",
        Mark.IMPULSE_COUPLING: group[0].kind == "impulse",
        Mark.PAPER_MEANT: unit.meaning == "paper",
        Mark.DRAG_HELD: all(r.drag for r in group),
        Mark.IN_GROUPS: in_groups,
    }
    return tuple(mark for mark, holds in marks.items() if holds)

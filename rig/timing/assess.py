"""Readings to assessments: per unit, setting and cylinder, against the window."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from rig.base.angles import wrap
from rig.base.uncertainty import Contribution, combine
from rig.engine.profile import Profile, Setting, Unit, Window
from rig.tdc.reference import TdcReference
from rig.timing import uncertainty_budget
from rig.timing.groups import Split
from rig.timing.uncertainty_budget import (
    Figure,
    cells_of,
    figure_over,
    has_mean,
    split_of,
    spread_of,
    valid_readings,
)
from rig.timing.values import ADJUSTING, PHASES, Assessment, Group, Mark, Reading, Verdict
from rig.timing.verdict import decide, decide_spread, probability_inside

KINDS = ("turned", "set", "impulse")
WORST_FIRST: tuple[Verdict, ...] = ("outside", "inconclusive", "no window set", "inside")


def assess(
    readings: Sequence[Reading],
    profile: Profile,
    reference: TdcReference,
) -> list[Assessment]:
    """Assess all valid readings, grouped by unit, setting, phase, kind and cylinder.

    Order: units and settings as in the profile, phases in order, kinds "turned", "set", "impulse";
    first the mean over all cylinders (``cylinder`` None), then each cylinder. The mean over all
    cylinders is the mean of the cylinders' means; there is none if only one cylinder was read or
    if windows are per cylinder. Readings a whole crank turn out are assessed apart, and never as
    inside. Only "turned" readings get a verdict.

    Trips of an impulse coupling must be marked before
    (``rig.timing.impulse.separate_impulse_trips``).
    """
    assessments = []
    for unit in profile.units:
        for setting in unit.settings:
            running: dict[tuple[str, int | None], float] = {}
            for group in _groups(readings, unit, setting):
                split = (
                    split_of(group, profile.encoder, unit.backlash_deg) if has_mean(group) else None
                )
                if not (has_mean(group) and (split is None or split.has_means(group))):
                    assessments.append(_assessment(group, unit, setting, profile))
                    continue
                for figure in _figures(group, profile, setting):
                    groups = _groups_of(figure, group, split)
                    if split is not None and groups:
                        found = _assessment(group, unit, setting, profile, figure.cylinder)
                        marks = (*found.marks, Mark.IN_GROUPS)
                        in_turn = split.in_turn
                        found = replace(
                            found, n=figure.n, marks=marks, groups=groups, in_turn=in_turn
                        )
                        assessments.append(found)
                        continue
                    parts = contributions(figure, profile, reference, unit)
                    found = _of_figure(figure, unit, setting, profile, parts)
                    key = (found.phase, found.cylinder)
                    if found.kind == "turned":
                        running[key] = figure.mean_btdc
                    elif found.kind == "impulse" and key in running:
                        found = replace(found, lag_deg=wrap(running[key] - figure.mean_btdc))
                    assessments.append(found)
    return assessments


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


def contributions(
    figure: Figure, profile: Profile, reference: TdcReference, unit: Unit
) -> list[Contribution]:
    """All contributions to the uncertainty of a mean opening BTDC, repeatability first if known."""
    encoder = profile.encoder
    datum = uncertainty_budget.reference_seat(reference, encoder)
    parts = [figure.repeatability] if figure.repeatability else []
    parts += [
        uncertainty_budget.top_dead_centre(reference),
        uncertainty_budget.counting(encoder),
        uncertainty_budget.graduation(encoder, figure.seat, datum),
        uncertainty_budget.run_out(encoder, figure.seat, datum),
    ]
    cylinders = sorted({r.cylinder for r in figure.readings if r.cylinder is not None})
    entered = uncertainty_budget.entered_tdc(profile.engine, cylinders, reference.cylinder)
    parts += [entered] if entered else []
    if unit.backlash_deg and not figure.with_drag:
        parts.append(uncertainty_budget.backlash(unit.backlash_deg))
    if figure.readings[0].kind == "set":
        parts.append(uncertainty_budget.hand())
    return parts + uncertainty_budget.sensing_delay(unit, figure)


def _groups(readings: Sequence[Reading], unit: Unit, setting: Setting) -> list[list[Reading]]:
    own = [r for r in valid_readings(readings) if r.unit == unit.name and r.setting == setting.name]
    groups = (
        [r for r in own if (r.phase, r.kind, r.wrong_stroke) == (phase, kind, wrong)]
        for phase in PHASES
        for kind in KINDS
        for wrong in (False, True)
    )
    return [group for group in groups if group]


def _figures(group: Sequence[Reading], profile: Profile, setting: Setting) -> list[Figure]:
    """The mean over all cylinders, if there is one, then each known cylinder's."""
    cells = cells_of(group)
    whole = sum((spread_of(cell) for cell in cells), uncertainty_budget.Spread())
    each = [
        figure_over([cell], profile.encoder, cylinder=cell[0].cylinder, unit=whole)
        for cell in cells
        if cell[0].cylinder is not None
    ]
    all_known = len(each) == len(cells)
    if all_known and (len(each) == 1 or setting.per_cylinder):
        return each
    return [figure_over(cells, profile.encoder), *each]


def _assessment(
    readings: Sequence[Reading],
    unit: Unit,
    setting: Setting,
    profile: Profile,
    cylinder: int | None = None,
) -> Assessment:
    """Of readings without a mean, or as far as it does not depend on one."""
    first, window = readings[0], _window(cylinder, setting)
    return Assessment(
        unit=unit.name,
        setting=setting.name,
        cylinder=cylinder,
        phase=first.phase,
        kind=first.kind,
        n=len(readings),
        mean_btdc=None,
        sd_deg=None,
        uncertainty=None,
        earliest_btdc=window.earliest_btdc if window else None,
        nominal_btdc=window.nominal_btdc if window else None,
        latest_btdc=window.latest_btdc if window else None,
        verdict="inconclusive" if window and first.kind == "turned" else "no window set",
        spread_verdict="no window set",
        rule=profile.decision_rule,
        marks=_marks(readings, unit),
    )


def _of_figure(
    figure: Figure, unit: Unit, setting: Setting, profile: Profile, parts: list[Contribution]
) -> Assessment:
    """Of readings with a mean."""
    first, rule = figure.readings[0], profile.decision_rule
    found = _assessment(figure.readings, unit, setting, profile, figure.cylinder)
    uncertainty = combine(parts) if figure.repeatability else None
    verdict, probability = found.verdict, None
    window = _window(figure.cylinder, setting)
    if window is not None and first.kind == "turned":
        deviation = wrap(figure.mean_btdc - window.nominal_btdc)
        lower = wrap(window.latest_btdc - window.nominal_btdc)
        upper = wrap(window.earliest_btdc - window.nominal_btdc)
        U_deg = uncertainty.U_deg if uncertainty else None
        verdict = decide(deviation, U_deg, lower, upper, rule)
        if first.wrong_stroke:
            verdict = "outside"
        elif verdict == "inconclusive":
            probability = probability_inside(deviation, uncertainty, lower, upper)
    limit = setting.spread_limit_deg if first.kind == "turned" else None
    return replace(
        found,
        mean_btdc=figure.mean_btdc,
        sd_deg=figure.sd_deg,
        uncertainty=uncertainty,
        verdict=verdict,
        spread_verdict=decide_spread(figure.sd_deg, figure.n, limit, rule),
        probability_inside=probability,
    )


def _groups_of(figure: Figure, group: Sequence[Reading], split: Split | None) -> tuple[Group, ...]:
    """The groups of a figure's readings; empty if it has a mean."""
    if split is None:
        return ()
    if figure.cylinder is None:
        return split.groups(group)
    lobe = next(
        number
        for reading, number in zip(group, split.lobes, strict=True)
        if reading.cylinder == figure.cylinder
    )
    return split.groups(group, lobe) if split.spoils(lobe) else ()


def _window(cylinder: int | None, setting: Setting) -> Window | None:
    if not setting.per_cylinder:
        return setting.window
    if cylinder is None:
        return None
    return setting.per_cylinder.get(cylinder, setting.window)


def _marks(group: Sequence[Reading], unit: Unit) -> tuple[Mark, ...]:
    marks = {
        Mark.ONE_TURN_OUT: group[0].wrong_stroke,
        Mark.STROKE_NOT_STATED: not all(r.stroke_known for r in group),
        Mark.CONFIRM_BY_TURNING: group[0].kind == "set",
        Mark.IMPULSE_COUPLING: group[0].kind == "impulse",
        Mark.PAPER_MEANT: unit.meaning == "paper",
        Mark.DRAG_HELD: all(r.drag for r in group),
    }
    return tuple(mark for mark, holds in marks.items() if holds)

"""Top dead centre by equal lifts: the same gauge reading either side of the top, at several lifts.

The middles, carried back in a straight line to zero lift, give dead centre without anything being
known of the engine. With a cylinder offset of a few millimetres what the line leaves is about a
thousandth of a degree. Sources: dividing the circle between two equal positions is the old method
for dead centres (Ahrons, Steam Locomotive Construction and Maintenance); carrying it back to zero
lift is geometry.

A hand cannot always stop on the same hundredth: lifts that are ``near`` one another are brought
together along the slider-crank, which near the top goes with the square root of the lift.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from rig.counted import many
from rig.engine.dead_centre.gauge import Floats, Gauge, GaugePoint, on_one_turn, share
from rig.engine.dead_centre.reference import UNSTATED_CRANK, Reference, offset_bias
from rig.engine.geometry import btdc_from_travel_deg, stop_travel_mm, stroke_mm
from rig.engine.profile import Geometry
from rig.engine.uncertainty import Contribution, combine, rectangular
from rig.faults import InputError

LEAST_ARC_DEG = 2.0  # angles at one lift nearer together than this are on one side
SAME_LIFT_MM = 1e-6
NEAR_MM, NEAR_SHARE = 0.05, 0.1
"""How far two lifts may be apart to be brought together: so many millimetres, and that share of the
smaller one. ``NOT_KNOWN`` of 0.05 mm is about what a reading of the gauge is good to."""
NOT_KNOWN = 0.15
"""Share of such a step that is taken as not known: a rod of anything from 2.8 throws up makes 0.14
of it a quarter turn from the top, and a gauge's zero 0.05 mm off a tenth at 0.5 mm of lift."""
NEARLY_EQUAL = "lifts nearly equal"


def near(one_mm: float, other_mm: float) -> bool:
    """Whether two lifts, one either side, can be brought together. Source: ``NEAR_MM``."""
    most = min(NEAR_MM, NEAR_SHARE * min(one_mm, other_mm))
    return abs(one_mm - other_mm) <= most + SAME_LIFT_MM


@dataclass(frozen=True, slots=True)
class Middle:
    """Half-way between the two sides at one lift, and its standard uncertainty, degrees.

    Where the lifts were only nearly equal ``lift_mm`` is half-way between them, the one after the
    top is ``apart_mm`` more than the one before it, and the middle was moved by ``moved_deg``.
    """

    lift_mm: float
    middle_deg: float
    half_arc_deg: float
    u_deg: float
    apart_mm: float = 0.0
    moved_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class EqualLifts:
    """Dead centre by equal lifts, the middles it rests on, and what was left out."""

    reference: Reference
    middles: tuple[Middle, ...]
    deg_per_mm: float  # slope of the line through the middles; 0 for a single lift


def equal_lifts(
    points: Sequence[GaugePoint],
    gauge: Gauge,
    geometry: Geometry | None = None,
    *,
    cylinder: int = 1,
    parts: Sequence[Contribution] = (),
) -> EqualLifts:
    """Dead centre from pairs of equal lifts either side, carried back to zero lift.

    Repeats on a side are averaged; lifts that are only ``near`` are brought together, which is
    counted and said. A single lift has no line: then the cylinder's offset is taken out when
    ``geometry`` knows it, and put into the uncertainty when it does not, as for a stop. ``parts``
    are further uncertainties (encoder, mounting). An inclined gauge changes nothing
    here. Raises InputError when no lift was read on both sides. Source: see the module.
    """
    middles, left_out = _middles(points, gauge, geometry)
    lift = np.array([m.lift_mm for m in middles])
    middle = np.array([m.middle_deg for m in middles])
    weight = np.array([m.u_deg for m in middles]) ** -2.0
    warnings = [f"lift {x:g} mm was read on one side only and left out" for x in left_out]
    together = [m for m in middles if m.apart_mm]
    warnings += [_in_words(m) for m in together]
    freedom = len(middles) - 2
    pull = np.ones(1)  # of each middle on dead centre
    more, scatter = list(parts), 0.0
    if len(middles) == 1:
        tdc, slope, u = float(middle[0]), 0.0, middles[0].u_deg
        bias, left = offset_bias(middles[0].half_arc_deg, geometry)
        tdc -= bias
        more.append(left)
        warnings.append("one lift only: a second would take a cylinder offset out by itself")
    else:
        design = np.column_stack([np.ones_like(lift), lift])
        cov = np.linalg.inv(design.T @ (design * weight[:, None]))
        tdc, slope = (float(v) for v in cov @ design.T @ (weight * middle))
        pull = cov[0] @ design.T * weight
        u = math.sqrt(cov[0, 0])
        chi2 = float(np.sum(weight * (middle - tdc - slope * lift) ** 2))
        scatter = math.sqrt(chi2 / freedom) if freedom else 0.0
        u *= max(1.0, scatter)
        if not freedom:
            warnings.append("two lifts make a line that nothing tests; a third would")
    if together:
        more.append(_not_known(middles, pull))
    how = (
        f"equal lifts either side at {many(len(middles), 'lift')}"
        f"{', carried back to zero lift' if len(middles) > 1 else ''}"
        f"{', nearly equal ones brought together' if together else ''}"
    )
    part = share(u, scatter, max(0, freedom), how)
    reference = Reference(
        tdc_deg=tdc % 360.0,
        uncertainty=combine([part, *more]),
        method="gauge, equal lifts",
        how=how,
        cylinder=cylinder,
        warnings=tuple(warnings),
    )
    return EqualLifts(reference, tuple(middles), slope)


def _middles(
    points: Sequence[GaugePoint], gauge: Gauge, geometry: Geometry | None
) -> tuple[list[Middle], list[float]]:
    """The middles in order of their lifts, and the lifts that have no partner."""
    if len(points) < 2:
        raise InputError(
            f"gauge points read so far: {len(points)}, too few: "
            "read at least one lift on either side"
        )
    angles = on_one_turn([p.angle_deg for p in points])
    lifts = np.array([p.lift_mm for p in points])
    middles: list[Middle] = []
    alone: list[tuple[float, Floats]] = []
    steps = np.round(lifts / SAME_LIFT_MM)
    different = np.unique(steps)
    for same in np.split(different, np.flatnonzero(np.diff(different) > 1.0) + 1):
        lift = same[0] * SAME_LIFT_MM
        at = np.sort(angles[np.isin(steps, same)])
        gap = np.diff(at)
        if not gap.size or gap.max() < LEAST_ARC_DEG:
            alone.append((float(lift), at))
            continue
        if lift <= 0.0:
            raise InputError(f"a lift of {lift:g} mm: state how far the piston is below the top")
        cut = int(gap.argmax()) + 1
        middles.append(_middle(float(lift), at[:cut], at[cut:], gauge))
    found, left_out = _brought_together(alone, gauge, geometry)
    middles += found
    if not middles:
        raise InputError(
            "no lift was read on both sides of the top: "
            f"bring the gauge to the same reading on the other side, within {NEAR_MM:g} mm"
        )
    return sorted(middles, key=lambda m: m.lift_mm), left_out


def _middle(lift_mm: float, before: Floats, after: Floats, gauge: Gauge) -> Middle:
    half = float(after.mean() - before.mean()) / 2.0
    touch = math.hypot(gauge.u_lift_mm * half / (2.0 * lift_mm), gauge.u_angle_deg)
    u = touch / 2.0 * math.sqrt(1.0 / len(before) + 1.0 / len(after))
    return Middle(lift_mm, float(before.mean()) + half, half, u)


def _brought_together(
    alone: Sequence[tuple[float, Floats]], gauge: Gauge, geometry: Geometry | None
) -> tuple[list[Middle], list[float]]:
    """Middles of lifts that have a near one on the other side, and the rest; ``alone`` is in order
    of the lifts and is gone through in it, so that as many as can find one."""
    pairs = [
        (one, other)
        for one, other in combinations(range(len(alone)), 2)
        if alone[one][0] > 0.0
        and near(alone[one][0], alone[other][0])
        and abs(alone[one][1].mean() - alone[other][1].mean()) >= LEAST_ARC_DEG
    ]
    found: list[Middle] = []
    taken: set[int] = set()
    for pair in pairs:
        if taken.isdisjoint(pair):
            taken.update(pair)
            before, after = sorted((alone[n] for n in pair), key=lambda each: each[1].mean())
            found.append(_half_way(before, after, gauge, geometry))
    return found, [lift for n, (lift, _) in enumerate(alone) if n not in taken]


def _half_way(
    before: tuple[float, Floats],
    after: tuple[float, Floats],
    gauge: Gauge,
    geometry: Geometry | None,
) -> Middle:
    """The middle of two nearly equal lifts, each side carried to the lift half-way.

    Source: the slider-crank through the arc between them; an offset is of no account in it.
    """
    lift_mm = (before[0] + after[0]) / 2.0
    plain = _middle(lift_mm, before[1], after[1], gauge)
    crank = replace(geometry or UNSTATED_CRANK, offset_mm=0.0)
    travel_mm = stop_travel_mm(plain.half_arc_deg, crank)
    from_top = [
        btdc_from_travel_deg(min(travel_mm * lift / lift_mm, stroke_mm(crank)), crank)
        for lift in (before[0], after[0])
    ]
    moved_deg = (from_top[0] - from_top[1]) / 2.0
    return replace(
        plain,
        middle_deg=plain.middle_deg + moved_deg,
        apart_mm=after[0] - before[0],
        moved_deg=moved_deg,
    )


def _in_words(middle: Middle) -> str:
    before, after = (middle.lift_mm + side * middle.apart_mm / 2.0 for side in (-1, 1))
    return (
        f"lift {before:g} mm before the top and {after:g} mm after it are brought together, which"
        f" moves their middle by {middle.moved_deg:+.3f} degrees"
    )


def _not_known(middles: Sequence[Middle], pull: Floats) -> Contribution:
    """What bringing lifts together may err by: of one gauge and one crank, so it adds up."""
    step_deg = float(np.sum(np.abs(pull) * [abs(m.moved_deg) for m in middles]))
    how = f"rectangular, {NOT_KNOWN:g} of {step_deg:.3f} that dead centre is moved by (4.3.7)"
    return Contribution(NEARLY_EQUAL, rectangular(NOT_KNOWN * step_deg), math.inf, "B", how)

"""Top dead centre by equal lifts: the same gauge reading either side of the top, at several lifts.

The middles, carried back in a straight line to zero lift, give dead centre without anything being
known of the engine. With a cylinder offset of a few millimetres what the line leaves is about a
thousandth of a degree. Sources: dividing the circle between two equal positions is the old method
for dead centres (Ahrons, Steam Locomotive Construction and Maintenance); carrying it back to zero
lift is geometry.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.engine.gauge import Gauge, GaugePoint, on_one_turn, share
from rig.engine.profile import Geometry
from rig.engine.reference import Reference, offset_bias
from rig.engine.uncertainty import Contribution, combine
from rig.faults import InputError

LEAST_ARC_DEG = 2.0  # angles at one lift nearer together than this are on one side
SAME_LIFT_MM = 1e-6


@dataclass(frozen=True, slots=True)
class Middle:
    """Half-way between the two sides at one lift, and its standard uncertainty, degrees."""

    lift_mm: float
    middle_deg: float
    half_arc_deg: float
    u_deg: float


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

    Repeats on a side are averaged. A single lift has no line: then the cylinder's offset is taken
    out when ``geometry`` knows it, and put into the uncertainty when it does not, as for a stop.
    ``parts`` are further uncertainties (encoder, mounting). An inclined gauge changes nothing
    here. Raises InputError when no lift was read on both sides. Source: see the module.
    """
    middles, left_out = _middles(points, gauge)
    lift = np.array([m.lift_mm for m in middles])
    middle = np.array([m.middle_deg for m in middles])
    weight = np.array([m.u_deg for m in middles]) ** -2.0
    warnings = [f"lift {x:g} mm was read on one side only and left out" for x in left_out]
    freedom = len(middles) - 2
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
        u = math.sqrt(cov[0, 0])
        chi2 = float(np.sum(weight * (middle - tdc - slope * lift) ** 2))
        scatter = math.sqrt(chi2 / freedom) if freedom else 0.0
        u *= max(1.0, scatter)
        if not freedom:
            warnings.append("two lifts make a line that nothing tests; a third would")
    how = (
        f"equal lifts either side at {len(middles)} lift{'s' if len(middles) > 1 else ''}"
        f"{', carried back to zero lift' if len(middles) > 1 else ''}"
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


def _middles(points: Sequence[GaugePoint], gauge: Gauge) -> tuple[list[Middle], list[float]]:
    if len(points) < 2:
        raise InputError(
            f"{len(points)} gauge points are too few: read at least one lift on either side"
        )
    angles = on_one_turn([p.angle_deg for p in points])
    lifts = np.array([p.lift_mm for p in points])
    middles: list[Middle] = []
    left_out: list[float] = []
    for lift in np.unique(np.round(lifts / SAME_LIFT_MM)) * SAME_LIFT_MM:
        at = np.sort(angles[np.abs(lifts - lift) < SAME_LIFT_MM])
        gap = np.diff(at)
        if not gap.size or gap.max() < LEAST_ARC_DEG:
            left_out.append(float(lift))
            continue
        if lift <= 0.0:
            raise InputError(f"a lift of {lift:g} mm: state how far the piston is below the top")
        cut = int(gap.argmax()) + 1
        before, after = at[:cut], at[cut:]
        half = float(after.mean() - before.mean()) / 2.0
        touch = math.hypot(gauge.u_lift_mm * half / (2.0 * float(lift)), gauge.u_angle_deg)
        u = touch / 2.0 * math.sqrt(1.0 / len(before) + 1.0 / len(after))
        middles.append(Middle(float(lift), float(before.mean()) + half, half, u))
    if not middles:
        raise InputError(
            "the gauge points lie all on one side of the top, or no lift was read on both: "
            "bring the gauge to the same reading on the other side"
        )
    return middles, left_out

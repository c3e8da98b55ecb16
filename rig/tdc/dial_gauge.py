"""Top dead centre by a dial gauge on the piston: the exact slider-crank curve, and equal drops.

Readings are piston drops: the distance of the piston below TDC as the gauge shows it, in
millimetres (``drop_mm`` in code and files). The gauge's zero may be slightly off; the fit finds it.
Angles are degrees after the index in the normal direction, on any turn. Each point is approached
with the piston rising: forwards before TDC, backwards after it.

``fit`` uses throw and rod. ``equal_drops`` needs no engine data: it takes the middle between equal
drops on either side, at several drops, and extrapolates the middles to zero. With a cylinder offset
of a few millimetres the remaining error is about a thousandth of a degree. A hand cannot always
stop at the same hundredth, so nearly equal drops are corrected along the slider-crank.

Sources: geometry; least squares as in JCGM 100:2008, H.3; equal positions as in Ahrons, Steam
Locomotive Construction and Maintenance.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from rig.base.angles import circular_mean, modulo, nearest, resultant
from rig.base.errors import InputError
from rig.base.rounding import many
from rig.base.uncertainty import Contribution, Source, combine, rectangular
from rig.engine import geometry as crank
from rig.engine.geometry import btdc_from_travel_deg, stop_travel_mm
from rig.engine.profile import Geometry
from rig.tdc.reference import USUAL_CRANK, Method, TdcReference, offset_bias

Floats = NDArray[np.float64]
# Readings whose curve bulges upwards by more than this many standard uncertainties grow towards the
# top; with less they may be on a straight line (common practice, no source).
GROWS_SIGMAS = 5.0


@dataclass(frozen=True, slots=True)
class GaugePoint:
    """A gauge reading at an angle of the rig."""

    angle_deg: float
    drop_mm: float


@dataclass(frozen=True, slots=True)
class Gauge:
    """The gauge as set up, and the standard uncertainties of its readings and of the angle.

    An inclined gauge needs its ``case``: a plunger that slides on a flat crown square to the bore
    reads travel/cos(inclination), a rod pinned to one point of the crown reads
    travel x cos(inclination). By default a reading is good to a hundredth, plus or minus one
    division (common practice, no source).
    """

    u_drop_mm: float = 0.006
    u_angle_deg: float = 0.025
    inclination_deg: float = 0.0
    case: Literal["", "sliding", "pinned"] = ""

    @property
    def mm_per_mm(self) -> float:
        """Gauge reading for a millimetre of piston travel.

        Raises InputError for an inclined gauge without its case. Source: geometry; the
        person enters which case applies.
        """
        if not 0.0 <= self.inclination_deg < 80.0:
            raise InputError(
                f"inclination {self.inclination_deg:g}°: enter 0 to 80 degrees; a gauge inclined "
                "further cannot be corrected"
            )
        cosine = math.cos(math.radians(self.inclination_deg))
        if self.inclination_deg == 0.0:
            return 1.0
        if self.case == "sliding":
            return 1.0 / cosine
        if self.case == "pinned":
            return cosine
        raise InputError(
            "the gauge is inclined: enter sliding if its plunger slides on a flat crown, pinned if "
            "its rod is pinned to one point of it; on a domed crown neither applies"
        )


@dataclass(frozen=True, slots=True)
class Fit:
    """TDC by the exact curve. ``residuals_mm``: reading minus curve, one per point."""

    reference: TdcReference
    x: tuple[float, float, float]  # TDC (deg, on the turn of the points), zero, offset (mm)
    covariance: tuple[tuple[float, ...], ...]  # of the same, as far as they were fitted
    residuals_mm: tuple[float, ...]
    scatter: float  # residuals over the entered uncertainties: about 1 when these are right
    freedom: int

    @property
    def tdc_deg(self) -> float:
        """Unwrapped: on the turn of the points."""
        return self.x[0]

    @property
    def u_tdc_deg(self) -> float:
        """Standard uncertainty of TDC by the points alone."""
        return math.sqrt(self.covariance[0][0])

    @property
    def zero_mm(self) -> float:
        """What the gauge reads at TDC."""
        return self.x[1]

    @property
    def offset_mm(self) -> float:
        """Of the cylinder, as found or entered."""
        return self.x[2]

    @property
    def offset_fitted(self) -> bool:
        """Whether the offset was found from the points."""
        return len(self.covariance) > 2

    @property
    def u_offset_mm(self) -> float:
        """Standard uncertainty of a fitted offset; 0 of one as entered."""
        return math.sqrt(self.covariance[2][2]) if self.offset_fitted else 0.0


def drop_in_mm(drop: float, unit: Literal["mm", "inch"]) -> float:
    """A drop as typed, in millimetres. 1 in = 25.4 mm exactly (definition)."""
    return drop * crank.MM_PER_INCH if unit == "inch" else drop


def on_one_turn(angles_deg: Sequence[float]) -> Floats:
    """The angles, each moved by whole turns to be near their circular mean (degrees).

    Raises InputError when they are spread all round, so that no mean exists. Source: Mardia and
    Jupp, Directional Statistics (from memory).
    """
    angles = np.asarray(angles_deg, np.float64)
    if abs(resultant(angles_deg)) < 0.05:
        raise InputError(
            "the gauge points are spread all round the turn: "
            "take them within a quarter turn of TDC on either side"
        )
    return nearest(angles, modulo(circular_mean(angles_deg)))


def share(u_deg: float, scatter: float, freedom: int, how: str) -> Contribution:
    """The gauge's contribution: the larger of the entered uncertainty and what the points show.

    An entered uncertainty is assumed good to a quarter, worth 8 degrees of freedom (JCGM 100:2008,
    G.4.2).
    """
    if scatter > 1.0:
        how += "; scatter of the points"
        return Contribution(Source.GAUGE, u_deg, float(freedom), "A", how)
    return Contribution(Source.GAUGE, u_deg, 8.0 + freedom, "B", f"{how}; readings as entered")


def fit(
    points: Sequence[GaugePoint],
    gauge: Gauge,
    geometry: Geometry,
    *,
    cylinder: int = 1,
    parts: Sequence[Contribution] = (),
) -> Fit:
    """TDC by least squares of the exact slider-crank curve through the points.

    Fits TDC, the gauge's zero and, if ``geometry`` has none, the offset (held near zero by
    ``offset_limit_mm``, if entered). Residuals larger than the entered uncertainties widen the
    result. Raises InputError for too few points (two more than fitted values), points on one side
    only, or a rod that is too short. Source: see the module.
    """
    from scipy.optimize import least_squares

    _ready(points, gauge, geometry)
    angles = on_one_turn([p.angle_deg for p in points])
    drops = np.array([p.drop_mm for p in points])
    free = geometry.offset_mm is None
    sigma = np.full(len(points), gauge.u_drop_mm)
    start = _coarse(angles, drops, gauge, geometry)
    reach = geometry.rod_mm - geometry.throw_mm
    bounds = [np.inf, np.inf, 0.5 * reach] if free else [np.inf, np.inf]
    prior = geometry.offset_limit_mm / math.sqrt(3.0) if free else 0.0

    def residual(x: Floats) -> Floats:
        r = (drops - curve_mm(angles, x, gauge, geometry)) / sigma
        return np.append(r, x[2] / prior) if prior > 0.0 else r

    for _ in range(2):  # the second time with the angle's share in each reading's uncertainty
        got = least_squares(
            residual,
            start[: len(bounds)],
            bounds=([-b for b in bounds], bounds),
            x_scale=[1.0, 0.1, 1.0][: len(bounds)],
            xtol=1e-14,
            ftol=1e-14,
            gtol=1e-14,
        )
        start = got.x
        slope = gradient(angles, got.x, gauge, geometry)[:, 0]
        sigma = np.hypot(gauge.u_drop_mm, gauge.u_angle_deg * slope)
    if np.all(angles < got.x[0]) or np.all(angles >= got.x[0]):
        raise InputError(
            "the gauge points are all on one side of TDC: take some on the other side too"
        )
    freedom = len(points) + (prior > 0.0) - len(got.x)
    scatter = math.sqrt(float(np.sum(residual(got.x) ** 2)) / freedom)
    jac = np.asarray(got.jac, np.float64)
    cov = np.linalg.inv(jac.T @ jac) * max(1.0, scatter) ** 2
    tdc, zero, *fitted = map(float, got.x)
    offset = fitted[0] if free else geometry.offset_mm or 0.0
    how = f"the slider-crank curve fitted to {many(len(points), 'gauge point')}" + (
        f", offset found as {offset:.1f} mm" if free else ""
    )
    part = share(math.sqrt(cov[0, 0]), scatter, freedom, how)
    reference = TdcReference(
        tdc_deg=modulo(tdc),
        uncertainty=combine([part, *parts]),
        method=Method.FIT,
        how=how,
        cylinder=cylinder,
    )
    residuals = drops - curve_mm(angles, got.x, gauge, geometry)
    return Fit(
        reference,
        (tdc, zero, offset),
        tuple(map(tuple, cov.tolist())),
        tuple(residuals.tolist()),
        scatter,
        freedom,
    )


def curve_mm(
    angles_deg: Floats, x: Sequence[float] | Floats, gauge: Gauge, geometry: Geometry
) -> Floats:
    """Gauge readings at ``angles_deg`` for ``x`` = TDC (deg), zero (mm), offset (mm).

    Without an offset in ``x``, that of ``geometry`` is used. Source: the slider-crank.
    """
    shape = replace(geometry, offset_mm=float(x[2])) if len(x) > 2 else geometry
    return float(x[1]) + gauge.mm_per_mm * crank.travel_mm(float(x[0]) - angles_deg, shape)


def gradient(
    angles_deg: Floats, x: Sequence[float] | Floats, gauge: Gauge, geometry: Geometry
) -> Floats:
    """What ``curve_mm`` changes by for each of ``x``, shape (angles, len(x)); by the crank's angle
    it is the first, of the other sign. Source: central differences."""
    columns = []
    for k, step in enumerate((0.01, 0.001, 0.01)[: len(x)]):
        aside = step * (np.arange(len(x)) == k)
        rise = curve_mm(angles_deg, x + aside, gauge, geometry)
        columns.append((rise - curve_mm(angles_deg, x - aside, gauge, geometry)) / (2.0 * step))
    return np.column_stack(columns)


def coarse_top_deg(
    points: Sequence[GaugePoint], gauge: Gauge, geometry: Geometry | None
) -> float | None:
    """Roughly where TDC is, degrees after the index, while there are too few points for a fit.

    None without ``geometry``, with less than two different points, or with points all round the
    turn. Source: as ``fit``.
    """
    if geometry is None or len({(p.angle_deg, p.drop_mm) for p in points}) < 2:
        return None
    try:
        angles = on_one_turn([p.angle_deg for p in points])
    except InputError:
        return None
    drops = np.array([p.drop_mm for p in points])
    return modulo(float(_coarse(angles, drops, gauge, geometry)[0]))


def _coarse(angles: Floats, drops: Floats, gauge: Gauge, geometry: Geometry) -> Floats:
    """TDC to half a degree by trying them all, the zero free in each."""
    tries = np.arange(angles.min() - 100.0, angles.max() + 100.0, 0.5)
    shape = replace(geometry, offset_mm=geometry.offset_mm or 0.0)
    read = gauge.mm_per_mm * crank.travel_mm(tries[:, None] - angles[None, :], shape)
    off = drops - read
    best = int(np.argmin(off.var(axis=1)))
    return np.array([tries[best], off[best].mean(), 0.0])


def _ready(points: Sequence[GaugePoint], gauge: Gauge, geometry: Geometry) -> None:
    unknown = 3 if geometry.offset_mm is None else 2
    if len(points) < unknown + 2:
        raise InputError(
            f"too few gauge points: {len(points)}; the fit of "
            f"{'TDC, zero and offset' if unknown == 3 else 'TDC and zero'} needs "
            f"{unknown + 2} or more, some on either side of TDC"
        )
    if not (gauge.u_drop_mm > 0.0 and gauge.u_angle_deg >= 0.0):
        raise InputError("the uncertainty of a gauge reading: enter more than 0 mm")
    if _bulge_mm(points) > GROWS_SIGMAS * gauge.u_drop_mm:
        raise InputError(
            "the gauge readings grow towards TDC: enter how far the piston is below TDC"
        )
    within_stroke(points, gauge, geometry)


def _bulge_mm(points: Sequence[GaugePoint]) -> float:
    """By how much the readings bulge upwards over their arc; piston drops sag instead.

    That of their best parabola over half the arc: negative for piston drops, about 0 for readings
    on a straight line, where rounding alone decides. Source: least squares.
    """
    angles = on_one_turn([p.angle_deg for p in points])
    if np.unique(np.round(angles, 3)).size < 3:  # a parabola needs three
        return 0.0
    bend = np.polyfit(angles - angles.mean(), [p.drop_mm for p in points], 2)[0]
    return -float(bend) * (float(np.ptp(angles)) / 2.0) ** 2


def within_stroke(points: Sequence[GaugePoint], gauge: Gauge, geometry: Geometry) -> None:
    """Raises InputError for a drop that no piston of this stroke can have. Source: the stroke."""
    travel = crank.stroke_mm(geometry) * gauge.mm_per_mm
    for number, point in enumerate(points, 1):
        if not (math.isfinite(point.drop_mm) and abs(point.drop_mm) <= travel):
            raise InputError(
                f"gauge point {number}: {point.drop_mm:g} mm is more than the stroke allows "
                f"({travel:.1f} mm); mistyped, or another unit?"
            )


LEAST_ARC_DEG = 2.0  # angles at one drop that are closer than this are on one side
SAME_DROP_MM = 1e-6
# How far apart two drops may be and still be paired: this many millimetres, and this fraction of
# the smaller one. ``NOT_KNOWN`` of 0.05 mm is about the accuracy of a gauge reading.
NEAR_MM, NEAR_SHARE = 0.05, 0.1
# Fraction of such a correction that is uncertain: rods from 2.8 throws up change it by 0.14 a
# quarter turn from TDC, and a zero 0.05 mm off by a tenth at a drop of 0.5 mm.
NOT_KNOWN = 0.15


def near(one_mm: float, other_mm: float) -> bool:
    """Whether two drops, one on each side, can be paired. Source: ``NEAR_MM``."""
    most = min(NEAR_MM, NEAR_SHARE * min(one_mm, other_mm))
    return abs(one_mm - other_mm) <= most + SAME_DROP_MM


@dataclass(frozen=True, slots=True)
class Middle:
    """The middle between both sides at one drop, and its standard uncertainty, degrees.

    If the drops were only nearly equal, ``drop_mm`` is their mean, the one after TDC is
    ``apart_mm`` more than the one before it, and the middle was moved by ``moved_deg``.
    """

    drop_mm: float
    middle_deg: float
    half_arc_deg: float
    u_deg: float
    apart_mm: float = 0.0
    moved_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class EqualDrops:
    """TDC by equal drops, with its middles, and what was left out."""

    reference: TdcReference
    middles: tuple[Middle, ...]
    deg_per_mm: float  # slope of the line through the middles; 0 for a single drop


def equal_drops(
    points: Sequence[GaugePoint],
    gauge: Gauge,
    geometry: Geometry | None = None,
    *,
    cylinder: int = 1,
    parts: Sequence[Contribution] = (),
    on_link_rod: bool = False,
) -> EqualDrops:
    """TDC from pairs of equal drops on either side, extrapolated to zero drop.

    Repeats on a side are averaged; drops that are only ``near`` are corrected to each other, which
    is reported and adds uncertainty. A single drop gives no line: the cylinder's offset is then
    corrected if ``geometry`` has it, and part of the uncertainty if not, as for a piston stop. With
    ``on_link_rod`` what several drops leave is part of it too, since the middles do not lie on a
    line: 0.05 degrees for drops of 10 and 30 mm (worked out from a usual linkage).
    ``parts`` are further contributions (encoder, mounting). An inclined gauge makes no difference.
    Raises InputError when no drop was read on both sides. Source: see the module.
    """
    middles, left_out = _middles(points, gauge, geometry)
    drop = np.array([m.drop_mm for m in middles])
    middle = np.array([m.middle_deg for m in middles])
    weight = np.array([m.u_deg for m in middles]) ** -2.0
    warnings = [f"drop {x:g} mm was read on one side only and left out" for x in left_out]
    together = [m for m in middles if m.apart_mm]
    for m in together:
        before, after = (m.drop_mm + side * m.apart_mm / 2.0 for side in (-1, 1))
        warnings.append(
            f"drop {before:g} mm before TDC and {after:g} mm after it are corrected to their"
            f" mean, which moves their middle by {m.moved_deg:+.3f} degrees"
        )
    freedom = len(middles) - 2
    pull = np.ones(1)  # effect of each middle on TDC
    more, scatter = list(parts), 0.0
    if len(middles) == 1:
        tdc, slope, u = float(middle[0]), 0.0, middles[0].u_deg
        warnings.append("one drop only: a second would correct a cylinder offset by itself")
    else:
        design = np.column_stack([np.ones_like(drop), drop])
        cov = np.linalg.inv(design.T @ (design * weight[:, None]))
        tdc, slope = (float(v) for v in cov @ design.T @ (weight * middle))
        pull = cov[0] @ design.T * weight
        u = math.sqrt(cov[0, 0])
        chi2 = float(np.sum(weight * (middle - tdc - slope * drop) ** 2))
        scatter = math.sqrt(chi2 / freedom) if freedom else 0.0
        u *= max(1.0, scatter)
        if not freedom:
            warnings.append("two drops make a line that nothing checks; a third would")
    if len(middles) == 1 or on_link_rod:
        halves = [m.half_arc_deg for m in middles]
        bias, left = offset_bias(halves, geometry, shares=pull.tolist(), on_link_rod=on_link_rod)
        tdc -= bias
        more.append(left)
    if together:  # an error of one gauge and one crank, so it adds up
        step_deg = float(np.sum(np.abs(pull) * [abs(m.moved_deg) for m in middles]))
        u_deg = rectangular(NOT_KNOWN * step_deg)
        by = f"rectangular, {NOT_KNOWN:g} of {step_deg:.3f} by which TDC is corrected (4.3.7)"
        more.append(Contribution(Source.UNEQUAL_DROPS, u_deg, math.inf, "B", by))
    how = (
        f"equal drops on either side at {many(len(middles), 'drop')}"
        f"{', extrapolated to zero drop' if len(middles) > 1 else ''}"
        f"{', nearly equal ones corrected' if together else ''}"
    )
    part = share(u, scatter, max(0, freedom), how)
    reference = TdcReference(
        tdc_deg=modulo(tdc),
        uncertainty=combine([part, *more]),
        method=Method.EQUAL_DROPS,
        how=how,
        cylinder=cylinder,
        warnings=tuple(warnings),
    )
    return EqualDrops(reference, tuple(middles), slope)


class _Met(NamedTuple):
    """Where one drop was read on one side of TDC, in order; or on both."""

    drop_mm: float
    at: Floats

    @property
    def mean_deg(self) -> float:
        return float(self.at.mean())


def _middles(
    points: Sequence[GaugePoint], gauge: Gauge, geometry: Geometry | None
) -> tuple[list[Middle], list[float]]:
    """The middles in order of their drops, and the drops without a partner."""
    if len(points) < 2:
        raise InputError(
            f"too few gauge points: {len(points)}; take at least one drop on either side"
        )
    angles = on_one_turn([p.angle_deg for p in points])
    steps = np.round(np.array([p.drop_mm for p in points]) / SAME_DROP_MM)
    different = np.unique(steps)
    pairs: list[tuple[_Met, _Met]] = []
    alone: list[_Met] = []
    for same in np.split(different, np.flatnonzero(np.diff(different) > 1.0) + 1):
        drop, at = float(same[0] * SAME_DROP_MM), np.sort(angles[np.isin(steps, same)])
        gap = np.diff(at)
        if not gap.size or gap.max() < LEAST_ARC_DEG:
            alone.append(_Met(drop, at))
        elif drop <= 0.0:
            raise InputError(f"drop {drop:g} mm: enter how far the piston is below TDC")
        else:
            before, after = np.split(at, [int(gap.argmax()) + 1])
            pairs.append((_Met(drop, before), _Met(drop, after)))
    # Used in order of drops, so that as many as possible find a near one on the other side.
    taken: set[int] = set()
    for one, other in combinations(range(len(alone)), 2):
        met = sorted((alone[one], alone[other]), key=lambda each: each.mean_deg)
        if (
            taken.isdisjoint((one, other))
            and alone[one].drop_mm > 0.0
            and near(alone[one].drop_mm, alone[other].drop_mm)
            and met[1].mean_deg - met[0].mean_deg >= LEAST_ARC_DEG
        ):
            taken.update((one, other))
            pairs.append((met[0], met[1]))
    if not pairs:
        raise InputError(
            "no drop was read on both sides of TDC: bring the gauge to the same reading on the "
            f"other side, within {NEAR_MM:g} mm"
        )
    middles = [_middle(before, after, gauge, geometry) for before, after in pairs]
    left_out = [each.drop_mm for n, each in enumerate(alone) if n not in taken]
    return sorted(middles, key=lambda middle: middle.drop_mm), left_out


def _middle(before: _Met, after: _Met, gauge: Gauge, geometry: Geometry | None) -> Middle:
    """The middle of two drops; of nearly equal ones each side is moved to their mean.

    Source: the slider-crank over the arc between them; an offset does not matter for that.
    """
    apart_mm = after.drop_mm - before.drop_mm
    drop_mm = (before.drop_mm + after.drop_mm) / 2.0
    half_deg = (after.mean_deg - before.mean_deg) / 2.0
    touch = math.hypot(gauge.u_drop_mm * half_deg / (2.0 * drop_mm), gauge.u_angle_deg)
    u_deg = touch / 2.0 * math.sqrt(1.0 / len(before.at) + 1.0 / len(after.at))
    moved_deg = 0.0
    if apart_mm:
        shape = replace(geometry or USUAL_CRANK, offset_mm=0.0)
        travel_mm, stroke_mm = stop_travel_mm(half_deg, shape), crank.stroke_mm(shape)
        ahead, behind = (
            btdc_from_travel_deg(min(travel_mm * each.drop_mm / drop_mm, stroke_mm), shape)
            for each in (before, after)
        )
        moved_deg = (ahead - behind) / 2.0
    middle_deg = before.mean_deg + half_deg + moved_deg
    return Middle(drop_mm, middle_deg, half_deg, u_deg, apart_mm, moved_deg)

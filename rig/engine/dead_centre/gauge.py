"""Top dead centre by a dial gauge on the piston: the exact slider-crank curve through the points.

A *lift* is how far the piston stands below its top as the gauge shows it, in millimetres; the
gauge's zero may be a little off, the fit finds it. Angles are degrees after the index in the
normal direction, on any turn. Each point is approached with the piston rising: in the normal
direction before the top, turned backwards after it.

``equal_lifts`` needs no engine data; this needs throw and rod. Sources: geometry;
uncertainties by JCGM 100:2008 (least squares as in H.3).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rig.counted import many
from rig.engine import geometry as crank
from rig.engine.dead_centre.reference import Reference
from rig.engine.profile import Geometry
from rig.engine.uncertainty import Contribution, combine
from rig.faults import InputError

Floats = NDArray[np.float64]

GROWS_SIGMAS = 5.0
"""Readings that stand up in the middle by more than so many standard uncertainties of one grow
towards the top; by less they may as well lie on a straight line (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class GaugePoint:
    """A gauge reading at an angle of the rig."""

    angle_deg: float
    lift_mm: float


@dataclass(frozen=True, slots=True)
class Gauge:
    """The gauge as set up, and how well it and the angle are read (standard uncertainties).

    An inclined gauge needs its ``case``: a plunger that slides on a crown square to the bore
    reads travel/cos(inclination), a rod pinned to one point of the crown reads
    travel x cos(inclination). The default reading is a hundredth, give or take one division
    (common practice, no source).
    """

    u_lift_mm: float = 0.006
    u_angle_deg: float = 0.025
    inclination_deg: float = 0.0
    case: Literal["", "sliding", "pinned"] = ""

    @property
    def mm_per_mm(self) -> float:
        """Gauge reading for a millimetre of piston travel.

        Raises InputError for an inclined gauge without its case. Source: geometry; which case
        holds is for the person to say.
        """
        if not 0.0 <= self.inclination_deg < 80.0:
            raise InputError(
                f"a gauge inclined {self.inclination_deg:g}° to the bore cannot be "
                "corrected; 0 to 80 degrees"
            )
        cosine = math.cos(math.radians(self.inclination_deg))
        if self.inclination_deg == 0.0:
            return 1.0
        if self.case == "sliding":
            return 1.0 / cosine
        if self.case == "pinned":
            return cosine
        raise InputError(
            "the gauge is inclined: say whether its plunger slides on a flat crown (sliding) or "
            "its rod is pinned to one point of it (pinned); on a domed crown neither rule holds"
        )


@dataclass(frozen=True, slots=True)
class Fit:
    """Dead centre by the exact curve. ``residuals_mm``: reading minus curve, one a point."""

    reference: Reference
    tdc_deg: float  # unwrapped: on the turn of the points
    u_tdc_deg: float
    zero_mm: float  # what the gauge reads at the top
    offset_mm: float
    offset_fitted: bool
    u_offset_mm: float
    residuals_mm: tuple[float, ...]
    sigma_mm: tuple[float, ...]  # standard uncertainty of each reading, the angle's included
    scatter: float  # residuals against what was stated: about 1 when the statement is true
    freedom: int
    covariance: tuple[tuple[float, ...], ...]  # of dead centre (deg), zero (mm), offset (mm)


def lift_in_mm(lift: float, unit: Literal["mm", "inch"]) -> float:
    """A lift as typed, in millimetres. 1 in = 25.4 mm exactly (definition)."""
    return lift * crank.MM_PER_INCH if unit == "inch" else lift


def blind_angle_deg(lift_mm: float, geometry: Geometry) -> float:
    """Crank degrees before the top within which the piston moves less than ``lift_mm``.

    Why watching the piston stop rises to no better than a degree. Source: the slider-crank.
    """
    return crank.btdc_from_travel_deg(lift_mm, geometry)


def on_one_turn(angles_deg: Sequence[float]) -> Floats:
    """The angles, each moved by whole turns to lie around their circular mean (degrees).

    Raises InputError when they are spread all round, so that no mean exists. Source: Mardia and
    Jupp, Directional Statistics (from memory).
    """
    angles = np.asarray(angles_deg, np.float64)
    mean = np.exp(1j * np.radians(angles)).mean()
    if abs(mean) < 0.05:
        raise InputError(
            "the gauge points are spread all round the turn: "
            "take them within a quarter turn of the top on either side"
        )
    around = math.degrees(np.angle(mean)) % 360.0
    return np.asarray(around + (angles - around + 180.0) % 360.0 - 180.0, np.float64)


def share(u_deg: float, scatter: float, freedom: int, how: str) -> Contribution:
    """The gauge's share: the larger of what is stated of a reading and what the points show.

    A stated uncertainty is taken as good to a quarter, worth 8 degrees of freedom (JCGM 100:2008,
    G.4.2).
    """
    if scatter > 1.0:
        return Contribution("gauge", u_deg, float(freedom), "A", how + "; spread of the points")
    return Contribution("gauge", u_deg, 8.0 + freedom, "B", how + "; readings as stated")


def fit(
    points: Sequence[GaugePoint],
    gauge: Gauge,
    geometry: Geometry,
    *,
    cylinder: int = 1,
    parts: Sequence[Contribution] = (),
) -> Fit:
    """Dead centre by least squares of the exact slider-crank curve through the points.

    Fitted are dead centre, the gauge's zero and, where ``geometry`` does not know it, the offset
    (held near zero by ``offset_limit_mm`` where that is stated). Residuals larger than the stated
    uncertainties widen the result. Raises InputError for too few points (two more than are
    fitted), all on one side, or a rod that is too short. Source: see the module.
    """
    from scipy.optimize import least_squares

    _ready(points, gauge, geometry)
    angles = on_one_turn([p.angle_deg for p in points])
    lifts = np.array([p.lift_mm for p in points])
    free = geometry.offset_mm is None
    sigma = np.full(len(points), gauge.u_lift_mm)
    start = _coarse(angles, lifts, gauge, geometry)
    reach = geometry.rod_mm - geometry.throw_mm
    bounds = [np.inf, np.inf, 0.5 * reach] if free else [np.inf, np.inf]
    prior = geometry.offset_limit_mm / math.sqrt(3.0) if free else 0.0

    def residual(x: Floats) -> Floats:
        r = (lifts - curve_mm(angles, x, gauge, geometry)) / sigma
        return np.append(r, x[2] / prior) if prior > 0.0 else r

    for _ in range(2):  # the second time with the angle's share of each reading's uncertainty
        x0 = start if free else start[:2]
        got = least_squares(
            residual,
            x0,
            bounds=([-b for b in bounds], bounds),
            x_scale=[1.0, 0.1, 1.0][: len(bounds)],
            xtol=1e-14,
            ftol=1e-14,
            gtol=1e-14,
        )
        start = np.append(got.x, [] if free else [0.0])
        slope = _slope_mm_per_deg(angles, got.x, gauge, geometry)
        sigma = np.hypot(gauge.u_lift_mm, gauge.u_angle_deg * slope)
    _both_sides(angles, float(got.x[0]))
    freedom = len(points) + (prior > 0.0) - len(got.x)
    scatter = math.sqrt(float(np.sum(residual(got.x) ** 2)) / freedom)
    jac = np.asarray(got.jac, np.float64)
    cov = np.linalg.inv(jac.T @ jac) * max(1.0, scatter) ** 2
    u = math.sqrt(cov[0, 0])
    offset = float(got.x[2]) if free else float(geometry.offset_mm or 0.0)
    how = f"the slider-crank curve laid through {many(len(points), 'gauge point')}" + (
        f", offset found as {offset:.1f} mm" if free else ""
    )
    part = share(u, scatter, freedom, how)
    reference = Reference(
        tdc_deg=float(got.x[0]) % 360.0,
        uncertainty=combine([part, *parts]),
        method="gauge, fit",
        how=how,
        cylinder=cylinder,
    )
    residuals = lifts - curve_mm(angles, got.x, gauge, geometry)
    return Fit(
        reference=reference,
        tdc_deg=float(got.x[0]),
        u_tdc_deg=u,
        zero_mm=float(got.x[1]),
        offset_mm=offset,
        offset_fitted=free,
        u_offset_mm=math.sqrt(cov[2, 2]) if free else 0.0,
        residuals_mm=tuple(float(v) for v in residuals),
        sigma_mm=tuple(float(v) for v in sigma),
        scatter=scatter,
        freedom=freedom,
        covariance=tuple(tuple(float(v) for v in row) for row in cov),
    )


def curve_mm(angles_deg: Floats, x: Floats, gauge: Gauge, geometry: Geometry) -> Floats:
    """What the gauge reads at ``angles_deg`` for ``x`` = dead centre (deg), zero (mm), offset (mm).

    The offset may be left out of ``x``; then ``geometry`` has it. Source: the slider-crank.
    """
    shape = replace(geometry, offset_mm=float(x[2])) if len(x) > 2 else geometry
    return float(x[1]) + gauge.mm_per_mm * crank.travel_mm(float(x[0]) - angles_deg, shape)


def fitted(fit: Fit) -> Floats:
    """The fitted dead centre (deg), zero (mm) and offset (mm), as ``curve_mm`` takes them."""
    return np.array([fit.tdc_deg, fit.zero_mm, fit.offset_mm])


def coarse_top_deg(
    points: Sequence[GaugePoint], gauge: Gauge, geometry: Geometry | None
) -> float | None:
    """About where the top lies, degrees after the index, while there are too few points for a fit.

    None without ``geometry``, with less than two different points, or with points all round the
    turn. Source: as ``fit``.
    """
    if geometry is None or len({(p.angle_deg, p.lift_mm) for p in points}) < 2:
        return None
    try:
        angles = on_one_turn([p.angle_deg for p in points])
    except InputError:
        return None
    lifts = np.array([p.lift_mm for p in points])
    return float(_coarse(angles, lifts, gauge, geometry)[0]) % 360.0


def _slope_mm_per_deg(angles: Floats, x: Floats, gauge: Gauge, geometry: Geometry) -> Floats:
    step = 0.01
    up = curve_mm(angles + step, x, gauge, geometry)
    down = curve_mm(angles - step, x, gauge, geometry)
    return np.asarray((up - down) / (2.0 * step), np.float64)


def _coarse(angles: Floats, lifts: Floats, gauge: Gauge, geometry: Geometry) -> Floats:
    """Dead centre to half a degree by trying them all, the zero free in each."""
    tries = np.arange(angles.min() - 100.0, angles.max() + 100.0, 0.5)
    shape = replace(geometry, offset_mm=geometry.offset_mm or 0.0)
    read = gauge.mm_per_mm * crank.travel_mm(tries[:, None] - angles[None, :], shape)
    off = lifts - read
    best = int(np.argmin(off.var(axis=1)))
    return np.array([tries[best], off[best].mean(), 0.0])


def _ready(points: Sequence[GaugePoint], gauge: Gauge, geometry: Geometry) -> None:
    unknown = 3 if geometry.offset_mm is None else 2
    if len(points) < unknown + 2:
        raise InputError(
            f"gauge points read so far: {len(points)}, too few: "
            f"{many(unknown, 'figure')} are fitted "
            f"({'dead centre, zero, offset' if unknown == 3 else 'dead centre, zero'}), so "
            f"{many(unknown + 2, 'point')} or more, some on either side of the top"
        )
    if not (gauge.u_lift_mm > 0.0 and gauge.u_angle_deg >= 0.0):
        raise InputError("the uncertainty of a gauge reading has to be above 0 mm")
    if _bulge_mm(points) > GROWS_SIGMAS * gauge.u_lift_mm:
        raise InputError(
            "the gauge readings grow towards the top: type how far the piston is below its top"
        )
    within_stroke(points, gauge, geometry)


def _bulge_mm(points: Sequence[GaugePoint]) -> float:
    """How far the readings stand up in the middle of their arc, where a piston's drop hangs down.

    That of the parabola through them, over half the arc; negative as it has to be, about 0 for
    readings on a straight line, which is rounding alone and says nothing. Source: least squares.
    """
    angles = on_one_turn([p.angle_deg for p in points])
    if np.unique(np.round(angles, 3)).size < 3:  # a parabola needs three
        return 0.0
    bend = np.polyfit(angles - angles.mean(), [p.lift_mm for p in points], 2)[0]
    return -float(bend) * (float(np.ptp(angles)) / 2.0) ** 2


def within_stroke(points: Sequence[GaugePoint], gauge: Gauge, geometry: Geometry) -> None:
    """Raises InputError for a lift that no piston of this stroke can have. Source: the stroke."""
    travel = crank.stroke_mm(geometry) * gauge.mm_per_mm
    for number, point in enumerate(points, 1):
        if not (math.isfinite(point.lift_mm) and abs(point.lift_mm) <= travel):
            raise InputError(
                f"gauge point {number}: {point.lift_mm:g} mm is more than the stroke allows "
                f"({travel:.1f} mm); mistyped, or another unit?"
            )


def _both_sides(angles: Floats, tdc_deg: float) -> None:
    before = int(np.sum(angles < tdc_deg))
    if min(before, len(angles) - before) == 0:
        raise InputError(
            "the gauge points lie all on one side of the top: take some on the other side too"
        )

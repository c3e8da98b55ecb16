"""A series of dial gauge points: both methods, mistyped points, the encoder's own errors.

Points before TDC are approached forwards and points after it backwards, so that the piston rises
each time. With backlash between crank and encoder the two directions read differently; points are
corrected to forward movement, in which readings are taken.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import Enum, auto
from itertools import combinations

import numpy as np

from rig.base.angles import modulo, nearest, wrap
from rig.base.earlier_rules import EarlierRule, Rules
from rig.base.errors import InputError
from rig.base.rounding import many
from rig.base.uncertainty import Contribution, Source, combine, quantisation, rectangular
from rig.engine.gear_train import around_deg, disc_places
from rig.engine.geometry import MM_PER_INCH
from rig.engine.profile import Encoder, Geometry
from rig.tdc.dial_gauge import (
    EqualDrops,
    Fit,
    Gauge,
    GaugePoint,
    curve_mm,
    equal_drops,
    fit,
    gradient,
    within_stroke,
)
from rig.tdc.piston_stop import encoder_backlash, run_out
from rig.tdc.reference import Move, TdcReference

SUSPECT_SIGMAS = 5.0
# Points that scatter this many times more than entered for a reading are not on the curve (common
# practice, no source).
MISFIT = 20.0


class Slip(Enum):
    """How a point was probably mistyped."""

    DECIMAL_POINT = auto()
    INCH_AMONG_MM = auto()
    MM_AMONG_INCHES = auto()
    SWAPPED = auto()  # two of its figures


@dataclass(frozen=True, slots=True)
class Suspect:
    """A point (``number`` from 1, as typed) that contradicts the others."""

    number: int
    point: GaugePoint
    expected_mm: float
    sigmas: float

    @property
    def slip(self) -> Slip | None:
        """How it was probably mistyped, if that can be guessed."""
        typed, expected = abs(self.point.drop_mm), abs(self.expected_mm)
        for factor, slip in SLIPS.items():
            if expected > 0.05 and abs(typed / factor / expected - 1.0) < 0.05:
                return slip
        return Slip.SWAPPED if sorted(f"{typed:.2f}") == sorted(f"{expected:.2f}") else None


SLIPS = {
    10.0: Slip.DECIMAL_POINT,
    0.1: Slip.DECIMAL_POINT,
    1.0 / MM_PER_INCH: Slip.INCH_AMONG_MM,
    MM_PER_INCH: Slip.MM_AMONG_INCHES,
}
"""By what factor such a slip alters a drop."""


@dataclass(frozen=True, slots=True)
class TakenAgain:
    """Points taken again, against the fit: how far TDC moved, and the gauge's zero."""

    move: Move
    zero_change_mm: float


@dataclass(frozen=True, slots=True)
class MethodDifference:
    """Two TDCs of one engine: ``first`` minus ``second``, in (-180, 180] degrees."""

    first: str
    second: str
    difference_deg: float
    U_deg: float
    agree: bool


class SuspectError(InputError):
    """A series that cannot be used while the ``suspect`` is among its points."""

    def __init__(self, suspect: Suspect) -> None:
        super().__init__(
            f"gauge point {suspect.number} contradicts the others, which give"
            f" {suspect.expected_mm:.3f} mm there: correct it, or leave it out"
        )
        self.suspect = suspect


def mistyped(points: Sequence[GaugePoint], gauge: Gauge, geometry: Geometry) -> Suspect | None:
    """The point that the curve through all the others misses by far, or None.

    Each point is left out in turn; the worst is named if it is ``SUSPECT_SIGMAS`` standard
    uncertainties off and the others then agree better than before. A point so far off that no
    curve fits them all is named if the others agree as entered. None without a point to spare.
    Raises InputError as ``fit`` when no point is to blame. Source: leaving one out, a common
    statistical practice.
    """
    if len(points) < (3 if geometry.offset_mm is None else 2) + 3:
        return None
    try:
        limit, whole_fails = fit(points, gauge, geometry).scatter, None
    except InputError as why:
        limit, whole_fails = SUSPECT_SIGMAS, why
    suspects = []
    for i, point in enumerate(points):
        try:
            rest = fit([*points[:i], *points[i + 1 :]], gauge, geometry)
        except InputError:  # the others are on one side, or the one to blame is among them
            continue
        at = np.array([nearest(point.angle_deg, rest.tdc_deg)])
        expected = float(curve_mm(at, rest.x, gauge, geometry)[0])
        slopes = gradient(at, rest.x, gauge, geometry)[0]
        covariance = np.array(rest.covariance)
        own = slopes[: len(covariance)]  # of what was fitted
        u_curve = math.sqrt(max(0.0, float(own @ covariance @ own)))
        u = math.hypot(gauge.u_drop_mm, gauge.u_angle_deg * slopes[0], u_curve)
        sigmas = abs(point.drop_mm - expected) / (max(1.0, rest.scatter) * u)
        if sigmas > SUSPECT_SIGMAS and rest.scatter < limit:
            suspects.append(Suspect(i + 1, point, expected, sigmas))
    if not suspects and whole_fails is not None:
        raise whole_fails
    return max(suspects, key=lambda each: each.sigmas, default=None)


def is_misfit(found: Fit) -> bool:
    """Whether the points as a whole are not on the curve. Source: ``MISFIT``."""
    return found.scatter > MISFIT


def gauge_moved(
    found: Fit,
    touches: Sequence[GaugePoint],
    gauge: Gauge,
    geometry: Geometry,
    rules: Rules = (),
) -> TakenAgain:
    """Two or more points taken again, at least one on either side: has the reference moved?

    A slipped encoder shifts both sides the same way, a gauge that moved changes the zero; the two
    are distinguished. Points taken again scatter as the others do, but not by the ``rules`` of
    versions until 0.6.0. Raises InputError when a side is missing. Source: least squares on the
    fitted curve, JCGM 100:2008, G.4.
    """
    angles = np.array([nearest(p.angle_deg, found.tdc_deg) for p in touches])
    if np.all(angles < found.tdc_deg) or np.all(angles >= found.tdc_deg):
        raise InputError("take a point again on either side of TDC: one side is not enough")
    drops = np.array([p.drop_mm for p in touches])
    slope = gradient(angles, found.x, gauge, geometry)[:, 0]
    sigma = np.hypot(gauge.u_drop_mm, gauge.u_angle_deg * slope)
    design = np.column_stack([slope, np.ones_like(slope)]) / sigma[:, None]
    as_entered = EarlierRule.GAUGE_AGAIN_AS_ENTERED in rules
    wider = 1.0 if as_entered else max(1.0, found.scatter)
    cov = np.linalg.inv(design.T @ design)
    off = (drops - curve_mm(angles, found.x, gauge, geometry)) / sigma
    shift, zero = (cov @ design.T @ off).tolist()
    u = math.hypot(wider * math.sqrt(cov[0, 0]), found.u_tdc_deg)
    nu = next(p.nu for p in found.reference.uncertainty.parts if p.source is Source.GAUGE)
    part = Contribution(
        Source.TOUCHED_AGAIN, u, math.inf if as_entered else nu, "A", "least squares"
    )
    uncertainty = combine([part])
    limit = 2.0 * u if as_entered else uncertainty.U_deg
    return TakenAgain(Move(shift, uncertainty, abs(shift) > limit), zero)


def compare_methods(references: Sequence[TdcReference]) -> list[MethodDifference]:
    """Every two TDCs of the same cylinder compared; the person selects.

    They agree when their difference is within its expanded uncertainty, with both taken as
    independent (two methods on the same points share their readings, so this is on the safe side).
    Raises InputError when cylinders differ. Source: JCGM 100:2008, 5.1.2.
    """
    if len({r.cylinder for r in references}) > 1:
        raise InputError("TDCs of different cylinders cannot be compared")
    found = []
    for one, two in combinations(references, 2):
        apart = wrap(one.tdc_deg - two.tdc_deg)
        U = math.hypot(one.uncertainty.U_deg, two.uncertainty.U_deg)
        found.append(MethodDifference(one.by, two.by, apart, U, abs(apart) <= U))
    return found


@dataclass(frozen=True, slots=True)
class Series:
    """The result of a series. ``fit_why`` or ``drops_why`` says why a method could not be used,
    ``moved_why`` why the points taken again do not decide yet.

    ``points`` are those used, in the order of the series, corrected to forward movement.
    """

    points: tuple[GaugePoint, ...]
    fit: Fit | None
    fit_why: str
    drops: EqualDrops | None
    drops_why: str
    suspect: Suspect | None = None
    again: TakenAgain | None = None
    moved_why: str = ""

    @property
    def references(self) -> tuple[TdcReference, ...]:
        """The TDCs found, the fit first."""
        return tuple(each.reference for each in (self.fit, self.drops) if each is not None)

    def with_references(self, change: Callable[[TdcReference], TdcReference]) -> Series:
        """The same with other references."""
        fit, drops = self.fit, self.drops
        return replace(
            self,
            fit=fit and replace(fit, reference=change(fit.reference)),
            drops=drops and replace(drops, reference=change(drops.reference)),
        )


def with_encoder(gauge: Gauge, encoder: Encoder) -> Gauge:
    """The gauge with the angle read no finer than the encoder's count (JCGM 100, F.2.2.1)."""
    return replace(gauge, u_angle_deg=max(gauge.u_angle_deg, quantisation(encoder.count_deg)))


def work_through(
    points: Sequence[GaugePoint],
    gauge: Gauge,
    geometry: Geometry | None,
    encoder: Encoder,
    *,
    cylinder: int = 1,
    again: Sequence[GaugePoint] = (),
    turn_known: bool = True,
    on_link_rod: bool = False,
    rules: Rules = (),
) -> Series:
    """TDC of ``cylinder`` by both methods; ``again`` are points taken again at the end.

    Without ``turn_known`` the angles were written down within one turn of the crank: their place on
    the disc of a geared encoder is then unknown, and the references have none. ``geometry`` is the
    cylinder's own; None, as with ``on_link_rod``, leaves only equal drops. Raises InputError when
    neither method can be used. Source: ``fit``, ``equal_drops``.
    """
    gauge = with_encoder(gauge, encoder)
    _ = gauge.mm_per_mm  # an inclined gauge needs its case
    if geometry is not None:
        within_stroke(points, gauge, geometry)
    points = [replace(each, angle_deg=around_deg(each.angle_deg, encoder)) for each in points]
    rough = _by_both(points, gauge, geometry, cylinder, on_link_rod=on_link_rod)
    if rough.fit is None and geometry is not None:
        suspect = mistyped(points, gauge, geometry)
        if suspect is not None:
            raise SuspectError(suspect)
    if not rough.references:
        raise InputError(rough.fit_why)
    top = rough.fit.tdc_deg if rough.fit else rough.references[0].tdc_deg
    if encoder.backlash_deg:
        points = [_carried(point, top, encoder) for point in points]
        again = [_carried(point, top, encoder) for point in again]
    parts = _encoder_parts(points, top, encoder)
    found = _by_both(points, gauge, geometry, cylinder, parts, on_link_rod=on_link_rod)
    if turn_known or disc_places(encoder) == 1:
        found = found.with_references(lambda each: _seated(each, points, encoder))
    if found.fit is None or geometry is None:
        return found
    suspect = mistyped(points, gauge, geometry)
    if suspect is not None or not again:
        return replace(found, suspect=suspect)
    try:
        return replace(found, again=gauge_moved(found.fit, again, gauge, geometry, rules))
    except InputError as why:  # the TDC that was found is valid all the same
        return replace(found, moved_why=str(why))


def _by_both(
    points: Sequence[GaugePoint],
    gauge: Gauge,
    geometry: Geometry | None,
    cylinder: int,
    parts: Sequence[Contribution] = (),
    *,
    on_link_rod: bool,
) -> Series:
    """The points by both methods, or why not."""
    found = drops = None
    fit_why = drops_why = ""
    try:
        if geometry is None:
            raise InputError(
                "stroke and rod of this cylinder are not entered, so no curve can be fitted to the"
                " points: enter them under [engine.geometry]"
            )
        found = fit(points, gauge, geometry, cylinder=cylinder, parts=parts)
    except InputError as why:
        fit_why = str(why)
    try:
        drops = equal_drops(
            points, gauge, geometry, cylinder=cylinder, parts=parts, on_link_rod=on_link_rod
        )
    except InputError as why:
        drops_why = str(why)
    return Series(tuple(points), found, fit_why, drops, drops_why)


def _carried(point: GaugePoint, top_deg: float, encoder: Encoder) -> GaugePoint:
    """A point after TDC, read turning back, as it would be read turning forward.

    Turned at its own end the encoder leads the crank by half the backlash forward and lags it by
    half turning back; turned at the crank it is the other way round. Source: geometry of backlash.
    """
    if wrap(point.angle_deg - top_deg) < 0.0:
        return point
    lead = encoder.backlash_deg if encoder.turned_at == "encoder" else -encoder.backlash_deg
    return replace(point, angle_deg=point.angle_deg + lead)


def _seated(
    reference: TdcReference, points: Sequence[GaugePoint], encoder: Encoder
) -> TdcReference:
    """The reference with its encoder places, as the touches of a piston stop."""
    sides: tuple[list[float], list[float]] = ([], [])
    for point in points:
        past = wrap(point.angle_deg - reference.tdc_deg)
        sides[past >= 0.0].append(around_deg(point.angle_deg, encoder))
    return replace(reference, forward_deg=tuple(sides[0]), backward_deg=tuple(sides[1]))


def _encoder_parts(
    points: Sequence[GaugePoint], top_deg: float, encoder: Encoder
) -> list[Contribution]:
    """What the encoder and its mounting add to the middle between the two sides.

    As for a piston stop, with the mean distance from TDC: see ``rig.tdc.reference``.
    """
    ratio = float(encoder.turns_per_crank_turn)
    half = math.fsum(abs(wrap(p.angle_deg - top_deg)) for p in points) / len(points)
    places = max(len({modulo(round(p.angle_deg)) for p in points}), 2)
    u_deg = rectangular(encoder.graduation_error_deg / ratio) / math.sqrt(places)
    how = f"rectangular at each of {many(places, 'place')}, their mean (JCGM 100, 4.3.7)"
    parts = [
        Contribution(Source.GRADUATION, u_deg, math.inf, "B", how),
        run_out(encoder.run_out_deg, half, ratio),
        encoder_backlash(encoder.backlash_deg, encoder.backlash_error_deg),
    ]
    return [part for part in parts if part.u_deg > 0.0]

"""A series of dial gauge points: both methods, mistyped points, the encoder's own errors.

Points before TDC are approached forwards and points after it backwards, so that the piston rises
each time. With backlash between crank and encoder the two directions read differently; points are
corrected to forward movement, in which readings are taken.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from rig.base.angles import modulo, nearest, wrap
from rig.base.errors import InputError
from rig.base.rounding import after_index, difference, many, size, two_figures
from rig.base.uncertainty import Contribution, Source, quantisation, rectangular
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
from rig.tdc.reference import TdcReference

SUSPECT_SIGMAS = 5.0
# Points that scatter this many times more than stated for a reading are not on the curve (common
# practice, no source).
MISFIT = 20.0


@dataclass(frozen=True, slots=True)
class Suspect:
    """A point (``number`` from 1, as typed) that contradicts the others."""

    number: int
    point: GaugePoint
    expected_mm: float
    sigmas: float
    words: str


@dataclass(frozen=True, slots=True)
class Moved:
    """Points taken again, against the fit. ``shift_deg``: by how much TDC moved."""

    shift_deg: float
    u_deg: float
    zero_change_mm: float
    moved: bool
    words: str


@dataclass(frozen=True, slots=True)
class MethodDifference:
    """Two TDCs of one engine: ``first`` minus ``second``, in (-180, 180] degrees."""

    first: str
    second: str
    difference_deg: float
    U_deg: float
    agree: bool
    words: str


def mistyped(points: Sequence[GaugePoint], gauge: Gauge, geometry: Geometry) -> Suspect | None:
    """The point that the curve through all the others misses by far, or None.

    Each point is left out in turn; the worst is named if it is ``SUSPECT_SIGMAS`` standard
    uncertainties off and the others then agree better than before. A point so far off that no
    curve fits them all is named if the others agree as stated. None without a point to spare.
    Raises InputError as ``fit`` when no point is to blame. Source: leaving one out, a common
    statistical practice.
    """
    unknown = 3 if geometry.offset_mm is None else 2
    if len(points) < unknown + 3:
        return None
    try:
        limit, whole_fails = fit(points, gauge, geometry).scatter, None
    except InputError as why:
        limit, whole_fails = SUSPECT_SIGMAS, why
    worst: Suspect | None = None
    for i, point in enumerate(points):
        try:
            rest = fit([*points[:i], *points[i + 1 :]], gauge, geometry)
        except InputError:  # the others are on one side, or the one to blame is among them
            continue
        at = np.array([nearest(point.angle_deg, rest.tdc_deg)])
        expected = float(curve_mm(at, rest.x, gauge, geometry)[0])
        slopes = gradient(at, rest.x, gauge, geometry)[0]
        sigma = math.hypot(gauge.u_drop_mm, gauge.u_angle_deg * slopes[0])
        covariance = np.array(rest.covariance)
        own = slopes[: len(covariance)]  # of what was fitted
        u_curve = math.sqrt(max(0.0, float(own @ covariance @ own)))
        sigmas = abs(point.drop_mm - expected) / (
            max(1.0, rest.scatter) * math.hypot(sigma, u_curve)
        )
        better = rest.scatter < limit
        if sigmas > SUSPECT_SIGMAS and better and (worst is None or sigmas > worst.sigmas):
            worst = Suspect(i + 1, point, expected, sigmas, _words(i + 1, point, expected))
    if worst is None and whole_fails is not None:
        raise whole_fails
    return worst


def misfit(found: Fit) -> str:
    """One sentence when the points as a whole are not on the curve, else empty.

    Source: ``Fit.scatter`` against ``MISFIT``.
    """
    if found.scatter <= MISFIT:
        return ""
    return (
        f"the points scatter {many(round(found.scatter), 'time')} as much as stated for a"
        " reading, and no single one is to blame: check stroke and rod, millimetres and inches,"
        " whether the gauge is inclined, and that there are points on either side of the top"
    )


def _words(number: int, point: GaugePoint, expected: float) -> str:
    text = (
        f"gauge point {number} ({after_index(point.angle_deg)} degrees after the index,"
        f" {point.drop_mm:.3f} mm) does not fit: the other points give {expected:.3f} mm there"
    )
    guesses = {
        10.0: "a decimal point in the wrong place",
        0.1: "a decimal point in the wrong place",
        1.0 / MM_PER_INCH: "an inch figure among millimetres",
        MM_PER_INCH: "a millimetre figure among inches",
    }
    for factor, guess in guesses.items():
        if abs(expected) > 0.05 and abs(point.drop_mm / factor / expected - 1.0) < 0.05:
            return f"{text}; {guess}?"
    swapped = sorted(f"{abs(point.drop_mm):.2f}") == sorted(f"{abs(expected):.2f}")
    return f"{text}; {'figures swapped?' if swapped else 'take it again'}"


def gauge_moved(
    found: Fit, touches: Sequence[GaugePoint], gauge: Gauge, geometry: Geometry
) -> Moved:
    """Two or more points taken again, at least one on either side: has the reference moved?

    A slipped encoder shifts both sides the same way, a gauge that moved changes the zero; the two
    are distinguished. Raises InputError when a side is missing. Source: least squares on the fitted
    curve, JCGM 100:2008.
    """
    angles = np.array([nearest(p.angle_deg, found.tdc_deg) for p in touches])
    before = int(np.sum(angles < found.tdc_deg))
    if min(before, len(touches) - before) == 0:
        raise InputError("take a point again on either side of the top: one side is not enough")
    drops = np.array([p.drop_mm for p in touches])
    slope = gradient(angles, found.x, gauge, geometry)[:, 0]
    sigma = np.hypot(gauge.u_drop_mm, gauge.u_angle_deg * slope)
    design = np.column_stack([slope, np.ones_like(slope)]) / sigma[:, None]
    cov = np.linalg.inv(design.T @ design)
    off = (drops - curve_mm(angles, found.x, gauge, geometry)) / sigma
    shift, zero = (cov @ design.T @ off).tolist()
    u = math.hypot(math.sqrt(cov[0, 0]), found.u_tdc_deg)
    U = 2.0 * u
    gone = abs(shift) > U
    words = (
        f"TDC moved by {difference(shift, U)} degrees (±{two_figures(U)}) since it was found: the"
        " encoder or its coupling slipped; find TDC again"
        if gone
        else f"taken again: TDC is where it was, within {two_figures(U)} degrees"
    )
    return Moved(shift, u, zero, gone, words)


def compare_methods(references: Sequence[TdcReference]) -> list[MethodDifference]:
    """Every two TDCs of the same cylinder compared; the person selects.

    They agree when their difference is within its expanded uncertainty, with both taken as
    independent (two methods on the same points share their readings, so this is on the safe side).
    Raises InputError when cylinders differ. Source: JCGM 100:2008, 5.1.2.
    """
    if len({r.cylinder for r in references}) > 1:
        raise InputError("TDCs of different cylinders cannot be compared")
    out = []
    for a, b in combinations(references, 2):
        apart = wrap(a.tdc_deg - b.tdc_deg)
        U = math.hypot(a.uncertainty.U_deg, b.uncertainty.U_deg)
        agree = abs(apart) <= U
        words = (
            f"{a.by} is {size(apart, U)} degrees "
            f"{'after' if apart > 0 else 'before'} {b.by}, "
            f"{'within' if agree else 'more than'} the {two_figures(U)} allowed between the two"
        )
        out.append(MethodDifference(a.by, b.by, apart, U, agree, words))
    return out


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
    moved: Moved | None = None
    moved_why: str = ""

    @property
    def references(self) -> tuple[TdcReference, ...]:
        """The TDCs found, the fit first."""
        found = (self.fit, self.drops)
        return tuple(each.reference for each in found if each is not None)


def with_encoder(gauge: Gauge, encoder: Encoder) -> Gauge:
    """The gauge with the angle read no finer than the encoder's count (JCGM 100, F.2.2.1)."""
    q_deg = 360.0 / encoder.counts_per_turn / float(encoder.turns_per_crank_turn)
    return replace(gauge, u_angle_deg=max(gauge.u_angle_deg, quantisation(q_deg)))


def work_through(
    points: Sequence[GaugePoint],
    gauge: Gauge,
    geometry: Geometry | None,
    encoder: Encoder,
    *,
    cylinder: int = 1,
    again: Sequence[GaugePoint] = (),
    turn_known: bool = True,
) -> Series:
    """TDC of ``cylinder`` by both methods; ``again`` are points taken again at the end.

    Without ``turn_known`` the angles were written down within one turn of the crank: their place on
    the disc of a geared encoder is then unknown, and the references have none. ``geometry`` is the
    cylinder's own; None leaves only equal drops. Raises InputError when neither method can be used.
    Source: ``fit``, ``equal_drops``.
    """
    gauge = with_encoder(gauge, encoder)
    _ = gauge.mm_per_mm  # an inclined gauge needs its case
    if geometry is not None:
        within_stroke(points, gauge, geometry)
    points = [replace(each, angle_deg=around_deg(each.angle_deg, encoder)) for each in points]
    rough = _by_both(points, gauge, geometry, cylinder, ())
    if rough.fit is None and geometry is not None:
        suspect = mistyped(points, gauge, geometry)
        if suspect is not None:
            raise InputError(f"{suspect.words}; correct it, or leave it out")
    if not rough.references:
        raise InputError(rough.fit_why)
    top = rough.fit.tdc_deg if rough.fit else rough.references[0].tdc_deg
    if encoder.backlash_deg:
        points = [_carried(point, top, encoder) for point in points]
        again = [_carried(point, top, encoder) for point in again]
    found = _by_both(points, gauge, geometry, cylinder, _encoder_parts(points, top, encoder))
    by_curve, drops = found.fit, found.drops
    if turn_known or disc_places(encoder) == 1:
        if by_curve is not None:
            of = _seated(by_curve.reference, points, encoder)
            found = replace(found, fit=replace(by_curve, reference=of))
        if drops is not None:
            of = _seated(drops.reference, points, encoder)
            found = replace(found, drops=replace(drops, reference=of))
    if by_curve is None or geometry is None:
        return found
    suspect = mistyped(points, gauge, geometry)
    if suspect is not None or not again:
        return replace(found, suspect=suspect)
    try:
        return replace(found, moved=gauge_moved(by_curve, again, gauge, geometry))
    except InputError as why:  # the TDC that was found is valid all the same
        return replace(found, moved_why=str(why))


def _by_both(
    points: Sequence[GaugePoint],
    gauge: Gauge,
    geometry: Geometry | None,
    cylinder: int,
    parts: Sequence[Contribution],
) -> Series:
    """The points by both methods, or why not."""
    found = drops = None
    drops_why = ""
    fit_why = (
        "stroke and rod of this cylinder are not entered, so no curve can be fitted to the points:"
        " enter them under [engine.geometry]"
    )
    if geometry is not None:
        try:
            found, fit_why = fit(points, gauge, geometry, cylinder=cylinder, parts=parts), ""
        except InputError as why:
            fit_why = str(why)
    try:
        drops = equal_drops(points, gauge, geometry, cylinder=cylinder, parts=parts)
    except InputError as why:
        drops_why = str(why)
    return Series(tuple(points), found, fit_why, drops, drops_why)


def _carried(point: GaugePoint, top_deg: float, encoder: Encoder) -> GaugePoint:
    """A point after the top, read turning back, as it would read turning forward.

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

    As for a piston stop, with the mean distance from the top: see ``rig.tdc.reference``.
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

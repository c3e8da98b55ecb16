"""Is the gauge series sound: a mistyped point, a reference that moved, methods side by side."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from rig.counted import many
from rig.engine.dead_centre.gauge import Fit, Gauge, GaugePoint, curve_mm, fit, fitted
from rig.engine.dead_centre.reference import Reference
from rig.engine.geometry import MM_PER_INCH
from rig.engine.profile import Geometry
from rig.engine.stated import after_index, difference, size, two_figures
from rig.faults import InputError

SUSPECT_SIGMAS = 5.0
MISFIT = 20.0
"""Points this many times as far off as was stated of a reading lie on no such curve (common
practice, no source)."""


@dataclass(frozen=True, slots=True)
class Suspect:
    """A point (``number`` from 1, as typed) that the others do not believe."""

    number: int
    point: GaugePoint
    expected_mm: float
    sigmas: float
    words: str


@dataclass(frozen=True, slots=True)
class Moved:
    """Touches after the series against the fit. ``shift_deg``: by how much dead centre moved."""

    shift_deg: float
    u_deg: float
    zero_change_mm: float
    moved: bool
    words: str


@dataclass(frozen=True, slots=True)
class MethodDifference:
    """Two references of one engine: ``first`` minus ``second``, in (-180, 180] degrees."""

    first: str
    second: str
    difference_deg: float
    U_deg: float
    agree: bool
    words: str


def mistyped(points: Sequence[GaugePoint], gauge: Gauge, geometry: Geometry) -> Suspect | None:
    """The point that the curve through all the others misses by far, or None.

    Each point is left out in turn; the worst is named when it lies ``SUSPECT_SIGMAS`` standard
    uncertainties away and the others then agree better than before. A point so far off that no
    curve can be laid through them all is named when the others agree as stated. None as well when
    there is no point to spare. Raises InputError as ``fit`` when no point is to blame. Source:
    leaving one out, a common statistical practice.
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
            rest = fit([p for j, p in enumerate(points) if j != i], gauge, geometry)
        except InputError:  # the others lie on one side, or the one to blame is among them
            continue
        at = np.array([rest.tdc_deg + (point.angle_deg - rest.tdc_deg + 180.0) % 360.0 - 180.0])
        x = fitted(rest)
        expected = float(curve_mm(at, x, gauge, geometry)[0])
        step = np.array([0.01])
        rise = curve_mm(at + step, x, gauge, geometry) - curve_mm(at - step, x, gauge, geometry)
        sigma = math.hypot(gauge.u_lift_mm, gauge.u_angle_deg * float(rise[0]) / 0.02)
        spread = max(1.0, rest.scatter) * math.hypot(sigma, _u_curve(rest, at, gauge, geometry))
        sigmas = abs(point.lift_mm - expected) / spread
        better = rest.scatter < limit
        if sigmas > SUSPECT_SIGMAS and better and (worst is None or sigmas > worst.sigmas):
            worst = Suspect(i + 1, point, expected, sigmas, _words(i + 1, point, expected))
    if worst is None and whole_fails is not None:
        raise whole_fails
    return worst


def misfit(found: Fit) -> str:
    """One sentence when the points as a whole do not lie on the curve, empty when they do.

    Source: ``Fit.scatter`` against ``MISFIT``.
    """
    if found.scatter <= MISFIT:
        return ""
    return (
        f"the points lie {many(round(found.scatter), 'time')} as far off the curve as "
        f"was stated of a"
        " reading, and no single one is to blame: look at stroke and rod, at millimetres and"
        " inches, at an inclined gauge, and whether there are points on either side of the top"
    )


def _u_curve(rest: Fit, at: np.ndarray, gauge: Gauge, geometry: Geometry) -> float:
    """Standard uncertainty of the fitted curve at an angle, mm, from the fit's covariance."""
    x = fitted(rest)
    size = len(rest.covariance)
    steps = np.array([0.01, 0.001, 0.01])[:size]
    grad = np.empty(size)
    for k in range(size):
        d = np.zeros(3)
        d[k] = steps[k]
        rise = curve_mm(at, x + d, gauge, geometry) - curve_mm(at, x - d, gauge, geometry)
        grad[k] = float(rise[0]) / (2.0 * steps[k])
    return math.sqrt(max(0.0, float(grad @ np.array(rest.covariance) @ grad)))


def _words(number: int, point: GaugePoint, expected: float) -> str:
    text = (
        f"gauge point {number} ({after_index(point.angle_deg)} degrees after the index,"
        f" {point.lift_mm:.3f} mm) does not fit: the other points say {expected:.3f} mm there"
    )
    for factor, guess in (
        (10.0, "a decimal point in the wrong place"),
        (0.1, "a decimal point in the wrong place"),
        (1.0 / MM_PER_INCH, "an inch figure among millimetres"),
        (MM_PER_INCH, "a millimetre figure among inches"),
    ):
        if abs(expected) > 0.05 and abs(point.lift_mm / factor / expected - 1.0) < 0.05:
            return f"{text}; {guess}?"
    typed = sorted(f"{abs(point.lift_mm):.2f}")
    if typed == sorted(f"{abs(expected):.2f}"):
        return f"{text}; figures swapped?"
    return f"{text}; read it again"


def moved(found: Fit, touches: Sequence[GaugePoint], gauge: Gauge, geometry: Geometry) -> Moved:
    """Two touches or more at the end, at least one on either side: did the reference move?

    A slipped encoder shifts both sides the same way; a gauge that moved changes the zero, and the
    two are told apart. Raises InputError when a side is missing. Source: least squares on the
    fitted curve, JCGM 100:2008.
    """
    x = fitted(found)
    angles = np.array(
        [found.tdc_deg + (p.angle_deg - found.tdc_deg + 180.0) % 360.0 - 180.0 for p in touches]
    )
    before = int(np.sum(angles < found.tdc_deg))
    if min(before, len(touches) - before) == 0:
        raise InputError("touch once more on either side of the top: one side cannot tell")
    lifts = np.array([p.lift_mm for p in touches])
    step = np.array([0.01, 0.0, 0.0])
    slope = (
        curve_mm(angles, x + step, gauge, geometry) - curve_mm(angles, x - step, gauge, geometry)
    ) / 0.02
    sigma = np.hypot(gauge.u_lift_mm, gauge.u_angle_deg * slope)
    design = np.column_stack([slope, np.ones_like(slope)]) / sigma[:, None]
    cov = np.linalg.inv(design.T @ design)
    shift, zero = (
        float(v) for v in cov @ design.T @ ((lifts - curve_mm(angles, x, gauge, geometry)) / sigma)
    )
    u = math.hypot(math.sqrt(cov[0, 0]), found.u_tdc_deg)
    gone = abs(shift) > 2.0 * u
    U = 2.0 * u
    words = (
        f"the reference moved by {difference(shift, U)} degrees (±{two_figures(U)}) since it was "
        "found: the encoder or its coupling slipped; find dead centre again"
        if gone
        else f"touched once more: dead centre is where it was, within {two_figures(U)} degrees"
    )
    return Moved(shift, u, zero, gone, words)


def compare_methods(references: Sequence[Reference]) -> list[MethodDifference]:
    """Every two references of the same cylinder, set beside one another; the person chooses.

    They agree when their difference is within its expanded uncertainty, each taken as independent
    (two methods on the same points share their readings, so that this is on the safe side).
    Raises InputError when cylinders differ. Source: JCGM 100:2008, 5.1.2.
    """
    if len({r.cylinder for r in references}) > 1:
        raise InputError("dead centres of different cylinders are not compared with one another")
    out = []
    for a, b in combinations(references, 2):
        apart = -((b.tdc_deg - a.tdc_deg + 180.0) % 360.0 - 180.0)
        U = math.hypot(a.uncertainty.U_deg, b.uncertainty.U_deg)
        agree = abs(apart) <= U
        words = (
            f"{a.method} lies {size(apart, U)} degrees "
            f"{'after' if apart > 0 else 'before'} {b.method}, "
            f"{'within' if agree else 'more than'} the {two_figures(U)} that the two may differ by"
        )
        out.append(MethodDifference(a.method, b.method, apart, U, agree, words))
    return out

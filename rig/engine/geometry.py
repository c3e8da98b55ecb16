"""Piston, rim, and TDC of each cylinder: angles and lengths converted into one another, exactly.

With throw r, rod L and offset e, and the crank angle theta counted from the direction parallel to
the bore, positive in the normal direction, the piston pin is at

    height(theta) = r cos(theta) + sqrt(L^2 - (r sin(theta) - e)^2)

above the crank. The offset is the distance from the crank's axis to the line on which the piston
pin travels, positive on the side to which the crank pin moves as it leaves the top. If it is not
known (``offset_mm`` None) it is zero here; ``rig.tdc.reference`` has the uncertainty of that.

Source: for e = 0 the piston position of Heywood, Internal Combustion Engine Fundamentals, ch. 2;
with offset by Pythagoras, as in the Cornell KMODDL tutorial on offset slider-cranks. No series is
used: the usual two-term one is 0.2 mm out at a quarter turn of a common engine.

A cylinder's *place* in the working cycle is where the firing order puts it, counted from cylinder
1. Its *TDC* is the same on an ordinary engine, but not on one with link rods, where it must be
entered for every cylinder but cylinder 1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import accumulate

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rig.base.angles import modulo, wrap
from rig.base.errors import InputError
from rig.engine.profile import Engine, Geometry

MM_PER_INCH = 25.4  # exact by definition
AT_DEAD_CENTRE = 1e-12  # throws a radian: a slower piston's speed is rounding of float64 alone


def height_mm(theta_deg: ArrayLike, geometry: Geometry) -> NDArray[np.float64]:
    """Height of the piston pin above the crank's axis, mm, same shape as ``theta_deg``.

    ``theta_deg`` is counted from the direction parallel to the bore, in the normal direction.
    Raises InputError for a crank that cannot turn. Source: see the module.
    """
    r, rod, offset = _sides(geometry)
    theta = np.radians(np.asarray(theta_deg, np.float64))
    height = r * np.cos(theta) + np.sqrt(rod**2 - (r * np.sin(theta) - offset) ** 2)
    return np.asarray(height, np.float64)


def top_mm(geometry: Geometry) -> float:
    """Height of the piston pin at TDC, mm. Source: rod and throw in one line."""
    r, rod, offset = _sides(geometry)
    return math.sqrt((rod + r) ** 2 - offset**2)


def theta_tdc_deg(geometry: Geometry) -> float:
    """Crank angle of TDC from the direction of the bore, degrees. Source: rod and throw in line."""
    r, rod, offset = _sides(geometry)
    return math.degrees(math.asin(offset / (rod + r)))


def theta_bdc_deg(geometry: Geometry) -> float:
    """Crank angle of BDC, degrees, about 180. Source: rod and throw folded."""
    r, rod, offset = _sides(geometry)
    return 180.0 + math.degrees(math.asin(offset / (rod - r)))


def stroke_mm(geometry: Geometry) -> float:
    """True stroke, mm; longer than twice the throw when there is an offset."""
    r, rod, offset = _sides(geometry)
    return top_mm(geometry) - math.sqrt((rod - r) ** 2 - offset**2)


def throw_from_stroke_mm(stroke_mm: float, rod_mm: float, offset_mm: float = 0.0) -> float:
    """Throw of the crank, mm, from the stroke as measured on the piston.

    Raises InputError if no crank has these. Source: ``stroke_mm`` solved for the throw.
    """
    square = stroke_mm**2
    over = 4.0 * (rod_mm**2 - offset_mm**2) - square
    under = 4.0 * (4.0 * rod_mm**2 - square)
    if stroke_mm <= 0 or over <= 0 or under <= 0:
        raise InputError(
            f"no crank has a stroke of {stroke_mm:g} mm with a rod of {rod_mm:g} mm "
            f"and an offset of {offset_mm:g} mm; the rod is longer than half the stroke"
        )
    return math.sqrt(square * over / under)


def travel_mm(btdc_deg: ArrayLike, geometry: Geometry) -> NDArray[np.float64]:
    """Piston travel from the top, mm, at ``btdc_deg`` (negative after TDC), same shape.

    Raises InputError for a crank that cannot turn. Source: see the module.
    """
    theta_deg = theta_tdc_deg(geometry) - np.asarray(btdc_deg, np.float64)
    return np.asarray(top_mm(geometry) - height_mm(theta_deg, geometry), np.float64)


def btdc_from_travel_deg(travel_mm: float, geometry: Geometry, *, after: bool = False) -> float:
    """Degrees before TDC at which the piston is ``travel_mm`` below the top.

    With ``after`` the place on the other side is meant, and the result is negative. Raises
    InputError for a travel outside the stroke. Source: the triangle of crank, rod and offset.
    """
    _check_travel(travel_mm, geometry)
    r, rod, offset = _sides(geometry)
    y = top_mm(geometry) - travel_mm
    pin = math.hypot(offset, y)
    cosine = (pin**2 + r**2 - rod**2) / (2.0 * r * pin)
    half = math.acos(min(1.0, max(-1.0, cosine)))
    theta = math.atan2(offset, y) + (half if after else -half)
    return theta_tdc_deg(geometry) - math.degrees(theta)


def deg_per_mm(btdc_deg: float, geometry: Geometry) -> float:
    """Crank degrees for a millimetre of piston travel at ``btdc_deg``, positive.

    Infinite at TDC and BDC. Source: the derivative of ``height_mm``.
    """
    r, rod, offset = _sides(geometry)
    theta = math.radians(theta_tdc_deg(geometry) - btdc_deg)
    side = r * math.sin(theta) - offset
    mm_per_rad = r * math.sin(theta) + side * r * math.cos(theta) / math.sqrt(rod**2 - side**2)
    if abs(mm_per_rad) <= AT_DEAD_CENTRE * r:
        return math.inf
    return 1.0 / abs(math.radians(mm_per_rad))


def same_travel_other_side_deg(btdc_deg: float, geometry: Geometry) -> float:
    """Degrees before TDC, in (-180, 180], at which the piston is as low on its other stroke as at
    ``btdc_deg``.

    At TDC and BDC that is the place itself; with an offset BDC is not half a turn from TDC, so
    179.5 degrees before TDC may still be on the way down. Source: as ``stop_bias_deg``.
    """
    tdc = theta_tdc_deg(geometry)
    theta = tdc - btdc_deg
    middle = math.degrees(math.atan2(geometry.offset_mm or 0.0, height_mm(theta, geometry)))
    return wrap(tdc - (2.0 * middle - theta)) + 0.0  # no negative zero


def steepest_mm_per_deg(geometry: Geometry) -> float:
    """The most that the piston moves for a degree of crank, mm. Source: ``travel_mm``."""
    every = np.linspace(-180.0, 180.0, 721)
    return float(np.max(np.abs(np.diff(travel_mm(every, geometry))))) / 0.5


def stop_bias_deg(travel_mm: float, geometry: Geometry) -> float:
    """How late the middle of the blocked arc is for a stop at ``travel_mm``, crank degrees.

    Zero without an offset. Raises InputError for a travel outside the stroke. Source: the places
    of equal height are on either side of atan(offset / height).
    """
    _check_travel(travel_mm, geometry)
    _, _, offset = _sides(geometry)
    top = top_mm(geometry)
    return math.degrees(math.atan2(offset, top - travel_mm) - math.atan2(offset, top))


def stop_travel_mm(half_arc_deg: float, geometry: Geometry) -> float:
    """Piston travel at which the stop meets the crown, mm, from half the arc that it blocks.

    Raises InputError for half an arc outside 0 to 180 degrees. Source: the law of cosines for
    crank, rod and the line from the crank's axis to the piston pin.
    """
    if not 0.0 <= half_arc_deg <= 180.0:
        raise InputError(f"half of a blocked arc is 0 to 180 degrees, not {half_arc_deg:g}")
    r, rod, offset = _sides(geometry)
    half = math.radians(half_arc_deg)
    pin = r * math.cos(half) + math.sqrt(rod**2 - (r * math.sin(half)) ** 2)
    travel = top_mm(geometry) - math.sqrt(max(0.0, pin**2 - offset**2))
    return min(max(travel, 0.0), stroke_mm(geometry))


def rim_tape_mm(arc_deg: float, diameter_mm: float) -> float:
    """Length round a rim for ``arc_deg`` of crank, mm, as a tape laid round it reads."""
    return math.pi * _diameter(diameter_mm) * arc_deg / 360.0


def rim_rule_mm(arc_deg: float, diameter_mm: float) -> float:
    """Length across a rim for ``arc_deg`` of crank (-180 to 180), mm, as a straight rule reads."""
    return _diameter(diameter_mm) * math.sin(math.radians(arc_deg) / 2.0)


def deg_from_rim_tape(length_mm: float, diameter_mm: float) -> float:
    """Crank degrees for a length laid round a rim, up to half a turn either way.

    Raises InputError for a longer length. Source: the circumference.
    """
    arc_deg = 360.0 * length_mm / (math.pi * _diameter(diameter_mm))
    if not abs(arc_deg) <= 180.0:
        raise InputError(
            f"{length_mm:g} mm is more than half way round a rim of {diameter_mm:g} mm"
        )
    return arc_deg


def deg_from_rim_rule(length_mm: float, diameter_mm: float) -> float:
    """Crank degrees for a straight length across a rim, up to half a turn either way.

    Raises InputError for a length greater than the diameter. Source: the chord of a circle.
    """
    if not abs(length_mm) <= _diameter(diameter_mm):
        raise InputError(f"a rule of {length_mm:g} mm does not fit a rim of {diameter_mm:g} mm")
    return 2.0 * math.degrees(math.asin(length_mm / diameter_mm))


def _check_travel(travel_mm: float, geometry: Geometry) -> None:
    stroke = stroke_mm(geometry)
    if not -1e-9 <= travel_mm <= stroke + 1e-9:
        raise InputError(
            f"a piston travel of {travel_mm:g} mm lies outside the stroke of {stroke:g} mm"
        )


def _sides(geometry: Geometry) -> tuple[float, float, float]:
    """Throw, rod and offset, mm; raises InputError for a crank that cannot turn."""
    r, rod, offset = geometry.throw_mm, geometry.rod_mm, geometry.offset_mm or 0.0
    if not (0.0 < r < math.inf and r + abs(offset) < rod < math.inf):
        raise InputError(
            f"a crank of throw {r:g} mm with a rod of {rod:g} mm and an offset of {offset:g} mm "
            "cannot turn; the rod is longer than throw and offset together"
        )
    return r, rod, offset


def _diameter(diameter_mm: float) -> float:
    if not 0.0 < diameter_mm < math.inf:
        raise InputError(f"a rim has a diameter greater than 0 mm, not {diameter_mm:g}")
    return diameter_mm


def firing_after_first_deg(engine: Engine) -> dict[int, float]:
    """Cylinder -> its place: crank degrees after cylinder 1's firing, in [0, cycle).

    From firing order and intervals. Source: definition of the two.
    """
    cycle_deg = 180.0 * engine.strokes
    starts = accumulate(engine.intervals_deg[:-1], initial=0.0)
    at = dict(zip(engine.firing_order, starts, strict=True))
    return {cylinder: modulo(deg - at[1], cycle_deg) for cylinder, deg in sorted(at.items())}


def tdc_known(engine: Engine, cylinder: int, counted_from: int = 1) -> bool:
    """Whether the cylinder's own TDC follows from that of ``counted_from``.

    Without link rods it does. With them, cylinder 1 and the entered ones follow from one another;
    any other follows only from itself, also the master if it is neither cylinder 1 nor entered.
    """
    if not engine.master_cylinder or cylinder == counted_from:
        return True
    entered = {1, *engine.entered_tdc_deg}
    return cylinder in entered and counted_from in entered


def on_link_rod(engine: Engine, cylinder: int) -> bool:
    """Whether the cylinder's piston is on a link rod: any but the master's, if there is one.

    Source: definition of the master rod.
    """
    return engine.master_cylinder not in (0, cylinder)


def stop_cylinder(engine: Engine) -> int:
    """Where to fit a piston stop: in the master's cylinder, or cylinder 1 without link rods.

    Source: only the master's piston moves as a slider-crank.
    """
    return engine.master_cylinder or 1


@dataclass(frozen=True, slots=True)
class StopMisleads:
    """A piston stop in ``cylinder``, on a link rod, does not give its TDC.

    Fit it in ``master``, which has the master rod, or enter the TDC of cylinder ``enter``.
    """

    cylinder: int
    master: int
    enter: int

    @property
    def words(self) -> str:
        """What is wrong, and what to do."""
        return (
            f"cylinder {self.cylinder} is on a link rod, and its TDC is not entered: the middle"
            " between touches is not its TDC, and no other cylinder's follows from it. Fit the stop"
            f" in cylinder {self.master}, which has the master rod, or enter {self.enter} under"
            " [engine.tdc_deg_after_cylinder_1]"
        )


def stop_misleads(engine: Engine, cylinder: int) -> StopMisleads | None:
    """Why a piston stop in ``cylinder`` misleads; None where it does not.

    On a link rod the piston does not move alike on both sides of its TDC, nor is its TDC where the
    firing order has it. For cylinder 1, the master's TDC, entered after it, connects the two.
    """
    master = engine.master_cylinder
    entered = (
        master in engine.entered_tdc_deg if cylinder == 1 else cylinder in engine.entered_tdc_deg
    )
    if not on_link_rod(engine, cylinder) or entered:
        return None
    return StopMisleads(cylinder, master, master if cylinder == 1 else cylinder)


def tdc_after_first_deg(engine: Engine, counted_from: int = 1) -> dict[int, float]:
    """Cylinder -> its firing TDC, crank degrees after cylinder 1's, in [0, cycle).

    Entered values first, then the firing order. Those that do not follow from the cylinder at which
    TDC was found, ``counted_from``, are left out: their degrees BTDC cannot be assessed.
    """
    places = datum_after_first_deg(engine)
    return {c: deg for c, deg in places.items() if tdc_known(engine, c, counted_from)}


def datum_after_first_deg(engine: Engine) -> dict[int, float]:
    """Cylinder -> where its degrees are counted from, after cylinder 1's firing, in [0, cycle).

    Its TDC if that is known, else its place in the firing order. Windows in
    ``Setting.per_cylinder`` are counted from here.
    """
    return firing_after_first_deg(engine) | dict(engine.entered_tdc_deg)


def geometry_of(engine: Engine, cylinder: int) -> Geometry | None:
    """The slider-crank of a cylinder; None if not entered, or on a link rod."""
    return None if on_link_rod(engine, cylinder) else engine.geometry


def plug_hole_offset_deg(engine: Engine, cylinder: int) -> float:
    """TDC met through a cylinder's plug hole, degrees after cylinder 1's, in [0, 360).

    Regardless of the stroke: a stop cannot tell one from the other. For the master's cylinder it is
    where the firing order puts it, unless it is entered. Raises InputError for a cylinder that the
    engine does not have, or one on a link rod whose TDC is not entered.
    """
    if cylinder not in engine.firing_order:
        raise InputError(f"the engine has no cylinder {cylinder}; it has 1 to {engine.cylinders}")
    if cylinder != engine.master_cylinder and not tdc_known(engine, cylinder):
        master = engine.master_cylinder
        raise InputError(
            f"cylinder {cylinder} is on a link rod, so its TDC does not follow from the firing"
            f" order: use cylinder {master}, which has the master rod, or enter it under"
            " [engine.tdc_deg_after_cylinder_1]"
        )
    return modulo(datum_after_first_deg(engine)[cylinder])

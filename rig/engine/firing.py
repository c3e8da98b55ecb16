"""Where each cylinder stands in the working cycle, counted from cylinder 1.

Two things are kept apart. A cylinder's *place* is where the firing order puts it. Its *top dead
centre* is the same on an ordinary engine, but not on one with link rods, where it has to be stated
for every cylinder but cylinder 1.
"""

from __future__ import annotations

from itertools import accumulate

from rig.engine.profile import Engine, Geometry
from rig.faults import InputError


def wrap_btdc(deg: float) -> float:
    """``deg`` taken into (-180, 180] by whole turns. Source: definition."""
    wrapped = deg % 360.0
    return wrapped - 360.0 if wrapped > 180.0 else wrapped


def wrap_cycle(deg: float, cycle_deg: float) -> float:
    """``deg`` taken into [0, cycle_deg) by whole cycles. Source: definition."""
    wrapped = deg % cycle_deg
    return 0.0 if wrapped == cycle_deg else wrapped  # a tiny negative one rounds up to the end


def wrap_half_cycle(deg: float, cycle_deg: float) -> float:
    """``deg`` taken into (-cycle_deg / 2, cycle_deg / 2] by whole cycles. Source: definition."""
    wrapped = deg % cycle_deg
    return wrapped - cycle_deg if wrapped > cycle_deg / 2.0 else wrapped


def firing_after_first_deg(engine: Engine) -> dict[int, float]:
    """Cylinder -> its place: crank degrees after cylinder 1's firing, in [0, cycle).

    From firing order and intervals. Source: definition of the two.
    """
    cycle_deg = 180.0 * engine.strokes
    starts = accumulate(engine.intervals_deg[:-1], initial=0.0)
    at = dict(zip(engine.firing_order, starts, strict=True))
    return {cylinder: wrap_cycle(deg - at[1], cycle_deg) for cylinder, deg in sorted(at.items())}


def tdc_known(engine: Engine, cylinder: int, counted_from: int = 1) -> bool:
    """Whether the cylinder's own top dead centre follows from that of ``counted_from``.

    Without link rods it does. With them, cylinder 1 and the stated ones follow from one another;
    any other follows from itself alone, the master where it is not cylinder 1 and not stated, too.
    """
    if not engine.master_cylinder or cylinder == counted_from:
        return True
    entered = {1, *engine.stated_tdc_deg}
    return cylinder in entered and counted_from in entered


def on_link_rod(engine: Engine, cylinder: int) -> bool:
    """Whether the cylinder's piston hangs on a link rod: any but the master's, where there is one.

    Source: definition of the master rod.
    """
    return engine.master_cylinder not in (0, cylinder)


def stop_cylinder(engine: Engine) -> int:
    """Where a piston stop is best fitted: the master's cylinder, or cylinder 1 without link rods.

    Source: only the master's piston moves as a slider-crank.
    """
    return engine.master_cylinder or 1


def stop_trouble(engine: Engine, cylinder: int) -> str:
    """Why a piston stop in ``cylinder`` misleads, in words; empty when it does not.

    On a link rod the piston does not move alike on both sides of its top, nor does its top come
    where the firing order has it. For cylinder 1 the master's top, entered after it, ties the two.
    """
    master = engine.master_cylinder
    entered = (
        master in engine.stated_tdc_deg if cylinder == 1 else cylinder in engine.stated_tdc_deg
    )
    if not on_link_rod(engine, cylinder) or entered:
        return ""
    enter = master if cylinder == 1 else cylinder
    return (
        f"cylinder {cylinder} is on a link rod, and its TDC is not entered: the middle between"
        f" touches is not its TDC, and no other cylinder's follows from it. Fit the stop in"
        f" cylinder {master}, which has the master rod, or enter {enter} under"
        " [engine.tdc_deg_after_cylinder_1]"
    )


def tdc_after_first_deg(engine: Engine, counted_from: int = 1) -> dict[int, float]:
    """Cylinder -> its firing top dead centre, crank degrees after cylinder 1's, in [0, cycle).

    Stated figures come first, then the firing order. Those that do not follow from the cylinder at
    which top dead centre was found, ``counted_from``, are left out: what they do before top dead
    centre cannot be judged.
    """
    places = datum_after_first_deg(engine)
    return {c: deg for c, deg in places.items() if tdc_known(engine, c, counted_from)}


def datum_after_first_deg(engine: Engine) -> dict[int, float]:
    """Cylinder -> where its degrees are counted from, after cylinder 1's firing, in [0, cycle).

    Its top dead centre where that is known, its place in the firing order where it is not.
    Windows in ``Setting.per_cylinder`` are counted from here.
    """
    return firing_after_first_deg(engine) | dict(engine.stated_tdc_deg)


def geometry_of(engine: Engine, cylinder: int) -> Geometry | None:
    """The slider-crank of a cylinder; None when not stated, or when it hangs on a link rod."""
    return None if on_link_rod(engine, cylinder) else engine.geometry


def plug_hole_offset_deg(engine: Engine, cylinder: int) -> float:
    """Top dead centre met through a cylinder's plug hole, degrees after cylinder 1's, in [0, 360).

    Without the stroke: a stop cannot tell one from the other. Of the master's cylinder that is
    where the firing order puts it, unless it is stated. Raises InputError for a cylinder that the
    engine does not have, or one on a link rod whose dead centre is not stated.
    """
    if cylinder not in engine.firing_order:
        raise InputError(f"the engine has no cylinder {cylinder}; it has 1 to {engine.cylinders}")
    if cylinder != engine.master_cylinder and not tdc_known(engine, cylinder):
        master = engine.master_cylinder
        raise InputError(
            f"cylinder {cylinder} hangs on a link rod, so that its top dead centre does not follow "
            f"from the firing order; use cylinder {master}, which has the master rod, or state it "
            "under [engine.tdc_deg_after_cylinder_1]"
        )
    return wrap_cycle(datum_after_first_deg(engine)[cylinder], 360.0)

"""Engines, openings and readings for the tests of this room; nothing here is a real engine."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

import numpy as np

from rig.base.uncertainty import Contribution, Source, combine
from rig.engine.profile import Encoder, Engine, Profile, Setting, Unit, Window
from rig.signal.events import Opening
from rig.tdc.reference import Method, TdcReference
from rig.timing.values import Reading

ADVANCE = Setting("full advance", Window(37.0, 36.0, 35.0, "manual, page 12"))
FINE_ENCODER = Encoder(4096)


def unit(
    name: str = "upper",
    at_input: int = 1,
    turns: str = "1/2",
    lobes: int = 1,
    setting: Setting = ADVANCE,
) -> Unit:
    return Unit(name, at_input, Fraction(turns), lobes, (setting,))


def profile(
    cylinders: int,
    order: Sequence[int],
    intervals: Sequence[float],
    *units: Unit,
    strokes: int = 4,
    encoder: Encoder = FINE_ENCODER,
) -> Profile:
    engine = Engine(
        name="test engine",
        strokes=2 if strokes == 2 else 4,
        cylinders=cylinders,
        firing_order=tuple(order),
        intervals_deg=tuple(intervals),
        rotation="clockwise",
        seen_from="drive end",
    )
    return Profile(engine, encoder, units)


def single(*units: Unit, encoder: Encoder = FINE_ENCODER) -> Profile:
    """One cylinder, four strokes, a unit at half crank speed with one lobe."""
    return profile(1, (1,), (720.0,), *(units or (unit(),)), encoder=encoder)


def four(*units: Unit, encoder: Encoder = FINE_ENCODER) -> Profile:
    """Four cylinders in line, 1-3-4-2, a unit at crank speed with two lobes."""
    units = units or (unit(turns="1", lobes=2),)
    return profile(4, (1, 3, 4, 2), (180.0,) * 4, *units, encoder=encoder)


def nine(*units: Unit) -> Profile:
    """Nine cylinders on a star, a cam at half crank speed with nine lobes."""
    order = (1, 3, 5, 7, 9, 2, 4, 6, 8)
    return profile(9, order, (80.0,) * 9, *(units or (unit(lobes=9),)))


def reference(
    tdc_deg: float = 0.0,
    u_deg: float = 0.05,
    nu: float = math.inf,
    touches: tuple[tuple[float, ...], tuple[float, ...]] = ((), ()),
) -> TdcReference:
    part = Contribution(Source.REPEATABILITY, u_deg, nu, "A", "")
    return TdcReference(
        tdc_deg,
        combine([part]),
        Method.STOP if touches[0] else Method.BY_HAND,
        "",
        forward_deg=touches[0],
        backward_deg=touches[1],
    )


def opening(crank_deg: float | None, at_input: int = 1, closed_deg: float = math.nan) -> Opening:
    return Opening(
        input=at_input,
        t_us=5_000_000.0,
        crank_deg=crank_deg,
        direction=1,
        speed_deg_s=40.0,
        approach_deg=90.0,
        rejection=None,
        times_opened=3,
        transition_us=900.0,
        closed_us=1e6,
        closed_deg=closed_deg,
    )


def reading(btdc_deg: float, unit_name: str = "upper", cylinder: int | None = 1) -> Reading:
    """A counted reading, dead centre standing at the index."""
    return Reading(
        unit=unit_name,
        setting=ADVANCE.name,
        cylinder=cylinder,
        lobe=0,
        btdc_deg=btdc_deg,
        crank_deg=720.0 - btdc_deg,
        t_s=0.0,
        rejection=None,
    )


def readings(
    btdc_deg: Sequence[float], unit_name: str = "upper", cylinder: int | None = 1
) -> list[Reading]:
    return [reading(angle, unit_name, cylinder) for angle in btdc_deg]


def changed(group: Sequence[Reading], **fields: object) -> list[Reading]:
    """The same readings with other fields."""
    return [replace(one, **fields) for one in group]  # type: ignore[arg-type]


def link_rod_touches(pin_deg: float, drop_mm: float) -> tuple[float, float, float]:
    """Touches before and after TDC of a piston on a link rod, and its TDC, crank degrees.

    Source: closed chain of crank, master rod, link pin and link rod. Throw 70, master rod 260, link
    pin 52 from the crank pin and link rod 208 mm: common practice, no source.
    """
    crank = np.linspace(pin_deg - 150.0, pin_deg + 150.0, 300_001)
    at = np.radians(crank)
    rod = np.radians(pin_deg) - np.arcsin(70.0 / 260.0 * np.sin(at))
    x = 70.0 * np.sin(at) + 52.0 * np.sin(rod)
    y = 70.0 * np.cos(at) + 52.0 * np.cos(rod)
    axis = math.radians(pin_deg)
    beside = x * math.cos(axis) - y * math.sin(axis)
    height = x * math.sin(axis) + y * math.cos(axis) + np.sqrt(208.0**2 - beside**2)
    top = int(np.argmax(height))
    blocked = np.flatnonzero(height >= height[top] - drop_mm)
    return float(crank[blocked[0]]), float(crank[blocked[-1]]), float(crank[top])

"""An engine for tests, invented: a launch engine with two units."""

from __future__ import annotations

from fractions import Fraction

from rig.engine.profile import (
    Encoder,
    Engine,
    Geometry,
    Profile,
    Setting,
    Synchronisation,
    Unit,
    Window,
)

SOURCE = "workshop manual, page 12 (invented for the demonstration)"


def launch_engine() -> Profile:
    """A four-stroke, four-cylinder launch engine with two units at crank speed."""
    window = Window(37.0, 36.0, 35.0, SOURCE)
    settings = (Setting("full advance", window), Setting("full retard", None))
    one = Fraction(1)
    return Profile(
        engine=Engine(
            name="launch engine (invented)",
            strokes=4,
            cylinders=4,
            firing_order=(1, 3, 4, 2),
            intervals_deg=(180.0, 180.0, 180.0, 180.0),
            rotation="clockwise",
            seen_from="flywheel end",
            geometry=Geometry(throw_mm=50.0, rod_mm=190.0, offset_mm=0.0),
            rim_diameter_mm=412.0,
        ),
        encoder=Encoder(4096, graduation_error_deg=0.02, run_out_deg=0.05),
        units=(
            Unit("upper", 1, one, 2, settings),
            Unit("lower", 2, one, 2, settings),
        ),
        synchronism=(Synchronisation("upper", "lower", 0.0, 1.0, SOURCE),),
    )

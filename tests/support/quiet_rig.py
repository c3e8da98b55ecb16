"""A virtual rig without noise, and what its truth says: for the tests of this room."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from launch_engine import launch_engine

from rig.engine.profile import Profile
from rig.virtual.ground_truth import GroundTruth, draw
from rig.virtual.motion import Hand

PROFILE = launch_engine()
SMOOTH = Hand(tremor_deg=0.0)


def quiet(profile: Profile = PROFILE, seed: int = 3, **unit_changes: Any) -> GroundTruth:
    """Clean contacts, an even encoder, no scatter; each unit changed as said."""
    hidden = draw(profile, seed, noise="clean", scatter_deg=0.0)
    encoder = replace(
        hidden.encoder, harmonics=(), line_counts=0.0, state_counts=(0.0, 0.0, 0.0, 0.0)
    )
    units = tuple(replace(unit, **unit_changes) for unit in hidden.units)
    return replace(hidden, encoder=encoder, units=units)


def openings(truth: dict[str, Any], unit: str = "1", **wanted: Any) -> list[dict[str, Any]]:
    found = truth["units"][unit]["openings"]
    return [o for o in found if all(o[key] == value for key, value in wanted.items())]


def wrapped(deg: float, period: float = 360.0) -> float:
    return (deg + period / 2) % period - period / 2

"""Whether the firing stroke matters for a job, and whether it is stated."""

from __future__ import annotations

from rig.command.live.bench import Bench
from rig.engine.profile import Profile
from rig.screen.view import Stroke
from rig.timing.tie import sparks_on_both_strokes


def stroke_state(bench: Bench) -> Stroke:
    """What is known of the firing stroke.

    Where a geared encoder's index comes at several places of the crank the same statement settles
    which of them it is, so it is wanted on a two-stroke as well.
    """
    places = bench.session.places
    if needs_no_stroke(bench.job.profile) and places.known:
        return "not needed"
    if bench.session.stroke is not None:
        return "stated"
    return "lost" if bench.session.stroke_lost or places.was_lost else "not stated"


def needs_no_stroke(profile: Profile) -> bool:
    """True on a two-stroke, and where every unit sparks on both strokes by design."""
    return profile.engine.strokes == 2 or all(
        sparks_on_both_strokes(unit, profile) for unit in profile.units
    )

"""Reason, Diagnostic (mostly new)."""

from __future__ import annotations

from rig.base.angles import wrap
from rig.base.rounding import after_index, many, size
from rig.base.rounding import within as stated_within
from rig.engine.gear_train import index_places, places_apart_deg
from rig.engine.profile import Encoder
from rig.tdc.gauge_points import EngineMark, read_within_words
from rig.tdc.reference import TdcReference


def which_place(encoder: Encoder) -> str:
    """In words, why a reference found in another life of the rig does not hold, and what helps."""
    return (
        f"state cylinder 1's firing top, roughly: the index has "
        f"{many(index_places(encoder), 'place')} on"
        f" the crank, {places_apart_deg(encoder):g}° apart"
    )


def not_carried_over(encoder: Encoder) -> str:
    """In words, why a job's reference is not laid over a recording as it is."""
    return (
        "the job's dead centre is not used here: the index comes at"
        f" {many(index_places(encoder), 'place')} of the crank, {places_apart_deg(encoder):g}°"
        " apart. rig results knows which one it was; else give --tdc-deg as it is in this recording"
    )


def mark_words(mark: EngineMark, reference: TdcReference | None) -> str:
    """Where a mark of the engine lies from the dead centre that was found, in words."""
    within = read_within_words(mark)
    if reference is None or mark.cylinder != reference.cylinder:
        return f"{mark.what}: {after_index(mark.crank_deg)}° after the index{within}"
    past = wrap(mark.crank_deg - reference.tdc_deg)
    side = "after" if past > 0.0 else "before"
    U_deg = reference.uncertainty.U_deg
    return (
        f"{mark.what}: {size(past, U_deg)}° {side} top dead centre of cylinder {mark.cylinder}"
        f" by {reference.method} ({stated_within(U_deg)}){within}"
    )

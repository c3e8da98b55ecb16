"""Which place of the crank the index pulse stands for, where the encoder is geared to it.

An encoder that makes p/q turns (lowest terms) for one of the crank shows its index once in q/p
turns of the crank: at p places, 360/p degrees apart. With p = 1 (on the crank, on a shaft at half
its speed) the index is one place, and a reference found once holds for good. With p above 1 a
power cut, or another session, may begin at any of them: then a reference is known up to whole
multiples of 360/p only, until something says roughly where dead centre is.
"""

from __future__ import annotations

import math
from dataclasses import replace

from rig.counted import many
from rig.engine.dead_centre.reference import Reference
from rig.engine.firing import plug_hole_offset_deg, wrap_btdc, wrap_cycle
from rig.engine.profile import Encoder, Engine
from rig.faults import InputError

CLEAR = 0.4
"""Part of the spacing within which a rough statement settles the place: half is the border."""


def index_places(encoder: Encoder) -> int:
    """At how many places of the crank the index can come. Source: p of p/q in lowest terms."""
    return encoder.turns_per_crank_turn.numerator


def places_apart_deg(encoder: Encoder) -> float:
    """Crank degrees from one such place to the next."""
    return 360.0 / index_places(encoder)


def disc_places(encoder: Encoder) -> int:
    """At how many places of the encoder's own disc one and the same place of the crank comes, turn
    after turn. Source: q of p/q in lowest terms."""
    return encoder.turns_per_crank_turn.denominator


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
        " apart. rig figures knows which one it was; else give --tdc-deg as it is in this recording"
    )


def placed(reference: Reference, near_deg: float, encoder: Encoder) -> Reference:
    """The reference counted from another place of the index: the one that brings it nearest
    ``near_deg``, crank degrees after that place.

    The touches move by whole turns of the encoder, so that each keeps its place on its disc.
    Source: definition.
    """
    many = index_places(encoder)
    step = round(wrap_btdc(near_deg - reference.tdc_deg) / places_apart_deg(encoder)) % many
    if step == 0:
        return reference
    ratio = encoder.turns_per_crank_turn
    encoder_turns = step * pow(ratio.denominator, -1, many) % many
    by_deg = 360.0 * float(encoder_turns / ratio)
    return replace(
        reference,
        tdc_deg=wrap_cycle(reference.tdc_deg + step * places_apart_deg(encoder), 360.0),
        forward_deg=tuple(each + by_deg for each in reference.forward_deg),
        backward_deg=tuple(each + by_deg for each in reference.backward_deg),
    )


def stated_place(
    crank_deg: float, cylinder: int, reference: Reference, engine: Engine, encoder: Encoder
) -> float:
    """Dead centre of the reference's cylinder, degrees after the index in [0, 360), from the word
    that ``cylinder`` stands at its top now, roughly, at ``crank_deg``.

    Raises InputError when that lies half-way between two places, and for a cylinder whose dead
    centre does not follow from what is stated.
    """
    own = plug_hole_offset_deg(engine, cylinder)
    near = crank_deg - own + plug_hole_offset_deg(engine, reference.cylinder)
    found = placed(reference, near, encoder).tdc_deg
    off = abs(wrap_btdc(near - found))
    apart = places_apart_deg(encoder)
    if off > CLEAR * apart:
        raise InputError(
            f"the crank stands {off:.0f}° from one place where dead centre can be and"
            f" {apart - off:.0f} from the next: bring the piston nearer to its top, and state it"
        )
    return found


def same_frame(one: Reference, other: Reference, encoder: Encoder) -> Reference:
    """``one`` counted from the place of the index that ``other`` is counted from, taking both for
    the same dead centre; as it is where they are of different cylinders."""
    if index_places(encoder) == 1 or one.cylinder != other.cylinder:
        return one
    return placed(one, other.tdc_deg, encoder)


def around_deg(crank_deg: float, encoder: Encoder) -> float:
    """A continuous crank angle in [0, 360 q): after that both the crank and the encoder stand as
    before, so that neither place is lost. Source: q of p/q."""
    whole = 360.0 * encoder.turns_per_crank_turn.denominator
    wrapped = math.fmod(crank_deg, whole)
    return wrapped + whole if wrapped < 0.0 else wrapped

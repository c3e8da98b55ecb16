"""Dead centres found in a session, and the one of them that the person chose to go by.

A note named ``USE`` chooses: ``{"found": 0}`` one that was in use before or found as a check (their
number, in order), ``{"method": "gauge, fit", "cylinder": 1}`` one that the gauge readings noted so
far give, ``{"mark": 0}`` a mark of the engine. ``utc`` and ``capture`` say when and in which.
Which readings it rests on stands in the capture, so a replay finds the same figure anew.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TypeVar

from rig.engine.dead_centre.gauge_series import Series, work_through
from rig.engine.dead_centre.index_places import around_deg, disc_places
from rig.engine.dead_centre.reference import Reference, stated
from rig.engine.firing import geometry_of
from rig.engine.profile import Encoder, Profile
from rig.engine.stated import after_index, size
from rig.engine.stated import within as stated_within
from rig.faults import InputError
from rig.session.gauge_notes import EngineMark, GaugeNotes
from rig.timing.circular import wrap

T = TypeVar("T")

USE = "use"
MARK_WITHIN_DEG = 1.0
"""How well a mark is taken to be read where nobody says (common practice, no source)."""
ANOTHER_MARK_DEG = 15.0
"""A mark this far from dead centre is taken to be one of something else: a firing mark, say
(common practice, no source)."""


def gauge_series(notes: GaugeNotes, profile: Profile, cylinder: int) -> Series:
    """What the gauge readings noted at ``cylinder`` say. Raises InputError as ``work_through``."""
    return work_through(
        notes.points(cylinder),
        notes.gauge,
        geometry_of(profile.engine, cylinder),
        profile.encoder,
        cylinder=cylinder,
        again=notes.points(cylinder, again=True),
    )


def mark_reference(mark: EngineMark, said_deg: float | None = None) -> Reference:
    """A mark taken for dead centre, read as well as its note says. ``said_deg`` is how well, said
    afterwards: it stands for a mark whose note has nobody's word for it."""
    within_deg = MARK_WITHIN_DEG if mark.within_deg is None else mark.within_deg
    if said_deg is not None and not mark.within:
        within_deg = said_deg
    found = stated(
        mark.crank_deg % 360.0,
        how=f"the crank stood at {mark.what}{_read_within(mark)}",
        half_width_deg=within_deg,
        cylinder=mark.cylinder,
    )
    return replace(found, method=mark.what)


def is_of_dead_centre(mark: EngineMark, reference: Reference | None) -> bool:
    """False when a mark lies so far from ``reference`` that it marks something else."""
    if reference is None or mark.cylinder != reference.cylinder:
        return True
    return abs(wrap(mark.crank_deg - reference.tdc_deg)) < ANOTHER_MARK_DEG


def mark_words(mark: EngineMark, reference: Reference | None) -> str:
    """Where a mark of the engine lies from the dead centre that was found, in words."""
    within = _read_within(mark)
    if reference is None or mark.cylinder != reference.cylinder:
        return f"{mark.what}: {after_index(mark.crank_deg)}° after the index{within}"
    past = wrap(mark.crank_deg - reference.tdc_deg)
    side = "after" if past > 0.0 else "before"
    U_deg = reference.uncertainty.U_deg
    return (
        f"{mark.what}: {size(past, U_deg)}° {side} top dead centre of cylinder {mark.cylinder}"
        f" by {reference.method} ({stated_within(U_deg)}){within}"
    )


def _read_within(mark: EngineMark) -> str:
    return f", read within {mark.within}" if mark.within else ""


def _on_its_disc(found: Reference, mark: EngineMark, encoder: Encoder) -> Reference:
    """With the place where the crank stood, as far as the angle of dead centre does not tell it."""
    if disc_places(encoder) == 1:
        return found
    return replace(found, forward_deg=(around_deg(mark.crank_deg, encoder),))


def chosen(
    value: Mapping[str, object], found: Sequence[Reference], notes: GaugeNotes, profile: Profile
) -> Reference:
    """The dead centre that a note named ``USE`` chooses. Raises InputError when there is none."""
    if "method" in value:
        cylinder = int(str(value.get("cylinder", 1)))
        series = gauge_series(notes, profile, cylinder)
        method = str(value["method"])
        of_gauge = [each for each in series.references if each.method == method]
        if not of_gauge:
            raise InputError(f"the gauge readings give no dead centre by {method!r}")
        taken = of_gauge[0]
    elif "mark" in value:
        mark = _numbered(notes.marks, value["mark"], "mark")
        taken = _on_its_disc(mark_reference(mark), mark, profile.encoder)
    else:
        return _numbered(found, value.get("found"), "dead centre")
    utc, capture = str(value.get("utc", "")), str(value.get("capture", ""))
    return replace(taken, made_utc=utc, capture=capture)


def _numbered(of: Sequence[T], number: object, what: str) -> T:
    if isinstance(number, bool) or not isinstance(number, int) or not 0 <= number < len(of):
        raise InputError(f"{what} {number!r} was never found")
    return of[number]

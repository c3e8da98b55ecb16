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

from rig.engine.firing import geometry_of
from rig.engine.gauge_series import Series, work_through
from rig.engine.profile import Profile
from rig.engine.reference import Reference, stated
from rig.faults import InputError
from rig.session.gauge_notes import GaugeNotes
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


def mark_reference(mark: tuple[float, int, str], within_deg: float = MARK_WITHIN_DEG) -> Reference:
    """A mark (crank degrees, cylinder, words) taken for dead centre, read within so much."""
    deg, cylinder, what = mark
    found = stated(
        deg % 360.0, how=f"the crank stood at {what}", half_width_deg=within_deg, cylinder=cylinder
    )
    return replace(found, method=what)


def is_of_dead_centre(mark: tuple[float, int, str], reference: Reference | None) -> bool:
    """False when a mark lies so far from ``reference`` that it marks something else."""
    if reference is None or mark[1] != reference.cylinder:
        return True
    return abs(wrap(mark[0] - reference.tdc_deg)) < ANOTHER_MARK_DEG


def mark_words(mark: tuple[float, int, str], reference: Reference | None) -> str:
    """Where a mark of the engine lies from the dead centre that was found, in words."""
    deg, cylinder, what = mark
    if reference is None or cylinder != reference.cylinder:
        return f"{what}: {deg % 360.0:.2f}° after the index"
    past = wrap(deg - reference.tdc_deg)
    side = "after" if past > 0.0 else "before"
    return (
        f"{what}: {abs(past):.2f}° {side} top dead centre of cylinder {cylinder}"
        f" by {reference.method} (± {reference.uncertainty.U_deg:.2f}°)"
    )


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
        taken = mark_reference(_numbered(notes.marks, value["mark"], "mark"))
    else:
        return _numbered(found, value.get("found"), "dead centre")
    utc, capture = str(value.get("utc", "")), str(value.get("capture", ""))
    return replace(taken, made_utc=utc, capture=capture)


def _numbered(of: Sequence[T], number: object, what: str) -> T:
    if isinstance(number, bool) or not isinstance(number, int) or not 0 <= number < len(of):
        raise InputError(f"{what} {number!r} was never found")
    return of[number]

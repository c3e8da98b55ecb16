"""How long the dead centre in use holds over several recordings, and over those of other days.

The encoder is often taken off between two recordings. One in which dead centre was touched is
therefore judged by its own touches; one that goes by a dead centre of elsewhere by all touches that
the job knows of: where they disagree on either side of it, nobody knows where the encoder stood.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from rig.engine.dead_centre.holds import At, Touched, holds
from rig.engine.dead_centre.reference import Move, Reference
from rig.engine.profile import Profile
from rig.engine.uncertainty import Contribution, combine
from rig.faults import InputError
from rig.job.when import moment
from rig.session import Session
from rig.session.dead_centre import gauge_series
from rig.session.gauge_notes import GaugeNotes

if TYPE_CHECKING:
    from rig.job.work import Played


LAST = datetime.max.replace(tzinfo=UTC)
"""Where a recording that does not say when it began is put."""


def hold(
    played: Sequence[Played], used: Reference | None, known: Sequence[Reference], profile: Profile
) -> list[Reference]:
    """Tell each session how long ``used`` holds in it; the ``known`` ones that speak against it.

    ``played`` are the recordings worked through, and those that the dead centre rests on; ``known``
    are dead centres of others of the job, in any order.
    """
    if used is None:
        return []
    began = [moment(one.facts.start_utc) for one in played]
    order = sorted(range(len(played)), key=lambda i: (began[i] or LAST, i))
    for number, i in enumerate(order):
        played[i].session.centres.number = float(number)
    sessions = [one.session for one in played]
    names = {one.path.name for one in played}
    at = _when(used, played, began)
    elsewhere = [Touched(_beside(each, began), each) for each in known if each.capture not in names]
    every = [*elsewhere, *(each for one in sessions for each in _touches(one))]
    against: list[Reference] = []
    for one in played:
        own = _touches(one.session)
        is_here = one.session.centres.when(used, one.session.references) is not None
        here = is_here and used.capture in ("", one.path.name)
        found = holds(used, at, own if own or here else every, profile.encoder)
        if (gauge := _gauge_moved(one.gauge, used, one.path.name, profile)) is not None:
            found = replace(found, until=at, after=gauge)
        one.session.centres.held = found
        against += [each for each in found.against if each in known and each not in against]
    return against


def _touches(session: Session) -> list[Touched]:
    return session.centres.touches(session.references)


def _when(used: Reference, played: Sequence[Played], began: Sequence[datetime | None]) -> At:
    """When the dead centre in use was found or set."""
    for one in played:
        found = one.session.centres.when(used, one.session.references)
        if found is not None and used.capture in ("", one.path.name):
            return found
    for one in played:  # worked out from it afterwards, or brought along
        if used.capture == one.path.name:
            return one.session.centres.number, 0.0
    return _beside(used, began)


def _beside(reference: Reference, began: Sequence[datetime | None]) -> At:
    """Before, between or after the recordings worked through, by when it was made."""
    made = moment(reference.made_utc)
    if made is None:
        return -1.0, 0.0
    return sum(each is not None and each <= made for each in began) - 0.5, made.timestamp()


def _gauge_moved(notes: GaugeNotes, used: Reference, capture: str, profile: Profile) -> Move | None:
    """What touching once more with the gauge showed against a dead centre found by it."""
    if used.capture != capture or not used.method.startswith("gauge, "):
        return None
    if not any(each.again for each in notes.of(used.cylinder)):
        return None
    try:
        found = gauge_series(notes, profile, used.cylinder).moved
    except InputError:  # said where the series is shown
        return None
    if found is None or not found.moved:
        return None
    part = Contribution("touched once more", found.u_deg, math.inf, "A", "least squares")
    return Move(found.shift_deg, combine([part]), has_moved=True, words=found.words)

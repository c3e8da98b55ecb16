"""Which dead centre the figures rest on, and the others that are shown beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from rig.engine.dead_centre.index_places import same_frame
from rig.engine.dead_centre.reference import BY_HAND, Reference
from rig.engine.profile import Profile
from rig.faults import InputError
from rig.job.when import moment
from rig.session import Session
from rig.session.dead_centre import gauge_series, is_of_dead_centre, mark_reference
from rig.session.gauge_notes import GaugeNotes


def in_use(
    found: Sequence[tuple[Path, Reference | None]], job: Reference | None
) -> Reference | None:
    """The last one found in the captures (paths and what each holds), else the job's.

    The job's comes first where it was taken from one of these captures and later: then the person
    chose it, as between the stop and the gauge. One found in another capture does not, since the
    encoder may have been mounted anew in between; nor does one set by hand, since what a recording
    gives is not taken from elsewhere.
    """
    last = next((reference for _, reference in reversed(found) if reference is not None), None)
    if last is None or job is None:
        return last or job
    made, before = moment(job.made_utc), moment(last.made_utc)
    of_these = job.method != BY_HAND and job.capture in {path.name for path, _ in found}
    later = made is not None and (before is None or made > before)
    return job if of_these and later else last


def others(
    sessions: Sequence[tuple[Path, Session, GaugeNotes]],
    profile: Profile,
    used: Reference,
    against: Sequence[Reference] = (),
) -> list[Reference]:
    """Every other dead centre of these captures: in use before, found as a check, by the gauge;
    and those of other captures that speak ``against`` the one in use."""
    found = [each for _, session, _ in sessions for each in session.references]
    found += against
    for path, _, notes in sessions:
        for cylinder in sorted({each.cylinder for each in notes.readings}):
            try:
                series = gauge_series(notes, profile, cylinder)
            except InputError:  # too few or one side only; rig gauge says which
                continue
            found += [replace(each, capture=path.name) for each in series.references]
        found += [
            replace(mark_reference(mark), capture=path.name)
            for mark in notes.marks
            if is_of_dead_centre(mark, used)
        ]
    return _each_once([same_frame(each, used, profile.encoder) for each in found], used)


def _each_once(found: Sequence[Reference], used: Reference) -> list[Reference]:
    """One of each method and cylinder by the same figure, none that is the one in use."""
    kept: dict[tuple[str, int, float], Reference] = {}
    for each in found:
        key = (each.method, each.cylinder, each.tdc_deg)
        superseded = by_gauge(each) and key[:2] == (used.method, used.cylinder)
        if key != (used.method, used.cylinder, used.tdc_deg) and not superseded:
            kept.setdefault(key, each)
    return list(kept.values())


def by_gauge(reference: Reference) -> bool:
    """True when it rests on the points of a gauge; a later fit of them takes an earlier's place."""
    return reference.method.startswith("gauge, ")

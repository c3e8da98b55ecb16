"""Which readings came after the last change of a unit, so that they say how it stands.

The person notes changes while captures of a job are taken; a prediction that was taken is one, too.
A noted change counts wherever it was written down, also in a capture that no figure is asked from.
Captures and sheets know of one another, so the order of the two does not depend on the clock.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import NamedTuple

from rig.base.errors import InputError
from rig.base.files import open_file
from rig.engine.profile import Profile
from rig.job.capture_order import MadeWhen, Order
from rig.job.clock import Clock, iso
from rig.job.folder import Job
from rig.job.results import JobResults, order_beside
from rig.session.session import Session
from rig.signal.events import Reason
from rig.timing.values import Reading
from rig.wire.capture import CaptureReader, head_of
from rig.wire.records import Batch, Note

MOVES = ("moved", "moving")  # notes of a unit that was moved


class Instant(NamedTuple):
    """An instant of a capture: by the rig's clock, and by the host's where that is known."""

    path: Path
    t_us: float
    utc: datetime | None


@dataclass(frozen=True, slots=True)
class Changed:
    """The last change of a unit: noted at an instant of a capture, or a prediction taken."""

    when: Instant | MadeWhen
    words: str

    def is_before(self, at: Instant, order: Order) -> bool:
        """Whether it came before an instant. Between captures their own order counts, since the
        computer's clock may have gone backwards; the clock where they do not know it."""
        if isinstance(self.when, MadeWhen):
            return self.when.is_before(*at, order)
        if at.path == self.when.path:
            return at.t_us > self.when.t_us
        known = order.is_later(at.path, self.when.path)
        if known is not None or at.utc is None or self.when.utc is None:
            return bool(known)
        return at.utc > self.when.utc


def order_of(job: Job, worked: JobResults) -> Order:
    """The order of the captures of a job and of those that were worked."""
    return Order({*job.capture_files(), *(played.path for played in worked.played)})


def last_changes(job: Job, worked: JobResults, until: MadeWhen) -> dict[str, Changed]:
    """Unit -> its last change until then, noted in any capture of the job or one that was worked.

    A capture that cannot be read is passed over unless it was asked for.
    """
    order = order_of(job, worked)
    sessions = {played.path: (played.session, "") for played in worked.played}
    asked = {path.resolve() for path in sessions}
    for path in job.capture_files():
        if path.resolve() not in asked and _has_notes(path, ("change",)):
            try:
                sessions[path] = _only(path, job.profile, ("change",)), f" in {path.name}"
            except InputError:
                continue  # that it is broken is reported when it is asked for
    found: dict[str, Changed] = {}
    for path, (session, where) in sessions.items():
        noted = session.annotations
        clock = Clock(path) if noted.changes else None
        for (words, unit), t_us in zip(noted.changes, noted.changed_us, strict=True):
            at = Instant(path, t_us, clock.utc(t_us) if clock else None)
            if at.utc is None or until.is_before(*at, order):
                continue
            for name in [unit] if unit else [each.name for each in job.profile.units]:
                if name not in found or found[name].is_before(at, order):
                    found[name] = Changed(at, f"{words}, noted {iso(at.utc)}{where}")
    return found


@dataclass(frozen=True, slots=True)
class HandMove:
    """A unit that was moved, as noted at an instant of a capture."""

    unit: str
    at: Instant
    engine_sha256: str  # of the engine file with which the capture was begun; empty: not known


def moves_of_units(job: Job, worked: JobResults, until: MadeWhen) -> list[HandMove]:
    """Every move of a unit noted until then, in any capture of the job or one that was worked, in
    their order. A capture that cannot be read is passed over unless it was asked for."""
    order = order_of(job, worked)
    sessions = {one.path: (one.session, one.facts.engine_sha256) for one in worked.played}
    asked = {path.resolve() for path in sessions}
    for path in job.capture_files():
        if path.resolve() not in asked and _has_notes(path, MOVES):
            try:
                begun = str(head_of(path).start.get("engine_sha256", ""))
                sessions[path] = _only(path, job.profile, MOVES), begun
            except InputError:
                continue
    found = []
    for path in sorted(sessions, key=order.number):
        session, begun = sessions[path]
        moved = [
            (t, u.name) for u in job.profile.units for t in session.annotations.of[u.name].moved_us
        ]
        clock = Clock(path) if moved else None
        for t_us, unit in sorted(moved):
            at = Instant(path, t_us, clock.utc(t_us) if clock else None)
            if not until.is_before(*at, order):
                found.append(HandMove(unit, at, begun))
    return found


def _only(path: Path, profile: Profile, names: Collection[str]) -> Session:
    """A session that knows nothing but the notes of these names in a capture."""
    session = Session(profile)
    for batch in CaptureReader(path).batches():
        notes = [n for n in batch.others if isinstance(n, Note) and n.name in names]
        if notes:
            session.take(Batch(others=[*notes]))
    return session


def _has_notes(path: Path, names: Collection[str]) -> bool:
    """Whether there is such a note, found without reading the records."""
    begins = tuple(f"# {name} ".encode() for name in names)
    try:
        with open_file(path) as file:
            return any(line.startswith(begins) for line in file)
    except OSError:
        return False  # as for one that is broken


def readings_of(worked: JobResults) -> Iterator[tuple[Instant, Reading]]:
    """Every reading, and when it was taken."""
    for played in worked.played:
        clock = Clock(played.path)
        for reading in played.session.readings():
            t_us = played.session.t_us(reading)
            yield Instant(played.path, t_us, clock.utc(t_us)), reading


def readings_between(
    worked: JobResults, since: MadeWhen, until: MadeWhen | None = None
) -> list[Reading]:
    """The readings made after an instant, and before another: as they were then, also where the
    unit was moved once more since."""
    order = order_beside([one.path for one in worked.played])
    found: list[Reading] = []
    for at, reading in readings_of(worked):
        if not since.is_before(*at, order) or (until and until.is_before(*at, order)):
            continue
        why = reading.rejection
        again = why is not None and why.reason is Reason.MOVED_AGAIN
        found.append(replace(reading, rejection=None) if again else reading)
    return found

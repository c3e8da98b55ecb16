"""Which readings came after the last change of a unit, and so show its present state.

The person notes changes while captures of a job are taken; a prediction that was taken is one, too.
A noted change counts in whichever capture it was noted, also in one that is not read.
Captures and sheets know of one another, so the order of the two does not depend on the clock.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
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

NOTES = ("change", "moved", "moving")  # of what was changed on the engine, or moved


class Instant(NamedTuple):
    """An instant of a capture: by the rig's clock, and by the host's where that is known."""

    path: Path
    t_us: float
    utc: datetime | None


class Changed(NamedTuple):
    """The last change of a unit: noted at an instant of a capture, or a prediction taken."""

    when: Instant | MadeWhen
    words: str


class HandMove(NamedTuple):
    """A unit that was moved, as noted at an instant of a capture."""

    unit: str
    at: Instant
    engine_sha256: str  # of the engine file with which the capture was begun; empty: not known


class Course:
    """What was noted and read of a job until an instant, and in what order.

    Notes count from every capture of the job, and from those that were worked. One that cannot be
    read is passed over unless it was asked for.
    """

    def __init__(self, job: Job, worked: JobResults, until: MadeWhen) -> None:
        self.job, self.worked, self._until = job, worked, until
        self._sessions = {played.path: played.session for played in worked.played}
        self.order = Order({*job.capture_files(), *self._sessions})
        asked = {path.resolve() for path in self._sessions}
        self._not_asked = {path for path in job.capture_files() if path.resolve() not in asked}
        for path in filter(_has_notes, self._not_asked):
            try:
                self._sessions[path] = _notes_alone(path, job.profile)
            except InputError:
                continue  # that it is broken is reported when it is asked for

    def is_before(self, when: Instant | MadeWhen, at: Instant) -> bool:
        """Whether something came before an instant. Between captures their own order counts, since
        the computer's clock may have gone backwards; the clock where they do not know it."""
        if isinstance(when, MadeWhen):
            return when.is_before(*at, self.order)
        if at.path == when.path:
            return at.t_us > when.t_us
        known = self.order.is_later(at.path, when.path)
        if known is not None or at.utc is None or when.utc is None:
            return bool(known)
        return at.utc > when.utc

    def last_changes(self) -> dict[str, Changed]:
        """Unit -> its last change."""
        units = [each.name for each in self.job.profile.units]
        found: dict[str, Changed] = {}
        for path, session in self._sessions.items():
            noted = session.annotations
            where = f" in {path.name}" if path in self._not_asked else ""
            for n, at in self._instants(path, noted.changed_us):
                words, unit = noted.changes[n]
                for name in [unit] if unit else units:
                    if at.utc and (name not in found or self.is_before(found[name].when, at)):
                        found[name] = Changed(at, f"{words}, noted {iso(at.utc)}{where}")
        return found

    def moves(self) -> list[HandMove]:
        """Every move of a unit, in order."""
        found = []
        for path in sorted(self._sessions, key=self.order.number):
            of = self._sessions[path].annotations.of
            moved = sorted((t, u.name) for u in self.job.profile.units for t in of[u.name].moved_us)
            begun = str(head_of(path).start.get("engine_sha256", "")) if moved else ""
            instants = self._instants(path, [t_us for t_us, _ in moved])
            found += [HandMove(moved[n][1], at, begun) for n, at in instants]
        return found

    def _instants(self, path: Path, noted_us: Sequence[float]) -> Iterator[tuple[int, Instant]]:
        """The notes of a capture until then: number and instant."""
        clock = Clock(path) if noted_us else None
        for n, t_us in enumerate(noted_us):
            at = Instant(path, t_us, clock.utc(t_us) if clock else None)
            if not self._until.is_before(*at, self.order):
                yield n, at


def _notes_alone(path: Path, profile: Profile) -> Session:
    """A session that knows nothing but the notes of changes in a capture."""
    session = Session(profile)
    for batch in CaptureReader(path).batches():
        notes = [n for n in batch.others if isinstance(n, Note) and n.name in NOTES]
        if notes:
            session.take(Batch(others=[*notes]))
    return session


def _has_notes(path: Path) -> bool:
    """Whether there is a note of a change, found without reading the records."""
    begins = tuple(f"# {name} ".encode() for name in NOTES)
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
        found.append(before_moved_again(reading))
    return found


def before_moved_again(reading: Reading) -> Reading:
    """A reading as it was before its unit was moved once more."""
    why = reading.rejection
    again = why is not None and why.reason is Reason.MOVED_AGAIN
    return replace(reading, rejection=None) if again else reading

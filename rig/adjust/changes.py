"""Changes of units since which what was read before no longer says how they stand.

The person notes them while captures of a job are taken; a prediction that was taken is one, too.
Changes count also from captures that no figure is asked from, wherever they were written down.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import NamedTuple

from rig.base.errors import InputError
from rig.base.files import open_file
from rig.engine.profile import Profile
from rig.job.capture_order import MadeWhen, Order
from rig.job.clock import Clock, iso
from rig.job.folder import Job
from rig.job.results import JobResults
from rig.session.session import Session
from rig.timing.values import Reading
from rig.wire.capture import CaptureReader
from rig.wire.records import Batch, Note

_NOTE = b"\n# change "
_PIECE = 1 << 20


class Instant(NamedTuple):
    """An instant of a capture: by the rig's clock, and by the host's where that is known."""

    path: Path
    t_us: float
    utc: datetime | None


@dataclass(frozen=True, slots=True)
class Noted:
    """The last change of a unit, noted in a capture."""

    at: Instant
    words: str

    def is_before(self, at: Instant, order: Order) -> bool:
        """Whether it came before an instant. Between captures their own order counts, since the
        computer's clock may have gone backwards; the clock where they do not know it."""
        if at.path == self.at.path:
            return at.t_us > self.at.t_us
        known = order.is_later(at.path, self.at.path)
        if known is not None or at.utc is None or self.at.utc is None:
            return bool(known)
        return at.utc > self.at.utc


@dataclass(frozen=True, slots=True)
class Predicted:
    """The last change of a unit: a prediction that was taken."""

    when: MadeWhen
    words: str

    def is_before(self, at: Instant, order: Order) -> bool:
        """Whether it was taken before an instant."""
        return self.when.is_before(*at, order)


Changed = Noted | Predicted


def last_changes(job: Job, worked: JobResults, until: MadeWhen | None = None) -> dict[str, Noted]:
    """Unit -> its last change noted in any capture of the job, or in one that was worked; with
    ``until`` the last one until then.

    A capture that cannot be read is passed over unless it was asked for.
    """
    found: dict[str, Noted] = {}
    order = order_of(job, worked)
    asked = {played.path.resolve() for played in worked.played}
    for played in worked.played:
        _gather(found, played.path, played.session, "", order, until)
    for path in job.capture_files():
        if path.resolve() not in asked and _has_changes(path):
            try:
                only = _only_changes(path, job.profile)
                _gather(found, path, only, f" in {path.name}", order, until)
            except InputError:
                continue  # it says nothing; that it is broken is said when it is asked for
    return found


def order_of(job: Job, worked: JobResults) -> Order:
    """The order of the captures of a job and of those that were worked."""
    return Order({*job.capture_files(), *(played.path for played in worked.played)})


def _gather(
    found: dict[str, Noted],
    path: Path,
    session: Session,
    where: str,
    order: Order,
    until: MadeWhen | None,
) -> None:
    if not session.annotations.changes:
        return
    clock = Clock(path)
    for (words, unit), t_us in zip(
        session.annotations.changes, session.annotations.changed_us, strict=True
    ):
        at = Instant(path, t_us, clock.utc(t_us))
        if at.utc is None or (until is not None and until.is_before(*at, order)):
            continue
        for name in [unit] if unit else [each.name for each in session.profile.units]:
            if name not in found or found[name].is_before(at, order):
                found[name] = Noted(at, f"{words}, noted {iso(at.utc)}{where}")


def _only_changes(path: Path, profile: Profile) -> Session:
    """A session that was told nothing but the changes."""
    session = Session(profile)
    for batch in CaptureReader(path).batches():
        notes = [n for n in batch.others if isinstance(n, Note) and n.name == "change"]
        if notes:
            session.take(Batch(others=[*notes]))
    return session


def _has_changes(path: Path) -> bool:
    """Whether the bytes of such a note stand in a file, found without reading the records."""
    return any(_NOTE in piece for piece in _overlapping(path))


def _overlapping(path: Path) -> Iterator[bytes]:
    """The file in pieces, each beginning with the end of the one before."""
    end = b""
    try:
        with open_file(path) as file:
            while piece := file.read(_PIECE):
                yield end + piece
                end = piece[-len(_NOTE) :]
    except OSError:
        return  # as for one that is broken


def readings_of(worked: JobResults) -> Iterator[tuple[Instant, Reading]]:
    """Every reading, and when it was taken."""
    for played in worked.played:
        clock = Clock(played.path)
        for reading in played.session.readings():
            t_us = played.session.t_us(reading)
            yield Instant(played.path, t_us, clock.utc(t_us)), reading

"""Changes to an engine that the person noted while captures of a job were taken.

Also those in captures that no figure is asked from: what was read before a change tells nothing of
how things stand now, wherever the change was written down.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from rig.engine.profile import Profile
from rig.faults import InputError
from rig.files import open_file
from rig.job.folder import Job
from rig.job.order import Order
from rig.job.when import Clock, iso
from rig.job.work import Worked
from rig.session import Session
from rig.wire.capture import CaptureReader
from rig.wire.records import Batch, Note

_NOTE = b"\n# change "
_PIECE = 1 << 20


@dataclass(frozen=True, slots=True)
class Changed:
    """The last change of a unit: when, and what is known of it."""

    at: datetime
    words: str
    capture: Path | None = None  # in which it was noted

    def is_before(self, at: datetime, capture: Path, order: Order) -> bool:
        """Whether it came before an instant of a capture. Between captures their own order counts,
        since the computer's clock may have gone backwards; the clock where they do not know it."""
        known = None
        if self.capture is not None and self.capture != capture:
            known = order.is_later(capture, self.capture)
        return at > self.at if known is None else known


def last_changes(job: Job, worked: Worked, before: datetime | None = None) -> dict[str, Changed]:
    """Unit -> its last change noted in any capture of the job, or in one that was worked; with
    ``before`` the last one until then.

    A capture that cannot be read is passed over unless it was asked for.
    """
    found: dict[str, Changed] = {}
    order = order_of(job, worked)
    asked = {played.path.resolve() for played in worked.played}
    for played in worked.played:
        _gather(found, played.path, played.session, "", order, before)
    for path in job.capture_files():
        if path.resolve() not in asked and _has_changes(path):
            try:
                only = _only_changes(path, job.profile)
                _gather(found, path, only, f" in {path.name}", order, before)
            except InputError:
                continue  # it says nothing; that it is broken is said when it is asked for
    return found


def order_of(job: Job, worked: Worked) -> Order:
    """The order of the captures of a job and of those that were worked."""
    return Order({*job.capture_files(), *(played.path for played in worked.played)})


def _gather(
    found: dict[str, Changed],
    path: Path,
    session: Session,
    where: str,
    order: Order,
    before: datetime | None,
) -> None:
    if not session.told.changes:
        return
    clock = Clock(path)
    for (words, unit), t_us in zip(session.told.changes, session.told.changed_us, strict=True):
        at = clock.utc(t_us)
        if at is None or (before is not None and at > before):
            continue
        for name in [unit] if unit else [each.name for each in session.profile.units]:
            if name not in found or found[name].is_before(at, path, order):
                found[name] = Changed(at, f"{words}, noted {iso(at)}{where}", path)


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

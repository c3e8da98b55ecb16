"""When, by the host's clock, something happened in a capture."""

from __future__ import annotations

import bisect
from datetime import UTC, datetime, timedelta
from pathlib import Path

from rig.base.errors import InputError
from rig.wire.capture import CaptureReader
from rig.wire.records import Note

JUMP_S = 2.0
"""The host notes both its clocks once a second; if they differ by more than this, one was set."""


class HostClock:
    """The host's clock through one capture, from its notes: never backwards.

    Each note with a time of day is taken in turn. A clock that is set back continues from where it
    was; ``said`` reports this, and a clock that advanced by more than was measured. The rig has its
    own clock, so no result depends on this one.
    """

    def __init__(self, start: object) -> None:
        self.said: list[str] = []
        self._latest = moment(start)
        self._noted = self._latest, 0.0  # time of day and seconds since the start
        self._back = timedelta()

    def take(self, note: Note) -> datetime | None:
        """The time of day at ``note``; None if it has none."""
        utc = moment(note.value.get("utc"))
        if utc is None:
            return None
        measured_s = note.value.get("monotonic_s")
        try:
            if isinstance(measured_s, (int, float)):
                self._compare(utc, float(measured_s))
            utc += self._back
        except OverflowError:  # beyond the calendar: no real clock
            return self._latest
        if self._latest is not None:
            utc = max(utc, self._latest)
        self._latest = utc
        return utc

    def _compare(self, utc: datetime, measured_s: float) -> None:
        before, before_s = self._noted
        self._noted = utc, measured_s
        if before is None:
            return
        more_s = (utc - before).total_seconds() - (measured_s - before_s)
        if more_s < -JUMP_S:
            self._back += timedelta(seconds=-more_s)
            self.said.append(
                f"the computer's clock was set back by {-more_s:.0f} s after {iso(before)}; times"
                " of day continue here from the earlier clock, and results do not depend on it"
            )
        elif more_s > JUMP_S:
            self.said.append(
                f"the computer's clock advanced by {more_s:.0f} s more than was measured after"
                f" {iso(before)}: it was set, or the computer slept; results do not depend on it"
            )


class Clock:
    """The rig's time of one capture in UTC, from the host's notes in it.

    Raises InputError when the capture cannot be read. ``utc`` is None if no note has a time.
    """

    def __init__(self, path: Path) -> None:
        self._times: list[float] = []
        self._utc: list[datetime] = []
        reader = CaptureReader(path)
        host = HostClock(reader.start.get("utc"))
        for batch in reader.batches():
            for other in batch.others:
                if isinstance(other, Note) and (utc := host.take(other)) is not None:
                    self._times.append(max(other.t_us, self._times[-1] if self._times else 0.0))
                    self._utc.append(utc)

    def utc(self, t_us: float) -> datetime | None:
        """UTC at ``t_us`` of the rig's clock."""
        if not self._times:
            return None
        i = max(bisect.bisect_right(self._times, t_us) - 1, 0)
        try:
            return self._utc[i] + timedelta(microseconds=t_us - self._times[i])
        except OverflowError:  # beyond the calendar
            return None


def moment(text: object) -> datetime | None:
    """ISO 8601 text as a time in UTC; None for anything else."""
    if not isinstance(text, str):
        return None
    try:
        found = datetime.fromisoformat(text)
        return (found if found.tzinfo else found.replace(tzinfo=UTC)).astimezone(UTC)
    except (ValueError, OverflowError):
        return None


def iso(utc: datetime, to: str = "seconds") -> str:
    """A time as ISO 8601 text, to the second or to the millisecond ("milliseconds")."""
    return utc.astimezone(UTC).isoformat(timespec=to).replace("+00:00", "Z")


def utc_instant(utc: str) -> datetime:
    """A time from a record. Raises InputError for one outside 1900 to 2200, or none."""
    found = moment(utc)
    if found is None or not 1900 <= found.year <= 2200:
        raise InputError(f"{utc[:40]!r} is not a possible time; the record was edited.")
    return found


def utc_shown(utc: str) -> str:
    """ "2026-05-14T10:25:12Z" as "2026-05-14 10:25 UTC"; anything else unchanged."""
    if len(utc) >= 16 and utc[10:11] == "T":
        return f"{utc[:10]} {utc[11:16]} UTC"
    return utc

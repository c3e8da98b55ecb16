"""When, by the host's clock, something happened in a capture."""

from __future__ import annotations

import bisect
from datetime import UTC, datetime, timedelta
from pathlib import Path

from rig.wire.capture import CaptureReader
from rig.wire.records import Note


class Clock:
    """The rig's time of one capture in UTC, from the host's notes in it.

    Raises InputError when the capture cannot be read. ``utc`` is None where no note says when.
    """

    def __init__(self, path: Path) -> None:
        self._times: list[float] = []
        self._utc: list[datetime] = []
        for batch in CaptureReader(path).batches():
            for other in batch.others:
                if isinstance(other, Note) and (utc := moment(other.value.get("utc"))) is not None:
                    self._times.append(max(other.t_us, self._times[-1] if self._times else 0.0))
                    self._utc.append(utc)

    def utc(self, t_us: float) -> datetime | None:
        """UTC at ``t_us`` of the rig's clock."""
        if not self._times:
            return None
        i = max(bisect.bisect_right(self._times, t_us) - 1, 0)
        return self._utc[i] + timedelta(microseconds=t_us - self._times[i])


def moment(text: object) -> datetime | None:
    """ISO 8601 text as an instant in UTC; None for anything else."""
    if not isinstance(text, str):
        return None
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        return None
    return (found if found.tzinfo else found.replace(tzinfo=UTC)).astimezone(UTC)


def iso(utc: datetime) -> str:
    """An instant as ISO 8601 text."""
    return utc.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")

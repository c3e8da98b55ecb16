"""A rig on the bench: port, capture and session together, and what the person may do.

Everything that the person does is written into the capture as a note and reaches the session as
that note, by the way that a replay takes.
"""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from rig import __version__
from rig.command.feed import Back, Bytes, Feed, Lost
from rig.command.job import Job
from rig.engine.reference import to_plain
from rig.engine.reference_file import save_reference
from rig.faults import InputError, reason
from rig.session import Session
from rig.signal.events import Event
from rig.wire.capture import CaptureWriter
from rig.wire.ports import diagnose
from rig.wire.reader import LineReader
from rig.wire.records import Batch, Note

HOST_EVERY_S = 1.0
SILENT_AFTER_S = 2.0
SEEN_BYTES = 4000
"""So many of the first bytes are looked at when no sound line comes."""


def utc_now() -> datetime:
    """The host's clock in UTC."""
    return datetime.now(UTC)


class Bench:
    """One capture being taken. ``pump`` is to be called often; it never waits."""

    def __init__(
        self,
        job: Job,
        feed: Feed,
        url: str,
        *,
        utc: Callable[[], datetime] = utc_now,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.job = job
        self.url = url
        self._feed = feed
        self._utc = utc
        self._clock = clock
        self._lines = LineReader()
        self.ended = False
        self.lost = ""  # why the port is not there just now
        self.heard_s: float | None = None
        self.begun_s = clock()
        self._host_s = self.begun_s
        self._seen = b""
        reference = job.reference()
        self.session = Session(job.profile)
        start = utc()
        try:
            job.captures.mkdir(exist_ok=True)
        except OSError as why:
            raise InputError(f"{job.captures}: cannot be made: {reason(why)}") from why
        self.capture_path = _free(job.captures, start)
        self._capture = CaptureWriter(
            self.capture_path,
            {
                "tool": __version__,
                "utc": _iso(start),
                "engine_sha256": hashlib.sha256(job.engine_file.read_bytes()).hexdigest(),
                "port": url,
            },
        )
        self.saved: tuple[Path, Path] | None = None
        if reference is not None:
            self.note("reference", to_plain(reference))

    # -- the stream ---------------------------------------------------------------------------

    def pump(self) -> list[Event]:
        """Take what has come from the port. Raises InputError when the disk refuses."""
        events: list[Event] = []
        if self.ended:
            return events
        for word in self._feed.words():
            if isinstance(word, Bytes):
                self.heard_s = word.at_s
                if not self._lines.lines:
                    self._seen = (self._seen + word.data)[:SEEN_BYTES]
                self._capture.write(word.data)
                events += self._take(self._lines.feed(word.data))
            elif isinstance(word, Lost):
                self.lost = self.lost or word.why
                self._capture.half_line()
                events += self._take(self._lines.interrupted())
                events += self.note("gap", {"why": word.why, "utc": _iso(self._utc())})
            elif isinstance(word, Back):
                self.lost = ""
                events += self.note("back", {"port": word.url, "utc": _iso(self._utc())})
        now_s = self._clock()
        if now_s - self._host_s >= HOST_EVERY_S:
            self._host_s = now_s
            host = {"utc": _iso(self._utc()), "monotonic_s": round(now_s - self.begun_s, 3)}
            events += self.note("host", host)
            self._capture.sync()
            if self.session.identity is None:
                self._feed.ask()
        return events

    def _take(self, batches: list[Batch]) -> list[Event]:
        return [event for batch in batches for event in self.session.take(batch)]

    def note(self, name: str, value: dict[str, object]) -> list[Event]:
        """Write a note and let it take effect."""
        self._capture.note(name, value)
        return self.session.take(Batch(others=[Note(self._lines.now_us, name, value)]))

    @property
    def silent_s(self) -> float | None:
        """Seconds since anything was heard; None when nothing ever was."""
        return None if self.heard_s is None else max(self._clock() - self.heard_s, 0.0)

    @property
    def elapsed_s(self) -> float:
        """Seconds since the capture began."""
        return self._clock() - self.begun_s

    @property
    def lines(self) -> int:
        """Sound lines so far."""
        return self._lines.lines

    def diagnosis(self) -> str:
        """One sentence on what is wrong with the line, empty when nothing is."""
        if self.lost:
            return self.lost
        if self._lines.lines:
            silent = self.silent_s or 0.0
            return "" if silent < SILENT_AFTER_S else f"nothing heard for {silent:.0f} s"
        return "" if self.elapsed_s < SILENT_AFTER_S else diagnose(self._seen)

    # -- what the person does -------------------------------------------------------------------

    def stop_in(self) -> None:
        """The positive stop is in the plug hole. Raises InputError before the index has passed."""
        if self.session.follower.track.anchor is None:
            raise InputError(
                "turn the crank until the index has passed once, then put the stop in:"
                " the index may lie in the arc that the stop blocks"
            )
        purpose = "reference" if self.session.reference is None else "check"
        self.note("stop-in", {"cylinder": 1, "purpose": purpose})

    def stop_out(self, *, drop: bool = False) -> None:
        """The stop is out again: its touches give the reference, or check it."""
        before = self.session.reference
        made: dict[str, object] = {"utc": _iso(self._utc()), "capture": self.capture_path.name}
        self.note("stop-out", {"drop": True} if drop else made)
        found = self.session.reference
        if found is not None and found is not before:
            save_reference(self.job.reference_file, found)

    def state_stroke(self, cylinder: int = 1) -> None:
        """``cylinder`` stands at its firing top dead centre now, or nearest to it."""
        angle = self.crank_deg()
        if angle is None or self.session.reference is None:
            raise InputError("the crank's angle is not known yet: find top dead centre first")
        self.note("stroke", {"cylinder": cylinder, "crank_deg": angle})

    def next_setting(self, unit: str) -> str:
        """The lever of ``unit`` was moved to its next setting; its name."""
        names = [setting.name for setting in self.session.unit(unit).settings]
        name = names[(names.index(self.session.setting_of(unit)) + 1) % len(names)]
        self.note("setting", {"unit": unit, "setting": name})
        return name

    def set_phase(self, as_left: bool) -> None:
        """What is read from now on is as left, or as found."""
        self.note("phase", {"phase": "as left" if as_left else "as found"})

    def strike_last(self) -> str:
        """Strike out the last opening, or take that back. Says what was done."""
        counted = [o for o in self.session.openings if o.counts]
        if not counted:
            raise InputError("there is no reading to strike out")
        last = counted[-1].t_us
        back = self.session.is_struck(last)
        self.note("strike", {"t_us": last, **({"back": True} if back else {})})
        return "the last reading counts again" if back else "the last reading was struck out"

    def crank_deg(self) -> float | None:
        """Continuous crank angle now, degrees; None while it is not known."""
        follower = self.session.follower
        if follower.latest is None or follower.track.lost:
            return None
        return follower.track.crank_deg(float(follower.latest["count"]) + 0.5)

    def save(self) -> tuple[Path, Path]:
        """End the capture and save a certificate from it. Raises InputError when it cannot be;
        where there is nothing to certify yet, the capture goes on."""
        from rig.command.certify import certify

        if self.session.reference is None:
            raise InputError("top dead centre is not known yet: there is nothing to certify")
        if not self.session.judgements():
            raise InputError("no reading counts yet: there is nothing to certify")
        self.end()
        self.saved = certify(self.job, [self.capture_path])
        return self.saved

    def end(self) -> None:
        """End the capture in order. May be called twice."""
        self.ended = True
        self._feed.close()
        self._capture.close()


def _free(folder: Path, start: datetime) -> Path:
    """A name that no capture has yet."""
    stem = f"{start:%Y%m%d-%H%M%S}"
    for extra in ("", *(f"-{n}" for n in range(2, 100))):
        path = folder / f"{stem}{extra}.capture"
        if not path.exists():
            return path
    raise InputError(f"{folder}: a hundred captures began in one second; wait and try again")


def _iso(when: datetime) -> str:
    return when.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")

"""A rig on the bench: port, capture and session together, and what the person may do.

Everything that the person does is written into the capture as a note and reaches the session as
that note, by the way that a replay takes.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from rig import __version__
from rig.command.live.feed import Another, Back, Bytes, Feed, Lost
from rig.command.live.held import Held
from rig.command.live.recorder import CaptureRecorder, clock_went_back
from rig.engine.dead_centre.index_places import stated_place
from rig.engine.dead_centre.reference import Reference
from rig.engine.dead_centre.reference_file import save_reference
from rig.engine.dead_centre.reference_plain import to_plain
from rig.engine.firing import stop_cylinder
from rig.faults import InputError, reason
from rig.files import named
from rig.job import order
from rig.job.folder import Job
from rig.job.when import HostClock, iso
from rig.job.work import job_reference
from rig.session import Session
from rig.session.dead_centre import USE
from rig.signal.events import Event
from rig.signal.survey import Survey
from rig.wire.line import PROTOCOL
from rig.wire.ports import diagnose
from rig.wire.reader import LineReader
from rig.wire.records import Batch, Note

HOST_EVERY_S = 1.0
SILENT_AFTER_S = 2.0
SAID_FOR_S = 30.0
"""What happened to disk or clock, and is over, stays on the screen this long."""
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
        self._another = ""  # another rig is there in its place
        self.heard_s: float | None = None
        self.begun_s = clock()
        self._host_s = self.begun_s
        self._seen = b""
        reference, said = job_reference(job)
        self.session = Session(job.profile)
        self.survey = Survey(self.session.follower.settings)  # of the rig itself
        self.held = Held()  # how still the crank stands, which way it was turned last
        start = utc()
        try:
            job.captures.mkdir(exist_ok=True)
        except OSError as why:
            raise InputError(f"{job.captures}: cannot be made: {reason(why)}") from why
        head: dict[str, object] = {
            "tool": __version__,
            "utc": _iso(start),
            "engine_sha256": job.engine.sha256,
            "port": url,
            **order.place_after(before := job.capture_files()),
        }
        self._capture = CaptureRecorder(job, start, head, clock)
        self._refusal = ""  # of the disk
        self._engine_change = ""  # of the engine file, since it was read
        self._unkept: Reference | None = None  # found, and not yet in the job's file
        self._host_clock = HostClock(head["utc"])
        self._happened = ""  # to disk or clock, at ``_happened_s``
        self._happened_s = 0.0
        for text in (*said, *clock_went_back(start, before)):
            self._happen(text)
        self.saved: tuple[Path, Path] | None = None
        if reference is not None:
            self.note("reference", to_plain(reference))

    # -- the stream ---------------------------------------------------------------------------

    def pump(self) -> list[Event]:
        """Take what has come from the port. Raises InputError when the disk has refused for so
        long that no more of the capture can wait in memory."""
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
            elif isinstance(word, Another):
                self._another = word.why
            elif isinstance(word, Back):
                self.lost = self._another = ""
                events += self.note("back", {"port": word.url, "utc": _iso(self._utc())})
        now = self.session.follower.now()
        if now is not None and now.crank_deg is not None:
            self.held.see(now.t_us, now.crank_deg)
        if self._capture.look():
            self._begun_anew()
        now_s = self._clock()
        if now_s - self._host_s >= HOST_EVERY_S:
            self._host_s = now_s
            host = {"utc": _iso(self._utc()), "monotonic_s": round(now_s - self.begun_s, 3)}
            events += self.note("host", host)
            self._capture.sync()
            self._look_at_disk()
            self._engine_change = self.job.engine.change()
            if self.session.identity is None:
                self._feed.ask()
        return events

    @property
    def capture_path(self) -> Path:
        """Where the capture lies now; its name may change while it is taken."""
        return self._capture.path

    @property
    def alarm(self) -> str:
        """That the capture lost its name, while it is to be seen large; empty else."""
        return self._capture.alarm

    @property
    def capture_is_there(self) -> bool:
        """Whether the capture that was ended is there under its name."""
        return self._capture.is_there

    def lacking(self) -> list[str]:
        """What is missing of what this run was to leave, a sentence each; once it has ended."""
        found = self._capture.lacking()
        for path in self.saved or ():
            if not path.is_file():
                found.append(f"{named(path)} is gone since it was saved")
        if not self.job.engine_file.is_file():
            found.append(f"{named(self.job.engine_file)} is gone")
        return found

    def _begun_anew(self) -> None:
        """The capture is another file now: the job's reference names that one, where it is new."""
        found = self.session.reference
        own = self.session.found
        if found is not None and (found in own or not self.job.reference_file.exists()):
            if found in own:
                found = replace(found, capture=self.capture_path.name)
            self._unkept = found

    def _look_at_disk(self) -> None:
        if self._refusal and not self._capture.refusal:
            self._happen("the disk takes the capture again; all that waited is written")
        self._refusal = self._capture.refusal
        if self._unkept is not None and not self._refusal:
            try:
                self._keep_reference(self._unkept)
            except InputError as why:
                self._refusal = str(why)

    def _happen(self, words: str) -> None:
        self._happened, self._happened_s = words, self._clock()

    def caution(self) -> str:
        """What is wrong with disk, clock or port of this computer; empty when nothing is."""
        if self._capture.refusal:
            return (
                f"the capture does not reach the disk: {self._capture.refusal}. Make room, do not"
                " switch off: it waits in memory"
            )
        over = self._clock() - self._happened_s > SAID_FOR_S
        return " │ ".join(
            filter(
                None,
                (
                    self._refusal or self._another,
                    self._capture.happened,
                    "" if over else self._happened,
                    self._changed(),
                ),
            )
        )

    def _changed(self) -> str:
        """That the engine file is another now, and how to load it."""
        if not self._engine_change:
            return ""
        return (
            f"{self.job.engine_file.name} {self._engine_change}. This session keeps the version"
            " that it began with; to load the new one, quit (q) and start rig live again"
        )

    def _take(self, batches: list[Batch]) -> list[Event]:
        taken: list[Event] = []
        for batch in batches:
            events = self.session.take(batch)
            self.survey.take(batch, events)
            taken += events
        return taken

    def note(self, name: str, value: dict[str, object]) -> list[Event]:
        """Write a note and let it take effect."""
        self._capture.note(name, value)
        note = Note(self._lines.now_us, name, value)
        jumps = len(self._host_clock.said)
        self._host_clock.take(note)
        if len(self._host_clock.said) > jumps:
            self._happen(self._host_clock.said[-1])
        return self._take([Batch(others=[note])])

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

    @property
    def understood(self) -> bool:
        """True once a rig was read that speaks this program's line format."""
        identity = self.session.identity
        spoken = identity is None or identity.protocol == PROTOCOL
        return spoken and (self.session.follower.latest is not None or self.session.restarts > 0)

    def diagnosis(self) -> str:
        """One sentence on what is wrong with the line, empty when nothing is."""
        if self.lost:
            return self.lost
        if self._lines.lines:
            silent = self.silent_s or 0.0
            return "" if silent < SILENT_AFTER_S else f"nothing heard for {silent:.0f} s"
        return "" if self.elapsed_s < SILENT_AFTER_S else diagnose(self._seen)

    # -- what the person does -------------------------------------------------------------------

    def stop_in(self, cylinder: int | None = None) -> None:
        """The positive stop is in the plug hole of ``cylinder`` (None: the master's, or cylinder
        1's); once dead centre was found, in the one where it was found. Raises InputError before
        the index has passed."""
        if self.session.follower.track.anchor is None:
            raise InputError(
                "turn the crank until the index has passed once, then put the stop in:"
                " the index may lie in the arc that the stop blocks"
            )
        found = self.session.reference
        if found is None:
            cylinder = cylinder or stop_cylinder(self.job.profile.engine)
            self.note("stop-in", {"cylinder": cylinder, "purpose": "reference"})
        else:
            self.note("stop-in", {"cylinder": found.cylinder, "purpose": "check"})

    def stop_out(self, *, drop: bool = False) -> None:
        """The stop is out again: its touches give the reference, or check it."""
        before = self.session.reference
        made: dict[str, object] = {"utc": _iso(self._utc()), "capture": self.capture_path.name}
        self.note("stop-out", {"drop": True} if drop else made)
        found = self.session.reference
        if found is not None and found is not before:
            self._keep_reference(found)

    def _keep_reference(self, found: Reference) -> None:
        """Put it into the job's file. What the disk refuses is tried again every second; the
        capture holds it in any case."""
        self._unkept = found
        save_reference(self.job.reference_file, found)
        self._unkept = None

    def use(self, which: dict[str, object]) -> Reference:
        """Go by another of the dead centres found; ``which`` as the note ``USE`` has it. Raises
        InputError when there is none."""
        troubles = self.session.troubles["note"]
        made: dict[str, object] = {"utc": _iso(self._utc()), "capture": self.capture_path.name}
        self.note(USE, which | made)
        found = self.session.reference
        if found is None or self.session.troubles["note"] > troubles:
            raise InputError(self.session.last_trouble)
        self._keep_reference(found)
        return found

    def state_stroke(self, cylinder: int = 1) -> None:
        """``cylinder`` stands at its firing top dead centre now, or nearest to it."""
        angle = self.crank_deg()
        reference, profile = self.session.reference, self.job.profile
        if angle is None or reference is None:
            raise InputError("the crank's angle is not known yet: find top dead centre first")
        if not self.session.places.known:  # one that settles nothing is refused before it stands
            stated_place(angle, cylinder, reference, profile.engine, profile.encoder)
        self.note("stroke", {"cylinder": cylinder, "crank_deg": angle})

    def next_setting(self, unit: str) -> str:
        """The lever of ``unit`` was moved to its next setting; its name."""
        names = [setting.name for setting in self.session.told.unit(unit).settings]
        name = names[(names.index(self.session.told.setting_of(unit)) + 1) % len(names)]
        self.note("setting", {"unit": unit, "setting": name})
        return name

    def set_phase(self, as_left: bool) -> None:
        """What is read from now on is as left, or as found."""
        self.note("phase", {"phase": "as left" if as_left else "as found"})

    def strike_last(self) -> str:
        """Strike out the last opening, or take that back. Says what was done."""
        session = self.session
        read = {reading.t_s for reading in session.readings() if reading.counts}
        counted = [
            o for o in session.openings
            if session.told.struck(o.t_us) or (o.t_us - session.start_us) * 1e-6 in read
        ]  # fmt: skip
        if not counted:
            raise InputError("there is no reading to strike out")
        last = counted[-1].t_us
        back = session.told.struck(last)
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
        from rig.job.certify import save
        from rig.job.work import work

        if self.session.reference is None:
            raise InputError("top dead centre is not known yet: there is nothing to certify")
        if not self.session.judgements():
            raise InputError("no reading counts yet: there is nothing to certify")
        if self._capture.look():
            self._begun_anew()
        self._capture.sync()
        if self._capture.refusal:
            raise InputError(f"{self.caution()}; then save")
        if not self._capture.is_in_job:
            raise InputError(f"{self._capture.happened}; a certificate needs it there")
        self.end()
        # The capture holds the dead centre that the verdicts on the screen rest on.
        self.saved = save(self.job, work(self.job.profile, [self.capture_path]))
        return self.saved

    def end(self) -> None:
        """End the capture in order. May be called twice."""
        self.ended = True
        self._feed.close()
        self._capture.end()


def _iso(when: datetime) -> str:
    return iso(when, "milliseconds")

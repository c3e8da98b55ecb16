"""A live run: port, capture and session together, and what the person may do.

Everything the person does is written into the capture as an annotation and reaches the session as
that annotation, on the same path as a replay.

``CaptureRecorder`` writes the capture while the run lasts and watches its name. An open file can
lose its name: it is deleted, renamed or replaced, its folder goes, its disk is removed. What was
written can usually still be read, and goes into a new file at once: in the job, else beside it,
else wherever the computer allows. Nothing is overwritten. The screen shows it large, and the run
does not end as if all were well when anything is missing.

The port has a thread of its own: bytes wait in a queue, whatever the screen is doing.
"""

from __future__ import annotations

import queue
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from rig import __version__
from rig.base import files
from rig.base.errors import InputError, RigError, reason
from rig.base.files import named
from rig.base.rounding import many
from rig.engine.geometry import stop_cylinder
from rig.guide.action import Saved
from rig.guide.stillness import StallWatch
from rig.job import capture_order
from rig.job.clock import HostClock, iso
from rig.job.folder import Job
from rig.job.results import job_reference
from rig.session.session import Session
from rig.signal.events import Event
from rig.signal.rig_statistics import StatisticsCollector
from rig.tdc.gauge_points import USE
from rig.tdc.index_resolver import stated_place
from rig.tdc.reference import TdcReference
from rig.tdc.reference_file import save_reference, to_plain
from rig.wire.capture import Fate, at_free_name, begin
from rig.wire.line import PROTOCOL
from rig.wire.ports import AnotherRigError, Port, diagnose
from rig.wire.reader import LineReader
from rig.wire.records import Batch, Note

HOST_EVERY_S = 1.0
SILENT_AFTER_S = 2.0
SAID_FOR_S = 30.0  # what happened to disk or clock, and is over, stays on the screen this long
SEEN_BYTES = 4000  # so many of the first bytes are looked at when no sound line comes


def utc_now() -> datetime:
    """The host's clock in UTC."""
    return datetime.now(UTC)


class LiveSession:
    """One capture being taken. ``pump`` is to be called often; it never waits."""

    def __init__(
        self,
        job: Job,
        feed: PortReader,
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
        self.statistics = StatisticsCollector(self.session.settings)  # of the rig itself
        self.stillness = StallWatch()  # how still the crank stands, which way it was turned last
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
            **capture_order.place_after(before := job.capture_files()),
        }
        self._capture = CaptureRecorder(job, start, head, clock)
        self._refusal = ""  # of the disk
        self._engine_change = ""  # of the engine file, since it was read
        self._unkept: TdcReference | None = None  # found, and not yet in the job's file
        self._host_clock = HostClock(head["utc"])
        self._happened = ""  # to disk or clock, at ``_happened_s``
        self._happened_s = 0.0
        for text in (*said, *clock_went_back(start, before)):
            self._happen(text)
        self.saved: Saved | None = None
        if reference is not None:
            self.annotate("reference", to_plain(reference))

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
                gap: dict[str, object] = {"why": word.why, "utc": _iso(self._utc())}
                events += self.annotate("gap", gap | ({"cause": word.cause} if word.cause else {}))
            elif isinstance(word, AnotherRig):
                self._another = word.why
            elif isinstance(word, Back):
                self.lost = self._another = ""
                events += self.annotate("back", {"port": word.url, "utc": _iso(self._utc())})
        now = self.session.now()
        if now is not None and now.crank_deg is not None:
            self.stillness.see(now.t_us, now.crank_deg)
        if self._capture.look():
            self._begun_anew()
        now_s = self._clock()
        if now_s - self._host_s >= HOST_EVERY_S:
            self._host_s = now_s
            host = {"utc": _iso(self._utc()), "monotonic_s": round(now_s - self.begun_s, 3)}
            events += self.annotate("host", host)
            self._capture.sync()
            self._look_at_disk()
            self._engine_change = self.job.engine.change()
            if self.session.identity is None:
                self._feed.ask()
        return events

    def utc(self) -> datetime:
        """The time of day by the host's clock."""
        return self._utc()

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
        for path in self.saved.files if self.saved else ():
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
            self.statistics.take(batch, events)
            taken += events
        return taken

    def annotate(self, name: str, value: dict[str, object]) -> list[Event]:
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
        return spoken and (self.session.is_heard or self.session.restarts > 0)

    def diagnosis(self) -> str:
        """One sentence on what is wrong with the line, empty when nothing is."""
        if self.lost:
            return self.lost
        if self._lines.lines:
            silent = self.silent_s or 0.0
            return "" if silent < SILENT_AFTER_S else f"nothing heard for {silent:.0f} s"
        return "" if self.elapsed_s < SILENT_AFTER_S else diagnose(self._seen)

    # -- what the person does -------------------------------------------------------------------

    def stop_in(self, cylinder: int | None = None, *, more: bool = False) -> None:
        """The positive stop is in the plug hole of ``cylinder`` (None: the master's, or cylinder
        1's); once dead centre was found, in the one where it was found. Raises InputError before
        the index has passed."""
        if not self.session.is_anchored:
            raise InputError(
                "turn the crank until the index has passed once, then put the stop in:"
                " the index may lie in the arc that the stop blocks"
            )
        found = self.session.reference
        if found is None:
            cylinder = cylinder or stop_cylinder(self.job.profile.engine)
            self.annotate("stop-in", {"cylinder": cylinder, "purpose": "reference"})
        else:
            purpose = "more" if more else "check"
            self.annotate("stop-in", {"cylinder": found.cylinder, "purpose": purpose})

    def stop_out(self, *, drop: bool = False) -> None:
        """The stop is out again: its touches give the reference, or check it."""
        before = self.session.reference
        made: dict[str, object] = {"utc": _iso(self._utc()), "capture": self.capture_path.name}
        self.annotate("stop-out", {"drop": True} if drop else made)
        found = self.session.reference
        if found is not None and found is not before:
            self._keep_reference(found)

    def _keep_reference(self, found: TdcReference) -> None:
        """Put it into the job's file. What the disk refuses is tried again every second; the
        capture holds it in any case."""
        self._unkept = found
        save_reference(self.job.reference_file, found)
        self._unkept = None

    def use(self, which: dict[str, object]) -> TdcReference:
        """Go by another of the dead centres found; ``which`` as the note ``USE`` has it. Raises
        InputError when there is none."""
        line_errors = self.session.line_errors["note"]
        made: dict[str, object] = {"utc": _iso(self._utc()), "capture": self.capture_path.name}
        self.annotate(USE, which | made)
        found = self.session.reference
        if found is None or self.session.line_errors["note"] > line_errors:
            raise InputError(self.session.last_error)
        self._keep_reference(found)
        return found

    def undo_tdc(self, kind: str) -> None:
        """Undo the last annotation of a ``kind`` ("stop-out", "use" or "stroke"); the job keeps the
        TDC that is in use then. Raises InputError when there is none to undo."""
        before, line_errors = self.session.reference, self.session.line_errors["note"]
        self.annotate(kind, {"back": True})
        if self.session.line_errors["note"] > line_errors:
            raise InputError(self.session.last_error)
        found = self.session.reference
        if found is not None and found is not before:
            self._keep_reference(found)

    def state_stroke(self, cylinder: int = 1) -> None:
        """``cylinder`` stands at its firing top dead centre now, or nearest to it."""
        angle = self.crank_deg()
        reference, profile = self.session.reference, self.job.profile
        if angle is None or reference is None:
            raise InputError("the crank's angle is not known yet: find top dead centre first")
        if not self.session.places.known:  # one that settles nothing is refused before it stands
            stated_place(angle, cylinder, reference, profile.engine, profile.encoder)
        self.annotate("stroke", {"cylinder": cylinder, "crank_deg": angle})

    def crank_deg(self) -> float | None:
        """Continuous crank angle now, degrees; None while it is not known."""
        return self.session.crank_deg()

    @property
    def connected(self) -> bool:
        """False while the port is lost."""
        return not self.lost

    def save(self, write: Callable[[Job, Path], Saved]) -> Saved:
        """End the capture, whole and in the job, and let ``write`` save what is made of it.

        Raises InputError when the capture is not whole or not in the job; it goes on then.
        """
        if self._capture.look():
            self._begun_anew()
        self._capture.sync()
        if self._capture.refusal:
            raise InputError(f"{self.caution()}; then save")
        if not self._capture.is_in_job:
            raise InputError(f"{self._capture.happened}; a certificate needs it there")
        self.end()
        self.saved = write(self.job, self.capture_path)
        return self.saved

    def end(self) -> None:
        """End the capture in order. May be called twice."""
        self.ended = True
        self._feed.close()
        self._capture.end()


def _iso(when: datetime) -> str:
    return iso(when, "milliseconds")


LOOK_EVERY_S = 0.5  # the name is looked at this often, so that its loss is seen within a second

# So long what happened has the place of the crank's figure; a line of it stays.
LARGE_FOR_S = 15.0
WHAT = {
    Fate.NAME_GONE: "was deleted or renamed",
    Fate.FOLDER_GONE: "has gone with its folder",
    Fate.REPLACED: "was replaced by another file",
    Fate.LENGTH: "was cut, or written on, by another program",
    Fate.NO_ANSWER: "is on a disk that does not answer",
}


class CaptureRecorder:
    """One capture and its file. Raises InputError when it cannot be begun.

    ``clock`` gives seconds; ``look`` is to be called often.
    """

    def __init__(
        self, job: Job, start: datetime, head: dict[str, object], clock: Callable[[], float]
    ) -> None:
        self._job = job
        self._clock = clock
        self._stem = f"{start:%Y%m%d-%H%M%S}"
        self._writer = begin(job.captures, self._stem, head)
        self._looked_s = clock()
        self._said = self._short = ""  # of the last loss
        self._said_s = 0.0
        self._stuck = ""  # why no new file could be begun
        self.missing = 0  # bytes that no file holds
        self.write = self._writer.write
        self.note = self._writer.note
        self.half_line = self._writer.half_line
        self.sync = self._writer.sync

    @property
    def path(self) -> Path:
        """Where the capture lies now."""
        return self._writer.path

    @property
    def refusal(self) -> str:
        """Why the disk does not take the capture; empty while it does."""
        return self._writer.refusal

    @property
    def is_in_job(self) -> bool:
        """False when the job's folder did not take it."""
        return self.path.parent == self._job.captures

    def look(self) -> bool:
        """Look whether the file still has its name; True when a new one was begun."""
        if self._clock() - self._looked_s < LOOK_EVERY_S:
            return False
        return self._look()

    def _look(self) -> bool:
        self._looked_s = self._clock()
        fate = self._writer.fate()
        if fate is Fate.THERE:
            self._stuck = ""
            return False
        old = self.path
        self._said_s = self._clock()
        try:
            missing = self._begin_anew(fate)
        except InputError as why:
            self._stuck = str(why)
            self._short = f"{old.name} {WHAT[fate]}, and no new file can be begun: make room"
            self._said = (
                f"{named(old)} {WHAT[fate]}, and no new file can be begun: {why}. It is tried again"
                " every second: make room, and do not switch off"
            )
            return False
        self._stuck = ""
        self.missing += missing
        kept = (
            "all of it" if not missing else f"what is left of it, {many(missing, 'byte')} are lost,"
        )
        head = f"{WHAT[fate]}; {kept} is now in a new file"
        self._said = f"{named(old)} {head}, {named(self.path)}"
        where = self.path.name if self.is_in_job else named(self.path)
        self._short = f"{old.name} {head}, {where}"
        if not self.is_in_job:
            self._said += f", outside the job: copy it into {named(self._job.captures)}"
        self.sync()
        return True

    def _begin_anew(self, fate: Fate) -> int:
        first: InputError | None = None
        for folder in self._places():
            try:
                return at_free_name(
                    folder, self._stem, lambda path: self._writer.begin_anew(path, fate)
                )
            except InputError as why:
                first = first or why
        raise first or InputError(f"{named(self._job.folder)}: the job takes no new file")

    def _places(self) -> Iterator[Path]:
        """Where a new file can be begun: the job's folder, made again if it has gone; others."""
        job = self._job
        if self._made_again():
            yield job.captures
        for folder in (job.folder.absolute().parent, Path.home(), Path(tempfile.gettempdir())):
            if folder.is_dir():
                yield folder

    def _made_again(self) -> bool:
        """Whether there is a folder for captures in the job; with its engine file, when it had to
        be made again."""
        job = self._job
        try:
            job.captures.mkdir(parents=True, exist_ok=True)
            job.look_at(job.captures)
            if not job.engine_file.exists():
                files.write_whole(job.engine_file, job.engine.data)
        except (OSError, InputError):
            return False  # another place takes it
        return True

    @property
    def alarm(self) -> str:
        """What happened to the file, while it is to be seen large; empty else."""
        lasts = self._stuck or self.missing or not self.is_in_job
        over = self._clock() - self._said_s > LARGE_FOR_S
        return "" if over and not lasts else self._short

    @property
    def happened(self) -> str:
        """What happened to the file at any time; empty when nothing did."""
        return self._said

    def end(self) -> None:
        """End the file in order. May be called twice. Raises InputError when it cannot be."""
        if not self._writer.closed:
            self._look()
        try:
            self._writer.close()
        except InputError:
            if self._stuck:  # there is no file to speak of
                raise InputError(self._said) from None
            raise

    @property
    def is_there(self) -> bool:
        """Whether the file that was ended is there under its name."""
        return self._writer.is_there()

    def lacking(self) -> list[str]:
        """What is missing of the capture now that it has ended, a sentence each."""
        found = []
        if self.missing:
            found.append(f"{many(self.missing, 'byte')} of the capture are lost: {self._said}")
        if self._stuck:
            found.append(f"the capture is lost: {self._said}")
        elif not self._writer.is_there():
            found.append(f"the capture is lost: {named(self.path)} is gone since it was ended")
        elif not self.is_in_job:
            found.append(f"the capture is not in the job: {self._said}")
        return found


def clock_went_back(start: datetime, before: Sequence[Path]) -> Iterator[str]:
    """That a capture of the job was begun later than now, by the clock of then."""
    latest = capture_order.latest_begun(before)
    if latest is not None and latest > start:
        yield (
            f"the computer's clock says {iso(start)}, but a capture of this job was begun at"
            f" {iso(latest)}: set the clock; a certificate bears its dates"
        )


AGAIN_S = 1.0  # a lost port is tried again this often


@dataclass(frozen=True, slots=True)
class Bytes:
    """What came, and when by the host's clock (``time.monotonic``, seconds)."""

    data: bytes
    at_s: float


@dataclass(frozen=True, slots=True)
class Lost:
    """The port went away; the feed goes on trying. ``cause`` is what the library says of it."""

    why: str
    cause: str = ""

    @staticmethod
    def by(error: RigError) -> Lost:
        """From the error that said so."""
        return Lost(str(error), str(error.__cause__ or ""))


@dataclass(frozen=True, slots=True)
class Back:
    """The port is there again."""

    url: str


@dataclass(frozen=True, slots=True)
class AnotherRig:
    """While the port is lost: another rig is there, which is not taken."""

    why: str


Word = Bytes | Lost | Back | AnotherRig


class PortReader:
    """Reads ``port`` until ``close``. ``reopen`` opens the port again after it was lost."""

    def __init__(self, port: Port, reopen: Callable[[], Port]) -> None:
        self._port = port
        self._reopen = reopen
        self._queue: queue.SimpleQueue[Word] = queue.SimpleQueue()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="rig port", daemon=True)
        self._thread.start()

    def words(self) -> list[Word]:
        """All that came since the last call, bytes of one stretch joined."""
        words: list[Word] = []
        data: list[Bytes] = []
        while not self._queue.empty():
            word = self._queue.get()
            if isinstance(word, Bytes):
                data.append(word)
                continue
            words += _joined(data)
            data = []
            words.append(word)
        return words + _joined(data)

    def ask(self) -> None:
        """Ask the rig who it is. A port that is lost just now is told nothing."""
        if self._port.is_open:
            try:
                self._port.write(b"?\n")
            except RigError as why:
                self._queue.put(Lost.by(why))

    def close(self) -> None:
        """End the thread and close the port."""
        self._stop.set()
        self._thread.join(timeout=2.0)
        self._port.close()

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                data = self._port.read()
            except RigError as why:
                self._queue.put(Lost.by(why))
                self._port.close()
                if not self._came_back():
                    return
                continue
            if data:
                self._queue.put(Bytes(data, time.monotonic()))
        self._port.close()  # opened again, it may be, after it was to be closed

    def _came_back(self) -> bool:
        said = ""
        while not self._stop.wait(AGAIN_S):
            try:
                self._port = self._reopen()
            except AnotherRigError as why:
                if str(why) != said:
                    said = str(why)
                    self._queue.put(AnotherRig(said))
                continue
            except RigError:
                continue  # said once already, and shown until the rig is back
            self._queue.put(Back(self._port.url))
            return True
        return False


def _joined(data: list[Bytes]) -> list[Word]:
    return [Bytes(b"".join(word.data for word in data), data[-1].at_s)] if data else []

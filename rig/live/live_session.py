"""A live run: port, capture and session together, and what the person may do.

Everything the person does is written into the capture as an annotation and reaches the session as
that annotation, on the same path as a replay. The port has a thread of its own: bytes wait in a
queue, whatever the screen is doing.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from rig import __version__
from rig.base.errors import InputError, RigError, reason
from rig.base.files import named
from rig.engine.geometry import stop_cylinder
from rig.guide.action import Saved
from rig.guide.stillness import StallWatch
from rig.job import capture_order
from rig.job.clock import HostClock, iso
from rig.job.folder import Job
from rig.job.results import job_reference
from rig.live.recorder import CaptureRecorder
from rig.session.session import Session
from rig.signal.events import Event
from rig.signal.rig_statistics import StatisticsCollector
from rig.tdc.gauge_points import USE
from rig.tdc.index_resolver import entered_place
from rig.tdc.reference import TdcReference
from rig.tdc.reference_file import save_reference, to_plain
from rig.wire.line import PROTOCOL
from rig.wire.ports import AnotherRigError, Port, diagnose
from rig.wire.reader import LineReader
from rig.wire.records import Batch, Note

HOST_EVERY_S = 1.0
SILENT_AFTER_S = 2.0
SHOWN_FOR_S = 30.0  # a past event of disk or clock stays on the screen this long
SEEN_BYTES = 4000  # of the first bytes, kept to diagnose a line without a valid record
AGAIN_S = 1.0  # between attempts to open a lost port


class LiveSession:
    """One capture being taken. Call ``pump`` often; it never waits."""

    def __init__(
        self,
        job: Job,
        feed: PortReader,
        url: str,
        *,
        utc: Callable[[], datetime] = lambda: datetime.now(UTC),
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.job = job
        self.url = url
        self.utc = utc
        self._feed = feed
        self._clock = clock
        self._lines = LineReader()
        self.ended = False
        self.saved: Saved | None = None
        self.lost = ""  # why the port is lost; empty while it is there
        self._another = ""  # why the rig that is there in its place is not used
        self._received_s: float | None = None
        self._begun_s = self._host_s = clock()
        self._seen = b""
        reference, doubts = job_reference(job)
        self.session = Session(job.profile)
        self.statistics = StatisticsCollector(self.session.settings)  # of the rig itself
        self.stillness = StallWatch()  # how still the crank is, which way it was turned last
        start = utc()
        try:
            job.captures.mkdir(exist_ok=True)
        except OSError as why:
            raise InputError(f"{job.captures}: cannot be made: {reason(why)}") from why
        before = job.capture_files()
        head: dict[str, object] = {
            "tool": __version__,
            "utc": iso(start, "milliseconds"),
            "engine_sha256": job.engine.sha256,
            "port": url,
            **capture_order.place_after(before),
        }
        self.recorder = CaptureRecorder(job, start, head, clock)
        self._writer = self.recorder.writer
        self._refusal = ""  # of the disk
        self._engine_change = ""  # of the engine file, since it was read
        self._unkept: TdcReference | None = None  # found, and not yet in the job's file
        self._host_clock = HostClock(head["utc"])
        self._happened = ""  # to disk or clock, at ``_happened_s``
        self._happened_s = 0.0
        for text in doubts:
            self._happen(text)
        latest = capture_order.latest_begun(before)
        if latest is not None and latest > start:
            self._happen(
                f"the computer's clock shows {iso(start)}, but a capture of this job began at"
                f" {iso(latest)}: set the clock, its dates go onto certificates"
            )
        if reference is not None:
            self.annotate("reference", to_plain(reference))

    # -- the stream ---------------------------------------------------------------------------

    def pump(self) -> list[Event]:
        """Take what has come from the port. Raises InputError when the disk has refused for so
        long that no more of the capture can wait in memory."""
        if self.ended:
            return []
        events = [event for word in self._feed.words() for event in self._hear(word)]
        if (now := self.session.now()) is not None and now.crank_deg is not None:
            self.stillness.see(now.t_us, now.crank_deg)
        self._look_at_capture()
        now_s = self._clock()
        if now_s - self._host_s >= HOST_EVERY_S:
            self._host_s = now_s
            at = {"utc": self._stamp(), "monotonic_s": round(self.elapsed_s, 3)}
            events += self.annotate("host", at)
            self._writer.sync()
            self._look_at_disk()
            self._engine_change = self.job.engine.change()
            if self.session.identity is None:
                self._feed.ask()
        return events

    def _hear(self, word: Word) -> list[Event]:
        match word:
            case Bytes(data, at_s):
                self._received_s = at_s
                if not self._lines.lines:
                    self._seen = (self._seen + data)[:SEEN_BYTES]
                self._writer.write(data)
                return self._take(self._lines.feed(data))
            case Lost(why, cause):
                self.lost = self.lost or why
                self._writer.half_line()
                events = self._take(self._lines.interrupted())
                gap: dict[str, object] = {"why": why, "utc": self._stamp()}
                return events + self.annotate("gap", gap | ({"cause": cause} if cause else {}))
            case AnotherRig(why):
                self._another = why
            case Back(url):
                self.lost = self._another = ""
                return self.annotate("back", {"port": url, "utc": self._stamp()})
        return []

    def _take(self, batches: list[Batch]) -> list[Event]:
        taken: list[Event] = []
        for batch in batches:
            events = self.session.take(batch)
            self.statistics.take(batch, events)
            taken += events
        return taken

    def _stamp(self) -> str:
        return iso(self.utc(), "milliseconds")

    def annotate(self, name: str, value: dict[str, object]) -> list[Event]:
        """Write a note and let it take effect."""
        self._writer.note(name, value)
        note = Note(self._lines.now_us, name, value)
        jumps = len(self._host_clock.said)
        self._host_clock.take(note)
        for text in self._host_clock.said[jumps:]:
            self._happen(text)
        return self._take([Batch(others=[note])])

    # -- the files ----------------------------------------------------------------------------

    @property
    def capture_path(self) -> Path:
        """Where the capture lies now; its name may change while it is taken."""
        return self._writer.path

    def lacking(self) -> list[str]:
        """What is missing of what this run was to leave, a sentence each; once it has ended."""
        saved = self.saved.files if self.saved else ()
        found = [
            f"{named(path)} is gone since it was saved" for path in saved if not path.is_file()
        ]
        if not self.job.engine_file.is_file():
            found.append(f"{named(self.job.engine_file)} is gone")
        return [*self.recorder.lacking(), *found]

    def _look_at_capture(self) -> None:
        """Where it goes on in another file, the job's reference names that one, where it is new."""
        if not self.recorder.look():
            return
        found, own = self.session.reference, self.session.found
        if found is not None and found in own:
            self._unkept = replace(found, capture=self.capture_path.name)
        elif found is not None and not self.job.reference_file.exists():
            self._unkept = found

    def _look_at_disk(self) -> None:
        if self._refusal and not self._writer.refusal:
            self._happen("the disk accepts the capture again; all that waited is written")
        self._refusal = self._writer.refusal
        if self._unkept is not None and not self._refusal:
            try:
                self._keep_reference(self._unkept)
            except InputError as why:
                self._refusal = str(why)

    def _happen(self, words: str) -> None:
        self._happened, self._happened_s = words, self._clock()

    def caution(self) -> str:
        """What is wrong with disk, clock or port of this computer; empty when nothing is."""
        if self._writer.refusal:
            return (
                f"the capture cannot be written: {self._writer.refusal}. Make room, do not"
                " switch off: it waits in memory"
            )
        changed = self._engine_change and (
            f"{self.job.engine_file.name} {self._engine_change}. This session keeps the version"
            " that it began with; to load the new one, quit (q) and start rig live again"
        )
        lately = self._clock() - self._happened_s <= SHOWN_FOR_S
        happened = self._happened if lately else ""
        every = (self._refusal or self._another, self.recorder.happened, happened, changed)
        return " │ ".join(filter(None, every))

    # -- how the line is -----------------------------------------------------------------------

    @property
    def silent_s(self) -> float | None:
        """Seconds since anything was received; None when nothing ever was."""
        return None if self._received_s is None else max(self._clock() - self._received_s, 0.0)

    @property
    def elapsed_s(self) -> float:
        """Seconds since the capture began."""
        return self._clock() - self._begun_s

    @property
    def lines(self) -> int:
        """Valid lines so far."""
        return self._lines.lines

    @property
    def connected(self) -> bool:
        """False while the port is lost, or nothing is received on it any more."""
        return not self.lost and (self.silent_s or 0.0) < SILENT_AFTER_S

    @property
    def understood(self) -> bool:
        """True once a rig was read that speaks this program's line format."""
        identity = self.session.identity
        spoken = identity is None or identity.protocol == PROTOCOL
        return spoken and (self.session.is_receiving or self.session.restarts > 0)

    def diagnosis(self) -> str:
        """One sentence on what is wrong with the line, empty when nothing is."""
        if self.lost:
            return self.lost
        if self._lines.lines:
            silent = self.silent_s or 0.0
            return "" if silent < SILENT_AFTER_S else f"nothing received for {silent:.0f} s"
        return "" if self.elapsed_s < SILENT_AFTER_S else diagnose(self._seen)

    # -- what the person does -------------------------------------------------------------------

    def crank_deg(self) -> float | None:
        """Continuous crank angle now, degrees; None while it is not known."""
        return self.session.crank_deg()

    def stop_in(self, cylinder: int | None = None, *, more: bool = False) -> None:
        """The piston stop is in the plug hole of ``cylinder`` (None: the master's, or cylinder
        1's); once TDC was found, in the one where it was found. Raises InputError before the
        index has passed."""
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
        """The piston stop is out again: its touches give the reference, or check it."""
        self._note_of_tdc("stop-out", {"drop": True} if drop else self._made())

    def use(self, which: dict[str, object]) -> TdcReference:
        """Use another of the TDCs found; ``which`` as the note ``USE`` has it. Raises InputError
        when there is none."""
        self._note_of_tdc(USE, which | self._made())
        found = self.session.reference
        if found is None:
            raise InputError(self.session.last_error)
        return found

    def undo_tdc(self, kind: str) -> None:
        """Undo the last annotation of a ``kind`` ("stop-out", "use" or "stroke"); the job keeps the
        TDC that is in use then. Raises InputError when there is none to undo."""
        self._note_of_tdc(kind, {"back": True})

    def enter_firing_tdc(self, cylinder: int = 1) -> None:
        """``cylinder`` is at its firing TDC now, or nearest to it."""
        angle = self.crank_deg()
        reference, profile = self.session.reference, self.job.profile
        if angle is None or reference is None:
            raise InputError("the crank's angle is not known yet: find TDC first")
        if not self.session.places.known:  # one that decides nothing is refused before it is noted
            entered_place(angle, cylinder, reference, profile.engine, profile.encoder)
        self.annotate("stroke", {"cylinder": cylinder, "crank_deg": angle})

    def _made(self) -> dict[str, object]:
        return {"utc": self._stamp(), "capture": self.capture_path.name}

    def _note_of_tdc(self, name: str, value: dict[str, object]) -> None:
        """Write a note that may change the TDC in use, which the job then keeps. Raises InputError
        when the session refuses the note."""
        before, refused = self.session.reference, self.session.line_errors["note"]
        self.annotate(name, value)
        if self.session.line_errors["note"] > refused:
            raise InputError(self.session.last_error)
        found = self.session.reference
        if found is not None and found is not before:
            self._keep_reference(found)

    def _keep_reference(self, found: TdcReference) -> None:
        """Put it into the job's file. What the disk refuses is tried again every second; the
        capture holds it in any case."""
        self._unkept = found
        save_reference(self.job.reference_file, found)
        self._unkept = None

    def save(self, write: Callable[[Job, Path], Saved]) -> Saved:
        """End the capture, whole and in the job, and let ``write`` save what is made of it.

        Raises InputError when the capture is not whole or not in the job; it goes on then.
        """
        self._look_at_capture()
        self._writer.sync()
        if self._writer.refusal:
            raise InputError(f"{self.caution()}; then save")
        if not self.recorder.is_in_job:
            raise InputError(f"{self.recorder.happened}; a certificate needs it there")
        self.end()
        self.saved = write(self.job, self.capture_path)
        return self.saved

    def end(self) -> None:
        """End the capture in order. May be called twice."""
        self.ended = True
        self._feed.close()
        self.recorder.end()


class Bytes(NamedTuple):
    """What came, and when by the host's clock (``time.monotonic``, seconds)."""

    data: bytes
    at_s: float


class Lost(NamedTuple):
    """The port was lost and is tried again. ``cause`` is the message of the library."""

    why: str
    cause: str = ""


class Back(NamedTuple):
    """The port is there again."""

    url: str


class AnotherRig(NamedTuple):
    """While the port is lost: another rig is there, which is not used."""

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
        """All that came since the last call; adjacent bytes are joined."""
        words: list[Word] = []
        while not self._queue.empty():
            word = self._queue.get()
            if words and isinstance(word, Bytes) and isinstance(last := words[-1], Bytes):
                words[-1] = Bytes(last.data + word.data, word.at_s)
            else:
                words.append(word)
        return words

    def ask(self) -> None:
        """Ask the rig for its identity, unless the port is lost."""
        if self._port.is_open:
            try:
                self._port.write(b"?\n")
            except RigError as why:
                self._lost(why)

    def close(self) -> None:
        """End the thread and close the port."""
        self._stop.set()
        self._thread.join(timeout=2.0)
        self._port.close()

    def _lost(self, why: RigError) -> None:
        self._queue.put(Lost(str(why), str(why.__cause__ or "")))

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                data = self._port.read()
            except RigError as why:
                self._lost(why)
                self._port.close()
                if not self._came_back():
                    return
                continue
            if data:
                self._queue.put(Bytes(data, time.monotonic()))
        self._port.close()  # it may have been opened again after ``close``

    def _came_back(self) -> bool:
        while not self._stop.wait(AGAIN_S):
            try:
                self._port = self._reopen()
            except AnotherRigError as why:
                self._queue.put(AnotherRig(str(why)))
            except RigError:
                pass  # reported already, and shown until the rig is back
            else:
                self._queue.put(Back(self._port.url))
                return True
        return False

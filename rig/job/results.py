"""The results of a job's captures, and the facts about their files.

The certificate, its verification and ``rig results`` all use ``results_of``, so they agree.

How long is the TDC in use valid over several recordings, and those of other days? The encoder is
often taken off between two recordings. So a recording in which TDC was touched is assessed by its
own touches; one that uses a TDC from elsewhere by all touches that the job knows: if they disagree
on either side of it, nobody knows where the encoder was.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import partial
from os import PathLike
from pathlib import Path
from typing import Final

from rig import __version__
from rig.base.earlier_rules import EARLIER_RULES, EarlierRule, Rules
from rig.base.errors import InputError
from rig.base.files import digest, listed
from rig.base.rounding import many
from rig.base.uncertainty import Freedom, student_t
from rig.engine.profile import Profile
from rig.job.capture_order import MadeWhen, Order, SeenCapture
from rig.job.clock import HostClock, iso, moment, utc_instant
from rig.job.folder import Job
from rig.job.tdc import Origins, in_use
from rig.session.diagnostics import Diagnostic, moves
from rig.session.session import Session
from rig.signal.rig_statistics import RigStatistics, StatisticsCollector
from rig.tdc.gauge_points import GaugeNotes, gauge_series
from rig.tdc.reference import Move, TdcReference, by_gauge
from rig.tdc.validity import At, KnownTdc, Touched, validity
from rig.timing.assess import assess
from rig.timing.compare import compare_units
from rig.timing.impulse import separate_impulse_trips
from rig.timing.readings import drag_alone
from rig.timing.values import Assessment, Comparison, Reading
from rig.wire.capture import RECORDING_FORMAT, SUFFIX, CaptureReader
from rig.wire.formats import format_of
from rig.wire.records import LineError, Note


@dataclass(slots=True)
class ReplayedCapture:
    """One capture replayed through a session."""

    path: Path
    session: Session
    facts: CaptureFacts
    said: list[str]
    seen: RigStatistics  # of the rig itself
    until_us: float = 0.0  # the rig's time at the end of what was read

    @property
    def gauge(self) -> GaugeNotes:
        """The gauge readings and marks that belong together."""
        return self.session.gauged


@dataclass(slots=True)
class JobResults:
    """Results of all the captures given."""

    played: list[ReplayedCapture]
    reference: TdcReference | None
    readings: list[Reading] = field(default_factory=list)
    assessments: list[Assessment] = field(default_factory=list)
    comparisons: list[Comparison] = field(default_factory=list)
    sources: list[ReplayedCapture] = field(default_factory=list)  # replayed only for TDC
    against: list[TdcReference] = field(default_factory=list)  # from elsewhere: TDC has moved
    origin: list[str] = field(default_factory=list)  # claims of references that were not confirmed
    rules: Rules = ()  # of the version by which they were worked out

    @property
    def doubts(self) -> list[tuple[ReplayedCapture, Diagnostic]]:
        """What looks wrong, capture by capture."""
        return [(one, doubt) for one in self.played for doubt in one.session.doubts(over=True)]

    @property
    def sound(self) -> bool:
        """False when an entry is wrong, or something cannot be read."""
        return not any(doubt.bad for _, doubt in self.doubts)


def replay_capture(
    profile: Profile, path: Path, size: int | None = None, *, version: str = __version__
) -> ReplayedCapture:
    """Replay one capture, or its first ``size`` bytes, by the rules of a ``version`` of the
    program. Raises InputError when it cannot be read.

    One that is being taken is replayed up to its length at the beginning.
    """
    if size is None and path.is_file():
        size = path.stat().st_size
    reader = CaptureReader(path, size)
    session = Session(profile, rules=EARLIER_RULES.get(version, frozenset()))
    statistics = StatisticsCollector(session.settings)
    said: list[str] = []
    start = str(reader.start.get("utc", ""))
    host = HostClock(start)
    end = None
    for batch, events in session.replay(reader.batches()):
        statistics.take(batch, events)
        for other in batch.others:
            if isinstance(other, Note):
                end = host.take(other) or end
                if "missing_bytes" in other.value:
                    lost, why = other.value["missing_bytes"], other.value.get("why", "")
                    said.append(
                        f"{path}: {many(lost, 'byte')} of it were lost while it was taken ({why});"
                        " readings in them are missing"
                    )
            elif isinstance(other, LineError) and other.kind == "capture":
                said.append(f"{path}: {other.detail}")
    said += [f"{path}: {text}" for text in host.said]
    identity = session.identity
    engine_sha256 = str(reader.start.get("engine_sha256"))
    facts = CaptureFacts(
        file=path.name,
        sha256=digest(path, size),
        size_bytes=reader.size,
        start_utc=start,
        end_utc=start if end is None else iso(end, "milliseconds"),
        lines=reader.lines.lines,
        troubles=dict(sorted(session.line_errors.items())),
        rig_name=identity.name if identity else "",
        protocol=identity.protocol if identity else 0,
        counts_per_turn=identity.counts_per_turn if identity else profile.encoder.counts_per_turn,
        contacts=identity.contacts if identity else 0,
        engine_sha256=engine_sha256 if re.fullmatch("[0-9a-f]{64}", engine_sha256) else "",
        used_for="readings and top dead centre" if session.found else "readings",
    )
    seen = statistics.result(session.state_widths)
    if EarlierRule.GAPS_GOOD in session.rules:
        seen = replace(seen, gaps=0)
    return ReplayedCapture(path, session, facts, said, seen, reader.lines.now_us)


@dataclass(frozen=True, slots=True)
class JobReferences:
    """The TDC references of a job beside its captures, and the folder of their recordings.

    ``in_use`` serves when no capture has one, or when it was selected from these captures later.
    ``known`` are TDCs of other recordings, which may show that the one in use is not valid here.
    """

    in_use: TdcReference | None = None
    known: Sequence[TdcReference] = ()
    captures: Path | None = None  # None: the folder of the first capture


def work_job(
    job: Job, paths: Sequence[Path], sizes: Mapping[Path, int] | None = None
) -> JobResults:
    """Results of captures of a job, with its references. Raises InputError as ``results_of``."""
    beside = JobReferences(job.reference(), job.references(), job.captures)
    return results_of(job.profile, paths, beside, sizes)


def job_reference(job: Job) -> tuple[TdcReference | None, list[str]]:
    """The job's reference as its recording gives it, and claims that were not confirmed."""
    claimed = job.reference()
    if claimed is None:
        return None, []
    origins = Origins(job.profile, job.captures, partial(replay_capture, job.profile), ())
    return origins.of(claimed), origins.said


def tdc_in(job: Job, recording: Path) -> tuple[TdcReference | None, list[Diagnostic]]:
    """The TDC of the job as valid in a recording, and what shows that it moved.

    None if there is none, and once it has moved in this recording: then it gives no angle. A pin
    recording has no date, so the reference in use is taken as it is. Raises InputError when the
    recording cannot be read.
    """
    if format_of(recording).kind != RECORDING_FORMAT.kind:
        return job_reference(job)[0], []
    session = work_job(job, [recording]).played[0].session
    moved = moves(session.validity)
    return None if moved else session.reference, moved


def results_of(
    profile: Profile,
    paths: Sequence[Path],
    beside: JobReferences = JobReferences(),
    sizes: Mapping[Path, int] | None = None,
    *,
    version: str = __version__,
) -> JobResults:
    """Replay ``paths`` in turn, only ``sizes`` bytes of those in it, by the rules of a ``version``
    of the program.

    References that are brought along are found again from their recordings. Raises InputError when
    a capture cannot be read, or two are the same.
    """
    replayed = partial(replay_capture, profile, version=version)
    played = [replayed(path, (sizes or {}).get(path)) for path in paths]
    seen: dict[str, Path] = {}
    for one in played:  # the same readings twice would make every mean look more certain than it is
        if (before := seen.setdefault(one.facts.sha256, one.path)) is not one.path:
            raise InputError(f"{one.path}: the same recording as {before}; name it once")
    rules = EARLIER_RULES.get(version, frozenset())
    origins = Origins(profile, beside.captures or paths[0].parent, replayed, played, rules)
    for one in played:
        _take_no_claims(one, origins)
    job_s = None if beside.in_use is None else origins.of(beside.in_use)
    reference = in_use(
        [(one.path, one.session.reference) for one in played],
        job_s,
        order_beside(paths, beside.captures),
    )
    worked = JobResults(played, reference, origin=list(dict.fromkeys(origins.said)), rules=rules)
    if reference is not None:
        worked.sources = [each for each in origins.used if each.path.name == reference.capture]
        worked.against = limit_validity(
            [*played, *worked.sources], reference, beside.known, profile
        )
    readings: list[Reading] = []
    begins: set[int] = set()
    for one in played:
        one.session.reference = reference
        resolve_place(one.session, one.gauge, one.path.name, reference)
        begins |= {len(readings) + at for at in (0, *one.session.restarted_at())}
        readings += one.session.readings()
    worked.readings = drag_alone(separate_impulse_trips(readings, profile, begins, rules))
    if reference is not None:
        worked.assessments = assess(worked.readings, profile, reference, rules)
        worked.comparisons = compare_units(worked.readings, profile, reference, rules)
    return worked


@dataclass(frozen=True, slots=True)
class JobAssessment:
    """The assessment of captures of a job.

    ``reference`` is TDC as used (None: not known, so nothing is assessed). ``diagnostics`` is what
    looks wrong; ``is_sound`` is false when an entry is wrong, or something cannot be read.
    """

    engine: str
    captures: tuple[Path, ...]
    reference: TdcReference | None
    readings: tuple[Reading, ...]
    assessments: tuple[Assessment, ...]
    comparisons: tuple[Comparison, ...]
    diagnostics: tuple[Diagnostic, ...]
    is_sound: bool


def assess_job(
    folder: str | PathLike[str], captures: Sequence[str | PathLike[str]] = ()
) -> JobAssessment:
    """Assess a job by its newest capture, or by the ``captures`` named; nothing is saved.

    Raises InputError when the folder is not a job, has no capture, or one cannot be read.
    """
    job = Job(Path(folder))
    paths = [Path(each) for each in captures] or [job.newest().known.path]
    found = work_job(job, paths)
    return JobAssessment(
        engine=job.profile.engine.name,
        captures=tuple(paths),
        reference=found.reference,
        readings=tuple(found.readings),
        assessments=tuple(found.assessments),
        comparisons=tuple(found.comparisons),
        diagnostics=tuple(each for _, each in found.doubts),
        is_sound=found.sound,
    )


def order_beside(paths: Sequence[Path], captures: Path | None = None) -> Order:
    """The order of these captures, using all that are beside them."""
    folders = {path.parent for path in paths} | ({captures} if captures is not None else set())
    beside = (path for each in folders if each.is_dir() for path in listed(each, SUFFIX).files)
    return Order({*paths, *beside})


def _take_no_claims(played: ReplayedCapture, origins: Origins) -> None:
    """Replace the references that a capture brought along by those of their own recordings; those
    found in it belong to this file, whatever its name was."""

    def proved(known: KnownTdc) -> TdcReference:
        if known.claimed:
            return origins.of(known.reference)
        return replace(known.reference, capture=played.path.name)

    session = played.session
    session.reference = session.tdcs.renew(proved, session.reference)


def resolve_place(
    session: Session, gauge: GaugeNotes, capture: str, reference: TdcReference | None
) -> None:
    """A reference found later from this capture is valid in the life of the rig in which it was
    read."""
    if reference is None or reference.capture != capture or reference in session.references:
        return
    lives = {each.life for each in gauge.of(reference.cylinder)}
    lives = lives or set(range(session.places.life + 1))
    if len(lives) == 1:
        session.places.found(reference, lives.pop())


LAST = datetime.max.replace(tzinfo=UTC)
"""Time of a recording without a date."""


def limit_validity(
    played: Sequence[ReplayedCapture],
    used: TdcReference,
    known: Sequence[TdcReference],
    profile: Profile,
) -> list[TdcReference]:
    """Set in each session how long ``used`` is valid there; returns the ``known`` ones against it.

    ``played`` are the recordings worked through, and those in which TDC was found; ``known`` are
    TDCs of others of the job, in any order.
    """
    began = [moment(one.facts.start_utc) for one in played]
    order = sorted(range(len(played)), key=lambda i: (began[i] or LAST, i))
    for number, i in enumerate(order):
        played[i].session.tdcs.number = float(number)
    names = {one.path.name for one in played}
    at = _when(used, played, began)
    touches = [one.session.tdcs.touches() for one in played]
    elsewhere = [Touched(_beside(each, began), each) for each in known if each.capture not in names]
    every = [*elsewhere, *(each for own in touches for each in own)]
    lost = next(filter(None, (one.session.tdcs.lost(used) for one in played)), None)
    against: list[TdcReference] = []
    for one, own in zip(played, touches, strict=True):
        is_here = one.session.tdcs.when(used) is not None
        here = is_here and used.capture in ("", one.path.name)
        found = validity(used, at, own if own or here else every, profile.encoder)
        if (gauge := _gauge_moved(one.gauge, used, one.path.name, profile)) is not None:
            found = replace(found, until=at, after=gauge)
        one.session.tdcs.limited = replace(found, lost=lost)
        against += [each for each in found.against if each in known and each not in against]
    return against


def _when(
    used: TdcReference, played: Sequence[ReplayedCapture], began: Sequence[datetime | None]
) -> At:
    """When the TDC in use was found or set."""
    for one in played:
        found = one.session.tdcs.when(used)
        if found is not None and used.capture in ("", one.path.name):
            return found
    for one in played:  # found from it afterwards, or brought along
        if used.capture == one.path.name:
            return one.session.tdcs.number, 0.0
    return _beside(used, began)


def _beside(reference: TdcReference, began: Sequence[datetime | None]) -> At:
    """Before, between or after the recordings worked through, by when it was made."""
    made = moment(reference.made_utc)
    if made is None:
        return -1.0, 0.0
    return sum(each is not None and each <= made for each in began) - 0.5, made.timestamp()


def _gauge_moved(
    notes: GaugeNotes, used: TdcReference, capture: str, profile: Profile
) -> Move | None:
    """What gauge points taken again show about a TDC found by the gauge."""
    if used.capture != capture or not by_gauge(used):
        return None
    if not any(each.again for each in notes.of(used.cylinder)):
        return None
    try:
        again = gauge_series(notes, profile, used.cylinder).again
    except InputError:  # reported where the series is shown
        return None
    return again.move if again is not None and again.move.has_moved else None


FOR_TDC: Final = "top dead centre"


@dataclass(frozen=True, slots=True)
class CaptureFacts:
    """A recording behind the results. ``file`` is its name within the job's ``captures``."""

    file: str
    sha256: str  # 64 hexadecimal digits, lower case
    size_bytes: int
    start_utc: str  # ISO 8601, UTC
    end_utc: str
    lines: int
    troubles: dict[str, int]  # kind of line error -> how many
    rig_name: str
    protocol: int
    counts_per_turn: int
    contacts: int
    engine_sha256: str = ""  # of the engine file with which it was begun
    used_for: str = "readings"  # FOR_TDC, "readings and top dead centre"


@dataclass(frozen=True, slots=True)
class Change:
    """Something changed on the engine since its last certificate, as the person noted it.

    ``unit`` is empty if it concerns all units.
    """

    words: str
    unit: str = ""
    noted: bool = False  # while the captures were taken; else entered with the certificate


@dataclass(frozen=True, slots=True)
class PredictedOpening:
    """What an adjustment should do to one opening, and what was read since. Degrees BTDC.

    What is read is None, and the verdict empty, if nothing was read since.
    """

    unit: str
    setting: str
    cylinder: int | None
    before_btdc: float
    shift_deg: float  # positive earlier
    predicted_btdc: float
    u_deg: float  # standard uncertainty of the prediction
    read_btdc: float | None = None
    off_deg: float | None = None  # read minus predicted
    within_deg: float | None = None  # allowed difference, about 95 %
    verdict: str = ""  # "confirmed", "not confirmed", ...: of ``rig.adjust.outcomes``
    nu: Freedom = math.inf  # degrees of freedom of ``u_deg``; versions until 0.6.0 have none

    @property
    def expanded_deg(self) -> float:
        """Expanded uncertainty of the prediction, about 95 %."""
        return student_t(self.nu) * self.u_deg


@dataclass(frozen=True, slots=True)
class MadeAdjustment:
    """An adjustment made on the job: what was done, predicted and read."""

    made_utc: str
    words: str
    steps: tuple[str, ...]
    sheet: str  # its file in the job's ``predictions``
    sheet_sha256: str
    predictions: tuple[PredictedOpening, ...]
    tdc_deg: float | None = None  # after the index, as used then,
    tdc_u_deg: float = 0.0  # its standard uncertainty,
    tdc_capture: str = ""  # and the capture in which it was found
    seen: tuple[SeenCapture, ...] = ()  # the parts of captures read by then
    after: tuple[str, ...] = ()  # digests of the heads of the newest captures then
    tdc_nu: Freedom = math.inf  # degrees of freedom of ``tdc_u_deg``

    @property
    def when(self) -> MadeWhen:
        """When it was selected. Raises InputError if it has no valid time."""
        return MadeWhen(utc_instant(self.made_utc), self.seen, self.after)

    def is_undone_by(self, later: MadeAdjustment) -> bool:
        """Whether a later adjustment moved something that this one moved."""
        moved = {each.unit for each in self.predictions}
        return not moved.isdisjoint(each.unit for each in later.predictions)


@dataclass(frozen=True, slots=True)
class RigFinding:
    """One finding of the check of the rig: ``verdict`` is "good", "bad" or "not tried"."""

    name: str
    verdict: str
    words: str

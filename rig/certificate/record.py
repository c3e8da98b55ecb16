"""The certificate: built from a job's captures, sealed, saved once with its page, read again."""

from __future__ import annotations

import platform
import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import fields, replace
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from importlib import import_module, metadata
from pathlib import Path
from typing import Any

from rig import __version__
from rig.base import files
from rig.base.codec import from_plain, to_plain
from rig.base.errors import InputError, reason
from rig.certificate import page, schema, seal
from rig.certificate.schema import (
    ENGINE_FILE,
    FORMAT,
    PROGRAM,
    VERSION,
    Certificate,
    Closing,
    EngineFile,
    NotCounted,
    Program,
    ReadingGroup,
    RecordedAssessment,
    RecordedComparison,
    TdcMove,
)
from rig.certificate.seal import Record
from rig.engine.engine_file import profile_bytes_digest
from rig.engine.profile import Profile
from rig.job.clock import moment
from rig.job.folder import Job, listed_records
from rig.job.results import (
    FOR_TDC,
    CaptureFacts,
    Change,
    JobResults,
    MadeAdjustment,
    ReplayedCapture,
    order_beside,
)
from rig.job.tdc import gauge_checks, others
from rig.session.diagnostics import moves
from rig.timing.values import Assessment, Comparison, Reading
from rig.wire.capture import head_of, is_capture
from rig.words.assessments import (
    RULES,
    assessment_in_full,
    comparison_in_full,
    in_groups,
    places_words,
    what_decides,
)
from rig.words.diagnostics import diagnostic_words, mark_words, reason_words
from rig.words.tdc import gauge_check_words, move_words

EVIDENCE = ("rig.check.checks",)
"""Modules that judge the rig itself; ``evidence`` of each gives findings for the certificate."""

ADJUSTMENTS = ("rig.adjust.outcomes",)
"""Modules that say what was adjusted on a job: ``made`` finds it, ``read_again`` proves it."""

_IDENTIFICATION = re.compile(r"[a-z0-9-]{1,80}")


def build(
    engine_file: bytes,
    profile: Profile,
    worked: JobResults,
    captures: Sequence[CaptureFacts],
    issued: datetime,
    **more: Sequence[Any],
) -> Record:
    """Give the record of a certificate, not yet sealed: plain values in a settled order.

    ``captures`` are the recordings that ``worked`` rests on, ``engine_file`` the bytes of the
    engine file, ``issued`` an instant with its time zone; ``more`` are other lists of a
    ``Certificate``, by their names. The same arguments give the same record, but for the versions
    of program and libraries. Raises InputError when TDC is not known, when the engine file is not
    UTF-8, or when there is no capture or no judgement.
    """
    if worked.reference is None:
        raise InputError(
            "top dead centre is not known: find it by the stop in rig live,"
            " or set it with rig tdc set"
        )
    if not captures:
        raise InputError("a certificate needs a capture to rest on; there is none.")
    if not worked.assessments:
        raise InputError("there is nothing to certify: no reading counts yet. Take some first.")
    read = [each for each in captures if each.used_for != FOR_TDC]
    # Issued no earlier than the last thing that was measured, which is told to the millisecond.
    issued_utc = (issued + timedelta(microseconds=999_999)).astimezone(UTC).replace(microsecond=0)
    try:
        text = engine_file.decode("utf-8")
    except UnicodeDecodeError as error:
        raise InputError(
            f"{ENGINE_FILE}: byte {error.start + 1} is not UTF-8. Save the file as UTF-8 text."
        ) from error
    blank = ("other_references", "conditions", "deviations", "changes", "rig_checks")
    lists: dict[str, Any] = {name: tuple(each) for name, each in more.items()}
    certificate = Certificate(
        format=FORMAT,
        version=VERSION,
        title=schema.TITLE,
        identification=identification_of(issued_utc, captures),
        issued_utc=f"{issued_utc:%Y-%m-%dT%H:%M:%SZ}",
        measured_from_utc=min(each.start_utc for each in read),
        measured_until_utc=max(each.end_utc for each in read),
        this_is=schema.THIS_IS,
        this_is_not=schema.THIS_IS_NOT,
        stated=profile,
        reference=worked.reference,
        method=(schema.OPENING,),
        rules=tuple(dict.fromkeys(RULES[each.rule] for each in worked.assessments)),
        judgements=tuple(map(recorded, worked.assessments)),
        comparisons=tuple(
            RecordedComparison(**_fields(each), words=comparison_in_full(each))
            for each in worked.comparisons
        ),
        readings=_grouped(worked.readings),
        not_counted=_not_counted(worked.readings),
        captures=tuple(captures),
        engine_file=EngineFile(
            ENGINE_FILE, sha256(engine_file).hexdigest(), len(engine_file), text
        ),
        program=Program(
            name=PROGRAM,
            version=__version__,
            python=platform.python_version(),
            machine=f"{platform.system()} {platform.machine()}",
            libraries={each: metadata.version(each) for each in ("numpy", "scipy")},
        ),
        cautions=schema.CAUTIONS,
        closing=tuple(map(Closing, schema.CLOSING)),
        **(dict.fromkeys(blank, ()) | lists),
    )
    record: Record = to_plain(certificate)
    del record["seals"]
    return record


def save(folder: Path, record: Record) -> tuple[Path, Path]:
    """Save ``record`` and its page in a new folder of its own within ``folder``.

    Both files come into being in one step, whole, and nothing is ever written over: when the
    identification is taken, the record gets the next free one. Gives the paths of the record
    (JSON) and the page (HTML). Raises InputError when it cannot be saved; nothing is left then.
    """
    base = as_certificate(record).identification
    for turn in range(1, 1000):
        name = base if turn == 1 else f"{base}-{turn}"
        named = record | {"identification": name}
        drawn = page.render(named).encode("utf-8")
        data = seal.file_bytes(named, drawn)
        if len(data) > seal.LARGEST_BYTES:
            raise InputError(
                f"the record of {len(data) // 2**20} MB is too large to keep; take fewer readings "
                "into one certificate."
            )
        try:
            made = files.place(folder, name, {f"{name}.json": data, f"{name}.html": drawn})
        except files.TakenError:
            continue
        return made / f"{name}.json", made / f"{name}.html"
    raise InputError(f"{folder}: a thousand certificates named {base} are there already.")


def load(path: Path) -> Record:
    """Read a certificate: its JSON file, its page, or the folder that holds the two.

    Raises InputError when it is missing, edited, too large, of another version or no certificate.
    """
    file = record_path(path)
    data = seal.read_bytes(file)
    record = seal.parse(data, file.name)
    found = seal.look_at(data)
    if not found.holds:
        raise InputError(
            f"{file.name}: has been edited since it was saved (its fingerprint does not hold). "
            "Take the copy that was saved; the verify command says what differs."
        )
    as_certificate(record, file.name)
    return record


def as_certificate(record: Record, name: str = "record") -> Certificate:
    """Give the record as a ``Certificate``, every value's type looked at.

    Raises InputError naming the first value that is not as SCHEMA.md says.
    """
    certificate = from_plain(Certificate, record, name)
    if not _IDENTIFICATION.fullmatch(certificate.identification):
        raise InputError(f"{name}.identification: not of the form that this program gives.")
    if not certificate.captures:
        raise InputError(f"{name}.captures: names no recording; the record was edited.")
    return certificate


def _fields(value: Assessment | Comparison) -> dict[str, Any]:
    return {each.name: getattr(value, each.name) for each in fields(value)}


def recorded(of: Assessment) -> RecordedAssessment:
    """With its sentences as this version makes them."""
    own = _fields(of) | {"rule": RULES[of.rule]}
    return RecordedAssessment(**own, words=assessment_in_full(of), settle=what_decides(of))


def record_path(path: Path) -> Path:
    """Give the path of the JSON file that ``path`` (that file, its page or its folder) means.

    Raises InputError when that may not be looked at.
    """
    try:
        if path.is_dir():
            return path / f"{path.absolute().name}.json"
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({reason(error)}).") from error
    return path.with_suffix(".json") if path.suffix == ".html" else path


def find(folder: Path) -> list[Path]:
    """List the record files of all certificates in ``folder``, by name (oldest first)."""
    return listed_records(folder).files


def identification_of(issued_utc: datetime, captures: Sequence[CaptureFacts]) -> str:
    """A certificate's own number: when it was issued, and from which recording first of all."""
    return f"{issued_utc:%Y%m%d-%H%M%S}-{captures[0].sha256[:6]}"


def _grouped(readings: Iterable[Reading]) -> tuple[ReadingGroup, ...]:
    groups: defaultdict[tuple[str, str, int | None, str, str, bool], list[Reading]]
    groups = defaultdict(list)
    for r in readings:
        if r.valid:
            key = (r.unit, r.setting, r.cylinder, r.phase, r.kind, r.wrong_stroke)
            groups[key].append(r)
    return tuple(
        ReadingGroup(
            *key,
            t_s=tuple(each.t_s for each in of),
            btdc_deg=tuple(each.btdc_deg for each in of),
            crank_deg=tuple(each.crank_deg for each in of),
            partings=tuple(each.times_opened for each in of),
        )
        for key, of in groups.items()
    )


def _not_counted(readings: Iterable[Reading]) -> tuple[NotCounted, ...]:
    tally = Counter(
        (each.unit, each.setting, reason_words(each.rejection))
        for each in readings
        if not each.valid
    )
    return tuple(NotCounted(*key, n=n) for key, n in tally.items())


def save_for_job(job: Job, worked: JobResults, told: Sequence[Change] = ()) -> tuple[Path, Path]:
    """Save the certificate of ``worked`` in the job's folder; paths of the record and the page.

    ``told`` as for ``build``.
    """
    for played in (*worked.played, *worked.sources):
        if played.path.resolve().parent != job.captures.resolve():
            raise InputError(
                f"{played.path}: a certificate rests on captures in {job.captures};"
                " copy the capture there first"
            )
        begun = begun_by(played.path)
        if begun and begun not in schema.FIXED:
            raise InputError(
                f"{played.path.name} was begun by version {begun} of this program, which is newer"
                f" than this one ({__version__}): use that version"
            )
    # Where this computer's clock was set back since, the certificate goes on by the captures' own.
    until = [moment(each.facts.end_utc) for each in worked.played]
    issued = max([datetime.now(UTC), *filter(None, until)])
    before = certified_before(job.folder, worked)
    adjusted = [
        each
        for name in ADJUSTMENTS
        for each in import_module(name).made(job.folder, job.profile, worked, before)
    ]
    record = build_for_job(job.engine.data, job.profile, worked, issued, told, adjusted)
    return save(job.certificates, record)


def begun_by(path: Path) -> str:
    """The version of this program that began a recording; "" where the recording does not say."""
    return str(head_of(path).start.get("tool", "")) if is_capture(path) else ""


def certified_before(job: Path, worked: JobResults) -> list[CaptureFacts]:
    """The captures of every certificate of a job's folder that rests only on captures from before
    these.

    By what the captures know about one another; by the clock where they do not.
    """
    captures_of_job = job / "captures"
    order = order_beside([one.path for one in worked.played], captures_of_job)

    def is_before(one: CaptureFacts, now: ReplayedCapture) -> bool:
        later = order.is_later(now.path, captures_of_job / Path(one.file).name)
        end, begun = moment(one.end_utc), moment(now.facts.start_utc)
        by_clock = end is not None and begun is not None and end <= begun
        return by_clock if later is None else later

    found: list[CaptureFacts] = []
    for path in find(job / "certificates"):
        try:
            captures = seal.parse(seal.read_bytes(path), path.name).get("captures", [])
            rests_on = [from_plain(CaptureFacts, each, path.name) for each in captures]
        except InputError:
            continue  # reported where certificates are read
        read = [each for each in rests_on if each.used_for != FOR_TDC]
        if all(is_before(each, now) for each in read for now in worked.played):
            found += read
    return found


def build_for_job(
    engine_file: bytes,
    profile: Profile,
    worked: JobResults,
    issued: datetime,
    told: Sequence[Change] = (),
    adjustments: Sequence[MadeAdjustment] = (),
) -> Record:
    """The record, not yet sealed. The same captures and engine file give the same figures.

    ``told`` are changes that the person tells beside those noted in the captures.
    """
    moves = _moves(worked)
    if moves and worked.reference is not None and not worked.assessments:
        raise InputError("; ".join(f"{each.capture}: {each.words}" for each in moves))
    sessions = [played.session for played in worked.played]
    checks = [(not move.has_moved, move_words(move)) for each in sessions for move in each.checks]
    checks += [
        (not isinstance(again, str) and not again.move.has_moved, gauge_check_words(at, again))
        for session in sessions
        for at, again in gauge_checks(session, profile)
    ]
    return build(
        engine_file,
        profile,
        worked,
        [
            *(played.facts for played in worked.played),
            *(replace(source.facts, used_for=FOR_TDC) for source in worked.sources),
        ],
        issued,
        conditions=[
            *(text for session in sessions for text in session.annotations.remarks),
            *(mark_words(m, s.here) for s in sessions for m in s.gauged.marks),
            *(words for agrees, words in checks if agrees),
            *places_words(worked.assessments, profile.engine, worked.reference),
        ],
        deviations=[
            *_doubts(worked, profile_bytes_digest(engine_file)),
            *(words for agrees, words in checks if not agrees),
        ],
        other_references=others(worked, profile),
        tdc_moves=moves,
        adjustments=adjustments,
        changes=[*noted_changes(worked), *told],
        rig_checks=[
            found
            for one in worked.played
            for name in EVIDENCE
            for found in import_module(name).evidence(
                one.seen, profile, one.path.name if len(sessions) > 1 else ""
            )
        ],
    )


def _moves(worked: JobResults) -> list[TdcMove]:
    """Where dead centre was shown not to be where the reference has it."""
    return [
        TdcMove(one.path.name, move.shift_deg, move.uncertainty.U_deg, diagnostic_words(each))
        for one in worked.played
        for v in (one.session.validity,)
        for move, each in zip(filter(None, (v.after, v.before)), moves(v), strict=True)
    ]


def noted_changes(worked: JobResults) -> list[Change]:
    """The changes that were noted while the captures were taken."""
    return [
        Change(words, unit, noted=True)
        for played in worked.played
        for words, unit in played.session.annotations.changes
    ]


def _doubts(worked: JobResults, engine_sha256: str) -> list[str]:
    said = in_groups(worked.assessments)
    for played in (*worked.played, *worked.sources):
        said += [text.replace(str(played.path), played.path.name) for text in played.said]
    said += [f"{played.path.name}: {diagnostic_words(doubt)}" for played, doubt in worked.doubts]
    return said + [
        f"{played.path.name}: the engine file was edited after this recording was begun"
        for played in worked.played
        if played.facts.engine_sha256 not in ("", engine_sha256)
    ]

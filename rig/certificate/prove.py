"""A certificate, report, prediction or reference proved from its job: every part computed again.

Reports, predictions and references have no seal. They are compared with what follows from the
recordings that they name and from what the person entered, which is in them.
"""

from __future__ import annotations

import json
import os.path
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from importlib import import_module
from pathlib import Path
from typing import Any

from rig import __version__
from rig.base.earlier_rules import EARLIER_RULES, Rules
from rig.base.errors import InputError
from rig.base.escape import visible
from rig.base.files import digest, listed
from rig.certificate import record as certificate
from rig.certificate import schema
from rig.certificate.issue import (
    ADJUSTMENTS,
    begun_by,
    build_for_job,
    certified_before,
    noted_changes,
)
from rig.certificate.schema import ENGINE_FILE, Certificate
from rig.certificate.seal import Record
from rig.certificate.verify import (
    CHANGED,
    Check,
    check,
    compare_part,
    fails,
    file_check,
    past_check,
    verify,
)
from rig.engine.engine_file import (
    EngineSource,
    engine_from_bytes,
    profile_bytes_digest,
    profile_from_bytes,
)
from rig.engine.profile import Profile
from rig.job import folder as sheets
from rig.job.clock import Clock, moment, utc_instant
from rig.job.folder import Job, SheetKind, recording_at
from rig.job.results import (
    FOR_TDC,
    JobReferences,
    JobResults,
    MadeAdjustment,
    replay_capture,
    results_of,
)
from rig.job.tdc import Origins, agrees
from rig.tdc.reference import Method, TdcReference, by_hand
from rig.tdc.reference_file import FILE_NAME, load_references
from rig.wire.capture import head_of, is_capture


def prove(path: Path, job: Path | None = None) -> list[Check]:
    """Check the certificate at ``path``. Raises InputError when there is none."""
    beside: list[Check] = []

    def recompute(folder: Path, record: Record) -> Record:
        stated = certificate.as_certificate(record)
        fresh, worked = _again(folder, stated)
        beside.append(_reference_check(folder, worked))
        beside.extend(_entered(stated, worked))
        beside.extend(_sheet_check(folder, each) for each in stated.adjustments)
        beside.extend(_left_out(folder, stated, worked))
        recordings = (folder / "captures" / Path(each.file).name for each in stated.captures)
        beside.extend(_begun_by_later(recordings, stated.program.version))
        return fresh

    return [*verify(path, recompute, job), *beside]


def _again(folder: Path, stated: Certificate) -> tuple[Record, JobResults]:
    """The record built again from the captures in ``folder`` and the engine file that it holds."""
    engine_file = stated.engine_file.text.encode("utf-8")
    rules = EARLIER_RULES.get(stated.program.version, ())
    profile = profile_from_bytes(engine_file, stated.engine_file.name, rules)
    captures = folder / "captures"
    read = [Path(each.file).name for each in stated.captures if each.used_for != FOR_TDC]
    if not read:
        raise InputError("the record names no capture with readings; it was edited")
    paths = [captures / name for name in read]
    beside = JobReferences(stated.reference, stated.other_references, captures)
    worked = results_of(profile, paths, beside, version=stated.program.version)
    # Only a signature proves what the person entered at the time of issue.
    entered = stated.changes[len(noted_changes(worked)) :]
    issued = utc_instant(stated.issued_utc)
    adjusted = _adjusted(folder, stated.adjustments, worked, profile)
    return build_for_job(engine_file, profile, worked, issued, entered, adjusted), worked


def _adjusted(
    folder: Path, stated: Sequence[MadeAdjustment], worked: JobResults, profile: Profile
) -> list[MadeAdjustment]:
    """Adjustments as their sheets in the job have them, if these are unchanged, else as the record
    has them; with what was read since, by the recordings."""
    found = list(stated)
    for name in ADJUSTMENTS:
        module = import_module(name)
        for i, each in enumerate(found):
            path = folder / PREDICTIONS / Path(each.sheet).name
            if path.is_file() and digest(path) == each.sheet_sha256:
                found[i] = module.of_sheet(path)
        found = module.read_again(found, worked, profile)
    return found


def _sheet_check(folder: Path, of: MadeAdjustment) -> Check:
    """The sheet of an adjustment that a certificate names: as it was, or gone since."""
    path, what = folder / PREDICTIONS / Path(of.sheet).name, f"{PREDICTIONS}/{of.sheet}"
    if not path.is_file():
        said = "no longer in the job; the record has its contents"
        return check(what, of.sheet_sha256, "", True, said)
    return replace(file_check(path, of.sheet_sha256, CHANGED), what=visible(what))


def _left_out(folder: Path, stated: Certificate, worked: JobResults) -> Iterator[Check]:
    """Adjustments that the job's sheets have and the certificate does not."""
    if stated.program.version in NOT_ALL_ADJUSTMENTS:
        return
    named = {each.sheet for each in stated.adjustments}
    before = certified_before(folder, worked)
    for name in ADJUSTMENTS:
        for each in import_module(name).made(folder, stated.stated, worked, before):
            if each.sheet not in named:
                words = (
                    "was chosen before these recordings ended, and is in no certificate of before:"
                    " it was left out, or a certificate was removed"
                )
                yield fails(f"{PREDICTIONS}/{each.sheet}", words)


NOT_ALL_ADJUSTMENTS = ("0.1.0", "0.2.0", "0.3.0", "0.4.0", "0.5.0")
"""Versions whose certificates have no adjustments, or chose them by another rule."""


def _entered(stated: Certificate, worked: JobResults) -> Iterator[Check]:
    """What the person entered as the certificate was issued: no recording has it."""
    for i, change in enumerate(stated.changes):
        if i >= len(noted_changes(worked)):
            words = "entered when the certificate was issued: a signature alone proves it"
            yield check(f"changes[{i}]", change.words, "", True, words)


def _begun_by_later(recordings: Iterable[Path], version: str) -> Iterator[Check]:
    """Recordings that a later program began than the one that is to have made a sheet of them.

    Else a forger could name an earlier version, whose sentences are not compared.
    """
    known = list(schema.FIXED)
    until = known[: known.index(version) + 1] if version in known else known
    for path in recordings:
        begun = begun_by(path)
        if begun and begun not in until:
            words = f"begun by version {begun}, so version {version} cannot have made this of it"
            yield fails(path.name, words)


def _reference_check(folder: Path, worked: JobResults) -> Check:
    """TDC is in a recording, or in the job's file as the person selected it."""
    what, used = "reference, where it comes from", worked.reference
    stated = "" if used is None else f"{used.by}, {used.capture or 'no recording'}"
    sessions = [each.session for each in (*worked.played, *worked.sources)]
    known = (each for session in sessions for each in session.references)
    if used is not None and any(used == each and used.how == each.how for each in known):
        return check(what, stated, stated, True, "a recording holds it")
    try:
        kept = load_references(folder / FILE_NAME)
    except InputError as wrong:
        return fails(what, f"no recording holds it, and {wrong}", stated)
    if used is not None and any(_is(used, each, worked.rules) for each in kept):
        return check(what, stated, FILE_NAME, True, f"{FILE_NAME} holds it")
    return fails(what, f"neither a recording nor {FILE_NAME} holds it: it was edited", stated)


def _is(used: TdcReference, kept: TdcReference, rules: Rules) -> bool:
    """Whether a reference of the job's file is the one in use, as far as no recording proves it."""
    if used.method is Method.BY_HAND:
        said = by_hand(kept, rules)
        return (used, used.how) == (said, said.how)
    same = (used.way, used.cylinder, used.made_utc, used.gauge)
    return same == (kept.way, kept.cylinder, kept.made_utc, kept.gauge) and agrees(kept, used)


PREDICTIONS = "predictions"
SHEETS = (
    *("rig.adjust.predictions", "rig.adjust.outcomes"),
    *("rig.unit_bench.report", "rig.check.sheet"),
)
"""The modules of the sheets that can be proved, each with a ``SheetKind`` named ``SHEET``.

Loaded when something is proved, so this room does not depend on theirs.
"""


def sheet_kinds() -> list[SheetKind]:
    """Every kind of sheet that can be proved."""
    return [import_module(name).SHEET for name in SHEETS]


def prove_job(folder: Path) -> list[Check]:
    """Check the reference and every certificate and sheet of a job that can be proved."""
    job = Job(folder)
    checks = list(_references(job))
    folders = dict.fromkeys(kind.folder for kind in sheet_kinds())
    named = sorted(path for name in folders for path in listed(folder / name, ".json").files)
    found = [(path.name, _sheet_in_job(path, folder)) for path in named]
    found += [(path.stem, prove(path, folder)) for path in certificate.find(job.certificates)]
    checks += [replace(each, what=f"{name}: {each.what}") for name, own in found for each in own]
    return checks


def _sheet_in_job(path: Path, folder: Path) -> list[Check]:
    """Check a sheet of a job. A person's own file is ignored; a file named as the program
    names its sheets must be one."""
    if kind_of(path) is not None:
        return prove_sheet(path, folder)
    if not SHEET_NAME.search(path.name):
        return []
    return [fails("kind", "is not a kind of sheet that this program knows; it was edited")]


SHEET_NAME = re.compile(r"[0-9]{8}-[0-9]{6}")
"""In each name that the program gives to a sheet: its time."""


def kind_of(path: Path) -> SheetKind | None:
    """The kind of a sheet; None for anything else."""
    if path.suffix != ".json" or not os.path.isfile(path):
        return None
    for kind in sheet_kinds():
        try:
            sheets.read(path, kind.kind)
        except InputError:
            continue
        return kind
    return None


def prove_sheet(path: Path, folder: Path | None = None) -> list[Check]:
    """Check a unit report, prediction, outcome or rig check; ``folder`` is its job, two above it if
    not given.

    Raises InputError when it is no such sheet.
    """
    kind = kind_of(path)
    if kind is None:
        raise InputError(f"{path}: is no sheet that can be proved")
    plain = sheets.read(path, kind.kind)
    if "version" not in plain:
        plain = {**kind.of_version_1, **plain}
    job = folder if folder is not None else path.absolute().parent.parent
    checks: list[Check] = []
    try:
        checks += _recordings(job, kind, plain)
        checks += _time(path, kind, plain, job)
        if not all(each.holds for each in checks):
            return checks
        checks += _begun(job, kind, plain)
        fresh = kind.recompute(_job_at(job, plain), plain) | {"program": plain["program"]}
    except (KeyError, TypeError, ValueError) as why:
        return [*checks, fails("its shape", f"is incomplete: {why}; it was edited")]
    except InputError as why:
        return [*checks, fails("figures", f"not computed again: {why}")]
    made_by = plain["program"]
    if made_by not in schema.FIXED:
        said = "is not a version that this program knows; it was edited, or use that version"
        checks.append(check("program", str(made_by), __version__, False, said))
    as_read = json.loads(json.dumps(sheets.plain(fresh)))  # as it comes back from a file
    return [*checks, *compare_part(plain, as_read, same_version=made_by == __version__)]


def _job_at(folder: Path, plain: Mapping[str, Any]) -> Job:
    """The job as it was when a sheet was made: if the engine file was edited since, with the text
    that a certificate has. Raises InputError if none has it."""
    job, wanted = Job(folder), plain.get("engine_sha256")
    if wanted is None or job.engine.sha256 == wanted:
        return job
    for path in certificate.find(job.certificates):
        try:
            kept = certificate.as_certificate(certificate.load(path)).engine_file
        except InputError:
            continue  # said where the certificate is proved
        data = kept.text.encode("utf-8")
        if profile_bytes_digest(data) == wanted:
            return job.with_engine(EngineSource(job.engine_file, data, *engine_from_bytes(data)))
    raise InputError(
        f"{job.engine_file.name} has changed since and no certificate has its text, or the sheet"
        " was edited"
    )


def _begun(job: Path, kind: SheetKind, plain: Mapping[str, Any]) -> Iterator[Check]:
    """What the recordings were begun with: an earlier program, and the engine file as it is."""
    recordings = [recording_at(job, kind.folder, name) for name, *_ in kind.recordings(plain)]
    yield from _begun_by_later(recordings, str(plain["program"]))
    engine = plain.get("engine_sha256")
    for path in recordings:
        begun = head_of(path).start.get("engine_sha256") if is_capture(path) else None
        if engine and begun and engine != begun:
            words = f"edited after {path.name} was begun: no recording proves what it says now"
            yield check(ENGINE_FILE, str(engine), str(begun), True, words)


def _recordings(job: Path, kind: SheetKind, plain: Mapping[str, Any]) -> Iterator[Check]:
    named = kind.recordings(plain)
    if not named:
        yield fails("recordings", "names no recording; it was edited", "none")
    for name, stated, size in named:
        if Path(name).name == name:
            changed = "is not the recording that was used"
            yield file_check(recording_at(job, kind.folder, name), stated, changed, size=size)
        else:
            yield fails(name, f"there is no such file in {job / 'captures'}", stated)


def _time(path: Path, kind: SheetKind, plain: Mapping[str, Any], job: Path) -> Iterator[Check]:
    """When it was made: as its name says, after its recordings, not in the future."""
    stated = str(plain["made_utc"])
    made = moment(plain["made_utc"])
    if made is None and plain["version"] != 1:
        yield fails("made_utc", "is not a time as this program writes it; it was edited", stated)
        return
    of = kind.stem(plain, made or datetime.min)
    named = re.fullmatch(rf"{re.escape(of)}(-[0-9]+)?", path.stem) is not None
    words, wrong = "says what it is of, and when", "is not the name of this sheet"
    yield check("the file's name", of, path.stem, named, words, wrong)
    if made is None:
        return
    yield past_check("made_utc", stated, made, datetime.now(UTC))
    for recording in [recording_at(job, kind.folder, n) for n, *_ in kind.recordings(plain)]:
        begun = Clock(recording).utc(0.0) if recording.suffix == ".capture" else None
        if begun is not None and begun > made:
            said = f"before {recording.name} was begun"
            yield check("made_utc", stated, f"{begun:%FT%TZ}", False, said)


def _references(job: Job) -> Iterator[Check]:
    """Each reference of the job's file, the one in use and earlier ones."""
    name = job.reference_file.name
    try:
        claims = load_references(job.reference_file) if job.reference_file.exists() else ()
    except InputError as wrong:
        yield fails(name, str(wrong))
        return
    for n, claimed in enumerate(claims):
        what = f"{name}, earlier one {n}" if n else f"{name}, in use"
        origins = Origins(job.profile, job.captures, partial(replay_capture, job.profile), ())
        found = origins.of(claimed)
        by_hand = found.method is Method.BY_HAND
        stated, fresh = (f"{each.tdc_deg!r}, {each.by}" for each in (claimed, found))
        words = "is set by hand" if by_hand else "its recording gives it"
        yield check(what, stated, fresh, not origins.said, words, "; ".join(origins.said))
        for key in ("how", "made_utc", "forward_deg", "backward_deg", "warnings"):
            one, other = getattr(claimed, key), getattr(found, key)
            if not origins.said and one != other:
                yield check(f"{what}, {key}", str(one), str(other), False, "differs")

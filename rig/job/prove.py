"""A certificate proved from its job: every part worked out again, and what no recording holds
held to the files of the job."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from rig.engine.dead_centre.reference import BY_HAND, Reference, by_hand
from rig.engine.dead_centre.reference_file import FILE_NAME, load_references
from rig.engine.file import profile_from_bytes
from rig.faults import InputError
from rig.job.certify import build, noted_changes
from rig.job.origin import agrees
from rig.job.work import Worked, work
from rig.record import certificate
from rig.record.compared import Check, check
from rig.record.schema import FOR_TDC
from rig.record.seal import Record
from rig.record.verify import verify


def prove(path: Path, job: Path | None = None) -> list[Check]:
    """Check the certificate at ``path``. Raises InputError when there is none."""
    of_reference: list[Check] = []

    def recompute(folder: Path, record: Record) -> Record:
        fresh, worked = _again(folder, record)
        of_reference.append(_reference_check(folder, worked))
        return fresh

    return [*verify(path, recompute, job), *of_reference]


def _again(folder: Path, record: Record) -> tuple[Record, Worked]:
    """The record built anew from the captures in ``folder`` and the engine file that it holds."""
    stated = certificate.as_certificate(record)
    engine_file = stated.engine_file.text.encode("utf-8")
    profile = profile_from_bytes(engine_file, stated.engine_file.name)
    captures = folder / "captures"
    read = [Path(each.file).name for each in stated.captures if each.used_for != FOR_TDC]
    if not read:
        raise InputError("the record names no capture with readings; it was edited")
    paths = [captures / name for name in read]
    worked = work(profile, paths, stated.reference, captures, stated.other_references)
    # What the person told at the time of issue stands in no capture: a signature alone proves it.
    told = stated.changes[len(noted_changes(worked)) :]
    issued = datetime.fromisoformat(stated.issued_utc)
    return build(engine_file, profile, worked, issued, told), worked


def _reference_check(folder: Path, worked: Worked) -> Check:
    """Top dead centre stands in a recording, or the job's file has it as the person chose it."""
    what, used = "reference, where it comes from", worked.reference
    stated = "" if used is None else f"{used.method}, {used.capture or 'no recording'}"
    sessions = [each.session for each in (*worked.played, *worked.sources)]
    if any(used == each for session in sessions for each in session.references):
        return check(what, stated, stated, "a recording holds it", holds=True)
    try:
        kept = load_references(folder / FILE_NAME)
    except InputError as wrong:
        return check(what, stated, "", f"no recording holds it, and {wrong}", holds=False)
    if used is not None and any(_is(used, each) for each in kept):
        return check(what, stated, FILE_NAME, f"{FILE_NAME} holds it", holds=True)
    words = f"neither a recording nor {FILE_NAME} holds it: it was edited"
    return check(what, stated, "", words, holds=False)


def _is(used: Reference, kept: Reference) -> bool:
    """Whether a reference of the job's file is the one in use, as far as it has to be believed."""
    if used.method == BY_HAND:
        return used == by_hand(kept)
    same = (used.method, used.cylinder, used.made_utc, used.gauge)
    return same == (kept.method, kept.cylinder, kept.made_utc, kept.gauge) and agrees(kept, used)

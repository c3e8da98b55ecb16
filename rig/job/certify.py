"""A certificate out of a job's captures: the record built, sealed and saved with its page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from rig.engine.file import profile_bytes_digest
from rig.engine.profile import Profile
from rig.faults import InputError
from rig.job.dead_centres import gauge_checks
from rig.job.folder import Job
from rig.job.references import others
from rig.job.rig_seen import findings, judged
from rig.job.when import moment
from rig.job.work import Worked
from rig.record import certificate
from rig.record.schema import FOR_TDC, Change, RigCheck, TdcMove
from rig.record.seal import Record
from rig.session.centres import moved_words
from rig.session.dead_centre import mark_words
from rig.timing.groups import in_groups


def save(job: Job, worked: Worked, told: Sequence[Change] = ()) -> tuple[Path, Path]:
    """Save the certificate of ``worked`` in the job's folder; paths of the record and the page.

    ``told`` as for ``build``.
    """
    for played in (*worked.played, *worked.sources):
        if not _within(played.path, job.captures):
            raise InputError(
                f"{played.path}: a certificate rests on captures in {job.captures};"
                " copy the capture there first"
            )
    # Where this computer's clock was set back since, the certificate goes on by the captures' own.
    until = [moment(each.facts.end_utc) for each in worked.played]
    issued = max([datetime.now(UTC), *filter(None, until)])
    record = build(job.engine.data, job.profile, worked, issued, told)
    return certificate.save(job.certificates, record)


def build(
    engine_file: bytes,
    profile: Profile,
    worked: Worked,
    issued: datetime,
    told: Sequence[Change] = (),
) -> Record:
    """The record, not yet sealed. The same captures and engine file give the same figures.

    ``told`` are changes that the person tells beside those noted in the captures.
    """
    if worked.reference is None:
        raise InputError(
            "top dead centre is not known: find it by the stop in rig live,"
            " or state it with rig tdc"
        )
    moves = _moves(worked)
    if moves and not worked.judgements:
        raise InputError("; ".join(f"{each.capture}: {each.words}" for each in moves))
    sessions = [played.session for played in worked.played]
    touched = [text for session in sessions for text in session.checks]
    touched += [text for session in sessions for text in gauge_checks(session, profile)]
    return certificate.build(
        profile=profile,
        reference=worked.reference,
        readings=worked.readings,
        judgements=worked.judgements,
        comparisons=worked.comparisons,
        captures=[
            *(played.facts for played in worked.played),
            *(replace(source.facts, used_for=FOR_TDC) for source in worked.sources),
        ],
        engine_file=engine_file,
        issued=issued,
        conditions=[
            *(text for session in sessions for text in session.told.remarks),
            *(mark_words(m, s.here) for s in sessions for m in s.gauged.marks),
        ],
        deviations=[*_doubts(worked), *_other_engine_files(worked, engine_file), *touched],
        other_references=others(
            [(each.path, each.session, each.gauge) for each in worked.played],
            profile,
            worked.reference,
            worked.against,
        ),
        tdc_moves=moves,
        changes=[*noted_changes(worked), *told],
        rig_checks=_rig_checks(profile, worked),
    )


def _moves(worked: Worked) -> list[TdcMove]:
    """Where dead centre was shown not to be where the reference has it."""
    found = []
    for one in worked.played:
        holds = one.session.holds
        shown = [move for move in (holds.after, holds.before) if move is not None]
        for move, words in zip(shown, moved_words(holds), strict=True):
            U_deg = move.uncertainty.U_deg
            found.append(TdcMove(one.path.name, move.shift_deg, U_deg, words))
    return found


def noted_changes(worked: Worked) -> list[Change]:
    """The changes that were noted while the captures were taken."""
    sessions = [played.session for played in worked.played]
    return [Change(words, unit) for session in sessions for words, unit in session.told.changes]


def _rig_checks(profile: Profile, worked: Worked) -> list[RigCheck]:
    """The verdicts of the rig check, of each capture; its name where there are several."""
    several = len(worked.played) > 1
    return [
        found
        for played in worked.played
        for found in findings(judged(played.seen, profile), played.path.name if several else "")
    ]


def _doubts(worked: Worked) -> list[str]:
    said = in_groups(worked.judgements)
    for played in (*worked.played, *worked.sources):
        said += [text.replace(str(played.path), played.path.name) for text in played.said]
    return said + [f"{played.path.name}: {doubt.words}" for played, doubt in worked.doubts]


def _other_engine_files(worked: Worked, engine_file: bytes) -> list[str]:
    """The captures that were begun with another version of the engine file than this."""
    sha256 = profile_bytes_digest(engine_file)
    return [
        f"{played.path.name}: the engine file was edited after this recording was begun"
        for played in worked.played
        if played.facts.engine_sha256 not in ("", sha256)
    ]


def _within(path: Path, folder: Path) -> bool:
    return path.resolve().parent == folder.resolve()

"""Save a timing certificate: the record (JSON) and its page (HTML), from one or more captures."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rig.command.dead_centres import gauge_checks
from rig.command.job import Job
from rig.command.references import others
from rig.command.rig_seen import findings, judged
from rig.command.say import figures, json_option, message
from rig.command.show import result_lines, verdict_status
from rig.command.work import Worked, work
from rig.engine.profile import Profile
from rig.faults import InputError
from rig.record import certificate
from rig.record.schema import Change, RigCheck
from rig.record.seal import Record
from rig.session.dead_centre import mark_words
from rig.wire.capture_writer import is_growing


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``rig certify``."""
    parser.add_argument("job", type=Path, help="the job folder")
    parser.add_argument("capture", type=Path, nargs="*", help="default: the newest capture")
    parser.add_argument(
        "--change",
        action="append",
        default=[],
        metavar="WORDS",
        help="what was changed since the last certificate; may be given again",
    )
    parser.add_argument(
        "--change-of",
        action="append",
        default=[],
        nargs=2,
        metavar=("UNIT", "WORDS"),
        help="the same, of one unit alone",
    )
    json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Save the certificate and say where it is."""
    job = Job(args.job)
    paths = args.capture or [job.latest_capture()]
    for path in paths:
        if is_growing(path):
            raise InputError(
                f"{path}: a program is taking this capture just now; end it there first (s saves"
                " the certificate, q ends without one), or name another capture"
            )
    worked = work(job.profile, paths, job.reference())
    for text in worked.said:
        message(f"rig certify: {text}")
    record_path, page_path = save(job, worked, _told(args, job.profile))
    answer: dict[str, Any] = {
        "certificate": str(record_path),
        "page": str(page_path),
        "judgements": certificate.load(record_path)["judgements"],
    }
    figures(
        args,
        answer,
        [
            *result_lines(record_path),
            f"certificate: {record_path}",
            f"page:        {page_path}",
        ],
    )
    return verdict_status(worked.judgements, worked.comparisons) if worked.sound else 1


def _told(args: argparse.Namespace, profile: Profile) -> list[Change]:
    """Changes that are told now and stand in no capture."""
    told = [*(("", words) for words in args.change), *args.change_of]
    names = [unit.name for unit in profile.units]
    for unit, words in told:
        if unit and unit not in names:
            raise InputError(f"--change-of {unit}: the engine file has {', '.join(names)}")
        if not words.strip():
            raise InputError("a change needs words: what was changed?")
    return [Change(words.strip(), unit) for unit, words in told]


def certify(job: Job, paths: Sequence[Path]) -> tuple[Path, Path]:
    """Work the captures through and save a certificate; paths of the record and the page."""
    return save(job, work(job.profile, paths, job.reference()))


def save(job: Job, worked: Worked, told: Sequence[Change] = ()) -> tuple[Path, Path]:
    """Save the certificate of ``worked`` in the job's folder; ``told`` as for ``build``."""
    for played in worked.played:
        if not _within(played.path, job.captures):
            raise InputError(
                f"{played.path}: a certificate rests on captures in {job.captures};"
                " copy the capture there first"
            )
    issued = datetime.now(UTC)
    record = build(job.engine_file.read_bytes(), job.profile, worked, issued, told)
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
    sessions = [played.session for played in worked.played]
    touched = [text for session in sessions for text in session.checks]
    touched += [text for session in sessions for text in gauge_checks(session, profile)]
    return certificate.build(
        profile=profile,
        reference=worked.reference,
        readings=worked.readings,
        judgements=worked.judgements,
        comparisons=worked.comparisons,
        captures=[played.facts for played in worked.played],
        engine_file=engine_file,
        issued=issued,
        conditions=[
            *(text for session in sessions for text in session.remarks),
            *(mark_words(m, s.here) for s in sessions for m in s.gauged.marks),
        ],
        deviations=[*_doubts(worked), *touched],
        other_references=others(
            [(each.path, each.session, each.gauge) for each in worked.played],
            profile,
            worked.reference,
        ),
        changes=[*noted_changes(worked), *told],
        rig_checks=_rig_checks(profile, worked),
    )


def noted_changes(worked: Worked) -> list[Change]:
    """The changes that were noted while the captures were taken."""
    sessions = [played.session for played in worked.played]
    return [Change(words, unit) for session in sessions for words, unit in session.changes]


def _rig_checks(profile: Profile, worked: Worked) -> list[RigCheck]:
    """The verdicts of the rig check, of each capture; its name where there are several."""
    several = len(worked.played) > 1
    return [
        found
        for played in worked.played
        for found in findings(judged(played.seen, profile), played.path.name if several else "")
    ]


def _doubts(worked: Worked) -> list[str]:
    said = []
    for played in worked.played:
        said += [text.replace(str(played.path), played.path.name) for text in played.said]
    return said + [f"{played.path.name}: {doubt.words}" for played, doubt in worked.doubts]


def _within(path: Path, folder: Path) -> bool:
    return path.resolve().parent == folder.resolve()

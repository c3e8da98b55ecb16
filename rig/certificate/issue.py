"""A certificate issued from a job: what its files give to the record, and the action that saves it
at the end of a live run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from importlib import import_module
from pathlib import Path

from rig import __version__
from rig.base.codec import from_plain
from rig.base.errors import InputError
from rig.certificate import record, schema, seal
from rig.certificate.schema import TdcMove
from rig.certificate.seal import Record
from rig.engine.engine_file import profile_bytes_digest
from rig.engine.profile import Profile
from rig.guide.action import Action, Bench, Host, Saved
from rig.guide.procedure import Offer
from rig.job.clock import moment
from rig.job.folder import Job
from rig.job.results import (
    FOR_TDC,
    CaptureFacts,
    Change,
    JobResults,
    MadeAdjustment,
    ReplayedCapture,
    order_beside,
    results_of,
)
from rig.job.tdc import gauge_checks, others
from rig.session.diagnostics import moves
from rig.wire.capture import head_of, is_capture
from rig.words.assessments import in_groups, places_words
from rig.words.diagnostics import diagnostic_words, mark_words
from rig.words.tdc import gauge_check_words, move_words

EVIDENCE = ("rig.check.checks",)
"""Modules that judge the rig itself; ``evidence`` of each gives findings for the certificate."""

ADJUSTMENTS = ("rig.adjust.outcomes",)
"""Modules that say what was adjusted on a job: ``made`` finds it, ``read_again`` proves it."""


def save_for_job(job: Job, worked: JobResults, entered: Sequence[Change] = ()) -> tuple[Path, Path]:
    """Save the certificate of ``worked`` in the job's folder; paths of the record and the page.

    ``entered`` as for ``build_for_job``.
    """
    for played in (*worked.played, *worked.sources):
        if played.path.resolve().parent != job.captures.resolve():
            raise InputError(
                f"{played.path}: a certificate is made from captures in {job.captures};"
                " copy the capture there first"
            )
        begun = begun_by(played.path)
        if begun and begun not in schema.FIXED:
            raise InputError(
                f"{played.path.name} was begun by version {begun} of this program, which is newer"
                f" than this one ({__version__}): use that version"
            )
    # If this computer's clock was set back since, the captures' time counts.
    until = [moment(each.facts.end_utc) for each in worked.played]
    issued = max([datetime.now(UTC), *filter(None, until)])
    before = certified_before(job.folder, worked)
    adjusted = [
        each
        for name in ADJUSTMENTS
        for each in import_module(name).made(job.folder, job.profile, worked, before)
    ]
    plain = build_for_job(job.engine.data, job.profile, worked, issued, entered, adjusted)
    return record.save(job.certificates, plain)


def begun_by(path: Path) -> str:
    """The version of this program that began a recording; "" where the recording names none."""
    tool = str(head_of(path).start.get("tool", "")) if is_capture(path) else ""
    return tool if tool[:1].isdigit() else ""


def certified_before(job: Path, worked: JobResults) -> list[CaptureFacts]:
    """The captures of every certificate in a job's folder that is made only from captures before
    these.

    Their order follows from what captures know of one another, else from the clock.
    """
    captures_of_job = job / "captures"
    order = order_beside([one.path for one in worked.played], captures_of_job)

    def is_before(one: CaptureFacts, now: ReplayedCapture) -> bool:
        later = order.is_later(now.path, captures_of_job / Path(one.file).name)
        end, begun = moment(one.end_utc), moment(now.facts.start_utc)
        by_clock = end is not None and begun is not None and end <= begun
        return by_clock if later is None else later

    found: list[CaptureFacts] = []
    for path in record.find(job / "certificates"):
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
    entered: Sequence[Change] = (),
    adjustments: Sequence[MadeAdjustment] = (),
) -> Record:
    """The record, not yet sealed. The same captures and engine file give the same figures.

    ``entered`` are changes that the person enters now, beside those noted in the captures.
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
    return record.build(
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
        changes=[*noted_changes(worked), *entered],
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
    """Touches that show TDC elsewhere than the reference has it."""
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


# -- at the end of a live run --


def end_and_save(host: Host) -> Saved:
    """End the capture and save a certificate from it. Raises InputError when it cannot be; if there
    is nothing to certify yet, the capture continues."""
    if host.session.reference is None:
        raise InputError("top dead centre is not known yet: there is nothing to certify")
    if not host.session.assessments():
        raise InputError("no reading is valid yet: there is nothing to certify")
    return host.save(_write)


def _write(job: Job, capture: Path) -> Saved:
    # The capture holds the TDC that the verdicts on the screen rest on.
    found = results_of(job.profile, [capture])
    files = save_for_job(job, found)
    assert found.reference is not None  # else nothing was saved
    return Saved(files, found.reference, tuple(found.assessments), tuple(found.comparisons))


def _why_not(bench: Bench) -> str:
    if bench.host.session.reference is None:
        return "There is nothing to certify yet: find TDC first."
    if not bench.host.session.assessments():
        return "There is nothing to certify yet: turn slowly forward past an opening."
    return ""


def _ask(bench: Bench, _: str) -> None:
    def save_and_say() -> None:
        folder = end_and_save(bench.host).files[0].parent
        bench.prompt.say(f"Saved in {folder.relative_to(bench.host.job.folder)}.")

    if bench.advice.press == "save":  # all else is done
        save_and_say()
    else:
        bench.prompt.ask("End this capture and save the certificate?", save_and_say)


OFFER = Offer(
    (
        Action(
            "save", "s", "save", "end the capture, save the certificate", _ask,
            undo="none once saved", why_not=_why_not, steps=("reading",),
        ),
    ),
    end_and_save,
)  # fmt: skip

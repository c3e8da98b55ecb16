"""A job's captures worked through: the session's figures, and the facts of the files.

The certificate, its verification and ``rig figures`` all take this way, so they agree.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

from rig.counted import many
from rig.engine.dead_centre.reference import Reference
from rig.engine.profile import Profile
from rig.faults import InputError, reason
from rig.files import open_file
from rig.job.folder import Job
from rig.job.holding import hold
from rig.job.origin import Origins
from rig.job.references import in_use
from rig.job.when import HostClock, iso
from rig.record.schema import CaptureFacts
from rig.session import Doubt, Session
from rig.session.centres import moved_words
from rig.session.gauge_notes import GaugeNotes
from rig.signal.survey import Survey, Surveyed
from rig.timing.compare import compare_units
from rig.timing.groups import in_groups
from rig.timing.impulse import sort_out
from rig.timing.judge import judge
from rig.timing.results import Comparison, Judgement, Reading
from rig.wire.capture import CaptureReader
from rig.wire.records import Note, Trouble


@dataclass(slots=True)
class Played:
    """One capture played through a session."""

    path: Path
    session: Session
    facts: CaptureFacts
    said: list[str]
    seen: Surveyed  # of the rig itself
    gauge: GaugeNotes


@dataclass(slots=True)
class Worked:
    """Figures over all the captures given."""

    played: list[Played]
    reference: Reference | None
    readings: list[Reading] = field(default_factory=list)
    judgements: list[Judgement] = field(default_factory=list)
    comparisons: list[Comparison] = field(default_factory=list)
    sources: list[Played] = field(default_factory=list)  # played for the dead centre alone
    against: list[Reference] = field(default_factory=list)  # of elsewhere: TDC has moved
    origin: list[str] = field(default_factory=list)  # claims of a reference not borne out

    @property
    def said(self) -> list[str]:
        """What is to be said of the files and of what is in them."""
        said = [
            f"{one.path}: {words}"
            for one in self.played
            for words in moved_words(one.session.holds)
        ]
        said += in_groups(self.judgements)
        said += [text for played in (*self.played, *self.sources) for text in played.said]
        said += self.origin
        said += [f"{played.path}: {doubt.words}" for played, doubt in self.doubts]
        return list(dict.fromkeys(said))

    @property
    def doubts(self) -> list[tuple[Played, Doubt]]:
        """What looks wrong, capture by capture."""
        return [(one, doubt) for one in self.played for doubt in one.session.doubts(over=True)]

    @property
    def sound(self) -> bool:
        """False when something stated is wrong, or cannot be read."""
        return not any(doubt.bad for _, doubt in self.doubts)


def play(profile: Profile, path: Path) -> Played:
    """Play one capture. Raises InputError when it cannot be read."""
    reader = CaptureReader(path)
    session = Session(profile)
    survey = Survey(session.follower.settings)
    gauge = GaugeNotes()
    said: list[str] = []
    start = str(reader.facts.start.get("utc", ""))
    host = HostClock(start)
    end = None
    for batch in reader.batches():
        for other in batch.others:
            if isinstance(other, Note):
                gauge.take(other, session.places.life)
                end = host.take(other) or end
                if "missing_bytes" in other.value:
                    said.append(f"{path}: {_lost(other)}")
            elif isinstance(other, Trouble) and other.kind == "capture":
                said.append(f"{path}: {other.detail}")
        survey.take(batch, session.take(batch))
    survey.events(session.finish())
    said += [f"{path}: {text}" for text in host.said]
    identity = session.identity
    facts = CaptureFacts(
        file=path.name,
        sha256=digest(path),
        size_bytes=path.stat().st_size,
        start_utc=start,
        end_utc=start if end is None else iso(end, "milliseconds"),
        lines=reader.lines.lines,
        troubles=dict(sorted(session.troubles.items())),
        rig_name=identity.name if identity else "",
        protocol=identity.protocol if identity else 0,
        counts_per_turn=identity.counts_per_turn if identity else profile.encoder.counts_per_turn,
        contacts=identity.contacts if identity else 0,
        engine_sha256=_digest_in(reader.facts.start.get("engine_sha256")),
        used_for=_used_for(session),
    )
    if session.places.many > 1:
        gauge = gauge.in_one_life()
    return Played(path, session, facts, said, survey.result(session.follower), gauge)


def _lost(gap: Note) -> str:
    """That a part of a capture was lost while it was taken, in words."""
    return (
        f"{many(gap.value['missing_bytes'], 'byte')} of it were lost while it was taken"
        f" ({gap.value.get('why', '')}); what was read in them is not in it"
    )


def _digest_in(said: object) -> str:
    """The digest of the engine file that a capture begins with; empty when it tells none."""
    return said if isinstance(said, str) and re.fullmatch("[0-9a-f]{64}", said) else ""


def _used_for(session: Session) -> str:
    """What the figures take from a capture: readings, and dead centre where it was found in it."""
    return "readings and top dead centre" if session.found else "readings"


def work_job(job: Job, paths: Sequence[Path]) -> Worked:
    """Work captures of a job through, with the reference of the job where they hold none."""
    return work(job.profile, paths, job.reference(), job.captures, job.references())


def job_reference(job: Job) -> tuple[Reference | None, list[str]]:
    """The job's reference as its recording gives it, and what that does not bear out."""
    claimed = job.reference()
    if claimed is None:
        return None, []
    origins = Origins(job.profile, job.captures, partial(play, job.profile), ())
    return origins.of(claimed), origins.said


def work(
    profile: Profile,
    paths: Sequence[Path],
    fallback: Reference | None = None,
    captures: Path | None = None,
    known: Sequence[Reference] = (),
) -> Worked:
    """Play ``paths`` in turn. ``fallback`` is the job's reference: used when no capture holds one,
    or when it was chosen from these captures later.

    References that are brought along are worked out again from their recordings, which lie in
    ``captures`` (where the first of ``paths`` lies, when it is not given). ``known`` are dead
    centres of other recordings, which may show that the one in use does not hold here. Raises
    InputError when a capture cannot be read, or two are the same.
    """
    played = [play(profile, path) for path in paths]
    _each_another(played)
    origins = Origins(profile, captures or paths[0].parent, partial(play, profile), played)
    for one in played:
        _take_no_claims(one, origins)
    job_s = None if fallback is None else origins.of(fallback)
    reference = in_use([(one.path, one.session.reference) for one in played], job_s)
    worked = Worked(played, reference, origin=list(dict.fromkeys(origins.said)))
    worked.sources = [each for each in origins.used if _rests_on(reference, each)]
    worked.against = hold([*played, *worked.sources], reference, known, profile)
    readings: list[Reading] = []
    for one in played:
        one.session.reference = reference
        settle_place(one.session, one.gauge, one.path.name, reference)
        readings += one.session.readings()
    worked.readings = sort_out(readings, profile)
    if reference is not None:
        worked.judgements = judge(worked.readings, profile, reference)
        worked.comparisons = compare_units(worked.readings, profile, reference)
    return worked


def _each_another(played: Sequence[Played]) -> None:
    """The same readings twice would make every figure look surer than it is."""
    seen: dict[str, Path] = {}
    for one in played:
        if (before := seen.setdefault(one.facts.sha256, one.path)) is not one.path:
            raise InputError(f"{one.path}: is the same recording as {before}; name it once")


def _take_no_claims(played: Played, origins: Origins) -> None:
    """The references that a capture brought along, each as its own recording gives it; those found
    in it are of this file, whatever its name was."""
    session = played.session
    proved = {id(each): origins.of(each) for each in session.claimed}
    proved |= {id(each): replace(each, capture=played.path.name) for each in session.found}
    session.claimed = [proved[id(each)] for each in session.claimed]
    session.references = [proved[id(each)] for each in session.references]
    if session.reference is not None:
        session.reference = proved.get(id(session.reference), session.reference)


def _rests_on(reference: Reference | None, source: Played) -> bool:
    return reference is not None and reference.capture == source.path.name


def settle_place(
    session: Session, gauge: GaugeNotes, capture: str, reference: Reference | None
) -> None:
    """A reference worked out later from this very capture holds in the life that it is of."""
    if reference is None or reference.capture != capture or reference in session.references:
        return
    lives = {each.life for each in gauge.of(reference.cylinder)}
    lives = lives or set(range(session.places.life + 1))
    if len(lives) == 1:
        session.places.found(reference, lives.pop())


def digest(path: Path) -> str:
    """SHA-256 of a file, hexadecimal. Raises InputError when it cannot be read."""
    try:
        with open_file(path) as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as why:
        raise InputError(f"{path}: cannot be read: {reason(why)}") from why

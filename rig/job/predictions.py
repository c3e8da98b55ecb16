"""Predictions of a job: one sheet in ``predictions/`` for each change that was chosen."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from rig import __version__
from rig.engine.dead_centre.reference_plain import to_plain
from rig.faults import InputError
from rig.files import listed
from rig.job.changes import Changed, last_changes, order_of
from rig.job.folder import Job
from rig.job.when import Clock, iso, moment
from rig.job.work import Worked
from rig.record import sheets
from rig.timing.compare import compare_units
from rig.timing.correction.plan import Confirmation, Prediction, Proposal
from rig.timing.correction.predict import confirm, predict
from rig.timing.correction.propose import propose
from rig.timing.correction.wants import pairs_from, wants_from
from rig.timing.judge import judge
from rig.timing.lever import lever_ends
from rig.timing.results import PHASES, Comparison, Judgement, Reading

FOLDER = "predictions"
KIND, OUTCOME = "prediction", "outcome of a prediction"
VERSION = 2
NEGATIVE = ("not confirmed", "wrong way round", "not moved")
OUTCOME_MARK = ".outcome"


@dataclass(frozen=True, slots=True)
class Sheet:
    """A prediction as it was saved."""

    path: Path
    made: datetime
    made_utc: str
    predictions: tuple[Prediction, ...]
    words: str
    steps: tuple[Mapping[str, Any], ...]


@dataclass(frozen=True, slots=True)
class Said:
    """What the person said: which option is carried out, and how it was asked for."""

    option: int  # from 1
    grain_deg: float | None = None
    carried_out: bool = True  # the newest prediction before was


def proposed(
    job: Job, worked: Worked, said: Said, now: datetime, before: datetime | None = None
) -> tuple[Proposal, list[list[Prediction]], list[Judgement]]:
    """The options, what each that is numbered predicts, and the judgement that they rest on.

    ``before`` is as for ``standing``, which raises InputError.
    """
    now_is = standing(job, worked, carried_out=said.carried_out, before=before)
    read = now_is.judgements
    levers, without = lever_ends(read, job.profile)
    proposal = propose(
        wants_from(read, job.profile), job.profile, job.means,
        pairs=pairs_from(read, job.profile, now_is.comparisons),
        levers=levers, grain_deg=said.grain_deg,
    )  # fmt: skip
    proposal = replace(proposal, notes=(*proposal.notes, *without))
    predicted = [predict(option, read, iso(now)) for option in proposal.numbered]
    return proposal, predicted, read


def sheet(
    job: Job, worked: Worked, said: Said, now: datetime, before: datetime | None = None
) -> dict[str, Any]:
    """A prediction as plain data, with all that it takes to come to it again.

    Raises InputError when there is no such option, or it moves no unit that was read.
    """
    proposal, predicted, _ = proposed(job, worked, said, now, before)
    options = proposal.numbered
    if not 1 <= said.option <= len(options):
        raise InputError(f"--take {said.option}: there are options 1 to {len(options)}")
    option, wanted = options[said.option - 1], predicted[said.option - 1]
    if not wanted or worked.reference is None:
        raise InputError(f"--take {said.option}: it moves no unit that was read")
    return {
        "kind": KIND,
        "version": VERSION,
        "program": __version__,
        "made_utc": iso(now),
        "engine_sha256": job.engine.sha256,
        "captures": [
            {"file": each.path.name, "sha256": each.facts.sha256} for each in worked.played
        ],
        "reference": to_plain(worked.reference),
        **asdict(said),
        "words": option.words,
        "steps": [asdict(step) for step in option.steps],
        "warnings": list(option.warnings),
        "predictions": [asdict(each) for each in wanted],
    }


def save(job: Job, worked: Worked, said: Said, now: datetime) -> Path:
    """Save what an option is to do. Raises InputError as ``sheet``, and when the disk does not take
    it."""
    path = sheets.free_path(job.folder / FOLDER, f"{now:%Y%m%d-%H%M%S}")
    sheets.write(path, sheet(job, worked, said, now))
    return path


def load(path: Path) -> Sheet:
    """Read a saved prediction. Raises InputError naming what is missing or wrong."""
    plain = sheets.read(path, KIND)
    made = moment(plain.get("made_utc"))
    if made is None or plain.get("version") not in (1, VERSION):
        raise InputError(f"{path}: has no time, or another version; it was edited, or is newer")
    try:
        predictions = tuple(_prediction(each) for each in plain["predictions"])
        steps = tuple(dict(each) for each in plain["steps"])
    except (KeyError, TypeError, ValueError) as why:
        raise InputError(f"{path}: is no whole prediction ({why}); it was edited") from None
    return Sheet(path, made, plain["made_utc"], predictions, str(plain.get("words", "")), steps)


def _prediction(plain: Mapping[str, Any]) -> Prediction:
    cylinder = plain["cylinder"]
    return Prediction(
        unit=str(plain["unit"]),
        setting=str(plain["setting"]),
        cylinder=None if cylinder is None else int(cylinder),
        before_btdc=float(plain["before_btdc"]),
        shift_deg=float(plain["shift_deg"]),
        predicted_btdc=float(plain["predicted_btdc"]),
        u_deg=float(plain["u_deg"]),
        made_utc=str(plain["made_utc"]),
    )


def newest(job: Job, before: datetime | None = None) -> Sheet | None:
    """The newest prediction of a job, or the newest of those made before; None without one."""
    found = listed(job.folder / FOLDER, ".json").files
    kept = [path for path in found if not path.stem.partition(".")[2]]
    sheets_ = [load(path) for path in kept]
    earlier = [each for each in sheets_ if before is None or each.made < before]
    return max(earlier, key=lambda sheet: sheet.made, default=None)


@dataclass(frozen=True, slots=True)
class Standing:
    """How things stand now."""

    judgements: list[Judgement]
    comparisons: list[Comparison]


def standing(
    job: Job, worked: Worked, *, carried_out: bool = True, before: datetime | None = None
) -> Standing:
    """How things stand now: of each unit, only what was read since its last change.

    Changes are those noted in the captures of the job and, where it was ``carried_out``, the newest
    prediction; with ``before`` as of then. Raises InputError when a unit was not read since.
    """
    changed = _changes(job, worked, carried_out, before)
    if not changed or worked.reference is None:
        return Standing(worked.judgements, worked.comparisons)
    kept: list[Reading] = []
    stale: set[str] = set()
    order = order_of(job, worked)
    for played in worked.played:
        clock = Clock(played.path)
        for reading in played.session.readings():
            change = changed.get(reading.unit)
            when = clock.utc(played.session.t_us(reading))
            if change is None or (when is not None and change.is_before(when, played.path, order)):
                kept.append(reading)
            elif reading.counts:
                stale.add(reading.unit)
    if stale := stale - {reading.unit for reading in kept if reading.counts}:
        name = min(stale)
        raise InputError(
            f"the readings of {' and '.join(sorted(stale))} are older than the last change"
            f" ({changed[name].words}): read again first"
            + ("; or --change-not-made, if it never was" if carried_out else "")
        )
    return Standing(
        judge(kept, job.profile, worked.reference),
        compare_units(kept, job.profile, worked.reference),
    )


def _changes(
    job: Job, worked: Worked, carried_out: bool, before: datetime | None
) -> dict[str, Changed]:
    """Unit -> its last change."""
    found = last_changes(job, worked, before)
    sheet = newest(job, before) if carried_out else None
    if sheet is not None:
        words = f"{sheet.path.name}, {sheet.made_utc}"
        for name in dict.fromkeys(each.unit for each in sheet.predictions):
            if name not in found or sheet.made > found[name].at:
                found[name] = Changed(sheet.made, words)
    return found


def read_since(worked: Worked, since: datetime) -> list[Reading]:
    """The readings made after an instant."""
    found: list[Reading] = []
    for played in worked.played:
        clock = Clock(played.path)
        for reading in played.session.readings():
            when = clock.utc(played.session.t_us(reading))
            if when is not None and when > since:
                found.append(reading)
    return found


def confirmed(job: Job, worked: Worked, sheet: Sheet) -> list[Confirmation]:
    """Each prediction beside what was read since. Raises InputError when nothing was."""
    if worked.reference is None:
        raise InputError("top dead centre is not known, so no reading can be set beside it")
    since = read_since(worked, sheet.made)
    judged = judge(since, job.profile, worked.reference)
    found = []
    for prediction in sheet.predictions:
        judgement = _beside(prediction, judged)
        if judgement is not None:
            found.append(confirm(prediction, judgement))
    if not found:
        units = ", ".join(dict.fromkeys(each.unit for each in sheet.predictions))
        raise InputError(
            f"every reading of {units} is older than the last change ({sheet.path.name},"
            f" {sheet.made_utc}): read again, turning forward"
        )
    return found


def _beside(prediction: Prediction, judged: Sequence[Judgement]) -> Judgement | None:
    """The judgement to set beside it, how it stands last."""
    wanted = (prediction.unit, prediction.setting, prediction.cylinder, "turned")
    own = [j for j in judged if (j.unit, j.setting, j.cylinder, j.kind) == wanted and j.n]
    last = max(own, key=lambda j: PHASES.index(j.phase), default=None)
    return None if last is None or last.mean_btdc is None else last


def save_outcome(job: Job, sheet: Sheet, found: Sequence[Confirmation], now: datetime) -> Path:
    """Save how a prediction came out, beside it."""
    path = sheets.free_path(job.folder / FOLDER, sheet.path.stem + OUTCOME_MARK)
    sheets.write(
        path,
        {
            "kind": OUTCOME,
            "version": 1,
            "made_utc": iso(now),
            "prediction": sheet.path.name,
            "confirmations": [asdict(each) for each in found],
        },
    )
    return path

"""Predicted, saved, confirmed.

What the next reading ought to be, and whether it is.

Predictions of a job: one sheet in ``predictions/`` for each change that was chosen.

Changes to an engine that the person noted while captures of a job were taken.

Also those in captures that no figure is asked from: what was read before a change tells nothing of
how things stand now, wherever the change was written down.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from rig import __version__
from rig.adjust.plan import (
    Confirmation,
    Option,
    Prediction,
    Proposal,
    own_u_deg,
    pairs_from,
    wants_from,
)
from rig.adjust.propose import propose
from rig.base.angles import wrap
from rig.base.errors import InputError
from rig.base.files import listed, open_file
from rig.base.rounding import btdc, size, two_figures
from rig.engine.profile import Profile
from rig.job import folder
from rig.job.capture_order import Order
from rig.job.clock import Clock, iso, moment
from rig.job.folder import Job, SheetKind
from rig.job.results import JobResults, results_of
from rig.session.session import Session
from rig.tdc.reference_file import from_plain, to_plain
from rig.timing.advance_range import lever_ends
from rig.timing.assess import assess
from rig.timing.compare import compare_units
from rig.timing.values import PHASES, Assessment, Comparison, Mark, Reading
from rig.wire.capture import CaptureReader
from rig.wire.records import Batch, Note

SIDES = 2.0  # coverage factor for about 95 %


def predict(
    option: Option, judgements: Sequence[Assessment], made_utc: str = ""
) -> list[Prediction]:
    """What the next readings ought to be, one for each turned judgement of a unit that moves.

    ``made_utc`` (ISO 8601) is when the change was stated. Source: the shifts of the steps.
    """
    shift: dict[str, float] = {}
    unsure: dict[str, float] = {}  # standard uncertainty of the shift
    for step in option.steps:
        for unit, deg in step.shift_deg.items():
            shift[unit] = shift.get(unit, 0.0) + deg
            unsure[unit] = math.hypot(unsure.get(unit, 0.0), step.u_shift_deg)
    out = []
    for j in judgements:
        if j.kind == "turned" and j.mean_btdc is not None and shift.get(j.unit):
            turned = 360.0 if Mark.ONE_TURN_OUT in j.marks else 0.0
            after = wrap(j.mean_btdc + turned + shift[j.unit])
            out.append(
                Prediction(
                    unit=j.unit,
                    setting=j.setting,
                    cylinder=j.cylinder,
                    before_btdc=j.mean_btdc,
                    shift_deg=shift[j.unit],
                    predicted_btdc=after,
                    u_deg=math.hypot(own_u_deg(j), unsure[j.unit]),
                    made_utc=made_utc,
                )
            )
    return out


def confirm(prediction: Prediction, judgement: Assessment, read_utc: str = "") -> Confirmation:
    """The next judgement set beside what was predicted.

    Compared within about 95 % of both readings' own uncertainties; the shared reference drops out.
    A correction made the wrong way round moved the opening by as much to the other side. Raises
    InputError for another unit, setting or cylinder, a judgement without a mean, or a reading
    (``read_utc``, ISO 8601) older than the change. Source: JCGM 100:2008, 5.1.2 and 5.2.
    """
    p, j = prediction, judgement
    if (p.unit, p.setting, p.cylinder) != (j.unit, j.setting, j.cylinder):
        raise InputError(
            f"the prediction is of {p.unit}, {p.setting}, cylinder {p.cylinder or 'all'}; the "
            f"reading is of {j.unit}, {j.setting}, cylinder {j.cylinder or 'all'}"
        )
    if j.mean_btdc is None or j.kind != "turned":
        raise InputError(f"{j.unit}: a prediction is confirmed by turning, and nothing counts yet")
    if p.made_utc and read_utc and _utc(read_utc) < _utc(p.made_utc):
        raise InputError(
            f"the reading of {j.unit} ({read_utc}) is older than the last change ({p.made_utc}): "
            "read it again"
        )
    own_U = SIDES * own_u_deg(j)
    within = math.hypot(SIDES * p.u_deg, own_U)
    off = wrap(j.mean_btdc - p.predicted_btdc)
    moved = wrap(j.mean_btdc - p.before_btdc)
    other_way = wrap(moved + p.shift_deg)
    shift = wrap(p.shift_deg)
    read = (
        f"{j.unit} reads {btdc(j.mean_btdc, own_U)}, predicted"
        f" {btdc(p.predicted_btdc, SIDES * p.u_deg)}"
    )
    result = Confirmation(p, j.mean_btdc, off, within, "confirmed", f"{read}: confirmed")
    if Mark.ONE_TURN_OUT in j.marks:
        words = f"{read}: not confirmed, it is one crank turn out"
        return replace(result, verdict="not confirmed", words=words)
    if abs(p.shift_deg) <= within:
        words = f"{read}: the change was too small for these readings to tell"
        return replace(result, verdict="too small to tell", words=words)
    if abs(off) <= within:
        return result
    if abs(other_way) <= max(within, 0.2 * abs(shift)):
        ways = ("earlier", "later") if moved > 0 else ("later", "earlier")
        words = (
            f"{read}: made the wrong way round, it went {size(moved, within)} degrees {ways[0]} "
            f"instead of {ways[1]}; undo it and go as far again the other way"
        )
        return replace(result, verdict="wrong way round", words=words)
    if abs(moved) <= within:
        words = f"{read}: it has not moved; was the change made, and on this unit?"
        return replace(result, verdict="not moved", words=words)
    words = (
        f"{read}: not confirmed, {size(off, within)} degrees {'early' if off > 0 else 'late'} of "
        f"the prediction (readings allow {two_figures(within)})"
    )
    return replace(result, verdict="not confirmed", words=words)


def _utc(text: str) -> datetime:
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        raise InputError(f"{text!r} is no time of the form 2025-01-31T12:00:00+00:00") from None


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
    carried_out: bool = True  # the newest prediction before was


@dataclass(frozen=True, slots=True)
class Said:
    """What the person said: which option is carried out, and how it was asked for."""

    option: int  # from 1
    grain_deg: float | None = None
    carried_out: bool = True  # the newest prediction before was


def proposed(
    job: Job, worked: JobResults, said: Said, now: datetime, before: datetime | None = None
) -> tuple[Proposal, list[list[Prediction]], list[Assessment]]:
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
    job: Job, worked: JobResults, said: Said, now: datetime, before: datetime | None = None
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


def save(job: Job, worked: JobResults, said: Said, now: datetime) -> Path:
    """Save what an option is to do. Raises InputError as ``sheet``, and when the disk does not take
    it."""
    path = folder.free_path(job.folder / FOLDER, f"{now:%Y%m%d-%H%M%S}")
    folder.write(path, sheet(job, worked, said, now))
    return path


def load(path: Path) -> Sheet:
    """Read a saved prediction. Raises InputError naming what is missing or wrong."""
    plain = folder.read(path, KIND)
    made = moment(plain.get("made_utc"))
    if made is None or plain.get("version") not in (1, VERSION):
        raise InputError(f"{path}: has no time, or another version; it was edited, or is newer")
    try:
        predictions = tuple(_prediction(each) for each in plain["predictions"])
        steps = tuple(dict(each) for each in plain["steps"])
    except (KeyError, TypeError, ValueError) as why:
        raise InputError(f"{path}: is no whole prediction ({why}); it was edited") from None
    carried_out = plain.get("carried_out") is not False
    words = str(plain.get("words", ""))
    return Sheet(path, made, plain["made_utc"], predictions, words, steps, carried_out)


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

    judgements: list[Assessment]
    comparisons: list[Comparison]


def standing(
    job: Job, worked: JobResults, *, carried_out: bool = True, before: datetime | None = None
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
            elif reading.valid:
                stale.add(reading.unit)
    if stale := stale - {reading.unit for reading in kept if reading.valid}:
        name = min(stale)
        raise InputError(
            f"the readings of {' and '.join(sorted(stale))} are older than the last change"
            f" ({changed[name].words}): read again first"
            + ("; or --change-not-made, if it never was" if carried_out else "")
        )
    return Standing(
        assess(kept, job.profile, worked.reference),
        compare_units(kept, job.profile, worked.reference),
    )


def _changes(
    job: Job, worked: JobResults, carried_out: bool, before: datetime | None
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


def read_since(worked: JobResults, since: datetime) -> list[Reading]:
    """The readings made after an instant."""
    found: list[Reading] = []
    for played in worked.played:
        clock = Clock(played.path)
        for reading in played.session.readings():
            when = clock.utc(played.session.t_us(reading))
            if when is not None and when > since:
                found.append(reading)
    return found


def confirmed(job: Job, worked: JobResults, sheet: Sheet) -> list[Confirmation]:
    """Each prediction beside what was read since. Raises InputError when nothing was."""
    if worked.reference is None:
        raise InputError("top dead centre is not known, so no reading can be set beside it")
    since = read_since(worked, sheet.made)
    judged = assess(since, job.profile, worked.reference)
    found = []
    for prediction in sheet.predictions:
        judgement = beside(prediction, judged)
        if judgement is not None:
            found.append(confirm(prediction, judgement))
    if not found:
        units = ", ".join(dict.fromkeys(each.unit for each in sheet.predictions))
        raise InputError(
            f"every reading of {units} is older than the last change ({sheet.path.name},"
            f" {sheet.made_utc}): read again, turning forward"
        )
    return found


def beside(prediction: Prediction, judged: Sequence[Assessment]) -> Assessment | None:
    """The judgement to set beside it, how it stands last."""
    wanted = (prediction.unit, prediction.setting, prediction.cylinder, "turned")
    own = [j for j in judged if (j.unit, j.setting, j.cylinder, j.kind) == wanted and j.n]
    last = max(own, key=lambda j: PHASES.index(j.phase), default=None)
    return None if last is None or last.mean_btdc is None else last


def save_outcome(job: Job, sheet: Sheet, found: Sequence[Confirmation], now: datetime) -> Path:
    """Save how a prediction came out, beside it."""
    path = folder.free_path(job.folder / FOLDER, sheet.path.stem + OUTCOME_MARK)
    folder.write(
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


_NOTE = b"\n# change "
_PIECE = 1 << 20


@dataclass(frozen=True, slots=True)
class Changed:
    """The last change of a unit: when, and what is known of it."""

    at: datetime
    words: str
    capture: Path | None = None  # in which it was noted

    def is_before(self, at: datetime, capture: Path, order: Order) -> bool:
        """Whether it came before an instant of a capture. Between captures their own order counts,
        since the computer's clock may have gone backwards; the clock where they do not know it."""
        known = None
        if self.capture is not None and self.capture != capture:
            known = order.is_later(capture, self.capture)
        return at > self.at if known is None else known


def last_changes(
    job: Job, worked: JobResults, before: datetime | None = None
) -> dict[str, Changed]:
    """Unit -> its last change noted in any capture of the job, or in one that was worked; with
    ``before`` the last one until then.

    A capture that cannot be read is passed over unless it was asked for.
    """
    found: dict[str, Changed] = {}
    order = order_of(job, worked)
    asked = {played.path.resolve() for played in worked.played}
    for played in worked.played:
        _gather(found, played.path, played.session, "", order, before)
    for path in job.capture_files():
        if path.resolve() not in asked and _has_changes(path):
            try:
                only = _only_changes(path, job.profile)
                _gather(found, path, only, f" in {path.name}", order, before)
            except InputError:
                continue  # it says nothing; that it is broken is said when it is asked for
    return found


def order_of(job: Job, worked: JobResults) -> Order:
    """The order of the captures of a job and of those that were worked."""
    return Order({*job.capture_files(), *(played.path for played in worked.played)})


def _gather(
    found: dict[str, Changed],
    path: Path,
    session: Session,
    where: str,
    order: Order,
    before: datetime | None,
) -> None:
    if not session.told.changes:
        return
    clock = Clock(path)
    for (words, unit), t_us in zip(session.told.changes, session.told.changed_us, strict=True):
        at = clock.utc(t_us)
        if at is None or (before is not None and at > before):
            continue
        for name in [unit] if unit else [each.name for each in session.profile.units]:
            if name not in found or found[name].is_before(at, path, order):
                found[name] = Changed(at, f"{words}, noted {iso(at)}{where}", path)


def _only_changes(path: Path, profile: Profile) -> Session:
    """A session that was told nothing but the changes."""
    session = Session(profile)
    for batch in CaptureReader(path).batches():
        notes = [n for n in batch.others if isinstance(n, Note) and n.name == "change"]
        if notes:
            session.take(Batch(others=[*notes]))
    return session


def _has_changes(path: Path) -> bool:
    """Whether the bytes of such a note stand in a file, found without reading the records."""
    return any(_NOTE in piece for piece in _overlapping(path))


def _overlapping(path: Path) -> Iterator[bytes]:
    """The file in pieces, each beginning with the end of the one before."""
    end = b""
    try:
        with open_file(path) as file:
            while piece := file.read(_PIECE):
                yield end + piece
                end = piece[-len(_NOTE) :]
    except OSError:
        return  # as for one that is broken


def _recordings(plain: Mapping[str, Any]) -> list[tuple[str, str]]:
    return [(str(each["file"]), str(each["sha256"])) for each in plain["captures"]]


def _stem(plain: Mapping[str, Any], made: datetime) -> str:
    return f"{made:%Y%m%d-%H%M%S}"


def _recompute(job_folder: Path, plain: Mapping[str, Any]) -> dict[str, Any]:
    """The sheet of a prediction, computed again from its recordings."""
    job = Job(job_folder)
    if job.engine.sha256 != plain["engine_sha256"]:
        raise InputError(f"{job.engine_file.name} has changed since, or the sheet was edited")
    made = moment(plain["made_utc"])
    if made is None:
        raise InputError("it has no time; it was edited")
    paths = [job.captures / name for name, _ in _recordings(plain)]
    worked = results_of(job.profile, paths, from_plain(plain["reference"]), job.captures)
    said = Said(int(plain["option"]), plain["grain_deg"], carried_out=bool(plain["carried_out"]))
    return sheet(job, worked, said, made, made)


SHEET = SheetKind(KIND, FOLDER, _recordings, _stem, _recompute)

"""Predicted, saved, confirmed: what the next reading ought to be, and whether it is.

Predictions of a job: one sheet in ``predictions/`` for each change that was chosen. Which sheet and
which reading came later, they and the captures know of one another; the clock may go backwards.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from rig import __version__
from rig.adjust.changes import Changed, Noted, Predicted, last_changes, order_of, readings_of
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
from rig.base.files import digest, listed
from rig.base.rounding import btdc, size, two_figures
from rig.base.rounding import listed as in_words
from rig.engine.engine_file import engine_from_bytes
from rig.engine.profile import Adjustments
from rig.job import folder
from rig.job.capture_order import MadeWhen, Order, SeenCapture, heads_of, place_after
from rig.job.clock import iso, moment
from rig.job.folder import Job, SheetKind
from rig.job.results import JobResults, order_beside, results_of
from rig.signal.events import Reason
from rig.tdc.reference import TdcReference
from rig.tdc.reference_file import from_plain, to_plain
from rig.timing.advance_range import lever_ends
from rig.timing.assess import assess
from rig.timing.compare import compare_units
from rig.timing.values import PHASES, Assessment, Comparison, Mark, Reading

SIDES = 2.0  # coverage factor for about 95 %


def predict(
    option: Option, assessments: Sequence[Assessment], made_utc: str = ""
) -> list[Prediction]:
    """What the next readings ought to be, one for each turned assessment of a unit that moves.

    ``made_utc`` (ISO 8601) is when the change was stated. Source: the shifts of the steps.
    """
    shift: dict[str, float] = {}
    unsure: dict[str, float] = {}  # standard uncertainty of the shift
    for step in option.steps:
        for unit, deg in step.shift_deg.items():
            shift[unit] = shift.get(unit, 0.0) + deg
            unsure[unit] = math.hypot(unsure.get(unit, 0.0), step.u_shift_deg)
    out = []
    for j in assessments:
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


def confirm(
    prediction: Prediction, assessment: Assessment, read_utc: str = "", u_tdc_deg: float = 0.0
) -> Confirmation:
    """The next assessment set beside what was predicted.

    Compared within about 95 % of both readings' own uncertainties. A shared TDC drops out; of two,
    ``u_tdc_deg`` is the standard uncertainty of their difference. A correction made the wrong way
    round moved the opening by as much to the other side. Raises InputError for another unit,
    setting or cylinder, an assessment without a mean, or a reading (``read_utc``, ISO 8601) older
    than the change. Source: JCGM 100:2008, 5.1.2 and 5.2.
    """
    p, j = prediction, assessment
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
    within = math.hypot(SIDES * p.u_deg, own_U, SIDES * u_tdc_deg)
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
VERSION = 3
EARLIER = (1, 2)  # versions that can be read, too
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
    carried_out: bool  # the newest prediction before was
    number: int  # in the order of the job's sheets; 0: one from before there were numbers
    when: MadeWhen
    reference: TdcReference  # that it rests on


@dataclass(frozen=True, slots=True)
class Said:
    """What the person entered: which option is carried out, and how it was asked for.

    ``asked`` is what can be moved, as tables of an engine file, where the engine file names none.
    """

    option: int  # from 1
    grain_deg: float | None = None
    carried_out: bool = True  # the newest prediction before was
    asked: str = ""


def proposed(
    job: Job, worked: JobResults, said: Said, now: datetime, place: Place | None = None
) -> tuple[Proposal, list[list[Prediction]], list[Assessment]]:
    """The options, what each that is numbered predicts, and the assessment that they rest on.

    ``place`` is that of a sheet that is computed again; a new one where it is not given. Raises
    InputError as ``standing``, and for ``said.asked`` that does not go with the engine file.
    """
    place = place or place_of(job, worked, now)
    now_is = standing(job, worked, place, carried_out=said.carried_out)
    read = now_is.assessments
    levers, without = lever_ends(read, job.profile)
    proposal = propose(
        wants_from(read, job.profile), job.profile, means_of(job, said.asked),
        pairs=pairs_from(read, job.profile, now_is.comparisons),
        levers=levers, grain_deg=said.grain_deg,
    )  # fmt: skip
    proposal = replace(proposal, notes=(*proposal.notes, *without))
    predicted = [predict(option, read, iso(now)) for option in proposal.numbered]
    return proposal, predicted, read


def means_of(job: Job, asked: str = "") -> Adjustments:
    """What can be moved: by the engine file, or as ``asked`` where that names nothing."""
    if not asked:
        return job.means
    return engine_from_bytes(job.engine.data + b"\n" + asked.encode("utf-8"))[1]


@dataclass(frozen=True, slots=True)
class Place:
    """Where a sheet stands among the job's others and its captures."""

    when: MadeWhen
    last: Sheet | None  # the one before it
    captures: Mapping[str, object]  # ``number`` and ``after`` as the head of a capture has them

    @property
    def number(self) -> int:
        """Its number."""
        return 1 + (self.last.number if self.last else 0)


def place_of(
    job: Job, worked: JobResults, now: datetime, numbers: tuple[int, int] | None = None
) -> Place:
    """The place of a new sheet. With ``numbers``, its own and that of its captures, the place of
    one that is computed again, as it follows from what was there by then."""
    own, of_captures = numbers or (None, None)
    paths = dict.fromkeys([*job.capture_files(), *(one.path for one in worked.played)])
    order = order_of(job, worked)
    captures = place_after(
        path for path in paths if of_captures is None or order.number(path) < of_captures
    )
    seen = tuple(
        SeenCapture(
            one.path.name, order.head(one.path), one.facts.sha256, one.facts.size_bytes,
            one.until_us,
        )
        for one in worked.played
    )  # fmt: skip
    return Place(MadeWhen(now, seen, heads_of(captures)), newest(job, own), captures)


def sheet(job: Job, worked: JobResults, said: Said, now: datetime, place: Place) -> dict[str, Any]:
    """A prediction as plain data, with all that it takes to come to it again.

    Raises InputError when there is no such option, or it moves no unit that was read.
    """
    proposal, predicted, _ = proposed(job, worked, said, now, place)
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
        "number": place.number,
        "after": None
        if place.last is None
        else {"file": place.last.path.name, "sha256": digest(place.last.path)},
        "place": place.captures,
        "engine_sha256": job.engine.sha256,
        "captures": [asdict(each) for each in place.when.seen],
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
    folder.write(path, sheet(job, worked, said, now, place_of(job, worked, now)))
    return path


def load(path: Path) -> Sheet:
    """Read a saved prediction. Raises InputError naming what is missing or wrong."""
    plain = folder.read(path, KIND)
    made = moment(plain.get("made_utc"))
    version = plain.get("version")
    if made is None or version not in (*EARLIER, VERSION):
        raise InputError(f"{path}: has no time, or another version; it was edited, or is newer")
    try:
        predictions = tuple(_prediction(each) for each in plain["predictions"])
        steps = tuple(dict(each) for each in plain["steps"])
        when = MadeWhen(made)
        if version == VERSION:
            seen = tuple(_seen(each) for each in plain["captures"])
            when = MadeWhen(made, seen, heads_of(plain["place"]))
        return Sheet(
            path, made, plain["made_utc"], predictions, str(plain.get("words", "")), steps,
            carried_out=plain.get("carried_out") is not False,
            number=int(plain["number"]) if version == VERSION else 0,
            when=when,
            reference=from_plain(plain["reference"]),
        )  # fmt: skip
    except (KeyError, TypeError, ValueError) as why:
        raise InputError(f"{path}: is no whole prediction ({why}); it was edited") from None


def _seen(plain: Mapping[str, Any]) -> SeenCapture:
    return SeenCapture(
        str(plain["file"]), str(plain["head"]), str(plain["sha256"]), int(plain["size_bytes"]),
        float(plain["until_us"]),
    )  # fmt: skip


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


def newest(job: Job, before: int | None = None) -> Sheet | None:
    """The newest prediction of a job, or of those with a number below ``before``; None without one.

    By their numbers; those from before there were numbers by the clock.
    """
    earlier = [
        each for each in _sheets(job.folder / FOLDER) if before is None or each.number < before
    ]
    return max(earlier, key=lambda sheet: (sheet.number, sheet.made), default=None)


def _sheets(kept: Path) -> list[Sheet]:
    found = listed(kept, ".json").files
    return [load(path) for path in found if not path.stem.partition(".")[2]]


@dataclass(frozen=True, slots=True)
class Standing:
    """How things stand now."""

    assessments: list[Assessment]
    comparisons: list[Comparison]


def standing(job: Job, worked: JobResults, place: Place, *, carried_out: bool = True) -> Standing:
    """How things stand at ``place``: of each unit, only what was read since its last change.

    Changes are those noted in the captures of the job and, where it was ``carried_out``, the last
    prediction. Raises InputError when a unit was not read since.
    """
    order = order_of(job, worked)
    changed = _changes(job, worked, order, carried_out, place)
    if not changed or worked.reference is None:
        return Standing(worked.assessments, worked.comparisons)
    kept: list[Reading] = []
    stale: set[str] = set()
    for at, reading in readings_of(worked):
        change = changed.get(reading.unit)
        if change is None or change.is_before(at, order):
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
    job: Job, worked: JobResults, order: Order, carried_out: bool, place: Place
) -> dict[str, Changed]:
    """Unit -> its last change."""
    found: dict[str, Changed] = dict(last_changes(job, worked, place.when))
    sheet = place.last if carried_out else None
    if sheet is not None:
        words = f"{sheet.path.name}, {sheet.made_utc}"
        for name in dict.fromkeys(each.unit for each in sheet.predictions):
            noted = found.get(name)
            if not isinstance(noted, Noted) or not sheet.when.is_before(*noted.at, order):
                found[name] = Predicted(sheet.when, words)
    return found


def read_since(worked: JobResults, since: MadeWhen, until: MadeWhen | None = None) -> list[Reading]:
    """The readings made after an instant, and before another: as they were then, also where the
    unit was moved once more since."""
    order = order_beside([one.path for one in worked.played])
    found: list[Reading] = []
    for at, reading in readings_of(worked):
        if not since.is_before(*at, order):
            continue
        if until is not None and until.is_before(*at, order):
            continue
        why = reading.rejection
        again = why is not None and why.reason is Reason.MOVED_AGAIN
        found.append(replace(reading, rejection=None) if again else reading)
    return found


def confirmed(job: Job, worked: JobResults, sheet: Sheet) -> list[Confirmation]:
    """Each prediction beside what was read since, up to the next sheet. Raises InputError when
    nothing was, or nothing that counts because TDC has moved."""
    if worked.reference is None:
        raise InputError("TDC is not known, so no reading can be set beside the prediction")
    since = read_since(worked, sheet.when, moved_again(sheet))
    judged = assess(since, job.profile, worked.reference)
    found = []
    for prediction in sheet.predictions:
        assessment = beside(prediction, judged)
        if assessment is not None:
            u_tdc = tdc_difference_u(sheet.reference, worked.reference)
            found.append(confirm(prediction, assessment, u_tdc_deg=u_tdc))
    if not found:
        units = in_words(dict.fromkeys(each.unit for each in sheet.predictions))
        lost = [r.rejection for r in since if r.rejection is not None]
        if any(each.reason is Reason.TDC_MOVED for each in lost):
            raise InputError(
                f"what was read of {units} since {sheet.path.name} does not count, since TDC has"
                " moved: find TDC again, then turn forward through the openings once more"
            )
        raise InputError(
            f"every reading of {units} is older than the last change ({sheet.path.name},"
            f" {sheet.made_utc}): read again, turning forward"
        )
    return found


def tdc_difference_u(before: TdcReference, now: TdcReference) -> float:
    """Standard uncertainty of what two TDCs differ by, degrees; 0 where they are one.

    Source: JCGM 100:2008, 5.1.2: independent of one another.
    """
    if (before.tdc_deg, before.capture) == (now.tdc_deg, now.capture):
        return 0.0
    return math.hypot(before.uncertainty.u_deg, now.uncertainty.u_deg)


def moved_again(sheet: Sheet) -> MadeWhen | None:
    """When the next sheet that moves what this one does was made; None where there is none."""
    moved = {each.unit for each in sheet.predictions}
    later = [
        each
        for each in _sheets(sheet.path.parent)
        if each.number > sheet.number > 0
        and each.carried_out
        and not moved.isdisjoint(one.unit for one in each.predictions)
    ]
    after = min(later, key=lambda each: each.number, default=None)
    return after.when if after else None


def beside(prediction: Prediction, judged: Sequence[Assessment]) -> Assessment | None:
    """The assessment to set beside it, how it stands last."""
    wanted = (prediction.unit, prediction.setting, prediction.cylinder, "turned")
    own = [j for j in judged if (j.unit, j.setting, j.cylinder, j.kind) == wanted and j.n]
    last = max(own, key=lambda j: PHASES.index(j.phase), default=None)
    return None if last is None or last.mean_btdc is None else last


def _recordings(plain: Mapping[str, Any]) -> list[tuple[str, str, int | None]]:
    return [
        (str(each["file"]), str(each["sha256"]), each.get("size_bytes"))
        for each in plain["captures"]
    ]


def _stem(plain: Mapping[str, Any], made: datetime) -> str:
    return f"{made:%Y%m%d-%H%M%S}"


def _recompute(job: Job, plain: Mapping[str, Any]) -> dict[str, Any]:
    """The sheet of a prediction, computed again from its recordings, as far as it had seen them."""
    if job.engine.sha256 != plain["engine_sha256"]:
        raise InputError(f"{job.engine_file.name} has changed since, or the sheet was edited")
    made = moment(plain["made_utc"])
    if made is None:
        raise InputError("it has no time; it was edited")
    sizes = {job.captures / name: size for name, _, size in _recordings(plain)}
    worked = results_of(
        job.profile, list(sizes), from_plain(plain["reference"]), job.captures,
        sizes={path: int(size) for path, size in sizes.items() if size is not None},
        version=str(plain["program"]),
    )  # fmt: skip
    said = Said(
        int(plain["option"]), plain["grain_deg"], bool(plain["carried_out"]),
        str(plain.get("asked", "")),
    )  # fmt: skip
    if plain["version"] not in EARLIER:
        numbers = int(plain["number"]), int(plain["place"]["number"])
        return sheet(job, worked, said, made, place_of(job, worked, made, numbers))
    return _as_earlier(job, worked, said, made, plain)


def _as_earlier(
    job: Job, worked: JobResults, said: Said, made: datetime, plain: Mapping[str, Any]
) -> dict[str, Any]:
    """A sheet as versions before numbers wrote it, in the order of the clock."""
    older = [each for each in _sheets(job.folder / FOLDER) if not each.number and each.made < made]
    last = max(older, key=lambda each: each.made, default=None)
    fresh = sheet(job, worked, said, made, Place(MadeWhen(made), last, {}))
    for name in ("number", "after", "place", "asked"):
        del fresh[name]
    fresh["captures"] = [
        {"file": each.path.name, "sha256": each.facts.sha256} for each in worked.played
    ]
    return fresh | {"version": plain["version"]}


SHEET = SheetKind(KIND, FOLDER, _recordings, _stem, _recompute)

"""What the next readings should be: predicted from a choice among the options, and saved.

A job has one sheet in ``predictions/`` for each change that was chosen. Which sheet and which
reading came later, they and the captures know of one another; the clock may go backwards.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from rig import __version__
from rig.adjust import used_up
from rig.adjust.changes import Changed, Course, Instant, readings_of
from rig.adjust.plan import (
    AdjustmentKind,
    Option,
    Proposal,
    out_deg,
    own_u,
    pairs_from,
    plain_prediction,
    u_by_hand_deg,
    wants_from,
)
from rig.adjust.propose import propose
from rig.base import codec
from rig.base.angles import wrap
from rig.base.earlier_rules import EarlierRule, Rules
from rig.base.errors import InputError
from rig.base.files import digest, listed
from rig.base.uncertainty import root_sum
from rig.engine.engine_file import engine_from_bytes
from rig.job import folder
from rig.job.capture_order import MadeWhen, Order, SeenCapture, heads_of, place_after
from rig.job.clock import iso, moment
from rig.job.folder import Job, SheetKind
from rig.job.results import (
    JobReferences,
    JobResults,
    MadeAdjustment,
    PredictedOpening,
    results_of,
)
from rig.tdc.reference_file import from_plain, to_plain
from rig.timing.advance_range import lever_ends
from rig.timing.assess import assess
from rig.timing.compare import compare_units
from rig.timing.values import Assessment, Comparison, Reading

FOLDER = "predictions"
KIND = "prediction"
VERSION = 5
"""Version 3 names the kinds of its steps otherwise, has a time with each opening, and takes slots
and gaps as the engine file has them, whatever was carried out since. Up to version 4 a unit moved
by hand was not seen to use up its slot, and a step was taken as carried out exactly."""
BY_CLOCK = (1, 2)  # versions that do not know their place among sheets and captures


@dataclass(frozen=True, slots=True)
class Choice:
    """What the person entered: which option is carried out, and how it was asked for.

    ``asked`` is what can be moved, as tables of an engine file, where the engine file names none.
    """

    option: int  # from 1
    grain_deg: float | None = None
    carried_out: bool = True  # the newest prediction before was
    asked: str = ""


@dataclass(frozen=True, slots=True)
class Sheet:
    """A prediction as it was saved."""

    path: Path
    made: MadeAdjustment  # what it says
    steps: tuple[Mapping[str, Any], ...]
    carried_out: bool  # the newest prediction before was
    number: int  # in the order of the job's sheets; 0: one from before there were numbers
    asked: str = ""  # as ``Choice`` has it

    @property
    def when(self) -> MadeWhen:
        return self.made.when

    @property
    def units(self) -> set[str]:
        """The units that it moves."""
        return {each.unit for each in self.made.predictions}


@dataclass(frozen=True, slots=True)
class SheetPlace:
    """Where a sheet is among the job's others and its captures."""

    when: MadeWhen
    earlier: Sequence[Sheet]
    captures: Mapping[str, object]  # ``number`` and ``after`` as the head of a capture has them
    as_entered: bool = False  # slots and gaps are as the engine file has them
    exact: bool = False  # no move by hand is considered, and steps are taken as exact

    @property
    def last(self) -> Sheet | None:
        """The sheet before it."""
        return self.earlier[-1] if self.earlier else None

    def done(self, last_carried_out: bool) -> list[Sheet]:
        """The sheets before it that were carried out, in order. The next says whether one was."""
        said = [*(each.carried_out for each in self.earlier[1:]), last_carried_out]
        return [each for each, was in zip(self.earlier, said, strict=False) if was]


def predict(
    option: Option, assessments: Sequence[Assessment], *, exact: bool = False, rules: Rules = ()
) -> list[PredictedOpening]:
    """What the next readings should be, one for each turned assessment of a unit that moves.

    Their uncertainty has how finely a hand can carry the steps out, unless they are ``exact``. A
    lever is set for the setting that is corrected; what is read at its other places stays.
    ``rules`` are those of an earlier version. Source: the shifts of the steps.
    """
    corrected = {(each.want.unit, each.want.setting) for each in option.outcomes}
    out = []
    for j in assessments:
        at_once = EarlierRule.LEVER_MOVES_ALL in rules or (j.unit, j.setting) in corrected
        shift_deg, unsure_deg = 0.0, 0.0  # standard uncertainty of the shift
        for step in option.steps:
            if j.unit in step.shift_deg and (at_once or step.kind is not AdjustmentKind.LEVER):
                shift_deg += step.shift_deg[j.unit]
                by_hand = 0.0 if exact else u_by_hand_deg(step.kind, step.figures)
                unsure_deg = math.hypot(unsure_deg, step.u_shift_deg, by_hand)
        if j.kind == "turned" and j.mean_btdc is not None and shift_deg:
            after = wrap(j.mean_btdc + out_deg(j) + shift_deg)
            u_deg, nu = root_sum(own_u(j), (unsure_deg, math.inf))
            of = (j.unit, j.setting, j.cylinder)
            out.append(PredictedOpening(*of, j.mean_btdc, shift_deg, after, u_deg, nu=nu))
    return out


def proposed(
    job: Job, worked: JobResults, choice: Choice, now: datetime, place: SheetPlace | None = None
) -> tuple[Proposal, list[list[PredictedOpening]], list[Assessment]]:
    """The options, what each that is numbered predicts, and the assessments that they rest on.

    ``place`` is that of a sheet that is computed again; a new one where it is not given. Raises
    InputError when a unit was not read since its last change, or ``choice.asked`` does not go with
    the engine file.
    """
    place = place or place_of(job, worked, now)
    course = Course(job, worked, place.when)
    read, compared = _standing(course, place.last if choice.carried_out else None)
    entered = job.adjustments
    if choice.asked:
        text = job.engine.data + b"\n" + choice.asked.encode("utf-8")
        entered = engine_from_bytes(text)[1]
    present = entered
    if not place.as_entered:
        done = place.done(choice.carried_out)
        present = used_up.after_steps(entered, [step for each in done for step in each.steps])
    changed = list(used_up.notes(entered, present))
    by_rule = choice.asked and EarlierRule.ASKED_AS_IT_STANDS in worked.rules
    if not (place.exact or by_rule):
        asked = {unit: s.when for s in reversed(place.earlier) for unit in units_in(s.asked)}
        since = asked if choice.asked else None
        present, by_hand = used_up.after_moves(course, present, done, since)
        changed += by_hand
    levers, without = lever_ends(read, job.profile)
    proposal = propose(
        wants_from(read, job.profile), job.profile, present,
        pairs=pairs_from(read, job.profile, compared),
        levers=levers, grain_deg=choice.grain_deg, rules=worked.rules,
    )  # fmt: skip
    proposal = replace(proposal, notes=(*changed, *proposal.notes, *without))
    predicted = [
        predict(option, read, exact=place.exact, rules=worked.rules) for option in proposal.numbered
    ]
    return proposal, predicted, read


def units_in(tables: str) -> set[str]:
    """What the tables of an engine file name: units, and perhaps other parts."""
    kinds = tomllib.loads(tables).get("adjustment", {})
    return {str(value) for own in kinds.values() for table in own for value in table.values()}


def _standing(course: Course, last: Sheet | None) -> tuple[list[Assessment], list[Comparison]]:
    """The present state: of each unit, only what was read since its last change.

    Changes are those noted in captures and the ``last`` prediction, where it was carried out.
    Raises InputError when a unit was not read since.
    """
    worked, changed = course.worked, course.last_changes()
    if last is not None:
        for name in last.units:
            noted = changed[name].when if name in changed else None
            if isinstance(noted, Instant) and course.is_before(last.when, noted):
                continue
            changed[name] = Changed(last.when, f"{last.path.name}, {last.made.made_utc}")
    if not changed or worked.reference is None:
        return worked.assessments, worked.comparisons
    kept: list[Reading] = []
    stale: set[str] = set()
    for at, reading in readings_of(worked):
        change = changed.get(reading.unit)
        if change is None or course.is_before(change.when, at):
            kept.append(reading)
        elif reading.valid:
            stale.add(reading.unit)
    if stale := stale - {reading.unit for reading in kept if reading.valid}:
        name = min(stale)
        raise InputError(
            f"the readings of {' and '.join(sorted(stale))} are older than the last change"
            f" ({changed[name].words}): read again first"
            + ("; or --change-not-made, if it never was" if last else "")
        )
    of = (kept, course.job.profile, worked.reference, worked.rules)
    return assess(*of), compare_units(*of)


def place_of(
    job: Job, worked: JobResults, now: datetime, numbers: tuple[int, int] | None = None
) -> SheetPlace:
    """The place of a new sheet. With ``numbers``, its own and that of its captures, the place of
    one that is computed again, as it follows from what was there by then."""
    own, of_captures = numbers or (None, None)
    paths = dict.fromkeys([*job.capture_files(), *(one.path for one in worked.played)])
    order = Order(paths)
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
    return SheetPlace(MadeWhen(now, seen, heads_of(captures)), earlier(job, own), captures)


# -- sheets --


def save(job: Job, worked: JobResults, choice: Choice, now: datetime) -> Path:
    """Save what an option is to do. Raises InputError when there is no such option, it moves no
    unit that was read, or the disk does not take the sheet."""
    path = folder.free_path(job.folder / FOLDER, f"{now:%Y%m%d-%H%M%S}")
    folder.write(path, _plain(job, worked, choice, now, place_of(job, worked, now)))
    return path


def _plain(
    job: Job,
    worked: JobResults,
    choice: Choice,
    now: datetime,
    place: SheetPlace,
    stated: Sequence[Mapping[str, Any]] = (),
) -> dict[str, Any]:
    """A prediction as plain data, with all that is needed to compute it again. ``stated`` are the
    steps of a sheet whose version may have ranked the options otherwise."""
    proposal, predicted, _ = proposed(job, worked, choice, now, place)
    options = proposal.numbered
    if not 1 <= choice.option <= len(options):
        raise InputError(f"--take {choice.option}: there are options 1 to {len(options)}")
    shifts = [dict(each["shift_deg"]) for each in stated]
    same = (n for n, each in enumerate(options) if [s.shift_deg for s in each.steps] == shifts)
    n = next(same, choice.option - 1) if stated else choice.option - 1
    option, wanted = options[n], predicted[n]
    if not wanted or worked.reference is None:
        raise InputError(f"--take {choice.option}: it moves no unit that was read")
    last = place.last
    return {
        "kind": KIND,
        "version": VERSION,
        "program": __version__,
        "made_utc": iso(now),
        "number": 1 + (last.number if last else 0),
        "after": {"file": last.path.name, "sha256": last.made.sheet_sha256} if last else None,
        "place": place.captures,
        "engine_sha256": job.engine.sha256,
        "captures": [asdict(each) for each in place.when.seen],
        "reference": to_plain(worked.reference),
        **asdict(choice),
        "words": option.words,
        "steps": [asdict(step) for step in option.steps],
        "warnings": list(option.warnings),
        "predictions": [plain_prediction(each) for each in wanted],
    }


def load(path: Path) -> Sheet:
    """Read a saved prediction. Raises InputError naming what is missing or wrong."""
    plain = folder.read(path, KIND)
    made, version = moment(plain.get("made_utc")), plain.get("version")
    if made is None or version not in (*BY_CLOCK, 3, 4, VERSION):
        raise InputError(f"{path}: has no time, or another version; it was edited, or is newer")
    try:
        seen: list[SeenCapture] = []
        after: tuple[str, ...] = ()
        if version not in BY_CLOCK:
            seen = [codec.from_plain(SeenCapture, p, "captures") for p in plain["captures"]]
            after = heads_of(plain["place"])
        timeless = [  # in earlier versions each has a time of its own
            {name: value for name, value in each.items() if name != "made_utc"}
            for each in plain["predictions"]
        ]
        steps = tuple({"kind": each.get("means"), **each} for each in plain["steps"])
        reference = from_plain(plain["reference"])
        adjustment = MadeAdjustment(
            plain["made_utc"], str(plain.get("words", "")),
            tuple(str(step.get("words", "")) for step in steps), path.name, digest(path),
            tuple(codec.from_plain(PredictedOpening, p, "predictions") for p in timeless),
            reference.tdc_deg, reference.uncertainty.u_deg, reference.capture, tuple(seen), after,
            reference.uncertainty.nu_eff,
        )  # fmt: skip
        number = 0 if version in BY_CLOCK else int(plain["number"])
        carried_out = plain.get("carried_out") is not False
        return Sheet(path, adjustment, steps, carried_out, number, str(plain.get("asked", "")))
    except (AttributeError, KeyError, TypeError, ValueError, InputError) as why:
        raise InputError(f"{path}: is no whole prediction ({why}); it was edited") from None


def sheets_of(kept: Path, *, passing_over: bool = False) -> list[Sheet]:
    """The predictions in a folder in their order: by their numbers, those from before there were
    numbers by the clock. Raises InputError for one that cannot be read, unless ``passing_over``."""
    found = []
    for path in listed(kept, ".json").files:
        if not path.stem.partition(".")[2]:  # else an outcome
            try:
                found.append(load(path))
            except InputError:
                if not passing_over:
                    raise
    return sorted(found, key=lambda sheet: (sheet.number, sheet.when.utc))


def newest(job: Job, before: int | None = None) -> Sheet | None:
    """The newest prediction of a job, or of those numbered below ``before``; None without one."""
    return next(reversed(earlier(job, before)), None)


def earlier(job: Job, before: int | None) -> list[Sheet]:
    """The predictions of a job, in their order, or those of them numbered below ``before``."""
    sheets = sheets_of(job.folder / FOLDER)
    return [each for each in sheets if before is None or each.number < before]


def recordings(plain: Mapping[str, Any]) -> list[tuple[str, str, int | None]]:
    """Name, digest and, where it is known, size of each recording that a sheet rests on."""
    return [
        (str(each["file"]), str(each["sha256"]), each.get("size_bytes"))
        for each in plain["captures"]
    ]


def worked_again(job: Job, plain: Mapping[str, Any]) -> JobResults:
    """The results that a sheet rests on, by its recordings as far as it had seen them."""
    sizes = {job.captures / name: size for name, _, size in recordings(plain)}
    return results_of(
        job.profile,
        list(sizes),
        JobReferences(from_plain(plain["reference"]), captures=job.captures),
        {path: int(size) for path, size in sizes.items() if size is not None},
        version=str(plain["program"]),
    )


def _recompute(job: Job, plain: Mapping[str, Any]) -> dict[str, Any]:
    """The sheet of a prediction, computed again from its recordings."""
    if job.engine.sha256 != plain["engine_sha256"]:
        raise InputError(f"{job.engine_file.name} has changed since, or the sheet was edited")
    made = moment(plain["made_utc"])
    if made is None:
        raise InputError("it has no time; it was edited")
    worked = worked_again(job, plain)
    choice = Choice(
        int(plain["option"]), plain["grain_deg"], bool(plain["carried_out"]),
        str(plain.get("asked", "")),
    )  # fmt: skip
    if plain["version"] not in BY_CLOCK:
        numbers = int(plain["number"]), int(plain["place"]["number"])
        place = place_of(job, worked, made, numbers)
        place = replace(place, as_entered=plain["version"] < 4, exact=plain["version"] < 5)
    else:
        sheets = sheets_of(job.folder / FOLDER)
        older = [each for each in sheets if not each.number and each.when.utc < made]
        place = SheetPlace(MadeWhen(made), older, {}, as_entered=True, exact=True)
    stated = () if plain["version"] >= 4 else plain["steps"]
    fresh = _plain(job, worked, choice, made, place, stated) | {"version": plain["version"]}
    if plain["version"] < 4:
        for step in fresh["steps"]:
            step |= {"means": step.pop("kind"), "disturbs": 1, "enough": True}
            step["figures"] = {k: v for k, v in step["figures"].items() if k != "from_mm"}
        for each in fresh["predictions"]:
            each["made_utc"] = fresh["made_utc"]
    if plain["version"] in BY_CLOCK:
        for name in ("number", "after", "place", "asked"):
            del fresh[name]
        fresh["captures"] = [
            {"file": each.path.name, "sha256": each.facts.sha256} for each in worked.played
        ]
    return fresh


SHEET = SheetKind(KIND, FOLDER, recordings, lambda _, made: f"{made:%Y%m%d-%H%M%S}", _recompute)

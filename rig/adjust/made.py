"""Adjustments that were made on a job: what was predicted of each, and what was read since.

They go on the certificate. What was predicted stands in the job's ``predictions``; what was read is
worked out from the captures, for the certificate and for its proof alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from rig.adjust.plan import Prediction
from rig.adjust.predictions import FOLDER, Sheet, beside, confirm, load, read_since
from rig.base.errors import InputError
from rig.base.files import digest, listed
from rig.engine.profile import Profile
from rig.job.clock import moment
from rig.job.folder import Job
from rig.job.results import JobResults, MadeAdjustment, PredictedOpening
from rig.timing.assess import assess
from rig.timing.values import Assessment


def made(job: Job, worked: JobResults, since: datetime | None) -> list[MadeAdjustment]:
    """The adjustments that were chosen after ``since`` and before the captures end, in order.

    One that a later sheet says was never carried out is left out, and a sheet that cannot be read.
    """
    ends = [moment(each.facts.end_utc) for each in worked.played]
    until = max((each for each in ends if each is not None), default=None)
    found: list[tuple[datetime, MadeAdjustment]] = []
    for path in listed(job.folder / FOLDER, ".json").files:
        if path.stem.partition(".")[2]:
            continue
        try:
            sheet = load(path)
        except InputError:
            continue  # said where the sheet is asked for
        if until is None or sheet.made > until or (since is not None and sheet.made <= since):
            continue
        found = found if sheet.carried_out else found[:-1]
        found.append((sheet.made, read_again(_of(sheet), worked, job.profile)))
    return [each for _, each in sorted(found, key=lambda each: each[0])]


def of_sheet(path: Path) -> MadeAdjustment:
    """What a saved prediction says. Raises InputError when it is none."""
    return _of(load(path))


def _of(sheet: Sheet) -> MadeAdjustment:
    return MadeAdjustment(
        made_utc=sheet.made_utc,
        words=sheet.words,
        steps=tuple(str(step.get("words", "")) for step in sheet.steps),
        sheet=sheet.path.name,
        sheet_sha256=digest(sheet.path),
        predictions=tuple(
            PredictedOpening(
                each.unit,
                each.setting,
                each.cylinder,
                each.before_btdc,
                each.shift_deg,
                each.predicted_btdc,
                each.u_deg,
            )
            for each in sheet.predictions
        ),
    )


def read_again(of: MadeAdjustment, worked: JobResults, profile: Profile) -> MadeAdjustment:
    """The adjustment with what was read since it was chosen, by the captures that were worked."""
    when = moment(of.made_utc)
    if when is None or worked.reference is None:
        return of
    judged = assess(read_since(worked, when), profile, worked.reference)
    return replace(of, predictions=tuple(_beside_read(each, judged) for each in of.predictions))


def _beside_read(of: PredictedOpening, judged: Sequence[Assessment]) -> PredictedOpening:
    prediction = Prediction(
        of.unit, of.setting, of.cylinder, of.before_btdc, of.shift_deg, of.predicted_btdc, of.u_deg
    )
    judgement = beside(prediction, judged)
    if judgement is None:
        return replace(of, read_btdc=None, off_deg=None, within_deg=None, verdict="")
    found = confirm(prediction, judgement)
    return replace(
        of,
        read_btdc=found.read_btdc,
        off_deg=found.off_deg,
        within_deg=found.within_deg,
        verdict=found.verdict,
    )

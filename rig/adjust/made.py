"""Adjustments that were made on a job: what was predicted of each, and what was read since.

They go on the certificate. What was predicted stands in the job's ``predictions``; what was read is
worked out from the captures, for the certificate and for its proof alike.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from rig.adjust.plan import Prediction
from rig.adjust.predictions import FOLDER, Sheet, beside, confirm, load, read_since
from rig.base.errors import InputError
from rig.base.files import digest, listed
from rig.engine.profile import Profile
from rig.job.capture_order import MadeWhen, Order
from rig.job.clock import moment
from rig.job.folder import Job
from rig.job.results import (
    CaptureFacts,
    JobResults,
    MadeAdjustment,
    PredictedOpening,
    order_beside,
)
from rig.timing.assess import assess
from rig.timing.values import Assessment


def made(job: Job, worked: JobResults, before: Sequence[CaptureFacts] = ()) -> list[MadeAdjustment]:
    """The adjustments that were chosen before these captures end, and not before one of those that
    an earlier certificate covers (``before``) ended; in order.

    One that a later sheet says was never carried out is left out, and a sheet that cannot be read.
    """
    order = order_beside([one.path for one in worked.played], job.captures)
    ends = [(one.path, one.until_us, moment(one.facts.end_utc)) for one in worked.played]
    sheets = []
    for path in listed(job.folder / FOLDER, ".json").files:
        if path.stem.partition(".")[2]:
            continue
        try:
            sheet = load(path)
        except InputError:
            continue  # said where the sheet is asked for
        covered = any(_ended_after(sheet.when, each, job.captures, order) for each in before)
        if not covered and any(sheet.when.is_before(*end, order) for end in ends):
            sheets.append(sheet)
    found: list[MadeAdjustment] = []
    for sheet in sorted(sheets, key=lambda each: (each.number, each.made)):
        found = found if sheet.carried_out else found[:-1]
        found.append(_of(sheet))
    return read_again(found, worked, job.profile)


def _ended_after(when: MadeWhen, capture: CaptureFacts, captures: Path, order: Order) -> bool:
    """Whether a capture went on after something was made, by what its maker had seen of it."""
    for seen in when.seen:
        if seen.file == capture.file:
            return seen.size_bytes < capture.size_bytes
    return when.is_before(captures / capture.file, math.inf, moment(capture.end_utc), order)


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
        tdc_deg=sheet.reference.tdc_deg,
        tdc_u_deg=sheet.reference.uncertainty.u_deg,
        tdc_capture=sheet.reference.capture,
        seen=sheet.when.seen,
        after=sheet.when.after,
    )


def read_again(
    chosen: Sequence[MadeAdjustment], worked: JobResults, profile: Profile
) -> list[MadeAdjustment]:
    """Adjustments, in order, with what was read since each was chosen and before another that
    moves the same, by the captures that were worked."""
    if worked.reference is None:
        return list(chosen)
    found = []
    for i, of in enumerate(chosen):
        over = next((each.when for each in chosen[i + 1 :] if of.is_undone_by(each)), None)
        judged = assess(read_since(worked, of.when, over), profile, worked.reference)
        u_tdc_deg = 0.0
        now = worked.reference
        if of.tdc_deg is not None and (of.tdc_deg, of.tdc_capture) != (now.tdc_deg, now.capture):
            u_tdc_deg = math.hypot(of.tdc_u_deg, now.uncertainty.u_deg)
        read = tuple(_beside_read(each, judged, u_tdc_deg) for each in of.predictions)
        found.append(replace(of, predictions=read))
    return found


def _beside_read(
    of: PredictedOpening, judged: Sequence[Assessment], u_tdc_deg: float
) -> PredictedOpening:
    prediction = Prediction(
        of.unit, of.setting, of.cylinder, of.before_btdc, of.shift_deg, of.predicted_btdc, of.u_deg
    )
    assessment = beside(prediction, judged)
    if assessment is None:
        return replace(of, read_btdc=None, off_deg=None, within_deg=None, verdict="")
    found = confirm(prediction, assessment, u_tdc_deg=u_tdc_deg)
    return replace(
        of,
        read_btdc=found.read_btdc,
        off_deg=found.off_deg,
        within_deg=found.within_deg,
        verdict=found.verdict,
    )

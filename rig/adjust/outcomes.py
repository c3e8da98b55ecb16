"""How a prediction came out: the next readings beside it, on a sheet and on the certificate.

What was read is worked out from the captures, for sheet, certificate and their proofs alike.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

from rig import __version__
from rig.adjust.changes import readings_between
from rig.adjust.plan import (
    Confirmation,
    expanded,
    own_u,
)
from rig.adjust.predictions import (
    FOLDER,
    Sheet,
    load,
    recordings,
    sheets_of,
    worked_again,
)
from rig.base.angles import wrap
from rig.base.earlier_rules import EarlierRule, Rules
from rig.base.errors import InputError
from rig.base.files import digest
from rig.base.rounding import btdc, listed, size, two_figures
from rig.base.uncertainty import root_sum
from rig.engine.profile import Profile
from rig.job import folder
from rig.job.capture_order import MadeWhen, Order
from rig.job.clock import iso, moment
from rig.job.folder import Job, SheetKind
from rig.job.results import (
    CaptureFacts,
    JobResults,
    MadeAdjustment,
    PredictedOpening,
    order_beside,
)
from rig.signal.events import Reason
from rig.tdc.reference import TdcReference
from rig.tdc.reference_file import to_plain
from rig.timing.assess import assess
from rig.timing.values import PHASES, Assessment, Mark

KIND = "outcome of a prediction"
VERSION = 3  # version 2 has a time with each prediction
SINCE = 2  # version 1 does not say by which recordings it was found, and cannot be proved
SAME_TDC = (0.0, math.inf)  # of a difference in which TDC drops out
MARK = ".outcome"  # in the file's name, behind that of its prediction


def confirm(
    prediction: PredictedOpening,
    assessment: Assessment,
    u_tdc: tuple[float, float] = SAME_TDC,
    rules: Rules = (),
) -> Confirmation:
    """The next assessment beside what was predicted.

    Compared within about 95 % of both readings' own uncertainties. A shared TDC drops out; of two,
    ``u_tdc`` is that of their difference, with its degrees of freedom. A correction made the wrong
    way round moved the opening by as much to the other side. Raises InputError for an assessment
    that is not of turning. Source: JCGM 100:2008, 5.1.2, 5.2 and G.4.
    """
    p, j = prediction, assessment
    if j.mean_btdc is None or j.kind != "turned":
        raise InputError(f"{j.unit}: a prediction is confirmed by turning, and nothing counts yet")
    p_u, own = (p.u_deg, p.nu), own_u(j)
    p_U, own_U = expanded(p_u, rules), expanded(own, rules)
    within = expanded(root_sum(p_u, own, u_tdc), rules)
    off = wrap(j.mean_btdc - p.predicted_btdc)
    moved = wrap(j.mean_btdc - p.before_btdc)
    went, instead_of = ("earlier", "later") if moved > 0 else ("later", "earlier")
    small, near = abs(p.shift_deg) <= within, abs(off) <= within
    wrong_way = abs(wrap(moved + p.shift_deg)) <= max(within, 0.2 * abs(wrap(p.shift_deg)))
    cases: tuple[tuple[str, bool, str], ...] = (
        ("not confirmed", Mark.ONE_TURN_OUT in j.marks,
         "not confirmed, it is one crank turn out"),
        ("too small to tell", small and (near or EarlierRule.SMALL_CHANGE_PASSES in rules),
         "the change was too small for these readings to tell"),
        ("confirmed", near, "confirmed"),
        ("wrong way round", wrong_way and not small,
         f"made the wrong way round, it went {size(moved, within)} degrees {went} instead of "
         f"{instead_of}; undo it and go as far again the other way"),
        ("not moved", abs(moved) <= within and not small,
         "it has not moved; was the change made, and on this unit?"),
        ("not confirmed", True,
         f"not confirmed, {size(off, within)} degrees {'early' if off > 0 else 'late'} of the "
         f"prediction (readings allow {two_figures(within)})"),
    )  # fmt: skip
    verdict, words = next((verdict, words) for verdict, is_so, words in cases if is_so)
    read, predicted = btdc(j.mean_btdc, own_U), btdc(p.predicted_btdc, p_U)
    words = f"{j.unit} reads {read}, predicted {predicted}: {words}"
    of = replace(p, read_btdc=j.mean_btdc, off_deg=off, within_deg=within, verdict=verdict)
    return Confirmation(of, words)


def confirmed(job: Job, worked: JobResults, sheet: Sheet) -> list[Confirmation]:
    """Each prediction beside what was read since, up to the next sheet that moves the same. Raises
    InputError when nothing was, or nothing that counts because TDC has moved."""
    now = _reference(worked)
    later = (
        each.when
        for each in sheets_of(sheet.path.parent)
        if each.number > sheet.number > 0 and each.carried_out and each.units & sheet.units
    )
    since = readings_between(worked, sheet.when, next(later, None))
    u_tdc = u_of_two(sheet.made, now)
    judged = assess(since, job.profile, now, worked.rules)
    beside = _confirmations(sheet.made.predictions, judged, u_tdc, worked.rules)
    if found := [each for each in beside if each is not None]:
        return found
    units = listed(dict.fromkeys(each.unit for each in sheet.made.predictions))
    if any(r.rejection is not None and r.rejection.reason is Reason.TDC_MOVED for r in since):
        raise InputError(
            f"what was read of {units} since {sheet.path.name} does not count, since TDC has"
            " moved: find TDC again, then turn forward through the openings once more"
        )
    raise InputError(
        f"every reading of {units} is older than the last change ({sheet.path.name},"
        f" {sheet.made.made_utc}): read again, turning forward"
    )


def _reference(worked: JobResults) -> TdcReference:
    if worked.reference is None:
        raise InputError("TDC is not known, so no reading can be set beside the prediction")
    return worked.reference


def reading_of(prediction: PredictedOpening, judged: Sequence[Assessment]) -> Assessment | None:
    """The assessment to compare with it, of the unit's last phase; None where nothing was read."""
    wanted = (prediction.unit, prediction.setting, prediction.cylinder, "turned")
    own = [j for j in judged if (j.unit, j.setting, j.cylinder, j.kind) == wanted and j.n]
    last = max(own, key=lambda j: PHASES.index(j.phase), default=None)
    return None if last is None or last.mean_btdc is None else last


def _confirmations(
    predictions: Sequence[PredictedOpening],
    judged: Sequence[Assessment],
    u_tdc: tuple[float, float],
    rules: Rules,
) -> list[Confirmation | None]:
    """Each prediction beside what was read of it; None where nothing was."""
    read = [reading_of(each, judged) for each in predictions]
    return [
        None if own is None else confirm(each, own, u_tdc, rules)
        for each, own in zip(predictions, read, strict=True)
    ]


def u_of_two(before: MadeAdjustment, now: TdcReference) -> tuple[float, float]:
    """Standard uncertainty of what the TDC used then and now differ by, degrees, and its degrees of
    freedom; 0 where they are one, or the earlier is not known. Source: JCGM 100:2008, 5.1.2:
    independent of one another.
    """
    same = (before.tdc_deg, before.tdc_capture) == (now.tdc_deg, now.capture)
    if before.tdc_deg is None or same:
        return SAME_TDC
    later = now.uncertainty
    return root_sum((before.tdc_u_deg, before.tdc_nu), (later.u_deg, later.nu_eff))


# -- the sheet of an outcome --


def save(
    job: Job, worked: JobResults, of: Sheet, found: Sequence[Confirmation], now: datetime
) -> Path:
    """Save how a prediction came out, beside it. Raises InputError when the disk does not take
    it."""
    path = folder.free_path(job.folder / FOLDER, of.path.stem + MARK)
    folder.write(path, _plain(job, worked, of, found, iso(now, "milliseconds")))
    return path


def _plain(
    job: Job, worked: JobResults, of: Sheet, found: Sequence[Confirmation], made_utc: str
) -> dict[str, Any]:
    """The outcome as plain data, with all that is needed to compute it again."""
    return {
        "kind": KIND,
        "version": VERSION,
        "program": __version__,
        "made_utc": made_utc,
        "engine_sha256": job.engine.sha256,
        "prediction": of.path.name,
        "prediction_sha256": of.made.sheet_sha256,
        "captures": [
            {"file": each.file, "sha256": each.sha256, "size_bytes": each.size_bytes}
            for each in (played.facts for played in worked.played)
        ],
        "reference": to_plain(_reference(worked)),
        "confirmations": [each.plain() for each in found],
    }


def _recompute(job: Job, plain: Mapping[str, Any]) -> dict[str, Any]:
    """The outcome, computed again from the prediction and the recordings."""
    path = job.folder / FOLDER / Path(str(plain["prediction"])).name
    of = load(path)
    if digest(path) != plain["prediction_sha256"]:
        raise InputError(f"{path.name} has changed since, or the sheet was edited")
    worked = worked_again(job, plain)
    fresh = _plain(job, worked, of, confirmed(job, worked, of), str(plain["made_utc"]))
    if plain["version"] == SINCE:
        fresh["version"] = SINCE
        for each in fresh["confirmations"]:
            each["prediction"]["made_utc"] = of.made.made_utc
    return fresh


def _recordings(plain: Mapping[str, Any]) -> list[tuple[str, str, int | None]]:
    if plain["version"] not in (SINCE, VERSION):
        raise InputError("it does not name its recordings: confirm the prediction again")
    return recordings(plain)


SHEET = SheetKind(
    KIND, FOLDER, _recordings, lambda plain, _: Path(str(plain["prediction"])).stem + MARK,
    _recompute,
)  # fmt: skip


# -- adjustments on a certificate --


def made(
    job: Path, profile: Profile, worked: JobResults, before: Sequence[CaptureFacts] = ()
) -> list[MadeAdjustment]:
    """The adjustments that were chosen before these captures end, and not before one of those that
    an earlier certificate covers (``before``) ended; in order.

    Left out are one that was never carried out, by a later sheet, and a sheet that cannot be read.
    """
    captures = job / "captures"
    order = order_beside([one.path for one in worked.played], captures)
    ends = [(one.path, one.until_us, moment(one.facts.end_utc)) for one in worked.played]
    found: list[MadeAdjustment] = []
    for sheet in sheets_of(job / FOLDER, passing_over=True):
        covered = any(_ended_after(sheet.when, each, captures, order) for each in before)
        if not covered and any(sheet.when.is_before(*end, order) for end in ends):
            found = found if sheet.carried_out else found[:-1]
            found.append(sheet.made)
    return read_again(found, worked, profile)


def _ended_after(when: MadeWhen, capture: CaptureFacts, captures: Path, order: Order) -> bool:
    """Whether a capture went on after something was made, by what its maker had seen of it."""
    for seen in when.seen:
        if seen.file == capture.file:
            return seen.size_bytes < capture.size_bytes
    return when.is_before(captures / capture.file, math.inf, moment(capture.end_utc), order)


def of_sheet(path: Path) -> MadeAdjustment:
    """What a saved prediction says. Raises InputError when it is none."""
    return load(path).made


def read_again(
    chosen: Sequence[MadeAdjustment], worked: JobResults, profile: Profile
) -> list[MadeAdjustment]:
    """Adjustments, in order, with what was read since each was chosen and before another that
    moves the same, by the captures that were worked."""
    now = worked.reference
    if now is None:
        return list(chosen)
    found = []
    for i, of in enumerate(chosen):
        over = next((each.when for each in chosen[i + 1 :] if of.is_undone_by(each)), None)
        since = readings_between(worked, of.when, over)
        judged = assess(since, profile, now, worked.rules)
        beside = _confirmations(of.predictions, judged, u_of_two(of, now), worked.rules)
        read = (
            replace(each, read_btdc=None, off_deg=None, within_deg=None, verdict="")
            if it is None
            else it.opening
            for each, it in zip(of.predictions, beside, strict=True)
        )
        found.append(replace(of, predictions=tuple(read)))
    return found

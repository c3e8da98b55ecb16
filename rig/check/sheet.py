"""The verdicts of a rig check beside the capture that they are of; they can be proved from it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any

from rig import __version__
from rig.base.errors import InputError
from rig.base.files import digest
from rig.check.checks import UNTRIED, RigCheck, Untried, judged, not_tried
from rig.job import folder
from rig.job.clock import iso
from rig.job.folder import Job, SheetKind
from rig.session.session import signal_settings
from rig.signal.rig_statistics import statistics_of
from rig.wire.formats import open_recording

KIND = "rig check"
SUFFIX = ".check.json"
VERSION = 2
OF_VERSION_1 = {"version": 1, "program": "0.3.0", "made_utc": "", "size_bytes": None}
"""A sheet of 0.3.0 or before has no number and does not say by which of them it was made, or when.
"""


def answer_of(check: RigCheck, missing: Sequence[Untried]) -> dict[str, Any]:
    """The check as plain data."""
    return {
        "kind": KIND,
        "verdict": check.verdict,
        "checks": [asdict(each) for each in check.checks],
        "contacts": asdict(check.contacts),
        "widths": asdict(check.widths) if check.widths else None,
        "not_tried": [UNTRIED[part] for part in missing],
    }


def _sheet(answer: Mapping[str, Any], capture: Path, engine_sha256: str, made_utc: str) -> Any:
    return dict(answer) | {
        "version": VERSION,
        "program": __version__,
        "made_utc": made_utc,
        "engine_sha256": engine_sha256,
        "recording": capture.name,
        "capture_sha256": digest(capture),
        "size_bytes": capture.stat().st_size,
    }


def save(job: Job, capture: Path, answer: Mapping[str, Any], now: datetime) -> None:
    """Put the verdicts beside the capture. Raises InputError when the disk does not take them."""
    made = _sheet(answer, capture, job.engine.sha256, iso(now, "milliseconds"))
    folder.write(capture.with_suffix(SUFFIX), made, replace=True)


def _recompute(job: Job, plain: Mapping[str, Any]) -> dict[str, Any]:
    """The verdicts, found again from the capture."""
    capture = job.captures / Path(str(plain["recording"])).name
    if plain["size_bytes"] not in (None, capture.stat().st_size):
        raise InputError(f"{capture.name} has grown since: check it again")
    recording = open_recording(capture, job.profile.encoder.counts_per_turn)
    seen = statistics_of(recording.batches, signal_settings(job.profile))
    answer = answer_of(judged(seen, job.profile), not_tried(seen, job.profile.units))
    fresh = dict(_sheet(answer, capture, job.engine.sha256, str(plain["made_utc"])))
    return fresh | OF_VERSION_1 if plain["version"] == 1 else fresh


SHEET = SheetKind(
    KIND,
    "captures",
    lambda plain: [(str(plain["recording"]), str(plain["capture_sha256"]), plain["size_bytes"])],
    lambda plain, _: Path(str(plain["recording"])).with_suffix(SUFFIX).stem,
    _recompute,
    of_version_1=OF_VERSION_1,
)

"""How a prediction came out: a sheet beside it, which can be proved from its recordings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any

from rig import __version__
from rig.adjust.plan import Confirmation
from rig.adjust.predictions import FOLDER, OUTCOME, OUTCOME_MARK, Sheet, confirmed, load
from rig.base.errors import InputError
from rig.base.files import digest
from rig.job import folder
from rig.job.clock import iso
from rig.job.folder import Job, SheetKind
from rig.job.results import JobResults, results_of
from rig.tdc.reference_file import from_plain, to_plain

VERSION = 2


"""Version 1 does not say by which recordings it was found, and is not proved."""


def sheet(
    worked: JobResults, of: Sheet, found: Sequence[Confirmation], engine_sha256: str, made_utc: str
) -> dict[str, Any]:
    """The outcome as plain data, with all that it takes to come to it again."""
    if worked.reference is None:
        raise InputError("TDC is not known, so no reading can be set beside the prediction")
    return {
        "kind": OUTCOME,
        "version": VERSION,
        "program": __version__,
        "made_utc": made_utc,
        "engine_sha256": engine_sha256,
        "prediction": of.path.name,
        "prediction_sha256": digest(of.path),
        "captures": [
            {
                "file": each.path.name,
                "sha256": each.facts.sha256,
                "size_bytes": each.facts.size_bytes,
            }
            for each in worked.played
        ],
        "reference": to_plain(worked.reference),
        "confirmations": [asdict(each) for each in found],
    }


def save(
    job: Job, worked: JobResults, of: Sheet, found: Sequence[Confirmation], now: datetime
) -> Path:
    """Save how a prediction came out, beside it. Raises InputError when the disk does not take
    it."""
    path = folder.free_path(job.folder / FOLDER, of.path.stem + OUTCOME_MARK)
    folder.write(path, sheet(worked, of, found, job.engine.sha256, iso(now, "milliseconds")))
    return path


def _recordings(plain: Mapping[str, Any]) -> list[tuple[str, str, int | None]]:
    return [
        (str(each["file"]), str(each["sha256"]), int(each["size_bytes"]))
        for each in plain["captures"]
    ]


def _stem(plain: Mapping[str, Any], made: datetime) -> str:
    return Path(str(plain["prediction"])).stem + OUTCOME_MARK


def _recompute(job: Job, plain: Mapping[str, Any]) -> dict[str, Any]:
    """The outcome, computed again from the prediction and the recordings."""
    path = job.folder / FOLDER / Path(str(plain["prediction"])).name
    of = load(path)
    if digest(path) != plain["prediction_sha256"]:
        raise InputError(f"{path.name} has changed since, or the sheet was edited")
    sizes = {job.captures / name: size for name, _, size in _recordings(plain)}
    worked = results_of(
        job.profile, list(sizes), from_plain(plain["reference"]), job.captures,
        sizes={path: size for path, size in sizes.items() if size is not None},
        version=str(plain["program"]),
    )  # fmt: skip
    found = confirmed(job, worked, of)
    return sheet(worked, of, found, job.engine.sha256, str(plain["made_utc"]))


SHEET = SheetKind(OUTCOME, FOLDER, _recordings, _stem, _recompute, since=VERSION)

"""A report of a unit off the engine, made from its recording and what was said on the bench.

The sheet holds all that it takes to come to the same figures again.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from rig import __version__
from rig.engine.profile import Encoder
from rig.faults import InputError
from rig.job.recording import open_recording
from rig.job.work import digest
from rig.session.unit_notes import alone_seen
from rig.signal.settings import Settings
from rig.timing.unit_alone import UnitReport, report
from rig.timing.unit_report import KIND, VERSION, UnitIdentity, plain_report

__all__ = ["FOLDER", "KIND", "BenchSetUp", "UnitIdentity", "bench_from", "sheet", "stem"]

FOLDER = "units"


@dataclass(frozen=True, slots=True)
class BenchSetUp:
    """How the unit is set up on the bench, and where its neutral was felt beside the notes."""

    identity: UnitIdentity
    settings: Settings
    contact: int
    neutral_forward_deg: tuple[float, ...] = ()
    neutral_backward_deg: tuple[float, ...] = ()


def sheet(
    bench: BenchSetUp,
    recording: Path,
    made_utc: str,
    impulse: Path | None = None,
    changes: Sequence[str] = (),
) -> tuple[dict[str, Any], UnitReport, list[str]]:
    """The report as plain data and as values, and the notes of the recording without sense.

    ``impulse`` is a recording with the coupling engaged. Raises InputError when one cannot be read.
    """
    settings, counts = bench.settings, bench.settings.counts_per_turn
    seen, wrong = alone_seen(open_recording(recording, counts).batches, settings, bench.contact)
    held = seen.impulse_deg
    if impulse is not None:
        other, _ = alone_seen(open_recording(impulse, counts).batches, settings, bench.contact)
        held = (*held, *other.openings_deg, *other.impulse_deg)
    seen = replace(
        seen,
        impulse_deg=held,
        neutral_forward_deg=(*seen.neutral_forward_deg, *bench.neutral_forward_deg),
        neutral_backward_deg=(*seen.neutral_backward_deg, *bench.neutral_backward_deg),
    )
    found = report(seen, bench.identity.lobes, Encoder(counts), bench.identity.poles)
    named = None
    if impulse is not None:
        named = {"recording": impulse.name, "sha256": digest(impulse)}
    plain = plain_report(
        found, bench.identity, made_utc,
        program=__version__, recording=recording.name, recording_sha256=digest(recording),
        counts_per_turn=counts, changes=list(changes), impulse=named,
        bench={
            "input": bench.contact,
            "open_level": settings.open_levels[bench.contact],
            "direction": settings.direction,
            "index_level": settings.index_level,
            "neutral_forward_deg": list(bench.neutral_forward_deg),
            "neutral_backward_deg": list(bench.neutral_backward_deg),
        },
    )  # fmt: skip
    return plain, found, wrong


def stem(identity: UnitIdentity, made: datetime) -> str:
    """The name of a report's file: which unit it is of, and when it was made."""
    who = "-".join(_slug(part) for part in (identity.type, identity.serial) if part)
    return f"{who}-{made:%Y%m%d-%H%M%S}"


def _slug(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", text.casefold()).strip("-") or "unit"


def bench_from(plain: Mapping[str, Any]) -> BenchSetUp:
    """The set-up that a sheet holds. Raises InputError for a sheet of version 1, which holds none;
    KeyError, TypeError or ValueError when it is not whole."""
    if plain["version"] != VERSION:
        raise InputError(
            f"it is of version {plain['version']!r}, which does not say how the unit was set up;"
            " report the unit again"
        )
    unit, bench = plain["unit"], plain["bench"]
    counts, contact = int(plain["counts_per_turn"]), int(bench["input"])
    if not 4 <= counts <= 1_000_000 or not 1 <= int(unit["lobes"]) <= 36:
        raise ValueError("counts of a turn or lobes cannot be so")
    return BenchSetUp(
        UnitIdentity(**unit),
        Settings(
            counts,
            1 if bench["direction"] == 1 else -1,
            1 if bench["index_level"] == 1 else 0,
            open_levels={contact: 1 if bench["open_level"] == 1 else 0},
        ),
        contact,
        tuple(map(float, bench["neutral_forward_deg"])),
        tuple(map(float, bench["neutral_backward_deg"])),
    )

"""Figures as a person reads them: the tables of the screen room, as lines."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

from rig.counted import many
from rig.engine import stated
from rig.record import certificate
from rig.screen.keys import shows_unicode
from rig.screen.tables import comparison_table, judgement_table, plain_lines, reading_table
from rig.timing.results import PHASES, Comparison, Judgement, Reading


def judgement_lines(
    judgements: Sequence[Judgement], comparisons: Sequence[Comparison] = ()
) -> list[str]:
    """Judgements and comparisons as tables of plain lines."""
    unicode = shows_unicode(sys.stdout)
    lines = plain_lines(judgement_table(judgements), unicode) if judgements else []
    if comparisons:
        lines += ["", *plain_lines(comparison_table(comparisons), unicode)]
    return lines


def reading_lines(readings: Sequence[Reading]) -> list[str]:
    """Every reading, in order."""
    return plain_lines(reading_table(readings), shows_unicode(sys.stdout))


def result_lines(record_path: Path) -> list[str]:
    """What a saved certificate found."""
    found = certificate.as_certificate(certificate.load(record_path))
    return judgement_lines(found.judgements, found.comparisons)


def summary_lines(record_path: Path) -> list[str]:
    """What a saved certificate found, a short line a figure: each unit over its cylinders."""
    found = certificate.as_certificate(certificate.load(record_path))
    tdc = stated.after_index_with(found.reference.tdc_deg, found.reference.uncertainty.U_deg)
    lines = [f"top dead centre: {tdc} ({found.reference.method})"]
    whole = [j for j in found.judgements if j.cylinder is None] or list(found.judgements)
    for one in whole:
        head = f"{one.unit}, {one.setting}, {one.phase}"
        if one.mean_btdc is None or one.uncertainty is None:
            lines.append(f"{head}: {one.words}")
            continue
        mean = stated.btdc_with(one.mean_btdc, one.uncertainty.U_deg)
        lines.append(f"{head}: {mean} of {many(one.n, 'reading')}: {one.words}")
        if why := stated.few(one.uncertainty, one.n):
            lines.append(f"  {why}")
        others = [
            j for j in found.judgements
            if j.cylinder is not None and j.verdict != one.verdict
            and (j.unit, j.setting, j.phase, j.kind) == (one.unit, one.setting, one.phase, one.kind)
        ]  # fmt: skip
        lines += [f"  cylinder {j.cylinder}: {j.words}" for j in others]
    lines += [f"{c.words}: {c.verdict}" for c in found.comparisons if c.cylinder is None]
    return lines


def verdict_status(judgements: Sequence[Judgement], comparisons: Sequence[Comparison]) -> int:
    """Exit status: 1 when a verdict on how things stand last is negative, or a unit was read in
    groups apart, else 0.

    What a unit was found at, and was set from, is no longer so.
    """
    last: dict[tuple[str, str], int] = {}
    for one in judgements:
        last[_of(one)] = max(last.get(_of(one), 0), _nth(one.phase))
    now = [one for one in judgements if _nth(one.phase) == last[_of(one)]]
    latest = max((_nth(one.phase) for one in comparisons), default=0)
    verdicts = [one.verdict for one in comparisons if _nth(one.phase) == latest]
    verdicts += [verdict for one in now for verdict in (one.verdict, one.spread_verdict)]
    return 1 if "outside" in verdicts or any(one.groups for one in now) else 0


def _of(judgement: Judgement) -> tuple[str, str]:
    return judgement.unit, judgement.setting


def _nth(phase: str) -> int:
    return PHASES.index(phase) if phase in PHASES else 0

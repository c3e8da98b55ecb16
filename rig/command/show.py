"""Figures as a person reads them: the tables of the screen room, as lines."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

from rig.record import certificate
from rig.screen.keys import shows_unicode
from rig.screen.tables import comparison_table, judgement_table, plain_lines, reading_table
from rig.timing.results import Comparison, Judgement, Reading


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


def verdict_status(judgements: Sequence[Judgement], comparisons: Sequence[Comparison]) -> int:
    """Exit status: 1 when a verdict is negative, else 0."""
    verdicts = [one.verdict for one in judgements] + [one.verdict for one in comparisons]
    verdicts += [one.spread_verdict for one in judgements]
    return 1 if "outside" in verdicts else 0

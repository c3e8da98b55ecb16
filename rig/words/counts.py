"""Counts a turn in words: what the index shows, what the rig reports, and why they differ."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from rig.base.rounding import many
from rig.session.diagnostics import Counts, counts_of

CLUSTERED = 0.01
USUAL_LINES = (
    100, 128, 180, 200, 250, 256, 300, 360, 400, 500, 512, 600, 720, 800, 1000, 1024, 1200, 1250,
    1440, 1500, 1800, 2000, 2048, 2500, 3000, 3600, 4000, 4096, 5000, 8192,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Check:
    """One thing checked, its verdict, and what is probably behind a bad one."""

    name: str
    verdict: Literal["good", "bad", "not seen"]
    measured: str
    words: str
    cause: str = ""


def counts_words(counts: Counts) -> tuple[str, str, str]:
    """What the index shows: measured, what that means, and the probable cause."""
    measured = (
        f"{many(round(counts.middle), 'count')} from index to index, {counts.entered} entered"
    )
    if counts.agree:
        return measured, "counts and index agree", ""
    if counts.vary:
        words = f"{measured}, but they vary by {counts.spread:.0f} from turn to turn"
        return measured, words, "counts are lost, or the coupling of the encoder slips"
    words = f"{measured}: all angles would be wrong"
    return measured, words, probable_cause(counts.middle, counts.entered)


def counts_check(between: Sequence[float], entered: int) -> Check:
    """Counts from index to index against the entered counts per turn."""
    counts = counts_of(between, entered)
    if counts is None:
        return Check("counts a turn", "not seen", "", "turn past the index twice more")
    return Check("counts a turn", "good" if counts.agree else "bad", *counts_words(counts))


def identity_words(reported: int, entered: int) -> tuple[str, str, str]:
    """What the rig reports, in the same way."""
    measured = f"the rig reports {many(reported, 'count')} a turn"
    if reported == entered:
        return measured, "rig and engine file agree", ""
    words = f"{measured}, the engine file {entered}; the index decides which is right"
    return measured, words, probable_cause(reported, entered)


def identity_check(reported: int | None, entered: int) -> Check:
    """Counts a turn as reported by the rig against the engine file. Source: comparison."""
    if reported is None:
        return Check("identity", "not seen", "", "the rig has not reported its identity yet")
    good = reported == entered
    return Check("identity", "good" if good else "bad", *identity_words(reported, entered))


def probable_cause(counts: float, entered: int) -> str:
    """What a wrong figure probably is."""
    ratio = counts / entered
    causes: Mapping[float, str] = {
        4.0: f"the lines were entered; a line has four counts: enter {counts:.0f}",
        0.25: "the entered figure was multiplied by four twice, or the rig counts one edge a line",
        2.0: "the rig counts two edges of a line where four were expected, or every second index"
        " pass was missed",
        0.5: "the rig counts two edges of a line and not four, or the index comes twice a turn",
    }
    for factor, words in causes.items():
        if abs(ratio / factor - 1.0) < 0.002:
            return words
    guesses = []
    whole = round(ratio)
    if whole >= 2 and abs(ratio / whole - 1.0) < 0.002:
        guesses.append(
            f"{whole - 1} of every {many(whole, 'index pass', 'index passes')} were missed"
        )
    lines = min(USUAL_LINES, key=lambda n: abs(counts / (4.0 * n) - 1.0))
    if abs(counts / (4.0 * lines) - 1.0) < 0.002:
        guesses.append(
            f"it is an encoder of {many(lines, 'line')}: enter {many(4 * lines, 'count')}"
        )
    if guesses:
        return ", or ".join(guesses)
    return "counts are lost, or the encoder does not turn with the shaft that the file names"

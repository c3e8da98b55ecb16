"""How often a statement over time is wrong: histories and reports by chance, their truth known."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from rig.base.uncertainty import Contribution, Source
from rig.engine.profile import Encoder
from rig.timing.drift import DAYS_A_YEAR, DatedMean, Line, fit
from rig.unit_bench.compare import compare_reports
from rig.unit_bench.report import BenchEvidence, UnitIdentity, plain_report, report

CERTIFICATES = (3, 5, 10, 20)
READINGS = (2, 3, 8, 20)
TDC_DEG = {"small": 0.02, "large": 0.2}
"""Standard uncertainty of TDC in crank degrees, beside a spread of 0.1 from reading to reading."""
SPREAD_DEG = 0.1
TOUCHES_NU = 4.0
"""Degrees of freedom of TDC by three touches a side."""
COUNTING_DEG = 0.003
TURNS = (2, 3, 5, 8)


@dataclass(frozen=True, slots=True)
class Count:
    """``wrong`` statements of ``of``."""

    wrong: int
    of: int

    @property
    def percent(self) -> float:
        """The rate."""
        return 100.0 * self.wrong / self.of


def certificates(
    chance: Generator,
    many: int,
    readings: int,
    tdc_deg: float,
    per_year_deg: float = 0.0,
) -> list[DatedMean]:
    """A certificate a year, each with its own reference; the last stands at 36 degrees."""
    points = []
    for year in range(1 - many, 1):
        read = chance.normal(0.0, SPREAD_DEG, readings)
        stated_deg = tdc_deg * math.sqrt(chance.chisquare(TOUCHES_NU) / TOUCHES_NU)
        own_deg = float(np.std(read, ddof=1)) / math.sqrt(readings)
        error_deg = chance.normal(0.0, math.hypot(tdc_deg, COUNTING_DEG))
        parts = (
            Contribution(Source.REPEATABILITY, own_deg, readings - 1.0, "A", "simulated"),
            Contribution(Source.TDC, stated_deg, TOUCHES_NU, "B", "simulated"),
            Contribution(Source.COUNTING, COUNTING_DEG, math.inf, "B", "simulated"),
        )
        mean = 36.0 + per_year_deg * year + float(np.mean(read)) + error_deg
        points.append(DatedMean(year * DAYS_A_YEAR, mean, parts, 0, f"reference {year}", readings))
    return points


def lines(
    seed: int, times: int, many: int, readings: int, tdc_deg: float, per_year_deg: float = 0.0
) -> list[Line]:
    """The lines through as many simulated histories."""
    chance = np.random.default_rng([seed, many, readings, round(1000.0 * tdc_deg)])
    made = (certificates(chance, many, readings, tdc_deg, per_year_deg) for _ in range(times))
    found = (fit(each) for each in made)
    return [line for line in found if line is not None]


def false_drift(times: int, many: int, readings: int, tdc_deg: float, seed: int = 1) -> Count:
    """How often a drift is stated of what does not drift."""
    found = lines(seed, times, many, readings, tdc_deg)
    return Count(sum(line.distinguishable for line in found), len(found))


def exits_too_soon(
    times: int, many: int, readings: int, tdc_deg: float, *, years: float = 4.0, seed: int = 2
) -> Count:
    """How often the true exit comes before "outside as early as", of the times that it is stated.

    The true line drifts clearly, and leaves the window ``years`` after the last certificate.
    """
    own_deg = math.hypot(SPREAD_DEG / math.sqrt(readings), tdc_deg)
    per_year_deg = -8.0 * own_deg / many
    limit = 36.0 + per_year_deg * years
    found = lines(seed, times, many, readings, tdc_deg, per_year_deg=per_year_deg)
    stated = [line for line in found if line.distinguishable and line.per_year_deg < 0.0]
    soonest = [line.soonest(limit) for line in stated]
    return Count(sum(each is None or each > years for each in soonest), len(stated))


def false_changes(times: int, turns: int, lobes: int = 4, seed: int = 3) -> tuple[Count, Count]:
    """How often two reports of one unit call a figure changed; and how often any of them."""
    chance = np.random.default_rng([seed, turns, lobes])
    true = np.arange(lobes) * 360.0 / lobes + chance.normal(0.0, 1.0, lobes) + 40.0
    identity = UnitIdentity("simulated", "1", lobes, poles=4)
    figures = some = of = 0

    def read(offset_deg: float, many: int) -> tuple[float, ...]:
        whole = np.arange(many)[:, None] * 360.0 + true + offset_deg
        return tuple(
            float(each) for each in (whole + chance.normal(0.0, 0.15, whole.shape)).ravel()
        )

    def one() -> dict[str, object]:
        neutral = chance.normal(30.0, 0.5, 2 * turns)
        seen = BenchEvidence(
            read(0.0, turns), read(38.0, turns), read(-0.8, turns),
            tuple(neutral[:turns] + 1.0), tuple(neutral[turns:] - 1.0), read(12.0, turns),
        )  # fmt: skip
        return plain_report(report(seen, lobes, Encoder(4096), 4), identity, "2025-01-01T00:00:00Z")

    for _ in range(times):
        found = compare_reports(one(), one())
        changed = sum(each.changed for each in found.changes)
        figures, some, of = figures + changed, some + (changed > 0), of + len(found.changes)
    return Count(figures, of), Count(some, times)

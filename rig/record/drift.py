"""How an opening drifts over the years: a straight line through its certificates.

A setting or a part that was changed is a step: the line starts from a new level there, with the
same slope. Each point weighs by its uncertainty; what points share (the same top dead centre and
mounting of the encoder) shifts them all alike and says nothing against a slope. A point whose own
uncertainty is nothing, or beyond reckoning, can be given no weight and is left out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.engine.uncertainty import Contribution, student_t
from rig.timing.budget import HAND, PLAY
from rig.timing.decide import REPEATABILITY

DAYS_A_YEAR = 365.25

LATEST = 60
"""The line goes through this many of the latest points; what was longer ago says little of now."""

FEW_FREE = 2

OWN_PARTS = frozenset({REPEATABILITY, PLAY, HAND})
"""Contributions that are new with each certificate; all others belong to reference and mounting."""


LEAST_DEG, MOST_DEG = 1e-4, 180.0
"""An uncertainty in between gives a point its weight. None of a crank is as small as the first
(common practice, no source); beyond half a turn an angle is not known at all."""


def weighs(parts: Sequence[Contribution]) -> bool:
    """True when a mean of these contributions can be given a weight beside others."""
    own_deg = math.hypot(*(part.u_deg for part in parts if part.name in OWN_PARTS))
    return own_deg >= LEAST_DEG and math.hypot(*(part.u_deg for part in parts)) <= MOST_DEG


@dataclass(frozen=True, slots=True)
class DatedMean:
    """A mean opening on a day: degrees BTDC, its contributions, and what it hangs together with.

    ``level`` numbers the stretches between steps; points with the same ``shares`` rest on the
    same reference.
    """

    day: float  # days from any day
    mean_btdc: float
    parts: tuple[Contribution, ...]
    level: int
    shares: str


@dataclass(frozen=True, slots=True)
class Line:
    """The line: its slope with expanded uncertainty, and where its last stretch stands.

    ``free`` is how many points more there are than the line needs; ``scatter`` is how far they
    lie from it, 1 being what their uncertainties lead one to expect (Birge's ratio).
    """

    per_year_deg: float
    U_per_year_deg: float
    last_btdc: float  # where the line stands on the day of the last point
    free: int
    scatter: float
    points: int  # how many it goes through

    @property
    def few(self) -> str:
        """What is to be said of a line that hardly has more points than it needs; else nothing."""
        if self.free > FEW_FREE:
            return ""
        spare = "one more" if self.free == 1 else "two more"
        return f" (through {self.points} points, {spare} than it needs: let the next bear it out)"

    @property
    def told_apart(self) -> bool:
        """Tell whether the slope is larger than its uncertainty."""
        return abs(self.per_year_deg) > self.U_per_year_deg


def fit(points: Sequence[DatedMean]) -> Line | None:
    """Fit the line to the LATEST points that weigh; None when not three or more bear it.

    Generalised least squares with one level for each stretch and one slope. Where the points lie
    further apart than their uncertainties allow (scatter above 1), the slope's uncertainty is
    widened by as much and its factor is Student's for the points that are free; else it is for a
    normal distribution. Source: JCGM 100:2008, 5.2 and G.3; Birge's ratio from memory.
    """
    points = [each for each in points if weighs(each.parts)][-LATEST:]
    levels = sorted({each.level for each in points})
    free = len(points) - len(levels) - 1
    if free < 1:
        return None
    angles = _unwrapped([each.mean_btdc for each in points])
    years = np.array([each.day for each in points]) / DAYS_A_YEAR
    years -= years[-1]
    design = np.zeros((len(points), len(levels) + 1))
    design[:, 0] = years
    for row, each in enumerate(points):
        design[row, 1 + levels.index(each.level)] = 1.0
    if not _two_days_in_a_stretch(points):
        return None
    root = np.linalg.cholesky(_covariance(points))  # each point has a part of its own
    white, sought = np.linalg.solve(root, design), np.linalg.solve(root, angles)
    across, along = np.linalg.qr(white)  # the normal equations would lose half of the digits
    back = np.linalg.inv(along)
    found = back @ (across.T @ sought)
    scatter = math.sqrt(float(np.sum((sought - white @ found) ** 2)) / free)
    u = float(np.linalg.norm(back[0])) * max(1.0, scatter)
    k = student_t(float(free) if scatter > 1.0 else math.inf)
    last = float(found[1 + levels.index(points[-1].level)])
    return Line(float(found[0]), k * u, last, free, scatter, len(points))


def _two_days_in_a_stretch(points: Sequence[DatedMean]) -> bool:
    days = {(each.level, round(each.day, 3)) for each in points}
    return len(days) > len({level for level, _ in days})


def _covariance(points: Sequence[DatedMean]) -> NDArray[np.float64]:
    """Own contributions on the diagonal; shared ones wholly correlated within a reference."""
    names = sorted({part.name for each in points for part in each.parts})
    u = np.zeros((len(points), len(names)))
    for row, each in enumerate(points):
        for part in each.parts:
            u[row, names.index(part.name)] = part.u_deg
    own = np.array([name in OWN_PARTS for name in names])
    shares = np.array([each.shares for each in points])
    together = shares[:, None] == shares[None, :]
    covariance = np.where(together, u[:, ~own] @ u[:, ~own].T, 0.0)
    return np.asarray(covariance + np.diag(np.sum(u[:, own] ** 2, axis=1)))


def _unwrapped(angles_deg: Sequence[float]) -> NDArray[np.float64]:
    """Angles as a run without jumps of a whole turn, beginning with the last one's turn."""
    angles = np.asarray(angles_deg, dtype=np.float64)
    off = (angles - angles[-1] + 180.0) % 360.0 - 180.0
    return np.asarray(angles[-1] + off)

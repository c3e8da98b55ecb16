"""How an opening drifts over the years: a straight line through its certificates.

A setting or a part that was changed is a step: the line starts from a new level there, with the
same slope. Each point is weighted by its uncertainty; what points share (the same TDC and mounting
of the encoder) shifts them all alike and does not affect the slope. A point whose own uncertainty
is zero, or larger than half a turn, has no weight and is left out.

A spread from two or three readings is a poor guess, and a poor guess is a poor weight. The spreads
of all points are therefore pooled, unless they differ by more than chance allows; the factor of the
line's uncertainty is Student's for the degrees of freedom of what was pooled.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.base.angles import nearest
from rig.base.uncertainty import Contribution, Source

DAYS_A_YEAR = 365.25
# The line goes through this many of the latest points; older ones say little about the present.
LATEST = 60
# Contributions that are new with each certificate; all others belong to reference and mounting.
OWN_PARTS = frozenset({Source.REPEATABILITY, Source.BACKLASH, Source.HELD})
# A point has weight if its uncertainty lies in between. None of a crank is as small as the first
# (common practice, no source); beyond half a turn an angle is not known at all.
LEAST_DEG, MOST_DEG = 1e-4, 180.0
COVERAGE = 0.95
# Spreads that would differ as much in fewer than this part of histories are not pooled.
UNLIKE = 0.01
PRIOR_NU = 4.0  # degrees of freedom that the pooled spread has beside a point's own in its weight
# Points that would be as far from the line in fewer than this part of histories have a larger
# uncertainty than was computed: that of the line is then taken from their scatter.
TOO_FAR = 0.03
# Points that would be as far from it in fewer than this part of histories are on no straight line:
# something changed that nobody noted.
STRAYS = 0.001
# Of the band that shows how early the line may leave. A day is given only where the drift is larger
# than its uncertainty, as where a spread is small by chance; the day has to be right there, too.
EXIT_COVERAGE = 0.97
FURTHEST_YEARS = 100.0


def weighs(parts: Sequence[Contribution]) -> bool:
    """True when a mean of these contributions can be given a weight beside others.

    A few readings may agree by chance: an estimated spread of zero is allowed.
    """
    own = [part for part in parts if part.source in OWN_PARTS]
    estimated = any(part.source is Source.REPEATABILITY and math.isfinite(part.nu) for part in own)
    if not estimated and math.hypot(*(part.u_deg for part in own)) < LEAST_DEG:
        return False
    return LEAST_DEG <= math.hypot(*(part.u_deg for part in parts)) <= MOST_DEG


@dataclass(frozen=True, slots=True)
class DatedChange:
    """What was changed before a visit; ``unit`` is empty when it concerns all units."""

    measured_utc: str
    unit: str
    words: str


@dataclass(frozen=True, slots=True)
class DatedMean:
    """A mean of ``n`` readings on a day, degrees, its contributions, and what it shares.

    ``level`` numbers the stretches between steps; points with the same ``shares`` rest on the
    same reference.
    """

    day: float  # days from any day
    mean_btdc: float
    parts: tuple[Contribution, ...]
    level: int
    shares: str
    n: int


@dataclass(frozen=True, slots=True)
class LinePart:
    """One estimate's part in the line's covariance: variances of level and slope, and ``nu``."""

    level: float  # degrees squared, on the day of the last point
    both: float  # covariance of level and slope
    slope: float  # (degrees a year) squared
    nu: float  # degrees of freedom of the estimate, math.inf when taken as exact

    def at(self, years: float) -> float:
        """Variance of the line's height ``years`` after the last point, degrees squared."""
        return self.level + years * (2.0 * self.both + years * self.slope)


@dataclass(frozen=True, slots=True)
class Line:
    """The line: its slope with expanded uncertainty, and how high its last stretch is.

    ``free`` is how many points more there are than the line needs; ``scatter`` is how far they are
    from it, as a multiple of what their uncertainties explain (Birge's ratio). ``nu`` are the
    degrees of freedom behind ``U_per_year_deg``; ``parts`` are of level and slope together.
    """

    per_year_deg: float
    U_per_year_deg: float
    last_btdc: float  # its height on the day of the last point
    free: int
    scatter: float
    points: int  # how many it goes through
    nu: float
    parts: tuple[LinePart, ...]
    strays: bool = False  # its points are on no straight line (STRAYS)
    furthest_deg: float = 0.0  # how far the furthest of them is from it

    @property
    def distinguishable(self) -> bool:
        """Whether the slope is larger than its uncertainty."""
        return abs(self.per_year_deg) > self.U_per_year_deg

    def at(self, years: float) -> float:
        """Height of the line ``years`` after the last point, degrees."""
        return self.last_btdc + years * self.per_year_deg

    def expanded_at(self, years: float, coverage: float = COVERAGE) -> float:
        """Expanded uncertainty of that height, of level and slope together."""
        U, _ = _expanded([(part.at(years), part.nu) for part in self.parts], coverage)
        return U

    def soonest(self, limit_btdc: float) -> float | None:
        """Years after the last point from which the line may be beyond the limit that it nears.

        0.0 when it may be so already, None when it is not within FURTHEST_YEARS. The true line
        passes the limit earlier than this in at most 2.5 %: the band of EXIT_COVERAGE would have to
        miss it on the one side that matters (as Fieller's theorem, from memory).
        """
        sign = math.copysign(1.0, self.per_year_deg)

        def clear(years: float) -> bool:
            return sign * (limit_btdc - self.at(years)) > self.expanded_at(years, EXIT_COVERAGE)

        if not clear(0.0):
            return 0.0
        early, late = 0.0, FURTHEST_YEARS
        if clear(late):
            return None
        for _ in range(50):  # what is clear of the limit is one stretch: expanded_at is convex
            middle = (early + late) / 2.0
            early, late = (middle, late) if clear(middle) else (early, middle)
        return early


def fit(points: Sequence[DatedMean], period_deg: float = 360.0) -> Line | None:
    """Fit the line to the LATEST points that weigh; None when there are too few.

    Generalised least squares with one level for each stretch and one slope. Angles that differ by
    ``period_deg`` are the same. Source: JCGM 100:2008, 5.2 and G.4 (the factor is interpolated,
    G.6.4, not truncated). Where the points lie further from the line than their uncertainties
    explain, these are widened by Birge's ratio (from memory) with Student's factor for ``free``.
    """
    points = [each for each in points if weighs(each.parts)][-LATEST:]
    levels = sorted({each.level for each in points})
    free = len(points) - len(levels) - 1
    if free < 1 or not _two_days_in_a_stretch(points):
        return None
    angles = np.array([each.mean_btdc for each in points])
    angles = nearest(angles, float(angles[-1]), period_deg)  # a run without jumps of a period
    years = np.array([each.day for each in points]) / DAYS_A_YEAR
    years -= years[-1]
    design = np.zeros((len(points), len(levels) + 1))
    design[:, 0] = years
    for row, each in enumerate(points):
        design[row, 1 + levels.index(each.level)] = 1.0
    steady, estimates = _estimates(points)
    root = np.linalg.cholesky(steady)
    white, sought = np.linalg.solve(root, design), np.linalg.solve(root, angles)
    across, along = np.linalg.qr(white)  # the normal equations would lose half of the digits
    found = np.linalg.solve(along, across.T @ sought)
    # What each point does to slope and level: found = weights @ angles.
    weights = np.linalg.solve(along, across.T) @ np.linalg.inv(root)
    scatter = math.sqrt(float(np.sum((sought - white @ found) ** 2)) / free)
    slope, level = weights[0], weights[1 + levels.index(points[-1].level)]
    last = float(found[1 + levels.index(points[-1].level)])
    parts = [
        LinePart(each.of(level, level), each.of(level, slope), each.of(slope, slope), each.nu)
        for each in estimates
    ]
    if scatter**2 > _far(free, estimates, TOO_FAR):
        level_, both, slope_ = (
            scatter**2 * math.fsum(getattr(part, each) for part in parts)
            for each in ("level", "both", "slope")
        )
        parts = [LinePart(level_, both, slope_, float(free))]
    U, nu = _expanded([(part.slope, part.nu) for part in parts])
    strays = scatter**2 > _far(free, estimates, STRAYS)
    far = float(np.max(np.abs(angles - design @ found)))
    return Line(float(found[0]), U, last, free, scatter, len(points), nu, tuple(parts), strays, far)


def _two_days_in_a_stretch(points: Sequence[DatedMean]) -> bool:
    days = {(each.level, round(each.day, 3)) for each in points}
    return len(days) > len({level for level, _ in days})


@dataclass(frozen=True, slots=True)
class _Estimate:
    """What one estimated variance adds to the points, and its degrees of freedom.

    ``variances`` are those of the points; errors of the same of ``blocks`` are wholly correlated,
    others independent.
    """

    variances: NDArray[np.float64]
    blocks: NDArray[np.int64]
    nu: float

    def of(self, one: NDArray[np.float64], two: NDArray[np.float64]) -> float:
        """Covariance of two sums over the points, by their weights."""
        u = np.sqrt(self.variances)
        ones, twos = (np.bincount(self.blocks, each * u) for each in (one, two))
        return float(ones @ twos)

    def covariance(self) -> NDArray[np.float64]:
        """That of all points."""
        u = np.sqrt(self.variances)
        return np.where(self.blocks[:, None] == self.blocks[None, :], np.outer(u, u), 0.0)


def _estimates(points: Sequence[DatedMean]) -> tuple[NDArray[np.float64], list[_Estimate]]:
    """The covariance that the points weigh by, and the estimates behind what they state.

    Own contributions are independent; shared ones are wholly correlated within a reference.
    """
    each_its_own = np.arange(len(points))
    references = [each.shares for each in points]
    shared = np.array([references.index(each) for each in references])
    covariance = np.zeros((len(points), len(points)))
    own = np.zeros(len(points))
    found = []
    for source in sorted({part.source for each in points for part in each.parts}):
        blocks = each_its_own if source in OWN_PARTS else shared
        steady, estimates = _of_source(points, source, blocks)
        found += estimates
        if source in OWN_PARTS:
            own += steady
        else:
            covariance += _Estimate(steady, blocks, math.inf).covariance()
    # Readings that agree by chance leave a point nothing of its own.
    return covariance + np.diag(np.maximum(own, LEAST_DEG**2)), found


def _of_source(
    points: Sequence[DatedMean], source: Source, blocks: NDArray[np.int64]
) -> tuple[NDArray[np.float64], list[_Estimate]]:
    """One kind of contribution: the variances that the points weigh by, and the estimates.

    Estimated variances are pooled where they agree. Where they do not, each counts as stated, and
    the weights use a mean of its own and the pooled one, which depends less on chance.
    """
    stated = np.zeros(len(points))
    groups: dict[tuple[int, float], list[int]] = {}  # points that rest on one estimate
    for row, each in enumerate(points):
        for part in each.parts:
            if part.source is source:
                stated[row] += part.u_deg**2
                groups.setdefault((int(blocks[row]), part.nu), []).append(row)
    # A spread is compared as that of one reading.
    counts = [float(max(each.n, 1)) if source is Source.REPEATABILITY else 1.0 for each in points]
    guessed = [(nu, rows) for (_, nu), rows in groups.items() if math.isfinite(nu)]
    known = stated.copy()
    for _, rows in guessed:
        known[rows] = 0.0
    found = [_Estimate(known, blocks, math.inf)] if known.any() else []
    if not guessed:
        return known, found
    nus = np.array([nu for nu, _ in guessed])
    sizes = np.array([stated[rows[0]] * counts[rows[0]] for _, rows in guessed])
    alike = _alike(sizes, nus)
    pooled = float(nus @ sizes / np.sum(nus))
    if not alike:  # one wild spread is not to make all others wild
        pooled = math.exp(float(nus @ np.log(np.maximum(sizes, LEAST_DEG**2)) / np.sum(nus)))
    steady = stated.copy()
    for (nu, rows), size in zip(guessed, sizes, strict=True):
        mixed = pooled if alike else (nu * size + PRIOR_NU * pooled) / (nu + PRIOR_NU)
        for row in rows:
            steady[row] = mixed / counts[row]
        if not alike:
            own = np.where(np.isin(np.arange(len(points)), rows), stated, 0.0)
            found.append(_Estimate(own, blocks, nu))
    if alike:
        found.append(_Estimate(steady - known, blocks, float(np.sum(nus))))
    return steady, found


def _alike(variances: NDArray[np.float64], nu: NDArray[np.float64]) -> bool:
    """Bartlett's test for equal variances (from memory; any textbook)."""
    from scipy.special import chdtrc

    if len(variances) < 2:
        return True
    variances = np.maximum(variances, LEAST_DEG**2)
    total = float(np.sum(nu))
    pooled = float(np.sum(nu * variances)) / total
    statistic = total * math.log(pooled) - float(np.sum(nu * np.log(variances)))
    k = len(variances)
    correction = 1.0 + (float(np.sum(1.0 / nu)) - 1.0 / total) / (3.0 * (k - 1))
    return float(chdtrc(k - 1, statistic / correction)) >= UNLIKE


def _far(free: int, estimates: Sequence[_Estimate], chance: float) -> float:
    """The square of the scatter that ``chance`` exceeds in that part of histories (the F
    distribution)."""
    from scipy.special import chdtri, fdtri

    _, nu = _expanded([(float(np.sum(each.variances)), each.nu) for each in estimates])
    if math.isinf(nu):
        return float(chdtri(free, chance)) / free
    return float(fdtri(free, nu, 1.0 - chance))


def _expanded(
    variances: Sequence[tuple[float, float]], coverage: float = COVERAGE
) -> tuple[float, float]:
    """Expanded uncertainty of independent (variance, nu), and the degrees of freedom of all.

    Welch and Satterthwaite (JCGM 100:2008, G.4.1), with the correction for small ``nu``: the square
    of an estimated variance is too large by (nu + 2)/nu on average (from memory).
    """
    from scipy.special import ndtri, stdtrit

    upper = (1.0 + coverage) / 2.0
    variance = math.fsum(each for each, _ in variances)
    squares = math.fsum(each * each / (nu + 2.0) for each, nu in variances)
    if variance <= 0.0 or squares <= 0.0:
        return float(ndtri(upper)) * math.sqrt(max(variance, 0.0)), math.inf
    nu_eff = max(variance * variance / squares - 2.0, min(nu for _, nu in variances), 1.0)
    return float(stdtrit(nu_eff, upper)) * math.sqrt(variance), nu_eff

"""Rules that turn a mean, its uncertainty and its limits into a verdict, in the manner of JCGM
106:2012.

Plain numbers of one unit. Callers pass angles as deviations from the nominal, so nothing here needs
to wrap. One without end is no limit.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

from rig.base.uncertainty import Contribution, Source, Uncertainty, combine
from rig.engine.profile import Rule
from rig.timing.values import Verdict

MOST_READINGS = 200  # nobody takes more readings than this to decide a verdict
_SLACK = 1e-9  # a mean exactly on its acceptance limit is accepted (37 - 0.3 = 36.7)


def conformance_probability(
    value: float, u: float, lower: float, upper: float, nu: float = math.inf
) -> float:
    """Probability that the true value lies between the limits, given ``value`` +/- ``u``.

    ``u`` is a standard uncertainty with ``nu`` degrees of freedom, the distribution Student's
    (JCGM 100:2008, G.3), which is the normal one for math.inf (JCGM 106:2012, clause 7).
    Raises ``ValueError`` unless ``u`` is positive.
    """
    if not u > 0.0:
        raise ValueError(f"standard uncertainty {u} must be positive")
    from scipy.special import ndtr, stdtr

    # Summed from the tails, so that a probability near 1 keeps its digits.
    tails = ((value - upper) / u, (lower - value) / u)
    return 1.0 - sum(float(ndtr(z) if math.isinf(nu) else stdtr(nu, z)) for z in tails)


def acceptance_limits(lower: float, upper: float, w: float) -> tuple[float, float]:
    """The limits moved inwards by the guard band ``w``. If the lower is then above the upper, no
    value can be accepted (JCGM 106:2012, clause 8)."""
    return lower + w, upper - w


def decide(
    value: float, U: float | None, lower: float, upper: float, rule: Rule = "guarded"
) -> Verdict:
    """Verdict on ``value`` by a rule; ``U`` is its expanded uncertainty, None if not known."""
    if rule == "simple":
        return "inside" if _within(value, lower, upper) else "outside"
    if U is None:
        return "inconclusive"
    if _within(value, *acceptance_limits(lower, upper, U)):
        return "inside"
    return "inconclusive" if _within(value, *acceptance_limits(lower, upper, -U)) else "outside"


def judge(
    value: float, uncertainty: Uncertainty | None, lower: float, upper: float, rule: Rule
) -> tuple[Verdict, float | None]:
    """Verdict by a rule; if it is inconclusive, with the probability that the true value is inside,
    as far as that is known."""
    verdict = decide(value, uncertainty.U_deg if uncertainty else None, lower, upper, rule)
    if verdict != "inconclusive" or uncertainty is None or not uncertainty.u_deg > 0.0:
        return verdict, None
    of = uncertainty
    return verdict, conformance_probability(value, of.u_deg, lower, upper, of.nu_eff)


def _within(value: float, lower: float, upper: float) -> bool:
    return lower - _SLACK <= value <= upper + _SLACK


def sd_interval(sd: float, nu: float) -> tuple[float, float]:
    """95 % interval for the true standard deviation behind ``sd`` with ``nu`` degrees of freedom,
    from the chi-square distribution of nu s^2 / sigma^2 (normal data)."""
    from scipy.special import chdtri

    low, high = (sd * math.sqrt(nu / float(chdtri(nu, tail))) for tail in (0.025, 0.975))
    return low, high


def decide_spread(sd: float | None, n: int, limit: float | None, rule: Rule = "guarded") -> Verdict:
    """Verdict on a standard deviation of ``n`` values against its own upper ``limit``.

    "guarded": inside when the whole 95 % interval of the true one lies within the limit, outside
    when all of it lies beyond.
    """
    if limit is None:
        return "no window set"
    if sd is None:
        return "inconclusive"
    if rule == "simple":
        return "inside" if sd <= limit else "outside"
    low, high = sd_interval(sd, n - 1)
    if high <= limit:
        return "inside"
    return "outside" if low > limit else "inconclusive"


def with_readings(parts: Sequence[Contribution], n: int, wanted: float) -> Uncertainty:
    """The uncertainty with ``wanted`` readings instead of ``n``.

    Mean, SD and all other contributions are assumed to stay; ``math.inf`` readings leave no
    repeatability at all.
    """
    return combine(
        [
            replace(p, u_deg=p.u_deg * math.sqrt(n / wanted), nu=p.nu + (wanted - n))
            if p.source is Source.REPEATABILITY
            else p
            for p in parts
        ]
    )


def more_readings(parts: Sequence[Contribution], n: int, margin: float) -> int | None:
    """How many more readings bring U down to ``margin``; None if ``MOST_READINGS`` do not."""
    enough = range(1, MOST_READINGS + 1)
    found = bisect.bisect_left(
        enough, True, key=lambda more: with_readings(parts, n, n + more).U_deg <= margin
    )
    return enough[found] if found < len(enough) else None


# With more readings to come than this, nobody would wait for the verdict (common practice, no
# source).
MANY_READINGS = 30


@dataclass(frozen=True, slots=True)
class Remedy:
    """What would decide an inconclusive figure: ``readings`` more; or (0) a smaller contribution
    from ``shrink``, at which something can be done. Else ``largest`` is the largest contribution
    that readings leave, None where it is on its limit."""

    readings: int = 0
    shrink: Source | None = None
    largest: Source | None = None


def remedy(
    margin: float,
    uncertainty: Uncertainty | None,
    n: int,
    at_best: Mapping[Source, float] = MappingProxyType({}),
) -> Remedy:
    """What would decide a mean of ``n`` readings that is ``margin`` degrees from its nearer limit.

    ``at_best`` has the standard uncertainties, degrees, to which something at the bench can bring
    contributions. Source: the rule "guarded" and JCGM 100, 4.2.3.
    """
    if uncertainty is None:
        return Remedy(readings=2)
    more = more_readings(uncertainty.parts, n, margin)
    if more is not None and more <= MANY_READINGS:
        return Remedy(readings=more)
    parts = uncertainty.parts
    least = [replace(p, u_deg=min(p.u_deg, at_best.get(p.source, p.u_deg))) for p in parts]
    gains = [(p.u_deg - q.u_deg, p.source) for p, q in zip(parts, least, strict=True)]
    gain, source = max(gains, default=(0.0, None))
    enough = more_readings(least, n, margin)
    if gain > 0.0 and enough is not None and enough <= MANY_READINGS:
        return Remedy(shrink=source)
    left = [p for p in with_readings(parts, n, math.inf).parts if p.u_deg > 0.0]
    if more is not None or not left or combine(left).U_deg <= margin:
        return Remedy()
    return Remedy(largest=max(left, key=lambda part: part.u_deg).source)

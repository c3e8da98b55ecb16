"""The axis of openings on the screen, on the certificate's page and on paper: earlier at the left.

The crank comes to an earlier opening first. Angles are degrees BTDC.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from rig.base.rounding import entered
from rig.timing.values import Assessment

MOST_DEG = 720.0  # no opening is further from TDC than a whole cycle; such an angle is not drawn
MOST_TICKS = 6
MOST_U_DEG = 20.0  # no wider interval widens an axis


@dataclass(frozen=True, slots=True)
class Axis:
    """The angles that a drawing reaches over; ``early_btdc`` is the larger one."""

    early_btdc: float
    late_btdc: float

    def share(self, btdc_deg: float) -> float:
        """Place of an angle: 0 at the early end, 1 at the late one; beyond an end, the end."""
        share = (self.early_btdc - btdc_deg) / (self.early_btdc - self.late_btdc)
        return min(1.0, max(0.0, share))

    def beyond(self, btdc_deg: float) -> int:
        """+1 when earlier than the axis shows, -1 when later, else 0."""
        return (btdc_deg > self.early_btdc) - (btdc_deg < self.late_btdc)

    def ticks(self) -> list[float]:
        """Round angles on the axis, two to seven of them, late to early."""
        reach_deg = self.early_btdc - self.late_btdc
        power = 10.0 ** math.floor(math.log10(reach_deg / MOST_TICKS))
        step = next(k * power for k in (1, 2, 5, 10) if reach_deg / (k * power) <= MOST_TICKS)
        first, last = math.ceil(self.late_btdc / step), math.floor(self.early_btdc / step)
        return [k * step for k in range(first, last + 1)]


def reach(angles: Iterable[float], margin: float = 0.07) -> tuple[float, float]:
    """Early and late end of an axis that holds all ``angles``; at least 1 degree apart.

    ``margin`` is the share of their range that is left free on either side.
    """
    finite = [each for each in angles if abs(each) <= MOST_DEG]
    if not finite:
        return 0.5, -0.5
    low, high = min(finite), max(finite)
    free = max(margin * (high - low), 0.5 - (high - low) / 2.0)
    return high + free, low - free


def angles_of(assessment: Assessment) -> list[float]:
    """The angles that an axis has to show: limits, and the mean with its interval."""
    limits = (assessment.earliest_btdc, assessment.latest_btdc)
    return [*interval_of(assessment), *(each for each in limits if each is not None)]


def interval_of(assessment: Assessment) -> list[float]:
    """Both ends of the mean's interval; none without a mean."""
    mean, U_deg = assessment.mean_btdc, min(assessment.U_deg or 0.0, MOST_U_DEG)
    return [] if mean is None else [mean - U_deg, mean + U_deg]


def limit_text(btdc_deg: float) -> str:
    """A limit on a scale: ``36.5``, ``4 ATDC``; as finely as it was entered."""
    digits = entered(btdc_deg)
    return f"{digits[1:]} ATDC" if digits.startswith("-") else digits


class Rows:
    """Rows for words along an axis: each goes to the first row in which it has room, in order."""

    def __init__(self, rows: int) -> None:
        self._until = [-math.inf] * rows

    def take(self, begin: float, end: float) -> int | None:
        """The row for words from ``begin`` to ``end``; None if all are taken."""
        for row, until in enumerate(self._until):
            if until <= begin:
                self._until[row] = end
                return row
        return None


@dataclass(frozen=True, slots=True)
class Lane:
    """Readings against their window, as the screen, the certificate and the plots draw them: each
    of them, their mean and its expanded uncertainty; degrees BTDC."""

    btdc_deg: Sequence[float]
    mean_btdc: float | None
    U_deg: float | None
    past: bool = False  # as found, with as left beside it: drawn hollow

    @staticmethod
    def of(
        assessment: Assessment,
        btdc_deg: Iterable[float | None],
        *,
        past: bool = False,
        zero_deg: float = 0.0,
    ) -> Lane:
        """The lane of an assessment and its readings, counted from ``zero_deg``; what has no place
        is left out."""
        places = (e - zero_deg for e in btdc_deg if e is not None and math.isfinite(e))
        mean = assessment.mean_btdc
        mean = mean - zero_deg if mean is not None and math.isfinite(mean) else None
        return Lane(tuple(places), mean, assessment.U_deg, past)

    @property
    def bar(self) -> tuple[float, float] | None:
        """The early and the late end of the mean's interval; None where it is not known."""
        if self.mean_btdc is None or self.U_deg is None or not math.isfinite(self.U_deg):
            return None
        return self.mean_btdc + self.U_deg, self.mean_btdc - self.U_deg

"""Laws that the closed gaps of a chatter may follow.

How long the gaps are on the average, and whether they have a longest length, differs from one set
of contacts to the next. A law of the table is an exponential that ends at a bound: of all laws
with that mean and that bound the one that says least (E. T. Jaynes, Phys. Rev. 106, 620 (1957),
from memory). Without a bound it is the plain exponential; with a near one it is nearly even.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

USUAL_GAP_US = 100.0
USUAL_FACTOR = 2.5
"""A mean gap of this, give or take this factor, before any is seen (common practice, no source)."""
STRAY = 1e-5 / 4000.0
"""Density a microsecond of gaps that follow no law: one in a hundred thousand, even up to 4 ms."""

_SCALES_US, _BOUNDS = (
    table.ravel()
    for table in np.meshgrid(np.geomspace(20.0, 4000.0, 24), [1.0, 2.0, 3.0, 4.5, 1000.0])
)
"""The last bound, in scales, is none."""
_BOUNDS_US = _SCALES_US * _BOUNDS
_MASS = -np.expm1(-_BOUNDS)

MEANS_US: Floats = _SCALES_US - _BOUNDS_US * np.exp(-_BOUNDS) / _MASS
"""Mean of each law, microseconds; shape (laws,)."""


def prior() -> Floats:
    """Weight of each law before any gap is seen, (laws,)."""
    off = np.log(MEANS_US / USUAL_GAP_US) / math.log(USUAL_FACTOR)
    weights = np.exp(-0.5 * off**2)
    return np.asarray(weights / weights.sum())


def log_density(gaps_us: Sequence[float]) -> Floats:
    """Logarithm of the probability a microsecond of each of n gaps under each law; (n, laws)."""
    gaps = np.array(gaps_us, np.float64)[:, None]
    density = np.where(gaps < _BOUNDS_US, np.exp(-gaps / _SCALES_US) / (_SCALES_US * _MASS), 0.0)
    return np.asarray(np.log(density + STRAY))


STEPS_US = np.geomspace(125.0, 4000.0, 16).tolist()
_AT_STEPS = np.exp(log_density(STEPS_US))


def least_density(weights: Floats) -> list[float]:
    """Probability a microsecond of a gap, by laws that are weighted so, (laws,): the least up to
    each of ``STEPS_US``."""
    least: list[float] = np.minimum.accumulate(_AT_STEPS @ weights).tolist()
    return least

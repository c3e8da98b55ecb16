"""Everything modulo a turn or a cycle: wrapping, and the mean and spread of angles.

359.9 and 0.1 are 0.2 apart. Two half-open intervals serve the whole program: ``wrap`` gives
(-period/2, period/2], ``modulo`` gives [0, period).

Source of mean and spread: Mardia and Jupp, Directional Statistics: the mean direction and the mean
resultant length R. Results have the unit of the period.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Sequence
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Angle = TypeVar("Angle", float, NDArray[np.float64])

LEAST_RESULTANT = 1e-9  # with a smaller mean resultant length, a mean would be rounding noise


def wrap(angle: Angle, period: float = 360.0) -> Angle:
    """``angle``, or each of an array, moved into (-period/2, period/2] by whole periods."""
    wrapped = angle % period
    return wrapped - period * (wrapped > period / 2.0)


def modulo(angle: Angle, period: float = 360.0) -> Angle:
    """``angle``, or each of an array, moved into [0, period) by whole periods."""
    wrapped = angle % period
    return wrapped - period * (wrapped >= period)  # a tiny negative angle rounds up to the end


def nearest(angle: Angle, place: float, period: float = 360.0) -> Angle:
    """``angle``, or each of an array, moved by whole periods to within half of one of ``place``."""
    return place + wrap(angle - place, period)


def resultant(angles: Sequence[float], period: float = 360.0) -> complex:
    """Mean of the unit vectors at ``angles``: its length is R, its direction the mean.

    Raises ``ValueError`` when there are no angles.
    """
    if len(angles) == 0:
        raise ValueError("no angles, so no mean")
    phases = np.fmod(np.asarray(angles, dtype=np.float64), period) * (2.0 * math.pi / period)
    return complex(np.mean(np.exp(1j * phases)))


def is_defined(angles: Sequence[float], period: float = 360.0) -> bool:
    """Whether the angles have a mean: there are some, and they do not cancel out."""
    return len(angles) > 0 and abs(resultant(angles, period)) >= LEAST_RESULTANT


def circular_mean(angles: Sequence[float], period: float = 360.0) -> float:
    """Mean direction in (-period/2, period/2].

    Raises ``ValueError`` when there is none: no angles, or angles that cancel out.
    """
    vector = resultant(angles, period)
    if abs(vector) < LEAST_RESULTANT:
        raise ValueError("the angles cancel out, so their mean is undefined")
    return wrap(cmath.phase(vector) * period / (2.0 * math.pi), period)


def mean_and_spread(angles: Sequence[float], period: float = 360.0) -> tuple[float, float | None]:
    """Circular mean, and the n - 1 standard deviation of the deviations from it.

    The repeatability of a mean is based on the latter (JCGM 100:2008, 4.2.2). The circular standard
    deviation divides by n, so it is too small for few readings; for a spread of a few degrees that
    is the only difference. None for the spread of a single angle. Raises ``ValueError`` as
    ``circular_mean`` does.
    """
    mean = circular_mean(angles, period)
    if len(angles) == 1:
        return mean, None
    squares = math.fsum(wrap(angle - mean, period) ** 2 for angle in angles)
    return mean, math.sqrt(squares / (len(angles) - 1))

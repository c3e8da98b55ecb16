"""The four states of an encoder are seldom equally wide: what that costs, and what was done."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.engine.profile import Encoder
from rig.faults import InputError

SURE = 4.0
"""A state is unequal when it differs from a quarter line by this many standard errors."""


@dataclass(frozen=True, slots=True)
class WidthCheck:
    """Widths of states 0..3 in counts, and the error that they make if left in, crank degrees.

    ``rms_deg`` is over the four edges, ``largest_deg`` of the worst; ``taken_out`` is true when
    the angles were freed of it.
    """

    widths: tuple[float, ...]
    rms_deg: float
    largest_deg: float
    sure: bool
    taken_out: bool
    measured: str
    words: str


def width_check(
    widths: Sequence[float], errors: Sequence[float], encoder: Encoder, *, taken_out: bool
) -> WidthCheck:
    """What unequal states cost, and what taking them out of the angles bought or would buy.

    ``widths`` and their standard ``errors`` have four numbers each, in counts, mean 1. Whether
    they were ``taken_out`` was decided while the crank turned: where the worst edge lies further
    off than the half-width stated for the encoder's graduation (``rig.session.settings``). Raises
    InputError for another shape. Source: the place of an edge is the sum of the widths before it.
    """
    if len(widths) != 4 or len(errors) != 4 or not all(math.isfinite(w) for w in widths):
        raise InputError("an encoder has four states: four widths and four standard errors")
    ratio = float(encoder.turns_per_crank_turn)
    count_deg = 360.0 / encoder.counts_per_turn / ratio
    wide = np.asarray(widths, np.float64)
    edges = np.concatenate([[0.0], np.cumsum(wide[:3] - 1.0)])
    off = (edges - edges.mean()) * count_deg
    rms, largest = float(np.sqrt(np.mean(off**2))), float(np.abs(off).max())
    sure = bool(np.any(np.abs(wide - 1.0) > SURE * np.maximum(errors, 1e-9)))
    measured = "states of " + ", ".join(f"{w:.2f}" for w in wide) + " counts"
    if not sure:
        words = "the four states are equal, as far as can be seen"
    elif taken_out:
        words = f"taken out, which buys {rms:.3f} degrees (up to {largest:.3f} at the worst edge)"
    else:
        words = (
            f"left in: taking them out would buy {rms:.3f} degrees (up to {largest:.3f} at the "
            "worst edge), no more than the encoder's own graduation of "
            f"{encoder.graduation_error_deg / ratio:g} either way"
        )
    return WidthCheck(tuple(float(w) for w in wide), rms, largest, sure, taken_out, measured, words)

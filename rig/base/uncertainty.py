"""Standard uncertainties and their combination by JCGM 100:2008 (GUM)."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Annotated, Literal

import numpy as np

from rig.base.codec import number, text

Text = Annotated[str, text(10_000)]
Size = Annotated[float, number(0.0, 360.0)]
Freedom = Annotated[float, number(1.0, math.inf)]


class Source(StrEnum):
    """Where a contribution to an uncertainty comes from. The value is its code in files and
    ``--json``; ``rig.words`` has the words."""

    REPEATABILITY = "repeatability"
    TDC = "tdc"
    COUNTING = "counting"  # placing an event between encoder edges
    GRADUATION = "graduation"
    RUN_OUT = "run-out"
    BACKLASH = "backlash"  # of a unit's drive
    BACKLASH_OF_BOTH = "backlash-of-both"  # of two units in their difference
    SENSING_DELAY = "sensing-delay"  # of a unit's front end
    HELD = "held"  # a crank held by hand while the unit is moved
    OFFSET = "offset"  # of a cylinder
    ENCODER_BACKLASH = "encoder-backlash"
    ENTERED = "entered"  # by a person
    GAUGE = "gauge"
    UNEQUAL_DROPS = "unequal-drops"  # between points of nearly equal piston drop
    TOUCHED_AGAIN = "touched-again"
    ENTERED_TDC = "entered-tdc"  # of a cylinder on a link rod, after cylinder 1's
    OTHER = "other"


_EARLIER_NAMES = {
    "top dead centre": Source.TDC,
    "play": Source.BACKLASH,
    "play of both": Source.BACKLASH_OF_BOTH,
    "hand": Source.HELD,
    "cylinder offset": Source.OFFSET,
    "play of the encoder's drive": Source.ENCODER_BACKLASH,
    "statement": Source.ENTERED,
    "lifts nearly equal": Source.UNEQUAL_DROPS,
    "touched once more": Source.TOUCHED_AGAIN,
}


@dataclass(frozen=True, slots=True)
class Contribution:
    """One part of an uncertainty: standard uncertainty in degrees and degrees of freedom."""

    source: Source
    u_deg: Size
    nu: Freedom  # math.inf if taken as exact
    kind: Literal["A", "B"]
    how: Text = field(compare=False)  # one line for the reader: its origin and clause
    of: Text = ""  # the unit, if two are compared

    @staticmethod
    def earlier(plain: Mapping[str, object]) -> dict[str, object]:
        """Plain values with source and unit in place of the name in older files."""
        if "name" not in plain or "source" in plain:
            return dict(plain)
        name, _, of = str(plain["name"]).partition(", ")
        codes = {each.value: each for each in Source}
        source = _EARLIER_NAMES.get(name) or codes.get(name) or Source.OTHER
        rest = {key: value for key, value in plain.items() if key != "name"}
        return rest | {"source": source.value, "of": of}


@dataclass(frozen=True, slots=True)
class Uncertainty:
    """Combined and expanded: ``U_deg = k * u_deg`` at about 95 %."""

    u_deg: Size
    nu_eff: Freedom
    k: Annotated[float, number(0.0, 1000.0)]
    U_deg: Annotated[float, number(0.0, 10_000.0)]
    parts: tuple[Contribution, ...]


def combine(parts: Sequence[Contribution], coverage: float = 0.95) -> Uncertainty:
    """Combine independent parts into one expanded uncertainty, all in degrees.

    Root sum of squares (JCGM 100:2008, 5.1.2), effective degrees of freedom by
    Welch-Satterthwaite (G.4.1), Student factor at ``nu_eff`` truncated (see ``student_t``).
    ``nu_eff`` is kept untruncated. Raises ``ValueError`` for a negative or not-a-number part,
    for degrees of freedom below 1 and for a coverage outside (0, 1).
    """
    for part in parts:
        if not (part.u_deg >= 0.0 and math.isfinite(part.u_deg)):
            raise ValueError(f"{part.source}: standard uncertainty {part.u_deg} is not a size")
        if not part.nu >= 1.0:
            raise ValueError(f"{part.source}: degrees of freedom {part.nu}; at least 1 is needed")
    u_deg, nu_eff = root_sum(*((part.u_deg, part.nu) for part in parts))
    k = student_t(nu_eff, coverage)
    return Uncertainty(u_deg, nu_eff, k, k * u_deg, tuple(parts))


def root_sum(*parts: tuple[float, float]) -> tuple[float, float]:
    """Standard uncertainty and effective degrees of freedom of a sum of independent (u, nu).

    Source: JCGM 100:2008, 5.1.2 and G.4.1.
    """
    u = math.hypot(*(u for u, _ in parts))
    inverse = sum((part / u) ** 4 / nu for part, nu in parts) if u > 0.0 else 0.0
    return u, 1.0 / inverse if inverse > 0.0 else math.inf


def student_t(nu: float, coverage: float = 0.95) -> float:
    """Two-sided Student factor for ``nu`` degrees of freedom (JCGM 100:2008, Table G.2).

    ``nu`` is rounded to one decimal and then truncated to the next lower integer: the Guide
    truncates (G.4.1), but prints 18.9987 as 19.0 and uses 19 in the example beside it. The factor
    is rounded to 6 decimals, as versions of the library differ from the 9th on. Raises
    ``ValueError`` for ``nu`` below 1 or a coverage outside (0, 1).
    """
    if not 0.0 < coverage < 1.0:
        raise ValueError(f"coverage {coverage} is not between 0 and 1")
    if not nu >= 1.0:
        raise ValueError(f"degrees of freedom {nu}; at least 1 is needed")
    from scipy.special import ndtri, stdtrit

    upper = (1.0 + coverage) / 2.0
    if math.isinf(nu):
        return round(float(ndtri(upper)), 6)
    return round(float(stdtrit(float(math.floor(round(nu, 1))), upper)), 6)


def rectangular(half_width: float) -> float:
    """Standard uncertainty of a value anywhere within +/- ``half_width``, any unit.

    Source: JCGM 100:2008, 4.3.7.
    """
    return half_width / math.sqrt(3.0)


def sure_within(part: Contribution, half_width: float, coverage: float = 0.95) -> Uncertainty:
    """The uncertainty of what is sure to be within +/- ``half_width`` and has no other ``part``.

    A rectangular distribution has ``coverage`` of itself within that share of its half-width:
    0.95 a at 95 %, where a normal one of the same standard uncertainty would take 1.96 a/sqrt(3),
    beyond where the value can be (JCGM 100:2008, 4.3.7 and G.1.3). Raises ``ValueError`` unless
    ``part`` has the standard uncertainty of such a distribution.
    """
    if not math.isclose(part.u_deg, rectangular(half_width), rel_tol=1e-12):
        raise ValueError(f"{part.source}: {part.u_deg} is not rectangular within {half_width}")
    k = coverage * math.sqrt(3.0)
    return Uncertainty(part.u_deg, math.inf, k, k * part.u_deg, (part,))


def u_shaped(half_width: float) -> float:
    """Standard uncertainty of a sine of amplitude ``half_width`` whose phase is not known.

    Source: JCGM 100:2008, H.1.3.4 (arcsine distribution).
    """
    return half_width / math.sqrt(2.0)


def quantisation(step: float) -> float:
    """Standard uncertainty of a value rounded to the nearest ``step``.

    Source: JCGM 100:2008, F.2.2.1.
    """
    return step / math.sqrt(12.0)


def mean_and_sd(values: Sequence[float]) -> tuple[float, float | None]:
    """Mean and experimental standard deviation (n - 1), in two passes; None for the SD of one.

    For straight quantities; angles go through ``rig.base.angles``.
    Source: JCGM 100:2008, 4.2.1 and 4.2.2. Raises ``ValueError`` when there is no value.
    """
    if len(values) == 0:
        raise ValueError("no values, so no mean")
    data = np.asarray(values, dtype=np.float64)
    mean = float(np.mean(data))
    return mean, float(np.std(data, ddof=1)) if data.size > 1 else None

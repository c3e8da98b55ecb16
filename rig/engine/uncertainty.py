"""Standard uncertainties and their combination after JCGM 100:2008 (GUM)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class Contribution:
    """One part of an uncertainty: standard uncertainty in degrees and degrees of freedom."""

    name: str  # "repeatability", "top dead centre", "counting", "graduation", "run-out", "play"
    u_deg: float
    nu: float  # math.inf when taken as exact
    kind: Literal["A", "B"]
    how: str  # one line: from what, and by which clause


@dataclass(frozen=True, slots=True)
class Uncertainty:
    """Combined and expanded: ``U_deg = k * u_deg`` at about 95 %."""

    u_deg: float
    nu_eff: float
    k: float
    U_deg: float
    parts: tuple[Contribution, ...]

"""Plain numbers and times for screen and paper.

Angles with their uncertainty: ``rig.base.rounding``.
"""

from __future__ import annotations

import math

from rig.base import rounding
from rig.base.rounding import many
from rig.engine.gear_train import VernierMove
from rig.engine.profile import Coupling


def number(value: float | None, decimals: int = 1) -> str:
    """A figure with its decimals, or a dash if there is none."""
    if value is None or not math.isfinite(value):
        return "–"
    return rounding.figure(value, decimals=decimals)


def degrees(value: float | None, decimals: int = 1) -> str:
    """``1.4°``, or a dash if there is no figure."""
    text = number(value, decimals)
    return text if text == "–" else text + "°"


def clock(seconds: float) -> str:
    """Elapsed time: ``4:07`` or ``1:04:07``."""
    whole = max(0, int(seconds)) if math.isfinite(seconds) else 0
    hours, rest = divmod(whole, 3600)
    minutes, left = divmod(rest, 60)
    return f"{hours}:{minutes:02d}:{left:02d}" if hours else f"{minutes}:{left:02d}"


def entered(angle_deg: float) -> str:
    """An entered angle, as finely as entered: "36°", "35.25°"."""
    return f"{rounding.entered(angle_deg)}°"


def grouped(digits: str, group: int = 8) -> str:
    """A row of digits in groups, for easier reading."""
    return " ".join(digits[i : i + group] for i in range(0, len(digits), group))


def coupling_move(coupling: Coupling, move: VernierMove) -> str:
    """How a toothed coupling is put together again: "put its middle piece 3 teeth on, .."."""

    def way(teeth: int) -> str:
        if teeth == 0:
            return "where it was"
        side = "on, in the shaft's rotation" if teeth > 0 else "back, against the shaft's rotation"
        return f"{many(abs(teeth), 'tooth', 'teeth')} {side},"

    drive, unit = (many(n, "tooth", "teeth") for n in (coupling.drive_teeth, coupling.unit_teeth))
    return (
        f"put its middle piece {way(move.drive_teeth)} in the {drive} of the drive, and the unit's"
        f" half {way(-move.unit_teeth)} in the {unit} of the middle piece"
    )


def angle(btdc_deg: float | None, places: int = 2) -> str:
    """``36.20° BTDC``, ``4.00° ATDC``, or a dash if not known."""
    return "-" if btdc_deg is None else rounding.btdc(btdc_deg, decimals=places)

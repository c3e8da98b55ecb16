"""How well an angle is known, as a person types it: degrees, or a length round the engine's rim."""

from __future__ import annotations

import re
from dataclasses import dataclass

from rig.engine.geometry import MM_PER_INCH, deg_from_rim_tape
from rig.engine.mistakes import shown
from rig.engine.section import fraction_of
from rig.faults import InputError

MOST_CHARACTERS = 40
DEGREES = ("", "°", "deg", "degrees")
LENGTHS = {"mm": 1.0, "in": MM_PER_INCH, "inch": MM_PER_INCH, '"': MM_PER_INCH}
_TYPED = re.compile(r'([0-9 .,/]+?)\s*(°|deg|degrees|mm|in|inch|")?\.?')


@dataclass(frozen=True, slots=True)
class Within:
    """A limit on either side: crank degrees, and in words as it was stated."""

    deg: float
    words: str
    of_rim: bool  # stated as a length round the rim


def typed_within(text: str, rim_diameter_mm: float | None) -> Within:
    """A limit as typed: ``0.5``, ``0,5 deg``, ``2 mm``, ``1/16 in``; a length is laid round the
    rim as a tape.

    Raises InputError for anything else, for a length where no rim is stated, and for a limit that
    is nothing or more than half a turn. 1 in = 25.4 mm exactly (definition).
    """
    match = _TYPED.fullmatch(text.strip().casefold()) if len(text) <= MOST_CHARACTERS else None
    size = fraction_of(match[1].replace(",", ".")) if match else None
    if match is None or size is None:
        raise InputError(
            f"{shown(text)} says not how well it is known; type degrees (0.5), or a length round"
            " the rim (2 mm, 1/16 in)"
        )
    unit = match[2] or ""
    if unit in DEGREES:
        deg, words, of_rim = float(size), f"{float(size):g}°", False
    elif rim_diameter_mm is None:
        raise InputError(
            "a length says nothing without the rim's diameter: state rim_diameter_mm or"
            " rim_diameter_in under [engine], or type degrees"
        )
    else:
        deg = deg_from_rim_tape(float(size) * LENGTHS[unit], rim_diameter_mm)
        length = f"{match[1].strip()} {unit} round a rim of {rim_diameter_mm:g} mm"
        of_rim, words = True, f"{deg:.3g}° ({length})"
    if not 0.0 < deg <= 180.0:
        raise InputError(f"{shown(text)}: more than 0 and at most 180 degrees are a limit")
    return Within(deg, words, of_rim)

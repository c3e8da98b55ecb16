"""A new place in a drive dog or hub, to lay out: angle, radius, arc and chord, dimensioned."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.faults import InputError
from rig.record.ink import visible
from rig.record.plots import sheet

if TYPE_CHECKING:
    from matplotlib.axes import Axes

SIDE_IN = 6.6


@dataclass(frozen=True, slots=True)
class Place:
    """Where the new place lies: ``unit_deg`` round from the old one, ``way`` as seen from there."""

    part: str
    half: str
    unit_deg: float
    radius_mm: float
    arc_mm: float
    chord_mm: float
    way: str
    seen_from: str
    crank_deg: float


def place_of(step: Mapping[str, Any]) -> Place:
    """The place that a step of a correction asks for. Raises InputError when it is none such."""
    try:
        figures = step["figures"]
        place = Place(
            str(step["part"]),
            str(figures["half"]),
            abs(float(figures["unit_deg"])),
            float(figures["radius_mm"]),
            float(figures["arc_mm"]),
            float(figures["chord_mm"]),
            str(figures["way"]),
            str(figures["seen_from"]),
            float(figures["crank_deg"]),
        )
    except (KeyError, TypeError, ValueError) as why:
        raise InputError(f"this step is no new place to lay out: {why} is missing") from None
    if not (0.0 < place.radius_mm < 1e4 and place.unit_deg <= 180.0):
        raise InputError("this step is no place to lay out: its radius or its angle cannot be")
    return place


@sheet.styled
def draw(place: Place, path: Path) -> Path:
    """Draw it. The old place stands at the top. Raises InputError when it cannot be written."""
    under = (
        f"{place.half} of the drive, seen from the unit's {place.seen_from}; not to scale on "
        "paper: work to the figures"
    )
    figure = sheet.paper(SIDE_IN, SIDE_IN + 0.9, f"New place in the drive of {place.part}", under)
    at = sheet.axes(figure, 0.3, 0.75, SIDE_IN - 0.6, SIDE_IN - 0.6)
    at.set_axis_off()
    at.set_xlim(-1.5, 1.5)
    at.set_ylim(-1.5, 1.5)
    _layout(at, place)
    earlier = "earlier" if place.crank_deg >= 0.0 else "later"
    figure.text(
        0.5, 0.72 / (SIDE_IN + 0.9),
        f"{place.unit_deg:.2f}° {place.way} of the old one makes {visible(place.part)}"
        f" {abs(place.crank_deg):.2f} crank degrees {earlier}",
        ha="center", fontsize=9.0,
    )  # fmt: skip
    sheet.note(
        figure,
        "This cannot be undone. The drive must still carry its load: the maker's manual or a "
        "licensed person decides whether it may be cut.",
    )
    return sheet.write(figure, path)


def _layout(at: Axes, place: Place) -> None:
    turned = math.radians(place.unit_deg) * (1.0 if place.way == "clockwise" else -1.0)
    old, new = (0.0, 1.0), (math.sin(turned), math.cos(turned))
    round_ = [2.0 * math.pi * i / 360 for i in range(361)]
    at.plot([math.sin(a) for a in round_], [math.cos(a) for a in round_], color=sheet.SOFT, lw=0.8,
            dashes=(8, 3, 1, 3))  # fmt: skip
    for x, y in ((1.35, 0.0), (0.0, 1.35)):
        at.plot([-x, x], [-y, y], color=sheet.LINE, lw=0.7, dashes=(8, 3, 1, 3), zorder=1)
    at.plot([0.0, 1.2 * new[0]], [0.0, 1.2 * new[1]], color=sheet.INK, lw=0.9)
    at.plot([0.0, 1.2 * old[0]], [0.0, 1.2 * old[1]], color=sheet.INK, lw=0.9)
    at.plot(*old, marker="o", ms=15, mfc=sheet.PAPER, mec=sheet.INK, mew=1.2)
    at.plot(*new, marker="o", ms=15, mfc=sheet.BLUE, mec=sheet.INK, mew=1.2, zorder=5)
    at.text(0.0, 1.27, "old place", ha="center", va="bottom", fontsize=9)
    at.text(1.3 * new[0], 1.3 * new[1], "new place", fontsize=9, fontweight="bold",
            ha="left" if new[0] > 0 else "right", va="center")  # fmt: skip
    at.annotate("", new, old, arrowprops={"arrowstyle": "<|-|>", "color": sheet.ALERT, "lw": 1.1,
                                          "shrinkA": 8, "shrinkB": 8})  # fmt: skip
    arc = [turned * i / 60 for i in range(61)]
    at.plot([0.55 * math.sin(a) for a in arc], [0.55 * math.cos(a) for a in arc], color=sheet.INK,
            lw=0.9)  # fmt: skip
    half = turned / 2.0
    at.text(0.66 * math.sin(half), 0.66 * math.cos(half), f"{place.unit_deg:.2f}°", fontsize=11,
            ha="center", va="center", fontweight="bold",
            bbox={"boxstyle": "round,pad=0.15", "fc": sheet.PAPER, "ec": "none"})  # fmt: skip
    away = -1.0 if place.way == "clockwise" else 1.0
    at.annotate("", (away * math.sin(0.9), math.cos(0.9)), (0.0, 0.0),
                arrowprops={"arrowstyle": "-|>", "color": sheet.INK, "lw": 0.9})  # fmt: skip
    at.text(
        away * 0.5,
        0.3,
        f"radius {place.radius_mm:g} mm",
        fontsize=9.5,
        ha="center",
        va="top",
        bbox={"boxstyle": "round,pad=0.1", "fc": sheet.PAPER, "ec": "none"},
    )
    at.text(0.0, -0.5, f"straight across (chord)  {place.chord_mm:.2f} mm\n"
            f"round the circle (arc)  {place.arc_mm:.2f} mm", fontsize=10, ha="center", va="center",
            linespacing=1.7, bbox={"boxstyle": "round,pad=0.5", "fc": sheet.PAPER,
                                   "ec": sheet.LINE})  # fmt: skip

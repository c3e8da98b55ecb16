"""A new place in a drive dog or hub, to lay out: angle, radius, arc and chord, dimensioned.

All places that are on that half are shown. Beside the dimensioned drawing stands one at true scale,
with a bar to check the print by; a half too large for the paper is drawn at a stated scale.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.adjust import predictions
from rig.base.errors import InputError
from rig.base.escape import visible
from rig.plots import sheet
from rig.plots.sheet import Drawn, PlotRequest

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WIDE_IN, HEAD_IN, FOOT_IN = 7.2, 0.5, 0.9
SIDE_IN = 4.9  # of the dimensioned drawing
ROOM_IN = 4.3  # for the drawing at scale: the whole fits on a sheet of A4 or Letter
EDGE_IN = 0.7  # round it
MM_PER_IN = 25.4
SCALES = (1, 2, 5, 10, 20, 50)


"""A drawing that does not fit at 1:1 is drawn at 1 to one of these."""


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
    others_deg: tuple[float, ...] = ()  # the other places on that half, clockwise of the old one


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
            tuple(float(each) for each in figures.get("others_deg", ())),
        )
    except (KeyError, TypeError, ValueError) as why:
        raise InputError(f"this step is no new place to lay out: {why} is missing") from None
    if not (0.0 < place.radius_mm < 1e4 and place.unit_deg <= 180.0):
        raise InputError("this step is no place to lay out: its radius or its angle cannot be")
    return place


def scale_of(place: Place) -> int:
    """The paper shows one millimetre of this many. Raises InputError when none fits."""
    room_mm = (ROOM_IN / 2.0 - EDGE_IN) * MM_PER_IN
    fitting = [scale for scale in SCALES if place.radius_mm <= room_mm * scale]
    if not fitting:
        raise InputError(f"a radius of {place.radius_mm:g} mm is too large to be drawn")
    return fitting[0]


@sheet.styled
def draw(place: Place, path: Path) -> Path:
    """Draw it. The old place stands at the top. Raises InputError when it cannot be written."""
    scale = scale_of(place)
    true_in = 2.0 * (place.radius_mm / scale / MM_PER_IN + EDGE_IN)
    height = HEAD_IN + SIDE_IN + true_in + FOOT_IN
    under = f"{place.half} of the drive, seen from the unit's {place.seen_from}"
    figure = sheet.paper(WIDE_IN, height, f"New place in the drive of {place.part}", under)
    at = sheet.axes(figure, (WIDE_IN - SIDE_IN) / 2.0, FOOT_IN + true_in, SIDE_IN, SIDE_IN)
    at.set_axis_off()
    at.set_xlim(-1.5, 1.5)
    at.set_ylim(-1.5, 1.5)
    _layout(at, place)
    _at_scale(sheet.axes(figure, 0.0, FOOT_IN, WIDE_IN, true_in), place, scale)
    earlier = "earlier" if place.crank_deg >= 0.0 else "later"
    figure.text(
        0.5, 0.62 / height,
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


def _on_circle(clockwise_deg: float) -> tuple[float, float]:
    """A point on the circle of radius 1; the old place stands at the top."""
    angle = math.radians(clockwise_deg)
    return math.sin(angle), math.cos(angle)


def _new_deg(place: Place) -> float:
    return place.unit_deg if place.way == "clockwise" else -place.unit_deg


def _at_scale(at: Axes, place: Place, scale: int) -> None:
    """The circle with every place on it at its true size, and a bar to check the print by."""
    radius = place.radius_mm / scale
    wide, high = WIDE_IN * MM_PER_IN, 2.0 * (radius + EDGE_IN * MM_PER_IN)
    at.set_axis_off()
    at.set_xlim(-wide / 2.0, wide / 2.0)
    at.set_ylim(-high / 2.0, high / 2.0)
    round_ = [_on_circle(float(i)) for i in range(361)]
    at.plot([radius * x for x, _ in round_], [radius * y for _, y in round_], color=sheet.SOFT,
            lw=0.5)  # fmt: skip
    at.plot([-2.0, 2.0], [0.0, 0.0], color=sheet.INK, lw=0.4, gid="middle")
    at.plot([0.0, 0.0], [-2.0, 2.0], color=sheet.INK, lw=0.4)
    new_deg = _new_deg(place)
    for deg, name in ((0.0, "old"), *((each, "") for each in place.others_deg), (new_deg, "new")):
        x, y = _on_circle(deg)
        at.plot([(radius - 3.0) * x, (radius + 3.0) * x], [(radius - 3.0) * y, (radius + 3.0) * y],
                color=sheet.INK, lw=1.0 if name == "new" else 0.4,
                gid=f"place {deg:g}")  # fmt: skip
        if name:
            at.text((radius + 4.0) * x, (radius + 4.0) * y, name, fontsize=7.5,
                    ha="left" if x > 0.1 else "right" if x < -0.1 else "center",
                    va="bottom" if y >= 0.0 else "top",
                    fontweight="bold" if name == "new" else "normal")  # fmt: skip
    left, low = -wide / 2.0 + 8.0, -high / 2.0 + 4.0
    bar = [(left, -1.5), (left, 1.5), (left, 0.0)]
    bar += [(left + 50.0, 0.0), (left + 50.0, 1.5), (left + 50.0, -1.5)]
    at.plot([x for x, _ in bar], [low + y for _, y in bar], color=sheet.INK, lw=0.7)
    said = "true scale (1:1)" if scale == 1 else f"scale 1:{scale}, NOT true scale"
    at.text(left + 53.0, low, f"{said}; print at 100 %: this bar is 50 mm long", fontsize=7.5,
            va="center")  # fmt: skip


def _layout(at: Axes, place: Place) -> None:
    turned = math.radians(_new_deg(place))
    old, new = _on_circle(0.0), _on_circle(_new_deg(place))
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
    for deg in place.others_deg:
        x, y = _on_circle(deg)
        at.plot([0.9 * x, 1.1 * x], [0.9 * y, 1.1 * y], color=sheet.INK, lw=0.7)
        at.plot(x, y, marker="o", ms=11, mfc=sheet.PAPER, mec=sheet.INK, mew=0.8)
        at.text(1.2 * x, 1.2 * y, f"{deg:g}°", fontsize=7.5, ha="center", va="center",
                color=sheet.SOFT)  # fmt: skip
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


def plot(asked: PlotRequest, out: Path) -> Drawn:
    """Draw the hole or slot of the prediction taken last.

    Raises InputError when there is nothing to draw.
    """
    job = asked.open_job(asked.what[0])
    taken = predictions.load(asked.what[1]) if len(asked.what) > 1 else predictions.newest(job)
    if taken is None:
        raise InputError(f"{job.folder}: no option was taken yet; rig adjust --take takes one")
    steps = [step for step in taken.steps if step.get("means") == "recut"]
    if not steps:
        raise InputError(f"{taken.path}: no step of it drills or cuts anything")
    place = place_of(steps[0])
    path = draw(place, out)
    return Drawn(path, {"prediction": str(taken.path), "chord_mm": place.chord_mm,
                        "arc_mm": place.arc_mm, "unit_deg": place.unit_deg,
                        "radius_mm": place.radius_mm, "way": place.way})  # fmt: skip

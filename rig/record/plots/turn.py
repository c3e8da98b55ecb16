"""The turn, or the working cycle of a four-stroke, with all that happens on it.

Once round is a whole cycle, cylinder 1's firing dead centre at the top, in the engine's own
direction. Each unit has a ring: filled where its contacts are closed, hollow where they are open,
a bold stroke where they open.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, cast

from rig.record.ink import visible
from rig.record.plots import sheet

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.projections.polar import PolarAxes

WIDTH_IN, HIGH_IN, DISC_IN = 8.3, 6.7, 5.35
RING, APART, FIRST, TOP_WIDE = 0.075, 0.15, 0.79, 0.022
ROOM = 0.50  # for the rings, from the middle of the first one inwards
MOST_LINES, HEAD_WIDE, LINE_WIDE = 44, 44, 52


@dataclass(frozen=True, slots=True)
class Happens:
    """Something at a place of the cycle, degrees after cylinder 1's firing dead centre."""

    at_deg: float
    words: str = ""


@dataclass(frozen=True, slots=True)
class Ring:
    """One unit: where its contacts open and close, as means over the turns."""

    name: str
    openings: tuple[Happens, ...]
    closings: tuple[Happens, ...]


@dataclass(frozen=True, slots=True)
class Turn:
    """All of it. ``cycle_deg`` is what once round stands for; ``lines`` are listed beside it."""

    cycle_deg: float
    clockwise: bool
    seen_from: str
    tops: tuple[Happens, ...]  # firing dead centres
    other_tops: tuple[Happens, ...]  # cylinder 1 at the top on the other stroke
    rings: tuple[Ring, ...]
    index: tuple[Happens, ...]
    touches: tuple[Happens, ...]
    lines: tuple[str, ...]
    remark: str = ""


@sheet.styled
def draw(title: str, turn: Turn, path: Path) -> Path:
    """Draw the turn. Raises InputError when the file cannot be written."""
    round_is = "one turn" if turn.cycle_deg == 360.0 else "two turns, one working cycle"
    figure = sheet.paper(
        WIDTH_IN, HIGH_IN, title, f"once round is {round_is}; {turn.remark}".rstrip("; ")
    )
    at = sheet.axes(figure, 0.2, 0.52, DISC_IN, DISC_IN, projection="polar")
    _disc(cast("PolarAxes", at), turn)
    beside = sheet.axes(figure, DISC_IN + 0.25, 0.45, WIDTH_IN - DISC_IN - 0.4, HIGH_IN - 1.35)
    beside.set_axis_off()
    _beside(beside, turn.lines)
    sheet.note(
        figure,
        "ring filled: contacts closed; hollow: open; bold stroke: opening, in degrees BTDC (minus: "
        "after). Triangles: top dead centre; arrow: index; crosses: touches of the stop",
    )
    return sheet.write(figure, path)


def _disc(at: PolarAxes, turn: Turn) -> None:
    at.set_theta_zero_location("N")
    at.set_theta_direction(-1 if turn.clockwise else 1)
    at.set_ylim(0.0, 1.13)
    at.set_axis_off()
    _scale(at, turn.cycle_deg)
    apart = min(APART, ROOM / max(len(turn.rings), 1))
    for n, ring in enumerate(turn.rings):
        _ring(at, ring, FIRST - n * apart, min(RING, 0.7 * apart), turn.cycle_deg)
    for tops, filled in ((turn.tops, True), (turn.other_tops, False)):
        for top in tops:
            angle = _angle(top.at_deg, turn.cycle_deg)
            at.fill(
                [angle, angle - TOP_WIDE, angle + TOP_WIDE],
                [0.975, 1.03, 1.03],
                facecolor=sheet.INK if filled else sheet.PAPER,
                edgecolor=sheet.INK,
                lw=0.8,
            )
            at.text(angle, 1.085, top.words, ha="center", va="center", fontsize=9 if filled else 7,
                    fontweight="bold" if filled else "normal")  # fmt: skip
    inner = FIRST - (len(turn.rings) - 0.5) * apart
    for index in turn.index:
        angle = _angle(index.at_deg, turn.cycle_deg)
        at.annotate(
            "", (angle, 0.872), (angle, inner - 0.06),
            arrowprops={"arrowstyle": "-|>,head_length=0.25,head_width=0.14", "lw": 0.8,
                        "color": sheet.SOFT, "shrinkA": 0, "shrinkB": 0}, zorder=5,
        )  # fmt: skip
        at.text(angle, inner - 0.1, index.words, fontsize=6.5, ha="center", va="center",
                color=sheet.SOFT)  # fmt: skip
    for touch in turn.touches:
        angle = _angle(touch.at_deg, turn.cycle_deg)
        at.plot([angle], [0.985], marker="x", ms=5, color=sheet.ALERT, mew=1.2)
    way = "clockwise" if turn.clockwise else "anticlockwise"
    at.text(0.0, 0.0, f"{way}\nseen from the\n{visible(turn.seen_from)}", ha="center", va="center",
            fontsize=7, color=sheet.SOFT, linespacing=1.4)  # fmt: skip


def _angle(at_deg: float, cycle_deg: float) -> float:
    return 2.0 * math.pi * at_deg / cycle_deg


def _scale(at: PolarAxes | Axes, cycle_deg: float) -> None:
    """A degree disc: a stroke every 5 degrees, figures every 30 or 60."""
    around = [2.0 * math.pi * i / 720 for i in range(721)]
    at.plot(around, [0.96] * len(around), color=sheet.INK, lw=0.8)
    figures = 30 if cycle_deg == 360.0 else 60
    for deg in range(0, round(cycle_deg), 5):
        long = 0.024 if deg % 10 == 0 else 0.012
        angle = _angle(deg, cycle_deg)
        at.plot([angle, angle], [0.96 - long, 0.96], color=sheet.INK, lw=0.5)
        if deg % figures == 0:
            at.text(angle, 0.895, f"{deg}°", ha="center", va="center", fontsize=6.2,
                    color=sheet.SOFT)  # fmt: skip


def _ring(at: PolarAxes | Axes, ring: Ring, middle: float, wide: float, cycle_deg: float) -> None:
    around = [2.0 * math.pi * i / 720 for i in range(721)]
    for edge in (middle - wide / 2, middle + wide / 2):
        at.plot(around, [edge] * len(around), color=sheet.LINE, lw=0.5)
    opens = sorted(each.at_deg for each in ring.openings)
    for closing in ring.closings:
        until = min(((o - closing.at_deg) % cycle_deg for o in opens), default=0.0)
        start = _angle(closing.at_deg, cycle_deg)
        width = _angle(until, cycle_deg)
        at.bar(start, wide, width=width, bottom=middle - wide / 2, align="edge", color=sheet.BLUE,
               alpha=0.85, lw=0.0)  # fmt: skip
    for opening in ring.openings:
        angle = _angle(opening.at_deg, cycle_deg)
        at.plot([angle, angle], [middle - wide * 0.62, middle + wide * 0.62], color=sheet.INK,
                lw=2.2, solid_capstyle="butt")  # fmt: skip
        # In the hollow part that begins here.
        hollow = min(((c.at_deg - opening.at_deg) % cycle_deg for c in ring.closings), default=90.0)
        room = _angle(hollow, cycle_deg) * middle
        narrow = room < 0.15
        beside = angle + min(0.095, room / 2.0) / middle
        away = middle - 0.66 * wide - 0.03 if narrow else middle  # inside the ring: no room in it
        at.text(beside, away, opening.words, fontsize=5.4 if narrow else 5.8, ha="center",
                va="center",
                bbox={"boxstyle": "square,pad=0.05", "fc": sheet.PAPER, "ec": "none"})  # fmt: skip


def _beside(at: Axes, lines: Sequence[str]) -> None:
    shown: list[str] = []
    for line in lines:
        indent = "  " if line.startswith(" ") else ""
        wrapped = textwrap.wrap(visible(line.strip()), LINE_WIDE if indent else HEAD_WIDE)
        shown += [indent + wrapped[0], *("    " + rest for rest in wrapped[1:])]
    if len(shown) > MOST_LINES:
        shown = [*shown[:MOST_LINES], "…"]
    step = 1.0 / max(len(shown), 30)
    for n, line in enumerate(shown):
        under = line.startswith(" ")
        at.text(
            0.03 if under else 0.0,
            1.0 - n * step,
            line.strip(),
            va="top",
            transform=at.transAxes,
            fontsize=6.6,
            fontweight="normal" if under else "bold",
        )

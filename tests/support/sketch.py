"""The dashboard as a picture (PNG, SVG or PDF), for a page or a manual."""

from __future__ import annotations

from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING

from rich.cells import cell_len
from rich.style import Style

from rig.live.layout import render
from rig.live.text import PALETTE, Frame
from rig.live.view import View

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# The place of a character is 1 wide and _TALL high; the font that comes with matplotlib advances
# 0.602 of its size.
_TALL = 2.1
_INCH_PER_PLACE = 0.11
_POINTS = _INCH_PER_PLACE * 72.0 / 0.602
_GROUND, _INK, _BRIGHT = "#14171c", "#e8e6e0", "#ffffff"
_COLOURS = dict(PALETTE.values())
_BLOCKS: dict[str, tuple[float, float, float, float]] = {
    # left, lower edge, width, height in parts of a place
    "█": (0.0, 0.0, 1.0, 1.0),
    "▀": (0.0, 0.5, 1.0, 0.5),
    "▄": (0.0, 0.0, 1.0, 0.5),
    "▌": (0.0, 0.0, 0.5, 1.0),
    "▐": (0.5, 0.0, 0.5, 1.0),
    "─": (0.0, 0.48, 1.0, 0.04),
    "━": (0.0, 0.44, 1.0, 0.12),
}


def picture(view: View, path: Path, width: int = 80, height: int = 24) -> Path:
    """Draw ``view`` as a terminal of ``width`` by ``height`` places would show it.

    The kind of picture follows from the suffix of ``path``. Raises OSError when it cannot be
    written, ValueError for a suffix that matplotlib does not know.
    """
    from matplotlib.figure import Figure

    frame = render(view, width, height)
    inches = (_INCH_PER_PLACE * (width + 2), _INCH_PER_PLACE * _TALL * (height + 1))
    figure = Figure(figsize=inches, facecolor=_GROUND)
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(-1.0, width + 1.0)
    axes.set_ylim(height + 0.5, -0.5)
    axes.axis("off")
    _draw(axes, frame)
    figure.savefig(path, facecolor=_GROUND, dpi=120)
    return path


def _draw(axes: Axes, frame: Frame) -> None:
    for y, line in enumerate(frame.runs()):
        x = 0
        for text, style in line:
            _draw_run(axes, x, y, text, style)
            x += cell_len(text)


def _draw_run(axes: Axes, x: int, y: int, text: str, style: Style) -> None:
    number = style.color.number if style.color is not None else None
    colour = _COLOURS.get(number or 0, _BRIGHT if style.bold else _INK)
    if style.reverse:
        _rectangle(axes, x, y, (0.0, 0.0, float(cell_len(text)), 1.0), colour)
        colour = _GROUND
    for drawn, group in groupby(text, key=lambda c: "block" if c in _BLOCKS else c == " "):
        part = "".join(group)
        if drawn == "block":
            for place, character in enumerate(part):
                _rectangle(axes, x + place, y, _BLOCKS[character], colour)
        elif not drawn:
            axes.text(
                x, y + 0.78, part, color=colour, fontsize=_POINTS, family="DejaVu Sans Mono",
                weight="bold" if style.bold else "normal", parse_math=False, va="baseline",
            )  # fmt: skip
        x += cell_len(part)


def _rectangle(
    axes: Axes, x: int, y: int, part: tuple[float, float, float, float], colour: str
) -> None:
    from matplotlib.patches import Rectangle

    left, lower, wide, high = part
    corner = (x + left, y + 1.0 - lower)
    axes.add_patch(Rectangle(corner, wide, -high, color=colour, linewidth=0.0, antialiased=False))

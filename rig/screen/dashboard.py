"""The dashboard: a view drawn for a terminal of any size."""

from __future__ import annotations

from dataclasses import replace

from rig.screen.canvas import Box, Canvas, Frame, Ink
from rig.screen.figures import HEIGHT, Size
from rig.screen.page import draw_page, draw_panel
from rig.screen.panels import (
    draw_crank,
    draw_foot,
    draw_head,
    draw_health,
    foot_rows,
)
from rig.screen.small import draw_small
from rig.screen.special import draw_goto, draw_touches
from rig.screen.units import draw_unit
from rig.screen.view import UnitView, View

FULL_WIDTH, FULL_HEIGHT = 80, 24
"""The least terminal that shows everything needed."""

_FOOT = 7
_LOW = 7
_WHOLE = 10
_ROOMY = 34
_WIDE = 110
_HEALTH = 32


def render(view: View, width: int, height: int, colour: bool = True, unicode: bool = True) -> Frame:
    """Draw ``view`` for ``width`` by ``height`` places.

    The frame prints itself through rich, and gives its lines with or without control sequences.
    With ``colour`` False there is no colour; with ``unicode`` False nothing but ASCII.
    """
    if not view.rig.connected:  # what the contacts do now is not known
        units = tuple(replace(unit, contacts="unknown") for unit in view.units)
        view = replace(view, units=units)
    canvas = Canvas(max(1, width), max(1, height), Ink(colour, unicode))
    if width < FULL_WIDTH or height < FULL_HEIGHT:
        draw_small(canvas, view)
    else:
        _draw_whole(canvas, view)
    return canvas.frame()


def _draw_whole(canvas: Canvas, view: View) -> None:
    roomy = canvas.height >= _ROOMY
    size: Size = "middle" if roomy else "small"
    health = _HEALTH if roomy and canvas.width >= _WIDE else 0
    draw_head(canvas, view)
    y = 2 + roomy
    draw_crank(canvas, y, view, size, canvas.width - 1 - health)
    if health:
        draw_health(canvas, Box(canvas.width - health, y, health - 1, HEIGHT[size]), view)
    y += HEIGHT[size] + roomy
    if view.deeds:
        draw_page(canvas, y, view)
        return
    foot = canvas.height - _FOOT
    foot -= min(_spare(view, foot - y - roomy), max(0, foot_rows(canvas, view) - _FOOT))
    _draw_middle(canvas, y, foot - y - roomy, view)
    draw_foot(canvas, foot, view)


def _spare(view: View, height: int) -> int:
    """Lines of the units' ``height`` that the foot may have: one unit shows all in fewer, and
    units that were not read yet have nothing to show there."""
    if view.panel is not None or view.touches is not None or view.goto is not None:
        return 0
    read = [unit for unit in view.units if unit.readings_btdc]
    one_row = len(view.units) == 1 or (len(view.units) == 2 and not read)
    return max(0, height - _WHOLE) if one_row else 0


def _draw_middle(canvas: Canvas, y: int, height: int, view: View) -> None:
    if view.panel is not None:
        took = draw_panel(canvas, Box(1, y, canvas.width - 2, height), view.panel)
    elif view.touches is not None:
        took = draw_touches(canvas, y, height, view, view.touches)
    elif view.goto is not None:
        took = draw_goto(canvas, y, height, view, view.goto)
    else:
        took = 0
    if not took or (height - took >= _LOW and view.units):
        _draw_units(canvas, y + took, height - took, view.units)


def _draw_units(canvas: Canvas, y: int, height: int, units: tuple[UnitView, ...]) -> None:
    """One unit whole, two side by side, up to four two by two, more as a list."""
    if not units:
        canvas.put(1, y + 1, "no ignition unit is stated in the engine file", "strong")
        return
    across = 1 if len(units) == 1 else 2
    if len(units) == 3 and canvas.width >= 118:
        across = 3
    down = -(-len(units) // across)
    if height // down < 4:
        across, down = 1, len(units)
    gap = 2
    width = (canvas.width - 2 - gap * (across - 1)) // across
    high = max(1, height // down)
    for place, unit in enumerate(units):
        row, column = divmod(place, across)
        if (row + 1) * high > height or (row == height // high - 1 and down > height // high):
            left = len(units) - place
            canvas.put(1, y + row * high, f"and {left} more: a taller window shows them", "strong")
            return
        draw_unit(canvas, Box(1 + column * (width + gap), y + row * high, width, high), unit)

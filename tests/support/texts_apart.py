"""Whether the words of a drawing lie on one another: their boxes, as they are drawn."""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING, Any

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text
from matplotlib.transforms import Bbox

if TYPE_CHECKING:
    from matplotlib.figure import Figure

Boxes = list[tuple[str, Bbox]]
"""Texts with where they are, in pixels."""

TOUCH_PX = 0.5


def boxes(figure: Figure) -> Boxes:
    """Each text that is to be seen, and where it is, in pixels of the figure."""
    canvas: Any = FigureCanvasAgg(figure)
    figure.draw_without_rendering()
    renderer = canvas.get_renderer()
    hidden = _beyond_the_ends(figure)
    found = []
    for text in figure.findobj(Text):
        assert isinstance(text, Text)
        if text.get_visible() and text.get_text().strip() and text not in hidden:
            found.append((text.get_text(), Text.get_window_extent(text, renderer)))
    return found


def _beyond_the_ends(figure: Figure) -> set[Text]:
    """Labels of ticks beyond the ends of their axis, which are there but are not drawn."""
    found: set[Text] = set()
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            low, high = sorted(axis.get_view_interval())
            slack = 1e-9 * max(abs(low), abs(high), 1.0)
            for tick in (*axis.get_major_ticks(), *axis.get_minor_ticks()):
                if not axes.axison or not low - slack <= tick.get_loc() <= high + slack:
                    found |= {tick.label1, tick.label2}
    return found


def overlapping(words: Boxes) -> list[tuple[str, str]]:
    """Pairs of texts whose boxes overlap."""
    return [
        (one, two)
        for (one, a), (two, b) in combinations(words, 2)
        if min(a.x1, b.x1) - max(a.x0, b.x0) > TOUCH_PX
        and min(a.y1, b.y1) - max(a.y0, b.y0) > TOUCH_PX
    ]


def off_the_paper(figure: Figure, words: Boxes) -> list[str]:
    """Texts that reach over the edge of the figure."""
    page = figure.bbox
    return [
        text
        for text, box in words
        if box.x0 < page.x0 or box.x1 > page.x1 or box.y0 < page.y0 or box.y1 > page.y1
    ]

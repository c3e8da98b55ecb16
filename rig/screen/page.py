"""What may take the middle of the screen: a part of the work, and the page of all keys."""

from __future__ import annotations

from collections.abc import Mapping

from rig.screen.canvas import Box, Canvas, Role
from rig.screen.figures import HEIGHT
from rig.screen.panels import key_rows
from rig.screen.special import draw_big, draw_title, size_for
from rig.screen.view import Panel, PanelLine, Sort, View

ROLES: Mapping[Sort, Role] = {
    "plain": "text", "now": "strong", "good": "inside", "bad": "outside", "quiet": "quiet",
}  # fmt: skip
_LABEL = 14
_HEAD = 2
_NO_FIGURE = "--.-"


def draw_panel(canvas: Canvas, box: Box, panel: Panel) -> int:
    """Draw ``panel`` into ``box``; what does not fit is said. Returns the lines it took."""
    draw_title(canvas, box.y, panel.title, panel.state)
    if panel.figure or panel.beside:
        size = size_for(canvas, box.height)
        text = panel.figure or _NO_FIGURE
        role: Role = "strong" if panel.figure else "quiet"
        at = draw_big(canvas, box.y + 1, text, size, role)
        canvas.put(at, box.y + 1, panel.unit if panel.figure else "", "text")
        below = box.y + 1 + HEIGHT[size]
        canvas.put(box.x, below, panel.below, "strong", box.width)
        column = max(at + 3, box.x + canvas.text_width(panel.below) + 2, canvas.width * 2 // 5)
        side = Box(column, box.y + 1, box.right - column, HEIGHT[size] + 1)
        _draw_lines(canvas, side, panel.beside, _LABEL)
        top = HEIGHT[size] + 2
    else:
        top = 1
    widest = max((canvas.text_width(line.label) for line in panel.lines), default=0)
    _draw_lines(canvas, box.below(top), panel.lines, min(widest + 2, _LABEL * 2))
    return box.height


def _draw_lines(canvas: Canvas, box: Box, lines: tuple[PanelLine, ...], label: int) -> None:
    """One line below the other, a long one broken; the last place says how many are left out."""
    row = 0
    for place, line in enumerate(lines):
        left = len(lines) - place
        room = box.height - row - (left > 1)
        text = canvas.wrap(line.text, box.width - label, max(room, 0))
        if not text and left and row < box.height:
            canvas.put(box.x, box.y + row, f"and {left} more: a taller window shows them", "quiet")
        if not text:
            return
        canvas.put(box.x, box.y + row, line.label, "quiet", label - 1)
        for part in text:
            canvas.put(box.x + label, box.y + row, part, ROLES[line.sort], box.width - label)
            row += 1


def draw_page(canvas: Canvas, y: int, view: View) -> None:
    """All keys, a line each, from line ``y`` on; over the crank too where there are many."""
    keys = key_rows(canvas, view)
    bottom = canvas.height - len(keys)
    top = y if bottom - y > len(view.deeds) else _HEAD
    for row in range(top, y):
        canvas.put(0, row, " " * canvas.width)
    draw_title(canvas, top, "all keys", "how it is taken back")
    key = max(canvas.text_width(deed.key) for deed in view.deeds) + 3
    back = max(canvas.text_width(deed.back) for deed in view.deeds)
    for row, deed in enumerate(view.deeds, top + 1):
        left = len(view.deeds) - (row - top - 1)
        if row == bottom - 1 and left > 1:
            canvas.put(1, row, f"and {left} more: a taller window shows them", "strong")
            break
        canvas.put(1, row, f" {deed.key} ", "key")
        canvas.put(1 + key, row, deed.does, "text", canvas.width - key - back - 4)
        canvas.put(canvas.width - 1 - back, row, deed.back, "quiet")
    for row, runs in enumerate(keys):
        canvas.put_runs(1, bottom + row, runs, canvas.width - 1)

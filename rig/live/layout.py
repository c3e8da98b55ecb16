"""The dashboard: a view drawn for a terminal of any size, and the page of all keys.

Below 80x24 the small layout shows the most important lines first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from rig.base import rounding
from rig.guide.action import Question
from rig.guide.procedure import Panel, PanelLine, Sort
from rig.live.canvas import HEIGHT, Box, Canvas, Frame, Ink, Role, Run, Size, figure
from rig.live.panels import (
    ALARM,
    count_runs,
    draw_big,
    draw_crank,
    draw_foot,
    draw_goto,
    draw_head,
    draw_health,
    draw_title,
    draw_touches,
    foot_rows,
    key_rows,
    movement,
    reference_runs,
    size_for,
    step_signs,
)
from rig.live.unit_panel import draw_scale, draw_unit, last_figure, mean_text, window_role
from rig.live.view import UnitView, View
from rig.words.figures import clock, degrees

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
    if view.actions:
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


_FIGURE = HEIGHT["small"]
_FIGURE_WIDTH = 34
_SCALE = 3


@dataclass(slots=True, eq=False)
class _Line:
    """A line that wants to be shown; ``rank`` 0 is the most needed."""

    rank: int
    runs: list[Run]
    unit: UnitView | None = None
    rows: int = 1


def draw_small(canvas: Canvas, view: View) -> None:
    """As many lines as there is room for, and one that says what would show more."""
    lines = _lines(canvas, view)
    kept = sorted(lines, key=lambda line: line.rank)[: canvas.height]
    chosen = [line for line in lines if line in kept]
    spare = canvas.height - len(chosen)
    if canvas.width >= _FIGURE_WIDTH:
        for more in (_FIGURE, _SCALE):
            for line in chosen:
                if line.unit is not None and spare >= more:
                    line.rows += more
                    spare -= more
    y = 0
    for line in chosen:
        canvas.put_runs(0, y, line.runs, canvas.width)
        if line.unit is not None and line.rows > 1:
            _draw_figure(canvas, y + 1, line.unit)
            scale = Box(1, y + 1 + _FIGURE, canvas.width - 2, line.rows - 1 - _FIGURE)
            draw_scale(canvas, scale, line.unit)
        y += line.rows


def _draw_figure(canvas: Canvas, y: int, unit: UnitView) -> None:
    text, side = last_figure(unit)
    lines = figure(text, "small", canvas.ink.unicode)
    for row, line in enumerate(lines):
        canvas.put(1, y + row, line, "strong")
    canvas.put(len(lines[0]) + 2, y + 2, side, "strong")


def _lines(canvas: Canvas, view: View) -> list[_Line]:
    """All lines in the order in which they stand."""
    step = f"{step_signs(view, canvas)} {view.step}  {clock(view.elapsed_s)}  "
    lines = [_Line(9, [(step, "text"), (view.job, "strong")])]
    if view.alarm:
        wrapped = canvas.wrap(f"{ALARM}: {view.alarm}", canvas.width, 4)
        lines += [_Line(0, [(text, "caution")]) for text in wrapped]
    lines += _crank_lines(canvas, view)
    if view.rig.connected:
        lines.append(_Line(4, count_runs(view)))
    lines += _middle_lines(canvas, view)
    if view.question is not None:
        lines += [_Line(0, runs) for runs in _question(canvas, view.question)]
    if view.caution:
        wrapped = canvas.wrap(f"CAUTION: {view.caution}", canvas.width, 2)
        lines += [_Line(5, [(text, "strong")]) for text in wrapped]
    if view.next:
        wrapped = canvas.wrap(f"NEXT: {view.next}", canvas.width, 2)
        lines += [_Line(6, [(text, "text")]) for text in wrapped]
    lines += [_Line(13, [(text, "text")]) for text in canvas.wrap(view.why, canvas.width, 2)]
    lines.append(_Line(11, reference_runs(view)))
    lines += [_Line(12, [(view.message, "text")])] if view.message else []
    size = f"{canvas.width}x{canvas.height}"
    lines.append(_Line(7, [(f"80x24 shows all; this is {size}", "quiet")]))
    return lines + [_Line(8, runs) for runs in key_rows(canvas, view)]


def _question(canvas: Canvas, question: Question) -> list[list[Run]]:
    wrapped = canvas.wrap(question.text, canvas.width, 3)
    runs: list[list[Run]] = [[(text, "caution")] for text in wrapped]
    yes, no = ("y", "n") if question.entry is None else ("enter", "esc")
    typed: list[Run] = [] if question.entry is None else [(f" {question.entry}_ ", "key")]
    return [*runs, [*typed, (f" {yes} ", "key"), (f" {question.yes} ", "text"),
                    (f" {no} ", "key"), (f" {question.no}", "text")]]  # fmt: skip


def _crank_lines(canvas: Canvas, view: View) -> list[_Line]:
    crank = view.crank
    if not view.rig.connected:
        wrapped = canvas.wrap(f"RIG LOST: {view.rig.detail}", canvas.width, 2)
        return [_Line(1, [(text, "caution")]) for text in wrapped]
    if crank.btdc_deg is None:
        after = crank.after_index_deg
        place = (
            f"{rounding.after_index(after, decimals=1)}° after the index, "
            if after is not None
            else ""
        )
        return [_Line(3, [(f"{place}no TDC: ", "strong"), (crank.why_no_angle, "text")])]
    return [
        _Line(
            3,
            [
                (f"crank {rounding.btdc(crank.btdc_deg, decimals=1)} ", "strong"),
                (movement(view), "text"),
            ],
        )
    ]


def _middle_lines(canvas: Canvas, view: View) -> list[_Line]:
    touches, goto = view.touches, view.goto
    if view.actions:
        return [_Line(2, [(f" {action.key} ", "key"), (f" {action.does}: {action.undo}", "text")])
                for action in view.actions]  # fmt: skip
    if view.panel is not None:
        panel = view.panel
        first = f"{panel.title}: {panel.figure}{panel.unit} {panel.below}"
        lines = [_Line(2, [(first if panel.figure else panel.title, "strong")])]
        lines += [
            _Line(3, [(f"{line.label} ", "quiet"), (line.text, ROLES[line.sort])])
            for line in (*panel.lines, *panel.beside)
        ]
        return lines
    if touches is not None:
        n, m = len(touches.forward_deg), len(touches.backward_deg)
        middle = "–"
        if touches.middle_deg is not None:
            middle = f"{rounding.after_index(touches.middle_deg, touches.U_deg)}°"
        return [_Line(2, [(f"stop: {n} forward, {m} back, TDC {middle}", "strong")])]
    if goto is not None:
        to_go = degrees(goto.to_go_deg, 2)
        return [_Line(2, [(f"to {rounding.btdc(goto.target_btdc)}: {to_go} to go ", "strong"),
                          (goto.words, "text")])]  # fmt: skip
    lines = []
    for unit in view.units:
        reading = rounding.btdc(unit.last_btdc)
        words = unit.last_words or ("no reading" if unit.last_btdc is None else "")
        runs: list[Run] = [
            (f"{canvas.fit(unit.name, 12)} ", "strong"),
            (f"{'contacts ?' if unit.contacts == 'unknown' else unit.contacts.upper()} ", "text"),
            (f"{reading} ", "strong"),
            (words, window_role(unit, unit.last_on_scale)),
        ]
        lines.append(_Line(2, runs, unit))
        if unit.mean_btdc is not None:
            n = len(unit.readings_btdc)
            verdict = "" if unit.verdict == "no window set" else f", {unit.verdict}"
            lines.append(_Line(10, [(f"  mean {mean_text(unit)}, n {n}{verdict}", "text")]))
    return lines


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
    top = y if bottom - y > len(view.actions) else _HEAD
    for row in range(top, y):
        canvas.put(0, row, " " * canvas.width)
    draw_title(canvas, top, "all keys", "how it is taken back")
    key = max(canvas.text_width(action.key) for action in view.actions) + 3
    back = max(canvas.text_width(action.undo) for action in view.actions)
    for row, action in enumerate(view.actions, top + 1):
        left = len(view.actions) - (row - top - 1)
        if row == bottom - 1 and left > 1:
            canvas.put(1, row, f"and {left} more: a taller window shows them", "strong")
            break
        canvas.put(1, row, f" {action.key} ", "key")
        canvas.put(1 + key, row, action.does, "text", canvas.width - key - back - 4)
        canvas.put(canvas.width - 1 - back, row, action.undo, "quiet")
    for row, runs in enumerate(keys):
        canvas.put_runs(1, bottom + row, runs, canvas.width - 1)

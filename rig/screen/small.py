"""The screen in a terminal smaller than 80x24: the most needed lines first."""

from __future__ import annotations

from dataclasses import dataclass

from rig.engine import stated
from rig.screen.canvas import Box, Canvas, Run
from rig.screen.figures import HEIGHT, figure
from rig.screen.page import ROLES
from rig.screen.panels import ALARM, count_runs, key_rows, movement, reference_runs, step_signs
from rig.screen.scale import draw_scale, window_role
from rig.screen.units import last_figure, mean_text
from rig.screen.view import Question, UnitView, View
from rig.screen.wording import clock, degrees

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
        told = canvas.wrap(f"{ALARM}: {view.alarm}", canvas.width, 4)
        lines += [_Line(0, [(text, "caution")]) for text in told]
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
    told = canvas.wrap(question.text, canvas.width, 3)
    runs: list[list[Run]] = [[(text, "caution")] for text in told]
    yes, no = ("y", "n") if question.entry is None else ("enter", "esc")
    typed: list[Run] = [] if question.entry is None else [(f" {question.entry}_ ", "key")]
    return [*runs, [*typed, (f" {yes} ", "key"), (f" {question.yes} ", "text"),
                    (f" {no} ", "key"), (f" {question.no}", "text")]]  # fmt: skip


def _crank_lines(canvas: Canvas, view: View) -> list[_Line]:
    crank = view.crank
    if not view.rig.connected:
        told = canvas.wrap(f"RIG LOST: {view.rig.detail}", canvas.width, 2)
        return [_Line(1, [(text, "caution")]) for text in told]
    if crank.btdc_deg is None:
        after = crank.after_index_deg
        place = (
            f"{stated.after_index(after, decimals=1)}° after the index, "
            if after is not None
            else ""
        )
        return [_Line(3, [(f"{place}no TDC: ", "strong"), (crank.why_no_angle, "text")])]
    return [
        _Line(
            3,
            [
                (f"crank {stated.btdc(crank.btdc_deg, decimals=1)} ", "strong"),
                (movement(view), "text"),
            ],
        )
    ]


def _middle_lines(canvas: Canvas, view: View) -> list[_Line]:
    touches, goto = view.touches, view.goto
    if view.deeds:
        return [_Line(2, [(f" {deed.key} ", "key"), (f" {deed.does}: {deed.back}", "text")])
                for deed in view.deeds]  # fmt: skip
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
            middle = f"{stated.after_index(touches.middle_deg, touches.U_deg)}°"
        return [_Line(2, [(f"stop: {n} forward, {m} back, TDC {middle}", "strong")])]
    if goto is not None:
        to_go = degrees(goto.to_go_deg, 2)
        return [_Line(2, [(f"to {stated.btdc(goto.target_btdc)}: {to_go} to go ", "strong"),
                          (goto.words, "text")])]  # fmt: skip
    lines = []
    for unit in view.units:
        reading = stated.btdc(unit.last_btdc)
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
            verdict = "" if unit.verdict == "not judged" else f", {unit.verdict}"
            lines.append(_Line(10, [(f"  mean {mean_text(unit)}, n {n}{verdict}", "text")]))
    return lines

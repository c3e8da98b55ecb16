"""The screen in a terminal smaller than 80x24: the most needed lines first."""

from __future__ import annotations

from dataclasses import dataclass

from rig.screen.canvas import Canvas, Run
from rig.screen.figures import HEIGHT, figure
from rig.screen.panels import count_runs, movement, reference_runs, step_signs
from rig.screen.scale import window_role
from rig.screen.units import figure_text, mean_text
from rig.screen.view import UnitView, View
from rig.screen.wording import btdc, clock, decimals_for, degrees, side

_FIGURE = HEIGHT["small"]


@dataclass(slots=True)
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
    if canvas.width >= 34:
        for line in chosen:
            if line.unit is not None and spare >= _FIGURE:
                line.rows += _FIGURE
                spare -= _FIGURE
    y = 0
    for line in chosen:
        canvas.put_runs(0, y, line.runs, canvas.width)
        if line.unit is not None and line.rows > 1:
            _draw_figure(canvas, y + 1, line.unit)
        y += line.rows


def _draw_figure(canvas: Canvas, y: int, unit: UnitView) -> None:
    lines = figure(figure_text(unit), "small", canvas.ink.unicode)
    for row, text in enumerate(lines):
        canvas.put(1, y + row, text, "strong")
    if unit.last_btdc is not None:
        canvas.put(len(lines[0]) + 2, y + 2, side(unit.last_btdc), "strong")


def _lines(canvas: Canvas, view: View) -> list[_Line]:
    """All lines in the order in which they stand."""
    step = f"{step_signs(view, canvas)} {view.step}  {clock(view.elapsed_s)}  "
    lines = [_Line(9, [(step, "text"), (view.job, "strong")])]
    lines.append(_crank_line(view))
    lines.append(_Line(4, count_runs(view)))
    lines += _middle_lines(view)
    if view.question is not None:
        answers = "[y/n]" if view.question.entry is None else f"> {view.question.entry}_"
        question = canvas.wrap(f"{view.question.text} {answers}", canvas.width, 3)
        lines += [_Line(0, [(text, "caution")]) for text in question]
    if view.caution:
        wrapped = canvas.wrap(f"CAUTION: {view.caution}", canvas.width, 2)
        lines += [_Line(5, [(text, "strong")]) for text in wrapped]
    if view.next:
        wrapped = canvas.wrap(f"NEXT: {view.next}", canvas.width, 2)
        lines += [_Line(6, [(text, "text")]) for text in wrapped]
    lines.append(_Line(11, reference_runs(view)))
    lines += [_Line(12, [(view.message, "text")])] if view.message else []
    size = f"{canvas.width}x{canvas.height}"
    lines.append(_Line(7, [(f"80x24 shows all; this is {size}", "quiet")]))
    keys: list[Run] = []
    for key in view.keys:
        keys += [(f" {key.key} ", "key"), (f" {key.label} ", "text")]
    return [*lines, _Line(8, keys)] if keys else lines


def _crank_line(view: View) -> _Line:
    crank = view.crank
    if not view.rig.connected:
        return _Line(1, [(" RIG LOST ", "caution"), (" " + view.rig.detail, "text")])
    if crank.btdc_deg is None:
        after = crank.after_index_deg
        place = f" {after:.1f}° after index" if after is not None else ""
        return _Line(3, [("no crank angle:", "strong"), (f" {crank.why_no_angle}{place}", "text")])
    return _Line(3, [(f"crank {btdc(crank.btdc_deg)} ", "strong"), (movement(view), "text")])


def _middle_lines(view: View) -> list[_Line]:
    touches, goto = view.touches, view.goto
    if touches is not None:
        n, m = len(touches.forward_deg), len(touches.backward_deg)
        middle = degrees(touches.middle_deg, decimals_for(touches.U_deg))
        return [_Line(2, [(f"stop: {n} forward, {m} back, TDC {middle}", "strong")])]
    if goto is not None:
        to_go = degrees(goto.to_go_deg, 2)
        return [_Line(2, [(f"to {btdc(goto.target_btdc, 2)}: {to_go} to go ", "strong"),
                          (goto.words, "text")])]  # fmt: skip
    lines: list[_Line] = []
    for unit in view.units:
        reading = btdc(unit.last_btdc, decimals_for(unit.U_deg))
        words = unit.last_words or ("no reading" if unit.last_btdc is None else "")
        runs: list[Run] = [
            (f"{unit.name[:12]} ", "strong"),
            (f"{reading} ", "strong"),
            (f"{words} ", window_role(unit, unit.last_btdc)),
            (unit.contacts.upper(), "text"),
        ]
        lines.append(_Line(2, runs, unit))
        if unit.mean_btdc is not None:
            n = len(unit.readings_btdc)
            verdict = "" if unit.verdict == "not judged" else f", {unit.verdict}"
            lines.append(_Line(10, [(f"  mean {mean_text(unit)}, n {n}{verdict}", "text")]))
    return lines

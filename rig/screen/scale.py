"""The window as a scale: earlier to one end, later to the other, the readings on it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from rig.engine import stated
from rig.screen.canvas import Box, Canvas, Role
from rig.screen.view import UnitView

LEAST_SPAN_DEG = 1.0
MOST_SHOWN = 200
"""Readings that are put on the scale: the last so many."""


@dataclass(frozen=True, slots=True)
class Axis:
    """Columns ``start`` .. ``start + width - 1`` for ``early_deg`` down to ``late_deg`` (BTDC)."""

    start: int
    width: int
    early_deg: float
    late_deg: float

    def column(self, btdc_deg: float) -> int:
        """Nearest column; the last one on its side for what lies beyond."""
        share = (self.early_deg - btdc_deg) / (self.early_deg - self.late_deg)
        return self.start + round(min(1.0, max(0.0, share)) * (self.width - 1))

    def beyond(self, btdc_deg: float) -> int:
        """+1 when earlier than the axis shows, -1 when later, else 0."""
        return (btdc_deg > self.early_deg) - (btdc_deg < self.late_deg)


def window_role(unit: UnitView, btdc_deg: float | None) -> Role:
    """How a single angle is shown against the window of ``unit``."""
    if unit.last_kind == "impulse" or btdc_deg is None:
        return "strong"
    if unit.earliest_btdc is None or unit.latest_btdc is None:
        return "strong"
    return "inside" if unit.latest_btdc <= btdc_deg <= unit.earliest_btdc else "outside"


def axis_for(unit: UnitView, start: int, width: int) -> Axis | None:
    """An axis on which the window and, as far as sensible, the readings have their place.

    None when there is nothing to show: neither a window nor a reading.
    """
    limits = [a for a in (unit.earliest_btdc, unit.nominal_btdc, unit.latest_btdc) if a is not None]
    seen = [a for a in (unit.last_on_scale, unit.mean_btdc, *unit.on_scale[-20:]) if a is not None]
    if not limits and not seen:
        return None
    core = limits or seen[:1]
    span = max(max(core) - min(core), LEAST_SPAN_DEG)
    middle = (max(core) + min(core)) / 2.0
    half = 0.75 * span
    reach = max((abs(a - middle) for a in seen), default=0.0) * 1.08
    half = min(max(half, reach), 2.5 * span)
    return Axis(start, width, middle + half, middle - half)


def draw_scale(canvas: Canvas, box: Box, unit: UnitView) -> None:
    """The window with mean and spread, the readings above it, its figures below.

    With one line of room the last reading stands in the window's line; with two the figures are
    left out.
    """
    axis = axis_for(unit, box.x, box.width)
    if box.height < 1:
        return
    if axis is None:
        canvas.put(box.x, box.y, "no window stated, no reading yet", "quiet", box.width)
        return
    if box.height == 1:
        _draw_line(canvas, box.y, axis, unit)
        _draw_last(canvas, box.y, axis, unit)
        return
    _draw_marks(canvas, box.y, axis, unit)
    _draw_line(canvas, box.y + 1, axis, unit)
    if box.height > 2:
        _draw_figures(canvas, box.y + 2, axis, unit)


def _draw_marks(canvas: Canvas, y: int, axis: Axis, unit: UnitView) -> None:
    columns = Counter(
        axis.column(angle) for angle in unit.on_scale[-MOST_SHOWN:] if not axis.beyond(angle)
    )
    for column, times in columns.items():
        canvas.put(column, y, "·" if times == 1 else "●", "quiet", 1)
    _draw_last(canvas, y, axis, unit)


def _draw_last(canvas: Canvas, y: int, axis: Axis, unit: UnitView) -> None:
    last = unit.last_on_scale
    if last is not None:
        sign = {1: "◀", 0: "▼", -1: "▶"}[axis.beyond(last)]
        canvas.put(axis.column(last), y, sign, window_role(unit, last), 1)


def _draw_line(canvas: Canvas, y: int, axis: Axis, unit: UnitView) -> None:
    canvas.put(axis.start, y, "╌" * axis.width, "quiet", axis.width)
    if unit.earliest_btdc is not None and unit.latest_btdc is not None:
        first, last = axis.column(unit.earliest_btdc), axis.column(unit.latest_btdc)
        canvas.put(first, y, "━" * (last - first + 1), "text")
        if unit.nominal_btdc is not None:
            canvas.put(axis.column(unit.nominal_btdc), y, "┿", "text", 1)
        canvas.put(last, y, "┫", "strong", 1)
        canvas.put(first, y, "┣", "strong", 1)
    if unit.mean_btdc is None:
        return
    role = window_role(unit, unit.mean_btdc)
    if unit.sd_deg is not None:
        first = axis.column(unit.mean_btdc + unit.sd_deg)
        last = axis.column(unit.mean_btdc - unit.sd_deg)
        canvas.put(first, y, "▒" * (last - first + 1), role)
    canvas.put(axis.column(unit.mean_btdc), y, "◆", role, 1)


def _draw_figures(canvas: Canvas, y: int, axis: Axis, unit: UnitView) -> None:
    """The window's limits below their places, the nominal where it finds room."""
    wanted = [unit.earliest_btdc, unit.latest_btdc, unit.nominal_btdc]
    taken: list[tuple[int, int]] = []
    for angle in wanted:
        if angle is None:
            continue
        text = limit_text(angle)
        across = canvas.text_width(text)
        column = axis.column(angle) - across // 2
        column = max(axis.start, min(column, axis.start + axis.width - across))
        if _is_free(taken, column, across):
            canvas.put(column, y, text, "text")
            taken.append((column, column + across))
    for text, column in (("early", axis.start), ("late", axis.start + axis.width - 4)):
        if _is_free(taken, column, len(text)):
            canvas.put(column, y, text, "quiet")


def _is_free(taken: Iterable[tuple[int, int]], start: int, across: int) -> bool:
    return all(start + across < first or start > last for first, last in taken)


def limit_text(btdc_deg: float) -> str:
    """A limit on the scale: ``36.5``, ``4 ATDC``; as finely as it was entered."""
    digits = stated.entered(btdc_deg)
    return f"{digits[1:]} ATDC" if digits.startswith("-") else digits

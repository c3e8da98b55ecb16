"""The part of the screen that belongs to one ignition unit, with its window drawn as a scale.

Earlier is at one end of the scale, later at the other; the readings are marked on it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from math import isfinite

from rig.base import rounding
from rig.base.rounding import listed, noun
from rig.live.canvas import HEIGHT, Box, Canvas, Role, Run, Size, figure, figure_width
from rig.live.view import Contacts, CylinderView, UnitView
from rig.plots.axis import Axis
from rig.timing.values import Verdict

CONTACTS: dict[Contacts, str] = {
    "open": "▐ ▌ OPEN",
    "closed": "▐▌ CLOSED",
    "unknown": "contacts ?",
}
VERDICT_ROLE: dict[Verdict, Role] = {
    "inside": "inside",
    "outside": "outside",
    "inconclusive": "strong",
    "no window set": "text",
}
_TAG: dict[Role, Role] = {"inside": "inside tag", "outside": "outside tag", "strong": "tag"}
_KINDS = {"turned": "", "set": "set by hand: confirm by turning", "impulse": "impulse coupling"}


def draw_unit(canvas: Canvas, box: Box, unit: UnitView) -> None:
    """Draw ``unit`` into ``box``; what does not fit is left out.

    The order of what stays: the last counted opening, its meaning, the scale, the sums of the
    readings, why the last opening did not count, and the rest.
    """
    if box.height < 3:
        _draw_row(canvas, box, unit)
        return
    _draw_title(canvas, box, unit)
    if box.height < 10:
        _draw_low(canvas, box.below(1), unit)
    else:
        _draw_full(canvas, box.below(1), unit)


def _draw_title(canvas: Canvas, box: Box, unit: UnitView) -> None:
    """Name, setting and contacts, on a line that divides this unit from what is above."""
    canvas.put(box.x, box.y, "─" * box.width, "quiet")
    end = canvas.put_right(box.right, box.y, " " + CONTACTS[unit.contacts], "strong")
    setting = unit.setting
    if box.width > 50:
        setting += f", input {unit.input}, {unit.phase}"
    name_room = max(8, end - box.x - 5 - canvas.text_width(setting))
    runs: list[Run] = [(f" {canvas.fit(unit.name, name_room)} ", "strong")]
    if setting:
        runs.append((f"│ {canvas.fit(setting, max(4, end - box.x - 8))} ", "text"))
    canvas.put_runs(box.x + 1, box.y, runs, end - 1)


def _draw_row(canvas: Canvas, box: Box, unit: UnitView) -> None:
    """Everything on one line."""
    reading = rounding.btdc(unit.last_btdc)
    words = unit.last_words or ("no reading yet" if unit.last_btdc is None else "")
    runs: list[Run] = [
        (canvas.fit(unit.name, max(4, box.width // 4)) + " ", "strong"),
        (f"{reading} ", "strong"),
        (f"{words} ", window_role(unit, unit.last_on_scale)),
        (unit.contacts.upper(), "text"),
    ]
    canvas.put_runs(box.x, box.y, runs, box.right)


def _draw_low(canvas: Canvas, box: Box, unit: UnitView) -> None:
    """Small figures, the tally beside them, then words and mean, then the scale."""
    _draw_figure(canvas, box, unit, "small")
    n = len(unit.readings_btdc)
    verdict = {"no window set": "", "inconclusive": "undecided"}.get(unit.verdict, unit.verdict)
    canvas.put_right(box.right, box.y, f" n {n}", "text")
    canvas.put_right(box.right, box.y + 1, f" {verdict}", VERDICT_ROLE[unit.verdict])
    below = box.below(3)
    if below.height < 1:
        return
    words = _words(canvas, unit, below.width)
    canvas.put_runs(below.x, below.y, [words], below.right)
    room = below.width - canvas.text_width(words[0])
    mean = f" ◆ {mean_text(unit)}"
    if canvas.text_width(mean) > room:
        mean = mean.partition(" ±")[0]
    if unit.mean_btdc is not None and canvas.text_width(mean) <= room:
        canvas.put_right(below.right, below.y, mean)
    draw_scale(canvas, below.below(1), unit)


def _draw_full(canvas: Canvas, box: Box, unit: UnitView) -> None:
    """Large figures; words and sums beside them where there is room, else below."""
    plan = _planned(canvas, box, unit)
    _draw_figure(canvas, box, unit, plan.size)
    below, tabled, lines = box.below(HEIGHT[plan.size]), False, plan.under
    if plan.side.width >= _LEAST_SIDE:
        words, _ = _words_and_marks(canvas, unit, plan.side.width)
        canvas.put_runs(plan.side.x, box.y, words, box.right)
        _put_lines(canvas, plan.side.below(plan.skip), plan.beside)
        rest = plan.side.below(plan.skip + 1 + len(plan.beside))
        tabled = rest.height > len(unit.cylinders) and rest.width >= 46
        if tabled:
            _draw_table(canvas, rest, unit)
    else:
        words, marks = _words_and_marks(canvas, unit, box.width)
        canvas.put_runs(box.x, below.y, words, box.right)
        below = below.below(1)
        beside = box.right - plan.side.x + 7 >= _TALLY and plan.size == "middle"
        if beside:
            _put_tally(canvas, box, unit)
        said = _details(unit, canvas, box.width, marks, tally=not beside)
        room = Box(below.x, below.y, box.width, max(0, below.height - 3))
        _, lines, whole = _flowed(canvas, said, Box(0, 0, 0, 0), room)
        if not whole:
            lines = [line for runs in said for line in _broken(canvas, runs, box.width, 2)]
    roomy = below.height >= _ROOMY
    below = below.below(roomy)
    draw_scale(canvas, Box(below.x, below.y, below.width, 3), unit)
    below = below.below(3 + roomy)
    _put_lines(canvas, below, lines)
    below = below.below(len(lines) + 1)
    if below.height >= 2 and not tabled:
        _draw_table(canvas, below, unit)


@dataclass(frozen=True, slots=True)
class _Plan:
    """How large the figure is, and which lines stand beside it and which under the scale."""

    size: Size
    side: Box
    skip: int  # lines of the side before the first of ``beside``
    beside: list[list[Run]]
    under: list[list[Run]]


def _planned(canvas: Canvas, box: Box, unit: UnitView) -> _Plan:
    """The largest figure that leaves room for all that has to be said; else the largest."""
    unicode = canvas.ink.unicode
    text, has = last_figure(unit)
    widest = max(figure_width(each, "large", unicode) for each in (text, _COMMON))
    large = box.height >= 11 and widest + 6 <= box.width
    sizes: tuple[Size, ...] = ("large", "middle") if large else ("middle",)
    plans = []
    for size in sizes:
        # As much room as a common figure takes, so that units side by side are laid out alike.
        shown = [text, _COMMON] if has else [_COMMON]
        wide = max(figure_width(each, size, unicode) for each in shown)
        at = box.x + wide + 7
        side = Box(at, box.y, box.right - at, HEIGHT[size])
        if side.width < _LEAST_SIDE:
            return _Plan(size, side, 2, [], [])
        _, marks = _words_and_marks(canvas, unit, side.width)
        said = _details(unit, canvas, side.width, marks)
        left = box.height - HEIGHT[size]
        left -= 3 + 2 * (left >= _ROOMY)
        under = Box(box.x, 0, box.width, max(0, left))
        for skip in (2, 1):
            beside, below, whole = _flowed(canvas, said, side.below(skip), under)
            plans.append(_Plan(size, side, skip, beside, below))
            if whole:
                return plans[-1]
    return plans[0]


def _flowed(
    canvas: Canvas, said: list[list[Run]], side: Box, under: Box
) -> tuple[list[list[Run]], list[list[Run]], bool]:
    """Lines of ``said`` that go into ``side``, those that go ``under``, and whether all is said."""
    beside: list[list[Run]] = []
    below: list[list[Run]] = []
    whole = True
    for runs in said:
        whole_beside = _broken(canvas, runs, side.width, side.height + 1) if side.width else []
        if not below and side.width and len(beside) + len(whole_beside) <= side.height:
            beside += whole_beside
            continue
        whole_below = _broken(canvas, runs, under.width, under.height + 1)
        room = under.height - len(below)
        whole = whole and len(whole_below) <= room
        if room > 0:
            below += _broken(canvas, runs, under.width, room)
        elif not below:
            beside += _broken(canvas, runs, side.width, side.height - len(beside))
    return beside, below, whole


def _broken(canvas: Canvas, runs: list[Run], width: int, rows: int) -> list[list[Run]]:
    """A sentence on as many lines as it needs, ``rows`` at most; its label stays a label."""
    if canvas.runs_width(runs) <= width:
        return [runs]
    label, role = runs[0][0] if len(runs) > 1 else "", runs[-1][1]
    lines = canvas.wrap("".join(text for text, _ in runs), width, rows)
    if lines and label and lines[0].startswith(label):
        return [
            [runs[0], (lines[0].removeprefix(label), role)],
            *([(line, role)] for line in lines[1:]),
        ]
    return [[(line, role)] for line in lines]


_LEAST_SIDE = 26
_COMMON = "88.88"
_TALLY = 6
_ROOMY = 8


def _put_tally(canvas: Canvas, box: Box, unit: UnitView) -> None:
    """Number and spread at the right edge of the figure's middle lines."""
    canvas.put_right(box.right, box.y + 1, f"n {len(unit.readings_btdc)}")
    if unit.sd_deg is not None:
        canvas.put_right(box.right, box.y + 2, "spread")
        canvas.put_right(box.right, box.y + 3, rounding.scatter(unit.sd_deg))


def _put_lines(canvas: Canvas, box: Box, lines: list[list[Run]]) -> None:
    for row, runs in enumerate(lines[: box.height]):
        canvas.put_runs(box.x, box.y + row, runs, box.right)


def last_figure(unit: UnitView) -> tuple[str, str]:
    """The last counted opening as large figures show it, and BTDC or ATDC.

    Without a reading dashes, and nothing.
    """
    if unit.last_btdc is None or not isfinite(unit.last_btdc):
        return "--.-", ""
    return rounding.opening(unit.last_btdc)


def _draw_figure(canvas: Canvas, box: Box, unit: UnitView, size: Size) -> int:
    """The large figure and, beside it, what it is degrees of; returns the next free column."""
    text, side = last_figure(unit)
    if not side:
        return _draw_no_figure(canvas, box, HEIGHT[size])
    lines = figure(text, size, canvas.ink.unicode)
    for row, line in enumerate(lines):
        canvas.put(box.x, box.y + row, line, "strong", box.width)
    at = box.x + len(lines[0]) + 1
    sign = "°" if canvas.ink.unicode else "deg"
    canvas.put(at, box.y, sign, "strong", box.right - at)
    canvas.put(at, box.y + len(lines) - 1, side, "strong", box.right - at)
    return at + 4


def _draw_no_figure(canvas: Canvas, box: Box, high: int) -> int:
    lines = figure("--.-", "small", canvas.ink.unicode)
    for row, line in enumerate(lines):
        canvas.put(box.x, box.y + (high - 3) // 2 + row, line, "quiet", box.width)
    return box.x + len(lines[0]) + 1


def _words(canvas: Canvas, unit: UnitView, width: int) -> Run:
    """What the last counted opening means, as a label that stands out."""
    if unit.last_btdc is None:
        return ("no reading yet", "text")
    words = unit.last_words or "no window set"
    spaced = f" {words} "
    role = _TAG[window_role(unit, unit.last_on_scale)]
    return (spaced if canvas.text_width(spaced) <= width else words, role)


def marks_of(unit: UnitView) -> list[str]:
    """What has to be said beside the last reading, the most needed first."""
    if unit.last_btdc is None:
        return [*unit.marks]
    kind = _KINDS[unit.last_kind]
    return [kind, *unit.marks] if kind else [*unit.marks]


def _words_and_marks(canvas: Canvas, unit: UnitView, width: int) -> tuple[list[Run], list[str]]:
    """The words with as many marks as stand beside them, and the marks that do not."""
    words, marks = [_words(canvas, unit, width)], marks_of(unit)
    while marks and canvas.runs_width([*words, (f" │ {marks[0]}", "text")]) <= width:
        words.append((f" │ {marks.pop(0)}", "text"))
    if unit.last_btdc is not None and unit.last_cylinder is not None and not marks:
        named = f" │ cylinder {unit.last_cylinder}"
        own = unit.last_nominal_btdc
        wants = "" if own is None else f", wants {rounding.entered_btdc(own)}"
        for text in (named + wants, named):
            if canvas.runs_width([*words, (text, "text")]) <= width:
                words.append((text, "text"))
                break
    return words, marks


def mean_text(unit: UnitView | CylinderView) -> str:
    """``36.22 ±0.16``: mean with its expanded uncertainty, degrees BTDC (``ATDC`` is said)."""
    if unit.mean_btdc is None:
        return "–"
    text, side = rounding.opening(unit.mean_btdc, unit.U_deg)
    if side == "ATDC":
        text += " ATDC"
    return f"{text} {rounding.within(unit.U_deg).rstrip('°')}".rstrip()


def _details(
    unit: UnitView, canvas: Canvas, width: int, marks: list[str], tally: bool = True
) -> list[list[Run]]:
    """Lines about the readings and sentences that may need several, the most needed first; without
    number and spread on request."""
    lines = _sums(unit, canvas, width, tally)
    if marks:
        lines.append([(" │ ".join(marks), "strong")])
    if unit.why_not_counted and not unit.counted_since:
        lines.append([("not counted: ", "strong"), (unit.why_not_counted, "text")])
    if unit.settle:
        lines.append([(unit.settle, "text")])
    lines += [[(note, "text")] for note in unit.notes]
    return lines


def _sums(unit: UnitView, canvas: Canvas, width: int, tally: bool) -> list[list[Run]]:
    """Mean, spread, number and verdict: on one line where it is wide enough."""
    if unit.mean_btdc is None:
        if unit.readings_btdc and unit.verdict != "no window set":
            return [[(verdict_text(unit), VERDICT_ROLE[unit.verdict])]]
        if unit.readings_btdc or unit.last_btdc is None:
            return []
        return [[("nothing read in this setting yet", "quiet")]]
    n = len(unit.readings_btdc)
    mean: Run = (f"◆ mean {mean_text(unit)}", "text")
    judged = unit.verdict != "no window set"
    said = verdict_text(unit)
    verdict: Run = (f"  {said}" if judged else "", VERDICT_ROLE[unit.verdict])
    spread = "" if unit.sd_deg is None else rounding.scatter(unit.sd_deg)
    tallies = (f"   ▒ spread {spread or '–'}   n {n}", f" ▒ {spread or '–'} n {n}")
    rests: list[Run] = [(rest if tally else "", "text") for rest in tallies]
    for rest in rests:
        if canvas.runs_width([mean, rest, verdict]) <= width:
            return [[mean, rest, verdict]]
    whose = "" if unit.verdict_cylinders else "mean is "
    below: list[list[Run]] = [[(whose, "text"), (said, verdict[1])]] if judged else []
    for rest in rests:
        if canvas.runs_width([mean, rest]) <= width:
            return [[mean, rest], *below]
    return [[mean], [(f"▒ spread {spread or '–'}, n {n}", "text")], *below]


def verdict_text(unit: UnitView) -> str:
    """The verdict, and the cylinders that have it when the mean has another."""
    named = unit.verdict_cylinders
    if not named:
        return unit.verdict
    return f"{unit.verdict}: {noun(len(named), 'cylinder')} {listed(named)}"


def _draw_table(canvas: Canvas, box: Box, unit: UnitView) -> None:
    """Cylinder by cylinder, or else the readings one by one, in the room that is left."""
    if len(unit.cylinders) > 1:
        _draw_cylinders(canvas, box, unit)
    elif unit.readings_btdc:
        texts = [rounding.figure(angle) for angle in unit.readings_btdc]
        cell = max(map(len, texts)) + 2
        across = max(1, (box.width - 10) // cell)
        shown = texts[-across * min(box.height, 3) :]
        canvas.put(box.x, box.y, "readings", "quiet", box.width)
        for place, text in enumerate(shown):
            row, column = divmod(place, across)
            canvas.put(box.x + 10 + column * cell, box.y + row, text, "text")


def _draw_cylinders(canvas: Canvas, box: Box, unit: UnitView) -> None:
    columns = (0, 10, 14, 28, 36)
    rows: list[tuple[list[str], Role]] = [(["cylinder", "n", "mean", "spread"], "quiet")]
    for line in unit.cylinders:
        name = "not known" if line.cylinder is None else str(line.cylinder)
        words = line.words
        if not words or canvas.text_width(words) > box.width - columns[-1]:
            words = "" if line.verdict == "no window set" else line.verdict
        spread = rounding.scatter(line.sd_deg)
        cells = [name, str(line.n), mean_text(line), spread, words]
        rows.append((cells, VERDICT_ROLE[line.verdict]))
    if len(rows) > box.height:
        left = len(rows) - box.height + 1
        rows[box.height - 1 :] = [([f"and {left} more"], "quiet")]
    for row, (cells, role) in enumerate(rows):
        for start, text in zip(columns, cells, strict=False):
            canvas.put(box.x + start, box.y + row, text, role, max(0, box.width - start))


LEAST_SPAN_DEG = 1.0
MOST_SHOWN = 200


"""Readings that are put on the scale: the last so many."""


@dataclass(frozen=True, slots=True)
class Columns(Axis):
    """The axis on columns ``start`` .. ``start + width - 1`` of the screen."""

    start: int
    width: int

    def column(self, btdc_deg: float) -> int:
        """Nearest column; the last one on its side for what lies beyond."""
        return self.start + round(self.share(btdc_deg) * (self.width - 1))


def window_role(unit: UnitView, btdc_deg: float | None) -> Role:
    """How a single angle is shown against the window of ``unit``."""
    if unit.last_kind == "impulse" or btdc_deg is None:
        return "strong"
    if unit.earliest_btdc is None or unit.latest_btdc is None:
        return "strong"
    return "inside" if unit.latest_btdc <= btdc_deg <= unit.earliest_btdc else "outside"


def axis_for(unit: UnitView, start: int, width: int) -> Columns | None:
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
    return Columns(middle + half, middle - half, start, width)


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


def _draw_marks(canvas: Canvas, y: int, axis: Columns, unit: UnitView) -> None:
    columns = Counter(
        axis.column(angle) for angle in unit.on_scale[-MOST_SHOWN:] if not axis.beyond(angle)
    )
    for column, times in columns.items():
        canvas.put(column, y, "·" if times == 1 else "●", "quiet", 1)
    _draw_last(canvas, y, axis, unit)


def _draw_last(canvas: Canvas, y: int, axis: Columns, unit: UnitView) -> None:
    last = unit.last_on_scale
    if last is not None:
        sign = {1: "◀", 0: "▼", -1: "▶"}[axis.beyond(last)]
        canvas.put(axis.column(last), y, sign, window_role(unit, last), 1)


def _draw_line(canvas: Canvas, y: int, axis: Columns, unit: UnitView) -> None:
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


def _draw_figures(canvas: Canvas, y: int, axis: Columns, unit: UnitView) -> None:
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
    digits = rounding.entered(btdc_deg)
    return f"{digits[1:]} ATDC" if digits.startswith("-") else digits

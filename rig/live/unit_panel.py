"""The part of the screen that belongs to one ignition unit: its verdict large, its window as a
scale with the readings on it. Earlier is at the left of the scale, later at the right.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

from rich.text import Text

from rig.base import rounding
from rig.base.rounding import listed, many, noun
from rig.live.text import (
    HEIGHT,
    VERDICT_ROLE,
    Lines,
    Mark,
    Part,
    Pen,
    Role,
    Size,
    beside,
    blocks,
    centred,
    span,
)
from rig.live.view import UnitView
from rig.plots.axis import Axis, Lane, limit_text
from rig.timing.assess import verdict_over
from rig.timing.values import Assessment, Reading
from rig.words.assessments import (
    MARKS,
    SHORT_MARKS,
    assessment_in_full,
    beyond_words,
    reading_word,
    verdict_word,
    verdict_words,
    what_decides,
)

CONTACTS = {None: "contacts ?", True: "contacts open", False: "contacts closed"}

# Lines of a unit with small letters, with large ones; places that a table beside them needs.
LOW, FULL, TABLE_WIDTH = 5, 10, 40
_LAST_WIDTH = 26
_SIDE = 23
_NAMED = 3


def unit_lines(pen: Pen, width: int, height: int, unit: UnitView) -> Lines:
    """``unit`` in ``height`` lines at most.

    The order of what stays: name and verdict in words, the verdict large, the last reading on the
    scale, mean and U, and the rest.
    """
    words = large_words(unit)
    scale = _scale_row(pen, width, unit)
    if height < (LOW - 1 if words else 2):
        return [row(pen, width, unit), scale, _sums(pen, unit)][:height]
    lines, details = [_title(pen, width, unit)], _details(pen, width, unit)
    if not words:
        last = [pen.text(*_last_parts(unit))] if unit.last else []
        lines += [scale] if height < LOW else [*draw_scale(pen, width, unit), *last]
        return [*lines, *details][:height]
    lines += _large(pen, width, unit, "small" if height < FULL else "large")
    lines += [] if height < FULL else [_sums(pen, unit)]
    full, short, _ = _marks(unit)
    marks = pen.wrap(width, (full, "strong"))
    drawn, room = "".join(line.plain for line in lines), height - len(lines)
    if full in drawn or (short in drawn and room < len(marks)):
        details, marks = details[len(marks) :], []
    elif room <= len(marks):  # they matter more than the scale
        return [*lines, *marks_within(pen, width, room, unit)]
    lines += [scale] if height - len(lines) < 3 + len(marks) else draw_scale(pen, width, unit)
    if (room := height - len(lines)) > len(details) and not _table_beside(pen, width, unit):
        details += [Text(end=""), *_table(pen, width, unit)]
    return [*lines, *details[:room]]


def least_lines(unit: UnitView) -> int:
    """Lines that a unit wants, to have its verdict large."""
    return LOW if large_words(unit) else 2


def row(pen: Pen, width: int, unit: UnitView) -> Text:
    """As much as one line has room for: name and verdict first, then what is odd about them."""
    word = verdict_words(unit.verdict) if unit.verdict.verdict != "no window set" else ""
    line = pen.text((f"{unit.unit.name} ", "strong"), (word, VERDICT_ROLE[unit.verdict.verdict]))
    mean = mean_text(unit.whole) if unit.whole and unit.whole.mean_btdc is not None else ""
    _, short, count = _marks(unit)
    last = tuple(_last_parts(unit))
    for more in ((unit.phase,), (short,), (mean,), last, (CONTACTS[unit.contacts_open],)):
        part = pen.text("  ", *more)
        if more == (short,) and line.cell_len + part.cell_len > width:
            part = pen.text("  ", count)
        if part.plain.strip() and line.cell_len + part.cell_len <= width:
            line.append_text(part)
    return line


def large_words(unit: UnitView) -> str:
    """What the unit's verdict is in large letters: "LATE 0.44°"; without a window the mean.

    Empty while nothing was read.
    """
    word = verdict_word(unit.verdict).upper()
    if word:
        return " ".join(filter(None, (word, beyond_words(unit.verdict, coarse=True))))
    if unit.whole is None or unit.whole.mean_btdc is None or not isfinite(unit.whole.mean_btdc):
        return ""
    return rounding.opening(unit.whole.mean_btdc, unit.whole.U_deg)[0]


def mean_text(of: Assessment) -> str:
    """``36.22° BTDC, U 0.16°``: mean with its expanded uncertainty."""
    U = f", U {rounding.two_figures(of.U_deg)}°" if rounding.is_known(of.U_deg) else ""
    return f"{rounding.btdc(of.mean_btdc, of.U_deg)}{U}"


def _title(pen: Pen, width: int, unit: UnitView) -> Text:
    """Name, setting, phase, whose the verdict is, and contacts: a line that divides this unit from
    what is above."""
    right = pen.text(f" {CONTACTS[unit.contacts_open]}")
    parts: list[str] = [unit.phase]
    if named := unit.verdict.cylinders:
        few = f"{noun(len(named), 'cylinder')} {listed(named)}"
        parts.append(few if len(named) <= _NAMED else many(len(named), "cylinder"))
    setting, number = unit.setting.name, f"input {unit.unit.input}"
    for head in ([setting, number, *parts], [setting, *parts], parts, [unit.phase]):
        left = pen.text(("── ", "quiet"), (unit.unit.name, "strong"), f" │ {', '.join(head)} ")
        if left.cell_len + right.cell_len <= width:
            break
    else:
        right = pen.text("")
    return pen.rule(width, left, right)


def _large(pen: Pen, width: int, unit: UnitView, size: Size) -> Lines:
    """The verdict in large letters, with figures or the table of cylinders beside it."""
    drawn = blocks(large_words(unit), size, pen.unicode)
    if len(drawn[0]) > width:
        drawn = blocks(large_words(unit), "small", pen.unicode)
    role = VERDICT_ROLE[unit.verdict.verdict]
    lines = [pen.text((line, "strong" if role == "text" else role)) for line in drawn]
    room = width - len(drawn[0]) - 3
    side = _side(pen, room, unit) if size == "small" else []
    if size == "large" and _table_beside(pen, width, unit):
        side = _table(pen, room, unit)
    side = side or _means(pen, room, len(lines), unit)
    return beside(lines, side[: len(lines)], width - max(room, 0)) if side else lines


def _side(pen: Pen, room: int, unit: UnitView) -> Lines:
    """Figures beside small letters: the mean, its U, and of how many readings."""
    whole = unit.whole
    if whole is None or whole.mean_btdc is None:
        return pen.wrap(room, assessment_in_full(whole)) if whole is not None else []
    mean, known = rounding.btdc(whole.mean_btdc, whole.U_deg), rounding.is_known(whole.U_deg)
    U = f"U {rounding.two_figures(whole.U_deg)}°" if known else "U not known"
    n, sd = f"n {whole.n}", "" if whole.sd_deg is None else f", SD {rounding.scatter(whole.sd_deg)}"
    if room < _SIDE:
        narrow = (pen.text((each, "strong")) for each in (mean.removesuffix(" BTDC"), U, n))
        return [line for line in narrow if line.cell_len <= room]
    first = pen.text(("mean ", "quiet"), (mean, "strong"))
    return [first, pen.text(f"{U}, {n}{sd}"), *marks_within(pen, room, 1, unit)]


def _marks(unit: UnitView) -> tuple[str, str, str]:
    """What is odd about the figure: in words, in short, and the number of marks."""
    marks = unit.whole.marks if unit.whole else ()
    full, short = [MARKS[mark] for mark in marks], [SHORT_MARKS[mark] for mark in marks]
    if of := unit.not_own_tdc:
        named = f"{noun(len(of), 'cylinder')} {listed(of)}"
        whose = named if len(of) <= _NAMED else many(len(of), "cylinder")
        full.append(f"{whose}: not from {'its' if len(of) == 1 else 'their'} own TDC")
        short.append("not own TDC")
    return " │ ".join(full), " │ ".join(short), many(len(full), "mark") if full else ""


def marks_within(pen: Pen, width: int, height: int, unit: UnitView) -> Lines:
    """What is odd about the figure in as many words as there is room for."""
    tries = (pen.wrap(width, (text, "strong")) for text in _marks(unit))
    return next((lines for lines in tries if len(lines) <= height), [])


def _sums(pen: Pen, unit: UnitView) -> Text:
    """Mean, U, SD, number and the last reading on one line."""
    whole, last = unit.whole, _last_parts(unit)
    own = unit.setting.per_cylinder.get(unit.last.cylinder or 0) if unit.last else None
    if own is not None:
        last.append(f", nominal {rounding.entered(own.nominal_btdc)}°")
    if whole is None or whole.mean_btdc is None:
        words = assessment_in_full(whole) if whole else "each cylinder against its own window"
        return pen.text(f"{words}   ", *last)
    sd = "" if whole.sd_deg is None else f"   SD {rounding.scatter(whole.sd_deg)}"
    mean: Part = (mean_text(whole), "strong")
    return pen.text(("mean ", "quiet"), mean, f"{sd}   n {whole.n}   ", *last)


def _last_parts(unit: UnitView) -> list[Part]:
    """The last reading and its small word."""
    last = unit.last
    if last is None:
        return [("no reading yet", "quiet")]
    word = reading_word(last, unit.setting)
    return [("last ", "quiet"), rounding.btdc(last.btdc_deg).removesuffix(" BTDC"),
            (f" {word}", reading_role(unit, last))]  # fmt: skip


def reading_role(unit: UnitView, reading: Reading) -> Role:
    """How a single reading is shown against the window of its unit."""
    at, window = unit.on_scale(reading), unit.setting.window
    if reading.kind == "impulse" or at is None or window is None:
        return "strong"
    return "inside" if window.latest_btdc <= at <= window.earliest_btdc else "outside"


def _details(pen: Pen, width: int, unit: UnitView) -> Lines:
    """Sentences that may need several lines, the most needed first."""
    whole = unit.whole
    lines = pen.wrap(width, (_marks(unit)[0], "strong"))
    for text in (what_decides(whole) if whole else "", *unit.notes):
        lines += pen.wrap(width, text)
    return lines


def _table_beside(pen: Pen, width: int, unit: UnitView) -> bool:
    """Whether the table of cylinders has its place beside the large letters."""
    rows = sum(each.cylinder is not None for each in unit.assessments)
    free = width - len(blocks(large_words(unit), "large", pen.unicode)[0]) - 3
    return 1 < rows < HEIGHT["large"] and free >= TABLE_WIDTH


def _table(pen: Pen, width: int, unit: UnitView) -> Lines:
    """Cylinder by cylinder, or else the readings one by one."""
    own = [each for each in unit.assessments if each.cylinder is not None]
    if len(own) < 2:
        texts = [rounding.figure(r.btdc_deg) for r in unit.turned if r.btdc_deg is not None]
        return pen.labelled(("readings", "quiet"), width, "  ".join(texts[-60:])) if texts else []
    wide = width >= 60
    widths = (9, 4, 23, 8, 0) if wide else (5, 4, 11, 7, 0)
    rows: list[tuple[Role, Sequence[str]]] = [
        ("quiet", ("cylinder" if wide else "cyl.", "n", "mean", "SD", "verdict"))
    ]
    for each in own:
        mean = mean_text(each) if wide else rounding.btdc(each.mean_btdc, each.U_deg)
        cells = (str(each.cylinder), str(each.n), mean.removesuffix(" BTDC"),
                 rounding.scatter(each.sd_deg), verdict_word(verdict_over([each])))  # fmt: skip
        rows.append((VERDICT_ROLE[each.verdict], cells))
    return [
        pen.text(("".join(pen.clean(c).ljust(w) for c, w in zip(cells, widths, strict=True)), role))
        for role, cells in rows
    ]


_NO_STAR = ("inside", "no window set")


def _means(pen: Pen, room: int, height: int, unit: UnitView) -> Lines:
    """Each cylinder with its mean, several on a line; nothing where not all have room."""
    own = [each for each in unit.assessments if each.cylinder is not None]
    texts = [
        f"{each.cylinder} {rounding.btdc(each.mean_btdc, each.U_deg).removesuffix(' BTDC')}"
        f"{'' if each.verdict in _NO_STAR else '*'}"
        for each in own
    ]
    wide = max(map(len, texts), default=0) + 2
    across = (room + 2) // wide
    if len(own) < 2 or not len(own) <= across * height:
        return []
    cells: list[Part] = [
        (text.ljust(wide), VERDICT_ROLE[each.verdict])
        for text, each in zip(texts, own, strict=True)
    ]
    some = any(each.verdict not in _NO_STAR for each in own)
    heading = pen.text((f"cylinder, mean{' (* not inside)' if some else ''}", "quiet"))
    lines = [pen.text(*cells[n : n + across]) for n in range(0, len(cells), across)]
    return [heading, *lines] if len(lines) < height else lines


LEAST_SPAN_DEG = 1.0
REACH = 1.25
FREE_DEG = 2.5
MOST_SHOWN = 200  # readings that are put on the scale: the last so many


@dataclass(frozen=True, slots=True)
class Columns(Axis):
    """The axis on columns 0 .. ``width - 1``."""

    width: int

    def column(self, btdc_deg: float) -> int:
        """Nearest column; the last one on its side for what lies beyond."""
        return round(self.share(btdc_deg) * (self.width - 1))


def axis_for(unit: UnitView, width: int) -> Columns | None:
    """The scale of a unit, which depends on its window alone, so that it keeps its width.

    Without a window it is laid about the first reading; None where there is none either.
    """
    window = unit.setting.window
    if window is not None:
        middle = (window.earliest_btdc + window.latest_btdc) / 2.0
        half = REACH * max(window.earliest_btdc - window.latest_btdc, LEAST_SPAN_DEG)
        return Columns(middle + half, middle - half, width)
    first = next((r.btdc_deg for r in unit.readings if r.btdc_deg is not None), None)
    if first is None or not isfinite(first):
        return None
    return Columns(round(first) + FREE_DEG, round(first) - FREE_DEG, width)


def draw_scale(pen: Pen, width: int, unit: UnitView) -> Lines:
    """The readings, below them the window with mean and U, and its limits below."""
    axis = axis_for(unit, width)
    if axis is None:
        return [pen.text(("no window set, no reading yet", "quiet"))]
    window = unit.setting.window
    limits = [] if window is None else [window.earliest_btdc, window.latest_btdc,
                                        window.nominal_btdc]  # fmt: skip
    figures: list[Mark] = [(0, "early", "quiet"), (width - 4, "late", "quiet")]
    taken: list[range] = []
    for angle in limits:
        start, text, role = centred(axis.column(angle), limit_text(angle), width, "text")
        if all(start + len(text) < each.start or start > each.stop for each in taken):
            taken.append(range(start, start + len(text)))
            figures.append((start, text, role))
    return pen.scale(width, _reading_marks(axis, unit), _window_marks(axis, unit), figures)


def _scale_row(pen: Pen, width: int, unit: UnitView) -> Text:
    """The scale on one line, the last reading and its word at its end."""
    scale = width - _LAST_WIDTH
    axis = axis_for(unit, scale)
    if axis is None or scale < _LAST_WIDTH:
        return pen.text(*_last_parts(unit), f" {CONTACTS[unit.contacts_open]}")
    marks: list[Mark] = [(0, "╌" * scale, "quiet"), *_window_marks(axis, unit)]
    window = unit.setting.window
    if window is not None:
        early, late = limit_text(window.earliest_btdc), limit_text(window.latest_btdc)
        marks.append((axis.column(window.earliest_btdc) - len(early) - 1, early, "text"))
        marks.append((axis.column(window.latest_btdc) + 2, late, "text"))
    line = pen.columns(scale, [*marks, *_reading_marks(axis, unit)[-1:]])
    return Text.assemble(line, pen.text("  ", *_last_parts(unit)), end="")


def _reading_marks(axis: Columns, unit: UnitView) -> list[Mark]:
    """Each reading at its place, the last one as a pointer."""
    places = [at for each in unit.turned[-MOST_SHOWN:] if (at := unit.on_scale(each)) is not None]
    columns = Counter(axis.column(at) for at in places if isfinite(at) and not axis.beyond(at))
    marks: list[Mark] = [
        (column, "·" if times == 1 else "●", "quiet") for column, times in columns.items()
    ]
    if (last := unit.last) and (at := unit.on_scale(last)) is not None and isfinite(at):
        sign = {1: "◀", 0: "▼", -1: "▶"}[axis.beyond(at)]
        marks.append((axis.column(at), sign, reading_role(unit, last)))
    return marks


def _window_marks(axis: Columns, unit: UnitView) -> list[Mark]:
    """The window's line with the mean and its U."""
    window, whole = unit.setting.window, unit.whole
    marks: list[Mark] = []
    if window is not None:
        line, *limits = span(axis.column(window.earliest_btdc), axis.column(window.latest_btdc))
        marks = [line, (axis.column(window.nominal_btdc), "┿", "text"), *limits]
    if whole is not None and (lane := Lane.of(whole, ())).mean_btdc is not None:
        role = VERDICT_ROLE[whole.verdict]
        if lane.bar is not None:
            first, last = map(axis.column, lane.bar)
            marks.append((first, "▒" * (last - first + 1), role))
        marks.append((axis.column(lane.mean_btdc), "◆", role))
    return marks


def focus(units: Sequence[UnitView]) -> int:
    """The place of the unit that was read last, else the first."""
    times = [unit.last.t_s if unit.last else -1.0 for unit in units]
    return max(range(len(units)), key=lambda place: times[place])

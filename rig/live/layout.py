"""The dashboard: a view drawn for a terminal of any size.

There are two layouts, for 80x24 and for 120x40 and more: head, crank, middle and foot have their
fixed places. NEXT, its reason, warnings and keys are never cut: where they need more lines the
units get fewer. Below 80x24 the small layout shows the most important lines first.
"""

from __future__ import annotations

from dataclasses import replace

from rich.text import Text

from rig.base import rounding
from rig.live import panels
from rig.live.text import HEIGHT, Frame, Lines, Pen, Size, beside, blocks, fitted
from rig.live.unit_panel import draw_scale, focus, large_words, least_lines, row, unit_lines
from rig.live.view import View
from rig.words.figures import clock

FULL, WIDE = (80, 24), (120, 40)  # places across and down that the two layouts need
HEALTH = 34  # places for the rig's health beside the crank, in the wide one


def render(view: View, width: int, height: int, colour: bool = True, unicode: bool = True) -> Frame:
    """Draw ``view`` for ``width`` by ``height`` places.

    With ``colour`` False there is no colour; with ``unicode`` False nothing but ASCII.
    """
    if not view.rig.connected:  # what the contacts do now is not known
        units = tuple(replace(unit, contacts_open=None) for unit in view.units)
        view = replace(view, units=units)
    width, height, pen = max(1, width), max(1, height), Pen(unicode)
    if width < FULL[0] or height < FULL[1]:
        lines = _small(pen, width, height, view)
    else:
        wide = width >= WIDE[0] and height >= WIDE[1]
        lines = [Text.assemble(" ", fitted(line, width - 2), end="")
                 for line in _whole(pen, width - 2, height, view, wide)]  # fmt: skip
    return Frame.of(lines, width, height, colour=colour, unicode=unicode)


def _whole(pen: Pen, width: int, height: int, view: View, wide: bool) -> Lines:
    lines = panels.head(pen, width, view)
    if view.actions:
        keys = panels.key_rows(pen, width, view)
        page = panels.page(pen, width, height - len(lines) - len(keys), view)
        return [*_filled([*lines, *page], height - len(keys)), *keys]
    gap = [Text(end="")] * wide
    lines += gap
    if view.step != "saved":  # then nothing is listened to any more, and the closing list is long
        lines += [*_crank(pen, width, view, wide), *gap]
    above, below = panels.foot(pen, width, view, high=wide)
    room = height - len(lines)
    rows = min(max(11 if wide else 9, len(above) + len(below)), room - _least(view))
    below = below[-max(0, rows - 2) :]
    lines += _filled(_middle(pen, width, room - rows, view), room - rows)
    return [*_filled([*lines, *above], height - len(below)), *below]


def _crank(pen: Pen, width: int, view: View, wide: bool) -> Lines:
    size: Size = "large" if wide else "small"
    health = HEALTH if wide and view.rig.connected and not view.alarm else 0
    crank = panels.crank(pen, width - health, view, size)
    if health:
        crank = beside(crank, panels.health(pen, view), width - health + 2)
    return _filled(crank, HEIGHT[size])


def _filled(lines: Lines, height: int) -> Lines:
    """Exactly ``height`` lines."""
    return [*lines, *[Text(end="")] * (height - len(lines))][: max(0, height)]


def _least(view: View) -> int:
    """Lines that the middle keeps however much the foot needs."""
    return 4 if view.panel or view.touches or view.goto else min(4, len(view.units))


def _middle(pen: Pen, width: int, height: int, view: View) -> Lines:
    lines = panels.middle(pen, width, height, view)
    if view.panel is not None:
        return lines
    if not view.units and not lines:
        return [Text(end=""), pen.text(("the engine file has no ignition unit", "strong"))]
    if height - len(lines) >= len(view.units):
        return lines + _units(pen, width, height - len(lines), view)
    return lines or _units(pen, width, height, view)


def _units(pen: Pen, width: int, height: int, view: View) -> Lines:
    """Every unit with its verdict large, where there is room; else the one that was read last."""
    units = view.units
    if len(units) > height:
        left = len(units) - height + 1
        return [*(row(pen, width, unit) for unit in units[: height - 1]), panels.more(pen, left)]
    rows = [least_lines(unit) for unit in units]
    if sum(rows) > height:
        rows = [1] * len(units)
        rows[focus(units)] = height - len(units) + 1
    else:
        read = [place for place, unit in enumerate(units) if large_words(unit)]
        read = read or [*range(len(units))]
        spare = (height - sum(rows)) // max(1, len(read))
        for place in read:
            rows[place] += spare
    lines: Lines = []
    for unit, high in zip(units, rows, strict=True):
        lines += _filled(unit_lines(pen, width, high, unit), high)
    return lines


# -- the small layout ------------------------------------------------------------------------------


def _small(pen: Pen, width: int, height: int, view: View) -> Lines:
    """As many lines as there is room for; what is most needed has the lowest rank."""
    ranked = _ranked(pen, width, height, view)
    spare = height - len(ranked)
    if spare > 3 and view.units and not (view.actions or view.panel or view.touches or view.goto):
        unit = view.units[focus(view.units)]
        words = large_words(unit)
        drawn = blocks(words, "small", pen.unicode) if words else ("",)
        if words and len(drawn[0]) <= width:
            at = next(place for place, (rank, _) in enumerate(ranked) if rank == _UNIT)
            large = [(_LARGE, pen.text((line, "strong"))) for line in drawn]
            scale = [(_LARGE, line) for line in draw_scale(pen, width, unit)] if spare > 6 else []
            ranked[at:at] = [*large, *scale]
    kept = sorted(range(len(ranked)), key=lambda place: (ranked[place][0], place))[:height]
    return [ranked[place][1] for place in sorted(kept)]


_ASKED, _ANGLE, _UNIT, _NEXT, _WARNING, _LINES, _VALID, _LARGE, _SIZE, _KEYS, _REST = range(11)


def _ranked(pen: Pen, width: int, height: int, view: View) -> list[tuple[int, Text]]:
    """All lines from top to bottom, each with its rank."""

    def of(rank: int, lines: Lines) -> list[tuple[int, Text]]:
        return [(rank, line) for line in lines]

    step = pen.text(
        f"{panels.STEP_WORDS[view.step]}  {clock(view.elapsed_s)}  ", (view.job, "strong")
    )
    alarm = pen.labelled((f" {panels.ALARM} ", "warning"), width, (view.alarm, "strong"))
    middle, lines = _small_middle(pen, width, view)
    asked = panels.question_lines(pen, width, view.question) if view.question else []
    return [
        *of(_REST, [step]),
        *of(_ASKED, alarm[:4]),
        *of(_ANGLE, _angle(pen, width, view)),
        *of(_VALID, panels.valid_lines(pen, width, view)[:2] if view.rig.connected else []),
        *of(_UNIT, middle),
        *of(_LINES, lines),
        *of(_ASKED, [line for line in asked if line.plain.strip()]),
        *of(_NEXT, panels.next_lines(pen, width, replace(view, why=""))),
        *of(_WARNING, panels.warnings(pen, width, view)),
        *of(_REST, pen.wrap(width, view.why)),
        *of(_REST, [pen.text(*panels.reference_parts(view))]),
        *of(_REST, pen.wrap(width, view.message)),
        *of(_SIZE, pen.wrap(width, (f"80x24 shows all; this is {width}x{height}", "quiet"))),
        *of(_KEYS, panels.key_rows(pen, width, view)),
    ]  # fmt: skip


def _angle(pen: Pen, width: int, view: View) -> Lines:
    crank = view.crank
    if not view.rig.connected:
        return pen.wrap(width, (f"RIG LOST: {view.rig.detail}", "warning"))
    if crank.btdc_deg is None:
        place = f"{at}° after the index, " if (at := panels.after_index(view)) else ""
        return pen.wrap(width, (f"{place}no TDC: ", "strong"), crank.why_no_angle)
    angle = rounding.btdc(crank.btdc_deg, decimals=1)
    return [pen.text((f"crank {angle} ", "strong"), panels.movement(view))]


def _small_middle(pen: Pen, width: int, view: View) -> tuple[Lines, Lines]:
    """What is seen before NEXT, and what after it where there is room."""
    if view.actions:
        return [pen.text((f" {each.key} ", "key"), f" {each.does}: {each.undo}")
                for each in view.actions], []  # fmt: skip
    if (of := panels.panel_of(view)) is None:
        return [row(pen, width, unit) for unit in view.units], []
    figure = f": {of.figure}{of.unit} {of.below}" if of.figure else ""
    first = pen.wrap(width, (f"{of.title}{figure}", "strong"))
    return first, panels.panel_lines(pen, width, 200, (*of.lines, *of.beside))

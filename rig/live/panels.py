"""The parts of the screen that belong to the whole job: head, crank, foot, and what lies between.

The middle shows the touches while the piston stop is in, the distance while the crank is led to an
angle, or the panel of a procedure.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import isfinite

from rich.text import Text

from rig.base import rounding
from rig.base.angles import wrap
from rig.guide.action import Question, Step, Stroke
from rig.guide.procedure import GoToView, Panel, PanelLine, Sort
from rig.live.text import (
    HEIGHT,
    STYLES,
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
    ends,
    fitted,
    span,
)
from rig.live.unit_panel import CONTACTS, Columns
from rig.live.view import STEPS, TouchesView, View
from rig.words.assessments import comparison_words, worst_verdict
from rig.words.figures import clock, degrees, number

STROKES: dict[Stroke, str] = {
    "stated": "firing TDC entered",
    "not stated": "firing TDC NOT ENTERED",
    "lost": "firing TDC LOST: enter it again",
    "not needed": "",
}
STEP_WORDS: Mapping[Step, str] = {
    "connect": "connect", "index": "index", "top dead centre": "TDC", "stroke": "firing TDC",
    "reading": "reading", "saved": "saved",
}  # fmt: skip
ALARM = "CAPTURE IN DANGER"
_CRANK_WIDE = "888.8"
MOST_LABEL = 26  # places of the labels of a panel
MOST_ANGLES = 3  # touches of a side that are shown
WIDE = 110  # columns from which all steps are named in the head


# -- head ------------------------------------------------------------------------------------------


def head(pen: Pen, width: int, view: View) -> Lines:
    """Two lines: job, step and elapsed time; rig, TDC and firing TDC."""
    right = pen.text(*_steps(view, width), ("  " + clock(view.elapsed_s), "strong"))
    first = ends(pen.text((view.job or "no name", "strong")), right, width)
    for shorter, short in ((0, 0), (1, 0), (1, 1), (2, 1), (3, 1), (3, 2)):
        rig, tdc = pen.text(*rig_parts(view, shorter)), pen.text(*reference_parts(view, short))
        if rig.cell_len + tdc.cell_len + 2 < width:
            break
    return [first, ends(rig, fitted(tdc, min(tdc.cell_len, width)), width)]


def _steps(view: View, width: int) -> list[Part]:
    if view.instead:
        return [(view.instead.upper(), "strong")]
    if width < WIDE:
        number_of = STEPS.index(view.step) + 1
        return [f"{number_of} of {len(STEPS)}: ", (STEP_WORDS[view.step].upper(), "strong")]
    parts: list[Part] = []
    for step, words in STEP_WORDS.items():
        if step == view.step:
            parts += ["  ▶ ", (words.upper(), "strong")]
        else:
            done = step in view.done
            name = "connected" if step == "connect" and done else words
            parts += [f"  {'■' if done else '□'} ", (name, "quiet")]
    return parts


def rig_parts(view: View, shorter: int = 0) -> list[Part]:
    """The rig and its line; ``shorter`` 1 leaves the port out, 2 the tag, 3 the kinds of errors."""
    rig = view.rig
    if rig.silent_s is None and not rig.lines:
        parts: list[Part] = [("rig: nothing received yet", "strong")]
    elif not rig.connected:
        parts = [(" RIG LOST ", "warning")]
    elif not rig.understood:
        parts = [("NO RIG RECOGNISED yet", "strong")]
    else:
        parts = ["connected"]
    if rig.port and shorter < 1:
        parts.append((f" on {rig.port}", "quiet"))
    if view.tag and shorter < 2:
        parts.append(f" │ {view.tag}")
    if rig.line_errors:
        kinds = ", ".join(f"{kind} {times}" for kind, times in rig.line_errors)
        if shorter > 2:
            kinds = str(sum(times for _, times in rig.line_errors))
        parts.append((f" │ line errors: {kinds}", "strong"))
    return parts


def reference_parts(view: View, shorter: int = 0) -> list[Part]:
    """TDC and firing TDC on one line; ``shorter`` 1 leaves out how TDC was found, 2 what to do."""
    reference = view.reference
    if view.instead:
        return [reference.text]
    if not reference.text:
        return [("TDC NOT FOUND yet", "strong")]
    parts: list[Part] = ["TDC" if shorter else f"TDC by {reference.text}"]
    if rounding.is_known(reference.U_deg):
        parts.append(f", U {rounding.two_figures(reference.U_deg)}°")
    if not reference.valid:
        parts.append((" NOT VALID", "outside"))
    if stroke := STROKES[view.stroke]:
        stroke = stroke.partition(":")[0] if shorter > 1 else stroke
        parts.append((f" │ {stroke}", "text" if view.stroke == "stated" else "strong"))
    return parts


# -- crank -----------------------------------------------------------------------------------------


def crank(pen: Pen, width: int, view: View, size: Size) -> Lines:
    """The crank's angle in large figures, its movement, and whether an opening would be valid."""
    if view.alarm:
        return [pen.text((ALARM.center(width), "warning")),
                *pen.wrap(width, (view.alarm, "strong"))]  # fmt: skip
    of, silent, rows = view.crank, view.rig.silent_s, HEIGHT[size]
    if not view.rig.connected:
        label, since = ("NO RIG YET", "") if silent is None else (
            "RIG LOST", f"  silent for {clock(silent)}"
        )  # fmt: skip
        detail = view.rig.detail or "Check its cable; readings are kept."
        return [pen.text((f" {label} ", "warning"), (since, "strong")), *pen.wrap(width, detail)]
    moving: Part = (movement(view), "strong")
    at = after_index(view)
    if of.shaft and at:
        text, side, degree, whose = at, "index", "°", f"{of.shaft}, after the index"
    elif not of.shaft and of.btdc_deg is not None and isfinite(of.btdc_deg):
        text, side = rounding.opening(of.btdc_deg, decimals=1)
        degree, whose = "° crank", f"crank from TDC of {of.of}"
    else:
        unknown = f"{'SHAFT' if of.shaft else 'CRANK'} ANGLE NOT KNOWN   "
        place = f"{at}° after the index" if at else ""
        lines = [pen.text((unknown, "outside"), moving), *pen.wrap(width, of.why_no_angle)]
        return [*lines, pen.text(place)][:rows]
    field = len(blocks(_CRANK_WIDE, size, pen.unicode)[0])
    figure = [pen.text((line.rjust(field), "quiet")) for line in blocks(text, size, pen.unicode)]
    middle = [pen.text("")] * (rows - 2)
    figure = beside(figure, [pen.text(degree), *middle, pen.text((side, "strong"))], field + 1)
    room = width - field - 10
    needed = max(of.approach_needed_deg, 0.1)
    share = min(1.0, max(0.0, of.approach_deg / needed))
    bar = max(4, min(30, room - 38))
    filled = int(share * bar)
    approach = pen.text(
        moving, "  approach ", ("█" * filled, "inside" if share >= 1.0 else "strong"),
        ("░" * (bar - filled), "quiet"), f" {min(of.approach_deg, 999.0):.0f}° of {needed:.0f}°",
    )  # fmt: skip
    verdict = valid_lines(pen, room, view)[:rows]  # what is above it gives way to it
    return beside(figure, [pen.text(whose), approach, *verdict][-rows:], field + 10)


def valid_lines(pen: Pen, width: int, view: View) -> Lines:
    """Whether an opening now would be a reading, and why not."""
    of = view.crank
    if of.valid_now:
        return [pen.text(("an opening now is VALID", "inside"))]
    why = f": {of.why_not}" if of.why_not else ""
    return pen.wrap(width, ("NOT VALID now", "outside"), why)


def after_index(view: View) -> str:
    """Digits of the crank's angle after the index; empty while it is not known."""
    at = view.crank.after_index_deg
    return "" if at is None else rounding.after_index(at, decimals=1)


def movement(view: View) -> str:
    """Direction and speed in words."""
    of = view.crank
    if of.direction == 0:
        return "still"
    return f"{'forward' if of.direction > 0 else 'BACK'} {of.speed_deg_s:.0f}°/s"


def health(pen: Pen, view: View) -> Lines:
    """Capture and rig in a few lines, for screens that have the room."""
    rig = view.rig
    silent = "nothing received" if rig.silent_s is None else f"last line {rig.silent_s:.1f} s ago"
    texts = (
        view.capture or "no capture",
        f"rig {rig.name or 'without a name'}",
        silent,
        "line errors: see above" if rig.line_errors else "line OK",
        "readings are spoken" if view.speaking else "",
    )
    return [pen.text(("│ ", "quiet"), text) for text in texts if text]


# -- middle ----------------------------------------------------------------------------------------


def middle(pen: Pen, width: int, height: int, view: View) -> Lines:
    """A panel, the touches of the piston stop, or the way to an angle; empty without any."""
    if (of := panel_of(view)) is None:
        return []
    past = view.goto is not None and (view.goto.to_go_deg or 0.0) < 0.0
    lines = panel(pen, width, height, of, "outside" if past else "strong")
    if view.panel is None and height >= len(lines) + 3:
        scale = _way(pen, width, view.goto) if view.goto else _arc(pen, width, view)
        lines += [Text(end="")] * (height > len(lines) + 3) + scale
    return lines


def panel_of(view: View) -> Panel | None:
    """What has the middle of the screen besides units, as a panel."""
    if view.panel is not None:
        return view.panel
    if view.touches is not None:
        return _touches_panel(view.touches)
    return _goto_panel(view.goto, view) if view.goto is not None else None


def _touches_panel(of: TouchesView) -> Panel:
    """Touches of the piston stop either way, and the TDC that follows."""
    sides: list[PanelLine] = []
    for side, angles_deg in (("forward", of.forward_deg), ("back", of.backward_deg)):
        last = " ".join(map(rounding.after_index, angles_deg[: -MOST_ANGLES - 1 : -1]))
        text = f"{len(angles_deg)}×  {last}" if angles_deg else "not touched yet"
        sides.append(PanelLine(side, text))  # the newest first
    U = f"{rounding.two_figures(of.U_deg)}°" if rounding.is_known(of.U_deg) else "–"
    figure, below = "", "no TDC yet: touch from both sides"
    if of.middle_deg is not None:
        figure, below = rounding.after_index(of.middle_deg, of.U_deg), "TDC after the index"
    range_ = PanelLine("range", degrees(of.spread_deg, 2))
    return Panel(
        "TDC by the piston stop", "piston stop IN: no full turn", figure, below=below,
        beside=(*sides, range_, PanelLine("U", U)),
        lines=(PanelLine("", of.note, "now"),) if of.note else (),
    )  # fmt: skip


def _arc(pen: Pen, width: int, view: View) -> Lines:
    """The blocked arc between the last touches, with TDC and the crank on it."""
    of = view.touches
    if of is None or of.middle_deg is None or not (of.forward_deg and of.backward_deg):
        return []
    tdc, forward, backward = of.middle_deg, of.forward_deg[-1], of.backward_deg[-1]
    half = max(abs(wrap(forward - tdc)), abs(wrap(backward - tdc)), 1.0) * 1.5
    axis = Columns(half, -half, width)

    def column(angle_deg: float) -> int:
        return axis.column(wrap(tdc - angle_deg))

    first, last = sorted((column(forward), column(backward)))
    touched = (*of.forward_deg[-20:], *of.backward_deg[-20:])
    dots: list[Mark] = [(column(angle), "●", "text") for angle in touched]
    now = view.crank.after_index_deg
    if now is not None and abs(wrap(now - tdc)) <= half:
        dots.append((column(now), "▼", "strong"))
    words = (
        centred(column(forward), "touched forward", width, "quiet"),
        centred(column(backward), "touched back", width, "quiet"),
        centred(column(tdc), "TDC", width, "strong"),
    )
    arc = [*span(first, last), (column(tdc), "◆", "inside")]
    return pen.scale(width, dots, arc, words)


def _goto_panel(of: GoToView, view: View) -> Panel:
    """How far the crank still is from the angle that it is led to, and from which side."""
    at_angle = rounding.btdc(of.target_btdc)
    what = of.title or (f"hold the crank at {at_angle}" if of.unit else f"going to {at_angle}")
    state = "from the right side" if of.from_right_side else "NOT from the right side"
    to_go = of.to_go_deg or 0.0
    way = ("to go, back" if of.title else "PAST it") if to_go < 0.0 else "to go, forward"
    lines = [PanelLine("", of.words, "now")]
    if of.rim_mm is not None:
        side = "after" if of.rim_mm < 0.0 else "before"
        lines.append(PanelLine("", f"{abs(of.rim_mm):.1f} mm round the rim {side} TDC"))
    for unit in view.units:
        moved = ", being moved" if unit.unit.name == of.unit else ""
        lines.append(PanelLine("", f"{unit.unit.name}{moved}: {CONTACTS[unit.contacts_open]}"))
    return Panel(
        what,
        "" if of.title else state,
        "" if of.to_go_deg is None else number(abs(to_go), 1 if abs(to_go) >= 10 else 2),
        below="" if of.to_go_deg is None else way,
        beside=tuple(lines),
    )


def _way(pen: Pen, width: int, of: GoToView) -> Lines:
    """The last 30 degrees before the angle, and 10 past it, as a line."""
    column = Columns(30.0, -10.0, width).column
    marks: list[Mark] = []
    words: list[Mark] = []
    for place in (30.0, 20.0, 10.0, 0.0, -10.0):
        marks.append((column(place), "┿" if place else "◆", "quiet" if place else "strong"))
        to_go = " to go" if place > 0.0 else " back" if of.title else " past"
        label = f"{abs(place):.0f}{to_go}" if place else "there"
        words.append(centred(column(place), label, width, "quiet"))
    now: list[Mark] = [] if of.to_go_deg is None else [(column(of.to_go_deg), "▼", "strong")]
    return pen.scale(width, now, marks, words)


ROLES: Mapping[Sort, Role] = {
    "plain": "text", "now": "strong", "good": "inside", "bad": "outside", "quiet": "quiet",
}  # fmt: skip


def panel(pen: Pen, width: int, height: int, of: Panel, below: Role = "strong") -> Lines:
    """A panel: its figure large with lines beside it, the others over the whole width."""
    lines = [_title(pen, width, of.title, of.state)]
    if not of.figure:
        first = (PanelLine("", of.below, "now"),) if of.below else ()
        every = (*first, *of.beside, *of.lines)
        return [*lines, *panel_lines(pen, width, height - 1, every)]
    size: Size = "large" if height >= 9 else "small"
    figure = [pen.text((line, "strong")) for line in blocks(of.figure, size, pen.unicode)]
    figure[0].append_text(pen.text(f" {of.unit}"))
    figure.append(pen.text((of.below, below)))
    at = max(max(line.cell_len for line in figure) + 3, width * 2 // 5)
    rows = HEIGHT[size] + 1 if of.lines else height - 1
    lines += beside(figure, panel_lines(pen, width - at, rows, of.beside), at)
    return [*lines, *panel_lines(pen, width, height - len(lines), of.lines)]


def _title(pen: Pen, width: int, words: str, state: str) -> Text:
    right = pen.text((f" {state}" if state else "", "strong"))
    return pen.rule(width, pen.text(("── ", "quiet"), (f"{words} ", "strong")), right)


def panel_lines(pen: Pen, width: int, rows: int, of: Sequence[PanelLine]) -> Lines:
    """One line below the other, a long one wrapped; the last place says how many are left out."""
    label = min(max((pen.text(line.label).cell_len for line in of), default=0), MOST_LABEL)
    label += 2 if label else 0
    lines: Lines = []
    for place, line in enumerate(of):
        text = pen.wrap(width - label, (line.text, ROLES[line.sort])) or [Text(end="")]
        left = len(of) - place
        if len(lines) + len(text) > rows - (left > 1):
            return [*lines, more(pen, left)][: max(rows, 0)]
        lines += beside([fitted(pen.text((line.label, "quiet")), label - 1)], text, label)
    return lines


def more(pen: Pen, left: int) -> Text:
    """The last line where something is left out."""
    return pen.text((f"and {left} more: a taller window shows them", "strong"))


def page(pen: Pen, width: int, height: int, view: View) -> Lines:
    """All keys, a line each."""
    key = max(pen.text(action.key).cell_len for action in view.actions) + 3
    lines = [_title(pen, width, "all keys", "how it is undone")]
    for action in view.actions:
        left = fitted(pen.text((f" {action.key} ", "key")), key)
        does = Text.assemble(left, pen.text(action.does), end="")
        lines.append(ends(does, pen.text((f" {action.undo}", "quiet")), width))
    if len(lines) > height:
        del lines[0]  # a key matters more than the heading
    if len(lines) > height:
        lines[height - 1 :] = [more(pen, len(lines) - height + 1)]
    return lines


# -- foot ------------------------------------------------------------------------------------------


def foot(pen: Pen, width: int, view: View, *, high: bool = False) -> tuple[Lines, Lines]:
    """Top: what is next and why, comparisons. Bottom: what has just happened, warnings, keys.

    ``high``: there is room for NEXT in a band of twice the height.
    """
    if view.question is not None:
        return question_lines(pen, width, view.question), warnings(pen, width, view)
    above = next_lines(pen, width, view, high=high)
    for comparison in view.comparisons:
        role = VERDICT_ROLE[worst_verdict(comparison)]
        above += pen.labelled(("both    ", "quiet"), width, (comparison_words(comparison), role))
    below: Lines = []
    reading = view.reference.text and view.step != "saved"
    for unit in view.units if reading else ():
        if unit.why_rejected and not unit.last_valid:
            why = f"{unit.unit.name}: {unit.why_rejected}"
            below += pen.labelled(("rejected", "outside"), width, why)
    below += pen.labelled(("now     ", "quiet"), width, (view.message, "strong"))
    return above, [*below, *warnings(pen, width, view), *key_rows(pen, width, view)]


def next_lines(pen: Pen, width: int, view: View, *, high: bool = False) -> Lines:
    """NEXT as a band over the whole width in which its key stands out, and its reason below."""
    if not view.next:
        return []
    lines: Lines = []
    room, (comma, _, press) = width - 10, view.then.partition(" ")
    body = pen.wrap(room, view.next, (view.then, "band key"))
    if press and press not in body[-1].plain:  # what to press stays together
        body = [*pen.wrap(room, view.next + comma), *pen.wrap(room, (press, "band key"))]
    for line in body:
        label = " " * 9 if lines else " NEXT    "
        band = fitted(Text.assemble(label, line, end=""), width)
        band.stylize_before(STYLES["tag"])
        lines.append(band)
    if high and lines and pen.unicode:
        lines = [pen.text(("▄" * width, "strong")), *lines, pen.text(("▀" * width, "strong"))]
    return lines + pen.labelled(" " * 8, width, view.why)


def warnings(pen: Pen, width: int, view: View) -> Lines:
    """WARNING for what can injure, CAUTION for what can damage; what is wrong with the rig."""
    lines = pen.labelled((" WARNING", "warning"), width, (view.warning, "strong"))
    lines += pen.labelled((" CAUTION", "warning"), width, (view.caution, "strong"))
    wrong = view.rig.detail if view.rig.connected else ""  # a lost rig is shown at the top
    return lines + pen.labelled(("rig     ", "outside"), width, (wrong, "strong"))


def question_lines(pen: Pen, width: int, of: Question) -> Lines:
    """What is asked, what has been typed, and the keys that answer."""
    lines = pen.labelled((" QUESTION ", "warning"), width, (of.text, "strong"))
    answers: list[Part] = [(" y ", "key"), f" {of.yes}   ", (" n ", "key"), f" {of.no}"]
    if of.entry is not None:
        entry = pen.clean(of.entry)[-(width - 14) :]
        lines += [Text(end=""), pen.text(" " * 11, (f" {entry}_ ", "key"))]
        answers = [(" enter ", "key"), f" {of.yes}   ", (" esc ", "key"), f" {of.no}"]
    return [*lines, Text(end=""), pen.text(" " * 11, *answers)]


def key_rows(pen: Pen, width: int, view: View) -> Lines:
    """The keys over as many lines as they need."""
    rows: Lines = []
    for key in view.keys:
        cap = pen.text((f" {key.key} ", "key"), f" {key.label}")
        if rows and rows[-1].cell_len + 2 + cap.cell_len <= width:
            rows[-1] = Text.assemble(rows[-1], "  ", cap, end="")
        else:
            rows.append(cap)
    return rows

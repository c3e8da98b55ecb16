"""The parts of the screen that belong to the whole job: head, crank, foot, and what lies between.

The middle shows the touches while the piston stop is in, the distance while the crank is led to an
angle, or the panel of a procedure.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isfinite

from rich.text import Text

from rig.base import rounding
from rig.base.angles import wrap
from rig.guide.action import Question, Step, Stroke
from rig.guide.procedure import GoToView, Panel, PanelLine, Sort
from rig.live.large_type import HEIGHT, Size, blocks
from rig.live.text import VERDICT_ROLE, Lines, Part, Pen, Role, beside, ends, fitted
from rig.live.unit_panel import CONTACTS
from rig.live.view import STEPS, TouchesView, View
from rig.words.assessments import comparison_words
from rig.words.figures import clock, degrees, number

STROKES: dict[Stroke, str] = {
    "stated": "firing TDC entered",
    "not stated": "firing TDC NOT ENTERED",
    "lost": "firing TDC LOST: enter it again",
    "not needed": "",
}
STEP_WORDS: Mapping[Step, str] = {"top dead centre": "TDC", "stroke": "firing TDC"}
ALARM = "CAPTURE IN DANGER"
NO_FIGURE = "--.-"
_CRANK_WIDE = "888.8"
WIDE = 110


"""Columns from which all steps are named in the head."""


# -- head ------------------------------------------------------------------------------------------


def head(pen: Pen, width: int, view: View) -> Lines:
    """Two lines: job, step and elapsed time; rig, TDC and firing TDC."""
    right = pen.text(*_steps(view, width), ("  " + clock(view.elapsed_s), "strong"))
    first = ends(pen.text((view.job or "no name", "strong")), right, width)
    for shorter, short in ((0, False), (1, False), (1, True), (2, True)):
        rig, tdc = pen.text(*rig_parts(view, shorter)), pen.text(*reference_parts(view, short))
        if rig.cell_len + tdc.cell_len + 2 < width:
            break
    return [first, ends(rig, fitted(tdc, min(tdc.cell_len, width)), width)]


def _steps(view: View, width: int) -> list[Part]:
    if view.instead:
        return [(view.instead.upper(), "strong")]
    if width < WIDE:
        number_of = STEPS.index(view.step) + 1
        return [f"{number_of} of {len(STEPS)}: ", (step_words(view.step).upper(), "strong")]
    parts: list[Part] = []
    for step in STEPS:
        now = step == view.step
        done = step == "connect" and step in view.done
        words = "connected" if done else step_words(step)
        parts += [f"  {_sign(step, view)} ", (words.upper() if now else words,
                                             "strong" if now else "quiet")]  # fmt: skip
    return parts


def step_words(step: Step) -> str:
    """A step as it is named on the screen."""
    return STEP_WORDS.get(step, step)


def _sign(step: Step, view: View) -> str:
    return "▶" if step == view.step else "■" if step in view.done else "□"


def rig_parts(view: View, shorter: int = 0) -> list[Part]:
    """The rig and its line; ``shorter`` 1 leaves the port out, 2 the tag as well."""
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
        parts.append((f" │ line errors: {kinds}", "strong"))
    return parts


def reference_parts(view: View, short: bool = False) -> list[Part]:
    """TDC and firing TDC on one line."""
    reference = view.reference
    if view.instead:
        return [reference.text]
    if not reference.text:
        return [("TDC NOT FOUND yet", "strong")]
    U = (
        f", U {rounding.two_figures(reference.U_deg)}°"
        if rounding.is_known(reference.U_deg)
        else ""
    )
    parts: list[Part] = [("TDC" if short else f"TDC by {reference.text}") + U]
    if not reference.valid:
        parts.append((" NOT VALID", "outside"))
    stroke = STROKES[view.stroke]
    if stroke:
        parts.append((f" │ {stroke}", "text" if view.stroke == "stated" else "strong"))
    return parts


# -- crank -----------------------------------------------------------------------------------------


def crank(pen: Pen, width: int, view: View, size: Size) -> Lines:
    """The crank's angle in large figures, its movement, and whether an opening would be valid."""
    if view.alarm:
        return _banner(pen, width, ALARM, view.alarm)
    if not view.rig.connected:
        silent = view.rig.silent_s
        label = "RIG LOST" if silent is not None else "NO RIG YET"
        since = f"  silent for {clock(silent)}" if silent is not None else ""
        detail = view.rig.detail or "Check its cable; readings are kept."
        return [pen.text((f" {label} ", "warning"), (since, "strong")),
                *pen.wrap(width, detail)]  # fmt: skip
    of, text, side = view.crank, NO_FIGURE, ""
    if of.shaft and of.after_index_deg is not None:
        text, side = rounding.after_index(of.after_index_deg, decimals=1), "index"
    if of.btdc_deg is not None and isfinite(of.btdc_deg):
        text, side = rounding.opening(of.btdc_deg, decimals=1)
    field = len(blocks(_CRANK_WIDE, size, pen.unicode)[0])
    drawn = blocks(text, size, pen.unicode)
    figure = [pen.text((line.rjust(field), "quiet")) for line in drawn]
    if side:
        middle = [pen.text("")] * (HEIGHT[size] - 2)
        first = pen.text("°" if of.shaft else "° crank")
        figure = beside(figure, [first, *middle, pen.text((side, "strong"))], field + 1)
    return beside(figure, _movement(pen, width - field - 10, view, HEIGHT[size]), field + 10)


def _banner(pen: Pen, width: int, label: str, text: str) -> Lines:
    """A band over the whole width, and what happened under it."""
    return [pen.text((label.center(width), "warning")), *pen.wrap(width, (text, "strong"))]


def _movement(pen: Pen, room: int, view: View, rows: int) -> Lines:
    """How the crank moves, its approach, and whether an opening now would be valid."""
    of = view.crank
    if of.btdc_deg is None and not (of.shaft and of.after_index_deg is not None):
        whose = "SHAFT" if of.shaft else "CRANK"
        lines = [pen.text((f"{whose} ANGLE NOT KNOWN   ", "outside"), (movement(view), "strong"))]
        lines += pen.wrap(room, of.why_no_angle)
        if of.after_index_deg is not None and len(lines) < rows:
            at = rounding.after_index(of.after_index_deg, decimals=1)
            lines.append(pen.text(f"{at}° after the index"))
        return lines[:rows]
    verdict = valid_lines(pen, room, view)
    moving = pen.text((movement(view), "strong"), *_approach(view, room))
    whose = f"{of.shaft}, after the index" if of.shaft else f"crank from TDC of {of.of}"
    lines = [moving, *verdict] if len(verdict) < rows else verdict
    return ([pen.text(whose)] if of.shaft or rows > len(lines) else []) + lines[:rows]


def _approach(view: View, room: int) -> list[Part]:
    of = view.crank
    needed = max(of.approach_needed_deg, 0.1)
    share = min(1.0, max(0.0, of.approach_deg / needed))
    bar = max(4, min(30, room - 38))
    filled = int(share * bar)
    return [
        "  approach ", ("█" * filled, "inside" if share >= 1.0 else "strong"),
        ("░" * (bar - filled), "quiet"),
        f" {min(of.approach_deg, 999.0):.0f}° of {needed:.0f}°",
    ]  # fmt: skip


def valid_lines(pen: Pen, width: int, view: View) -> Lines:
    """Whether an opening now would be a reading, and why not."""
    of = view.crank
    if of.valid_now:
        return [pen.text(("an opening now is VALID", "inside"))]
    why = f": {of.why_not}" if of.why_not else ""
    return pen.wrap(width, ("NOT VALID now", "outside"), why)


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


def title(pen: Pen, width: int, words: str, state: str) -> Text:
    """What has the middle of the screen, on a line that divides it from what is above."""
    right = pen.text((f" {state}" if state else "", "strong"))
    left = pen.text(("── ", "quiet"), (f"{words} ", "strong"))
    left.append_text(pen.text(("─" * max(0, width - left.cell_len - right.cell_len), "quiet")))
    return ends(left, right, width)


def size_for(height: int) -> Size:
    """The size of the figure in the middle of a screen."""
    return "large" if height >= 9 else "small"


def touches(pen: Pen, width: int, height: int, view: View, of: TouchesView) -> Lines:
    """Touches of the piston stop either way, the TDC that follows, and where they lie."""
    state = "piston stop IN: no full turn" if of.stop_in else "piston stop OUT"
    size = size_for(height)
    known = of.middle_deg is not None
    text = rounding.after_index(of.middle_deg or 0.0, of.U_deg) if known else NO_FIGURE
    figure = [pen.text((line, "strong" if known else "quiet")) for line in
              blocks(text + "°" * known, size, pen.unicode)]  # fmt: skip
    figure.append(
        pen.text(
            ("TDC after the index" if known else "no TDC yet: touch from both sides", "strong")
        )
    )
    at = max(36, width // 2, *(line.cell_len + 3 for line in figure))
    U = f"{rounding.two_figures(of.U_deg)}°" if rounding.is_known(of.U_deg) else "–"
    side: Lines = []
    for name, value in (
        ("forward", _angles(of.forward_deg)), ("back", _angles(of.backward_deg)),
        ("range", degrees(of.spread_deg, 2)), ("U", U),
    ):  # fmt: skip
        side.append(pen.text((name.ljust(9), "quiet"), value))
    lines = [title(pen, width, "TDC by the piston stop", state), *beside(figure, side, at)]
    lines += pen.wrap(width, (of.note, "strong"))
    if height >= len(lines) + 3:
        lines += [Text(end="")] * (height > len(lines) + 3) + _arc(pen, width, view, of)
    return lines


def _angles(angles_deg: tuple[float, ...]) -> str:
    """How many touches, and where: the newest first."""
    if not angles_deg:
        return "not touched yet"
    return f"{len(angles_deg)}×  {' '.join(rounding.after_index(a) for a in angles_deg[::-1])}"


def _arc(pen: Pen, width: int, view: View, of: TouchesView) -> Lines:
    """The blocked arc between the touches, with TDC and the crank on it."""
    if not (of.forward_deg and of.backward_deg):
        return []
    forward, backward = of.forward_deg[-1], of.backward_deg[-1]
    middle = of.middle_deg
    if middle is None:
        middle = forward + wrap(backward - forward) / 2.0
    half = max(abs(wrap(forward - middle)), abs(wrap(backward - middle)), 1.0) * 1.5

    def column(angle_deg: float) -> int:
        share = (wrap(angle_deg - middle) + half) / (2.0 * half)
        return round(min(1.0, max(0.0, share)) * (width - 1))

    first, last = sorted((column(forward), column(backward)))
    dots: list[tuple[int, str, Role]] = [
        (column(angle), "●", "text") for side in (of.forward_deg, of.backward_deg)
        for angle in side[-20:]
    ]  # fmt: skip
    now = view.crank.after_index_deg
    if now is not None and abs(wrap(now - middle)) <= half:
        dots.append((column(now), "▼", "strong"))
    words: list[tuple[int, str, Role]] = []
    for angle, word in ((forward, "touched forward"), (backward, "touched back")):
        start = max(0, min(column(angle) - len(word) // 2, width - len(word)))
        words.append((start, word, "quiet"))
    arc: list[tuple[int, str, Role]] = [
        (0, "╌" * width, "quiet"), (first, "━" * (last - first + 1), "text"),
        (first, "┣", "strong"), (last, "┫", "strong"), (column(middle), "◆", "inside"),
    ]  # fmt: skip
    return [
        pen.columns(width, dots),
        pen.columns(width, arc),
        pen.columns(width, [*words, (column(middle) - 1, "TDC", "strong")]),
    ]


def goto(pen: Pen, width: int, height: int, view: View, of: GoToView) -> Lines:
    """How far the crank still is from the angle that it is led to, and from which side."""
    at_angle = rounding.btdc(of.target_btdc)
    what = of.title or (f"hold the crank at {at_angle}" if of.unit else f"going to {at_angle}")
    state = "from the right side" if of.from_right_side else "NOT from the right side"
    back = "to go, back" if of.title else "PAST it"
    size = size_for(height)
    known = of.to_go_deg is not None
    to_go = of.to_go_deg or 0.0
    text = f"{number(abs(to_go), 1 if abs(to_go) >= 10 else 2)}°" if known else NO_FIGURE
    figure = [pen.text((line, "strong" if known else "quiet"))
              for line in blocks(text, size, pen.unicode)]  # fmt: skip
    figure.append(
        pen.text((back, "outside") if to_go < 0.0 else ("to go, forward", "inside"))
        if known else pen.text("")
    )  # fmt: skip
    at = max(34, width // 2 - 4, *(line.cell_len + 3 for line in figure))
    side = pen.wrap(width - at, (of.words, "strong"))
    if of.rim_mm is not None:
        way = "after" if of.rim_mm < 0.0 else "before"
        side += pen.wrap(width - at, f"{abs(of.rim_mm):.1f} mm round the rim {way} TDC")
    for unit in view.units:
        moved = ", being moved" if unit.unit.name == of.unit else ""
        side += pen.wrap(
            width - at, f"{unit.unit.name}{moved}: ", (CONTACTS[unit.contacts], "strong")
        )
    lines = [title(pen, width, what, "" if of.title else state), *beside(figure, side, at)]
    if height >= len(lines) + 3:
        lines += _way(pen, width, of)
    return lines


def _way(pen: Pen, width: int, of: GoToView) -> Lines:
    """The last 30 degrees before the angle, and 10 past it, as a line."""
    before, after = 30.0, 10.0

    def column(to_go_deg: float) -> int:
        share = (before - to_go_deg) / (before + after)
        return round(min(1.0, max(0.0, share)) * (width - 1))

    marks: list[tuple[int, str, Role]] = [(0, "╌" * width, "quiet")]
    words: list[tuple[int, str, Role]] = []
    for place in (30.0, 20.0, 10.0, 0.0, -10.0):
        marks.append((column(place), "┿" if place else "◆", "quiet" if place else "strong"))
        beyond = " back" if of.title else " past"
        label = f"{abs(place):.0f}" + (beyond if place < 0 else " to go") if place else "there"
        words.append((max(0, min(column(place) - 2, width - len(label))), label, "quiet"))
    now: list[tuple[int, str, Role]] = []
    if of.to_go_deg is not None:
        now.append((column(of.to_go_deg), "▼", "strong"))
    return [pen.columns(width, now), pen.columns(width, marks), pen.columns(width, words)]


ROLES: Mapping[Sort, Role] = {
    "plain": "text", "now": "strong", "good": "inside", "bad": "outside", "quiet": "quiet",
}  # fmt: skip
_LABEL = 14


def panel(pen: Pen, width: int, height: int, of: Panel) -> Lines:
    """The panel of a procedure; what does not fit is said."""
    lines = [title(pen, width, of.title, of.state)]
    if of.figure or of.beside:
        size = size_for(height)
        text = of.figure or NO_FIGURE
        figure = [pen.text((line, "strong" if of.figure else "quiet"))
                  for line in blocks(text, size, pen.unicode)]  # fmt: skip
        if of.figure:
            figure[0].append_text(pen.text(f" {of.unit}"))
        figure.append(pen.text((of.below, "strong")))
        at = max(max(line.cell_len for line in figure) + 3, width * 2 // 5)
        side = panel_lines(pen, width - at, HEIGHT[size] + 1, of.beside, _LABEL)
        lines += beside(figure, side, at)
    widest = max((pen.text(line.label).cell_len for line in of.lines), default=0)
    room = height - len(lines)
    return [*lines, *panel_lines(pen, width, room, of.lines, min(widest + 2, 2 * _LABEL))]


def panel_lines(pen: Pen, width: int, rows: int, of: Sequence[PanelLine], label: int) -> Lines:
    """One line below the other, a long one wrapped; the last place says how many are left out."""
    lines: Lines = []
    for place, line in enumerate(of):
        text = pen.wrap(width - label, (line.text, ROLES[line.sort])) or [Text(end="")]
        left = len(of) - place
        if len(lines) + len(text) > rows - (left > 1):
            more = pen.text((f"and {left} more: a taller window shows them", "quiet"))
            return [*lines, more][: max(rows, 0)]
        lines += beside([fitted(pen.text((line.label, "quiet")), label - 1)], text, label)
    return lines


def page(pen: Pen, width: int, height: int, view: View) -> Lines:
    """All keys, a line each."""
    key = max(pen.text(action.key).cell_len for action in view.actions) + 3
    lines = [title(pen, width, "all keys", "how it is undone")]
    for action in view.actions:
        left = fitted(pen.text((f" {action.key} ", "key")), key)
        does = Text.assemble(left, pen.text(action.does), end="")
        lines.append(ends(does, pen.text((f" {action.undo}", "quiet")), width))
    if len(lines) > height:
        left_out = len(lines) - height + 1
        more = pen.text((f"and {left_out} more: a taller window shows them", "strong"))
        lines[height - 1 :] = [more]
    return lines


# -- foot ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Foot:
    """What stands at the top of the foot, and what at its bottom."""

    above: Lines
    below: Lines

    @property
    def rows(self) -> int:
        """Lines that it needs."""
        return len(self.above) + len(self.below)


def foot(pen: Pen, width: int, view: View, *, high: bool = False) -> Foot:
    """What is next and why; then comparison, what has just happened, warnings, keys.

    ``high``: there is room for NEXT in a band of twice the height.
    """
    if view.question is not None:
        return Foot(question_lines(pen, width, view.question), warnings(pen, width, view))
    keys = key_rows(pen, width, view)
    above = next_lines(pen, width, view, high=high)
    for comparison in view.comparisons:
        role = VERDICT_ROLE[comparison.verdict]
        above += pen.labelled(("both    ", "quiet"), width, (comparison_words(comparison), role))
    rejected = [unit for unit in view.units if unit.why_rejected and not unit.last_valid]
    if not view.reference.text:  # nothing is to be read yet
        rejected = []
    below: Lines = []
    for unit in rejected:
        why = f"{unit.unit.name}: {unit.why_rejected}"
        below += pen.labelled(("rejected", "outside"), width, why)
    below += pen.labelled(("now     ", "quiet"), width, (view.message, "strong"))
    below += warnings(pen, width, view)
    return Foot(above, [*below, *keys])


def next_lines(pen: Pen, width: int, view: View, *, high: bool = False) -> Lines:
    """NEXT as a band over the whole width in which its key stands out, and its reason below."""
    if not view.next:
        return []
    lines: Lines = []
    for line in pen.wrap(width - 10, view.next, (view.then, "band key")):
        label = " " * 9 if lines else " NEXT    "
        band = fitted(Text.assemble(label, line, end=""), width)
        band.stylize_before("tag")
        lines.append(band)
    if high and lines and pen.unicode:
        lines = [pen.text(("▄" * width, "strong")), *lines, pen.text(("▀" * width, "strong"))]
    return lines + pen.labelled(" " * 8, width, view.why)


def warnings(pen: Pen, width: int, view: View) -> Lines:
    """WARNING for what can injure, CAUTION for what can damage; what is wrong with the rig."""
    lines = pen.labelled((" WARNING", "warning"), width, (view.warning, "strong"))
    lines += pen.labelled((" CAUTION", "warning"), width, (view.caution, "strong"))
    wrong = view.rig.detail if view.rig.connected else ""  # a lost rig is said at the top
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
    """The keys over as many lines as they need; none while something is asked."""
    rows: Lines = []
    for key in view.keys if view.question is None else ():
        cap = pen.text((f" {key.key} ", "key"), f" {key.label}")
        if rows and rows[-1].cell_len + 2 + cap.cell_len <= width:
            rows[-1].append("  ")
            rows[-1].append_text(cap)
        else:
            rows.append(cap)
    return rows

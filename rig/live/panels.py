"""The parts of the screen that belong to the whole job: head, crank, foot, and what lies between.

The middle shows the touches while the piston stop is in, and the distance while the crank is led to
an angle.
"""

from __future__ import annotations

from dataclasses import replace
from math import isfinite

from rig.base import rounding
from rig.base.angles import wrap
from rig.base.escape import clean
from rig.guide.action import Question, Step, Stroke
from rig.guide.procedure import GoToView
from rig.live.canvas import HEIGHT, Box, Canvas, Role, Run, Size, figure
from rig.live.unit_panel import VERDICT_ROLE
from rig.live.view import STEPS, TouchesView, View
from rig.words.figures import clock, degrees, number

STROKES: dict[Stroke, str] = {
    "stated": "stroke stated",
    "not stated": "stroke NOT STATED",
    "lost": "stroke LOST: state it again",
    "not needed": "",
}
_LONGEST_CRANK = "888.8"


def step_signs(view: View, canvas: Canvas) -> str:
    """One sign a step: done, present, to come."""
    done, now, later = ("■", "▶", "□") if canvas.ink.unicode else ("#", ">", ".")
    return "".join(
        now if step == view.step else done if step in view.done else later for step in STEPS
    )


def rig_runs(view: View, shorter: int = 0) -> list[Run]:
    """Health of the rig on one line; ``shorter`` 1 leaves the port out, 2 the tag as well."""
    rig = view.rig
    if rig.silent_s is None and not rig.lines:
        runs: list[Run] = [("rig: nothing heard yet", "strong")]
    elif not rig.connected:
        runs = [(" RIG LOST ", "caution")]
    elif not rig.understood:
        runs = [("NO RIG UNDERSTOOD yet", "strong")]
    else:
        runs = [("rig alive", "text")]
    if rig.port and shorter < 1:
        runs.append((f" on {rig.port}", "quiet"))
    if view.tag and shorter < 2:
        runs.append((f" │ {view.tag}", "text"))
    if rig.troubles:
        kinds = ", ".join(f"{kind} {times}" for kind, times in rig.troubles)
        runs.append((f" │ trouble: {kinds}", "strong"))
    return runs


def reference_runs(view: View, short: bool = False) -> list[Run]:
    """Top dead centre and stroke on one line."""
    reference = view.reference
    if view.instead:
        return [(reference.text, "text")]
    if not reference.text:
        return [("TDC NOT FOUND yet", "strong")]
    runs: list[Run] = [("TDC" if short else f"TDC by {reference.text}", "text")]
    if reference.U_deg is not None:
        runs.append((f" {rounding.within(reference.U_deg)}", "text"))
    if not reference.holds:
        runs.append((" DOES NOT HOLD", "outside"))
    stroke = STROKES[view.stroke]
    if stroke:
        runs.append((f" │ {stroke}", "text" if view.stroke == "stated" else "strong"))
    return runs


def draw_head(canvas: Canvas, view: View) -> None:
    """Two lines: job, step and elapsed time; rig and reference."""
    end = canvas.width - 1
    elapsed = clock(view.elapsed_s)
    start = canvas.put_right(end, 0, f"  {elapsed}", "strong")
    number_of = STEPS.index(view.step) + 1
    if view.instead:
        start = canvas.put_right(start, 0, view.instead.upper(), "strong")
    elif canvas.width >= 110:
        start = _draw_strip(canvas, view, start - 1)
    else:
        step = f"{step_signs(view, canvas)} {number_of} of {len(STEPS)}: "
        start = canvas.put_right(start, 0, view.step.upper(), "strong")
        start = canvas.put_right(start, 0, step, "text")
    canvas.put(1, 0, canvas.fit(view.job or "no name", start - 3), "strong")
    _draw_line_two(canvas, view, end)


def _draw_line_two(canvas: Canvas, view: View, end: int) -> None:
    """Rig and reference, in the longest form that fits."""
    for shorter, short in ((0, False), (1, False), (1, True), (2, True)):
        rig, reference = rig_runs(view, shorter), reference_runs(view, short)
        if canvas.runs_width(rig) + canvas.runs_width(reference) + 3 < end:
            break
    start = max(14, end - canvas.runs_width(reference))
    canvas.put_runs(1, 1, rig, start - 2)
    canvas.put_runs(start, 1, reference, end)


def _draw_strip(canvas: Canvas, view: View, end: int) -> int:
    """All steps by name, the present one marked; returns where they start."""
    runs: list[Run] = []
    for step in STEPS:
        runs.append((_sign(step, view) + " ", "text"))
        now = step == view.step
        runs.append((step.upper() if now else step, "strong" if now else "quiet"))
        runs.append(("  ", "text"))
    start = end - canvas.text_width("".join(text for text, _ in runs))
    canvas.put_runs(start, 0, runs, end)
    return start


def _sign(step: Step, view: View) -> str:
    return "▶" if step == view.step else "■" if step in view.done else "□"


def count_runs(view: View) -> list[Run]:
    """Whether an opening now would count, and why not."""
    crank = view.crank
    if crank.will_count:
        return [("an opening now COUNTS", "inside")]
    why = f": {crank.why_not}" if crank.why_not else ""
    return [("NOT COUNTING", "outside"), (why, "text")]


def movement(view: View) -> str:
    """Direction and speed in words."""
    crank = view.crank
    if crank.direction == 0:
        return "still"
    way = "forward" if crank.direction > 0 else "BACK"
    return f"{way} {crank.speed_deg_s:.0f}°/s"


def draw_crank(canvas: Canvas, y: int, view: View, size: Size, right: int) -> None:
    """Crank angle in figures, movement, run-up and whether an opening would count.

    Everything stays before column ``right``.
    """
    crank, high = view.crank, HEIGHT[size]
    if view.alarm:
        _draw_alarm(canvas, Box(1, y, right - 1, high), view)
        return
    if not view.rig.connected:
        _draw_lost(canvas, Box(1, y + (high - 3) // 2, right - 1, 3), view)
        return
    unicode = canvas.ink.unicode
    field = len(figure(_LONGEST_CRANK, size, unicode)[0])
    text, side = "--.-", ""
    if crank.shaft and crank.after_index_deg is not None:
        text, side = rounding.after_index(crank.after_index_deg, decimals=1), "index"
    if crank.btdc_deg is not None and isfinite(crank.btdc_deg):
        text, side = rounding.opening(crank.btdc_deg, decimals=1)
    lines = figure(text, size, unicode)
    for row, line in enumerate(lines):
        canvas.put(1 + field - len(line), y + row, line, "quiet")
    x = field + 2
    if side:
        canvas.put(x, y, "°" if unicode else "deg", "strong")
        canvas.put(x, y + high - 1, side, "strong")
    x += 7
    room = right - x
    y += (high - 3) // 2
    if not side:
        _draw_unknown(canvas, Box(x, y, room, 3), view)
        return
    whose = f"{crank.shaft}, after the index" if crank.shaft else "crank now"
    if not crank.shaft and room >= 50:
        whose = f"crank now, from TDC of {crank.of}"
    runs: list[Run] = [(whose, "text")]
    canvas.put_runs(x, y, [*runs, ("   ", "text"), (movement(view), "strong")], x + room)
    _draw_run_up(canvas, x, y + 1, room, view)
    canvas.put_runs(x, y + 2, count_runs(view), x + room)


def _draw_unknown(canvas: Canvas, box: Box, view: View) -> None:
    """Why there is no angle, and the place after the index as far as that can be told."""
    crank = view.crank
    whose = "SHAFT" if crank.shaft else "CRANK"
    runs: list[Run] = [(f"{whose} ANGLE NOT KNOWN   ", "outside"), (movement(view), "strong")]
    canvas.put_runs(box.x, box.y, runs, box.right)
    rows = 2 if crank.after_index_deg is None else 1
    canvas.put_wrapped(Box(box.x, box.y + 1, box.width, rows), crank.why_no_angle)
    if crank.after_index_deg is not None:
        after = f"{rounding.after_index(crank.after_index_deg, decimals=1)}° after the index"
        canvas.put(box.x, box.y + 2, after, "text", box.width)


ALARM = "CAPTURE IN DANGER"


def _draw_alarm(canvas: Canvas, box: Box, view: View) -> None:
    """A band over the whole width, and what happened under it."""
    band = f"  {ALARM}  ".center(max(0, box.width))
    canvas.put(box.x, box.y, band, "caution", box.width)
    canvas.put_wrapped(box.below(1), view.alarm, "strong")


def _draw_lost(canvas: Canvas, box: Box, view: View) -> None:
    silent = view.rig.silent_s
    since = f"silent for {clock(silent)}" if silent is not None else ""
    label = " RIG LOST " if silent is not None else " NO RIG HEARD YET "
    runs: list[Run] = [(label, "caution"), (f"  {since}", "strong")]
    canvas.put_runs(box.x, box.y, runs, box.right)
    detail = view.rig.detail or "Check its cable; nothing read so far is lost."
    canvas.put_wrapped(box.below(1), detail)


def _draw_run_up(canvas: Canvas, x: int, y: int, room: int, view: View) -> None:
    crank = view.crank
    needed = max(crank.run_up_needed_deg, 0.1)
    share = min(1.0, max(0.0, crank.run_up_deg / needed))
    bar = max(8, min(40, room - 30))
    filled = int(share * bar)
    at = canvas.put(x, y, "run-up ", "text", room)
    full, empty = ("█", "░") if canvas.ink.unicode else ("#", ".")
    at = canvas.put(at, y, full * filled, "inside" if share >= 1.0 else "strong", room - (at - x))
    at = canvas.put(at, y, empty * (bar - filled), "quiet", max(0, room - (at - x)))
    now = min(crank.run_up_deg, 999.0)
    words = f" {now:.0f}° of {needed:.0f}°" + (", enough" if share >= 1.0 else "")
    canvas.put(at, y, words, "text", max(0, x + room - at))


def draw_foot(canvas: Canvas, y: int, view: View) -> None:
    """What is next and why, comparison, caution, message or question, keys: to the last line."""
    width = canvas.width - 2
    if view.question is not None:
        _draw_question(canvas, y + 1, canvas.height - 1, view.question)
        return
    keys = key_rows(canvas, view)
    bottom = canvas.height - len(keys)
    for row, runs in enumerate(keys):
        canvas.put_runs(1, bottom + row, runs, 1 + width)
    above, below = _foot_lines(canvas, view, bottom - y)
    for row, runs in enumerate(above):
        canvas.put_runs(1, y + row, runs, 1 + width)
    for row, runs in enumerate(below):
        canvas.put_runs(1, bottom - len(below) + row, runs, 1 + width)


def foot_rows(canvas: Canvas, view: View) -> int:
    """Lines that the foot needs to be read whole, without the reason and the comparisons."""
    above, below = _foot_lines(canvas, replace(view, why="", comparisons=()), canvas.height)
    return len(above) + len(below) + len(key_rows(canvas, view))


def _foot_lines(canvas: Canvas, view: View, room: int) -> tuple[list[list[Run]], list[list[Run]]]:
    """Lines from the top and lines from the bottom of the foot, ``room`` of them at most.

    What is next and the caution come first when there is not room for all.
    """
    width = canvas.width - 2

    def labelled(label: Run, text: str, role: Role, rows: int) -> list[list[Run]]:
        indent = canvas.text_width(label[0]) + 1
        lines = canvas.wrap(text, width - indent, max(0, min(rows, room)))
        blank: Run = (" " * (indent - 1), "text")
        return [[blank if n else label, (" " + line, role)] for n, line in enumerate(lines)]

    follow = labelled(("NEXT ", "inside"), view.next, "strong", 3)
    room -= len(follow)
    message = labelled(("now  ", "quiet"), view.message, "strong", 2 if view.caution else 4)
    room -= len(message)
    caution = labelled((" CAUTION ", "caution"), view.caution, "strong", 5)
    room -= len(caution)
    wrong = view.rig.detail if view.rig.connected else ""  # a lost rig is said at the top
    health = labelled(("rig  ", "outside"), wrong, "strong", 2)
    room -= len(health)
    both: list[list[Run]] = []
    for comparison in view.comparisons[: max(0, min(room, canvas.height // 24))]:
        said = comparison.verdict == "no window set" or comparison.words.endswith(
            comparison.verdict
        )
        verdict = "" if said else f"  {comparison.verdict}"
        role = VERDICT_ROLE[comparison.verdict]
        both.append([("both  ", "quiet"), (comparison.words, "strong"), (verdict, role)])
    room -= len(both)
    reason = labelled(("why  ", "quiet"), view.why, "text", 2)
    return [*both, *follow, *reason], [*message, *health, *caution]


def _draw_question(canvas: Canvas, y: int, bottom: int, question: Question) -> None:
    width = canvas.width - 2
    canvas.put(1, y, " QUESTION ", "caution")
    box = Box(13, y, width - 12, max(1, bottom - y - 2))
    took = canvas.put_wrapped(box, question.text, "strong")
    y += took + 1
    if question.entry is not None:
        typed = clean(question.entry, canvas.ink.unicode)[-(width - 14) :]
        canvas.put_runs(13, y, [(f" {typed}", "key"), ("_", "key"), (" ", "key")], 1 + width)
        answers = [("enter", question.yes), ("esc", question.no)]
    else:
        answers = [("y", question.yes), ("n", question.no)]
    if question.entry is None or y + 1 < bottom:
        y += question.entry is not None
        _put_key_row(canvas, 13, y, answers)


def key_rows(canvas: Canvas, view: View) -> list[list[Run]]:
    """The keys over as many lines as they need, two at most; none while something is asked."""
    if view.question is not None or not view.keys:
        return []
    rows: list[list[Run]] = [[]]
    for key in view.keys:
        runs: list[Run] = [(f" {key.key} ", "key"), (f" {key.label}", "text")]
        apart: list[Run] = [("  ", "text")] if rows[-1] else []
        if canvas.runs_width([*rows[-1], *apart, *runs]) > canvas.width - 2:
            rows.append([])
            apart = []
        rows[-1] += [*apart, *runs]
    if len(rows) > 2:
        rows = [rows[0], [*rows[1], (" …", "text")]]
    return rows


def _put_key_row(canvas: Canvas, x: int, y: int, keys: list[tuple[str, str]]) -> None:
    for name, label in keys:
        runs: list[Run] = [(f" {name} ", "key"), (f" {label}   ", "text")]
        x = canvas.put_runs(x, y, runs, canvas.width - 1)


def draw_health(canvas: Canvas, box: Box, view: View) -> None:
    """Capture, rig and trouble in a few lines, for screens that have the room."""
    rig = view.rig
    silent = "nothing heard" if rig.silent_s is None else f"last heard {rig.silent_s:.1f} s ago"
    trouble = ", ".join(f"{kind} {times}" for kind, times in rig.troubles)
    lines: list[Run] = [
        (view.capture or "no capture", "text"),
        (f"rig {rig.name or 'without a name'}", "text"),
        (silent, "text"),
        (f"trouble: {trouble}" if trouble else "no trouble on the line", "text"),
        ("readings are spoken" if view.speaking else "", "quiet"),
    ]
    for row, (text, role) in enumerate(lines[: box.height]):
        canvas.put(box.x, box.y + row, "│", "quiet")
        canvas.put(box.x + 2, box.y + row, text, role, box.width - 2)


def draw_title(canvas: Canvas, y: int, text: str, state: str) -> None:
    """What has the middle of the screen, on a line that divides it from what is above."""
    width = canvas.width - 2
    canvas.put(1, y, "─" * width, "quiet")
    canvas.put(2, y, f" {text} ", "strong")
    if state:
        canvas.put_right(1 + width, y, f" {state}", "strong")


def draw_big(canvas: Canvas, y: int, text: str, size: Size, role: Role) -> int:
    lines = figure(text, size, canvas.ink.unicode)
    for row, line in enumerate(lines):
        canvas.put(1, y + row, line, role)
    return 1 + len(lines[0]) + 1


def size_for(canvas: Canvas, height: int) -> Size:
    if height >= 12 and canvas.width >= 110:
        return "large"
    return "middle" if height >= 9 else "small"


def draw_touches(canvas: Canvas, y: int, height: int, view: View, touches: TouchesView) -> int:
    """Touches of the stop either way, what they make of top dead centre, and where they lie.

    Returns how many of the ``height`` lines it took.
    """
    state = "the stop is IN: no full turn" if touches.stop_in else "the stop is OUT"
    draw_title(canvas, y, "top dead centre by the stop", state)
    size = size_for(canvas, height)
    known = touches.middle_deg is not None
    text = rounding.after_index(touches.middle_deg or 0.0, touches.U_deg) if known else "--.-"
    at = draw_big(canvas, y + 1, text, size, "strong" if known else "quiet")
    canvas.put(at, y + 1, "°", "text")
    below = "TDC so far, after the index" if known else "no TDC yet: touch it from both sides"
    canvas.put(1, y + 1 + HEIGHT[size], below, "strong")
    column = max(at + 5, canvas.width // 2)
    room = canvas.width - column - 1
    rows: list[tuple[str, str, Role]] = [
        ("forward", _angles(touches.forward_deg), "text"),
        ("back", _angles(touches.backward_deg), "text"),
        ("spread", degrees(touches.spread_deg, 2), "text"),
        (
            "TDC",
            rounding.within(touches.U_deg) or "–",
            "text",
        ),
    ]
    for row, (name, value, role) in enumerate(rows):
        canvas.put(column, y + 1 + row, name, "quiet")
        canvas.put(column + 9, y + 1 + row, value, role, room - 9)
    if touches.note:
        canvas.put_wrapped(Box(column, y + 5, room, 3), touches.note, "strong")
    if height >= HEIGHT[size] + 5:
        _draw_arc(canvas, y + HEIGHT[size] + 3, view, touches)
    return HEIGHT[size] + 7


def _angles(angles_deg: tuple[float, ...]) -> str:
    """How many touches, and where: the newest first."""
    if not angles_deg:
        return "not touched yet"
    shown = " ".join(rounding.after_index(a) for a in angles_deg[::-1])
    return f"{len(angles_deg)}×  {shown}"


def _draw_arc(canvas: Canvas, y: int, view: View, touches: TouchesView) -> None:
    """The blocked arc between the touches, with the middle and the crank on it."""
    ends = [touches.forward_deg[-1:], touches.backward_deg[-1:]]
    if not (ends[0] and ends[1]):
        canvas.put(1, y, "touch the stop gently from both sides, by hand only", "text")
        return
    forward, backward = ends[0][0], ends[1][0]
    middle = touches.middle_deg
    if middle is None:
        middle = forward + wrap(backward - forward) / 2.0
    half = max(abs(wrap(forward - middle)), abs(wrap(backward - middle)), 1.0) * 1.5
    width = canvas.width - 2

    def column(angle_deg: float) -> int:
        share = (wrap(angle_deg - middle) + half) / (2.0 * half)
        return 1 + round(min(1.0, max(0.0, share)) * (width - 1))

    first, last = sorted((column(forward), column(backward)))
    canvas.put(1, y + 1, "╌" * width, "quiet")
    canvas.put(first, y + 1, "━" * (last - first + 1), "text")
    canvas.put(first, y + 1, "┣", "strong")
    canvas.put(last, y + 1, "┫", "strong")
    canvas.put(column(middle), y + 1, "◆", "inside", 1)
    for angles in (touches.forward_deg, touches.backward_deg):
        for angle in angles[-20:]:
            canvas.put(column(angle), y, "●", "text", 1)
    now = view.crank.after_index_deg
    if now is not None and abs(wrap(now - middle)) <= half:
        canvas.put(column(now), y, "▼", "strong", 1)
    for angle, word in ((forward, "touched forward"), (backward, "touched back")):
        place = column(angle) - len(word) // 2
        canvas.put(max(1, min(place, width - len(word))), y + 2, word, "quiet")
    canvas.put(column(middle) - 1, y + 2, "TDC", "strong")


def draw_goto(canvas: Canvas, y: int, height: int, view: View, goto: GoToView) -> int:
    """How far the crank still is from the wanted angle, and from the right side or not.

    Returns how many of the ``height`` lines it took.
    """
    what = (
        f"hold the crank at {rounding.btdc(goto.target_btdc)}"
        if goto.unit
        else (f"going to {rounding.btdc(goto.target_btdc)}")
    )
    side = "from the right side" if goto.from_right_side else "NOT from the right side"
    draw_title(canvas, y, what, side)
    size = size_for(canvas, height)
    known = goto.to_go_deg is not None
    text = number(abs(goto.to_go_deg or 0.0), 1 if abs(goto.to_go_deg or 0.0) >= 10 else 2)
    at = draw_big(canvas, y + 1, text if known else "--.-", size, "strong" if known else "quiet")
    passed = known and (goto.to_go_deg or 0.0) < 0.0
    canvas.put(at, y + 1, "°", "strong")
    if known:
        word = "PAST it" if passed else "to go, forward"
        canvas.put(at, y + HEIGHT[size], word, "outside" if passed else "inside")
    column = max(at + 18, canvas.width // 2)
    room = canvas.width - column - 1
    row = y + 1
    row += canvas.put_wrapped(Box(column, row, room, 3), goto.words, "strong")
    if goto.rim_mm is not None:
        way = "after" if goto.rim_mm < 0.0 else "before"
        rim = f"{abs(goto.rim_mm):.1f} mm round the rim {way} TDC"
        row += canvas.put_wrapped(Box(column, row, room, 2), rim)
    room_below = y + 1 + HEIGHT[size] - row
    row += room_below > len(view.units)  # an empty line, where there is room
    for unit in view.units[: max(0, room_below)]:
        state = {"open": "OPEN", "closed": "CLOSED", "unknown": "not known"}[unit.contacts]
        moved = " (being moved)" if unit.name == goto.unit else ""
        for name in (f"{unit.name}{moved}: contacts ", f"{unit.name}: contacts ", unit.name):
            if canvas.text_width(name + state) <= room:
                break
        name = canvas.fit(name.rstrip(), room - canvas.text_width(state) - 1) + " "
        at = canvas.put(column, row, name, "text", room)
        canvas.put(at, row, state, "strong", column + room - at)
        row += 1
    if height >= HEIGHT[size] + 4:
        _draw_approach(canvas, y + HEIGHT[size] + 2, goto)
    return HEIGHT[size] + 6


def _draw_approach(canvas: Canvas, y: int, goto: GoToView) -> None:
    """The last 30 degrees before the wanted angle, and 10 past it, as a line."""
    width = canvas.width - 2
    before, after = 30.0, 10.0

    def column(to_go_deg: float) -> int:
        share = (before - to_go_deg) / (before + after)
        return 1 + round(min(1.0, max(0.0, share)) * (width - 1))

    canvas.put(1, y + 1, "╌" * width, "quiet")
    for mark in (30.0, 20.0, 10.0, 0.0, -10.0):
        canvas.put(column(mark), y + 1, "┿" if mark else "◆", "strong" if not mark else "quiet", 1)
        label = "there" if not mark else f"{abs(mark):.0f}°" + (" past" if mark < 0 else " to go")
        canvas.put(max(1, min(column(mark) - 2, width - len(label))), y + 2, label, "quiet")
    if goto.to_go_deg is not None:
        canvas.put(column(goto.to_go_deg), y, "▼", "strong", 1)

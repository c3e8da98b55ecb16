"""The middle of the screen while the stop is used, and while the crank is led to an angle."""

from __future__ import annotations

from rig.engine import stated
from rig.screen.canvas import Box, Canvas, Role
from rig.screen.figures import HEIGHT, Size, figure
from rig.screen.view import GoToView, TouchesView, View
from rig.screen.wording import degrees, number


def _turn_deg(angle_deg: float) -> float:
    """Into (-180, 180]."""
    wrapped = angle_deg % 360.0
    return wrapped - 360.0 if wrapped > 180.0 else wrapped


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
    text = stated.after_index(touches.middle_deg or 0.0, touches.U_deg) if known else "--.-"
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
            stated.within(touches.U_deg) or "–",
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
    shown = " ".join(stated.after_index(a) for a in angles_deg[::-1])
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
        middle = forward + _turn_deg(backward - forward) / 2.0
    half = max(abs(_turn_deg(forward - middle)), abs(_turn_deg(backward - middle)), 1.0) * 1.5
    width = canvas.width - 2

    def column(angle_deg: float) -> int:
        share = (_turn_deg(angle_deg - middle) + half) / (2.0 * half)
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
    if now is not None and abs(_turn_deg(now - middle)) <= half:
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
        f"hold the crank at {stated.btdc(goto.target_btdc)}"
        if goto.unit
        else (f"going to {stated.btdc(goto.target_btdc)}")
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

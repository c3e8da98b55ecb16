"""The sheet to mark out from: A4 or Letter, everything at true scale in millimetres of the paper.

One set of axes covers the paper, a unit of it is a millimetre. What is marked has a name of its own
in an SVG (``gid``): "centre", "datum", "new", "place N", "bar 50 mm", "bar 2 in".
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from rig.adjust.cutting_layout import (
    TENTH_DEG,
    Layout,
    LongerSlot,
    MeshMarks,
    NewPlace,
    Points,
    polar,
    turned,
)
from rig.base.angles import modulo, wrap
from rig.base.errors import InputError
from rig.base.escape import visible
from rig.base.rounding import many, two_figures
from rig.engine.profile import Rotation
from rig.plots import sheet

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MM_PER_IN = 25.4
PAPERS_MM = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
SCALES = (1, 2, 5, 10, 20, 50)  # what does not fit at true scale is drawn at 1 to one of these

EDGE_MM = 12.0  # that a printer may leave free
HEAD_MM, FOOT_MM = 40.0, 36.0
AROUND_MM = 27.0  # for names and arrows round a piece
LOWER_MM = 84.0  # for the dimensions
DETAIL_MM = 27.0  # radius of the circle in the dimensioned drawing
WHEEL_MM = 44.0  # radius of a driven wheel, not to scale
FIGURES_MM = 92.0  # from the left edge, where figures are listed
LABEL_MM = 20.0  # an arrow at least this long has its angle on it
THIN, BOLD = 0.35, 1.1
CENTRE_LINE = (12, 4, 2, 4)  # dashes

CUT = (
    "WARNING: a drive that breaks can stop the ignition or lock the engine. This cut cannot be "
    "undone: the maker's manual or a licensed person decides whether it may be made."
)
FILE = (
    "WARNING: a unit that comes loose can break its drive. What is filed off cannot be put back: "
    "the flange must still be held, and the maker's manual or a licensed person decides."
)
MESH = (
    "CAUTION: turn the engine by hand through two whole turns after assembly, before it is run. "
    "Gears that also drive valves or pumps have to keep their places: see the maker's manual."
)


@sheet.styled()
def draw(layout: Layout, path: Path, paper: str = "A4") -> Path:
    """Draw one piece, as it is seen from one face. Raises InputError when it cannot be written, or
    is too large."""
    from matplotlib import rcParams

    rcParams["path.simplify"] = False  # a circle keeps all its corners
    return sheet.write(sheet_of(layout, paper), path)


def sheet_of(layout: Layout, paper: str = "A4") -> Figure:
    """The sheet of one piece. Raises InputError for what is too large to be drawn."""
    return SHEETS[type(layout)](layout, paper)


def scale_for(radius_mm: float, room_mm: float, part: str) -> int:
    """One millimetre of the paper is this many of the metal. Raises InputError when none fits."""
    scale = next((each for each in SCALES if radius_mm <= room_mm * each), None)
    if scale is None:
        raise InputError(f"{part}: a radius of {radius_mm:g} mm is too large to be drawn")
    return scale


# -- paper, and a piece on it --


@dataclass(slots=True)
class Page:
    """A sheet of paper; all places are millimetres from its lower left corner."""

    figure: Figure
    at: Axes
    wide: float
    high: float

    def line(self, points: Sequence[Any] | Points, **more: Any) -> None:
        usual: dict[str, Any] = {"color": sheet.INK, "lw": THIN, "zorder": 3}
        self.at.plot(*np.asarray(points, np.float64).T, **usual | more)

    def text(self, place: Sequence[float] | Points, words: str, **more: Any) -> None:
        """Words on a ground of their own, about a place unless ``ha`` and ``va`` say otherwise."""
        clear = {"boxstyle": "square,pad=0.12", "fc": sheet.PAPER, "ec": "none"}
        usual: dict[str, Any] = {"fontsize": 8.5, "ha": "center", "va": "center", "bbox": clear}
        lines = "\n".join(map(visible, words.split("\n")))
        self.at.text(float(place[0]), float(place[1]), lines, **usual | {"zorder": 6} | more)

    def arrow(self, points: Points, *, both: bool = False, **more: Any) -> None:
        """A line with an arrowhead at its end, or at both."""
        self.line(points, **{"lw": 0.8, "solid_capstyle": "butt"} | more)
        for tip, back in [(points[-1], points[-2]), (points[0], points[1])][: 1 + both]:
            ahead = (tip - back) / np.hypot(*(tip - back))
            side = np.array([-ahead[1], ahead[0]])
            head = np.array([tip, tip - 2.6 * ahead + 0.9 * side, tip - 2.6 * ahead - 0.9 * side])
            self.at.fill(*head.T, color=more.get("color", sheet.INK), lw=0.0, zorder=5, gid="head")

    def figures(self, top: float, rows: Iterable[tuple[str, str]]) -> float:
        """Figures in words and numbers, one below the other; where the next would be."""
        right = self.wide - EDGE_MM
        for words, value in rows:
            self.text((FIGURES_MM, top), words, ha="left", fontsize=9.0)
            self.text((right, top), value, ha="right", fontsize=9.5, fontweight="bold")
            ends = [(FIGURES_MM, top - 3.2), (right, top - 3.2)]
            self.line(ends, color=sheet.LINE, zorder=1)
            top -= 7.6
        return top


def _page(paper: str, title: str, face: str, under: str, warning: str, scale: int | None) -> Page:
    """A sheet with title, the face in front of the person, bars to check the print by, warning."""
    wide, high = PAPERS_MM[paper]
    figure = sheet.paper(wide / MM_PER_IN, high / MM_PER_IN, title)
    at = sheet.axes(figure, 0.0, 0.0, wide / MM_PER_IN, high / MM_PER_IN)
    at.set_axis_off()
    at.set_xlim(0.0, wide)
    at.set_ylim(0.0, high)
    page = Page(figure, at, wide, high)
    page.text((EDGE_MM, high - 20.0), face, ha="left", fontsize=12.0, fontweight="bold")
    page.text((EDGE_MM, high - 25.0), under, ha="left", va="top", color=sheet.SOFT, linespacing=1.4)
    sheet.note(figure, warning)
    if scale is not None:
        low, left = 21.0, EDGE_MM
        for long, name in ((50.0, "50 mm"), (2.0 * MM_PER_IN, "2 in")):
            bar = np.array([(0, -1.5), (0, 1.5), (0, 0), (long, 0), (long, 1.5), (long, -1.5)])
            page.line(bar + np.array([left, low]), lw=0.5, gid=f"bar {name}")
            page.text((left + long / 2.0, low + 3.4), name)
            left += long + 8.0
        true = "TRUE SCALE 1:1." if scale == 1 else f"Scale 1:{scale}, NOT true scale."
        page.text((left, low), f"{true} Print at 100 %,\nthen measure both bars.", ha="left",
                  fontweight="bold", linespacing=1.4)  # fmt: skip
    return page


@dataclass(slots=True)
class Piece:
    """The piece that is marked: where its shaft's centre lies on the page, and at what scale."""

    page: Page
    x: float
    y: float
    scale: int = 1
    taken_deg: list[float] = field(default_factory=list)  # where names and arrows already are

    def on(self, points: Points) -> Points:
        """Millimetres of the metal from the shaft's centre to places on the page."""
        return np.asarray(points) / self.scale + (self.x, self.y)

    def polar(self, radius_mm: float, clockwise_deg: float | Points) -> Points:
        """A place on the page, shape (2,); places, (n, 2), for n angles."""
        return self.on(polar(radius_mm, clockwise_deg))

    def arc(self, radius_mm: float, from_deg: float, to_deg: float) -> Points:
        steps = max(3, int(abs(to_deg - from_deg)) + 2)
        return self.polar(radius_mm, np.linspace(from_deg, to_deg, steps))

    def circle(self, radius_mm: float, **more: Any) -> None:
        self.page.line(self.arc(radius_mm, 0.0, 360.0), **more)

    def ray(self, low_mm: float, high_mm: float, deg: float, **more: Any) -> None:
        self.page.line(np.array([self.polar(low_mm, deg), self.polar(high_mm, deg)]), **more)

    def centre(self) -> None:
        """The centre mark: a cross of 8 mm."""
        for x, y in ((4.0, 0.0), (0.0, 4.0)):
            self.page.line([(self.x - x, self.y - y), (self.x + x, self.y + y)], gid="centre")

    def name(self, deg: float, radius_mm: float, words: str, **more: Any) -> None:
        """Words beside a place on the piece, outside ``radius_mm``."""
        right, up = math.sin(math.radians(deg)), math.cos(math.radians(deg))
        beside = {
            "ha": "left" if right > 0.2 else "right" if right < -0.2 else "center",
            "va": "bottom" if up > 0.7 else "top" if up < -0.7 else "center",
        }
        self.page.text(self.polar(radius_mm, deg), words, **beside | more)

    def way(self, radius_mm: float, rotation: Rotation, words: str, **more: Any) -> None:
        """An arrow round the piece where there is most room, and what it means."""

        def room(deg: float) -> float:
            return min(abs(wrap(deg - one)) for one in self.taken_deg)

        middle = float(max(range(0, 360, 5), key=lambda deg: (room(deg), -abs(deg - 180))))
        self.taken_deg.append(middle)
        half = min(20.0, math.degrees(11.0 * self.scale / radius_mm))
        self.turn(radius_mm, middle, half, rotation, gid=more.pop("gid"))
        self.name(middle, radius_mm + 2.5 * self.scale, words, fontsize=8.0, **more)

    def turn(
        self, radius_mm: float, middle: float, half: float, rotation: Rotation, **more: Any
    ) -> None:
        """An arrow along an arc, ``half`` degrees either side of its middle."""
        half = half if rotation == "clockwise" else -half
        self.page.arrow(self.arc(radius_mm, middle - half, middle + half), **{"lw": 1.3} | more)


def _earlier(crank_deg: float) -> str:
    return f"{abs(crank_deg):.2f}° {'earlier' if crank_deg >= 0.0 else 'later'}"


def _turn(at_deg: float) -> str:
    return f"{abs(at_deg):.2f}° {'clockwise' if at_deg >= 0.0 else 'anticlockwise'}"


def _mm(length_mm: float | None) -> str:
    return "not entered" if length_mm is None else f"{length_mm:.2f} mm"


def _face_words(end: str, mirrored: bool) -> str:
    return f"Mirrored against the view from the {end}." if mirrored else f"As seen from the {end}."


# -- a new hole, slot or keyway --


def _new_place(place: NewPlace, paper: str) -> Figure:
    wide, high = PAPERS_MM[paper]
    upper = high - HEAD_MM - FOOT_MM - LOWER_MM
    room = min(upper, wide - 2.0 * EDGE_MM) / 2.0 - AROUND_MM + 8.0
    scale = scale_for(place.outside_mm, room, place.part)
    dog, what, web = place.dog, place.dog.shape, place.web_mm()
    page = _page(
        paper, f"New {what} in the drive of {place.part}",
        f"{dog.recut.upper()}, {place.face.upper()} in front of you",
        _face_words(f"unit's {place.seen_from}", place.mirrored) + " The mating face meets the "
        "other half of the drive.\nThe other face is the mirror image: never mark it from this "
        "sheet.",
        CUT, scale,
    )  # fmt: skip
    piece = Piece(page, wide / 2.0, FOOT_MM + LOWER_MM + upper / 2.0 - 2.0, scale)
    _outlines(piece, place)
    _round_about(piece, place)
    _dimensions(page, place)
    top = page.figures(FOOT_MM + LOWER_MM - 14.0, [
        ("Angle from the datum line, this face", _turn(place.at_deg)),
        ("Radius of the circle", _mm(dog.radius_mm)),
        ("Chord, straight across", _mm(place.chord_mm)),
        ("Arc, round the circle", _mm(place.arc_mm)),
        ("Diameter of the hole" if what == "hole" else f"Width of the {what}", _mm(dog.width_mm)),
        (f"{TENTH_DEG:g}° of crank on the circle: mark within",
         f"± {two_figures(place.tolerance_mm)} mm"),
        ("Then contacts open", f"{_earlier(place.crank_deg)} (crank)"),
    ])  # fmt: skip
    old = place.old()
    if web is not None:
        near = f"nearest of the {many(len(old), what)}" if len(old) > 1 else f"{what} in use"
        bad = web <= 0.0
        words = f"Metal left to the {near}: {web:.2f} mm"
        if bad:
            words = f"BREAKS INTO the {near}:\nthey overlap by {-web:.2f} mm."
        page.text((FIGURES_MM, top + 3.0), words, ha="left", va="top", fontweight="bold",
                  fontsize=10.0 if bad else 9.0, linespacing=1.3,
                  color=sheet.ALERT if bad else sheet.INK)  # fmt: skip
    if len(old) > 1:
        at = ", ".join(f"{modulo(each.at_deg):.2f}°" for each in old[1:])
        words = "\n".join(textwrap.wrap(f"Clockwise of the datum line there are: {at}", 62))
        page.text((FIGURES_MM, top - 9.0), words, ha="left", va="top", fontsize=7.5,
                  color=sheet.SOFT, linespacing=1.3)  # fmt: skip
    return page.figure


def _outlines(piece: Piece, place: NewPlace) -> None:
    """The half with every place that it has, and the new one; where two overlap is filled."""
    from matplotlib.patches import Polygon

    page, dog = piece.page, place.dog
    if dog.outside_mm is not None:
        piece.circle(dog.outside_mm / 2.0, lw=0.9, gid="outside")
    if dog.bore_mm is not None:
        piece.circle(dog.bore_mm / 2.0, lw=0.9, gid="bore")
    piece.circle(dog.radius_mm, color=sheet.SOFT, dashes=CENTRE_LINE, gid="circle")
    piece.centre()
    new = piece.on(place.new().points())
    for n, old in enumerate(place.old()):
        if dog.width_mm is not None:
            edge = piece.on(old.points())
            page.line(np.vstack((edge, edge[:1])), lw=0.8, gid=f"place {n}")
            both = Polygon(new, fc=sheet.ALERT, ec="none", zorder=2)
            page.at.add_patch(both)
            both.set_clip_path(Polygon(edge, transform=page.at.transData))
        if n:
            piece.ray(old.low_mm - 2.0, old.high_mm + 2.0, old.at_deg, gid=f"line {n}")
    if dog.width_mm is not None:
        outline = np.vstack((new, new[:1]))
        page.line(outline, lw=BOLD, color=sheet.BLUE, gid="new outline", zorder=4)


def _round_about(piece: Piece, place: NewPlace) -> None:
    """Datum line, line of the new place, the angle between them, and which way is which."""
    scale, radius, at = piece.scale, place.outside_mm, place.at_deg
    reach, ring = radius + 13.0 * scale, radius + 6.0 * scale
    piece.ray(0.0, reach, 0.0, lw=0.5, gid="datum")
    piece.ray(0.0, reach, at, lw=0.7, color=sheet.BLUE, gid="new")
    left, right = ("left", "right") if at >= 0.0 else ("right", "left")
    near = abs(at) < 50.0
    piece.name(0.0, reach + scale, f"datum line: the {place.dog.shape} in use",
               **({"ha": right} if near else {}))  # fmt: skip
    piece.name(at, reach + scale, "NEW", fontweight="bold", color=sheet.BLUE, fontsize=10.0,
               **({"ha": left, "va": "bottom"} if near else {}))  # fmt: skip
    if abs(at) > 12.0:
        piece.page.arrow(piece.arc(ring, 0.0, at), lw=0.6)
        if math.radians(abs(at)) * ring / scale > LABEL_MM:
            label = f"{abs(at):.2f}°"
            piece.page.text(piece.polar(ring, at / 2.0), label, fontsize=10.0, fontweight="bold")
    named = [0.0, at, at / 2.0]
    piece.taken_deg += named
    for each in place.old()[1:]:  # one too near another name is in the list of figures alone
        apart = min(abs(wrap(each.at_deg - deg)) for deg in named)
        if math.radians(apart) * (radius + 4.0 * scale) > 15.0 * scale:
            named.append(each.at_deg)
            short = f"{abs(wrap(each.at_deg)):.2f}".rstrip("0").rstrip(".") + "°"
            piece.name(each.at_deg, radius + 1.5 * scale, short, fontsize=7.5, color=sheet.SOFT)
        piece.taken_deg.append(each.at_deg)
    piece.way(ring, place.rotation, "rotation of\nthe shaft", gid="rotation")
    piece.way(ring, place.earlier, "this way\nis earlier", gid="earlier", fontweight="bold")


def _dimensions(page: Page, place: NewPlace) -> None:
    """Chord and arc as dimensions, on a circle that is drawn larger or smaller than it is."""
    x, y = EDGE_MM + 8.0 + DETAIL_MM, FOOT_MM + DETAIL_MM + 10.0
    piece, at = Piece(page, x, y), place.at_deg
    page.text(
        (x, y + DETAIL_MM + 15.0), "dimensions (not to scale)", fontsize=7.5, color=sheet.SOFT
    )
    piece.circle(DETAIL_MM, color=sheet.SOFT, lw=0.6, dashes=CENTRE_LINE)
    piece.ray(0.0, DETAIL_MM + 9.0, 0.0, lw=0.6)
    piece.ray(0.0, DETAIL_MM + 9.0, at, lw=0.6, color=sheet.BLUE)
    ends = np.array([piece.polar(DETAIL_MM, 0.0), piece.polar(DETAIL_MM, at)])
    page.line(ends, color=sheet.ALERT, lw=1.2)
    for end in ends:
        page.line([end], marker="o", ms=3.0, color=sheet.INK)
    ring = piece.arc(DETAIL_MM + 6.0, 0.0, at)
    if abs(at) > 15.0:
        page.arrow(ring, both=True, lw=0.7)
    else:
        page.line(ring, lw=1.2)
    mid = at / 2.0
    below = piece.polar(-0.42 * DETAIL_MM, mid)
    page.line([below, ends.mean(axis=0)], color=sheet.ALERT)
    page.text(below, f"chord {place.chord_mm:.2f} mm")
    words = f"arc {place.arc_mm:.2f} mm"
    if abs(mid) < 30.0:
        piece.name(mid, DETAIL_MM + 9.5, words, ha="left" if at > 0.0 else "right")
    else:
        page.text(piece.polar(DETAIL_MM + 6.0, mid), words)


# -- a longer slot --


def _longer_slot(layout: LongerSlot, paper: str) -> Figure:
    wide, high = PAPERS_MM[paper]
    slot = layout.slot
    radius, half = slot.radius_mm, (slot.width_mm or 0.0) / 2.0
    low, up = layout.ends_deg()
    new = layout.new_end_deg()
    upper = high - HEAD_MM - FOOT_MM - LOWER_MM - 30.0
    scale = scale_for(radius + half, upper, layout.part)
    what = "flange slot" if slot.part == "body" else "slot of the contact plate"
    end = "CLOCKWISE" if layout.way == "anticlockwise" else "ANTICLOCKWISE"
    page = _page(
        paper, f"Longer {what} of {layout.part}", f"Lengthen the {end} end of each slot",
        _face_words(f"unit's {layout.seen_from}", layout.mirrored) + "\nFrom the other side "
        "everything is the mirror image: never mark it from this sheet.", FILE, scale,
    )  # fmt: skip
    spare = upper - (radius + half) / scale
    piece = Piece(page, wide / 2.0, FOOT_MM + LOWER_MM + 6.0 + spare / 2.0, scale)
    span = max(30.0, *(abs(deg) + 10.0 for deg in (low, up, new)))
    page.line(piece.arc(radius, -span, span), color=sheet.SOFT, dashes=CENTRE_LINE, gid="circle")
    piece.centre()
    page.text(
        (piece.x, piece.y - 6.5), "centre of the unit's shaft", fontsize=7.5, color=sheet.SOFT
    )
    if half:
        now = piece.on(_slot_edge(radius, half, low, up))
        longer = piece.on(_slot_edge(radius, half, min(new, low), max(new, up)))
        page.at.fill(*longer.T, fc=sheet.PAPER, ec=sheet.ALERT, hatch="/////", lw=0.0, zorder=1)
        page.at.fill(*now.T, color=sheet.PAPER, lw=0.0, zorder=2)
        page.line(now, lw=0.9, gid="slot")
        page.line(longer, lw=BOLD, color=sheet.BLUE, gid="new outline", zorder=2)
        page.line(piece.on(_slot_edge(radius, half, 0.0, 0.0)), lw=0.6, dashes=(3, 2))  # the stud
    reach = radius + half + 9.0 * scale
    inner, outer = radius - half - 3.0 * scale, radius + half + 3.0 * scale
    piece.ray(0.0, reach, 0.0, lw=0.5, gid="datum")
    piece.name(0.0, reach + scale, "datum line:\nstud as it stands")
    piece.ray(inner, outer + 2.0 * scale, new, lw=0.7, color=sheet.BLUE, gid="new")
    piece.ray(inner, outer, low if new < low else up, gid="old end")
    side = -1.0 if new < 0.0 else 1.0
    tip = piece.polar(radius, new + side * math.degrees(half / radius))
    x = piece.x + side * max(30.0, abs(float(tip[0]) - piece.x) + 16.0)  # clear of the datum's name
    y = float(tip[1]) + 10.0
    page.line([(x, y), tuple(tip)], color=sheet.BLUE)
    page.text((x, y), f"file away\n{layout.longer_mm:.2f} mm", color=sheet.BLUE, fontweight="bold",
              fontsize=10.0, linespacing=1.3)  # fmt: skip
    body = "body" if slot.part == "body" else "plate"
    arrow = radius + half + 4.0 * scale
    turn = math.degrees(9.0 * scale / arrow)
    middle = -side * (18.0 + math.degrees(14.0 * scale / arrow))
    piece.turn(arrow, middle, turn, layout.way, gid="body")
    later = "earlier" if layout.crank_deg >= 0.0 else "later"
    piece.name(middle, arrow + 3.0 * scale, f"then turn the {body}\nthis way: {later}",
               fontweight="bold")  # fmt: skip
    # Clear of the datum line, and of the words below the centre.
    piece.turn(9.0 * scale, 60.0, 42.0, layout.rotation, lw=1.0, gid="rotation")
    page.text((piece.x + 12.0, piece.y), "rotation of the shaft", ha="left", fontsize=8.0)
    page.figures(FOOT_MM + LOWER_MM - 18.0, [
        ("End to lengthen, as drawn", end.lower()),
        ("Longer by, each slot, along its middle line", _mm(layout.longer_mm)),
        ("New stop from the datum line", _turn(new)),
        ("Radius of the slot's middle line", _mm(radius)),
        ("Width of the slot", _mm(slot.width_mm)),
        (f"Then turn the {body}", f"{layout.unit_deg:.2f}° {layout.way}"),
        (f"{TENTH_DEG:g}° of crank along the slot", f"{layout.tolerance_mm:.3f} mm"),
        ("Then contacts open", f"{_earlier(layout.crank_deg)} (crank)"),
    ])  # fmt: skip
    return page.figure


def _slot_edge(radius: float, half: float, low_deg: float, high_deg: float) -> Points:
    """The edge of a curved slot with round ends, mm from the shaft's centre."""
    along = np.linspace(low_deg, high_deg, 40)
    ahead = polar(half, np.linspace(0.0, 180.0, 30))  # from the outer edge to the inner
    outer, middle = polar(radius + half, along), np.array([0.0, radius])
    inner = polar(radius - half, along[::-1])
    ends = turned(ahead + middle, high_deg), turned(middle - ahead, low_deg)
    return np.vstack((outer, ends[0], inner, ends[1], outer[:1]))


# -- two marks on a pair of gears --


def _mesh(layout: MeshMarks, paper: str) -> Figure:
    wide, high = PAPERS_MM[paper]
    part, driver, chain = layout.part, layout.driver, layout.kind == "chain"
    turns = f"{part}, turning {layout.rotation}"
    under = f"Drawn from the side from which {turns}."
    if layout.seen_from:
        under = _face_words(f"engine's {layout.seen_from}", layout.mirrored)
        under += f" {turns.capitalize()}."
    count = many(abs(layout.teeth), "tooth", "teeth")
    page = _page(paper, f"{part} put on {count}, driven by {driver}",
                 f"Two marks on {part}, one on {driver}", under, MESH, None)  # fmt: skip
    wheel = Piece(page, wide / 2.0, high - HEAD_MM - 8.0 - WHEEL_MM)
    _wheel(wheel, WHEEL_MM, layout.driven_teeth, gap_at=180.0)
    wheel.centre()
    page.text((wheel.x, wheel.y + 8.0), part, fontweight="bold")
    page.text((wheel.x, wheel.y - 8.0), many(layout.driven_teeth, "tooth", "teeth"), fontsize=8.0)
    mark: dict[str, Any] = {"marker": "o", "ms": 4.0, "color": sheet.ALERT}
    number: dict[str, Any] = {"fontweight": "bold", "color": sheet.ALERT, "fontsize": 10.0}
    foot = wheel.y - WHEEL_MM
    if layout.kind == "gears":
        radius = WHEEL_MM * layout.driver_teeth / layout.driven_teeth
        _wheel(Piece(page, wide / 2.0, foot - radius), radius, layout.driver_teeth,
               180.0 / layout.driver_teeth, within_mm=22.0)  # fmt: skip
        page.line([(wide / 2.0, foot - 5.0)], gid="mark 1", **mark)
        foot -= 10.0
        page.text((wide / 2.0, foot), "1", **number)
    named = f"{driver} ({many(layout.driver_teeth, 'tooth', 'teeth')}) drives it here"
    page.text((wide / 2.0, foot - 6.0), named)
    step = 360.0 / layout.driven_teeth * (1.0 if layout.count == "clockwise" else -1.0)
    second = 180.0 + step * abs(layout.teeth)
    for n, deg in ((1, 180.0), (2, second)):
        for k in range(n):
            page.line([wheel.polar(WHEEL_MM - 5.0 - 2.2 * k, deg)], gid=f"mark {n}", **mark)
        page.text(wheel.polar(WHEEL_MM - 5.0 - 6.0 * n, deg), str(n), **number)
    page.arrow(wheel.arc(WHEEL_MM - 24.0, 180.0, second), gid="count")
    wheel.turn(WHEEL_MM + 5.0, 0.0, 25.0, layout.rotation, gid="rotation")
    wheel.name(0.0, WHEEL_MM + 6.5, f"rotation of {part}", fontsize=8.0)
    tooth = "the link of the chain" if chain else f"the tooth of {driver}"
    way = "against" if layout.teeth > 0 else "in"
    top = FOOT_MM + LOWER_MM - 2.0
    for n, words in enumerate([
        f"Mark 1 (one dot): {tooth} that stands in a gap of {part}, and that gap.",
        f"Count {count} of {part} {layout.count} from gap 1, as drawn, which is {way} its "
        "rotation.",
        f"Mark 2 (two dots): the gap that you come to, {count} away from gap 1.",
        f"Hold {driver}. Take {part} out of mesh and turn it until gap 2 takes the place of gap 1.",
        f"Put it together: {tooth} with mark 1 stands in gap 2. Rub mark 1 off the gap.",
        f"This makes what {part} drives {_earlier(layout.crank_deg)} (crank degrees). Read again.",
    ], 1):  # fmt: skip
        lines = textwrap.wrap(visible(words), 98)
        usual: dict[str, Any] = {"ha": "left", "va": "top", "fontsize": 9.5}
        page.text((EDGE_MM, top), f"{n}.", fontweight="bold", **usual)
        page.text((EDGE_MM + 7.0, top), "\n".join(lines), linespacing=1.35, **usual)
        top -= 5.2 * len(lines) + 3.4
    return page.figure


def _wheel(
    piece: Piece, radius: float, teeth: int, gap_at: float, within_mm: float = math.inf
) -> None:
    """A wheel with its teeth; the middle of a gap lies at ``gap_at``. Drawn from its top down to
    ``within_mm`` below."""
    pitch = 360.0 / teeth
    high = min(4.0, 0.7 * math.pi * radius / teeth) / 2.0
    edge: list[Points] = []
    for k in range(teeth):
        middle = wrap(gap_at + (k + 0.5) * pitch)
        if radius * (1.0 - math.cos(math.radians(middle))) <= within_mm:
            for off, far in ((-0.3, -high), (-0.16, high), (0.16, high), (0.3, -high)):
                edge.append(piece.polar(radius + far, middle + off * pitch))
    edge.sort(key=lambda place: math.atan2(place[0] - piece.x, place[1] - piece.y))
    whole = len(edge) == 4 * teeth
    piece.page.line(np.array([*edge, edge[0]] if whole else edge), lw=0.6)


SHEETS: Mapping[type[Layout], Callable[[Any, str], Figure]] = {
    NewPlace: _new_place,
    LongerSlot: _longer_slot,
    MeshMarks: _mesh,
}

"""Stripboard layouts of the circuits, seen from the component side. Strips run across; rows have
letters from the top, columns numbers from the left. What strips, cuts and links join is compared
with the netlist; bodies have the sizes of ``footprints``."""

from __future__ import annotations

import math
import re
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from textwrap import wrap
from typing import Final

import numpy as np
from footprints import FOOTPRINTS, PITCH, Place, turned
from netlist import INPUTS, PLAIN, WINDING, Circuit
from schematic import TERMINALS
from scipy.sparse.csgraph import connected_components, shortest_path
from sheet import Point, Sheet

STRIP_MM: Final = 2.1  # how wide a strip is; from memory, as are the drill and what it leaves
DRILL_MM: Final = 3.5
CHIPS: Final = ("opto", "quad", "dcdc")
Hole = tuple[int, int]  # row and column, from 0


def hole(name: str) -> Hole:
    """``C12``: third row, twelfth column."""
    found = re.fullmatch(r"([A-Z])(\d+)", name)
    if not found:
        raise ValueError(f"{name} is no hole")
    return ord(found[1]) - ord("A"), int(found[2]) - 1


def place(at: Hole) -> Place:
    """Millimetres from the first hole."""
    return at[1] * PITCH, at[0] * PITCH


@dataclass(frozen=True, slots=True)
class Piece:
    """A piece of strip: its row, first and last hole, and where its copper ends, millimetres."""

    row: int
    first: int
    last: int
    left_mm: float
    right_mm: float

    def apart_mm(self, other: Piece) -> float:
        """From copper to copper."""
        dx = max(self.left_mm - other.right_mm, other.left_mm - self.right_mm, 0.0)
        dy = max(abs(self.row - other.row) * PITCH - STRIP_MM, 0.0) if self.row != other.row else 0
        return math.hypot(dx, dy)


@dataclass(frozen=True, slots=True)
class Layout:
    """Where everything is; holes by name, those of a part in the order of its pins ("-" where
    a number has no pin). ``bare``: stretches of a row whose copper is peeled off."""

    circuit: Circuit
    rows: int
    columns: int
    parts: dict[str, str]
    cuts: str
    links: str
    bare: str = ""

    def holes(self, ref: str) -> list[tuple[int, Hole]]:
        """Pins of a part, by number, with their holes."""
        names = enumerate(self.parts[ref].split(), 1)
        return [(pin, hole(name)) for pin, name in names if name != "-"]

    def pins(self) -> dict[Hole, tuple[str, int]]:
        """Which pin is in a hole. Raises ValueError for two."""
        found: dict[Hole, tuple[str, int]] = {}
        for ref in self.parts:
            for pin, at in self.holes(ref):
                if at in found:
                    raise ValueError(f"{ref} and {found[at][0]} in one hole, {at}")
                found[at] = (ref, pin)
        return found

    def link_ends(self) -> list[tuple[Hole, Hole]]:
        """Links of wire, upright."""
        pairs = (each.split("-") for each in self.links.split())
        return [(hole(one), hole(other)) for one, other in pairs]

    def cut_holes(self) -> set[Hole]:
        """Holes at which the strip is drilled away."""
        return {hole(name) for name in self.cuts.split()}

    def bare_holes(self) -> set[Hole]:
        """Holes from half-way before to half-way after which there is no copper."""
        found: set[Hole] = set()
        for each in self.bare.split():
            (row, first), (_, last) = map(hole, each.split("-"))
            found |= {(row, column) for column in range(first, last + 1)}
        return found

    def pieces(self) -> list[Piece]:
        """What is left of the strips."""
        cuts, gone = self.cut_holes(), self.cut_holes() | self.bare_holes()
        past = (PITCH * 2 - DRILL_MM) / 2, PITCH / 2  # beyond the last hole: to a cut; to all else
        found = []
        for row in range(self.rows):
            first = 0
            for column in range(self.columns + 1):
                if column == self.columns or (row, column) in gone:
                    if column > first:
                        ends = [past[at not in cuts] for at in ((row, first - 1), (row, column))]
                        left, right = first * PITCH - ends[0], (column - 1) * PITCH + ends[1]
                        found.append(Piece(row, first, column - 1, left, right))
                    first = column + 1
        return found

    def _joined(self, pieces: Sequence[Piece]) -> list[int]:
        """For each piece, the number of what links join it to."""
        at = {(p.row, c): n for n, p in enumerate(pieces) for c in range(p.first, p.last + 1)}
        graph = np.zeros((len(pieces), len(pieces)))
        for one, other in self.link_ends():
            graph[at[one], at[other]] = 1
        labels: list[int] = connected_components(graph, directed=False)[1].tolist()
        return labels

    def joined(self) -> list[set[tuple[str, int]]]:
        """Pins that strips and links join."""
        pieces = self.pieces()
        found: dict[int, set[tuple[str, int]]] = defaultdict(set)
        pins = self.pins()
        for piece, label in zip(pieces, self._joined(pieces), strict=True):
            columns = range(piece.first, piece.last + 1)
            found[label] |= {pins[piece.row, c] for c in columns if (piece.row, c) in pins}
        return [each for each in found.values() if each]

    def apart_mm(self, one: Iterable[str], others: Iterable[str]) -> float:
        """The least distance of copper of some nets to copper of others; copper of no net on the
        way shortens it by its own length."""
        pieces, pins = self.pieces(), self.pins()
        net_of = {pin: net for net, own in self.circuit.nets().items() for pin in own}
        nets: dict[int, str] = {}
        labels = self._joined(pieces)
        for piece, label in zip(pieces, labels, strict=True):
            for column in range(piece.first, piece.last + 1):
                nets.setdefault(label, net_of.get(pins.get((piece.row, column), ("", 0)), ""))
                nets[label] = nets[label] or net_of.get(pins.get((piece.row, column), ("", 0)), "")
        gaps = np.array([[max(a.apart_mm(b), 1e-9) for b in pieces] for a in pieces])
        here, there = (
            [n for n, label in enumerate(labels) if nets[label] in set(wanted)]
            for wanted in (one, others)
        )
        return float(shortest_path(gaps, indices=here)[:, there].min())

    def body(self, ref: str) -> list[Place]:
        """Corners of a part's body. Raises ValueError where its pins do not fit its holes."""
        part = self.circuit.part(ref)
        print_ = FOOTPRINTS[part.type.package]
        places = [place(at) for _, at in self.holes(ref)]
        (x0, y0), (x1, y1) = places[0], places[-1]
        left, top, right, bottom = print_.body
        if len(places) == 2 and part.type.symbol != "connector":
            far, long = math.dist(*places), right - left
            nominal = math.dist(*filter(None, print_.pins))
            ux, uy = (x1 - x0) / far, (y1 - y0) / far
            axial = part.type.package.startswith("axial")
            if self.stands_upright(ref):
                middle, half = (x0, y0), bottom
            elif axial or -0.01 <= far - nominal <= 1.01 * PITCH:
                middle, half = ((x0 + x1) / 2, (y0 + y1) / 2), long / 2
            else:
                raise ValueError(f"{ref}: pins {nominal} mm apart, holes {far:.2f} mm")
            return [
                (middle[0] + a * half * ux - b * bottom * uy,
                 middle[1] + a * half * uy + b * bottom * ux)
                for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))
            ]  # fmt: skip
        for quarter in range(4):
            meant = [turned(pin, quarter) for pin in print_.pins if pin]
            if all(
                math.dist((x0 + dx, y0 + dy), at) < 0.01
                for (dx, dy), at in zip(meant, places, strict=True)
            ):
                corners = ((left, top), (right, top), (right, bottom), (left, bottom))
                return [(x0 + x, y0 + y) for x, y in (turned(c, quarter) for c in corners)]
        raise ValueError(f"{ref}: its pins do not fit its holes")

    def stands_upright(self, ref: str) -> bool:
        """Whether a part with two leads is upright: its holes are too near for it to lie."""
        package = self.circuit.part(ref).type.package
        if not package.startswith("axial"):
            return False
        left, _, right, _ = FOOTPRINTS[package].body
        one, other = (place(at) for _, at in self.holes(ref))
        return math.dist(one, other) < right - left + 1.0


def _every(rows: Sequence[str], *columns: int) -> str:
    return " ".join(f"{row}{column}" for row in rows for column in columns)


PLAIN_LAYOUT: Final = Layout(
    PLAIN,
    rows=23,
    columns=25,
    parts={
        "U3": "A12 B12 - - E12 - G12",
        "U2": "I12 J12 K12 L12 L15 K15 J15 I15",
        "C10": "G7 E7",
        "C11": "G4 E4",
        "R1": "G9 J9",
        "D1": "J6 M6",
        "D2": "Q4 M4",
        "D3": "Q11 W11",
        "R2": "Q8 S8",
        "R3": "S5 U5",
        "J1": "U2 W2",
        "TP1": "G2",
        "TP2": "E2",
        "TP3": "M8",
        "C12": "A18 B18",
        "C13": "J17 L17",
        "R21": "I19 K19",
        "J2": "J24 L24 N24",
    },
    cuts=" ".join((_every("AB", 10, 11), _every("EFGHIJKLMNOPQSUW", 13, 14))),
    links="K5-M5 E10-W10 A20-I20 I21-J21 B22-L22 K21-N21",
    bare="C10-C16 D10-D16 R1-R14 T1-T14 V1-V14",
)

INPUTS_LAYOUT: Final = Layout(
    INPUTS,
    rows=21,
    columns=24,
    parts={
        "J1": "A2 C2 E2 G2 I2",
        "R1": "A5 E5",
        "R2": "A6 G6",
        "R3": "A7 I7",
        "C4": "A9 C9",
        "C5": "A11 C11",
        "R4": "E11 E14",
        "R5": "G11 G14",
        "R6": "I11 I14",
        "C1": "E16 C16",
        "C2": "G16 F18",
        "C3": "I16 K16",
        "J3": "A22 C22 E22 G22 I22",
        "J4": "M2 O2 Q2",
        "R8": "L5 M8",
        "J2": "S2 U2",
        "R7": "S11 S14",
        "C6": "S16 U16",
        "J5": "S22 U22",
    },
    cuts="E12 G12 I12 S12",
    links="A4-L4 C20-F20 F19-K19 K9-O9 O6-U6 I10-Q10",
)

WINDING_LAYOUT: Final = Layout(
    WINDING,
    rows=18,
    columns=52,
    parts={
        "J1": "P3 R3",
        "RV1": "P6 R6",
        "C1": "C4 L4",
        "R1": "L8 D8",
        "R2": "D11 L11",
        "D1": "L13 G13",
        "R3": "L15 H15",
        "C3": "P8 P11",
        "R9": "P12 P18",
        "R22": "P19 P25",
        "U1": "E22 F22 G22 H22 I22 J22 K22 K25 J25 I25 H25 G25 F25 E25",
        "R15": "A19 D19",
        "C10": "A17 B17",
        "C11": "G19 G17",
        "R11": "G21 I21",
        "R12": "I20 M20",
        "R13": "M19 J19",
        "R14": "J18 N18",
        "C5": "M24 N24",
        "C4": "L28 M30",
        "C6": "M27 N29",
        "R10": "P31 M31",
        "D2": "M32 P32",
        "D3": "P33 M33",
        "R5": "A27 H27",
        "R18": "A28 E28",
        "C2": "I28 K28",
        "R17": "E29 J29",
        "R16": "D30 J30",
        "R4": "A31 F31",
        "R6": "H31 K31",
        "R7": "B32 H32",
        "R8": "F33 I33",
        "Q1": "A34 B34 C34",
        "R19": "E35 J35",
        "R20": "A36 H36",
        "Q3": "I36 J36 K36",
        "C7": "D39 F39",
        "Q2": "A40 B40 C40",
        "U2": "G41 H41 I41 J41 J44 I44 H44 G44",
        "U3": "R41 Q41 - - N41 - L41",
        "C13": "H46 J46",
        "R21": "M48 I48",
        "C12": "R48 Q48",
        "J2": "M51 K51 I51",
        "TP1": "A23",
        "TP2": "N20",
        "TP3": "M36",
        "TP4": "C24",
        "TP5": "D24",
    },
    cuts=" ".join(
        (
            _every("ABDEFMN", 13),
            _every("GHIJK", 12),
            "C6 K9 L9 M9 P10 P15 P22",
            "A38 B25 F35 G18 G36 H16 H34 I34 J34 J39 K27 L16 L35",
            _every("EFGHIJK", 23),
            _every("ABCDEFGHIJKLMN", 42, 43),
        )
    ),
    links="C1-P1 A20-G20 D21-E21 E16-F16 C14-H14 B15-G15 G16-N16 H17-K17 K21-L21 B26-F26 "
    "K26-M26 G34-K34 K35-N35 A37-L37 F38-N38 A41-F41 L34-P34 N26-R26 "
    "G45-H45 H47-M47 M45-R45 J45-K45 K46-Q46",
    bare="C7-C13 D1-D6 O1-O43 P35-P43 Q1-Q40 R27-R40",
)


def sheet(
    layout: Layout, title: str, number: str, notes: Sequence[str], scale: float = 3.0
) -> Sheet:
    """The layout as a drawing, so many times full size; notes beside it, or below a wide one."""
    s = Sheet(f"Stripboard: {title}, component side", number)
    step = PITCH * scale
    over = [y for ref in layout.parts for _, y in layout.body(ref)]
    above = max(step / 2, -min(over) * scale) + 1.8  # the numbers are clear of all bodies
    below = max(step / 2, (max(over) - (layout.rows - 1) * PITCH) * scale) + 3.4
    left, top = 17.0 + step / 2, 28.0 + above
    right, bottom = left + (layout.columns - 1) * step, top + (layout.rows - 1) * step

    def at(spot: Place) -> Point:
        return left + spot[0] * scale, top + spot[1] * scale

    for piece in layout.pieces():
        x0, y = at((piece.left_mm, piece.row * PITCH))
        high = STRIP_MM * scale
        s.strip(x0, y - high / 2, (piece.right_mm - piece.left_mm) * scale, high)
    for row in range(layout.rows):
        for x in (left - step / 2 - 3.0, right + step / 2 + 3.0):
            s.text(x, top + row * step + 0.9, chr(ord("A") + row), size=2.5, anchor="middle")
        for column in range(layout.columns):
            s.hole(*at(place((row, column))), 0.3 * scale)
    for column in range(layout.columns):
        for y in (top - above, bottom + below):
            s.text(left + column * step, y, str(column + 1), size=2.5, anchor="middle")
    for one, other in layout.link_ends():
        s.line(at(place(one)), at(place(other)), width=0.9)
        for end in (one, other):
            s.dot(*at(place(end)))
    bare = [words for ref in layout.parts if (words := _part(s, layout, ref, scale, at))]
    for cut in sorted(layout.cut_holes()):
        s.cross(*at(place(cut)), 0.55 * scale)
    upright = [ref for ref in layout.parts if layout.stands_upright(ref)]
    said = [
        f"{scale:g} times full size: {layout.rows} strips of {layout.columns} holes, "
        f"{layout.columns * PITCH:.0f} by {layout.rows * PITCH:.0f} mm.",
        f"Thick lines: {len(layout.link_ends())} links of insulated wire.",
        f"Crosses: {len(layout.cut_holes())} places where the strip is drilled away "
        f"({DRILL_MM:g} mm).",
        *(["White strip: its copper is peeled off."] if layout.bare else []),
        *([f"Upright, body at the first pin: {', '.join(upright)}."] if upright else []),
        *notes,
        *([f"Too small to be written on: {', '.join(bare)}."] if bare else []),
    ]
    beside = right + step / 2 + 8
    if beside < 210:
        wide = int((286 - beside) / (0.53 * 2.9))
        s.notes(beside, top, [line for each in said for line in wrap(each, wide)], size=2.9)
    else:
        lines = [line for each in said for line in wrap(each, 86)]
        half = (len(lines) + 1) // 2
        for x, part in ((14.0, lines[:half]), (152.0, lines[half:])):
            s.notes(x, bottom + below + 8, part, size=2.9)
    return s


def _part(s: Sheet, layout: Layout, ref: str, scale: float, at: Callable[[Place], Point]) -> str:
    """A part's body, pins and words; designator and value where there is no room for the value."""
    part = layout.circuit.part(ref)
    symbol, print_ = part.type.symbol, FOOTPRINTS[part.type.package]
    places = [at(place(each)) for _, each in layout.holes(ref)]
    if symbol == "point":
        s.dot(*places[0])
        s.plate(places[0][0] + 1.6 + 0.28 * 2.5 * len(ref), places[0][1], ref)
        return ""
    corners = [at(each) for each in layout.body(ref)]
    xs, ys = [x for x, _ in corners], [y for _, y in corners]
    x, y = sum(xs) / 4, sum(ys) / 4
    two = len(places) == 2 and symbol != "connector"
    if two:
        s.line(*places, width=0.5)
    if print_.round_body:
        s.disc(x, y, print_.body[3] * scale)
    else:
        s.polygon(corners)
    for spot in places:
        s.dot(*spot)
    _which_way(s, symbol, corners, places[0], scale)
    if symbol == "connector":
        for (at_x, at_y), net in zip(places, part.nets, strict=True):
            s.text(at_x, at_y + 1.4 * scale, TERMINALS.get(net, net), size=2.5, anchor="middle")
        s.text(x, min(ys) + 1.1 * scale, ref, size=2.6, anchor="middle", bold=True)
        return ""
    long = max(math.dist(corners[0], corners[1]), math.dist(corners[1], corners[2]))
    room = min(long, math.dist(*places) - 1.5) if two and not print_.round_body else long
    whole = f"{ref} {part.value}"
    fits = two and 1.62 * len(whole) <= room
    upright = max(ys) - min(ys) > max(xs) - min(xs) + 0.1
    if symbol in CHIPS:  # between two rows, clear of the cuts below
        upright, step = False, PITCH * scale
        y = places[0][1] + (math.floor((y - places[0][1]) / step) + 0.5) * step
    elif symbol in ("npn", "pnp"):
        x += 0.4 * scale
    elif not upright and any(_below(at(place(cut)), corners) for cut in layout.cut_holes()):
        y = min(ys) - 1.9
    s.plate(x, y, whole if fits else ref, turned=upright)
    return "" if fits or not two or not part.value else whole


def _which_way(s: Sheet, symbol: str, corners: list[Point], first: Point, scale: float) -> None:
    """A band at the cathode, a thick flat side, a plus, the number of pin 1."""
    x, y = (sum(each) / 4 for each in zip(*corners, strict=True))
    if symbol in ("diode", "clamp"):
        s.line(*(_between(corners[n], corners[m], 0.12) for n, m in ((0, 1), (3, 2))), width=1.0)
    if symbol in ("npn", "pnp"):
        s.line(corners[2], corners[3], width=1.0)
    if symbol == "capacitor_polar":
        s.text(x - 2.6 * scale, first[1] + 0.35 * (first[1] - y) + 1.0, "+", size=3.4, bold=True)
    if symbol in CHIPS:
        side = 1.0 if x > first[0] + 0.1 else -1.5
        s.text(first[0] + side * scale, first[1] + 0.9, "1", size=2.5, anchor="middle", bold=True)


def _below(spot: Point, corners: list[Point]) -> bool:
    xs, ys = [x for x, _ in corners], [y for _, y in corners]
    return min(xs) < spot[0] < max(xs) and min(ys) < spot[1] < max(ys)


def _between(one: Point, other: Point, share: float) -> Point:
    return one[0] + share * (other[0] - one[0]), one[1] + share * (other[1] - one[1])


BARRIER: Final = (
    "Barrier: 5.5 mm from copper to copper. Nothing but U2 and U3 crosses it. Scrape off what "
    "the drill leaves between two crosses side by side."
)


def plain() -> Sheet:
    """The front end for contacts alone."""
    notes = ["Bands: cathodes. U2's notch: at I.", BARRIER]
    return sheet(PLAIN_LAYOUT, "contacts alone (sheet 3)", "6 of 9", notes, 2.7)


def inputs() -> Sheet:
    """Encoder, index, foot switch."""
    notes = [
        "R8 and C2 lie aslant: L5 to M8, G16 to F18.",
        "J4 only for a slotted optical switch; J1's index then stays free.",
    ]
    return sheet(INPUTS_LAYOUT, "encoder, index, foot switch (sheet 2)", "7 of 9", notes, 2.8)


def winding() -> Sheet:
    """The front end for winding and condenser."""
    notes = [
        "Bands: cathodes. Thick edge of Q1 to Q3: flat side. Notches of U1, U2: upper end.",
        "C4 and C6 lie aslant: L28 to M30, M27 to N29.",
        f"Engine's side: columns 1 to 41, but for Q41 and R41. {BARRIER}",
        "Copper that sees the kick (row C to 5, D to 12, L to 8, P to 21) has 1.5 mm to all other.",
        "Test each line of nets.csv with a meter before any supply.",
    ]
    return sheet(WINDING_LAYOUT, "winding left on (sheet 4)", "8 of 9", notes, 2.0)

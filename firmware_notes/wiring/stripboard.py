"""Stripboard layouts of the two simple circuits, seen from the component side. Strips run across;
rows have letters from the top, columns numbers from the left. What strips, cuts and links join is
compared with the netlist."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from netlist import INPUTS, PLAIN, Circuit
from schematic import TERMINALS
from sheet import Point, Sheet

Hole = tuple[int, int]  # row and column, from 0
SCALE: Final = 3.0
PITCH_MM: Final = 2.54 * SCALE


def hole(name: str) -> Hole:
    """``C12``: third row, twelfth column."""
    found = re.fullmatch(r"([A-Z])(\d+)", name)
    if not found:
        raise ValueError(f"{name} is no hole")
    return ord(found[1]) - ord("A"), int(found[2]) - 1


@dataclass(frozen=True, slots=True)
class Layout:
    """Where everything stands; holes by name, those of a part in the order of its pins."""

    circuit: Circuit
    rows: int
    columns: int
    parts: dict[str, str]
    cuts: str
    links: str
    barrier: bool = False

    def pins(self) -> dict[Hole, tuple[str, int]]:
        """Which pin stands in a hole. Raises ValueError where two do."""
        found: dict[Hole, tuple[str, int]] = {}
        for ref, names in self.parts.items():
            for pin, name in enumerate(names.split(), 1):
                at = hole(name)
                if at in found:
                    raise ValueError(f"{name}: {ref} and {found[at][0]}")
                found[at] = (ref, pin)
        return found

    def link_ends(self) -> list[tuple[Hole, Hole]]:
        """Links of wire, upright."""
        pairs = (each.split("-") for each in self.links.split())
        return [(hole(one), hole(other)) for one, other in pairs]

    def cut_holes(self) -> set[Hole]:
        """Holes at which the strip is cut away."""
        return {hole(name) for name in self.cuts.split()}

    def joined(self) -> list[set[tuple[str, int]]]:
        """Pins that strips and links join."""
        cuts = self.cut_holes()
        piece: dict[Hole, Hole] = {}
        for row in range(self.rows):
            first: Hole | None = None
            for column in range(self.columns):
                at = (row, column)
                if at in cuts:
                    first = None
                    continue
                first = first or at
                piece[at] = first
        parent = {each: each for each in piece.values()}

        def root(one: Hole) -> Hole:
            while parent[one] != one:
                one = parent[one]
            return one

        for one, other in self.link_ends():
            parent[root(piece[one])] = root(piece[other])
        found: dict[Hole, set[tuple[str, int]]] = defaultdict(set)
        for at, pin in self.pins().items():
            found[root(piece[at])].add(pin)
        return list(found.values())


def _every(rows: Sequence[str], *columns: int) -> str:
    return " ".join(f"{row}{column}" for row in rows for column in columns)


PLAIN_LAYOUT: Final = Layout(
    PLAIN,
    rows=16,
    columns=25,
    parts={
        "U3": "A14 B14 C14 D14",
        "U2": "E12 F12 G12 H12 H15 G15 F15 E15",
        "C10": "D9 C9",
        "C11": "D7 C5",
        "R1": "D8 F8",
        "D1": "F6 G6",
        "D2": "J4 G4",
        "D3": "J6 P6",
        "R2": "J8 L8",
        "R3": "L9 N9",
        "J1": "N2 P2",
        "TP1": "D3",
        "TP2": "C3",
        "TP3": "G10",
        "C12": "B18 A18",
        "C13": "F17 H17",
        "R21": "E19 G19",
        "J2": "F24 H24 J24",
    },
    cuts=" ".join(
        (
            _every("AB", 12, 13),
            _every("CD", 15, 16),
            _every("EFGHIJKLMNOP", 13, 14),
            _every("JLN", 10),
        )
    ),
    links="C11-P11 B20-E20 E21-F21 A23-H23 G22-J22",
    barrier=True,
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
        "R8": "L4 M7",
        "J2": "S2 U2",
        "R7": "S11 S14",
        "C6": "S16 U16",
        "J5": "S22 U22",
    },
    cuts="E12 G12 I12 S12",
    links="A3-L3 C20-F20 F19-K19 K5-O5 O6-U6 I8-Q8",
)


def sheet(layout: Layout, title: str, number: str, notes: Sequence[str]) -> Sheet:
    """The layout as a drawing, three times full size."""
    s = Sheet(title, number)
    left, top = 20.0, 34.0

    def at(place: Hole) -> Point:
        return left + (place[1] + 0.5) * PITCH_MM, top + (place[0] + 0.5) * PITCH_MM

    for row in range(layout.rows):
        x0, y = at((row, 0))
        x1, _ = at((row, layout.columns - 1))
        s.strip(x0 - 3.2, y - 3.0, x1 - x0 + 6.4, 6.0)
        s.text(left - 3.6, y + 1, chr(ord("A") + row), size=2.6, anchor="middle")
    for column in range(layout.columns):
        x, _ = at((0, column))
        s.text(x, top - 1.6, str(column + 1), size=2.5, anchor="middle")
    for place in sorted(layout.cut_holes()):
        s.cut(*at(place))
    for row in range(layout.rows):
        for column in range(layout.columns):
            s.hole(*at((row, column)))
    for one, other in layout.link_ends():
        s.line(at(one), at(other), width=0.9)
        for end in (one, other):
            s.dot(*at(end))
    by_part: dict[str, list[Hole]] = defaultdict(list)
    for place, (ref, _) in layout.pins().items():
        by_part[ref].append(place)
    for ref, places in by_part.items():
        _part(s, layout.circuit, ref, [at(place) for place in places])
    for place in sorted(layout.cut_holes()):
        s.cross(*at(place))
    x = left + layout.columns * PITCH_MM + 6
    s.notes(x, top + 4, list(notes), size=2.9)
    return s


def _part(s: Sheet, circuit: Circuit, ref: str, places: list[Point]) -> None:
    part = circuit.part(ref)
    xs, ys = [x for x, _ in places], [y for _, y in places]
    symbol = part.type.symbol
    words = f"{ref} {part.value}" if symbol in ("resistor", "capacitor") else ref
    if symbol in ("resistor", "capacitor", "capacitor_polar", "diode", "clamp"):
        s.body(places[0], places[1], round_=symbol == "capacitor_polar")
        if symbol in ("diode", "clamp"):
            s.band(places[0], places[1])
        if symbol == "capacitor_polar":
            s.text(places[0][0] - 3.4, places[0][1] + 1.0, "+", size=3, bold=True)
    elif symbol == "point":
        s.text(xs[0] + 1.6, ys[0] - 1.2, ref, size=2.5, bold=True)
        s.dot(xs[0], ys[0])
        return
    else:
        s.outline_box(
            min(xs) - 3.4, min(ys) - 3.4, max(xs) - min(xs) + 6.8, max(ys) - min(ys) + 6.8
        )
        s.text(places[0][0] - 2.0, places[0][1] - 1.2, "1", size=2.5, bold=True)
        if symbol == "connector":
            for (x, y), net in zip(places, part.nets, strict=True):
                s.text(x, y + 3.3, TERMINALS.get(net, net), size=2.5, anchor="middle")
    for place in places:
        s.dot(*place)
    upright = xs[0] == xs[-1] and symbol not in ("opto", "connector", "dcdc")
    x, y = (min(xs) + max(xs)) / 2, (min(ys) + max(ys)) / 2
    if symbol == "connector":
        s.plate(x, min(ys) - 4.6, words)
    elif upright:
        s.plate(x, y, words, turned=max(ys) - min(ys) > 12)
    elif symbol == "resistor" and ys[0] == ys[-1]:
        s.plate(x, y - 4.6, words)
    else:
        s.plate(x, y, words)


def plain() -> Sheet:
    """The front end for contacts alone."""
    return sheet(
        PLAIN_LAYOUT,
        "Stripboard: contacts alone (sheet 3), component side, 3 times full size",
        "6 of 8",
        [
            "16 strips, 25 holes:",
            "41 by 64 mm.",
            "Cross: strip cut away at",
            "this hole (drill 3.5 mm).",
            "Thick line: link of",
            "insulated wire.",
            "R1, D1, R2, R3 stand",
            "upright; band: cathode.",
            "Columns 13 and 14 part",
            "engine and board: scrape",
            "all copper off there.",
            "At U3 the two sides are",
            "one strip apart: scrape",
            "the corners.",
            "U2: notch at E.",
        ],
    )


def inputs() -> Sheet:
    """Encoder, index, foot switch."""
    return sheet(
        INPUTS_LAYOUT,
        "Stripboard: encoder, index, foot switch (sheet 2), 3 times full size",
        "7 of 8",
        [
            "21 strips, 24 holes:",
            "54 by 61 mm, component side.",
            "Cross: strip cut away at this",
            "hole (drill 3.5 mm).",
            "Thick line: link of insulated",
            "wire.",
            "R8 lies aslant, L4 to M7;",
            "C2 aslant, G16 to F18.",
            "J4 only for a slotted optical",
            "switch; J1's index stays free",
            "then.",
        ],
    )

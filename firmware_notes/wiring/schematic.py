"""Circuits as drawings. A circuit gives the places of its parts and wires; what these join is
compared with the netlist, and pins that no wire reaches get the name of their net. So a drawing
cannot differ from the netlist."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import pairwise

from netlist import Circuit, Part
from sheet import Point, Sheet

SUPPLIES = {"V12": "V12", "5V": "+5 V"}
EARTHS = {"E": "engine", "0V": "board"}
TERMINALS = {  # the name at a terminal, where that is not its net
    "LEAD": "contact",
    "E": "earth",
    "5V": "+5 V",
    "0V": "0 V",
    "EA": "A",
    "EB": "B",
    "EZ": "index",
    "FOOT": "switch",
    "SA": "LED +",
}
COMPARATORS = {  # unit of a quad: pins of its in+, in-, out
    "1": (5, 4, 2),
    "2": (7, 6, 1),
    "3": (9, 8, 14),
    "4": (11, 10, 13),
}


@dataclass(slots=True)
class Group:
    """Pins that wires join, and the places at which they were named."""

    pins: set[tuple[str, int]] = field(default_factory=set)
    names: set[Point] = field(default_factory=set)


class Schematic(Sheet):
    """A sheet with the parts of one circuit."""

    def __init__(self, circuit: Circuit, title: str, number: str, down_mm: float = 0.0) -> None:
        """Everything of the circuit is drawn ``down_mm`` lower than its places say."""
        super().__init__(title, number)
        self._down = down_mm
        self._named: dict[Point, tuple[str, Point]] = {}
        self.circuit = circuit
        self._at: dict[tuple[str, int], Point] = {}  # where each pin is drawn
        self._wires: list[list[Point]] = []
        self._away: dict[tuple[str, int], Point] = {}  # which way the name of its net goes

    def _lower(self, *points: Point) -> list[Point]:
        return [(x, y + self._down) for x, y in points]

    # -- parts ----------------------------------------------------------------------------------

    def _pin(self, part: Part, number: int, at: Point, away: Point) -> None:
        self._at[part.ref, number] = at
        self._away[part.ref, number] = away

    def two(self, ref: str, first: Point, second: Point, *, words: Point | None = None) -> None:
        """A part with two pins, between two places above or beside one another. ``words`` is where
        its designator is, from its middle."""
        part = self.circuit.part(ref)
        first, second = self._lower(first, second)
        (x0, y0), (x1, y1) = first, second
        symbol = part.type.symbol
        if symbol == "resistor":
            self.resistor(first, second)
        elif symbol in ("capacitor", "capacitor_polar"):
            self.capacitor(first, second)
            if symbol == "capacitor_polar":
                sign = 1 if y1 > y0 else -1
                self.text((x0 + x1) / 2 - 4.2, (y0 + y1) / 2 - sign * 1.6 + 0.9, "+", size=3)
        elif symbol in ("diode", "clamp"):
            self.diode(second, first, clamp=symbol == "clamp")
        else:
            self.varistor(first, second)
        ux, uy = (x1 > x0) - (x1 < x0), (y1 > y0) - (y1 < y0)
        self._pin(part, 1, first, (-ux, -uy))
        self._pin(part, 2, second, (ux, uy))
        middle_x, middle_y = (x0 + x1) / 2, (y0 + y1) / 2
        value = part.value or part.type.order
        if y0 == y1:
            dx, dy = words or (0.0, -3.2)
            self.text(middle_x + dx, middle_y + dy, ref, size=2.9, anchor="middle", bold=True)
            self.text(middle_x + dx, middle_y + dy + 8.4, value, size=2.5, anchor="middle")
        else:
            dx, dy = words or (3.0, -0.6)
            anchor = "start" if dx > 0 else "end"
            self.text(middle_x + dx, middle_y + dy, ref, size=2.9, anchor=anchor, bold=True)
            self.text(middle_x + dx, middle_y + dy + 3.4, value, size=2.5, anchor=anchor)

    def transistor(self, ref: str, base: Point, *, way: int = 1) -> None:
        """Base at a place, collector and emitter 8 further (``way`` -1: to the left)."""
        part = self.circuit.part(ref)
        (base,) = self._lower(base)
        x, y = base
        up = part.type.symbol == "npn"
        bar = x + 4 * way
        self.line(base, (bar, y))
        self.line((bar, y - 3.5), (bar, y + 3.5), width=0.8)
        end = x + 8 * way
        self.line((bar, y - 1.5), (end, y - 4), (end, y - 6))
        self.line((bar, y + 1.5), (end, y + 4), (end, y + 6))
        tip, sign = ((bar + 2.9 * way, y + 3.3), 1) if up else ((bar + 1.0 * way, y - 2.1), 1)
        self.line(
            (tip[0] - 1.8 * way, tip[1] - 0.1 * sign),
            tip,
            (tip[0] - 0.6 * way, tip[1] - 1.7 * sign),
        )
        collector, emitter = ((end, y - 6), (end, y + 6)) if up else ((end, y + 6), (end, y - 6))
        self._pin(part, 1, collector, (0, -1 if up else 1))
        self._pin(part, 2, base, (-way, 0))
        self._pin(part, 3, emitter, (0, 1 if up else -1))
        anchor = "start" if way > 0 else "end"
        text_y = y - 4.4 if up else y + 4.0
        self.text(end + 1.5 * way, text_y, ref, size=2.9, anchor=anchor, bold=True)
        self.text(end + 1.5 * way, text_y + 3.3, part.type.order, size=2.5, anchor=anchor)

    def comparator(
        self, ref: str, unit: str, plus: Point, *, way: int = 1, plus_above: bool = True
    ) -> None:
        """One of four, its + input at a place, - input 8 below (or above), output 16 further."""
        part = self.circuit.part(ref)
        (plus,) = self._lower(plus)
        x, y = plus
        other = y + 8 if plus_above else y - 8
        middle = (y + other) / 2
        left, right = x + 3 * way, x + 13 * way
        self.line((left, middle - 7), (right, middle), (left, middle + 7), (left, middle - 7))
        self.line(plus, (left, y))
        self.line((x, other), (left, other))
        self.line((right, middle), (x + 16 * way, middle))
        names = COMPARATORS[unit]
        mark = left + 1.6 * way
        self.text(mark, y + 1, "+", size=2.9, anchor="middle")
        self.text(mark, other + 1, "-", size=2.9, anchor="middle")
        output = (x + 16 * way, middle)
        for place, pin, dx in (
            (plus, names[0], 1.5),
            ((x, other), names[1], 1.5),
            (output, names[2], -1.5),
        ):
            self.text(place[0] + dx * way, place[1] - 0.7, str(pin), size=2.5, anchor="middle")
        self._pin(part, names[0], plus, (-way, 0))
        self._pin(part, names[1], (x, other), (-way, 0))
        self._pin(part, names[2], output, (way, 0))
        self.text(
            x + 8 * way, middle + 9.6, f"{ref}, {unit} of 4", size=2.9, anchor="middle", bold=True
        )

    def chip(
        self,
        ref: str,
        left_mm: float,
        width_mm: float,
        left: Mapping[float, int],
        right: Mapping[float, int],
        *,
        below: bool = False,
    ) -> None:
        """A box with pins on two sides: height on the sheet, and the pin there. The designator
        is above it, or ``below``."""
        part = self.circuit.part(ref)
        left, right = ({y + self._down: n for y, n in each.items()} for each in (left, right))
        heights = [*left, *right]
        top, bottom = min(heights) - 4.0, max(heights) + 4.0
        self.box(left_mm, top, width_mm, bottom - top)
        for side, pins in ((-1, left), (1, right)):
            edge = left_mm if side < 0 else left_mm + width_mm
            for y, number in pins.items():
                pin = (edge + 4 * side, y)
                self.line((edge, y), pin)
                self.text(edge + 1.8 * side, y - 0.7, str(number), size=2.5, anchor="middle")
                name = part.type.pins[number - 1]
                if part.type.symbol == "connector":
                    net = part.nets[number - 1]
                    name = TERMINALS.get(net, net)
                if name != str(number):
                    anchor = "start" if side < 0 else "end"
                    self.text(edge - 1.2 * side, y + 0.9, name, size=2.5, anchor=anchor)
                self._pin(part, number, pin, (side, 0))
        middle = left_mm + width_mm / 2
        high = bottom + 3.6 if below else top - 4.6
        self.text(middle, high, ref, size=2.9, anchor="middle", bold=True)
        value = part.value or part.type.order
        self.text(middle, high + 3.3, value, size=2.5, anchor="middle")

    def point(self, ref: str, at: Point, words: Point = (2.2, -1.2)) -> None:
        """A test point."""
        part = self.circuit.part(ref)
        (at,) = self._lower(at)
        self._add(f'<circle cx="{at[0]:g}" cy="{at[1]:g}" r="1.2" fill="#fff"/>')
        self.text(at[0] + words[0], at[1] + words[1], ref, size=2.5, bold=True)
        self._pin(part, 1, at, (0, 1))

    # -- wires ----------------------------------------------------------------------------------

    def wire(self, *points: Point) -> None:
        """Joins what is on it; two that only cross are not joined."""
        lower = self._lower(*points)
        self._wires.append(lower)
        self.line(*lower)

    def name(self, net: str, at: Point, way: Point) -> None:
        """Name the wires that meet at a place as a net; ``way`` is from the place to its name."""
        self._named[self._lower(at)[0]] = (net, way)

    def finish(self) -> None:
        """Names for what no wire reaches, dots, supplies. Raises ValueError where the drawing says
        something else than the netlist."""
        drawn = {part.ref for part in self.circuit.parts}
        shown = {ref for ref, _ in self._at}
        if drawn != shown:
            raise ValueError(f"not drawn, or not there: {sorted(drawn ^ shown)}")
        net_of = {
            (part.ref, n): net
            for part in self.circuit.parts
            for n, net in enumerate(part.nets, 1)
            if net
        }
        missing = set(net_of) - set(self._at)
        if missing:
            raise ValueError(f"pins not drawn: {sorted(missing)}")
        by_net: dict[str, list[Group]] = defaultdict(list)
        for group in self.groups():
            nets = {net_of.get(pin, "") for pin in group.pins}
            nets |= {self._named[at][0] for at in group.names}
            if len(nets) != 1:
                raise ValueError(f"the drawing joins {sorted(group.pins)}: {sorted(nets)}")
            by_net[nets.pop()].append(group)
        for net, pieces in by_net.items():
            for group in pieces:
                for at in group.names:
                    self._show(net, at, self._named[at][1])
                if net and not group.names and (len(pieces) > 1 or len(group.pins) == 1):
                    self._name_group(net, group.pins)
        self._dots()

    def groups(self) -> list[Group]:
        """What the drawn wires join."""
        parent: dict[Point, Point] = {}

        def root(one: Point) -> Point:
            while parent.setdefault(one, one) != one:
                one = parent[one]
            return one

        segments = [(a, b) for wire in self._wires for a, b in pairwise(wire)]
        ends = {point for wire in self._wires for point in wire} | set(self._at.values())
        for a, b in segments:
            parent[root(a)] = root(b)
            for point in ends | set(self._named):
                if _on(point, a, b):
                    parent[root(point)] = root(a)
        found: dict[Point, Group] = defaultdict(Group)
        for pin, at in self._at.items():
            found[root(at)].pins.add(pin)
        for at in self._named:
            found[root(at)].names.add(at)
        return list(found.values())

    def _name_group(self, net: str, group: set[tuple[str, int]]) -> None:
        """Once for what wires join, at the pin from which a symbol can go its own way."""
        want = (0, -1) if net in SUPPLIES else (0, 1) if net in EARTHS else None
        pins = sorted(group)
        pick = next((pin for pin in pins if self._away[pin] == want), pins[0])
        self._show(net, self._at[pick], self._away[pick])

    def _show(self, net: str, at: Point, way: Point) -> None:
        """A supply or an earth as its symbol, others by name."""
        (x, y), (dx, dy) = at, way
        if net in SUPPLIES or net in EARTHS:
            if dx:
                self.line((x, y), (x + 3.0 * dx, y))
                x += 3.0 * dx
            if net in SUPPLIES:
                self.supply(x, y, SUPPLIES[net])
            else:
                self.earth(x, y, EARTHS[net])
            return
        self.line((x, y), (x + dx * 3.0, y + dy * 3.0))
        x, y = x + dx * 3.0, y + dy * 3.0
        if dx:
            self.text(x + dx * 0.8, y + 0.9, net, size=2.6, anchor="start" if dx > 0 else "end")
        else:
            self.text(x, y + (3.0 if dy > 0 else -1.0), net, size=2.6, anchor="middle")

    def _dots(self) -> None:
        """Where three or more ends meet."""
        meeting: dict[Point, int] = defaultdict(int)
        points = {point for wire in self._wires for point in wire} | set(self._at.values())
        for point in points:
            for wire in self._wires:
                for a, b in pairwise(wire):
                    if point in (a, b):
                        meeting[point] += 1
                    elif _on(point, a, b):
                        meeting[point] += 2
            meeting[point] += sum(at == point for at in self._at.values())
        for point, number in sorted(meeting.items()):
            if number > 2:
                self.dot(*point)


def _on(point: Point, a: Point, b: Point) -> bool:
    """Whether a point is on an upright or level piece of wire."""
    x, y = point
    if a[0] == b[0] == x:
        return min(a[1], b[1]) <= y <= max(a[1], b[1])
    return a[1] == b[1] == y and min(a[0], b[0]) <= x <= max(a[0], b[0])

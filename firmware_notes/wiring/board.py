"""The board of the front end for winding and condenser, from the netlist to files for any maker:
Gerber (RS-274X with X2 attributes) and Excellon; ``draw.py`` writes them into ``board/``. Places of
the parts are chosen by hand and below; tracks are found here.

Seen from the component side, x to the right and y down, millimetres from the upper left corner;
the files have y up, as Gerber has it. Both copper layers, plated holes.
"""

from __future__ import annotations

import heapq
import itertools
import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from footprints import FOOTPRINTS, PITCH, Place, turned
from netlist import WINDING, Circuit
from strokes import stroke, width

HERE = Path(__file__).resolve().parent
FOLDER = HERE / "board"

SIZE_MM: Final = (39 * PITCH, 31 * PITCH)
GRID_MM: Final = PITCH / 4
TRACK_MM: Final = 0.4
CLEAR_MM: Final = 0.22
KICK_CLEAR_MM: Final = 1.5  # of nets that see the kick, to all others
VIA_PAD_MM: Final = 1.2
VIA_HOLE_MM: Final = 0.6
KICK: Final = frozenset({"LEAD", "K2", "K1", "N", "N2"})
BOARD_SIDE: Final = frozenset({"5V", "0V", "OUT"})
LEFT_MM: Final = 28.0 * PITCH + 0.8  # copper of the engine's side ends here ...
RIGHT_MM: Final = 31.0 * PITCH - 0.8  # ... and the board's begins here

# designator: place of pin 1 in steps of 2.54 mm from the upper left corner, quarter turns clockwise
PLACES: Final[dict[str, tuple[float, float, int]]] = {
    "J1": (2, 9, 1),
    "RV1": (6, 9, 1),
    "C1": (5, 3, 0),
    "R1": (16, 2, 0),
    "R2": (24, 5, 2),
    "D1": (18, 8, 2),
    "R3": (18, 10, 2),
    "Q1": (17, 12, 2),
    "Q2": (18, 14, 2),
    "R4": (13, 15, 3),
    "R5": (25, 13, 2),
    "R6": (22, 12, 3),
    "R7": (18, 12, 0),
    "R8": (15, 16, 0),
    "C2": (19, 14, 0),
    "C3": (3, 3, 1),
    "R9": (8, 6, 1),
    "R22": (8, 13, 1),
    "R10": (10, 20, 2),
    "C4": (10, 19, 3),
    "D2": (12, 25, 3),
    "D3": (10, 21, 1),
    "R11": (16, 29, 3),
    "R12": (16, 25, 2),
    "R13": (18, 25, 3),
    "R14": (19, 22, 0),
    "C5": (8, 23, 2),
    "C6": (7, 25, 1),
    "R15": (11, 21, 0),
    "C7": (14, 22, 1),
    "R16": (20, 20, 3),
    "R17": (22, 16, 2),
    "R18": (11, 16, 0),
    "R19": (22, 18, 0),
    "Q3": (26, 16, 2),
    "R20": (27, 12, 1),
    "U1": (12, 20, 0),
    "U2": (28, 14, 1),
    "U3": (32, 27, 2),
    "C10": (25, 23, 2),
    "C11": (16, 23, 3),
    "C12": (36, 24, 2),
    "J2": (37, 18, 3),
    "C13": (33, 14, 1),
    "R21": (33, 20, 3),
    "TP1": (13, 28, 0),
    "TP2": (3, 23, 1),
    "TP3": (10, 25, 0),
    "TP4": (15, 14, 3),
    "TP5": (18, 21, 2),
}

SCREWS: Final = ((1.4, 1.3), (37.6, 1.3), (1.4, 29.7), (37.6, 29.7))
SCREW_HEAD_MM: Final = 6.0

Cell = tuple[int, int, int]  # layer (0 top, 1 bottom), x, y in steps of the grid


@dataclass(frozen=True, slots=True)
class Pad:
    """A plated hole with its pad, on both layers."""

    ref: str
    pin: int
    net: str
    at: Place
    pad_mm: float
    hole_mm: float


@dataclass(slots=True)
class Routed:
    """What the board is made of. A track is a layer, a net and a run of places."""

    pads: list[Pad]
    tracks: list[tuple[int, str, list[Place]]] = field(default_factory=list)
    vias: list[tuple[str, Place]] = field(default_factory=list)


def pads_of(circuit: Circuit = WINDING) -> list[Pad]:
    """All pads, from places and footprints."""
    found = []
    for part in circuit.parts:
        x, y, quarter = PLACES[part.ref]
        print_ = FOOTPRINTS[part.type.package]
        for pin, (net, place) in enumerate(zip(part.nets, print_.pins, strict=True), 1):
            if place is None:
                continue
            dx, dy = turned(place, quarter)
            at = (round(x * PITCH + dx, 4), round(y * PITCH + dy, 4))
            found.append(Pad(part.ref, pin, net, at, print_.pad_mm, print_.hole_mm))
    return found


def is_kick(net: str) -> bool:
    """Whether a net sees the primary's kick."""
    return net in KICK


class Router:
    """Finds tracks by the cheapest way over a grid of two layers; where others are in the way it
    goes through them at a price, and they are laid again."""

    def __init__(self, pads: list[Pad]) -> None:
        self.pads = pads
        self.nx, self.ny = (round(mm / GRID_MM) for mm in SIZE_MM)
        # What keeps a track (or a via) of another net off a cell: how many items of each net.
        self.shut: dict[tuple[bool, bool, Cell], Counter[str]] = defaultdict(Counter)
        self.pads_shut: dict[tuple[bool, bool, Cell], set[str]] = defaultdict(set)
        self.paths: dict[tuple[str, int], list[Cell]] = {}
        self.history: Counter[Cell] = Counter()
        for pad in pads:
            for layer in (0, 1):
                for key in self._reach(layer, pad.at, pad.pad_mm / 2, pad.net):
                    self.pads_shut[key].add(pad.net)

    def _reach(
        self, layer: int, at: Place, half: float, net: str
    ) -> Iterator[tuple[bool, bool, Cell]]:
        """Keys (for kick nets, for vias, cell) that copper of ``half`` width there shuts."""
        cx, cy = at[0] / GRID_MM, at[1] / GRID_MM
        for kick, via in itertools.product((False, True), repeat=2):
            own = VIA_PAD_MM / 2 if via else TRACK_MM / 2
            clear = KICK_CLEAR_MM if kick or is_kick(net) else CLEAR_MM
            far = (half + own + clear) / GRID_MM - 1e-6
            for x in range(math.ceil(cx - far), math.floor(cx + far) + 1):
                for y in range(math.ceil(cy - far), math.floor(cy + far) + 1):
                    if math.hypot(x - cx, y - cy) < far:
                        yield kick, via, (layer, x, y)

    def _inside(self, net: str, cell: Cell, via: bool) -> bool:
        _, x, y = cell
        if any(
            math.hypot(x * GRID_MM - sx * PITCH, y * GRID_MM - sy * PITCH) < SCREW_HEAD_MM / 2 + 0.5
            for sx, sy in SCREWS
        ):
            return False
        edge = (0.5 + (VIA_PAD_MM if via else TRACK_MM) / 2) / GRID_MM
        if not (edge <= x <= self.nx - edge and edge <= y <= self.ny - edge):
            return False
        half = (VIA_PAD_MM if via else TRACK_MM) / 2
        at = x * GRID_MM
        if net in BOARD_SIDE:
            return at - half >= RIGHT_MM - 1e-9
        return at + half <= LEFT_MM + 1e-9

    def _price(self, net: str, cell: Cell, via: bool) -> float | None:
        """Price of a track in a cell; None where only a pad of another net, or nothing, may be."""
        key = (is_kick(net), via, cell)
        if self.pads_shut.get(key, _NONE) - {net}:
            return None
        if not self._inside(net, cell, via):
            return None
        others = sum(n for other, n in self.shut.get(key, _EMPTY).items() if other != net and n > 0)
        return (6.0 if others else 0.0) + 1.5 * self.history[cell]

    def _step_price(self, net: str, cell: Cell, nxt: Cell, goal: set[Cell]) -> float | None:
        """Of a step; one aslant passes between two more cells, and neither may be another's."""
        total = 0.0 if nxt in goal else self._price(net, nxt, False)
        for corner in _beside(cell, nxt):
            more = self._price(net, corner, False)
            total = None if total is None or more is None else total + more
        return total

    def _search(self, net: str, begin: set[Cell], goal: set[Cell]) -> list[Cell] | None:
        gx = [cell[1] for cell in goal]
        gy = [cell[2] for cell in goal]
        low_x, high_x, low_y, high_y = min(gx), max(gx), min(gy), max(gy)

        def left(cell: Cell) -> float:
            dx = max(low_x - cell[1], cell[1] - high_x, 0)
            dy = max(low_y - cell[2], cell[2] - high_y, 0)
            return float(max(dx, dy) + 0.4142 * min(dx, dy))

        def offer(cell: Cell, nxt: Cell, cost: float) -> None:
            if cost < best.get(nxt, math.inf) - 1e-9:
                best[nxt] = cost
                came[nxt] = cell
                heapq.heappush(queue, (cost + left(nxt), nxt))

        best = dict.fromkeys(begin, 0.0)
        came: dict[Cell, Cell] = {}
        queue = [(left(cell), cell) for cell in sorted(begin)]
        heapq.heapify(queue)
        done: set[Cell] = set()
        while queue:
            _, cell = heapq.heappop(queue)
            if cell in done:
                continue
            done.add(cell)
            if cell in goal:
                path = [cell]
                while path[-1] in came:
                    path.append(came[path[-1]])
                return path[::-1]
            layer, x, y = cell
            for dx, dy in _STEPS:
                nxt = (layer, x + dx, y + dy)
                price = self._step_price(net, cell, nxt, goal)
                if price is None:
                    continue
                along = 1.4142 if dx and dy else 1.0
                if (dy == 0) == (layer == 1):  # top rather up and down, bottom rather across
                    along *= 1.35
                offer(cell, nxt, best[cell] + along + price)
            if not is_kick(net):
                here, there = self._price(net, cell, True), (1 - layer, x, y)
                other = self._price(net, there, True)
                if here is not None and other is not None:
                    cost = best[cell] + 9.0 + here + other
                    offer(cell, there, cost)
        return None

    def _items(self, net: str, path: list[Cell]) -> Iterator[tuple[bool, bool, Cell]]:
        for n, cell in enumerate(path):
            half = TRACK_MM / 2
            changes = [other for other in path[max(n - 1, 0) : n + 2] if other[0] != cell[0]]
            if changes:
                half = VIA_PAD_MM / 2
            yield from self._reach(cell[0], (cell[1] * GRID_MM, cell[2] * GRID_MM), half, net)
            if n and _beside(path[n - 1], cell):
                middle = [(a + b) / 2 * GRID_MM for a, b in zip(path[n - 1], cell, strict=True)]
                yield from self._reach(cell[0], (middle[1], middle[2]), TRACK_MM / 2, net)

    def _lay(self, name: tuple[str, int], path: list[Cell], sign: int) -> None:
        for key in self._items(name[0], path):
            self.shut[key][name[0]] += sign

    def _pad_cells(self, pad: Pad) -> set[Cell]:
        x, y = round(pad.at[0] / GRID_MM), round(pad.at[1] / GRID_MM)
        return {(0, x, y), (1, x, y)}

    def route(self, most: int = 60) -> Routed:
        """Lay every net. Raises RuntimeError when some cannot be laid."""
        nets: dict[str, list[Pad]] = defaultdict(list)
        for pad in self.pads:
            if pad.net:
                nets[pad.net].append(pad)
        order = sorted(nets, key=lambda n: (not is_kick(n), _length(nets[n])))
        waiting = list(order)
        for _ in range(most):
            if not waiting:
                break
            torn: set[str] = set()
            for net in waiting:
                self._lay_net(net, nets[net])
                torn |= self._in_conflict(net)
            waiting = [net for net in order if net in torn]
            for net in waiting:
                self._tear(net)
        if waiting:
            raise RuntimeError(f"no way for {', '.join(waiting)}")
        return self._result()

    def _tear(self, net: str) -> None:
        for name in [name for name in self.paths if name[0] == net]:
            self._lay(name, self.paths.pop(name), -1)

    def _in_conflict(self, net: str) -> set[str]:
        """Nets that are now too near to ``net``."""
        found: set[str] = set()
        for (own, _), path in self.paths.items():
            if own != net:
                continue
            for n, cell in enumerate(path):
                via = any(o[0] != cell[0] for o in path[max(n - 1, 0) : n + 2])
                keys = [(is_kick(net), via, cell)]
                if n:
                    keys += [(is_kick(net), False, c) for c in _beside(path[n - 1], cell)]
                for key in keys:
                    counts = self.shut.get(key, _EMPTY)
                    hit = {other for other, k in counts.items() if other != net and k > 0}
                    if hit:
                        self.history[key[2]] += 1
                    found |= hit
        return found

    def _lay_net(self, net: str, pads: list[Pad]) -> None:
        self._tear(net)
        joined: set[Cell] = set(self._pad_cells(pads[0]))
        left = list(pads[1:])
        number = 0
        while left:
            near = min(left, key=lambda pad: min(_apart(pad, cell) for cell in joined))
            path = self._search(net, joined, self._pad_cells(near))
            if path is None:
                raise RuntimeError(f"{net}: {near.ref} pin {near.pin} cannot be reached")
            self.paths[net, number] = path
            self._lay((net, number), path, 1)
            joined |= set(path) | self._pad_cells(near)
            left.remove(near)
            number += 1

    def _result(self) -> Routed:
        result = Routed(self.pads)
        for (net, _), path in sorted(self.paths.items()):
            for layer, run in itertools.groupby(path, key=lambda cell: cell[0]):
                cells = list(run)
                if len(cells) > 1:
                    result.tracks.append((layer, net, [_mm(cell) for cell in _corners(cells)]))
            for one, two in itertools.pairwise(path):
                if one[0] != two[0]:
                    at = _mm(one)
                    on_pad = any(pad.at == at for pad in self.pads)
                    if not on_pad and (net, at) not in result.vias:
                        result.vias.append((net, at))
        return result


_NONE: frozenset[str] = frozenset()
_EMPTY: Counter[str] = Counter()
_STEPS = [(dx, dy) for dx in (-1, 0, 1) for dy in (-1, 0, 1) if dx or dy]


def _beside(one: Cell, two: Cell) -> list[Cell]:
    """The two cells that a step aslant passes between; none of another step."""
    if one[0] != two[0] or one[1] == two[1] or one[2] == two[2]:
        return []
    return [(one[0], two[1], one[2]), (one[0], one[1], two[2])]


def _mm(cell: Cell) -> Place:
    return round(cell[1] * GRID_MM, 4), round(cell[2] * GRID_MM, 4)


def _apart(pad: Pad, cell: Cell) -> float:
    return math.hypot(pad.at[0] / GRID_MM - cell[1], pad.at[1] / GRID_MM - cell[2])


def _length(pads: list[Pad]) -> float:
    xs, ys = [pad.at[0] for pad in pads], [pad.at[1] for pad in pads]
    return max(xs) - min(xs) + max(ys) - min(ys)


def _corners(cells: list[Cell]) -> list[Cell]:
    """A run without the cells in the middle of its straight stretches."""
    kept = [cells[0]]
    for before, cell, after in zip(cells, cells[1:], cells[2:], strict=False):
        if (cell[1] - before[1], cell[2] - before[2]) != (after[1] - cell[1], after[2] - cell[2]):
            kept.append(cell)
    return [*kept, cells[-1]]


# -- files -----------------------------------------------------------------------------------------


@dataclass(slots=True)
class Gerber:
    """One layer as RS-274X: flashes and strokes of round apertures."""

    function: str
    polarity: str = "Positive"
    apertures: dict[float, int] = field(default_factory=dict)
    body: list[str] = field(default_factory=list)
    lines: list[tuple[list[Place], float]] = field(default_factory=list)

    def _aperture(self, mm: float) -> int:
        return self.apertures.setdefault(round(mm, 3), 10 + len(self.apertures))

    @staticmethod
    def _at(place: Place) -> str:
        x, y = place[0], SIZE_MM[1] - place[1]
        return f"X{round(x * 1e6)}Y{round(y * 1e6)}"

    def flash(self, place: Place, mm: float) -> None:
        self.body += [f"D{self._aperture(mm)}*", f"{self._at(place)}D03*"]

    def stroke(self, places: Iterable[Place], mm: float) -> None:
        first, *rest = places
        self.lines.append(([first, *rest], mm))
        self.body += [f"D{self._aperture(mm)}*", f"{self._at(first)}D02*"]
        self.body += [f"{self._at(place)}D01*" for place in rest]

    def text(self) -> str:
        """The file."""
        head = [
            "G04 timing-rig, contact front end, winding and condenser left on*",
            f"%TF.FileFunction,{self.function}*%",
            f"%TF.FilePolarity,{self.polarity}*%",
            "%FSLAX46Y46*%",
            "%MOMM*%",
            *(f"%ADD{code}C,{mm:g}*%" for mm, code in self.apertures.items()),
            "%LPD*%",
            "G01*",
        ]
        return "\n".join([*head, *self.body, "M02*"]) + "\n"


def copper(routed: Routed, layer: int) -> Gerber:
    """A copper layer: 0 is the component side."""
    found = Gerber("Copper,L1,Top" if layer == 0 else "Copper,L2,Bot")
    for pad in routed.pads:
        found.flash(pad.at, pad.pad_mm)
    for _, at in routed.vias:
        found.flash(at, VIA_PAD_MM)
    for on, _, places in routed.tracks:
        if on == layer:
            found.stroke(places, TRACK_MM)
    return found


def mask(routed: Routed, layer: int) -> Gerber:
    """Openings of the solder mask: pads alone."""
    found = Gerber("Soldermask,Top" if layer == 0 else "Soldermask,Bot", "Negative")
    for pad in routed.pads:
        found.flash(pad.at, pad.pad_mm + 0.15)
    return found


def outline() -> Gerber:
    """The edge of the board."""
    found = Gerber("Profile,NP")
    w, h = SIZE_MM
    found.stroke([(0, 0), (w, 0), (w, h), (0, h), (0, 0)], 0.1)
    return found


LINE_MM: Final = 0.15


def _write(into: Gerber, words: str, x: float, y: float, high: float, quarter: int = 0) -> None:
    """Words with their middle at x and y."""
    half = width(words, high) / 2
    for line in stroke(words, -half, -high / 2, high):
        spots = [turned(spot, quarter) for spot in line]
        into.stroke([(x + dx, y + dy) for dx, dy in spots], LINE_MM)


def silk(circuit: Circuit = WINDING) -> Gerber:
    """What is printed on the component side: bodies, designators, which way round, what goes
    where."""
    found = Gerber("Legend,Top")
    for part in circuit.parts:
        ux, uy, quarter = PLACES[part.ref]
        at = (ux * PITCH, uy * PITCH)
        print_ = FOOTPRINTS[part.type.package]
        left, top, right, bottom = print_.body
        if print_.round_body:
            radius = (bottom - top) / 2
            points = [
                (
                    (left + right) / 2 + radius * math.cos(a * math.pi / 12),
                    radius * math.sin(a * math.pi / 12),
                )
                for a in range(25)
            ]
        else:
            points = [(left, top), (right, top), (right, bottom), (left, bottom), (left, top)]
        found.stroke([_on(at, quarter, point) for point in points], LINE_MM)
        for line in _marks(part.type.symbol, print_.body, part.type.pins):
            found.stroke([_on(at, quarter, point) for point in line], LINE_MM)
        middle = _on(at, quarter, ((left + right) / 2, (top + bottom) / 2))
        upright = 1 if (right - left > bottom - top) == (quarter % 2 == 1) else 0
        small = min(right - left, bottom - top) < 2.0
        if part.type.symbol == "point":
            dx, dy = POINT_LABELS.get(part.ref, (0.0, -1.7))
            _write(found, part.ref, middle[0] + dx, middle[1] + dy, 1.0)
        elif part.type.package in BESIDE:
            spot = _on(at, quarter, BESIDE[part.type.package])
            _write(found, part.ref, *spot, 0.9, quarter % 2)
        else:
            _write(found, part.ref, *middle, 1.0 if small else 1.3, upright)
    _labels(found)
    return found


def _on(at: Place, quarter: int, point: Place) -> Place:
    dx, dy = turned(point, quarter)
    return at[0] + dx, at[1] + dy


def _marks(
    symbol: str, body: tuple[float, float, float, float], pins: tuple[str, ...]
) -> list[list[Place]]:
    """Which way round: a bar at the cathode, a plus, a notch at pin 1, two lines at a flat side."""
    left, top, right, bottom = body
    if symbol in ("npn", "pnp"):
        return [[(left, bottom - 0.35), (right, bottom - 0.35)]]
    if symbol in ("diode", "clamp"):
        return [[(left + 0.7, top), (left + 0.7, bottom)]]
    if symbol == "capacitor_polar":
        return [[(-1.3, -1.9), (-1.3, -2.9)], [(-1.8, -2.4), (-0.8, -2.4)]]
    if len(pins) > 6:
        middle = (top + bottom) / 2
        return [
            [
                (left, middle - 0.8),
                (left + 0.8, middle - 0.8),
                (left + 0.8, middle + 0.8),
                (left, middle + 0.8),
            ]
        ]
    if symbol in ("dcdc", "connector"):
        return [[(left, top + 1), (left + 1, top)]]
    return []


def _labels(found: Gerber) -> None:
    for words, ux, uy, high in LABELS:
        _write(found, words, ux * PITCH, uy * PITCH, high)
    x = (LEFT_MM + RIGHT_MM) / 2
    y = 1.0
    keep = [PLACES["U2"][1] * PITCH - 2.5, PLACES["U2"][1] * PITCH + 10.5]
    keep += [PLACES["U3"][1] * PITCH - 3.6, PLACES["U3"][1] * PITCH + 3.6]
    while y < SIZE_MM[1] - 2.0:
        if not (keep[0] < y + 0.7 < keep[1] or keep[2] < y + 0.7 < keep[3]):
            found.stroke([(x, y), (x, y + 1.4)], 0.25)
        y += 2.8


BESIDE: Final = {  # where the pins leave no room in the middle
    "TO-92": (PITCH, -1.55),
    "radial 2.5 mm": (PITCH / 2, 2.0),
    "screw 3": (PITCH, 0.0),
    "SIP-7, pins 1 2 5 7": (3 * PITCH, -2.1),
}
POINT_LABELS: Final = {"TP3": (-2.6, 0.0), "TP5": (2.6, 0.0)}
LABELS: Final = (
    ("CONTACT", 3.2, 7.0, 1.2),
    ("EARTH", 2.7, 13.0, 1.2),
    ("5V", 34.4, 18.0, 1.0),
    ("0V", 34.4, 16.0, 1.0),
    ("OUT", 34.3, 14.0, 1.0),
    ("TIMING-RIG CONTACT FRONT END", 12.0, 30.2, 1.3),
    ("ENGINE SIDE, HIGH VOLTAGE", 13.0, 0.6, 1.2),
    ("BOARD SIDE", 34.0, 0.6, 1.2),
)


def drill(routed: Routed) -> str:
    """Excellon: plated holes, metric."""
    holes: dict[float, list[Place]] = defaultdict(list)
    for pad in routed.pads:
        holes[pad.hole_mm].append(pad.at)
    for _, at in routed.vias:
        holes[VIA_HOLE_MM].append(at)
    lines = ["M48", "; timing-rig, contact front end", "METRIC,TZ", "FMAT,2"]
    sizes = sorted(holes)
    lines += [f"T{n}C{mm:.3f}" for n, mm in enumerate(sizes, 1)]
    lines += ["%", "G90", "G05"]
    for n, mm in enumerate(sizes, 1):
        lines.append(f"T{n}")
        lines += [f"X{x:.3f}Y{SIZE_MM[1] - y:.3f}" for x, y in sorted(holes[mm])]
    return "\n".join([*lines, "T0", "M30"]) + "\n"


def screw_holes() -> str:
    """Excellon: holes for screws, not plated. Nylon screws: two are beside the kick."""
    lines = ["M48", "; timing-rig, contact front end, not plated", "METRIC,TZ", "FMAT,2"]
    lines += ["T1C3.200", "%", "G90", "G05", "T1"]
    lines += [f"X{x * PITCH:.3f}Y{SIZE_MM[1] - y * PITCH:.3f}" for x, y in SCREWS]
    return "\n".join([*lines, "T0", "M30"]) + "\n"


def files(routed: Routed) -> dict[str, str]:
    """All files of the board, by name."""
    return {
        "top-copper.gbr": copper(routed, 0).text(),
        "bottom-copper.gbr": copper(routed, 1).text(),
        "top-mask.gbr": mask(routed, 0).text(),
        "bottom-mask.gbr": mask(routed, 1).text(),
        "top-legend.gbr": silk().text(),
        "outline.gbr": outline().text(),
        "holes.drl": drill(routed),
        "screw-holes.drl": screw_holes(),
    }

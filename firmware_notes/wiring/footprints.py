"""Where the pins of each package are, and how much room it takes. Places in millimetres from pin 1,
x to the right and y down; packages as usual, from memory: hold the part against a print at full
size before ordering boards."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

PITCH: Final = 2.54  # of stripboard and of everything here
Place = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Footprint:
    """``pins`` from pin 1, None for a number that has no pin; ``body`` is left, top, right,
    bottom; pads and holes in millimetres."""

    pins: tuple[Place | None, ...]
    body: tuple[float, float, float, float]
    hole_mm: float = 0.8
    pad_mm: float = 1.6
    round_body: bool = False


def _in_line(count: int, step: float = PITCH) -> tuple[Place, ...]:
    return tuple((n * step, 0.0) for n in range(count))


def _two(apart: float, half: float, over: float, **more: float) -> Footprint:
    """Two pins in a row, a body ``half`` to either side and ``over`` beyond the pins."""
    return Footprint(_in_line(2, apart), (-over, -half, apart + over, half), **more)  # type: ignore[arg-type]


def _dip(pins: int) -> Footprint:
    side = pins // 2
    bottom = [(n * PITCH, 0.0) for n in range(side)]
    top = [(n * PITCH, -3 * PITCH) for n in reversed(range(side))]
    return Footprint((*bottom, *top), (-1.3, -6.8, (side - 1) * PITCH + 1.3, -0.8))


FOOTPRINTS: Final = {
    "axial 7.6 mm": _two(3 * PITCH, 1.2, -0.6),
    "axial 10 mm": _two(4 * PITCH, 1.4, -2.0, hole_mm=1.0, pad_mm=1.8),
    "axial 12.7 mm": _two(5 * PITCH, 1.9, -2.0, hole_mm=1.3, pad_mm=2.2),
    "axial 15 mm": _two(6 * PITCH, 1.9, -2.0),
    "axial 20 mm": _two(8 * PITCH, 2.8, -2.0, hole_mm=1.0, pad_mm=1.8),
    "film 22.5 mm": _two(9 * PITCH, 5.2, 1.6, hole_mm=1.0, pad_mm=1.8),
    "disc 7.5 mm": _two(3 * PITCH, 2.0, 0.6),
    "disc 5 mm": _two(2 * PITCH, 2.2, 1.8, hole_mm=1.0, pad_mm=1.8),
    "ceramic 5 mm": _two(2 * PITCH, 1.4, 0.4),
    "radial 2.5 mm": Footprint(_in_line(2), (-1.9, -3.2, PITCH + 1.9, 3.2), round_body=True),
    "TO-92": Footprint(_in_line(3), (-0.2, -2.2, 2 * PITCH + 0.2, 1.6)),
    "DIP-8": _dip(8),
    "DIP-14": _dip(14),
    "SIP-7, pins 1 2 5 7": Footprint(
        tuple(None if n in (2, 3, 5) else (n * PITCH, 0.0) for n in range(7)),
        (-2.2, -3.1, 6 * PITCH + 2.2, 3.1),
        pad_mm=1.4,
    ),
    "screw 2": Footprint(_in_line(2, 5.08), (-2.54, -4.2, 7.62, 3.6), hole_mm=1.3, pad_mm=2.4),
    "screw 3": Footprint(_in_line(3, 5.08), (-2.54, -4.2, 12.7, 3.6), hole_mm=1.3, pad_mm=2.4),
    "screw 5": Footprint(_in_line(5, 5.08), (-2.54, -4.2, 22.86, 3.6), hole_mm=1.3, pad_mm=2.4),
    "point": Footprint(((0.0, 0.0),), (-0.9, -0.9, 0.9, 0.9), hole_mm=1.0, pad_mm=1.8),
}


def turned(place: Place, quarter: int) -> Place:
    """A place turned clockwise by quarters of a turn, as seen on the component side."""
    x, y = place
    for _ in range(quarter % 4):
        x, y = -y, x
    return x, y


def body_box(print_: Footprint, at: Place, quarter: int) -> tuple[float, float, float, float]:
    """The body's left, top, right, bottom on the board; pads included."""
    left, top, right, bottom = print_.body
    pad = print_.pad_mm / 2
    corners = [turned(each, quarter) for each in ((left, top), (right, bottom))]
    for pin in filter(None, print_.pins):
        x, y = turned(pin, quarter)
        corners += [(x - pad, y - pad), (x + pad, y + pad)]
    xs, ys = [x for x, _ in corners], [y for _, y in corners]
    return at[0] + min(xs), at[1] + min(ys), at[0] + max(xs), at[1] + max(ys)

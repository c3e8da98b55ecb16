"""The board as a drawing: the places of its parts, and both sides of copper."""

from __future__ import annotations

from board import SCREWS, SIZE_MM, TRACK_MM, Routed, silk
from footprints import PITCH
from sheet import Point, Sheet

SCALE = 2.0
LEFT_MM, TOP_MM = 14.0, 30.0


def _at(place: Point) -> Point:
    return LEFT_MM + place[0] * SCALE, TOP_MM + place[1] * SCALE


def copper(routed: Routed) -> Sheet:
    """Twice full size, from the component side."""
    s = Sheet("Board: winding left on (sheet 4), component side, 2 times full size", "9 of 9")
    w, h = SIZE_MM
    s.line(*(_at(each) for each in ((0, 0), (w, 0), (w, h), (0, h), (0, 0))))
    for layer, colour in ((1, "#dedede"), (0, "#b4b4b4")):
        for on, _, places in routed.tracks:
            if on == layer:
                s.track([_at(place) for place in places], TRACK_MM * SCALE, colour)
    for pad in routed.pads:
        s.pad(*_at(pad.at), pad.pad_mm * SCALE, pad.hole_mm * SCALE)
    for x, y in SCREWS:
        s.pad(*_at((x * PITCH, y * PITCH)), 3.2 * SCALE, 3.2 * SCALE)
    for places, mm in silk().lines:
        s.track([_at(place) for place in places], mm * SCALE, "#000")
    s.notes(
        LEFT_MM + w * SCALE + 5,
        TOP_MM + 4,
        [
            "99.1 by 78.7 mm, two layers,",
            "1.6 mm. Light: copper below;",
            "dark: copper above. Files for",
            "any maker: wiring/board.",
            "",
            "Print this sheet at 50 % and",
            "hold your parts against it",
            "before you order.",
            "",
            "Nylon screws, 3 mm: two stand",
            "beside the kick.",
            "",
            "Nothing crosses the dashed",
            "line but U2 and U3.",
            "",
            "Order of soldering: resistors,",
            "diodes (bar: cathode), U1 and",
            "U2 in sockets (notch: pin 1's",
            "end), small condensers,",
            "transistors (two lines: flat",
            "side), the rest. Then bring it",
            "up step by step:",
            "first_light.md.",
        ],
        size=3.0,
    )
    return s

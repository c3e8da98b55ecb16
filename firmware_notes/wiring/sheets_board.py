"""Sheets of the whole rig, the encoder and the board."""

from __future__ import annotations

from netlist import INPUTS
from schematic import Schematic
from sheet import Sheet


def whole_rig() -> Sheet:
    s = Sheet("The whole rig: what is joined to what, and what is kept apart", "1 of 9")
    s.box(14, 42, 50, 92, "engine side")
    s.notes(17, 55, ["unit, its contacts,", "coil lead OFF", "(or sheet 4)"])
    s.notes(17, 84, ["encoder on the crank,", "shaft held in a coupling", "that does not conduct"])
    s.notes(17, 116, ["engine's metal = ENGINE", "EARTH"])
    s.box(92, 42, 42, 36, "contact front end")
    s.notes(
        95,
        53,
        ["sheet 3 or sheet 4,", "one for each unit,", "each with a supply of", "its own; isolates"],
    )
    s.box(92, 90, 42, 22, "encoder inputs")
    s.notes(95, 101, ["sheet 2"])
    s.box(160, 42, 46, 70, "board")
    s.notes(
        163,
        53,
        [
            "ATmega328P, 16 MHz,",
            "5 V, sheet 5",
            "",
            "D2 D3 D4 encoder",
            "D5 foot switch",
            "D6 D7 contacts",
        ],
    )
    s.box(160, 122, 46, 12, "foot switch")
    s.line((183, 122), (183, 112))
    s.box(224, 60, 26, 24)
    s.text(237, 57, "USB isolator", anchor="middle", bold=True)
    s.box(262, 60, 22, 24, "laptop")
    s.line((64, 56), (92, 56))
    s.line((64, 62), (92, 62))
    s.text(78, 53.5, "2 wires a unit", anchor="middle")
    s.line((64, 100), (92, 100))
    s.text(78, 97.5, "screened, 2 m", anchor="middle")
    s.line((134, 58), (160, 58))
    s.line((134, 100), (160, 100))
    s.line((206, 72), (224, 72))
    s.line((250, 72), (262, 72))
    s.text(215, 69.5, "USB", anchor="middle")
    s.text(256, 69.5, "USB", anchor="middle")
    s.barrier(136, 38, 82, "isolation 1")
    s.barrier(237, 61, 83, "")
    s.text(237, 89, "isolation 2", anchor="middle", bold=True)
    s.notes(
        212,
        98,
        [
            "Two barriers: a kick of the primary",
            "has to pass both to reach the laptop.",
            "Without the USB isolator: laptop on",
            "its battery, charger off, no other",
            "cable on it.",
        ],
    )
    s.warning(
        14,
        142,
        135,
        [
            "Reading a magneto makes it LIVE: its earth lead is off.",
            "All plugs out, or one a cylinder with the remaining leads off; leads on an",
            "earthed gap, away from the plug holes. Fuel off. Stand clear of propeller",
            "and flywheel.",
            "Coil sets: battery isolated, turned by hand, never by the starter.",
            "The maker's manual, local rules and a licensed person have the last word.",
        ],
    )
    s.notes(
        156,
        146,
        [
            "Test with a meter before anything is joined to the engine:",
            "1  board's 0 V to engine earth: above 1 megohm",
            "2  each contact terminal to board's 0 V: above 1 megohm",
            "3  contact terminal to engine earth, nothing joined: 12 V (sheet 3) or",
            "    below 0.1 V direct (sheet 4)",
            "4  contact leads: below 0.5 ohm end to end",
            "5  encoder's case to its 0 V: above 1 megohm, or the coupling isolates",
            "6  earth lead of the unit refitted: contact terminal reads below",
            "    1 ohm to engine earth",
        ],
    )
    return s


def encoder() -> Schematic:
    s = Schematic(INPUTS, "Encoder, index and foot switch: supply, pull-ups, filters", "2 of 9")
    s.chip("J1", 20, 22, {}, {48: 1, 58: 2, 74: 3, 96: 4, 118: 5})
    for x, pull_up, y in ((66, "R1", 74), (82, "R2", 96), (98, "R3", 118)):
        s.two(pull_up, (x, 44), (x, 58))
        s.wire((x, 58), (x, y))
    rows = ((74, "R4", "C1", 144), (96, "R5", "C2", 144), (118, "R6", "C3", 144))
    for y, series, filter_, x in rows:
        s.two(series, (114, y), (128, y))
        s.wire((46, y), (114, y))
        s.wire((128, y), (186, y))
        s.two(filter_, (x, y + 1), (x, y + 11))
        s.wire((x, y), (x, y + 1))
    s.chip("J3", 190, 14, {74: 3, 96: 4, 118: 5, 134: 1, 146: 2}, {})
    s.two("C4", (146, 44), (146, 58))
    s.two("C5", (164, 44), (164, 58))
    s.chip("J4", 20, 22, {}, {142: 3, 152: 1, 162: 2})
    s.wire((46, 142), (56, 142), (56, 118))
    s.two("R8", (68, 152), (54, 152))
    s.wire((46, 152), (54, 152))
    s.chip("J2", 92, 16, {}, {152: 1, 164: 2})
    s.wire((112, 152), (118, 152))
    s.two("R7", (118, 152), (132, 152))
    s.two("C6", (140, 154), (140, 166))
    s.wire((140, 152), (140, 154))
    s.wire((132, 152), (156, 152))
    s.chip("J5", 160, 14, {152: 1, 164: 2}, {})
    s.finish()
    s.notes(
        212,
        36,
        [
            "Encoder: 5 V, 600 or 1024 lines,",
            "open collector. Push-pull outputs of",
            "5 V: leave R1 to R3 out. Outputs of",
            "12 or 24 V must not meet the board.",
            "Complementary outputs: up to 2 m use",
            "A, B and index alone; longer, a line",
            "receiver of the RS-422 kind.",
            "",
            "No index on the encoder: slotted",
            "optical switch (H21A1 kind) at J4,",
            "a disc of card or metal on the shaft",
            "with one slot, 1 to 2 mm wide: light",
            "through the slot pulls the index low.",
            "Enter index_level = 0. The encoder's",
            "index at J1 then stays free.",
            "LED's cathode and the transistor's",
            "emitter both go to 0 V.",
            "",
            "Filter: falling edges 0.1 us late,",
            "rising ones 2.5 us (R1, C1 and 200 pF",
            "of cable): at 5, 30, 60 turns a minute",
            "0.0001, 0.0005, 0.0009 degrees.",
            "",
            "J1 screen: to 0 V, at this end only.",
            "C4, C5 at J1. Cable: screened, 2 m.",
        ],
        size=3.1,
    )
    return s


def board() -> Sheet:
    s = Sheet("Board: pins, lamp, supply", "5 of 9")
    s.box(110, 36, 60, 100, "ATmega328P, 16 MHz")
    left = [
        ("D2", "encoder A"),
        ("D3", "encoder B"),
        ("D4", "index"),
        ("D5", "foot switch"),
        ("D6", "contact 1"),
        ("D7", "contact 2"),
    ]
    for place, (pin, use) in enumerate(left):
        y = 52 + place * 12
        s.text(113, y + 1.2, pin)
        s.line((110, y), (84, y))
        s.terminal(82, y, use)
    right = [
        ("USB", "to the USB isolator, 500000 baud"),
        ("5V", "encoder, two front ends: 250 mA"),
        ("GND", "board's 0 V"),
        ("D13", "lamp on the board: changes each second"),
        ("D0 D1", "serial line: leave free"),
    ]
    for place, (pin, use) in enumerate(right):
        y = 52 + place * 14
        s.text(167, y + 1.2, pin, anchor="end")
        s.line((170, y), (188, y))
        s.terminal(190, y, use, "right")
    s.parts(
        14,
        150,
        [
            (
                "board",
                "hobby board, USB, boot loader",
                "16 MHz crystal or resonator; brown-out at 2.7 V or 4.3 V set by its fuses",
            ),
            ("D5 free", "nothing on it", "the chip's own pull-up holds it: not pressed"),
            (
                "D6, D7 free",
                "nothing on it",
                "reads open (level 1); state one unit only in the engine file",
            ),
            (
                "clock",
                "crystal or ceramic resonator",
                "times are compared with each other within milliseconds: either will do",
            ),
        ],
    )
    s.notes(
        14,
        184,
        [
            "All six inputs are on one port of the chip (PD2 to PD7), so that one "
            "reading of the port sees them at the same instant.",
            "More than two units: a second board, or leads moved over; "
            "the line format allows sixteen contact inputs.",
        ],
    )
    return s

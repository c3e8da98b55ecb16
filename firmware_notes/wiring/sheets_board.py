"""Sheets of the whole rig, the encoder and the board."""

from __future__ import annotations

from sheet import Sheet


def whole_rig() -> Sheet:
    s = Sheet("The whole rig: what is joined to what, and what is kept apart", "1 of 5")
    s.box(14, 42, 50, 92, "engine side")
    s.notes(17, 55, ["unit, its contacts,", "coil lead OFF", "(or sheet 4)"])
    s.notes(17, 84, ["encoder on the crank,", "shaft held in a coupling", "that does not conduct"])
    s.notes(17, 116, ["engine's metal = ENGINE", "EARTH"])
    s.box(92, 42, 42, 36, "contact front end")
    s.notes(
        95,
        53,
        ["sheet 3 or sheet 4,", "one for each unit;", "isolates by light or", "by transformer"],
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
            "Reading a magneto makes it LIVE: its earthing lead is off.",
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
            "6  earthing lead of the unit refitted: contact terminal reads below",
            "    1 ohm to engine earth",
        ],
    )
    return s


def encoder() -> Sheet:
    s = Sheet("Encoder: supply, pull-ups, filter", "2 of 5")
    s.box(16, 44, 40, 78, "encoder")
    s.notes(19, 54, ["5 V, open collector", "600 or 1024 lines"])
    for place, (pin, name) in enumerate((("D2", "A"), ("D3", "B"), ("D4", "index"))):
        y = 84 + place * 14
        s.text(53, y + 1.2, name, anchor="end")
        s.line((56, y), (92, y))
        s.line((92, y), (104 + place * 14, y))
        s.dot(104 + place * 14, y)
        s.resistor((104 + place * 14, 46), (104 + place * 14, 72), "")
        s.line((104 + place * 14, 72), (104 + place * 14, y))
        s.resistor((104 + place * 14, y), (176, y), "")
        s.dot(176 + place * 8, y)
        s.line((176, y), (176 + place * 8, y))
        s.line((176 + place * 8, y), (198, y))
        s.capacitor((176 + place * 8, y), (176 + place * 8, 130), "")
        s.terminal(200, y, f"board {pin}", "right")
    s.line((104, 46), (132, 46))
    s.line((176, 130), (192, 130))
    for x in (104, 118, 132):
        s.dot(x, 46)
    s.line((118, 46), (118, 40))
    s.supply(118, 40, "+5 V of the board")
    s.text(135.5, 60, "R1 R2 R3")
    s.text(152, 80, "R4 R5 R6", anchor="middle")
    s.text(196, 122, "C1 C2 C3")
    s.earth(184, 130, "board")
    s.line((56, 66), (80, 66), (80, 40), (118, 40))
    s.text(53, 67.2, "+5 V", anchor="end")
    s.line((56, 118), (80, 118), (80, 126))
    s.earth(80, 126, "board")
    s.text(53, 119.2, "0 V", anchor="end")
    s.capacitor((68, 66), (68, 118), "C4 C5")
    s.dot(68, 66)
    s.dot(68, 118)
    s.line((62, 80), (62, 116), (66, 116), (66, 80), (62, 80), dash="1 1")
    s.text(64, 139, "screen to board's 0 V, at this end only", anchor="start")
    s.line((64, 116), (64, 136), dash="1 1")
    s.parts(
        14,
        150,
        [
            ("R1-R3", "2.2 kilohm", "pull-ups of open-collector outputs: 2.3 mA, rise within 5 us"),
            (
                "R4-R6",
                "100 ohm",
                "with C1-C3 keeps spikes below 0.1 us out; limits current in a fault",
            ),
            ("C1-C3", "1 nF ceramic", "at the board's pins, short"),
            (
                "C4, C5",
                "100 nF and 10 uF",
                "at the encoder's plug: its supply does not jump as outputs switch",
            ),
            ("cable", "screened, up to 2 m", "screen to the board's 0 V at the board only"),
        ],
    )
    s.notes(
        228,
        46,
        [
            "Push-pull 5 V outputs: leave",
            "R1-R3 out.",
            "Complementary (A, not A):",
            "up to 2 m use A, B, Z alone;",
            "longer, a line receiver of",
            "the RS-422 kind at the board.",
            "No index on the encoder: a",
            "slotted light barrier on a disc",
            "with one slot, same input.",
            "Outputs of 12 or 24 V must not",
            "meet the board.",
        ],
    )
    return s


def board() -> Sheet:
    s = Sheet("Board: pins, foot switch, lamp, supply", "5 of 5")
    s.box(110, 36, 60, 100, "ATmega328P, 16 MHz")
    left = [
        ("D2", "encoder A"),
        ("D3", "encoder B"),
        ("D4", "index"),
        ("D5", ""),
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
        ("5V", "encoder, front ends: 150 mA at most"),
        ("GND", "board's 0 V"),
        ("D13", "lamp on the board: changes each second"),
        ("D0 D1", "serial line: leave free"),
    ]
    for place, (pin, use) in enumerate(right):
        y = 52 + place * 14
        s.text(167, y + 1.2, pin, anchor="end")
        s.line((170, y), (188, y))
        s.terminal(190, y, use, "right")
    s.line((40, 100), (40, 88))
    s.text(62, 84, "foot switch")
    s.resistor((56, 88), (80.7, 88), "")
    s.text(68, 94, "R1 1 k", anchor="middle")
    s.line((40, 88), (56, 88))
    s.dot(52, 88)
    s.capacitor((52, 88), (52, 110), "C1")
    s.line((40, 106), (40, 110), (52, 110))
    s.line((40, 100), (36, 106))
    s.text(33, 104, "foot", anchor="end")
    s.earth(46, 110, "board")
    s.parts(
        14,
        150,
        [
            (
                "board",
                "hobby board, USB, boot loader",
                "16 MHz crystal or resonator; brown-out at 2.7 V or 4.3 V set by its fuses",
            ),
            (
                "R1, C1",
                "1 kilohm, 100 nF",
                "long foot switch lead: keeps spikes off the pin; pressed is low",
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
            "More than two units: a second board, or sheet 3 twice and leads moved over; "
            "the line format allows sixteen contact inputs.",
        ],
    )
    return s

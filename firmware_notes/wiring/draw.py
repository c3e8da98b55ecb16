"""Draws the wiring: python firmware_notes/wiring/draw.py writes the five sheets beside it."""

from __future__ import annotations

from pathlib import Path

from sheet import Sheet

HERE = Path(__file__).resolve().parent


def whole_rig() -> Sheet:
    s = Sheet("The whole rig: what is joined to what, and what is kept apart", "1 of 5")
    s.box(14, 42, 50, 92, "engine side")
    s.notes(17, 55, ["unit, its contacts,", "coil lead OFF", "(or sheet 4)"])
    s.notes(17, 84, ["encoder on the crank,", "shaft held in a coupling", "that does not conduct"])
    s.notes(17, 116, ["engine's metal = ENGINE", "EARTH"])
    s.box(92, 42, 42, 36, "contact front end")
    s.notes(95, 53, ["sheet 3 or sheet 4,", "one for each unit;", "isolates by light or", "by transformer"])
    s.box(92, 90, 42, 22, "encoder inputs")
    s.notes(95, 101, ["sheet 2"])
    s.box(160, 42, 46, 70, "board")
    s.notes(163, 53, ["ATmega328P, 16 MHz,", "5 V, sheet 5", "", "D2 D3 D4 encoder", "D5 foot switch", "D6 D7 contacts"])
    s.box(160, 122, 46, 12, "foot switch")
    s.line((183, 122), (183, 112))
    s.box(224, 60, 26, 24, "USB isolator")
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
    s.barrier(113, 38, 80, "isolation 1")
    s.barrier(237, 52, 92, "isolation 2")
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
            "All plugs out, or one a cylinder with the remaining leads off; leads on an earthed gap,",
            "away from the plug holes. Fuel off. Stand clear of propeller and flywheel.",
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
    s.notes(19, 56, ["600 or 1024 lines,", "5 V, open-collector", "outputs A, B and", "index (Z)"])
    for place, (pin, name) in enumerate((("D2", "A"), ("D3", "B"), ("D4", "index"))):
        y = 84 + place * 14
        s.text(53, y + 1.2, name, anchor="end")
        s.line((56, y), (92, y))
        s.line((92, y), (104 + place * 14, y))
        s.dot(104 + place * 14, y)
        s.resistor((104 + place * 14, 46), (104 + place * 14, y), "")
        s.resistor((104 + place * 14, y), (176, y), "")
        s.dot(176 + place * 8, y)
        s.line((176, y), (176 + place * 8, y))
        s.line((176 + place * 8, y), (214, y))
        s.capacitor((176 + place * 8, y), (176 + place * 8, 130), "")
        s.terminal(214, y, f"board {pin}", "right")
    s.line((104, 46), (132, 46))
    s.line((176, 130), (192, 130))
    for x in (104, 118, 132):
        s.dot(x, 46)
    s.line((118, 46), (118, 40))
    s.supply(118, 40, "+5 V of the board")
    s.text(135.5, 58, "R1 R2 R3")
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
            ("R1-R3", "2.2 kilohm", "pull-ups of open-collector outputs: 2.3 mA, rise with 1 nF in 5 us"),
            ("R4-R6", "100 ohm", "with C1-C3 keeps spikes below 0.1 us out; limits current in a fault"),
            ("C1-C3", "1 nF ceramic", "at the board's pins, short"),
            ("C4, C5", "100 nF and 10 uF", "at the encoder's plug: its supply does not jump as outputs switch"),
            ("cable", "screened, up to 2 m", "screen to the board's 0 V at the board only"),
        ],
    )
    s.notes(
        222,
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


def contacts_alone() -> Sheet:
    s = Sheet("Contacts alone: coil lead off, isolation by light (one for each unit)", "3 of 5")
    y = 62
    s.box(16, 48, 34, 34, "supply")
    s.notes(19, 59, ["isolated, 5 V in,", "12 V out, 1 W"])
    s.line((50, y), (58, y))
    s.text(52, y - 1.6, "+12 V")
    s.resistor((58, y), (82, y), "R1 330")
    s.line((82, y), (90, y), (90, 68))
    s.diode((90, 68), (90, 82), "", clamp=False)
    s.text(93, 70, "LED")
    s.diode((82, 82), (82, 68), "")
    s.text(78.5, 79, "D1", anchor="end")
    s.line((82, 68), (82, y))
    s.dot(82, y)
    s.line((90, 82), (90, 90))
    s.line((82, 82), (82, 86), (90, 86))
    s.dot(90, 86)
    s.diode((90, 90), (90, 104), "")
    s.text(94, 98.5, "D2")
    s.line((90, 104), (90, 108), (66, 108))
    s.dot(82, 108)
    s.diode((82, 122), (82, 108), "", clamp=True)
    s.text(86, 116.5, "D3")
    s.resistor((66, 108), (42, 108), "R2 2 x 470")
    s.line((42, 108), (34, 108))
    s.terminal(32, 108, "contact")
    s.line((50, 78), (56, 78), (56, 128), (82, 128), (82, 122))
    s.text(51, 76.5, "0 V")
    s.line((56, 128), (34, 128))
    s.dot(56, 128)
    s.terminal(32, 128, "earth")
    s.earth(56, 128, "engine")
    s.box(86, 64, 52, 22)
    s.text(112, 62, "U1, logic output", anchor="middle", bold=True)
    s.line((98, 72), (106, 72))
    s.line((104.4, 71), (106, 72), (104.4, 73))
    s.line((98, 77), (106, 77))
    s.line((104.4, 76), (106, 77), (104.4, 78))
    s.line((138, 70), (150, 70))
    s.dot(146, 70)
    s.supply(146, 58, "+5 V")
    s.line((146, 58), (146, 70))
    s.text(136, 71.2, "5 V", anchor="end")
    s.line((138, 80), (150, 80), (150, 86))
    s.text(136, 81.2, "0 V", anchor="end")
    s.earth(150, 86, "board")
    s.capacitor((150, 70), (150, 80), "C1")
    s.line((138, 75), (142, 75), (142, 98), (166, 98))
    s.text(136, 76.2, "out", anchor="end")
    s.resistor((166, 74), (166, 98), "R3 1 k")
    s.supply(166, 74, "+5 V")
    s.dot(166, 98)
    s.line((166, 98), (186, 98))
    s.terminal(186, 98, "board D6 (D7)", "right")
    s.barrier(118, 44, 132, "isolation: no wire crosses")
    s.warning(
        214,
        28,
        72,
        [
            "The contacts of a turning magneto",
            "kick to hundreds of volts when its",
            "winding is left on. Take the coil",
            "lead off, join and part leads only",
            "while the crank stands, one hand.",
        ],
    )
    s.notes(
        214,
        72,
        [
            "Why the lead comes off: a primary is",
            "about half an ohm at DC. Through it",
            "the input reads closed all the way",
            "round. If it must stay on: sheet 4.",
            "Take the condenser off as well: with",
            "0.2 uF the opening is seen 0.17 ms",
            "late (0.03 deg at 30 turns/min, in",
            "proportion to speed).",
            "Contacts closed: 7.6 mA, level 0.",
            "Own delay: opening 0.3 us, closing",
            "0.1 us, and U1's (below 0.1 us).",
        ],
    )
    s.parts(
        14,
        144,
        [
            ("supply", "5 V to 12 V, 1 W, isolated 1 kV or more", "the loop shares nothing with the board; feeds two units"),
            ("R1", "330 ohm, 0.5 W", "with R2: 7.6 mA, through a film of oil; 31 mA in the LED at the worst kick"),
            ("R2", "2 x 470 ohm, 2 W, pulse-proof, in series", "takes the kick: 320 mA peak, 19 mJ when 4 A is broken by mistake"),
            ("D1", "small-signal diode", "keeps reverse voltage off the LED"),
            ("D2", "rectifier, 1000 V 1 A (1N4007 kind)", "blocks the positive kick"),
            ("D3", "clamp (TVS) 18 V, one way, 600 W", "holds the node within -1 and +19 V"),
            ("U1", "optocoupler, logic output, 10 Mbit/s class", "on above 5 mA; a transistor type is tens of us slow, and unevenly"),
            ("R3, C1", "1 kilohm; 100 nF at U1", "pull-up of its open collector; U1's supply"),
        ],
    )
    s.text(14, 195, "Values checked: ngspice -b firmware_notes/wiring/plain_sensing.cir")
    return s


def contacts_with_winding() -> Sheet:
    s = Sheet("Contacts with winding and condenser left on: small alternating current", "4 of 5")
    y = 52
    s.box(14, 42, 30, 22, "50 kHz")
    s.notes(17, 53, ["U1: gates of", "74HC14 kind"])
    s.line((44, y), (48, y))
    s.resistor((48, y), (66, y), "R1 220")
    s.capacitor((66, y), (78, y), "C1 1 uF")
    s.line((78, y), (84, y))
    s.winding((84, y), (84, 76))
    s.line((84, 76), (60, 76), (60, 80))
    s.earth(60, 80, "board")
    s.winding((94, 76), (94, y))
    s.text(89, 47, "T1", anchor="middle", bold=True)
    s.line((94, y), (108, y))
    s.dot(102, y)
    s.diode((102, 64), (102, y), "", clamp=True)
    s.diode((102, 64), (102, 76), "", clamp=True)
    s.text(106, 65, "D1 D2")
    s.line((94, 76), (150, 76))
    s.dot(102, 76)
    s.resistor((108, y), (132, y), "R2 10")
    s.line((132, y), (150, y))
    s.terminal(152, y, "contact, drive", "right")
    s.terminal(152, 76, "earth, drive", "right")
    s.earth(140, 76, "engine")
    y2 = 100
    s.terminal(152, y2, "contact, sense", "right")
    s.terminal(152, 124, "earth, sense", "right")
    s.line((150, y2), (132, y2))
    s.resistor((132, y2), (110, y2), "R3 470")
    s.line((110, y2), (94, y2))
    s.dot(104, y2)
    s.diode((104, y2), (104, 112), "")
    s.diode((104, 124), (104, 112), "")
    s.text(108, 113, "D3 D4, one each way, side by side")
    s.line((94, 124), (150, 124))
    s.dot(104, 124)
    s.winding((94, 124), (94, y2))
    s.winding((84, y2), (84, 124))
    s.text(89, 95, "T2", anchor="middle", bold=True)
    s.line((84, y2), (66, y2))
    s.resistor((74, y2), (74, 124), "")
    s.text(72, 113, "R4", anchor="end")
    s.dot(74, y2)
    s.line((84, 124), (74, 124), (60, 124), (60, 128))
    s.dot(74, 124)
    s.earth(60, 128, "board")
    s.box(36, 94, 30, 26, "amplifier")
    s.notes(39, 105, ["x 20, full-wave", "rectifier, peak", "1 nF, 22 kilohm"])
    s.line((36, 107), (30, 107), (30, 126))
    s.box(14, 126, 32, 14, "comparator")
    s.text(30, 137, "0.5 V, 0.1 V hyst.", anchor="middle", size=2.9)
    s.line((46, 136), (76, 136))
    s.terminal(78, 136, "board D6 (D7); level 1 open", "right")
    s.barrier(89, 36, 128, "isolation")
    s.contacts((200, y), (200, 76), "contacts")
    s.line((182, y), (262, y))
    s.line((182, 76), (262, 76))
    s.winding((228, y), (228, 76), "primary")
    s.capacitor((252, y), (252, 76), "condenser")
    for x in (200, 228, 252):
        s.dot(x, y)
        s.dot(x, 76)
    s.text(222, 45, "the unit, as it stands", anchor="middle", bold=True)
    s.warning(
        196,
        84,
        90,
        [
            "The earthing lead is off: the unit is LIVE.",
            "D1 and D2 damp the kick. Never rely on that:",
            "plugs out, leads on an earthed gap.",
        ],
    )
    s.notes(
        196,
        112,
        [
            "At 50 kHz a winding of 5 mH with 0.2 uF is 16 ohm,",
            "alone 1571 ohm; closed contacts 0.05 ohm. After the",
            "amplifier: closed below 0.01 V, open above 2 V.",
            "Own wires for sensing: the drive's drop stays out.",
            "Delay of the opening 0.1 to 2.3 us; a closing is told",
            "40 us late, so shorter touches are not told.",
        ],
    )
    s.parts(
        14,
        150,
        [
            ("U1", "six Schmitt inverters; 10 kilohm, 1 nF, trim", "one makes 50 kHz, five in parallel drive; 21 mA from peak to peak"),
            ("R1, C1", "220 ohm; 1 uF film, 63 V", "sets the current; no direct current reaches the magnet or T1"),
            ("T1, T2", "pulse transformer 1:1, 2 mH, 1.5 kV", "isolation; leakage below 1 %"),
            ("R2; D1, D2", "10 ohm 2 W; clamps 6.8 V 600 W", "hold T1 within 8 V whatever the primary does"),
            ("R3; D3, D4", "470 ohm 1 W; small-signal diodes", "hold T2 within 0.7 V"),
            ("R4", "2.2 kilohm", "damps T2"),
            ("amplifier", "dual, 10 MHz, rail to rail; Schottky diodes", "full wave: half a period is enough to see an opening"),
        ],
    )
    s.text(14, 193, "Values checked: ngspice -b firmware_notes/wiring/winding_sensing.cir. Trim U1 with a counter or a sound card's mixer tone.")
    return s


def board() -> Sheet:
    s = Sheet("Board: pins, foot switch, lamp, supply", "5 of 5")
    s.box(110, 36, 60, 100, "board, ATmega328P 16 MHz 5 V")
    left = [("D2", "encoder A"), ("D3", "encoder B"), ("D4", "index"), ("D5", "foot switch"), ("D6", "contact 1"), ("D7", "contact 2")]
    for place, (pin, use) in enumerate(left):
        y = 52 + place * 12
        s.text(113, y + 1.2, pin)
        s.line((110, y), (84, y))
        s.terminal(82, y, use)
    right = [("USB", "to the USB isolator, 500000 baud"), ("5V", "encoder, front ends: 150 mA at most"), ("GND", "board's 0 V"), ("D13", "lamp on the board: changes each second"), ("D0 D1", "serial line: leave free")]
    for place, (pin, use) in enumerate(right):
        y = 52 + place * 14
        s.text(167, y + 1.2, pin, anchor="end")
        s.line((170, y), (188, y))
        s.terminal(190, y, use, "right")
    s.line((40, 100), (40, 88))
    s.resistor((56, 88), (80.7, 88), "R1 1 k")
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
            ("board", "hobby board with this chip, USB and boot loader", "16 MHz crystal or resonator; brown-out at 2.7 V or 4.3 V set by its fuses"),
            ("R1, C1", "1 kilohm, 100 nF", "long foot switch lead: keeps spikes off the pin; pressed is low"),
            ("D5 free", "nothing on it", "the chip's own pull-up holds it: not pressed"),
            ("D6, D7 free", "nothing on it", "reads open (level 1); state one unit only in the engine file"),
            ("clock", "crystal 50 ppm, resonator 0.5 %", "times are compared with each other within milliseconds: either will do"),
        ],
    )
    s.notes(
        14,
        184,
        [
            "All six inputs are on one port of the chip (PD2 to PD7), so that one reading of the port sees them at the same instant.",
            "More than two units: a second board, or sheet 3 twice and leads moved over; the line format allows sixteen contact inputs.",
        ],
    )
    return s


SHEETS = {
    "1-whole-rig": whole_rig,
    "2-encoder": encoder,
    "3-contacts-alone": contacts_alone,
    "4-contacts-with-winding": contacts_with_winding,
    "5-board": board,
}


def main() -> None:
    for name, draw in SHEETS.items():
        draw().save(HERE / f"{name}.svg")


if __name__ == "__main__":
    main()

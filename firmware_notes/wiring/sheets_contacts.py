"""Sheets of the two front ends for contacts."""

from __future__ import annotations

from sheet import Sheet


def contacts_alone() -> Sheet:
    s = Sheet("Contacts alone: coil lead off, isolation by light (one for each unit)", "3 of 5")
    _loop(s)
    _by_light(s)
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
            (
                "supply",
                "5 V to 12 V, 1 W, isolated 1 kV or more",
                "the loop shares nothing with the board; feeds two units",
            ),
            (
                "R1",
                "330 ohm, 0.5 W",
                "with R2: 7.6 mA, through a film of oil; 31 mA in the LED at the worst kick",
            ),
            (
                "R2",
                "2 x 470 ohm, 2 W, pulse-proof, in series",
                "takes the kick: 320 mA peak, 19 mJ when 4 A is broken by mistake",
            ),
            ("D1", "small-signal diode", "keeps reverse voltage off the LED"),
            ("D2", "rectifier, 1000 V 1 A (1N4007 kind)", "blocks the positive kick"),
            ("D3", "clamp (TVS) 18 V, one way, 600 W", "holds the node within -1 and +19 V"),
            (
                "U1",
                "optocoupler, logic output, 10 Mbit/s class",
                "on above 5 mA; a transistor type is tens of us slow, and unevenly",
            ),
            ("R3, C1", "1 kilohm; 100 nF at U1", "pull-up of its open collector; U1's supply"),
        ],
    )
    s.text(
        14,
        195,
        "Values checked: ngspice -b firmware_notes/wiring/plain_sensing.cir. "
        "Calculated, not yet built.",
    )
    return s


def _loop(s: Sheet) -> None:
    """From the isolated supply through LED and contacts."""
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
    s.line((90, 104), (90, 108), (78, 108))
    s.dot(82, 108)
    s.diode((82, 122), (82, 108), "", clamp=True)
    s.text(86, 116.5, "D3")
    s.resistor((78, 108), (58, 108), "R2 2 x 470")
    s.line((58, 108), (34, 108))
    s.terminal(32, 108, "contact")
    s.line((50, 78), (54, 78), (54, 128), (82, 128), (82, 122))
    s.text(51, 76.5, "0 V")
    s.line((54, 128), (34, 128))
    s.dot(54, 128)
    s.terminal(32, 128, "earth")
    s.earth(54, 128, "engine")


def _by_light(s: Sheet) -> None:
    """The optocoupler and the board's side."""
    s.box(86, 64, 52, 22)
    s.text(121, 91, "U1", bold=True)
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


def contacts_with_winding() -> Sheet:
    title = "Contacts with winding and condenser on: small alternating current"
    s = Sheet(title, "4 of 5")
    _drive(s)
    _sense(s)
    _unit(s)
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
            (
                "U1",
                "six Schmitt inverters; 10 kilohm, 1 nF, trim",
                "one makes 50 kHz, five in parallel drive; 21 mA from peak to peak",
            ),
            (
                "R1, C1",
                "220 ohm; 1 uF film, 63 V",
                "sets the current; no direct current reaches the magnet or T1",
            ),
            ("T1, T2", "pulse transformer 1:1, 2 mH, 1.5 kV", "isolation; leakage below 1 %"),
            (
                "R2; D1, D2",
                "10 ohm 2 W; clamps 6.8 V 600 W",
                "hold T1 within 8 V whatever the primary does",
            ),
            ("R3; D3, D4", "470 ohm 1 W; small-signal diodes", "hold T2 within 0.7 V"),
            ("R4", "2.2 kilohm", "damps T2"),
            (
                "amplifier",
                "dual, 10 MHz, rail to rail; Schottky diodes",
                "full wave: half a period is enough to see an opening",
            ),
        ],
    )
    s.text(
        14,
        193,
        "Values checked: ngspice -b firmware_notes/wiring/winding_sensing.cir. "
        "Calculated, not yet built: try it on a spare unit first.",
    )
    return s


def _drive(s: Sheet) -> None:
    """50 kHz to the contacts."""
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
    s.text(81, 66, "T1", anchor="end", bold=True)
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


def _sense(s: Sheet) -> None:
    """What is left of it across them, to the board."""
    y2 = 100
    s.terminal(152, y2, "contact, sense", "right")
    s.terminal(152, 124, "earth, sense", "right")
    s.line((150, y2), (132, y2))
    s.resistor((132, y2), (114, y2), "R3 470")
    s.line((114, y2), (94, y2))
    s.dot(104, y2)
    s.diode((104, y2), (104, 124), "")
    s.diode((111, 124), (111, y2), "")
    s.text(115, 113, "D3 D4")
    s.dot(111, y2)
    s.dot(111, 124)
    s.line((94, 124), (150, 124))
    s.dot(104, 124)
    s.winding((94, 124), (94, y2))
    s.winding((84, y2), (84, 124))
    s.text(81.5, 108, "T2", anchor="end", bold=True)
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


def _unit(s: Sheet) -> None:
    y = 52
    s.contacts((200, y), (200, 76), "contacts")
    s.line((182, y), (262, y))
    s.line((182, 76), (262, 76))
    s.winding((228, y), (228, 76), "primary")
    s.capacitor((252, y), (252, 76), "condenser")
    for x in (200, 228, 252):
        s.dot(x, y)
        s.dot(x, 76)
    s.text(222, 45, "the unit, as it stands", anchor="middle", bold=True)

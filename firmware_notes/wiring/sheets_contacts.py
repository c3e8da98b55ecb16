"""Sheets of the two front ends for contacts."""

from __future__ import annotations

from netlist import PLAIN, WINDING
from schematic import Schematic


def contacts_alone() -> Schematic:
    title = "Contacts alone: coil lead off, isolation by light (one for each unit)"
    s = Schematic(PLAIN, title, "3 of 9")
    s.chip("J1", 16, 14, {}, {76: 1, 96: 2})
    s.two("R3", (62, 76), (48, 76))
    s.two("R2", (80, 76), (66, 76))
    s.wire((34, 76), (48, 76))
    s.wire((62, 76), (66, 76))
    s.wire((80, 76), (88, 76))
    s.two("D3", (88, 80), (88, 94))
    s.two("D2", (88, 74), (88, 60))
    s.wire((88, 74), (88, 80))
    s.wire((88, 60), (88, 54), (118, 54), (118, 48), (134, 48))
    s.two("D1", (106, 38), (106, 52), words=(-3.0, -0.6))
    s.wire((106, 52), (106, 54))
    s.two("R1", (84, 36), (98, 36))
    s.wire((98, 36), (118, 36), (118, 42), (134, 42))
    s.wire((106, 36), (106, 38))
    s.point("TP3", (96, 54), (-2.0, 5.0))
    s.chip("U2", 138, 26, {42: 2, 48: 3}, {42: 8, 47: 7, 52: 6, 57: 5})
    s.wire((168, 42), (172, 42), (172, 47), (168, 47))
    s.wire((172, 42), (172, 38))
    s.name("5V", (172, 38), (0, -1))
    s.two("R21", (186, 38), (186, 50))
    s.wire((168, 52), (204, 52))
    s.wire((186, 50), (186, 52))
    s.chip("J2", 208, 14, {52: 3, 66: 1, 76: 2}, {})
    s.chip("U3", 138, 26, {104: 7, 114: 5}, {104: 1, 114: 2})
    s.two("C10", (106, 102), (106, 116))
    s.two("C11", (120, 102), (120, 116))
    s.two("C12", (184, 102), (184, 116))
    s.two("C13", (200, 102), (200, 116))
    s.point("TP1", (60, 114), (2.6, -0.6))
    s.point("TP2", (72, 114), (2.6, -0.6))
    s.barrier(151, 72, 92, "isolation: no wire crosses")
    s.line((151, 120), (151, 132), width=0.8, dash="3 1.6")
    s.finish()
    s.warning(
        230,
        28,
        56,
        [
            "Contacts of a turning magneto",
            "kick to hundreds of volts while",
            "its winding is left on. Take the",
            "coil lead off. Join leads only",
            "while the crank stands.",
        ],
    )
    s.notes(
        230,
        72,
        [
            "If the coil lead must stay on:",
            "sheet 4.",
            "Contacts closed: 7.6 mA; the",
            "board reads 0.",
            "Own delay: opening 0.5 to 1.2 us.",
            "A condenser left on delays it by",
            "100 to 1150 us: wiring.md.",
            "Each front end has a supply of",
            "its own: never share one.",
        ],
    )
    s.notes(
        14,
        146,
        [
            "U2 lights while contacts are closed. R2 and R3 take the kick when the winding was",
            "left on by mistake: 360 V and 15 mJ each for 4 A in 5 mH. D3 holds N below 19 V,",
            "D2 saves the LED if D3 should fail; the LED sees 32 mA for less than 1 ms.",
            "U3: pins of the 7-pin kind, from memory; hold yours against its data sheet.",
            "C13 within 10 mm of U2's pins 8 and 5.",
            "Values: netlist.py; parts: bom.csv; simulated by corners.py. Not yet built: try it",
            "on a spare unit first.",
        ],
        size=3.1,
    )
    return s


def contacts_with_winding() -> Schematic:
    title = "Contacts with winding and condenser left on: alternating current of 20 kHz"
    s = Schematic(WINDING, title, "4 of 9", down_mm=8)
    _drive(s)
    _oscillator(s)
    _sense(s)
    _window(s)
    _output(s)
    s.barrier(238, 148, 160, "isolation")
    s.line((238, 84), (238, 99), width=0.8, dash="3 1.6")
    s.finish()
    s.warning(
        14,
        166,
        100,
        [
            "The earth lead is off: the unit is LIVE.",
            "RV1 limits the kick to 450 V; that makes nothing safe.",
            "Plugs out, leads on an earthed gap, hands off the leads.",
        ],
    )
    s.notes(
        120,
        169,
        [
            "20 kHz, 9 mA. HI and LO: 0.08 V from MID. Closed, film up to 3 ohm: S within 0.06 V.",
            "U1 (1, 2) empty C7 in 1 us at each half wave; R15 needs 70 us to fill it.",
            "Openings are seen 2 to 29 us late, closings 60 to 120 us (film and current: 600 us).",
            "Leads may be exchanged. LEAD, K2, K1, N and N2 see the kick: 1.5 mm from all others.",
            "E is the engine's metal by way of the earth lead; never join it to 0 V.",
            "U3: pins of the 7-pin kind, from memory; hold yours against its data sheet.",
            "Values from netlist.py; parts in bom.csv; simulated by corners.py. Not yet built.",
        ],
        size=2.9,
    )
    return s


def _drive(s: Schematic) -> None:
    """From the carrier to the contacts."""
    s.chip("J1", 14, 12, {}, {44: 1, 72: 2})
    s.two("RV1", (37.5, 44), (37.5, 58), words=(-3.2, 1.0))
    s.wire((30, 44), (44, 44))
    s.two("C1", (44, 44), (56, 44))
    s.two("R1", (58, 44), (72, 44))
    s.two("R2", (74, 44), (88, 44))
    s.wire((56, 44), (58, 44))
    s.wire((72, 44), (74, 44))
    s.two("D1", (92, 46), (92, 60))
    s.two("R3", (94, 44), (106, 44))
    s.wire((88, 44), (94, 44))
    s.wire((92, 44), (92, 46))
    s.transistor("Q1", (124, 36), way=-1)
    s.transistor("Q2", (124, 52), way=-1)
    s.wire((106, 44), (116, 44))
    s.name("OSC", (128, 36), (0, -1))
    s.wire((116, 42), (116, 46))
    s.wire((124, 36), (128, 36), (128, 52), (124, 52))
    s.point("TP4", (110, 44), (-3.0, 5.0))


def _oscillator(s: Schematic) -> None:
    s.comparator("U1", "4", (156, 40), way=-1)
    s.wire((128, 44), (140, 44))
    s.two("R4", (134, 28), (134, 42))
    s.wire((134, 42), (134, 44))
    s.wire((156, 40), (186, 40))
    s.two("R5", (164, 24), (164, 38))
    s.wire((164, 38), (164, 40))
    s.two("R7", (200, 40), (186, 40))
    s.two("R6", (178, 42), (178, 56))
    s.wire((178, 40), (178, 42))
    s.two("C2", (162, 51), (162, 58), words=(-3.4, 3.4))
    s.wire((156, 48), (162, 48), (162, 51))
    s.two("R8", (200, 62), (186, 62))
    s.wire((162, 48), (172, 48), (172, 62), (186, 62))
    s.wire((200, 40), (204, 40), (204, 62), (200, 62))
    s.name("OSC", (204, 52), (1, 0))


def _sense(s: Schematic) -> None:
    s.wire((41, 44), (41, 92), (42, 92))
    s.two("C3", (42, 92), (52, 92))
    s.two("R9", (54, 92), (68, 92))
    s.two("R22", (70, 92), (84, 92))
    s.wire((52, 92), (54, 92))
    s.wire((68, 92), (70, 92))
    s.wire((84, 92), (132, 92))
    s.two("R10", (86, 94), (86, 108), words=(-2.6, -0.6))
    s.two("C4", (91, 94), (91, 108), words=(2.6, 3.0))
    s.two("D2", (102, 108), (102, 94), words=(2.4, -5.2))
    s.two("D3", (117, 94), (117, 108), words=(-2.4, 3.4))
    for x in (86, 91, 102, 117):
        s.wire((x, 92), (x, 94))
        s.wire((x, 108), (x, 110))
    s.wire((86, 110), (124, 110))
    s.two("C5", (64, 112), (64, 126))
    s.two("C6", (80, 112), (80, 126))
    s.wire((64, 112), (64, 110), (86, 110))
    s.wire((80, 110), (80, 112))
    s.point("TP3", (72, 110), (-2.0, -2.0))


def _window(s: Schematic) -> None:
    s.two("R11", (124, 66), (124, 78))
    s.wire((124, 78), (124, 82))
    s.two("R12", (124, 96), (124, 108))
    s.wire((124, 82), (124, 96))
    s.wire((124, 108), (124, 112))
    s.two("R13", (124, 112), (124, 124))
    s.two("R14", (124, 130), (124, 142))
    s.wire((124, 124), (124, 130))
    s.comparator("U1", "1", (144, 82))
    s.comparator("U1", "2", (144, 114))
    s.wire((124, 82), (144, 82))
    s.wire((132, 92), (138, 92), (138, 90), (144, 90))
    s.wire((138, 92), (138, 114), (144, 114))
    s.wire((124, 126), (138, 126), (138, 122), (144, 122))
    s.wire((160, 86), (166, 86), (166, 118), (160, 118))
    s.two("R15", (166, 72), (166, 84))
    s.wire((166, 84), (166, 86))
    s.two("C7", (170, 106), (170, 120))
    s.wire((166, 102), (176, 102))
    s.wire((170, 102), (170, 106))
    s.point("TP5", (166, 96), (2.2, 1.0))
    s.two("R16", (176, 102), (190, 102))


def _output(s: Schematic) -> None:
    s.comparator("U1", "3", (196, 102))
    s.wire((190, 102), (196, 102))
    s.two("R17", (208, 90), (194, 90))
    s.wire((194, 90), (192, 90), (192, 102))
    s.wire((212, 106), (216, 106), (216, 90), (208, 90))
    s.two("R18", (216, 72), (216, 86), words=(-2.6, -0.6))
    s.wire((216, 86), (216, 90))
    s.two("R19", (216, 112), (216, 126), words=(-2.6, 3.0))
    s.wire((216, 106), (216, 112))
    s.wire((216, 126), (216, 134))
    s.transistor("Q3", (216, 134))
    s.wire((224, 128), (224, 116))
    s.two("R20", (224, 92), (224, 106), words=(2.2, -3.4))
    s.wire((224, 106), (224, 110))
    s.chip("U2", 228, 20, {110: 2, 116: 3}, {106: 8, 111: 7, 116: 6, 121: 5})
    s.wire((252, 106), (255, 106), (255, 111), (252, 111))
    s.wire((255, 106), (255, 102))
    s.name("5V", (255, 102), (0, -1))
    s.two("R21", (262, 98), (262, 112))
    s.wire((252, 116), (270, 116))
    s.wire((262, 112), (262, 116))
    s.chip("J2", 274, 10, {116: 3, 130: 1, 140: 2}, {})
    s.chip("U3", 230, 18, {58: 7, 68: 5}, {58: 1, 68: 2})
    s.two("C10", (188, 128), (188, 142))
    s.two("C11", (202, 128), (202, 142), words=(2.6, -3.4))
    s.two("C12", (264, 60), (264, 74), words=(3.0, -2.0))
    s.two("C13", (280, 60), (280, 74), words=(-2.6, 5.0))
    s.chip("U1", 102, 13, {130: 3, 140: 12}, {})
    s.point("TP1", (20, 112), (2.6, -0.6))
    s.point("TP2", (34, 112), (2.6, -0.6))

"""The circuits: every part once, with its nets. Drawings, parts list, boards and simulation are
made from here and from nowhere else.

Nets of the engine's side: ``LEAD`` (contact lead), ``E`` (earth lead, the front end's own 0 V) and
all that hangs on them. Nets of the board's side: ``5V``, ``0V``, ``OUT``. No part but the converter
and the optocoupler has pins on both.
"""

from __future__ import annotations

from dataclasses import dataclass

from catalogue import TYPES, Type


@dataclass(frozen=True, slots=True)
class Part:
    """A part: ``nets`` in the order of its type's pins, "" for a pin that is left free."""

    ref: str
    type_name: str
    value: str
    nets: tuple[str, ...]
    why: str

    @property
    def type(self) -> Type:
        """What it is."""
        return TYPES[self.type_name]

    @property
    def order(self) -> str:
        """What to order it as; suppressor diodes have their voltage in their number."""
        if self.type_name == "TVS":
            return f"P6KE{self.value.split()[0]}A"
        return self.type.order


@dataclass(frozen=True, slots=True)
class Circuit:
    """A separate circuit: one on each piece of board."""

    name: str
    title: str
    parts: tuple[Part, ...]

    def part(self, ref: str) -> Part:
        """The part of that designator; KeyError when there is none."""
        return {each.ref: each for each in self.parts}[ref]

    def nets(self) -> dict[str, set[tuple[str, int]]]:
        """Each net with its pins: designator and pin number, from 1."""
        found: dict[str, set[tuple[str, int]]] = {}
        for part in self.parts:
            for number, net in enumerate(part.nets, 1):
                if net:
                    found.setdefault(net, set()).add((part.ref, number))
        return found


def _part(ref: str, type_name: str, value: str, nets: str, why: str) -> Part:
    split = tuple("" if net == "-" else net for net in nets.split())
    if len(split) != len(TYPES[type_name].pins):
        raise ValueError(f"{ref}: {len(split)} nets for {len(TYPES[type_name].pins)} pins")
    return Part(ref, type_name, value, split, why)


# The isolated supply and the optocoupler's output are the same on both front ends.
_SUPPLY = (
    _part("U3", "DCDC", "5 V to 12 V", "5V 0V - - E - V12", "supply of the engine's side, its own"),
    _part("C10", "C_EL", "47 uF", "V12 E", "supply of the engine's side"),
    _part("C11", "C_X7R", "100 nF", "V12 E", "the same, for fast currents"),
    _part("C12", "C_EL", "10 uF", "5V 0V", "supply from the board"),
    _part("J2", "SCREW3", "to the board", "5V 0V OUT", "1 +5 V, 2 0 V, 3 contact input (D6, D7)"),
)
_OUTPUT = (
    _part("C13", "C_X7R", "100 nF", "5V 0V", "bypass of U2, within 10 mm of its pins 8 and 5"),
    _part("R21", "R", "1 k", "5V OUT", "pull-up of U2's open collector"),
)

WINDING = Circuit(
    "winding",
    "Contact front end, winding and condenser left on",
    (
        _part("J1", "SCREW2", "to the unit", "LEAD E", "1 contact lead, 2 earth lead"),
        _part("RV1", "MOV", "430 V", "LEAD E", "limits the kick of the primary"),
        _part("C1", "C_FILM_HV", "220 nF", "LEAD K2", "no direct current reaches the magnet"),
        _part("R1", "R_PULSE", "220", "K2 K1", "sets 9 mA; takes the kick"),
        _part("R2", "R_PULSE", "220", "K1 K", "half of it, so that each has half of the voltage"),
        _part("D1", "TVS", "15 V", "K E", "holds K within -1 and +24 V"),
        _part("R3", "R", "100", "K DRV", "limits what reaches Q1 and Q2"),
        _part("Q1", "NPN", "", "V12 OSC DRV", "drives the carrier, upper half"),
        _part("Q2", "PNP", "", "E OSC DRV", "drives the carrier, lower half"),
        _part("R4", "R", "2.2 k", "V12 OSC", "pull-up of the oscillator"),
        _part("R5", "R", "100 k", "V12 TH", "oscillator: thresholds at 1/3 and 2/3"),
        _part("R6", "R", "100 k", "TH E", "the same"),
        _part("R7", "R", "100 k", "OSC TH", "the same"),
        _part("R8", "R", "36 k", "OSC RAMP", "with C2: about 20 kHz"),
        _part("C2", "C_C0G", "1 nF", "RAMP E", "with R8: about 20 kHz"),
        _part(
            "C3", "C_HV", "470 pF", "LEAD N", "sense: passes the carrier, not the magnet's 20 Hz"
        ),
        _part("R9", "R_HV", "1.8 k", "N N2", "sense: limits the kick to 0.2 A"),
        _part("R22", "R_HV", "1.8 k", "N2 S", "half of it, so that each has half of the voltage"),
        _part("R10", "R", "22 k", "S MID", "sense: with C3 cuts below 13 kHz"),
        _part("C4", "C_C0G", "220 pF", "S MID", "sense: cuts spikes below 0.6 us"),
        _part("D2", "D_SIGNAL", "", "MID S", "holds S within 0.8 V of MID"),
        _part("D3", "D_SIGNAL", "", "S MID", "the same, the other way"),
        _part("R11", "R", "5.6 k", "V12 HI", "thresholds: half of the supply ..."),
        _part("R12", "R", "75", "HI MID", "... and 0.08 V above it"),
        _part("R13", "R", "75", "MID LO", "... and 0.08 V below it"),
        _part("R14", "R", "5.6 k", "LO E", "thresholds"),
        _part("C5", "C_EL", "10 uF", "MID E", "keeps MID steady"),
        _part("C6", "C_X7R", "100 nF", "MID E", "the same, for fast currents"),
        _part("R15", "R", "100 k", "V12 W", "with C7: closed is said 70 us after the last signal"),
        _part("C7", "C_C0G", "1 nF", "W E", "the same; either comparator empties it in 1 us"),
        _part("R16", "R", "10 k", "W WH", "hysteresis 0.2 V"),
        _part("R17", "R", "470 k", "CO WH", "hysteresis"),
        _part("R18", "R", "4.7 k", "V12 CO", "pull-up: LED on"),
        _part("R19", "R", "10 k", "CO B3", "base current of Q3"),
        _part("Q3", "NPN", "", "K3 B3 E", "switches the LED: lit is closed"),
        _part("R20", "R", "1.2 k", "V12 LA", "8.5 mA in the LED"),
        _part(
            "U1",
            "QUAD",
            "",
            "W W V12 S HI LO S MID WH RAMP TH E OSC CO",
            "window (1, 2), hold (3), oscillator (4)",
        ),
        _part("U2", "OPTO", "", "- LA K3 - 0V OUT 5V 5V", "isolation"),
        *_SUPPLY,
        *_OUTPUT,
        _part("TP1", "POINT", "V12", "V12", "11 to 14 V to TP2"),
        _part("TP2", "POINT", "E", "E", "0 V of the engine's side; never the board's"),
        _part("TP3", "POINT", "MID", "MID", "half of TP1"),
        _part("TP4", "POINT", "DRV", "DRV", "half of TP1 (direct); 3 to 6 V (alternating)"),
        _part("TP5", "POINT", "W", "W", "leads together: TP1; apart: below 1 V"),
    ),
)

PLAIN = Circuit(
    "plain",
    "Contact front end, contacts alone",
    (
        _part("J1", "SCREW2", "to the unit", "LEAD E", "1 contact lead, 2 earth lead"),
        _part("R1", "R", "330", "V12 LA", "with R2 and R3: 7.6 mA through the contacts"),
        _part("D1", "D_SIGNAL", "", "LA LK", "keeps reverse voltage off the LED"),
        _part("D2", "D_HV", "", "N LK", "blocks the kick when it is positive"),
        _part("D3", "TVS", "18 V", "N E", "holds N within -1 and +25 V"),
        _part("R2", "R_PULSE", "470", "N M", "takes the kick when it is negative"),
        _part("R3", "R_PULSE", "470", "M LEAD", "half of it, so that each has half of the voltage"),
        _part("U2", "OPTO", "", "- LA LK - 0V OUT 5V 5V", "isolation"),
        *_SUPPLY,
        *_OUTPUT,
        _part("TP1", "POINT", "V12", "V12", "11 to 14 V to TP2"),
        _part("TP2", "POINT", "E", "E", "0 V of the engine's side; never the board's"),
        _part("TP3", "POINT", "LK", "LK", "leads together: TP1 less 4 V; apart: TP1 less 1 V"),
    ),
)

INPUTS = Circuit(
    "inputs",
    "Encoder, index and foot switch",
    (
        _part("J1", "SCREW5", "to the encoder", "5V 0V EA EB EZ", "+5 V, 0 V, A, B, index"),
        _part("R1", "R", "2.2 k", "5V EA", "pull-up of an open collector"),
        _part("R2", "R", "2.2 k", "5V EB", "the same"),
        _part("R3", "R", "2.2 k", "5V EZ", "the same"),
        _part("R4", "R", "100", "EA D2", "with C1: keeps out spikes below 0.1 us"),
        _part("R5", "R", "100", "EB D3", "with C2"),
        _part("R6", "R", "100", "EZ D4", "with C3"),
        _part("C1", "C_C0G", "1 nF", "D2 0V", "at the board's pins, short"),
        _part("C2", "C_C0G", "1 nF", "D3 0V", "the same"),
        _part("C3", "C_C0G", "1 nF", "D4 0V", "the same"),
        _part("C4", "C_X7R", "100 nF", "5V 0V", "supply of the encoder"),
        _part("C5", "C_EL", "10 uF", "5V 0V", "the same"),
        _part("J2", "SCREW2", "foot switch", "FOOT 0V", "closes to 0 V"),
        _part("R7", "R", "1 k", "FOOT D5", "with C6: keeps spikes of a long lead out"),
        _part("C6", "C_X7R", "100 nF", "D5 0V", "with R7"),
        _part("R8", "R", "220", "5V SA", "17 mA in the LED of an index switch"),
        _part(
            "J4", "SCREW3", "slotted switch", "SA 0V EZ", "anode; cathode and emitter; collector"
        ),
        _part("J3", "SCREW5", "to the board", "5V 0V D2 D3 D4", "D2 A, D3 B, D4 index"),
        _part("J5", "SCREW2", "to the board", "D5 0V", "D5 foot switch"),
    ),
)

CIRCUITS = (INPUTS, PLAIN, WINDING)
ENGINE_SIDE = {"winding": "E", "plain": "E"}

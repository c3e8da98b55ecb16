"""Types of parts that can be ordered anywhere: what each is, its limits, its pins, its package.

Figures of data sheets are from memory, for the usual makes of each type. Compare them with the
data sheet of the part that you buy.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Rating:
    """What a part survives; None where it does not matter here."""

    volts: float | None = None
    amps: float | None = None  # single pulse where the type is meant for pulses
    watts: float | None = None  # for long
    joules: float | None = None  # single pulse of about a millisecond

    @property
    def words(self) -> str:
        """All that matters, as a shop says it."""
        milli = self.amps is not None and self.amps < 1.0
        amps = None if self.amps is None else self.amps * 1e3 if milli else self.amps
        named = ((self.volts, "V"), (amps, "mA" if milli else "A"), (self.watts, "W"))
        found = [f"{value:g} {unit}" for value, unit in (*named, (self.joules, "J")) if value]
        return ", ".join(found)


@dataclass(frozen=True, slots=True)
class Type:
    """A type of part. ``pins`` are the names of its pins in the order of their numbers, "" for a
    number that has no pin."""

    symbol: str  # how it is drawn
    what: str  # what to order, in words; the value is beside it
    order: str  # generic type number
    package: str
    pins: tuple[str, ...]
    rating: Rating = Rating()
    tolerance: str = ""


TWO = ("1", "2")
TYPES = {
    "R": Type(
        "resistor",
        "metal film, 0.25 W",
        "metal film 0.25 W 1 %",
        "axial 7.6 mm",
        TWO,
        Rating(volts=250, watts=0.25),
        "1 %",
    ),
    "R_PULSE": Type(
        "resistor",
        "wire wound, pulse-proof, 3 W, 500 V",
        "wire wound, pulse-proof, 3 W 5 %",
        "axial 20 mm",
        TWO,
        Rating(volts=500, watts=3, joules=1.0),
        "5 %",
    ),
    "R_HV": Type(
        "resistor",
        "metal film, 1 W, 500 V",
        "metal film 1 W 5 %",
        "axial 15 mm",
        TWO,
        Rating(volts=500, watts=1, joules=0.1),
        "5 %",
    ),
    "C_FILM_HV": Type(
        "capacitor",
        "polypropylene film, 1000 V",
        "MKP 1000 V, 22.5 mm",
        "film 22.5 mm",
        TWO,
        Rating(volts=1000),
        "10 %",
    ),
    "C_HV": Type(
        "capacitor",
        "ceramic disc, 2000 V",
        "disc 2 kV, class SL or Y5P",
        "disc 7.5 mm",
        TWO,
        Rating(volts=2000),
        "10 %",
    ),
    "C_C0G": Type(
        "capacitor",
        "ceramic C0G, 50 V",
        "C0G multilayer, leaded",
        "ceramic 5 mm",
        TWO,
        Rating(volts=50),
        "5 %",
    ),
    "C_X7R": Type(
        "capacitor",
        "ceramic X7R, 50 V",
        "X7R multilayer, leaded",
        "ceramic 5 mm",
        TWO,
        Rating(volts=50),
        "10 %",
    ),
    "C_EL": Type(
        "capacitor_polar",
        "electrolytic, 25 V, 105 degrees C",
        "radial electrolytic 25 V",
        "radial 2.5 mm",
        ("+", "-"),
        Rating(volts=25),
        "20 %",
    ),
    "D_SIGNAL": Type(
        "diode",
        "small-signal diode",
        "1N4148",
        "axial 7.6 mm",
        ("K", "A"),
        Rating(volts=100, amps=0.5),
    ),
    "D_HV": Type(
        "diode",
        "rectifier, 1000 V, 1 A",
        "1N4007",
        "axial 10 mm",
        ("K", "A"),
        Rating(volts=1000, amps=30),
    ),
    "TVS": Type(
        "clamp",
        "suppressor diode, one way, 600 W for 1 ms",
        "P6KE15A",
        "axial 12.7 mm",
        ("K", "A"),
        Rating(amps=28, joules=0.6),
    ),
    "MOV": Type(
        "varistor",
        "varistor, 7 mm disc, 430 V at 1 mA",
        "07D431K",
        "disc 5 mm",
        TWO,
        Rating(amps=1200, joules=20),
        "10 %",
    ),
    "NPN": Type(
        "npn",
        "NPN transistor, 45 V, 0.8 A",
        "BC337-25",
        "TO-92",
        ("C", "B", "E"),
        Rating(volts=45, amps=0.8),
    ),
    "PNP": Type(
        "pnp",
        "PNP transistor, 45 V, 0.8 A",
        "BC327-25",
        "TO-92",
        ("C", "B", "E"),
        Rating(volts=45, amps=0.8),
    ),
    "QUAD": Type(
        "quad",
        "four comparators, open collector",
        "LM339N",
        "DIP-14",
        (
            "OUT2",
            "OUT1",
            "V+",
            "IN1-",
            "IN1+",
            "IN2-",
            "IN2+",
            "IN3-",
            "IN3+",
            "IN4-",
            "IN4+",
            "GND",
            "OUT4",
            "OUT3",
        ),
        Rating(volts=36),
    ),
    "OPTO": Type(
        "opto",
        "optocoupler, logic output, 10 Mbit/s",
        "6N137",
        "DIP-8",
        ("NC", "A", "K", "NC", "GND", "OUT", "EN", "VCC"),
        Rating(amps=0.02),
    ),
    "DCDC": Type(
        "dcdc",
        "isolated converter 5 V to 12 V, 1 W, 3 kV or more",
        "G0512S-1W",
        "SIP-7, pins 1 2 5 7",
        ("+IN", "-IN", "", "", "-OUT", "", "+OUT"),
        Rating(amps=0.083),
    ),
    "SCREW2": Type(
        "connector", "screw terminal, 5.08 mm, 2 ways", "5.08 mm, 2 ways", "screw 2", TWO
    ),
    "SCREW3": Type(
        "connector",
        "screw terminal, 5.08 mm, 3 ways",
        "5.08 mm, 3 ways",
        "screw 3",
        ("1", "2", "3"),
    ),
    "SCREW5": Type(
        "connector",
        "screw terminal, 5.08 mm, 5 ways",
        "5.08 mm, 5 ways",
        "screw 5",
        ("1", "2", "3", "4", "5"),
    ),
    "POINT": Type("point", "loop of wire as a test point", "wire", "point", ("1",)),
}

"""The means that an engine offers for moving its timing. Stated facts, no computation.

Each belongs to a unit, named as in the engine file, or to the body that several units share.
Shift angles are degrees of crank; positive is earlier. Directions of a unit's body are as seen
from the end that the unit itself names.

In ``engine.toml`` (read by ``rig.engine.means_file``), every table may be left out and every
double-bracketed one may stand several times::

    [means]
    keeps = ["cam"]               # shafts of the train that have to stay as they are

    [[means.slot]]
    unit = "upper"                # a unit, or a body
    part = "body"                 # "body" or "contact plate"
    radius_mm = 45.0              # where the slot lies
    clockwise_mm = 3.0            # how far it can still be turned, along the slot
    anticlockwise_mm = 4.0
    file_mm = 2.0                 # each end may be filed longer by this; 0: it must not be filed

    [[means.mesh]]                # one a pair of gears, from the crank on
    driver = "crank"
    driver_teeth = 24
    driven = "idler"              # the last one is a unit or a body
    driven_teeth = 37
    kind = "gears"                # "gears", "internal", "chain" (belt too), "bevel"
    free = true                   # its marks need not be obeyed

    [[means.planetary]]           # a planetary stage, as in a propeller reduction
    driver = "crank"              # the shaft that turns one member
    driver_turns = "ring"         # "sun", "ring" or "carrier"
    held = "sun"                  # the member that stands still; the third turns ``driven``
    driven = "propeller"          # a unit, a body, a shaft, or the encoder's shaft
    sun_teeth = 30
    ring_teeth = 60               # of two equal bevel gears: the other one, with bevel = true
    planet_teeth = 15             # left out: half of what the ring has more than the sun
    free = false                  # true: it may be put together in other positions

    [[means.coupling]]
    shaft = "upper"               # a unit, a body or a shaft of the train
    drive_teeth = 19              # towards the crank
    unit_teeth = 20               # towards the unit

    [[means.dog]]
    unit = "upper"
    slots = 2                     # equally spaced ways in which it goes together
    recut = "unit half"           # or "drive half"; left out: may not be cut anew
    radius_mm = 18.0              # where the new hole, slot or keyway is laid out
    clear_mm = 6.0                # least distance, centre to centre, from every place it has
    others_deg = [47.5]           # places it has besides its slots: clockwise of the one in use

    [[means.gap]]
    unit = "upper"
    now_mm = 0.40
    least_mm = 0.35
    most_mm = 0.45
    readings = [[0.35, 35.1], [0.45, 36.0]]   # gap in mm, opening in degrees BTDC, on this unit
    opening_u_deg = 0.1           # standard uncertainty of each of these openings

    [[means.leads]]
    unit = "upper"                # its high-tension leads may be moved round the distributor

    [[means.lever]]
    unit = "upper"                # its lever may be set to stand anywhere in its range
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

MOST_FILED_MM = 3.0
"""A slot is not filed longer than this where nothing is stated (common practice, no source)."""

Member = Literal["sun", "ring", "carrier"]
MEMBERS: tuple[Member, ...] = ("sun", "ring", "carrier")
MeshKind = Literal["gears", "internal", "chain", "bevel"]


@dataclass(frozen=True, slots=True)
class Slot:
    """A slotted flange or plate: it turns about the unit's shaft within its slots.

    ``clockwise_mm`` and ``anticlockwise_mm`` are how far it can still go, along the slot;
    ``file_mm`` is how much longer each end may be filed, 0 where it must not be.
    """

    unit: str
    radius_mm: float
    clockwise_mm: float
    anticlockwise_mm: float
    part: Literal["body", "contact plate"] = "body"
    file_mm: float = MOST_FILED_MM


@dataclass(frozen=True, slots=True)
class Mesh:
    """One gear (or sprocket) driving another. Shafts are named; the first is ``crank``."""

    driver: str
    driver_teeth: int
    driven: str
    driven_teeth: int
    kind: MeshKind = "gears"
    free: bool = True  # its marks need not be obeyed


@dataclass(frozen=True, slots=True)
class Planetary:
    """A planetary stage: sun, ring, and planets on a carrier; one of the three members is held.

    Between its turning members it acts as one pair of gears, whose teeth are the sun's, the ring's
    or, of the carrier, those of both together (the relation of Willis). With ``bevel`` the ring is
    a second bevel gear facing the sun.
    """

    driver: str
    driver_turns: Member
    driven: str
    held: Member
    sun_teeth: int
    ring_teeth: int
    planet_teeth: int | None = None
    bevel: bool = False
    free: bool = False  # it may be put together in other positions

    @property
    def driven_by(self) -> Member:
        """The member that turns ``driven``: neither held nor turned by the driver."""
        return next(each for each in MEMBERS if each not in (self.held, self.driver_turns))

    @property
    def driver_teeth(self) -> int:
        """Teeth that stand for the driver's member. Source: see ``rig.engine.planetary``."""
        return self.teeth_of(self.driver_turns)

    @property
    def driven_teeth(self) -> int:
        """Teeth that stand for the driven member."""
        return self.teeth_of(self.driven_by)

    def teeth_of(self, member: Member) -> int:
        """Teeth of sun or ring; of the carrier, those of both together."""
        return {
            "sun": self.sun_teeth,
            "ring": self.ring_teeth,
            "carrier": self.sun_teeth + self.ring_teeth,
        }[member]


Stage = Mesh | Planetary


@dataclass(frozen=True, slots=True)
class Train:
    """All meshes from the crank on, in any order; they may branch. ``keeps`` must not move."""

    meshes: tuple[Stage, ...]
    keeps: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Coupling:
    """A middle piece toothed on both sides: ``drive_teeth`` to the drive, ``unit_teeth`` on."""

    shaft: str
    drive_teeth: int
    unit_teeth: int


@dataclass(frozen=True, slots=True)
class DriveDog:
    """A dog, pinned hub or keyed drive on the unit's own shaft.

    ``slots`` equally spaced ways to put it together; ``recut`` is the half that may be drilled
    or cut anew, empty when neither may. ``others_deg`` are places on that half besides its slots,
    degrees clockwise of the one in use, as seen from the end that the unit names.
    """

    unit: str
    slots: int = 1
    recut: Literal["", "unit half", "drive half"] = ""
    radius_mm: float = 0.0
    clear_mm: float = 0.0  # least distance of a new place from each that is there, centre to centre
    others_deg: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class GapReading:
    """An opening of this very unit, read with a stated gap between its contacts."""

    gap_mm: float
    btdc_deg: float
    u_deg: float = 0.1  # standard uncertainty of the opening


@dataclass(frozen=True, slots=True)
class Gap:
    """The contact gap and its limits. ``readings`` give the rate; there is no built-in one."""

    unit: str
    now_mm: float
    least_mm: float
    most_mm: float
    readings: tuple[GapReading, ...] = ()


@dataclass(frozen=True, slots=True)
class Leads:
    """The unit's high-tension leads may be moved round its distributor, by whole towers."""

    unit: str


@dataclass(frozen=True, slots=True)
class Lever:
    """The unit's lever may be set to stand anywhere in its range when the engine is timed."""

    unit: str


@dataclass(frozen=True, slots=True)
class Means:
    """Everything that the engine file says exists."""

    slots: tuple[Slot, ...] = ()
    train: Train | None = None
    couplings: tuple[Coupling, ...] = ()
    dogs: tuple[DriveDog, ...] = ()
    gaps: tuple[Gap, ...] = ()
    leads: tuple[Leads, ...] = ()
    levers: tuple[Lever, ...] = ()

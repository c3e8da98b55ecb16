"""The engine, its ignition units, the rig's mounting and the adjustments: values of a job.

Plain values without computation; ``rig.engine.engine_file`` reads them from ``engine.toml``. All
angles are degrees of crank, positive before TDC (BTDC), unless a name says otherwise.

Each adjustment belongs to a unit, named as in the engine file, or to the body that several units
share. Shift angles are degrees of crank; positive is earlier. Directions of a unit's body are as
seen from the end that the unit itself names.

In ``engine.toml`` (read by ``rig.engine.engine_file``), every table is optional and every
double-bracketed one may be repeated::

    [means]
    keeps = ["cam"]               # shafts of the train that must not move

    [[means.slot]]
    unit = "upper"                # a unit, or a body
    part = "body"                 # "body" or "contact plate"
    radius_mm = 45.0              # of the slot
    clockwise_mm = 3.0            # how far it can still be turned, along the slot
    anticlockwise_mm = 4.0
    file_mm = 2.0                 # each end may be filed longer by this; 0: it must not be filed
    width_mm = 8.0                # how wide the slot is, for the sheet to mark out from

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
    held = "sun"                  # the member that is held; the third turns ``driven``
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
    recut = "unit half"           # or "drive half"; left out: must not be cut again
    radius_mm = 18.0              # where the new hole, slot or keyway is laid out
    clear_mm = 6.0                # least distance, centre to centre, from every present place
    others_deg = [47.5]           # places besides its slots: clockwise of the one in use
    shape = "slot"                # "hole", "slot", "bore keyway", "shaft keyway"
    width_mm = 5.0                # of a slot or keyway, or a hole's diameter
    length_mm = 8.0               # of a slot, along the radius; of a keyway, its depth
    others_width_mm = [6.0]       # of others_deg, if different from width_mm
    bore_mm = 17.0                # diameters of the half that is cut
    outside_mm = 48.0
    face = "mating face"          # the face in front of the person who marks it; or "back face"
    seen_from = "drive end"       # "drive end" or "other end": which of them the unit's
                                  # own seen_from means, if that is worded differently

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
    unit = "upper"                # its lever may be set anywhere in its range
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Annotated, Literal

from rig.base.codec import line, number, whole
from rig.base.errors import InputError

MOST_TEETH = 1000
MOST_MM = 1000.0

Milliseconds = Annotated[float, number(0.01, 1000.0, "milliseconds")]
Teeth = Annotated[int, whole(1, MOST_TEETH)]
Millimetres = Annotated[float, number(0.0, MOST_MM, "mm")]
CutMm = Annotated[float, number(0.1, MOST_MM, "mm")]
DiameterMm = Annotated[float, number(0.1, 2.0 * MOST_MM, "mm")]
Name = Annotated[str, line(40, needed=True)]


@dataclass(frozen=True, slots=True)
class Window:
    """The allowed openings, in degrees BTDC: ``earliest_btdc`` >= nominal >= ``latest_btdc``."""

    earliest_btdc: float
    nominal_btdc: float
    latest_btdc: float
    source: str  # of the figure: manual, page
    stated_as: str = ""  # the figure as in the manual, e.g. "5/16 in of travel"
    measure: str = ""  # the manual's measure, a key of ``windows.FORMS``; "" for degrees


@dataclass(frozen=True, slots=True)
class Setting:
    """A position of the lever (or of the advance) in which the unit is read."""

    name: str  # "full advance", "full retard", "fixed", or the user's own
    window: Window | None  # None: read without a verdict
    spread_limit_deg: float | None = None  # limit for the standard deviation of the readings
    # Compensated cams: before the cylinder's own datum (``firing.datum_after_first_deg``).
    per_cylinder: dict[int, Window] = field(default_factory=dict)
    # How the manual counts them: "own" before the cylinder's own TDC, "first" after cylinder 1's
    # opening (then assessed against cylinder 1's nominal).
    counted_from: Literal["own", "first"] = "own"


@dataclass(frozen=True, slots=True)
class Unit:
    """An ignition unit: a magneto, half of a double one, or a contact set."""

    name: str  # the user's own name for it
    input: int  # contact input, from 1
    turns_per_crank_turn: Fraction
    lobes: int
    settings: tuple[Setting, ...]
    serial: str = ""
    open_level: int = 1  # level of the input when the contacts are open
    rotation: Literal["clockwise", "anticlockwise"] = "clockwise"
    seen_from: str = "drive end"
    meaning: Literal["lamp", "paper"] = "lamp"  # what the manual means by opening
    both_strokes: bool = False  # sparks on the exhaust stroke as well, by design
    coupling: Literal["none", "impulse", "disabled"] = "none"
    release_btdc: float | None = None  # where the coupling releases, with the unit at its nominal
    body: str = ""  # units with the same body move together
    play_deg: float | None = None  # crank degrees of backlash, once measured
    # Cylinders that the openings of a working cycle belong to, in order; () = the firing order.
    lobe_cylinders: tuple[int, ...] = ()
    ignition: Literal["magneto", "coil"] = "magneto"
    automatic_advance: bool = False  # has weights that advance it as it runs
    # How much later than the contacts its front end shows an opening, microseconds, and the
    # half-width of that.
    sensing_delay_us: float = 0.0
    sensing_delay_error_us: float = 0.0


@dataclass(frozen=True, slots=True)
class Geometry:
    """Slider-crank of a cylinder, in millimetres (see ``rig.engine.geometry``)."""

    throw_mm: float
    rod_mm: float
    offset_mm: float | None = None  # signed; None = not known
    offset_limit_mm: float = 0.0  # half-width of an unknown offset


@dataclass(frozen=True, slots=True)
class Encoder:
    """The encoder as mounted."""

    counts_per_turn: int
    direction: Literal[1, -1] = 1  # +1: counts up in the engine's normal direction
    index_level: Literal[0, 1] = 1  # level of the index while active
    graduation_error_deg: float = 0.0  # half-width, as entered for the encoder
    run_out_deg: float = 0.0  # amplitude of the once-a-turn error of its mounting
    turns_per_crank_turn: Fraction = Fraction(1)
    play_deg: float = 0.0  # crank degrees of backlash between crank and encoder
    play_error_deg: float = 0.0  # half-width of that
    turned_at: Literal["encoder", "crank"] = "crank"  # the end at which the hand turns


@dataclass(frozen=True, slots=True)
class Contacts:
    """Debouncing (defined in ``rig.signal.contacts``). Milliseconds."""

    closed_end_ms: Milliseconds = 2.0  # a closed run this long ends a transition
    longest_dropout_ms: Milliseconds = 1.0  # an open run up to this may be a drop-out or a spike
    least_open_ms: Milliseconds = 3.0  # open this long without a pause: the contacts stay open


@dataclass(frozen=True, slots=True)
class ApproachRule:
    """When a reading is valid. Crank degrees."""

    needed_deg: Annotated[float, number(0.0, 360.0, "degrees of crank")] = 20.0
    forgiven_deg: Annotated[float, number(0.0, 30.0, "degrees of crank")] = 2.0


@dataclass(frozen=True, slots=True)
class Synchronisation:
    """What two units should do together: ``first`` opens ``stagger_deg`` before ``second``."""

    first: str
    second: str
    stagger_deg: float
    tolerance_deg: float
    source: str


@dataclass(frozen=True, slots=True)
class Engine:
    """The engine itself."""

    name: str
    strokes: Literal[2, 4]
    cylinders: int
    firing_order: tuple[int, ...]
    intervals_deg: tuple[float, ...]  # crank degrees from each firing to the next, in order
    rotation: Literal["clockwise", "anticlockwise"]
    seen_from: str
    serial: str = ""
    geometry: Geometry | None = None
    rim_diameter_mm: float | None = None
    stated_tdc_deg: dict[int, float] = field(default_factory=dict)  # cylinder: degrees after 1's
    stated_tdc_within_deg: float = 0.0  # half-width of each of these
    master_cylinder: int = 0  # cylinder with the master rod; 0: no link rods


@dataclass(frozen=True, slots=True)
class Profile:
    """The contents of ``engine.toml``. ``person`` and ``workshop`` go on the certificate."""

    engine: Engine
    encoder: Encoder
    units: tuple[Unit, ...]
    contacts: Contacts = Contacts()
    run_up: ApproachRule = ApproachRule()
    synchronism: tuple[Synchronisation, ...] = ()
    person: str = ""
    workshop: str = ""
    decision_rule: Literal["guarded", "simple"] = "guarded"

    @property
    def cycle_deg(self) -> float:
        """Length of a working cycle in crank degrees: 720 for a four-stroke, 360 for a two-stroke.

        Source: definition of the strokes.
        """
        return 180.0 * self.engine.strokes


MOST_FILED_MM = 3.0


"""Longest filing of a slot if nothing is entered (common practice, no source)."""


Member = Literal["sun", "ring", "carrier"]
MEMBERS: tuple[Member, ...] = ("sun", "ring", "carrier")
MeshKind = Literal["gears", "internal", "chain", "bevel"]
Face = Literal["mating face", "back face"]
End = Literal["drive end", "other end"]
CutShape = Literal["hole", "slot", "bore keyway", "shaft keyway"]


@dataclass(frozen=True, slots=True)
class Slot:
    """A slotted flange or plate: it turns about the unit's shaft within its slots.

    ``clockwise_mm`` and ``anticlockwise_mm`` are how far it can still turn, along the slot;
    ``file_mm`` is how much longer each end may be filed, 0 if it must not be.
    """

    unit: Name
    radius_mm: Annotated[float, number(1.0, MOST_MM, "mm")]
    clockwise_mm: Millimetres
    anticlockwise_mm: Millimetres
    part: Literal["body", "contact plate"] = "body"
    file_mm: Millimetres = MOST_FILED_MM
    width_mm: CutMm | None = None


@dataclass(frozen=True, slots=True)
class Mesh:
    """One gear (or sprocket) driving another. Shafts are named; the first is ``crank``."""

    driver: Name
    driver_teeth: Teeth
    driven: Name
    driven_teeth: Teeth
    kind: MeshKind = "gears"
    free: bool = True  # its marks need not be obeyed


@dataclass(frozen=True, slots=True)
class Planetary:
    """A planetary stage: sun, ring, and planets on a carrier; one of the three members is held.

    Between its turning members it acts as one pair of gears, whose teeth are the sun's, the ring's
    or, of the carrier, those of both together (the relation of Willis). With ``bevel`` the ring is
    a second bevel gear facing the sun.
    """

    driver: Name
    driver_turns: Member
    driven: Name
    held: Member
    sun_teeth: Teeth
    ring_teeth: Teeth
    planet_teeth: Teeth | None = None
    bevel: bool = False
    free: bool = False  # it may be put together in other positions

    @property
    def driven_by(self) -> Member:
        """The member that turns ``driven``: neither held nor turned by the driver."""
        return next(each for each in MEMBERS if each not in (self.held, self.driver_turns))

    @property
    def driver_teeth(self) -> int:
        """Teeth of the driver's member. Source: see ``rig.engine.gear_train``."""
        return self.teeth_of(self.driver_turns)

    @property
    def driven_teeth(self) -> int:
        """Teeth of the driven member."""
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

    shaft: Name
    drive_teeth: Teeth
    unit_teeth: Teeth


@dataclass(frozen=True, slots=True)
class DriveDog:
    """A dog, pinned hub or keyed drive on the unit's own shaft.

    ``slots`` equally spaced ways to put it together; ``recut`` is the half that may be drilled
    or cut again, empty if neither may. ``others_deg`` are places on that half besides its slots,
    degrees clockwise of the one in use, as seen from the end that the unit names.

    ``length_mm`` is along the radius: None for a hole, or for a slot from bore to outside. A keyway
    begins at the bore, or at the outside of a shaft. Of the two faces the mating one meets the
    other half of the drive.
    """

    unit: Name
    slots: Teeth = 1
    recut: Literal["", "unit half", "drive half"] = ""
    radius_mm: Millimetres = 0.0
    clear_mm: Millimetres = (
        0.0  # least distance of a new place from each present one, centre to centre
    )
    others_deg: tuple[Annotated[float, number(-360.0, 360.0, "degrees")], ...] = ()
    shape: CutShape = "hole"
    width_mm: CutMm | None = None  # a hole's diameter
    length_mm: CutMm | None = None
    others_width_mm: tuple[CutMm, ...] = ()
    bore_mm: DiameterMm | None = None
    outside_mm: DiameterMm | None = None
    face: Face = "mating face"  # in front of the person who marks it
    seen_from: End | None = None  # the end that the unit's own ``seen_from`` means; None: as worded

    @property
    def span_mm(self) -> tuple[float, float]:
        """From the centre of the shaft, where a place begins and ends along its radius.

        Source: definition of the shapes.
        """
        inner, outer = (self.bore_mm or 0.0) / 2.0, (self.outside_mm or 0.0) / 2.0
        long = self.length_mm or 0.0
        if self.shape == "bore keyway":
            return inner, inner + long
        if self.shape == "shaft keyway":
            return outer - long, outer
        if self.shape == "slot" and self.length_mm is None:
            return inner, outer
        half = (self.width_mm or 0.0) / 2.0 if self.shape == "hole" else long / 2.0
        return self.radius_mm - half, self.radius_mm + half


@dataclass(frozen=True, slots=True)
class GapReading:
    """An opening of this unit, read with a known gap between its contacts."""

    gap_mm: float
    btdc_deg: float
    u_deg: float = 0.1  # standard uncertainty of the opening


@dataclass(frozen=True, slots=True)
class Gap:
    """The contact gap and its limits. ``readings`` give the rate; there is no built-in one."""

    unit: Name
    now_mm: float
    least_mm: float
    most_mm: float
    readings: tuple[GapReading, ...] = ()


@dataclass(frozen=True, slots=True)
class Leads:
    """The unit's high-tension leads may be moved round its distributor, by whole towers."""

    unit: Name


@dataclass(frozen=True, slots=True)
class Lever:
    """The unit's lever may be set anywhere in its range when the engine is timed."""

    unit: Name


@dataclass(frozen=True, slots=True)
class Adjustments:
    """All adjustments in the engine file."""

    slots: tuple[Slot, ...] = ()
    train: Train | None = None
    couplings: tuple[Coupling, ...] = ()
    dogs: tuple[DriveDog, ...] = ()
    gaps: tuple[Gap, ...] = ()
    leads: tuple[Leads, ...] = ()
    levers: tuple[Lever, ...] = ()


def members(units: Sequence[Unit], owner: str) -> list[Unit]:
    """The units of a name: the unit of that name, or all in the body of that name.

    A unit that shares a body means the whole body. Raises InputError for an unknown name. Source:
    units in one body move together.
    """
    found = [u for u in units if owner in (u.name, u.body)]
    if not found:
        known = ", ".join(u.name for u in units)
        raise InputError(f"no unit or body is called {owner}: the engine file names {known}")
    bodies = {u.body for u in found if u.body}
    return [u for u in units if u in found or u.body in bodies]

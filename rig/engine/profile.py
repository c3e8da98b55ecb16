"""The engine, its ignition units, the rig's mounting and the adjustments: values of a job.

Plain values without computation; ``rig.engine.engine_file`` reads them from ``engine.toml``. All
angles are degrees of crank, positive before TDC (BTDC), unless a name says otherwise.

Each adjustment belongs to a unit, named as in the engine file, or to the body that several units
share. Shift angles are degrees of crank; positive is earlier. Directions of a unit's body are as
seen from the end that the unit itself names.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Annotated, Literal

from rig.base.codec import line, number, ratio, whole
from rig.base.errors import InputError

MOST_TEETH = 1000
MOST_MM = 1000.0
MOST_FILED_MM = 3.0  # longest filing of a slot if nothing is entered (common practice, no source)
MOST_DELAY_US = 2000.0  # of a front end; a condenser under direct current makes most of it

Rule = Literal["guarded", "simple"]
Rotation = Literal["clockwise", "anticlockwise"]
CrankDeg = Annotated[float, number(0.0, 30.0, "degrees of crank")]
EncoderDeg = Annotated[float, number(0.0, 10.0, "degrees")]
DelayUs = Annotated[float, number(0.0, MOST_DELAY_US, "microseconds")]
GapMm = Annotated[float, number(0.01, 5.0, "mm")]

Milliseconds = Annotated[float, number(0.01, 1000.0, "milliseconds")]
Teeth = Annotated[int, whole(1, MOST_TEETH)]
Millimetres = Annotated[float, number(0.0, MOST_MM, "mm")]
CutMm = Annotated[float, number(0.1, MOST_MM, "mm")]
DiameterMm = Annotated[float, number(0.1, 2.0 * MOST_MM, "mm")]
Name = Annotated[str, line(40, needed=True)]
Line = Annotated[str, line()]
NeededLine = Annotated[str, line(needed=True)]


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
    spread_limit_deg: CrankDeg | None = None  # limit for the standard deviation of the readings
    # Compensated cams: before the cylinder's own datum (``geometry.datum_after_first_deg``).
    per_cylinder: dict[int, Window] = field(default_factory=dict)
    # How the manual counts them: "own" before the cylinder's own TDC, "first" after cylinder 1's
    # opening (then assessed against cylinder 1's nominal).
    counted_from: Literal["own", "first"] = "own"


@dataclass(frozen=True, slots=True)
class Unit:
    """An ignition unit: a magneto, half of a double one, or a contact set."""

    name: Name  # the user's own name for it
    input: Annotated[int, whole(1, 16)]  # contact input
    turns_per_crank_turn: Annotated[Fraction, ratio("1/2")]
    lobes: Annotated[int, whole(1, 36)]
    settings: tuple[Setting, ...]
    serial: Line = ""
    open_level: Literal[0, 1] = 1  # level of the input when the contacts are open
    rotation: Rotation = "clockwise"
    seen_from: Line = "drive end"
    meaning: Literal["lamp", "paper"] = "lamp"  # what the manual means by opening
    both_strokes: bool = False  # sparks on the exhaust stroke as well, by design
    coupling: Literal["none", "impulse", "disabled"] = "none"
    # Where the coupling releases, with the unit at its nominal.
    release_btdc: Annotated[float, number(-90.0, 90.0, "degrees BTDC")] | None = None
    # Turned back past this, it catches again, with the unit at its nominal.
    catch_btdc: Annotated[float, number(0.0, 180.0, "degrees BTDC")] | None = None
    body: Annotated[str, line(40)] = ""  # units with the same body move together
    backlash_deg: CrankDeg | None = None  # backlash, once measured
    # Cylinders that the openings of a working cycle belong to, in order; () = the firing order.
    lobe_cylinders: tuple[int, ...] = ()
    ignition: Literal["magneto", "coil"] = "magneto"
    automatic_advance: bool = False  # has weights that advance it as it runs
    # How much later than the contacts its front end shows an opening, and the half-width of that.
    sensing_delay_us: DelayUs = 0.0
    sensing_delay_error_us: DelayUs = 0.0


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

    counts_per_turn: Annotated[int, whole(8, 1_000_000)]
    direction: Literal[1, -1] = 1  # +1: counts up in the engine's normal direction
    index_level: Literal[1, 0] = 1  # level of the index while active
    graduation_error_deg: EncoderDeg = 0.0  # half-width, as entered for the encoder
    run_out_deg: EncoderDeg = 0.0  # amplitude of the once-a-turn error of its mounting
    turns_per_crank_turn: Annotated[Fraction, ratio("9/16")] = Fraction(1)
    backlash_deg: CrankDeg = 0.0  # backlash between crank and encoder
    backlash_error_deg: CrankDeg = 0.0  # half-width of that
    turned_at: Literal["crank", "encoder"] = "crank"  # the end at which the hand turns

    @property
    def count_deg(self) -> float:
        """A count in crank degrees."""
        return 360.0 / (self.counts_per_turn * float(self.turns_per_crank_turn))


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
    tolerance_deg: Annotated[float, number(0.001, 90.0, "degrees of crank")]
    source: str


@dataclass(frozen=True, slots=True)
class Engine:
    """The engine itself."""

    name: NeededLine
    strokes: Literal[2, 4]
    cylinders: int
    firing_order: tuple[int, ...]
    intervals_deg: tuple[float, ...]  # crank degrees from each firing to the next, in order
    rotation: Rotation
    seen_from: NeededLine
    serial: Line = ""
    geometry: Geometry | None = None
    rim_diameter_mm: float | None = None
    entered_tdc_deg: dict[int, float] = field(default_factory=dict)  # cylinder: degrees after 1's
    entered_tdc_within_deg: float = 0.0  # half-width of each of these
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
    decision_rule: Rule = "guarded"

    @property
    def cycle_deg(self) -> float:
        """Length of a working cycle in crank degrees: 720 for a four-stroke, 360 for a two-stroke.

        Source: definition of the strokes.
        """
        return 180.0 * self.engine.strokes


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
    clear_mm: Millimetres = 0.0  # least distance, centre to centre, of a new place from the others
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
    now_mm: Annotated[float, number(0.0, 5.0, "mm")]
    least_mm: GapMm
    most_mm: GapMm
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

"""What the engine, its ignition units and the rig's mounting are: the job's stated facts.

Plain values; ``rig.engine.file`` reads them from ``engine.toml``. All angles are degrees of
crank, before top dead centre positive (BTDC), unless a name says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from typing import Literal


@dataclass(frozen=True, slots=True)
class Window:
    """The permitted openings, in degrees BTDC: ``earliest_btdc`` >= nominal >= ``latest_btdc``."""

    earliest_btdc: float
    nominal_btdc: float
    latest_btdc: float
    source: str  # where the figure comes from: manual, page
    stated_as: str = ""  # the figure as the manual has it, e.g. "5/16 in of travel"


@dataclass(frozen=True, slots=True)
class Setting:
    """A position of the lever (or of the advance) in which the unit is read."""

    name: str  # "full advance", "full retard", "fixed", or the user's own
    window: Window | None  # None: read, but nothing to judge it against
    spread_limit_deg: float | None = None  # limit for the standard deviation of the readings
    # Compensated cams: before the cylinder's own datum (``firing.datum_after_first_deg``).
    per_cylinder: dict[int, Window] = field(default_factory=dict)
    # How the manual counts them: "own" before the cylinder's own top dead centre, "first" after
    # cylinder 1's opening (then judged against cylinder 1's nominal figure).
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
    body: str = ""  # units with the same body move together
    play_deg: float | None = None  # crank degrees of backlash, once measured
    # Cylinders that the openings of a working cycle belong to, in turn; () = the firing order.
    lobe_cylinders: tuple[int, ...] = ()
    ignition: Literal["magneto", "coil"] = "magneto"
    automatic_advance: bool = False  # has weights that advance it as it runs


@dataclass(frozen=True, slots=True)
class Geometry:
    """Slider-crank of a cylinder, in millimetres (see ``rig.engine.geometry``)."""

    throw_mm: float
    rod_mm: float
    offset_mm: float | None = None  # signed; None = not known
    offset_limit_mm: float = 0.0  # half-width within which an unknown offset lies


@dataclass(frozen=True, slots=True)
class Encoder:
    """The encoder as mounted."""

    counts_per_turn: int
    direction: Literal[1, -1] = 1  # +1: counts up in the engine's normal direction
    index_level: Literal[0, 1] = 1  # level of the index while active
    graduation_error_deg: float = 0.0  # half-width stated for the encoder
    run_out_deg: float = 0.0  # amplitude of the once-a-turn error of its mounting
    turns_per_crank_turn: Fraction = Fraction(1)
    play_deg: float = 0.0  # crank degrees of backlash between crank and encoder
    play_error_deg: float = 0.0  # half-width within which that is known
    turned_at: Literal["encoder", "crank"] = "crank"  # the end at which the hand turns


@dataclass(frozen=True, slots=True)
class Contacts:
    """Debouncing (defined in ``rig.signal.contacts``). Milliseconds."""

    closed_end_ms: float = 2.0  # a closed run this long ends a passage
    longest_dropout_ms: float = 1.0  # an open run up to this may be a drop-out or a spike
    least_open_ms: float = 3.0  # open this long without a pause: the contacts stay open


@dataclass(frozen=True, slots=True)
class RunUp:
    """When a reading counts. Crank degrees."""

    needed_deg: float = 20.0
    forgiven_deg: float = 2.0


@dataclass(frozen=True, slots=True)
class Synchronism:
    """What two units are to do together: ``first`` opens ``stagger_deg`` before ``second``."""

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
    master_cylinder: int = 0  # cylinder with the master rod; 0: no link rods


@dataclass(frozen=True, slots=True)
class Profile:
    """All that ``engine.toml`` states. ``person`` and ``workshop`` go on the certificate."""

    engine: Engine
    encoder: Encoder
    units: tuple[Unit, ...]
    contacts: Contacts = Contacts()
    run_up: RunUp = RunUp()
    synchronism: tuple[Synchronism, ...] = ()
    person: str = ""
    workshop: str = ""
    decision_rule: Literal["guarded", "simple"] = "guarded"

    @property
    def cycle_deg(self) -> float:
        """Length of a working cycle in crank degrees: 720 for a four-stroke, 360 for a two-stroke.

        Source: definition of the strokes.
        """
        return 180.0 * self.engine.strokes

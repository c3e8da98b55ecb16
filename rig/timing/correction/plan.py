"""What a correction is made of: wants, steps, options, predictions. Plain values.

Angles are degrees of crank unless a name says otherwise; a shift is positive when it makes the
opening earlier.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Literal

from rig.timing.decide import Rule, decide

Figure = float | int | str | tuple[float, ...]


class Outlook(StrEnum):
    """The verdict that a prediction would get: by the rule of the verdict, U and all."""

    INSIDE = "inside"
    INCONCLUSIVE = "inconclusive"
    EARLY = "early"
    LATE = "late"

    @property
    def outside(self) -> bool:
        """Beyond a limit by more than U. Source: definition."""
        return self in (Outlook.EARLY, Outlook.LATE)


def outlook(
    error_deg: float, U_deg: float | None, low_deg: float, high_deg: float, rule: Rule
) -> Outlook:
    """The verdict on a predicted error, degrees from the figure wanted, by ``rule``.

    ``U_deg`` None means that it is not known. Source: ``rig.timing.decide``.
    """
    verdict = decide(error_deg, U_deg, low_deg, high_deg, rule)
    if verdict == "outside" or abs(error_deg) > 180.0:  # so far off, it is on the other stroke
        return Outlook.EARLY if error_deg > 0.0 else Outlook.LATE
    return Outlook.INSIDE if verdict == "inside" else Outlook.INCONCLUSIVE


@dataclass(frozen=True, slots=True)
class Want:
    """What was read of a unit in a setting, and what its window asks for. Degrees BTDC.

    A unit read one crank turn out has 360 added to ``read_btdc``.
    """

    unit: str
    setting: str
    read_btdc: float
    wanted_btdc: float
    earliest_btdc: float
    latest_btdc: float
    U_deg: float | None  # expanded, about 95 %, as in its verdict; None: a single reading
    u_deg: float = 0.1  # standard, without the reference that it shares with other readings
    cylinder: int | None = None

    @property
    def shift_deg(self) -> float:
        """The shift that is wanted, positive earlier. Source: definition."""
        return self.wanted_btdc - self.read_btdc


@dataclass(frozen=True, slots=True)
class PairWant:
    """How far apart two units were read, first minus second, and how far they are to be."""

    first: str
    second: str
    setting: str
    read_deg: float
    wanted_deg: float
    tolerance_deg: float
    U_deg: float | None  # of the difference, about 95 %; None: single readings
    cylinder: int | None = None


@dataclass(frozen=True, slots=True)
class LeverEnds:
    """A unit as read at both ends of its lever, degrees BTDC."""

    unit: str
    retard_btdc: float
    advance_btdc: float


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do, in words, and what it does to each unit."""

    means: str  # "slot", "contact plate", "file", "mesh", "coupling", "dog", "recut", "gap", ...
    part: str  # the unit, body or shaft that is touched
    words: str
    shift_deg: Mapping[str, float]  # unit: crank degrees, positive earlier
    disturbs: int = 1  # how many parts
    reversible: bool = True
    enough: bool = True  # false: the means does not reach that far
    u_shift_deg: float = 0.0  # standard uncertainty of the shift, where it rests on readings
    figures: Mapping[str, Figure] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Outcome:
    """What an option predicts for one want: ``error_deg`` is predicted minus wanted."""

    want: Want
    shift_deg: float
    predicted_btdc: float
    error_deg: float
    U_deg: float | None  # of the prediction
    verdict: Outlook

    @property
    def inside(self) -> bool:
        """Inside by the rule of the verdict. Source: definition."""
        return self.verdict is Outlook.INSIDE

    @property
    def beyond_deg(self) -> float:
        """How far it is beyond the nearer limit, 0 between them. Source: definition."""
        at = self.want.wanted_btdc + self.error_deg
        return max(0.0, at - self.want.earliest_btdc, self.want.latest_btdc - at)


@dataclass(frozen=True, slots=True)
class PairOutcome:
    """What an option predicts for two units: ``error_deg`` is predicted minus wanted apart."""

    want: PairWant
    error_deg: float
    U_deg: float | None
    verdict: Outlook

    @property
    def inside(self) -> bool:
        """Inside by the rule of the verdict. Source: definition."""
        return self.verdict is Outlook.INSIDE


@dataclass(frozen=True, slots=True)
class Option:
    """One way to make the correction, its steps in the order in which they are done.

    Without steps: everything left as it is.
    """

    steps: tuple[Step, ...]
    outcomes: tuple[Outcome, ...]
    pairs: tuple[PairOutcome, ...]
    remaining_deg: float  # the largest error of all
    inside: bool  # every want and every pair
    lever_place: Mapping[str, float]  # unit: 0 at full retard, 1 at full advance
    disturbs: int
    reversible: bool
    words: str

    @property
    def warnings(self) -> tuple[str, ...]:
        """All warnings of the steps, each once. Source: the steps."""
        return tuple(dict.fromkeys(w for step in self.steps for w in step.warnings))


@dataclass(frozen=True, slots=True)
class Reach:
    """What can be reached for one unit, the others left out of account.

    ``now`` is how it stands; ``best`` comes nearest with what can be undone, without steps when
    nothing helps; ``lasting`` comes nearer with something that cannot be undone.
    """

    unit: str
    now: Option
    best: Option
    lasting: Option | None


@dataclass(frozen=True, slots=True)
class Misfit:
    """An error that no slipped tooth explains: a key, or a gear that was made anew, is out by it.

    Crank degrees, positive early. ``teeth_deg`` is what one tooth is worth at each mesh from the
    crank to the unit; ``nearest_deg`` the multiple of one of them that comes nearest (not 0);
    ``shaft_turns`` each shaft's turns per crank turn, for the angle at its own key.
    """

    unit: str
    error_deg: float
    teeth_deg: Mapping[str, float]  # "driver to driven": degrees
    nearest_deg: float
    shaft_turns: Mapping[str, float]

    @property
    def left_deg(self) -> float:
        """By how much it is out if a tooth is slipped as well. Source: definition."""
        return self.error_deg - self.nearest_deg


@dataclass(frozen=True, slots=True)
class Proposal:
    """The options in the order in which they are shown and numbered, from 1.

    Those that can be undone come first, then the present state, then those that cannot be undone.
    ``others`` are no better than the present state, or need not be looked at where others reach;
    their numbers go on from there.
    """

    options: tuple[Option, ...]
    others: tuple[Option, ...]
    units: tuple[Reach, ...]
    misfits: tuple[Misfit, ...]
    notes: tuple[str, ...] = ()  # means that could not be used, and why

    @property
    def numbered(self) -> tuple[Option, ...]:
        """All options: number n is at place n - 1. Source: definition."""
        return (*self.options, *self.others)

    @property
    def present(self) -> Option:
        """Everything left as it is. Source: definition."""
        return next(option for option in self.options if not option.steps)

    @property
    def reached(self) -> bool:
        """Whether an option brings everything inside. Source: the options."""
        return any(option.inside for option in self.options)


@dataclass(frozen=True, slots=True)
class Prediction:
    """What the next reading ought to be, to be set beside it. Degrees BTDC."""

    unit: str
    setting: str
    cylinder: int | None
    before_btdc: float
    shift_deg: float
    predicted_btdc: float
    u_deg: float  # standard uncertainty of reading and shift, without the shared reference
    made_utc: str = ""  # when the change was stated


@dataclass(frozen=True, slots=True)
class Confirmation:
    """The next reading beside the prediction. ``off_deg`` is read minus predicted."""

    prediction: Prediction
    read_btdc: float
    off_deg: float
    within_deg: float  # what the two may differ by, about 95 %
    verdict: Literal[
        "confirmed", "not confirmed", "wrong way round", "not moved", "too small to tell"
    ]
    words: str

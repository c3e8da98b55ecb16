"""What a correction is made of: wants, steps, options, predictions. Plain values.

Angles are degrees of crank unless a name says otherwise; a shift is positive when it makes the
opening earlier.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

Figure = float | int | str | tuple[float, ...]


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
    u_deg: float = 0.1  # standard uncertainty of the reading
    cylinder: int | None = None

    @property
    def shift_deg(self) -> float:
        """The shift that is wanted, positive earlier. Source: definition."""
        return self.wanted_btdc - self.read_btdc


@dataclass(frozen=True, slots=True)
class LeverEnds:
    """A unit as read at both ends of its lever, degrees BTDC."""

    unit: str
    retard_btdc: float
    advance_btdc: float


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do, in words, and what it does to each unit."""

    means: str  # "slot", "contact plate", "mesh", "coupling", "dog", "recut", "gap", ...
    part: str  # the unit, body or shaft that is touched
    words: str
    shift_deg: Mapping[str, float]  # unit: crank degrees, positive earlier
    disturbs: int = 1  # how many parts
    reversible: bool = True
    enough: bool = True  # false: the means does not reach that far
    figures: Mapping[str, Figure] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Outcome:
    """What an option predicts for one want: ``error_deg`` is predicted minus wanted."""

    want: Want
    shift_deg: float
    predicted_btdc: float
    error_deg: float
    inside: bool


@dataclass(frozen=True, slots=True)
class PairOutcome:
    """What an option predicts for two units: ``error_deg`` is stagger predicted minus stated."""

    first: str
    second: str
    error_deg: float
    inside: bool


@dataclass(frozen=True, slots=True)
class Option:
    """One way to make the correction, its steps in the order in which they are done."""

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
class Proposal:
    """The options, best first. ``reached`` is false when none gets everything inside."""

    options: tuple[Option, ...]
    reached: bool
    words: str
    notes: tuple[str, ...] = ()  # means that could not be used, and why


@dataclass(frozen=True, slots=True)
class Prediction:
    """What the next reading ought to be, to be set beside it. Degrees BTDC."""

    unit: str
    setting: str
    cylinder: int | None
    before_btdc: float
    shift_deg: float
    predicted_btdc: float
    u_deg: float  # standard uncertainty of the reading before, without the shared reference
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

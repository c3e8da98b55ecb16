"""What the timing room says: readings, contributions, judgements, comparisons. Plain values."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

from rig.base.uncertainty import Uncertainty
from rig.signal.events import Rejection

Verdict = Literal["inside", "outside", "inconclusive", "no window set"]
Phase = Literal["as found", "adjusting", "as left"]
ADJUSTING: Phase = "adjusting"
PHASES: tuple[Phase, ...] = ("as found", ADJUSTING, "as left")
"""In the order in which they come; of a unit, the last that was read tells how it stands."""


class Mark(StrEnum):
    """What has to be said beside an assessment. The value is its code in files and ``--json``;
    ``rig.words`` has the words."""

    ONE_TURN_OUT = "one crank turn out"
    STROKE_NOT_STATED = "stroke not stated"
    CONFIRM_BY_TURNING = "confirm by turning"
    IMPULSE_COUPLING = "impulse coupling engaged"
    IN_GROUPS = "readings in groups"
    PAPER_MEANT = "slip of paper meant"

    @staticmethod
    def earlier(value: object) -> object:
        """The code of a mark for which files had a sentence before."""
        return _EARLIER_MARKS.get(str(value), value)


_EARLIER_MARKS = {
    "set with the crank held: confirm by turning": Mark.CONFIRM_BY_TURNING.value,
    "the manual means the slip of paper, which comes free later than contacts part": (
        Mark.PAPER_MEANT.value
    ),
}


@dataclass(frozen=True, slots=True)
class Reading:
    """One opening of one unit, tied to setting, cylinder and stroke.

    ``btdc_deg`` is before the top dead centre of ``cylinder``, in (-180, 180]. The delay of the
    unit's front end is removed from both angles.
    """

    unit: str
    setting: str
    cylinder: int | None  # None: not known (which stroke is not stated, lobe not tied)
    lobe: int | None  # 0 .. lobes - 1, counted from the first seen since the stroke was stated
    btdc_deg: float | None
    crank_deg: float | None
    t_s: float  # from the first position of its capture
    rejection: Rejection | None  # why it is rejected; None when it is valid
    phase: Phase = "as found"
    kind: Literal["turned", "set", "impulse"] = "turned"
    stroke_known: bool = True
    wrong_stroke: bool = False  # a whole crank turn out on a four-stroke
    partings: int = 1  # contact openings in the passage, chatter included
    closed_deg: float | None = None  # crank degrees for which the contacts had been closed
    speed_deg_s: float = 0.0  # of the crank in its normal direction

    @property
    def valid(self) -> bool:
        """Whether it is valid."""
        return self.rejection is None


@dataclass(frozen=True, slots=True)
class Group:
    """Readings that lie together, apart from others of the same figure (see ``timing.groups``)."""

    n: int
    mean_btdc: float
    sd_deg: float | None


@dataclass(frozen=True, slots=True)
class Assessment:
    """One unit in one setting on one cylinder, against its window."""

    unit: str
    setting: str
    cylinder: int | None
    phase: str
    kind: str
    n: int
    mean_btdc: float | None
    sd_deg: float | None
    uncertainty: Uncertainty | None
    earliest_btdc: float | None
    nominal_btdc: float | None
    latest_btdc: float | None
    verdict: Verdict
    spread_verdict: Verdict
    words: str  # "0.10 degrees beyond the early limit (2.10 degrees early of nominal)"
    rule: str  # the decision rule, one sentence
    settle: str  # how many more readings would settle it, or which part would have to shrink
    marks: tuple[Mark, ...] = ()
    groups: tuple[Group, ...] = ()  # where the readings have no mean, because they lie in groups
    probability_inside: float | None = None  # of its true value, where that is inconclusive


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two units (or the same before and after): first minus second, positive = first earlier."""

    first: str
    second: str
    setting: str
    cylinder: int | None  # None: over all cylinders
    difference_deg: float
    uncertainty: Uncertainty | None  # None: single readings, which say nothing of their spread
    wanted_deg: float | None
    tolerance_deg: float | None
    verdict: Verdict
    words: str
    phase: str = ""  # of both, when they are of one capture
    probability_inside: float | None = None  # of its true value, where that is inconclusive

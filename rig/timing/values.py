"""The timing room's results: readings, assessments, comparisons. Plain values."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, Literal

from rig.base.codec import number, whole
from rig.base.uncertainty import Uncertainty
from rig.signal.events import Rejection

Verdict = Literal["inside", "outside", "inconclusive", "no window set"]
WORST_FIRST: tuple[Verdict, ...] = ("outside", "inconclusive", "no window set", "inside")
Phase = Literal["as found", "adjusting", "as left"]
ADJUSTING: Phase = "adjusting"
# In order; the last in which a unit was read is its present state.
PHASES: tuple[Phase, ...] = ("as found", ADJUSTING, "as left")


class Mark(StrEnum):
    """What must be shown beside an assessment. The value is its code in files and ``--json``;
    ``rig.words`` has the words."""

    ONE_TURN_OUT = "one crank turn out"
    STROKE_NOT_ENTERED = "stroke not entered"
    CONFIRM_BY_TURNING = "confirm by turning"
    IMPULSE_COUPLING = "impulse coupling engaged"
    IN_GROUPS = "readings in groups"
    PAPER_MEANT = "slip of paper meant"
    DRAG_HELD = "drag held"

    @staticmethod
    def earlier(value: object) -> object:
        """The code of a mark that earlier files have otherwise, some as a sentence."""
        return _EARLIER_MARKS.get(str(value), value)


_EARLIER_MARKS = {
    "stroke not stated": Mark.STROKE_NOT_ENTERED.value,
    "set with the crank held: confirm by turning": Mark.CONFIRM_BY_TURNING.value,
    "the manual means the slip of paper, which comes free later than contacts part": (
        Mark.PAPER_MEANT.value
    ),
}


@dataclass(frozen=True, slots=True)
class Reading:
    """One opening of one unit, assigned to setting, cylinder and stroke.

    ``btdc_deg`` is before TDC of ``cylinder``, in (-180, 180]. Both angles are corrected for the
    delay of the unit's front end.
    """

    unit: str
    setting: str
    cylinder: int | None  # None: not known (firing TDC not entered, lobe not identified)
    lobe: int | None  # 0 .. lobes - 1, counted from the first since firing TDC was entered
    btdc_deg: float | None
    crank_deg: float | None
    t_s: float  # from the first position of its capture
    rejection: Rejection | None  # why it is rejected; None when it is valid
    phase: Phase = "as found"
    kind: Literal["turned", "set", "impulse"] = "turned"
    stroke_known: bool = True
    wrong_stroke: bool = False  # a whole crank turn out on a four-stroke
    times_opened: int = 1  # times that the contacts opened, bounces included
    closed_deg: float | None = None  # crank degrees for which the contacts had been closed
    speed_deg_s: float = 0.0  # of the crank in its normal direction
    drag: bool = False  # held on the unit's rotor: its magnet could not pull it forward

    @property
    def valid(self) -> bool:
        """Whether it is valid."""
        return self.rejection is None


Deg = Annotated[float, number(-360.0, 360.0)]
Count = Annotated[int, whole(0, 10**9)]


@dataclass(frozen=True, slots=True)
class Group:
    """Readings close together, apart from others of the same figure (see ``timing.groups``)."""

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
    n: Count
    mean_btdc: Deg | None
    sd_deg: Deg | None
    uncertainty: Uncertainty | None
    earliest_btdc: Deg | None
    nominal_btdc: Deg | None
    latest_btdc: Deg | None
    verdict: Verdict
    spread_verdict: Verdict
    rule: str  # the decision rule, a key of ``verdict.Rule``
    marks: tuple[Mark, ...] = ()
    groups: tuple[Group, ...] = ()  # if the readings are in groups and have no mean
    in_turn: bool | None = None  # each group after the one before: the unit moved
    lag_deg: float | None = None  # of an impulse coupling, after the running mean
    probability_inside: float | None = None  # of its true value, if the verdict is inconclusive

    @property
    def U_deg(self) -> float | None:  # noqa: N802
        """Expanded uncertainty; None without one."""
        return self.uncertainty.U_deg if self.uncertainty else None


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two units (or the same before and after): first minus second, positive = first earlier."""

    first: str
    second: str
    setting: str
    cylinder: int | None  # None: over all cylinders
    difference_deg: Deg
    uncertainty: Uncertainty | None  # None: single readings, which have no SD
    wanted_deg: Deg | None
    tolerance_deg: Deg | None
    verdict: Verdict
    phase: str = ""  # of both, if they are of one capture
    probability_inside: float | None = None  # of its true value, if the verdict is inconclusive

    @property
    def U_deg(self) -> float | None:  # noqa: N802
        """Expanded uncertainty; None without one."""
        return self.uncertainty.U_deg if self.uncertainty else None

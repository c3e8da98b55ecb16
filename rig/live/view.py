"""What the dashboard shows, as plain frozen values.

Whoever runs a job fills a ``View``; the dashboard draws it and asks nothing back. The screen does
not know how an angle was found. Angles are degrees of crank, before top dead centre positive
(``btdc``) unless a name says otherwise. Text may come from anywhere (a file, a rig): it is made
harmless when it is drawn.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from rig.guide.action import ActionLine, Key, Question, Step, Stroke
from rig.guide.procedure import GoToView, Panel
from rig.timing.values import Phase, Verdict

STEPS: tuple[Step, ...] = ("rig check", "index", "top dead centre", "stroke", "reading", "saved")


"""The job's steps in order."""


Contacts = Literal["open", "closed", "unknown"]

Kind = Literal["turned", "set", "impulse"]


@dataclass(frozen=True, slots=True)
class RigView:
    """Health of the rig."""

    port: str = ""
    name: str = ""
    connected: bool = True
    understood: bool = True  # False: something talks there, and no rig was made out of it yet
    silent_s: float | None = None  # seconds since anything was heard; None: never heard
    lines: int = 0
    troubles: tuple[tuple[str, int], ...] = ()  # kind, how many
    detail: str = ""  # when something is wrong: what, and what to do


@dataclass(frozen=True, slots=True)
class CrankView:
    """Where the crank is, how it moves, and whether an opening now would count."""

    btdc_deg: float | None = None  # in (-180, 180]; None when no reference holds
    of: str = "cylinder 1"  # whose top dead centre, or "the nearest" while the stroke is unknown
    why_no_angle: str = ""
    after_index_deg: float | None = None  # in [0, 360): what can be said without a reference
    direction: Literal[1, 0, -1] = 0  # +1 in the normal direction
    speed_deg_s: float = 0.0  # size only
    run_up_deg: float = 0.0
    run_up_needed_deg: float = 20.0
    shaft: str = ""  # given where there is no top dead centre: whose angle after the index it is
    will_count: bool = False
    why_not: str = ""  # why an opening now would not count


@dataclass(frozen=True, slots=True)
class ReferenceView:
    """The reference of top dead centre in use."""

    text: str = ""  # method, e.g. "stop, 3 + 3 touches"; empty: none yet
    U_deg: float | None = None
    holds: bool = False  # False after a reset, until the index has passed
    why_not: str = ""


@dataclass(frozen=True, slots=True)
class CylinderView:
    """One row: the readings of one cylinder."""

    cylinder: int | None
    n: int
    mean_btdc: float | None
    sd_deg: float | None = None
    U_deg: float | None = None
    verdict: Verdict = "no window set"
    words: str = ""


@dataclass(frozen=True, slots=True)
class UnitView:
    """One ignition unit in its present setting."""

    name: str
    input: int
    setting: str = ""
    phase: Phase = "as found"
    contacts: Contacts = "unknown"
    last_btdc: float | None = None  # last counted opening of this setting
    last_cylinder: int | None = None
    last_kind: Kind = "turned"
    last_words: str = ""  # what the last opening means: "1.4° early", "inside"
    last_nominal_btdc: float | None = None  # wanted of its cylinder, where that is its own
    earliest_btdc: float | None = None
    nominal_btdc: float | None = None
    latest_btdc: float | None = None
    readings_btdc: tuple[float, ...] = ()  # counted, of this setting, oldest first
    nominals_btdc: tuple[float | None, ...] = ()  # wanted of each one's cylinder, likewise
    mean_btdc: float | None = None
    sd_deg: float | None = None
    U_deg: float | None = None
    verdict: Verdict = "no window set"  # the worst, of the mean and of each cylinder
    verdict_cylinders: tuple[int, ...] = ()  # those that have it, when the mean has another
    words: str = ""  # what the mean means, in words
    settle: str = ""  # what would settle a verdict that cannot be given yet
    cylinders: tuple[CylinderView, ...] = ()
    marks: tuple[str, ...] = ()  # "stroke not stated", "one crank turn out"
    notes: tuple[str, ...] = ()  # further lines: lever range, impulse lag, prediction
    counted: int = 0  # counted openings in all, over all settings: only ever grows
    not_counted: int = 0  # openings that did not count: only ever grows
    why_not_counted: str = ""  # of the last one that did not count
    counted_since: bool = False  # whether the very last opening counted

    @property
    def last_on_scale(self) -> float | None:
        """The last opening where the window's scale shows it; see ``on_scale``."""
        return None if self.last_btdc is None else self._put(self.last_btdc, self.last_nominal_btdc)

    @property
    def on_scale(self) -> tuple[float, ...]:
        """The readings where the window's scale shows them.

        A cylinder with a wanted figure of its own is shown as far from the nominal one as it is
        from its own.
        """
        wanted = self.nominals_btdc or (None,) * len(self.readings_btdc)
        return tuple(map(self._put, self.readings_btdc, wanted))

    def _put(self, btdc_deg: float, wanted_btdc: float | None) -> float:
        if wanted_btdc is None or self.nominal_btdc is None:
            return btdc_deg
        return btdc_deg - wanted_btdc + self.nominal_btdc


@dataclass(frozen=True, slots=True)
class ComparisonView:
    """Two units against each other."""

    first: str
    second: str
    words: str  # "upper opens 0.31° before lower"
    difference_deg: float | None = None
    U_deg: float | None = None
    verdict: Verdict = "no window set"


@dataclass(frozen=True, slots=True)
class TouchesView:
    """Touches of the positive stop, in degrees after the index."""

    stop_in: bool = True
    forward_deg: tuple[float, ...] = ()
    backward_deg: tuple[float, ...] = ()
    middle_deg: float | None = None  # top dead centre as it stands
    spread_deg: float | None = None
    U_deg: float | None = None
    note: str = ""  # e.g. an unsteady touch, named


@dataclass(frozen=True, slots=True)
class View:
    """Everything on the dashboard at one moment."""

    job: str = ""  # the engine's name
    tag: str = ""  # e.g. "virtual rig, simulated hand"
    instead: str = ""  # what is done in the place of a job on an engine, which has no such steps
    step: Step = "rig check"
    done: tuple[Step, ...] = ()
    rig: RigView = RigView()
    crank: CrankView = CrankView()
    reference: ReferenceView = ReferenceView()
    stroke: Stroke = "not stated"
    units: tuple[UnitView, ...] = ()
    comparisons: tuple[ComparisonView, ...] = ()
    touches: TouchesView | None = None  # given while the stop is used
    goto: GoToView | None = None  # given while going to an angle
    panel: Panel | None = None  # given while a part of the work has the middle of the screen
    actions: tuple[ActionLine, ...] = ()  # given while the page of all keys is open
    elapsed_s: float = 0.0  # of the capture
    capture: str = ""  # file name
    next: str = ""  # what to do next, one sentence
    why: str = ""  # why, a second sentence
    caution: str = ""  # at the step where it matters
    alarm: str = ""  # what is in danger just now: has the place of the large figure
    message: str = ""  # what has just happened, other than a reading
    question: Question | None = None
    keys: tuple[Key, ...] = ()
    speaking: bool = False

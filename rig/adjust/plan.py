"""Values of a correction: readings and what their windows ask for, steps, options, predictions.

Angles are degrees of crank unless a name says otherwise; a shift is positive when it makes the
opening earlier.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import product
from typing import Any

from rig.base.angles import wrap
from rig.base.codec import to_plain
from rig.base.earlier_rules import EarlierRule, Rules
from rig.base.errors import InputError
from rig.base.uncertainty import rectangular, root_sum, student_t
from rig.engine.profile import Profile, Rule, Setting, Unit
from rig.job.results import PredictedOpening
from rig.timing.compare import compare_assessments
from rig.timing.uncertainty_budget import OF_TDC
from rig.timing.values import PHASES, Assessment, Comparison, Mark
from rig.timing.verdict import decide
from rig.words.assessments import assessment_in_full, what_decides

Figure = float | int | str | tuple[float, ...]


class Outlook(StrEnum):
    """The verdict that a prediction would get: by the rule of the verdict, U and all."""

    INSIDE = "inside"
    INCONCLUSIVE = "inconclusive"
    EARLY = "early"
    LATE = "late"

    @property
    def outside(self) -> bool:
        """Beyond a limit by more than U."""
        return self in (Outlook.EARLY, Outlook.LATE)


def outlook(
    error_deg: float, U_deg: float | None, low_deg: float, high_deg: float, rule: Rule
) -> Outlook:
    """The verdict on a predicted error, degrees from the nominal, by ``rule``.

    ``U_deg`` None means that it is not known. Source: ``rig.timing.verdict``.
    """
    verdict = decide(error_deg, U_deg, low_deg, high_deg, rule)
    if verdict == "outside" or abs(error_deg) > 180.0:  # so far off, it is on the other stroke
        return Outlook.EARLY if error_deg > 0.0 else Outlook.LATE
    return Outlook.INSIDE if verdict == "inside" else Outlook.INCONCLUSIVE


@dataclass(frozen=True, slots=True)
class Want:
    """What was read of a unit in a setting, and what its window asks for. Degrees BTDC.

    A unit read one crank turn out has 360 added to ``read_btdc``. Of a pair, ``other`` is the unit
    that it is to open with, and all are differences, ``unit`` minus ``other``.
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
    other: str = ""

    @property
    def error_deg(self) -> float:
        """How early it was read."""
        return self.read_btdc - self.wanted_btdc

    @property
    def limits_deg(self) -> tuple[float, float]:
        """The latest and the earliest that its error may be."""
        return self.latest_btdc - self.wanted_btdc, self.earliest_btdc - self.wanted_btdc


class AdjustmentKind(StrEnum):
    """A kind of adjustment, by the name that saved steps have; ``called`` begins its name in
    words."""

    called: str

    def __new__(cls, name: str, called: str) -> AdjustmentKind:
        made = str.__new__(cls, name)
        made._value_, made.called = name, called
        return made

    MESH = "mesh", "another mesh of"
    COUPLING = "coupling", "the coupling of"
    DOG = "dog", "another slot of the drive of"
    RECUT = "recut", "a new place in the drive of"
    SLOT = "slot", "turning the body of"
    PLATE = "contact plate", "turning the contact plate of"
    FILE = "file", "filing the slots of"
    GAP = "gap", "the contact gap of"
    LEADS = "leads", "moving the leads of"
    LEVER = "lever", "the lever of"


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do, in words, and what it does to each unit."""

    kind: AdjustmentKind
    part: str  # the unit, body or shaft that is touched
    words: str  # ``do`` and its effect
    shift_deg: Mapping[str, float]  # unit: crank degrees, positive earlier
    do: str  # how far, and which way as seen from which end; one imperative
    reversible: bool = True
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
        """Inside by the rule of the verdict."""
        return self.verdict is Outlook.INSIDE

    @property
    def beyond_deg(self) -> float:
        """How far it is beyond the nearer limit, 0 between them."""
        low, high = self.want.limits_deg
        return max(0.0, self.error_deg - high, low - self.error_deg)


@dataclass(frozen=True, slots=True)
class Option:
    """One way to make the correction, its steps in the order in which they are done.

    Without steps: everything left as it is.
    """

    steps: tuple[Step, ...]
    outcomes: tuple[Outcome, ...]
    pairs: tuple[Outcome, ...]
    remaining_deg: float  # the largest error of all
    inside: bool  # every want and every pair
    lever_place: Mapping[str, float]  # unit: 0 at full retard, 1 at full advance
    disturbs: int
    reversible: bool
    words: str

    @property
    def warnings(self) -> tuple[str, ...]:
        """All warnings of the steps, each once."""
        return tuple(dict.fromkeys(w for step in self.steps for w in step.warnings))


@dataclass(frozen=True, slots=True)
class Reach:
    """What can be reached for one unit by itself.

    ``now`` is the present state; ``best`` comes nearest with what can be undone, without steps when
    nothing helps; ``lasting`` comes nearer with something that cannot be undone.
    """

    unit: str
    now: Option
    best: Option
    lasting: Option | None


@dataclass(frozen=True, slots=True)
class Misfit:
    """An error that no slipped tooth explains: a key, or a gear that was re-made, is out by it.

    Crank degrees, positive early. ``teeth_deg`` is what one tooth is worth at each mesh from the
    crank to the unit; ``nearest_deg`` the multiple of one of them that comes nearest (not 0);
    ``shaft_turns`` each shaft's turns per crank turn, for the angle at its own key.
    """

    unit: str
    error_deg: float
    teeth_deg: Mapping[str, float]  # "driver to driven": degrees
    nearest_deg: float
    shaft_turns: Mapping[str, float]
    U_deg: float | None = None  # of the error

    @property
    def left_deg(self) -> float:
        """By how much it is out if a tooth is slipped as well."""
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
    notes: tuple[str, ...] = ()  # adjustments that could not be used, and why

    @property
    def numbered(self) -> tuple[Option, ...]:
        """All options: number n is at place n - 1."""
        return (*self.options, *self.others)

    @property
    def present(self) -> Option:
        """Everything left as it is."""
        return next(option for option in self.options if not option.steps)

    @property
    def reached(self) -> bool:
        """Whether an option brings everything inside."""
        return any(option.inside for option in self.options)


# Half-widths of what a hand can set, common practice, no source.
ARC_WITHIN_MM = 0.05  # a body or plate along its slot, or a new place in a drive
GAP_WITHIN_MM = 0.01


def u_by_hand_deg(kind: AdjustmentKind, figures: Mapping[str, Figure]) -> float:
    """Standard uncertainty of a step's shift, crank degrees, from how finely a hand can set it.

    Source: JCGM 100:2008, 4.3.7, a rectangular distribution.
    """
    lengths = {AdjustmentKind.SLOT: "slot_mm", AdjustmentKind.PLATE: "slot_mm",
               AdjustmentKind.FILE: "slot_mm", AdjustmentKind.RECUT: "arc_mm"}  # fmt: skip
    if kind is AdjustmentKind.GAP and isinstance(rate := figures["deg_per_mm"], float):
        return rectangular(abs(rate) * GAP_WITHIN_MM)
    arc_mm, deg = figures.get(lengths.get(kind, "")), figures.get("crank_deg")
    if not isinstance(arc_mm, float) or not isinstance(deg, float) or not arc_mm:
        return 0.0
    return rectangular(abs(deg) / arc_mm * ARC_WITHIN_MM)


def plain_prediction(of: PredictedOpening) -> dict[str, Any]:
    """What is predicted, without what was read since, as plain data."""
    names = ("unit", "setting", "cylinder", "before_btdc", "shift_deg", "predicted_btdc", "u_deg",
             "nu")  # fmt: skip
    return {name: to_plain(getattr(of, name)) for name in names}


def plain_pair(outcome: Outcome) -> dict[str, object]:
    """Two units that are to open together, as plain data."""
    want = outcome.want
    return {
        "want": {
            "first": want.unit, "second": want.other, "setting": want.setting,
            "read_deg": want.read_btdc, "wanted_deg": want.wanted_btdc,
            "tolerance_deg": want.limits_deg[1], "U_deg": want.U_deg, "cylinder": want.cylinder,
        },
        "error_deg": outcome.error_deg, "U_deg": outcome.U_deg, "verdict": outcome.verdict,
    }  # fmt: skip


@dataclass(frozen=True, slots=True)
class Confirmation:
    """A prediction with what was read since, and how it came out in words."""

    opening: PredictedOpening
    words: str

    @property
    def missed(self) -> bool:
        """Whether it did not come out as predicted."""
        return self.opening.verdict in ("not confirmed", "wrong way round", "not moved")

    def plain(self) -> dict[str, Any]:
        of = self.opening
        return {
            "prediction": plain_prediction(of), "read_btdc": of.read_btdc, "off_deg": of.off_deg,
            "within_deg": of.within_deg, "verdict": of.verdict, "words": self.words,
        }  # fmt: skip


# -- from assessments to wants --


def wants_from(assessments: Sequence[Assessment], profile: Profile) -> list[Want]:
    """What each unit's turned readings ask for: one want a unit, setting and assessed cylinder.

    Of a unit assessed over all cylinders that figure counts, unless only a cylinder's is outside;
    else each cylinder's own. A unit's last phase counts. A unit one crank turn out is wanted
    back by that turn. A unit whose readings lie in groups is left out (see ``not_corrected``).
    Raises InputError when nothing is left, or nothing was read against a window.
    """
    wants = [want for j in _turned(assessments, profile) if (want := _want(j)) is not None]
    if not wants:
        raise InputError(
            "; ".join(not_corrected(assessments, profile))
            or "no unit was read by turning against a window, so there is nothing to correct: "
            "take readings, or enter the window in the engine file"
        )
    return wants


NOT_TURNED: Mapping[str, str] = {
    "impulse": (
        "it was read only with its impulse coupling engaged, and the window is for the coupling"
        " released. Go past the impulse coupling (rig live, key i), then read again"
    ),
    "set": "it was only set with the crank held. Turn forward through its openings, then go on",
}
"""Kind of readings to why they are no base for a correction, and how to go on."""


def not_corrected(assessments: Sequence[Assessment], profile: Profile) -> list[str]:
    """A sentence for each unit and setting of which no correction is worked out, and why."""
    found = []
    for unit, setting, own in _standing(assessments, profile):
        why = ""
        kinds = {j.kind for j in own if j.nominal_btdc is not None or j.kind == "impulse"}
        if moving := next((j for j in own if j.groups and j.kind == "turned"), None):
            why = f"{assessment_in_full(moving)}: {what_decides(moving)}"
        elif setting.window is not None and "turned" not in kinds:
            why = next((words for kind, words in NOT_TURNED.items() if kind in kinds), "")
        if why:
            found.append(f"{unit.name}, {setting.name}: no correction is worked out; {why}")
    return found


def pairs_from(
    assessments: Sequence[Assessment], profile: Profile, comparisons: Sequence[Comparison] = ()
) -> list[Want]:
    """The differences between units that should open together, as ``wants_from`` has units.

    A difference is the one of ``comparisons`` if both are in the phase compared, else that of the
    two assessments, whose reference drops out.
    """
    latest = _turned(assessments, profile)
    compared = {(c.first, c.second, c.setting, c.cylinder, c.phase): c for c in comparisons}
    found = []
    for pair, one, two in product(profile.synchronism, latest, latest):
        if (one.unit, two.unit, one.setting, one.cylinder) != (
            pair.first, pair.second, two.setting, two.cylinder
        ):  # fmt: skip
            continue
        apart, out = None, (out_deg(one), out_deg(two))
        if one.phase == two.phase and not any(out):
            apart = compared.get((one.unit, two.unit, one.setting, one.cylinder, one.phase))
        apart = apart or compare_assessments(
            one, two, shared_reference=True, encoder=profile.encoder
        )
        read_deg, nominal = apart.difference_deg + out[0] - out[1], pair.stagger_deg
        limits = nominal + pair.tolerance_deg, nominal - pair.tolerance_deg
        found.append(
            Want(
                pair.first, one.setting, read_deg, nominal, *limits, expanded_deg(apart),
                cylinder=one.cylinder, other=pair.second,
            )
        )  # fmt: skip
    return found


def expanded_deg(of: Assessment | Comparison) -> float | None:
    """Its expanded uncertainty, about 95 %; None where it is not known."""
    return of.uncertainty.U_deg if of.uncertainty else None


def _standing(
    assessments: Sequence[Assessment], profile: Profile
) -> Iterator[tuple[Unit, Setting, list[Assessment]]]:
    """Of each unit and setting, the assessments of its last phase, of any kind."""
    for unit in profile.units:
        for setting in unit.settings:
            of = unit.name, setting.name
            own = [j for j in assessments if (j.unit, j.setting) == of and j.n]
            last = max((PHASES.index(j.phase) for j in own if j.phase in PHASES), default=0)
            yield unit, setting, [j for j in own if j.phase == PHASES[last]]


def _turned(assessments: Sequence[Assessment], profile: Profile) -> list[Assessment]:
    """The turned assessments of each unit's last phase in each setting; none of one that was
    since read only in another way, or whose readings lie in groups."""
    found: list[Assessment] = []
    for _, _, standing in _standing(assessments, profile):
        own = [j for j in standing if j.kind == "turned"]
        if not any(j.groups for j in own):
            own = [j for j in own if j.nominal_btdc is not None] or own
            own = [j for j in own if j.mean_btdc is not None]
            whole = [j for j in own if j.cylinder is None]
            # A cylinder that is outside counts though the figure of them all is not.
            worse = {j.verdict for j in own} - {j.verdict for j in whole} >= {"outside"}
            found += own if worse or not whole else whole
    return found


def out_deg(assessment: Assessment) -> float:
    """By how much its figure is one crank turn out."""
    return 360.0 if Mark.ONE_TURN_OUT in assessment.marks else 0.0


def _want(j: Assessment) -> Want | None:
    """What an assessment asks for; None without a window."""
    mean, nominal, earliest, latest = j.mean_btdc, j.nominal_btdc, j.earliest_btdc, j.latest_btdc
    if mean is None or nominal is None or earliest is None or latest is None:
        return None
    read, U_deg = nominal + wrap(mean - nominal) + out_deg(j), expanded_deg(j)
    return Want(j.unit, j.setting, read, nominal, earliest, latest, U_deg, own_u(j)[0], j.cylinder)


def own_u(assessment: Assessment) -> tuple[float, float]:
    """Standard uncertainty of an assessment without the reference it shares with others, degrees,
    and its degrees of freedom.

    Without one (a single reading): 0.1. Source: JCGM 100:2008, 5.2: what is shared drops out.
    """
    if assessment.uncertainty is None:
        return 0.1, math.inf
    kept = (p for p in assessment.uncertainty.parts if p.source not in OF_TDC)
    return root_sum(*((p.u_deg, p.nu) for p in kept))


def expanded(u: tuple[float, float], rules: Rules = ()) -> float:
    """Expanded uncertainty of a standard one with its degrees of freedom, at about 95 %, by the
    ``rules`` of an earlier version (JCGM 100:2008, G.4.1)."""
    u_deg, nu = u
    return u_deg * (2.0 if EarlierRule.TWO_AS_FACTOR in rules else student_t(nu))

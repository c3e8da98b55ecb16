"""Leading the crank to an angle from the right side, with the length round the rim.

The right side is forward, with the backlash taken up, as for a reading. Angles are crank degrees;
distances are positive ahead, in the normal direction.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from rig.base.angles import wrap
from rig.base.errors import InputError
from rig.base.rounding import btdc, size
from rig.engine.geometry import datum_after_first_deg, rim_rule_mm, rim_tape_mm
from rig.guide.action import Host
from rig.guide.advice import ARC
from rig.guide.procedure import Advice, GoToView, Hand, LedProcedure
from rig.signal.events import Now
from rig.timing.firing_tdc import tdc_after_reference_deg
from rig.words.diagnostics import reason_words

Where = Literal["on", "slowly", "there", "wrong side", "past", "back"]

SLOWLY_DEG = 5.0  # from here on the crank is inched (common practice, no source)
AT_DEG = 0.1  # nearer than this is there
MARGIN_DEG = 5.0  # gone further back than the run-up needs, so that it is full before arrival


@dataclass(frozen=True, slots=True)
class Target:
    """The wanted angle, before the top dead centre of a cylinder; ``tdc_deg`` after the index.

    ``period_deg`` is 360 where either stroke serves, the length of the cycle where only one does;
    ``tdc_deg`` is then on that stroke.
    """

    btdc_deg: float
    tdc_deg: float
    period_deg: float = 360.0
    within_deg: float = AT_DEG
    rim_diameter_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Going:
    """Where the crank stands to the target, and what to do. ``rim_*`` are of the distance.

    ``distance_deg`` is how far the target lies ahead (negative: it was passed). ``move_deg`` is
    the next movement, negative backwards.
    """

    where: Where
    distance_deg: float
    move_deg: float
    rim_tape_mm: float | None
    rim_rule_mm: float | None
    words: str


@dataclass(frozen=True, slots=True)
class Reached:
    """What was reached: ``off_deg`` is past the target when positive."""

    wanted_btdc: float
    btdc_deg: float
    off_deg: float
    off_rim_mm: float | None
    approach_deg: float
    good: bool
    words: str


def distance_deg(crank_deg: float, target: Target) -> float:
    """How far ahead the target lies, crank degrees, within half a period either way.

    ``crank_deg`` is continuous, a whole number of turns at each index. Source: subtraction.
    """
    return wrap(target.tdc_deg - target.btdc_deg - crank_deg, target.period_deg)


def rim_mm(angle_deg: float, diameter_mm: float | None) -> tuple[float | None, float | None]:
    """An angle as a length on the rim, mm: by a tape laid round, by a rule laid across.

    The rule is None beyond half a turn, both without a rim. Raises InputError for a diameter of
    zero. Source: arc and chord of a circle.
    """
    if diameter_mm is None:
        return None, None
    rule = rim_rule_mm(angle_deg, diameter_mm) if abs(angle_deg) <= 180.0 else None
    return rim_tape_mm(angle_deg, diameter_mm), rule


def approach_to(
    crank_deg: float, target: Target, approach_deg: float, needed_deg: float, direction: int = 1
) -> Going:
    """What to do next to stand at ``target`` having come forward by ``needed_deg`` at least.

    ``approach_deg`` is the forward movement since it began anew, ``direction`` of the crank just
    now (+1, 0, -1). Raises InputError for a period, width or run-up below zero. Source: the rule
    that a position counts only with the slack taken up.
    """
    if target.period_deg <= 0.0 or target.within_deg <= 0.0 or needed_deg < 0.0:
        raise InputError("a target needs a period and a width above zero and a run-up from zero")
    ahead = distance_deg(crank_deg, target)
    tape, rule = rim_mm(ahead, target.rim_diameter_mm)
    back_to = ahead - needed_deg - MARGIN_DEG
    if abs(ahead) <= target.within_deg:
        if approach_deg >= needed_deg and direction >= 0:
            return Going("there", ahead, 0.0, tape, rule, f"there{_off(ahead)}: hold it")
        words = f"at the angle, but from the wrong side: go back {-back_to:.0f}° and come on"
        return Going("wrong side", ahead, back_to, tape, rule, words)
    if ahead < 0.0:
        if ahead > -target.period_deg / 4.0:
            words = f"{-ahead:.1f} degrees past: go back {-back_to:.0f}° and come on again"
            return Going("past", ahead, back_to, tape, rule, words)
        ahead += target.period_deg  # shorter on than back
        tape, rule = rim_mm(ahead, target.rim_diameter_mm)
    if approach_deg + ahead < needed_deg:
        back = needed_deg + MARGIN_DEG - ahead
        words = f"too near to come from the right side: go back {back:.0f}° first"
        return Going("back", ahead, -back, tape, rule, words)
    slowly = ahead <= SLOWLY_DEG
    length = "" if tape is None else f" ({abs(tape):.1f} mm round the rim)"
    words = f"{'slowly ' if slowly else ''}on, {ahead:.1f} degrees to go{length}"
    return Going("slowly" if slowly else "on", ahead, ahead, tape, rule, words)


def angle_reached(
    crank_deg: float, target: Target, approach_deg: float, needed_deg: float, direction: int = 0
) -> Reached:
    """What is recorded when the person says that the mark is made. Raises and source as ``going``.

    ``good`` when it lies within the target's width and came from the right side.
    """
    now = approach_to(crank_deg, target, approach_deg, needed_deg, direction)
    ahead = distance_deg(crank_deg, target)
    tape, _ = rim_mm(-ahead, target.rim_diameter_mm)
    stands_btdc = wrap(target.btdc_deg + ahead)
    good = now.where == "there"
    side = "from the right side" if approach_deg >= needed_deg else "without enough run-up"
    words = (
        f"wanted {btdc(target.btdc_deg)}, stands at {btdc(stands_btdc)}, come {side}"
        f"{'' if good else ': a mark made here is not to be relied upon'}"
    )
    return Reached(target.btdc_deg, stands_btdc, -ahead, tape, approach_deg, good, words)


def _off(ahead: float) -> str:
    digits = size(ahead)
    return "" if float(digits) == 0.0 else f", {digits} {'short' if ahead > 0 else 'past'}"


class GoTo(LedProcedure):
    """Lead the crank to ``btdc_deg`` of ``cylinder`` from the right side."""

    def __init__(self, host: Host, btdc_deg: float, cylinder: int = 1) -> None:
        super().__init__(host)
        self._target = target_of(host, btdc_deg, cylinder)

    def show(self, now: Now | None) -> GoToView:
        """What the dashboard shows."""
        if now is None or now.crank_deg is None:
            return GoToView(self._target.btdc_deg, None, words="the crank's angle is not known")
        going = approach_to(
            now.crank_deg, self._target, now.approach_deg, self._needed, now.direction
        )
        side = going.where not in ("wrong side", "back")
        target = self._target
        tape_mm, _ = rim_mm(target.btdc_deg, target.rim_diameter_mm)
        return GoToView(target.btdc_deg, going.distance_deg, side, going.words, tape_mm)

    def advice(self) -> Advice:
        """To come from the right side."""
        return Advice(
            "go to",
            "Bring the crank there, coming forward, and make your mark",
            "Coming forward takes up the backlash, as for a reading.",
            ARC,
            press="event_here",
            hand=Hand.GO_TO,
            deg=self._target.btdc_deg,
        )

    def done(self, now: Now | None) -> str:
        """The person made the mark: what was reached."""
        if now is None or now.crank_deg is None:
            raise InputError("the crank's angle is not known: no mark can be made")
        reached = angle_reached(
            now.crank_deg, self._target, now.approach_deg, self._needed, now.direction
        )
        return f"gone to an angle: {reached.words}"

    @property
    def _needed(self) -> float:
        return self._host.session.settings.approach_deg


def target_of(host: Host, btdc_deg: float, cylinder: int) -> Target:
    """A wanted angle as a target. Raises InputError while top dead centre is not known."""
    session = host.session
    if session.reference is None:
        raise InputError("top dead centre is not known yet: find it first")
    if session.here is None:
        raise InputError(reason_words(session.why_no_reference()))
    after = tdc_after_reference_deg(session.profile.engine, session.here, cylinder)
    if after is None:
        raise InputError(f"the top dead centre of cylinder {cylinder} is not stated")
    return Target(
        btdc_deg,
        session.here.tdc_deg + after,
        rim_diameter_mm=session.profile.engine.rim_diameter_mm,
    )


def on_firing_stroke(host: Host, target: Target) -> Target:
    """A target of cylinder 1 on its firing stroke alone; as it was where no stroke was stated."""
    profile, stroke = host.session.profile, host.session.stroke
    if stroke is None or profile.engine.strokes == 2:
        return target
    on_deg = 360.0 * stroke.turn - datum_after_first_deg(profile.engine)[stroke.cylinder]
    here = host.session.here
    if here is None:
        return target
    on_deg += tdc_after_reference_deg(profile.engine, here, stroke.cylinder)
    tdc_deg = here.tdc_deg + on_deg
    return replace(target, tdc_deg=tdc_deg, period_deg=profile.cycle_deg)

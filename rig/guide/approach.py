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
from rig.engine.geometry import datum_after_first_deg, rim_tape_mm
from rig.guide.action import Host
from rig.guide.procedure import Advice, GoToView, Hand, LedProcedure
from rig.signal.events import Now
from rig.timing.readings import tdc_after_reference_deg
from rig.words.diagnostics import reason_words

Where = Literal["on", "there", "wrong side", "past", "back"]

SLOWLY_DEG = 5.0  # from here on the crank is inched (common practice, no source)
AT_DEG = 0.1  # nearer than this is there
MARGIN_DEG = 5.0  # gone further back than the approach needs, so that it is full before arrival


@dataclass(frozen=True, slots=True)
class Target:
    """The wanted angle, before the TDC of a cylinder; ``tdc_deg`` after the index.

    ``period_deg`` is 360 where either stroke serves, the length of the cycle where only one does;
    ``tdc_deg`` is then on that stroke.
    """

    btdc_deg: float
    tdc_deg: float
    period_deg: float = 360.0
    within_deg: float = AT_DEG
    rim_diameter_mm: float | None = None

    def rim_mm(self, angle_deg: float) -> float | None:
        """An angle as a length round the rim, as a tape measures it; None without a rim."""
        return rim_tape_mm(angle_deg, self.rim_diameter_mm) if self.rim_diameter_mm else None


@dataclass(frozen=True, slots=True)
class Going:
    """Where the crank is to the target, and what to do.

    ``distance_deg`` is how far the target lies ahead (negative: it was passed). ``move_deg`` is
    the next movement, negative backwards.
    """

    where: Where
    distance_deg: float
    move_deg: float
    words: str


def distance_deg(crank_deg: float, target: Target) -> float:
    """How far ahead the target lies, crank degrees, within half a period either way.

    ``crank_deg`` is continuous, a whole number of turns at each index.
    """
    return wrap(target.tdc_deg - target.btdc_deg - crank_deg, target.period_deg)


def approach_to(
    crank_deg: float, target: Target, approach_deg: float, needed_deg: float, direction: int = 1
) -> Going:
    """What to do next to be at ``target`` having come forward by ``needed_deg`` at least.

    ``approach_deg`` is the forward movement since it began, ``direction`` of the crank just now
    (+1, 0, -1). Source: the rule that a position counts only with the backlash taken up.
    """
    ahead = distance_deg(crank_deg, target)
    back = needed_deg + MARGIN_DEG - ahead
    come_again = f"go back {back:.0f}° and come forward again"
    if abs(ahead) <= target.within_deg:
        if approach_deg < needed_deg or direction < 0:
            words = f"at the angle, but from the wrong side: {come_again}"
            return Going("wrong side", ahead, -back, words)
        side = "short" if ahead > 0 else "past"
        off = f", {size(ahead)} {side}" if float(size(ahead)) else ""
        return Going("there", ahead, 0.0, f"there{off}: hold it")
    if -target.period_deg / 4.0 < ahead < 0.0:
        return Going("past", ahead, -back, f"{-ahead:.1f} degrees past: {come_again}")
    ahead %= target.period_deg  # shorter on than back
    if approach_deg + ahead < needed_deg:
        back = needed_deg + MARGIN_DEG - ahead
        words = f"too near to come from the right side: go back {back:.0f}° first"
        return Going("back", ahead, -back, words)
    rim_mm = target.rim_mm(ahead)
    length = "" if rim_mm is None else f" ({rim_mm:.1f} mm round the rim)"
    slowly = "slowly " if ahead <= SLOWLY_DEG else ""
    return Going("on", ahead, ahead, f"{slowly}forward, {ahead:.1f} degrees to go{length}")


def reached_words(
    crank_deg: float, target: Target, approach_deg: float, needed_deg: float, direction: int = 0
) -> str:
    """What is recorded when the person makes the mark: where it is, from which side, and whether it
    lies within the target's width and came from the right side."""
    now = approach_to(crank_deg, target, approach_deg, needed_deg, direction)
    at_btdc = wrap(target.btdc_deg + distance_deg(crank_deg, target))
    side = "from the right side" if approach_deg >= needed_deg else "without enough approach"
    doubt = "" if now.where == "there" else ": do not rely on a mark made here"
    return f"wanted {btdc(target.btdc_deg)}, reached {btdc(at_btdc)} {side}{doubt}"


class GoTo(LedProcedure):
    """Lead the crank to ``btdc_deg`` of ``cylinder`` from the right side."""

    def __init__(self, host: Host, btdc_deg: float, cylinder: int = 1) -> None:
        super().__init__(host)
        self._target = target_of(host, btdc_deg, cylinder)
        self._needed = host.session.settings.approach_deg

    def show(self, now: Now | None) -> GoToView:
        """What the dashboard shows."""
        target = self._target
        if now is None or now.crank_deg is None:
            return GoToView(target.btdc_deg, None, words="the crank's angle is not known")
        going = approach_to(now.crank_deg, target, now.approach_deg, self._needed, now.direction)
        side = going.where not in ("wrong side", "back")
        rim_mm = target.rim_mm(target.btdc_deg)
        return GoToView(target.btdc_deg, going.distance_deg, side, going.words, rim_mm)

    def advice(self) -> Advice:
        """To come from the right side."""
        return Advice(
            "go to", "Bring the crank there, coming forward, and make your mark",
            "Coming forward takes up the backlash, as for a reading.",
            press="event_here", hand=Hand.GO_TO, deg=self._target.btdc_deg,
        )  # fmt: skip

    def done(self, now: Now | None) -> str:
        """The person made the mark: what was reached."""
        if now is None or now.crank_deg is None:
            raise InputError("the crank's angle is not known: no mark can be made")
        at = (now.crank_deg, self._target, now.approach_deg, self._needed, now.direction)
        return f"gone to an angle: {reached_words(*at)}"


def target_of(host: Host, btdc_deg: float, cylinder: int) -> Target:
    """A wanted angle as a target. Raises InputError while TDC is not known."""
    session = host.session
    if session.reference is None:
        raise InputError("top dead centre is not known yet: find it first")
    if session.here is None:
        raise InputError(reason_words(session.why_no_reference()))
    after = tdc_after_reference_deg(session.profile.engine, session.here, cylinder)
    rim_mm = session.profile.engine.rim_diameter_mm
    return Target(btdc_deg, session.here.tdc_deg + after, rim_diameter_mm=rim_mm)


def on_firing_stroke(host: Host, target: Target) -> Target:
    """A target of cylinder 1 on its firing stroke alone; as it was where no stroke was entered."""
    profile, stroke, here = host.session.profile, host.session.stroke, host.session.here
    if stroke is None or here is None or profile.engine.strokes == 2:
        return target
    on_deg = 360.0 * stroke.turn - datum_after_first_deg(profile.engine)[stroke.cylinder]
    tdc_deg = here.tdc_deg + on_deg + tdc_after_reference_deg(profile.engine, here, stroke.cylinder)
    return replace(target, tdc_deg=tdc_deg, period_deg=profile.cycle_deg)

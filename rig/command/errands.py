"""Errands at the live bench: bring the crank to an angle, set a unit while the crank is held.

An errand watches the rig beside the readings; it changes none of them. Its outcome is written into
the capture as a remark.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence

from rig.command.bench import Bench
from rig.engine.profile import Unit, Window
from rig.faults import InputError
from rig.screen.view import GoToView
from rig.signal.events import Event, Now, Opening
from rig.timing import goto, past_click, setting
from rig.timing.circular import wrap
from rig.timing.impulse import LEAST_LAG_DEG
from rig.timing.tie import tdc_after_reference_deg

LOOK_BACK_US = 1_000_000.0


class GoTo:
    """Lead the crank to ``btdc_deg`` of ``cylinder`` from the right side."""

    def __init__(self, bench: Bench, btdc_deg: float, cylinder: int = 1) -> None:
        self._bench = bench
        self._target = target_of(bench, btdc_deg, cylinder)

    def see(self, now: Now, events: Sequence[Event]) -> None:
        """The crank moved; going there needs no memory."""

    def show(self, now: Now | None) -> GoToView:
        """What the dashboard shows."""
        if now is None or now.crank_deg is None:
            return GoToView(self._target.btdc_deg, None, words="the crank's angle is not known")
        going = goto.going(now.crank_deg, self._target, now.run_up_deg, self._needed, now.direction)
        side = going.where not in ("wrong side", "back")
        return GoToView(
            self._target.btdc_deg, going.distance_deg, side, going.words, going.rim_tape_mm
        )

    def done(self, now: Now | None) -> str:
        """The person made the mark: what was reached."""
        if now is None or now.crank_deg is None:
            raise InputError("the crank's angle is not known: no mark can be made")
        reached = goto.reached(
            now.crank_deg, self._target, now.run_up_deg, self._needed, now.direction
        )
        return f"gone to an angle: {reached.words}"

    @property
    def _needed(self) -> float:
        return self._bench.session.follower.settings.run_up_deg


class SetUnit:
    """Follow the person through setting ``unit`` at its nominal figure, the crank held."""

    def __init__(self, bench: Bench, unit: Unit) -> None:
        window = _window(bench, unit)
        # The unit's body is turned against its shaft to make it earlier.
        against = {"clockwise": "anticlockwise", "anticlockwise": "clockwise"}[unit.rotation]
        self._bench = bench
        self._unit = unit
        self._target = target_of(bench, window.nominal_btdc, 1)
        self._at = setting.Setting(
            unit.name,
            window.nominal_btdc,
            earlier=f"{against}, seen from the {unit.seen_from}",
            later=f"{unit.rotation}, seen from the {unit.seen_from}",
        )
        self._recent: deque[tuple[float, float]] = deque()

    def see(self, now: Now, events: Sequence[Event]) -> None:
        """One more look at the rig."""
        if now.crank_deg is None:
            return
        self._recent.append((now.t_us, now.crank_deg))
        while self._recent[0][0] < now.t_us - LOOK_BACK_US:
            self._recent.popleft()
        angles = [angle for _, angle in self._recent]
        mine = [e for e in events if isinstance(e, Opening) and e.input == self._unit.input]
        turned = [e for e in mine if e.counts]
        read = None
        if turned and turned[-1].crank_deg is not None:
            past = wrap(turned[-1].crank_deg - self._target.tdc_deg, 360.0)
            read = -past
        settings = self._bench.session.follower.settings
        seen = setting.Seen(
            now.t_us * 1e-6,
            now.crank_deg,
            -goto.distance_deg(now.crank_deg, self._target),
            max(angles) - min(angles),
            bool(self._bench.session.follower.contact_open(self._unit.input)),
            parted=any(e.direction == 0 for e in mine),
            turned_reading_btdc=read,
        )
        self._at = setting.step(
            self._at, seen, back_deg=settings.run_up_deg, count_deg=settings.count_deg
        )

    def show(self, now: Now | None) -> GoToView:
        """What the dashboard shows."""
        to_go = None
        if now is not None and now.crank_deg is not None:
            to_go = goto.distance_deg(now.crank_deg, self._target)
        return GoToView(self._at.wanted_btdc, to_go, True, self._at.words, unit=self._unit.name)

    def done(self, now: Now | None) -> str:
        """The person ends it: what was set, and whether turning confirmed it."""
        result = self._at.result
        if result is None:
            return f"{self._unit.name}: not set"
        confirmed = (
            "not confirmed by turning yet"
            if result.confirmed_deg is None
            else f"confirmed by turning, {result.confirmed_deg:+.2f} degrees"
        )
        return (
            f"{self._unit.name}: set with the crank held at {result.btdc_deg:.2f}° BTDC"
            f" within {result.hand_deg:.2f}°; {confirmed}"
        )


class PastClick:
    """Follow the person past the impulse coupling of ``unit`` to a running reading."""

    def __init__(self, bench: Bench, unit: Unit) -> None:
        window = _window(bench, unit)
        self._bench = bench
        self._unit = unit
        self._target = target_of(bench, window.nominal_btdc, 1)
        # Openings of a unit lie so far apart; the nearest place is the one that is turned through.
        self._apart_deg = 360.0 / float(unit.turns_per_crank_turn * unit.lobes)
        self._at = past_click.PastClick(bench.session.follower.settings.run_up_deg)

    def _past(self, crank_deg: float) -> float:
        running_deg = self._target.tdc_deg - self._target.btdc_deg
        return wrap(crank_deg - running_deg, self._apart_deg)

    def see(self, now: Now, events: Sequence[Event]) -> None:
        """One more look at the rig."""
        if now.crank_deg is None:
            return
        mine = [
            e for e in events
            if isinstance(e, Opening) and e.input == self._unit.input and e.direction > 0
        ]  # fmt: skip
        late = [self._past(e.crank_deg) for e in mine if e.crank_deg is not None]
        running = any(e.counts for e in mine) and any(abs(x) < LEAST_LAG_DEG for x in late)
        clicks = [x for x in late if x >= LEAST_LAG_DEG]
        past = self._past(now.crank_deg)
        if self._at.state != "click" and not clicks:
            # From the click on the crank is followed from where it was, also past half-way to
            # the next opening, where the angle folds over.
            past = self._at.past_deg + wrap(past - self._at.past_deg, self._apart_deg)
        self._at = past_click.step(self._at, past_click.Seen(past, bool(clicks), running))

    def show(self, now: Now | None) -> GoToView:
        """What the dashboard shows."""
        to_go = None if now is None or now.crank_deg is None else -self._past(now.crank_deg)
        return GoToView(self._target.btdc_deg, to_go, True, self._at.words, unit=self._unit.name)

    def done(self, now: Now | None) -> str:
        """The person ends it."""
        return f"{self._unit.name}: past the impulse coupling, {self._at.state}"


Errand = GoTo | SetUnit | PastClick


def _window(bench: Bench, unit: Unit) -> Window:
    name = bench.session.setting_of(unit.name)
    window = next(s for s in unit.settings if s.name == name).window
    if window is None:
        raise InputError(f"{unit.name}, {name}: no figure is stated to go by")
    return window


def target_of(bench: Bench, btdc_deg: float, cylinder: int) -> goto.Target:
    """A wanted angle as a target. Raises InputError while top dead centre is not known."""
    session = bench.session
    if session.reference is None:
        raise InputError("top dead centre is not known yet: find it first")
    after = tdc_after_reference_deg(session.profile.engine, session.reference, cylinder)
    if after is None:
        raise InputError(f"the top dead centre of cylinder {cylinder} is not stated")
    return goto.Target(
        btdc_deg,
        session.reference.tdc_deg + after,
        rim_diameter_mm=session.profile.engine.rim_diameter_mm,
    )

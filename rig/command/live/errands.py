"""Errands at the live bench: a part of the work that has the screen and some keys for a while.

An errand watches the rig beside the readings. Here are those that lead the crank: to an angle,
while a unit is set, past a coupling. Their outcome is written into the capture as a remark.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import replace

from rig.command.live.bench import Bench
from rig.command.live.deeds import Deed
from rig.command.live.talk import Talk
from rig.engine.firing import datum_after_first_deg
from rig.engine.profile import Unit, Window
from rig.engine.stated import btdc, difference, two_figures
from rig.faults import InputError
from rig.screen.view import GoToView, Panel
from rig.signal.events import Event, Now, Opening
from rig.timing import goto, past_click, setting
from rig.timing.circular import wrap
from rig.timing.guidance import ARC, LIVE, Advice
from rig.timing.impulse import LEAST_LAG_DEG
from rig.timing.tie import tdc_after_reference_deg


class Errand(ABC):
    """A part of the work. ``over`` when it has come to its end by itself."""

    over = False

    def see(self, now: Now, events: Sequence[Event]) -> None:
        """One more look at the rig; without memory there is nothing to do."""
        return

    @abstractmethod
    def show(self, now: Now | None) -> GoToView | Panel:
        """What has the middle of the screen."""

    @abstractmethod
    def told(self) -> Advice:
        """What comes next in it, why, and what to beware of."""

    @abstractmethod
    def deeds(self) -> tuple[Deed, ...]:
        """Its own keys, the most needed first."""

    def leave(self) -> None:
        """The person leaves it, or it is over."""
        return


class _Led(Errand):
    """An errand that leads the crank; the person says when it is done."""

    def __init__(self, bench: Bench, talk: Talk) -> None:
        self._bench = bench
        self._talk = talk

    def deeds(self) -> tuple[Deed, ...]:
        """It is done."""
        does = "done: what was reached is kept as a remark"
        return (Deed("space", "done here", does, "r, enter: take it back", self._end),)

    def _end(self) -> None:
        said = self.done(self._bench.session.follower.now())
        self._bench.note("remark", {"text": said})
        self._talk.say(said)
        self.over = True

    @abstractmethod
    def done(self, now: Now | None) -> str:
        """What was reached. Raises InputError when nothing can be said."""


class GoTo(_Led):
    """Lead the crank to ``btdc_deg`` of ``cylinder`` from the right side."""

    def __init__(self, bench: Bench, talk: Talk, btdc_deg: float, cylinder: int = 1) -> None:
        super().__init__(bench, talk)
        self._target = target_of(bench, btdc_deg, cylinder)

    def show(self, now: Now | None) -> GoToView:
        """What the dashboard shows."""
        if now is None or now.crank_deg is None:
            return GoToView(self._target.btdc_deg, None, words="the crank's angle is not known")
        going = goto.going(now.crank_deg, self._target, now.run_up_deg, self._needed, now.direction)
        side = going.where not in ("wrong side", "back")
        target = self._target
        tape_mm, _ = goto.rim_mm(target.btdc_deg, target.rim_diameter_mm)
        return GoToView(target.btdc_deg, going.distance_deg, side, going.words, tape_mm)

    def told(self) -> Advice:
        """To come from the right side."""
        return Advice(
            "go to",
            "bring the crank there from the right side, make your mark, then press space",
            "The right side is forward, with the slack of the drive taken up, as for a reading.",
            ARC,
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


class SetUnit(_Led):
    """Follow the person through setting ``unit`` at its nominal figure, the crank held.

    While the crank is held for it, a note says so: openings of the unit then belong to the moving
    of the unit, however the hand on the crank trembles.
    """

    def __init__(self, bench: Bench, talk: Talk, unit: Unit) -> None:
        super().__init__(bench, talk)
        window = _window(bench, unit)
        # The unit's body is turned against its shaft to make it earlier.
        against = {"clockwise": "anticlockwise", "anticlockwise": "clockwise"}[unit.rotation]
        self._unit = unit
        # Where the unit opens on one of the strokes alone, that stroke is the one to set it on.
        self._apart_deg = 360.0 / float(unit.turns_per_crank_turn * unit.lobes)
        self._target = target_of(bench, window.nominal_btdc, 1)
        if wrap(360.0, self._apart_deg):
            self._target = on_firing_stroke(bench, self._target)
        self._at = setting.Setting(
            unit.name,
            window.nominal_btdc,
            earlier=f"{against}, seen from the {unit.seen_from}",
            later=f"{unit.rotation}, seen from the {unit.seen_from}",
        )
        self._noted = False  # that the unit is being moved

    def see(self, now: Now, events: Sequence[Event]) -> None:
        """One more look at the rig."""
        if now.crank_deg is None:
            return
        mine = [e for e in events if isinstance(e, Opening) and e.input == self._unit.input]
        turned = [e for e in mine if e.counts]
        read = None
        if turned and turned[-1].crank_deg is not None:
            off = -goto.distance_deg(turned[-1].crank_deg, self._target)
            if abs(off) < self._apart_deg / 2.0:  # else another lobe's
                read = self._target.btdc_deg - off
        settings = self._bench.session.follower.settings
        at_deg = now.crank_deg
        if mine and self._noted and mine[-1].crank_deg is not None:
            at_deg = mine[-1].crank_deg  # where they parted, while the hand trembles
        seen = setting.Seen(
            now.t_us * 1e-6,
            at_deg,
            -goto.distance_deg(at_deg, self._target),
            self._bench.held.moved_deg(),
            bool(self._bench.session.follower.contact_open(self._unit.input)),
            parted=bool(mine),
            turned_reading_btdc=read,
        )
        self._at = setting.step(
            self._at, seen, back_deg=settings.run_up_deg, count_deg=settings.count_deg
        )
        self._note_moving(self._at.state in ("close", "move", "parted"))

    def _note_moving(self, moving: bool) -> None:
        if moving == self._noted:
            return
        self._noted = moving
        # That the crank is turned shows only after a while: it was held until that movement began.
        until = {} if moving else {"end": True, "from_us": self._bench.held.began_us()}
        self._bench.note("moving", {"unit": self._unit.name, **until})

    def leave(self) -> None:
        """The unit is no longer being moved."""
        self._note_moving(False)

    def told(self) -> Advice:
        """What the words beside the figure do not say."""
        return Advice(
            "set",
            "do as the words above say, step by step; press space at the end",
            "A parting with the crank held is a set reading, kept apart from turned.",
            LIVE,
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
            else f"confirmed by turning, {difference(result.confirmed_deg)} degrees"
        )
        return (
            f"{self._unit.name}: set with the crank held at {btdc(result.btdc_deg)}"
            f" within {two_figures(result.hand_deg)}°; {confirmed}"
        )


class PastClick(_Led):
    """Follow the person past the impulse coupling of ``unit`` to a running reading."""

    def __init__(self, bench: Bench, talk: Talk, unit: Unit) -> None:
        super().__init__(bench, talk)
        window = _window(bench, unit)
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

    def told(self) -> Advice:
        """What the words beside the figure do not say."""
        return Advice(
            "impulse",
            "do as the words above say, step by step; press space at the end",
            "The manual's figure is for the coupling released, not holding back.",
            f"{LIVE} {ARC}",
        )

    def done(self, now: Now | None) -> str:
        """The person ends it."""
        return f"{self._unit.name}: past the impulse coupling, {self._at.state}"


def _window(bench: Bench, unit: Unit) -> Window:
    name = bench.session.told.setting_of(unit.name)
    window = next(s for s in unit.settings if s.name == name).window
    if window is None:
        raise InputError(f"{unit.name}, {name}: no figure is stated to go by")
    return window


def target_of(bench: Bench, btdc_deg: float, cylinder: int) -> goto.Target:
    """A wanted angle as a target. Raises InputError while top dead centre is not known."""
    session = bench.session
    if session.reference is None:
        raise InputError("top dead centre is not known yet: find it first")
    if session.here is None:
        raise InputError(session.why_no_reference())
    after = tdc_after_reference_deg(session.profile.engine, session.here, cylinder)
    if after is None:
        raise InputError(f"the top dead centre of cylinder {cylinder} is not stated")
    return goto.Target(
        btdc_deg,
        session.here.tdc_deg + after,
        rim_diameter_mm=session.profile.engine.rim_diameter_mm,
    )


def on_firing_stroke(bench: Bench, target: goto.Target) -> goto.Target:
    """A target of cylinder 1 on its firing stroke alone; as it was where no stroke was stated."""
    profile, stroke = bench.session.profile, bench.session.stroke
    if stroke is None or profile.engine.strokes == 2:
        return target
    on_deg = 360.0 * stroke.turn - datum_after_first_deg(profile.engine)[stroke.cylinder]
    here = bench.session.here
    if here is None:
        return target
    on_deg += tdc_after_reference_deg(profile.engine, here, stroke.cylinder)
    tdc_deg = here.tdc_deg + on_deg
    return replace(target, tdc_deg=tdc_deg, period_deg=profile.cycle_deg)

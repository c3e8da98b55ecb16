"""Openings to readings: unit, lobe, cylinder and stroke of an opening.

For every cylinder that a unit serves, the working cycle has a place where the unit should open: its
firing TDC less the nominal. An opening belongs to the cylinder with the nearest place. Until firing
TDC is entered, a four-stroke is read modulo one crank turn, and cylinders that share a TDC there
cannot be told apart.

An opening of a unit that is moved while the crank is held is a set reading, not a turned one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

from rig.base.angles import modulo, wrap
from rig.engine.geometry import (
    datum_after_first_deg,
    firing_after_first_deg,
    on_link_rod,
    plug_hole_offset_deg,
    tdc_known,
)
from rig.engine.profile import Engine, Profile, Setting, Unit
from rig.signal.events import Opening, Reason, Rejection
from rig.tdc.reference import TdcReference
from rig.timing.values import Phase, Reading

# An opening this near to its place on the *other* stroke is one crank turn out. Limited to half the
# distance to the next firing, if that is less.
STROKE_TOLERANCE_DEG = 30.0
SHARED_TDC_DEG = 1.0  # cylinders whose places are this close, modulo a turn, cannot be told apart
# Where an opening is expected without a window (common practice, no source): any figure between TDC
# and full advance serves to choose between cylinders.
USUAL_NOMINAL_DEG = 20.0
NO_TDC = Rejection(Reason.NO_TDC)


@dataclass(frozen=True, slots=True)
class FiringTdcEntry:
    """``cylinder`` fires at the TDC nearest to ``crank_deg``.

    Kept as entered: a new reference a little to the other side of the index would number the turns
    of the crank differently.
    """

    crank_deg: float
    cylinder: int

    def on(self, profile: Profile, reference: TdcReference) -> FiringTdc:
        """Counted from a reference. Raises InputError as ``tdc_after_reference_deg`` does."""
        after = tdc_after_reference_deg(profile.engine, reference, self.cylinder)
        turn = round((self.crank_deg - reference.tdc_deg - after) / 360.0)
        return FiringTdc(turn, self.cylinder)


@dataclass(frozen=True, slots=True)
class FiringTdc:
    """Which pass of a cylinder over TDC is its firing TDC.

    It is the TDC of ``cylinder`` in crank turn ``turn``. Crank turn n goes from the n-th pass over
    the reference's TDC to the next: ``(crank_deg - tdc_deg) // 360``.
    """

    turn: int
    cylinder: int


def served_cylinders(unit: Unit, engine: Engine) -> tuple[int, ...]:
    """The cylinders that a unit fires, in firing order: those of its lobes, or all of them."""
    if not unit.lobe_cylinders:
        return engine.firing_order
    return tuple(number for number in engine.firing_order if number in unit.lobe_cylinders)


def openings_per_cycle(unit: Unit, profile: Profile) -> float:
    """How often a unit opens in one working cycle: crank turns x shaft ratio x lobes."""
    return float(unit.turns_per_crank_turn * unit.lobes) * profile.cycle_deg / 360.0


LATER_DEG = 45.0
"""More than an impulse coupling or a lever retards an opening (common practice, no source)."""


def most_closed_deg(unit: Unit, profile: Profile) -> float:
    """How far the crank can turn at most from where the contacts close to where they open, degrees:
    the longest way from one opening to the next, and what may retard that one."""
    served = served_cylinders(unit, profile.engine)
    cycle = profile.cycle_deg
    turn = cycle * len(served) / openings_per_cycle(unit, profile)  # in which each opens once
    fired = firing_after_first_deg(profile.engine)
    at = sorted(modulo(fired[each], turn) for each in served)
    return max(b - a for a, b in pairwise([*at, at[0] + turn])) + LATER_DEG


def sparks_on_both_strokes(unit: Unit, profile: Profile) -> bool:
    """Entered so, or evident from its openings: two a cycle for each cylinder."""
    if profile.engine.strokes == 2:
        return False
    served = served_cylinders(unit, profile.engine)
    return unit.both_strokes or openings_per_cycle(unit, profile) >= 2 * len(served)


def tdc_after_reference_deg(engine: Engine, reference: TdcReference, cylinder: int) -> float:
    """TDC of ``cylinder`` in crank degrees after the reference's, in [0, 360), on any stroke.

    Raises ``InputError`` for a cylinder that the engine does not have, or whose TDC is not known.
    """
    own = plug_hole_offset_deg(engine, cylinder)
    return modulo(own - plug_hole_offset_deg(engine, reference.cylinder))


@dataclass(frozen=True, slots=True)
class Place:
    """Where a unit should open for one cylinder, in crank degrees after the reference's TDC."""

    cylinder: int
    tdc_deg: float  # its degrees BTDC count from here (``geometry.datum_after_first_deg``)
    open_deg: float  # tdc_deg less the nominal
    firing: bool


def before_delay_deg(opening: Opening, delay_us: float) -> float | None:
    """The crank's angle when the contacts opened, ``delay_us`` before their front end showed it, at
    the opening's own speed; None if it is not known."""
    if opening.crank_deg is None or not math.isfinite(opening.speed_deg_s):  # it was not seen
        return opening.crank_deg
    return opening.crank_deg - opening.speed_deg_s * delay_us * 1e-6


def nominal_btdc(unit: Unit, setting: Setting, cylinder: int | None) -> float:
    """Where the opening is expected, degrees BTDC: the nominal, else a usual value."""
    window = setting.per_cylinder.get(cylinder, setting.window) if cylinder else setting.window
    if window is not None:
        return window.nominal_btdc
    others = [other.window for other in unit.settings if other.window is not None]
    if others:
        return sum(other.nominal_btdc for other in others) / len(others)
    return USUAL_NOMINAL_DEG


def to_reading(
    opening: Opening,
    profile: Profile,
    reference: TdcReference | None,
    *,
    setting: str,
    stroke: FiringTdc | None = None,
    phase: Phase = "as found",
    kind: Literal["turned", "set"] = "turned",
    start_us: float = 0.0,
    without: Rejection = NO_TDC,
    drag: bool = False,
) -> Reading:
    """Assign one opening to its unit, lobe, cylinder and stroke.

    ``setting`` names the current setting of the unit on ``opening.input``; ``t_s`` of the reading
    counts from ``start_us``; ``without`` says why there is no reference. During the delay of the
    unit's front end the crank went on: that movement, at the speed of the opening, is subtracted,
    but not for a "set" reading, whose crank stands still. A reading of ``kind`` "set" (crank held,
    unit moved) is valid although the crank stood still, if its angle is known. ``stroke_known`` is
    true if strokes do not matter: on a two-stroke, and for a unit that sparks on both.
    """
    unit = next(each for each in profile.units if each.input == opening.input)
    in_force = next(each for each in unit.settings if each.name == setting)
    why = None if kind == "set" else opening.rejection
    if opening.crank_deg is None:
        why = opening.rejection or Rejection(Reason.NO_INDEX)
    elif reference is None:
        why = why or without
    crank_deg = opening.crank_deg
    if kind != "set":
        crank_deg = before_delay_deg(opening, unit.sensing_delay_us)
    reading = Reading(
        unit=unit.name,
        setting=setting,
        cylinder=None,
        lobe=None,
        btdc_deg=None,
        crank_deg=crank_deg,
        t_s=(opening.t_us - start_us) * 1e-6,
        rejection=why,
        phase=phase,
        kind=kind,
        stroke_known=False,
        times_opened=opening.times_opened,
        closed_deg=None if math.isnan(opening.closed_deg) else opening.closed_deg,
        speed_deg_s=opening.speed_deg_s,
        drag=drag,
    )
    if crank_deg is None or reference is None:
        return reading
    return _Finder(profile, reference, unit, in_force, stroke).placed(reading, crank_deg)


def drag_alone(readings: Sequence[Reading]) -> list[Reading]:
    """The same readings; of a unit, setting and phase of which some were read with a drag on the
    rotor, those without are rejected: they may be early by the backlash."""
    dragged = {(r.unit, r.setting, r.phase) for r in readings if r.valid and r.drag}
    return [
        replace(r, rejection=Rejection(Reason.WITHOUT_DRAG))
        if r.valid and not r.drag and (r.unit, r.setting, r.phase) in dragged
        else r
        for r in readings
    ]


class _Finder:
    """The places of one unit in one setting, and the search for the nearest."""

    def __init__(
        self,
        profile: Profile,
        reference: TdcReference,
        unit: Unit,
        setting: Setting,
        stroke: FiringTdc | None,
    ) -> None:
        self.profile, self.engine = profile, profile.engine
        self.reference, self.unit, self.setting = reference, unit, setting
        self.cycle = profile.cycle_deg
        self.both = sparks_on_both_strokes(unit, profile)
        self.entered = stroke is not None or self.engine.strokes == 2
        # Firing TDC of cylinder 1, in crank degrees after the reference's TDC. Without firing TDC
        # any turn will do, as long as it stays the same.
        cylinder, turn = (stroke.cylinder, stroke.turn) if stroke else (reference.cylinder, 0)
        datum_deg = datum_after_first_deg(self.engine)
        after = tdc_after_reference_deg(self.engine, reference, cylinder)
        origin = 360.0 * turn + after - datum_deg[cylinder]
        self.firing, other = (
            [
                Place(each, tdc, tdc - nominal_btdc(unit, setting, each), turn == 0)
                for each in served_cylinders(unit, self.engine)
                for tdc in (origin + datum_deg[each] + 360.0 * turn,)
            ]
            for turn in (0, 1)
        )
        self.other = other if self.engine.strokes == 4 else []

    def placed(self, reading: Reading, crank_deg: float) -> Reading:
        """A reading with cylinder, lobe, stroke and its degrees BTDC."""
        after = crank_deg - self.reference.tdc_deg
        place, shared = self._nearest(after)
        number, known_by = place.cylinder, self.reference.cylinder
        found = replace(reading, cylinder=number, lobe=self._lobe(after), stroke_known=self.entered)
        from_first = self.setting.counted_from == "first" and number in self.setting.per_cylinder
        if not (from_first or tdc_known(self.engine, number, known_by)):
            why = Rejection(Reason.MASTER_ROD_TDC, (number, known_by))
            if on_link_rod(self.engine, number):
                why = Rejection(Reason.LINK_ROD_TDC, (number,))
            return replace(found, rejection=reading.rejection or why)
        found = replace(found, btdc_deg=wrap(place.tdc_deg - after))
        if self.entered:
            return replace(found, wrong_stroke=not place.firing and not self.both)
        known = self.both and not shared
        return replace(found, cylinder=None if shared else number, stroke_known=known)

    def _nearest(self, after: float) -> tuple[Place, bool]:
        """The nearest place, and whether another cylinder shares it."""
        if not self.entered:
            best, *others = sorted(self.firing, key=lambda p: abs(wrap(p.open_deg - after)))
            apart = ((p.tdc_deg - best.tdc_deg, p.open_deg - best.open_deg) for p in others)
            # Nothing within one crank turn distinguishes such places.
            return best, any(abs(wrap(deg)) <= SHARED_TDC_DEG for both in apart for deg in both)
        firing = min(self.firing, key=lambda p: self._distance(p, after))
        if not self.other:
            return firing, False
        other = min(self.other, key=lambda p: self._distance(p, after))
        # From the place on the other stroke to the nearest one where the unit should open.
        gap = min(self._distance(each, other.open_deg) for each in self.firing)
        tolerance = min(STROKE_TOLERANCE_DEG, gap / 2.0)
        if self._distance(other, after) <= tolerance < self._distance(firing, after):
            return other, False
        return firing, False

    def _distance(self, place: Place, after: float) -> float:
        return abs(wrap(place.open_deg - after, self.cycle))

    def _lobe(self, after: float) -> int:
        """Openings counted from the first served cylinder's, modulo the lobes.

        Where each opening has its own place in the cycle, places are counted, since an odd firing
        order makes the openings uneven; otherwise the even spacing of the lobes is used.
        """
        since = after - self.firing[0].open_deg
        candidates = self.firing + (self.other if self.both else [])
        around = (modulo(p.open_deg - self.firing[0].open_deg, self.cycle) for p in candidates)
        steps = sorted({modulo(round(each, 6), self.cycle) for each in around})
        if len(steps) == openings_per_cycle(self.unit, self.profile):
            nearest = min(range(len(steps)), key=lambda i: abs(wrap(steps[i] - since, self.cycle)))
            cycles = round((since - steps[nearest]) / self.cycle)
            return (cycles * len(steps) + nearest) % self.unit.lobes
        spacing = 360.0 / float(self.unit.turns_per_crank_turn * self.unit.lobes)
        return round(since / spacing) % self.unit.lobes


# Reasons that only the crank's movement gives, and no reason at all.
_OF_THE_HAND = {
    None,
    Reason.BACKWARDS,
    Reason.SHORT_APPROACH,
    Reason.TURNED_BACK,
    Reason.JUST_CLOSED,
    Reason.EARTHED,
}
NEAR_DEG = 10.0  # a unit is set this close to its nominal (common practice, no source)


def by_moving(opening: Opening, *, moving: bool) -> bool:
    """Whether the contacts opened because the unit, or its lever, was moved.

    The crank stood still; or the person was ``moving`` the unit, and no reason but the crank's
    movement is against it: a hand trembling on a held crank turns nothing, though the encoder sees
    all directions and approaches.
    """
    reason = opening.rejection.reason if opening.rejection else None
    return reason is Reason.CRANK_STILL or (moving and reason in _OF_THE_HAND)


def unless_far(reading: Reading, unit: Unit) -> Reading:
    """The set reading of a unit that nobody reported as moved, if it is near its nominal. Elsewhere
    something else opened the contacts, such as a lever, and it is rejected."""
    setting = next(each for each in unit.settings if each.name == reading.setting)
    window = setting.per_cylinder.get(reading.cylinder or 0, setting.window)
    if window is None or reading.btdc_deg is None:
        return reading
    if abs(wrap(reading.btdc_deg - window.nominal_btdc)) <= NEAR_DEG:
        return reading
    return replace(reading, rejection=reading.rejection or Rejection(Reason.FAR_FROM_NOMINAL))

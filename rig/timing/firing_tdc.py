"""Firing TDC as the person enters it, and what follows from it for units and cylinders."""

from __future__ import annotations

from dataclasses import dataclass

from rig.base.angles import modulo
from rig.engine.geometry import plug_hole_offset_deg
from rig.engine.profile import Engine, Profile, Unit
from rig.tdc.reference import TdcReference


@dataclass(frozen=True, slots=True)
class FiringTdcEntry:
    """``cylinder`` fires at the TDC nearest to ``crank_deg``.

    Kept as entered: a new reference a little to the other side of the index would number the turns
    of the crank differently.
    """

    crank_deg: float
    cylinder: int

    def on(self, profile: Profile, reference: TdcReference | None) -> FiringTdc | None:
        """Counted from a reference. Raises InputError as ``firing_tdc_at`` does."""
        if reference is None:
            return None
        return firing_tdc_at(self.crank_deg, self.cylinder, profile, reference)


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


def firing_tdc_at(
    crank_deg: float, cylinder: int, profile: Profile, reference: TdcReference
) -> FiringTdc:
    """``cylinder`` is at its firing TDC now: the one nearest ``crank_deg``.

    Raises ``InputError`` as ``tdc_after_reference_deg`` does.
    """
    after = tdc_after_reference_deg(profile.engine, reference, cylinder)
    return FiringTdc(round((crank_deg - reference.tdc_deg - after) / 360.0), cylinder)

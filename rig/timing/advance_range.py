"""The range of an advance lever: read at both ends, and what is left on either side of a nominal.

Both ends are compared over the same cylinders in the same phase: lobes differ, and a unit that was
moved in between has no range. Full retard is assessed only against the latest opening entered for
this engine; there is no built-in limit. The shared reference drops out of the range, and of the
encoder's errors only those between the two angles remain (JCGM 100:2008, 5.2).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from rig.base import rounding
from rig.base.angles import circular_mean, is_defined
from rig.base.errors import InputError
from rig.base.rounding import noun
from rig.base.uncertainty import Source, Uncertainty, combine
from rig.engine.profile import Encoder, Profile
from rig.timing.assess import unit_figure
from rig.timing.compare import compare_assessments
from rig.timing.means import Spread
from rig.timing.uncertainty_budget import mean_over_cylinders
from rig.timing.values import PHASES, Assessment, Mark

ADVANCE, RETARD = "full advance", "full retard"


class RangeDoubt(StrEnum):
    """What is in doubt about a range, by its code in ``--json``; ``rig.words`` has the words."""

    IN_TWO_PHASES = "in-two-phases"  # the unit may have been moved between the ends
    CYLINDERS_NOT_KNOWN = "cylinders-not-known"  # at one end
    MIXED_UP = "mixed-up"  # full advance is the later end


@dataclass(frozen=True, slots=True)
class Position:
    """One lever position as read."""

    setting: str
    btdc_deg: float
    assessment: Assessment


@dataclass(frozen=True, slots=True)
class LeverEnds:
    """A unit's readings at both ends of its lever, degrees BTDC."""

    unit: str
    retard_btdc: float
    advance_btdc: float

    @property
    def span_deg(self) -> float:
        """From full retard to full advance."""
        return self.advance_btdc - self.retard_btdc


@dataclass(frozen=True, slots=True)
class AdvanceRange:
    """A lever's range in crank degrees, and what is left of it on either side of a nominal.

    ``positions`` are the last readings of each setting; ``advance`` and ``retard`` are the ends
    compared, over ``cylinders`` (empty where they are not known), in one phase if possible.
    ``left_earlier_deg`` is how much more advance the lever has beyond the nominal,
    ``left_later_deg`` how much retard; negative when the nominal is out of its reach. ``place`` is
    where the nominal lies, 0 at full retard, 1 at full advance.
    """

    unit: str
    positions: tuple[Position, ...]  # earliest first
    advance: Position
    retard: Position
    range_deg: float
    uncertainty: Uncertainty | None
    cylinders: tuple[int, ...]
    wanted_btdc: float | None
    left_earlier_deg: float | None
    left_later_deg: float | None
    place: float | None
    limit: Position  # full retard as last read, against the latest opening entered for this engine
    doubts: tuple[RangeDoubt, ...] = ()
    some: str = ""  # the cylinders read at both ends, if others were read at one only

    @property
    def size(self) -> str:
        """The range with its uncertainty, and its cylinders if these are not all."""
        U_deg = self.uncertainty.U_deg if self.uncertainty else None
        some = f" ({self.some})" if self.some else ""
        size = rounding.figure(self.range_deg, U_deg)
        return f"{size}° ± {rounding.two_figures(U_deg)}°{some}"

    @property
    def ends(self) -> LeverEnds:
        """Both ends as a correction needs them. Source: the readings."""
        return LeverEnds(self.unit, self.retard.btdc_deg, self.advance.btdc_deg)


def advance_range(
    assessments: Sequence[Assessment],
    unit: str,
    settings: Sequence[str],
    wanted_btdc: float | None = None,
    *,
    encoder: Encoder | None = None,
) -> AdvanceRange:
    """The range of ``unit`` over its ``settings``, from turned readings.

    The last phase with readings at both ends is used. The ends are the settings called "full
    advance" and "full retard" if both were read, else the earliest and the latest. The default of
    ``wanted_btdc`` is the nominal of full advance. With ``encoder`` its errors are those between
    the two ends, else those of both. Raises InputError when fewer than two settings were read, or
    no cylinder at both ends. Source: subtraction; JCGM 100:2008, 5.1.2 and 5.2.
    """
    by_name = {
        name: found
        for name in settings
        if (found := _as_last_read(assessments, unit, name)) is not None
    }
    if len(by_name) < 2:
        have = ", ".join(by_name) or "none"
        raise InputError(
            f"{unit}: a range needs readings at two lever positions; read so far: {have}"
        )
    read = sorted(by_name.values(), key=lambda each: each.btdc_deg, reverse=True)
    named = ADVANCE in by_name and RETARD in by_name
    ends = (by_name[ADVANCE], by_name[RETARD]) if named else (read[0], read[-1])
    doubts = []
    for phase in reversed(PHASES):
        first, second = (_position(unit_figure(assessments, unit, each.setting, phase))
                         for each in ends)  # fmt: skip
        if first is not None and second is not None:
            ends = first, second
            break
    else:
        doubts.append(RangeDoubt.IN_TWO_PHASES)
    by_cylinder = [_by_cylinder(assessments, end.assessment) for end in ends]
    cylinders = tuple(sorted(by_cylinder[0].keys() & by_cylinder[1].keys()))
    if all(by_cylinder) and not cylinders:
        over = "; ".join(
            f"{end.setting}: {_over(own)}" for end, own in zip(ends, by_cylinder, strict=True)
        )
        raise InputError(
            f"{unit}: no cylinder was read at both ends of the lever ({over}); turn on until each"
            " has been"
        )
    if not cylinders and any(by_cylinder):
        doubts.append(RangeDoubt.CYLINDERS_NOT_KNOWN)
    alike = all(own.keys() == set(cylinders) for own in by_cylinder)
    advance, retard = (
        _over_these(end, [own[each] for each in cylinders])
        if cylinders and own.keys() != set(cylinders)
        else end
        for end, own in zip(ends, by_cylinder, strict=True)
    )
    apart = compare_assessments(
        advance.assessment, retard.assessment, shared_reference=True, encoder=encoder
    )
    range_deg = advance.btdc_deg - retard.btdc_deg
    if wanted_btdc is None:
        wanted_btdc = advance.assessment.nominal_btdc
    if range_deg < 0.0:
        doubts.append(RangeDoubt.MIXED_UP)
    earlier = later = place = None
    if wanted_btdc is not None:
        earlier, later = advance.btdc_deg - wanted_btdc, wanted_btdc - retard.btdc_deg
        place = later / range_deg if range_deg > 0.0 else None
    return AdvanceRange(
        unit=unit,
        positions=tuple(read),
        advance=advance,
        retard=retard,
        range_deg=range_deg,
        uncertainty=apart.uncertainty,
        cylinders=cylinders,
        wanted_btdc=wanted_btdc,
        left_earlier_deg=earlier,
        left_later_deg=later,
        place=place,
        limit=by_name[retard.setting],
        doubts=tuple(doubts),
        some="" if alike else _over(cylinders),
    )


def _position(found: Assessment | None) -> Position | None:
    if found is None or found.mean_btdc is None:
        return None
    return Position(found.setting, found.mean_btdc, found)


def _as_last_read(assessments: Sequence[Assessment], unit: str, setting: str) -> Position | None:
    """In its last phase; None where it has no mean there, as earlier phases are out of date."""
    each = (unit_figure(assessments, unit, setting, phase) for phase in reversed(PHASES))
    return _position(
        next((of for of in each if of and (of.mean_btdc is not None or of.groups)), None)
    )


def _by_cylinder(assessments: Sequence[Assessment], whole: Assessment) -> dict[int, Assessment]:
    """Each cylinder's assessment beside ``whole``; empty where cylinders are not known."""
    key = (whole.unit, whole.setting, whole.phase, whole.kind)
    return {
        j.cylinder: j
        for j in assessments
        if (j.unit, j.setting, j.phase, j.kind) == key
        and j.cylinder is not None
        and j.mean_btdc is not None
        and (Mark.ONE_TURN_OUT in j.marks) == (Mark.ONE_TURN_OUT in whole.marks)
    }


def _over_these(end: Position, cylinders: Sequence[Assessment]) -> Position:
    """An end over some of its cylinders, equally weighted."""
    whole, means = end.assessment, [each.mean_btdc or 0.0 for each in cylinders]
    if len(cylinders) == 1:
        return Position(end.setting, means[0], cylinders[0])
    if not is_defined(means):
        raise InputError(
            f"{whole.unit}, {end.setting}: its cylinders are all round the turn, so they have no"
            " mean; check the firing order in engine.toml"
        )
    mean, counts = circular_mean(means), [each.n for each in cylinders]
    spreads = [Spread((each.sd_deg or 0.0) ** 2 * (each.n - 1), each.n - 1) for each in cylinders]
    repeats = mean_over_cylinders(spreads, counts)
    uncertainty = None
    if repeats is not None and whole.uncertainty is not None:
        rest = [part for part in whole.uncertainty.parts if part.source is not Source.REPEATABILITY]
        uncertainty = combine([repeats, *rest])
    over = replace(whole, n=sum(counts), mean_btdc=mean, sd_deg=None, uncertainty=uncertainty)
    return Position(end.setting, mean, over)


def _over(cylinders: Iterable[int]) -> str:
    numbers = list(map(str, cylinders))
    return f"{noun(len(numbers), 'cylinder')} {', '.join(numbers)}"


def lever_ends(
    assessments: Sequence[Assessment], profile: Profile
) -> tuple[list[LeverEnds], list[str]]:
    """Both ends of every lever read in two settings, and why a lever has none.

    Source: ``advance_range``.
    """
    found, said = [], []
    for unit in profile.units:
        names = [setting.name for setting in unit.settings]
        read = {j.setting for j in assessments if j.unit == unit.name and j.kind == "turned"}
        if len(read & set(names)) > 1:
            try:
                of = advance_range(assessments, unit.name, names, encoder=profile.encoder)
                found.append(of.ends)
            except InputError as why:  # read, but with no mean for the whole unit
                said.append(str(why))
    return found, said

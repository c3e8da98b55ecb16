"""Two units against one another, or one unit before and after: first minus second.

A positive difference means that the first opens earlier. Within one capture the reference drops
out of a difference (JCGM 100:2008, 5.2), and the encoder's errors are those between the two
angles; across captures they do so only where reference and mounting are the same.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from rig.base.angles import wrap
from rig.base.errors import InputError
from rig.base.uncertainty import Contribution, Source, combine
from rig.engine.profile import Encoder, Profile, Rule, Setting, Synchronisation, Unit
from rig.tdc.reference import TdcReference
from rig.timing import uncertainty_budget
from rig.timing.groups import Split
from rig.timing.uncertainty_budget import (
    Cell,
    Figure,
    cells_of,
    figure_over,
    has_mean,
    split_of,
    spread_of,
    valid_readings,
)
from rig.timing.values import ADJUSTING, PHASES, Assessment, Comparison, Phase, Reading, Verdict
from rig.timing.verdict import decide, probability_inside


def compare_units(
    readings: Sequence[Reading],
    profile: Profile,
    reference: TdcReference,
) -> list[Comparison]:
    """Compare units read in one capture, over all cylinders and for each; "turned" readings only.

    Pairs are those of ``profile.synchronism``; where it states nothing, each unit is compared with
    each other, without a verdict. Settings of the same name are compared; where two units have
    none in common and each was read in one setting only, those two. The figure over all cylinders
    comes first and is the mean of the cylinders' differences; it is left out where only one
    cylinder was read on both. Readings a whole crank turn out are left out.

    All readings have to be tied to the one ``reference``; it stands in the list of contributions
    with nothing, since it is common to both.
    """
    usable = [r for r in valid_readings(readings) if r.kind == "turned" and not r.wrong_stroke]
    comparisons = []
    for first, second, wanted in _pairs(profile):
        for phase in PHASES:
            in_phase = _in_phase(usable, phase, (first.name, second.name))
            for one, two in _settings_to_compare(first, second, in_phase):
                sides = (
                    _side(first, one, in_phase, profile.encoder),
                    _side(second, two, in_phase, profile.encoder),
                )
                figures = _figures(*sides, profile.encoder)
                comparisons += [
                    _comparison(
                        (first.name, second.name),
                        _both(one.name, two.name),
                        cylinder=cylinder,
                        difference=wrap(ours.mean_btdc - theirs.mean_btdc),
                        parts=_parts(sides, (ours, theirs), profile.encoder, reference),
                        asked=(wanted.stagger_deg, wanted.tolerance_deg) if wanted else None,
                        rule=profile.decision_rule,
                        phase=phase,
                    )
                    for cylinder, ours, theirs in figures
                ]
    return comparisons


def _in_phase(readings: Sequence[Reading], phase: Phase, pair: tuple[str, str]) -> list[Reading]:
    """Phases that are compared: a unit that is being adjusted with the other as it was found."""
    own = [r for r in readings if r.phase == phase]
    if phase != ADJUSTING:
        return own
    moved = {r.unit for r in own}
    if not moved & set(pair):
        return []
    return own + [r for r in readings if r.phase == "as found" and r.unit not in moved]


def compare_assessments(
    first: Assessment,
    second: Assessment,
    *,
    shared_reference: bool = False,
    encoder: Encoder | None = None,
    wanted_deg: float | None = None,
    tolerance_deg: float | None = None,
    first_name: str = "",
    second_name: str = "",
) -> Comparison:
    """Compare two judgements, as of two captures or certificates: first minus second.

    The references' parts both stay, unless ``shared_reference`` says that both rest on the same
    reference and mounting of the encoder: then it drops out and, with ``encoder`` given, the
    encoder's errors are those between the two angles (at most 2 A sin(d/2) for its run-out).
    ``tolerance_deg`` is the half-width permitted about ``wanted_deg``. Raises ``InputError`` when
    one of the two has no mean.
    """
    if first.mean_btdc is None or second.mean_btdc is None:
        without = first if first.mean_btdc is None else second
        raise InputError(
            f'unit "{without.unit}", {without.setting}: there is no mean opening to compare; '
            "take readings first"
        )
    names = (first_name or first.unit, second_name or second.unit)
    difference = wrap(first.mean_btdc - second.mean_btdc)
    parts: list[Contribution] = []
    plays: list[float] = []
    for assessment, name in zip((first, second), names, strict=True):
        own = assessment.uncertainty.parts if assessment.uncertainty else ()
        plays.append(sum(uncertainty_budget.backlash_deg_of(part) for part in own))
        parts += [replace(part, of=name) for part in own if part.source is not Source.BACKLASH]
    parts += [uncertainty_budget.backlash_of_both(*plays)] if any(plays) else []
    if shared_reference:
        parts = [p for p in parts if p.source not in uncertainty_budget.OF_TDC]
        if encoder is not None:
            parts = [p for p in parts if p.source not in (Source.GRADUATION, Source.RUN_OUT)]
            seats = (
                uncertainty_budget.seat_part([0.0], encoder),
                uncertainty_budget.seat_part([difference], encoder),
            )
            parts += [
                uncertainty_budget.graduation(encoder, *seats),
                uncertainty_budget.run_out(encoder, *seats),
            ]
    stated = wanted_deg is not None and tolerance_deg is not None
    return _comparison(
        names,
        _both(first.setting, second.setting),
        cylinder=first.cylinder if first.cylinder == second.cylinder else None,
        difference=difference,
        parts=parts if first.uncertainty and second.uncertainty else None,
        asked=(wanted_deg or 0.0, tolerance_deg or 0.0) if stated else None,
        rule="guarded",
        phase=first.phase if first.phase == second.phase else "",
    )


def has_changed(of: Comparison) -> bool | None:
    """Whether a difference is more than its U; None where that is not known.

    Called changed where nothing did in at most one of twenty (JCGM 100:2008, 6.2.1).
    """
    return None if of.uncertainty is None else abs(of.difference_deg) > of.uncertainty.U_deg


def _pairs(profile: Profile) -> list[tuple[Unit, Unit, Synchronisation | None]]:
    units = {unit.name: unit for unit in profile.units}
    if profile.synchronism:
        return [(units[s.first], units[s.second], s) for s in profile.synchronism]
    return [(first, second, None) for first, second in combinations(profile.units, 2)]


def _settings_to_compare(
    first: Unit, second: Unit, readings: Sequence[Reading]
) -> list[tuple[Setting, Setting]]:
    read = {(r.unit, r.setting) for r in readings}
    ones = [s for s in first.settings if (first.name, s.name) in read]
    twos = [s for s in second.settings if (second.name, s.name) in read]
    common = {s.name for s in first.settings} & {s.name for s in second.settings}
    if not common and len(ones) == len(twos) == 1:
        return [(ones[0], twos[0])]
    return [(one, two) for one in ones for two in twos if one.name == two.name]


@dataclass(frozen=True, slots=True)
class _Side:
    unit: Unit
    setting: Setting
    cells: list[Cell]
    split: Split | None

    def by_cylinder(self) -> dict[int, Cell]:
        return {c[0].cylinder: c for c in self.cells if c[0].cylinder is not None}

    def has_mean(self, cells: list[Cell]) -> bool:
        """False where openings cancel out, or lie in groups apart."""
        spoilt = self.split is not None and any(
            self.split.spoils(number)
            for number, cell in enumerate(self.cells)
            if any(cell is each for each in cells)
        )
        return not spoilt and has_mean([r for cell in cells for r in cell])

    def figure(self, cells: list[Cell], cylinder: int | None, encoder: Encoder) -> Figure:
        whole = sum((spread_of(cell) for cell in self.cells), uncertainty_budget.Spread())
        return figure_over(cells, encoder, cylinder=cylinder, unit=whole)


def _side(
    unit: Unit,
    setting: Setting,
    readings: Sequence[Reading],
    encoder: Encoder,
) -> _Side:
    own = [r for r in readings if (r.unit, r.setting) == (unit.name, setting.name)]
    return _Side(unit, setting, cells_of(own), split_of(own, encoder, unit.play_deg))


def _both(one: str, two: str) -> str:
    return one if one == two else f"{one} / {two}"


def _figures(one: _Side, two: _Side, encoder: Encoder) -> list[tuple[int | None, Figure, Figure]]:
    """What can be compared: over all cylinders read on both, then each (cylinder, ours, theirs)."""
    ones, twos = one.by_cylinder(), two.by_cylinder()
    common = sorted(ones.keys() & twos.keys())
    pairs: list[tuple[int | None, list[Cell], list[Cell]]] = []
    if len(common) > 1:
        pairs.append((None, [ones[c] for c in common], [twos[c] for c in common]))
    elif not common and one.cells and two.cells:
        pairs.append((None, one.cells, two.cells))
    pairs += [(c, [ones[c]], [twos[c]]) for c in common]
    return [
        (cylinder, one.figure(ours, cylinder, encoder), two.figure(theirs, cylinder, encoder))
        for cylinder, ours, theirs in pairs
        if one.has_mean(ours) and two.has_mean(theirs)
    ]


def _parts(
    sides: tuple[_Side, _Side],
    figures: tuple[Figure, Figure],
    encoder: Encoder,
    reference: TdcReference,
) -> list[Contribution] | None:
    """Contributions to a difference in one capture; None when there is no spread to go by."""
    repeats = [
        replace(figure.repeatability, of=side.unit.name)
        for side, figure in zip(sides, figures, strict=True)
        if figure.repeatability is not None
    ]
    if len(repeats) < 2:
        return None
    seats = figures[0].seat, figures[1].seat
    common = f"reference by {reference.by}, common to both: drops out (JCGM 100, 5.2)"
    parts = [
        *repeats,
        Contribution(Source.TDC, 0.0, math.inf, "B", common),
        uncertainty_budget.counting(encoder),
        uncertainty_budget.graduation(encoder, *seats),
        uncertainty_budget.run_out(encoder, *seats),
    ]
    for side, figure in zip(sides, figures, strict=True):
        own = uncertainty_budget.sensing_delay(side.unit, figure)
        parts += [replace(part, of=side.unit.name) for part in own]
    # Halves in one body share a rotor: the magnet pulls both or none.
    if not (sides[0].unit.body and sides[0].unit.body == sides[1].unit.body):
        plays = [
            0.0 if figure.with_drag else side.unit.play_deg or 0.0
            for side, figure in zip(sides, figures, strict=True)
        ]
        parts += [uncertainty_budget.backlash_of_both(*plays)] if any(plays) else []
    return parts


def _comparison(
    names: tuple[str, str],
    setting: str,
    *,
    cylinder: int | None,
    difference: float,
    parts: Sequence[Contribution] | None,
    asked: tuple[float, float] | None,
    rule: Rule,
    phase: str,
) -> Comparison:
    uncertainty = combine(parts) if parts is not None else None
    verdict: Verdict = "no window set"
    probability = None
    if asked is not None:
        wanted, tolerance = asked
        U_deg = uncertainty.U_deg if uncertainty else None
        off = wrap(difference - wanted)
        verdict = decide(off, U_deg, -tolerance, tolerance, rule)
        if verdict == "inconclusive":
            probability = probability_inside(off, uncertainty, -tolerance, tolerance)
    return Comparison(
        first=names[0],
        second=names[1],
        setting=setting,
        cylinder=cylinder,
        difference_deg=difference,
        uncertainty=uncertainty,
        wanted_deg=asked[0] if asked else None,
        tolerance_deg=asked[1] if asked else None,
        verdict=verdict,
        phase=phase,
        probability_inside=probability,
    )

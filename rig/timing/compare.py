"""Two units against one another, or one unit before and after: first minus second.

A positive difference means that the first opens earlier. Within one capture the reference drops
out of a difference (JCGM 100:2008, 5.2), and the encoder's errors are those between the two
angles; across captures they do so only where reference and mounting are the same.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import combinations

from rig.base.angles import wrap
from rig.base.errors import InputError
from rig.base.uncertainty import Contribution, Source, combine
from rig.engine.profile import Encoder, Profile, Rule, Setting, Synchronisation, Unit
from rig.tdc.reference import TdcReference
from rig.timing import uncertainty_budget
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
        asked = (wanted.stagger_deg, wanted.tolerance_deg) if wanted else None
        for phase in PHASES:
            in_phase = _in_phase(usable, phase, (first.name, second.name))
            for one, two in _settings_to_compare(first, second, in_phase):
                side = _Side(first, one, in_phase, profile.encoder)
                other = _Side(second, two, in_phase, profile.encoder)
                comparisons += [
                    _comparison(
                        (first.name, second.name),
                        _both(one.name, two.name),
                        cylinder=figure.cylinder,
                        difference=wrap(figure.mean_btdc - theirs.mean_btdc),
                        parts=_parts((first, figure), (second, theirs), profile.encoder, reference),
                        asked=asked,
                        rule=profile.decision_rule,
                        phase=phase,
                    )
                    for figure, theirs in _figures(side, other)
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
    """Compare two assessments, as of two captures or certificates: first minus second.

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


class _Side:
    """The readings of one of two units."""

    def __init__(
        self, unit: Unit, setting: Setting, readings: Sequence[Reading], encoder: Encoder
    ) -> None:
        own = [r for r in readings if (r.unit, r.setting) == (unit.name, setting.name)]
        self._encoder = encoder
        self._split = split_of(own, encoder, unit.backlash_deg)
        self.cells = cells_of(own)
        self.by_cylinder = {c[0].cylinder: c for c in self.cells if c[0].cylinder is not None}

    def figure(self, cells: Sequence[Cell], cylinder: int | None) -> Figure | None:
        """None where openings cancel out, or lie in groups apart."""
        split = self._split
        spoilt = split is not None and any(
            split.spoils(number) for number, cell in enumerate(self.cells) if cell in cells
        )
        if spoilt or not has_mean([r for cell in cells for r in cell]):
            return None
        whole = sum((spread_of(cell) for cell in self.cells), uncertainty_budget.Spread())
        return figure_over(cells, self._encoder, cylinder=cylinder, unit=whole)


def _both(one: str, two: str) -> str:
    return one if one == two else f"{one} / {two}"


def _figures(one: _Side, two: _Side) -> Iterator[tuple[Figure, Figure]]:
    """What can be compared: over all cylinders read on both, then each."""
    common = sorted(one.by_cylinder.keys() & two.by_cylinder.keys())
    pairs = [(c, [one.by_cylinder[c]], [two.by_cylinder[c]]) for c in common]
    whole: list[tuple[int | None, list[Cell], list[Cell]]] = []
    if len(common) > 1:
        whole.append((None, [o for _, (o,), _ in pairs], [t for _, _, (t,) in pairs]))
    elif not common and one.cells and two.cells:
        whole.append((None, one.cells, two.cells))
    for cylinder, ours, theirs in (*whole, *pairs):
        figures = one.figure(ours, cylinder), two.figure(theirs, cylinder)
        if figures[0] is not None and figures[1] is not None:
            yield figures[0], figures[1]


def _parts(
    one: tuple[Unit, Figure], two: tuple[Unit, Figure], encoder: Encoder, reference: TdcReference
) -> list[Contribution] | None:
    """Contributions to a difference in one capture; None when there is no spread to go by."""
    repeats = [
        replace(figure.repeatability, of=unit.name)
        for unit, figure in (one, two)
        if figure.repeatability is not None
    ]
    if len(repeats) < 2:
        return None
    seats = one[1].seat, two[1].seat
    common = f"reference by {reference.by}, common to both: drops out (JCGM 100, 5.2)"
    parts = [
        *repeats,
        Contribution(Source.TDC, 0.0, math.inf, "B", common),
        uncertainty_budget.counting(encoder),
        uncertainty_budget.graduation(encoder, *seats),
        uncertainty_budget.run_out(encoder, *seats),
    ]
    for unit, figure in (one, two):
        own = uncertainty_budget.sensing_delay(unit, figure)
        parts += [replace(part, of=unit.name) for part in own]
    # Halves in one body share a rotor: the magnet pulls both or none.
    if not (one[0].body and one[0].body == two[0].body):
        plays = [0.0 if f.with_drag else unit.backlash_deg or 0.0 for unit, f in (one, two)]
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

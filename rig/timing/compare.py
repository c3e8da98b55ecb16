"""Two units against one another, or one unit before and after: first minus second.

A positive difference means that the first opens earlier. Within one capture the reference drops
out of a difference (JCGM 100:2008, 5.2), and the encoder's errors are those between the two
angles; across captures they do so only where reference and mounting are the same.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations

from rig.base.angles import wrap
from rig.base.earlier_rules import Rules
from rig.base.errors import InputError
from rig.base.uncertainty import Contribution, combine
from rig.engine.profile import Encoder, Profile, Rule, Setting, Synchronisation, Unit
from rig.tdc.reference import TdcReference
from rig.timing.means import Figure, Sample, valid_readings
from rig.timing.uncertainty_budget import parts_between, parts_of_difference
from rig.timing.values import ADJUSTING, PHASES, Assessment, Comparison, Phase, Reading, Verdict
from rig.timing.verdict import judge


def compare_units(
    readings: Sequence[Reading],
    profile: Profile,
    reference: TdcReference,
    rules: Rules = (),
) -> list[Comparison]:
    """Compare units read in one capture, over all cylinders and for each; "turned" readings only.

    Pairs are those of ``profile.synchronism``; where it has none, each unit is compared with
    each other, without a verdict. Settings of the same name are compared; where two units have
    none in common, those whose nominals are as far apart as the units should be (a lever's full
    advance with a fixed unit), else those in which each was read if that is one setting only. The
    figure over all cylinders comes first and is the mean of the cylinders' differences; it is left
    out where only one cylinder was read on both. Readings a whole crank turn out are left out.

    All readings have to be tied to the one ``reference``. ``rules``: those of an earlier version.
    """
    usable = [r for r in valid_readings(readings) if r.kind == "turned" and not r.wrong_stroke]
    comparisons = []
    for first, second, wanted in _pairs(profile):
        asked = (wanted.stagger_deg, wanted.tolerance_deg) if wanted else None
        stagger_deg = wanted.stagger_deg if wanted else 0.0
        for phase in PHASES:
            in_phase = _in_phase(usable, phase, (first.name, second.name))
            for one, two in _settings_to_compare(first, second, stagger_deg, in_phase):
                sides = [
                    Sample(
                        [r for r in in_phase if (r.unit, r.setting) == (unit.name, setting.name)],
                        unit,
                        profile.encoder,
                        rules,
                    )
                    for unit, setting in ((first, one), (second, two))
                ]
                comparisons += [
                    _comparison(
                        (first.name, second.name),
                        _both(one.name, two.name),
                        cylinder=ours.cylinder,
                        difference=wrap(ours.mean_btdc - theirs.mean_btdc),
                        parts=parts_of_difference(
                            (first, ours), (second, theirs), profile.encoder, reference, rules
                        ),
                        asked=asked,
                        rule=profile.decision_rule,
                        phase=phase,
                    )
                    for ours, theirs in _figures(*sides)
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

    The parts of both references are kept, unless ``shared_reference``: both rest on the same
    reference and mounting of the encoder. Then it drops out and, with ``encoder`` given, the
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
    parts = parts_between(
        (first, second), names, difference, shared_reference=shared_reference, encoder=encoder
    )
    asked = None if wanted_deg is None or tolerance_deg is None else (wanted_deg, tolerance_deg)
    return _comparison(
        names,
        _both(first.setting, second.setting),
        cylinder=first.cylinder if first.cylinder == second.cylinder else None,
        difference=difference,
        parts=parts,
        asked=asked,
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


SAME_NOMINAL_DEG = 0.01  # nominals entered in degrees and in lengths differ by less


def _settings_to_compare(
    first: Unit, second: Unit, stagger_deg: float, readings: Sequence[Reading]
) -> list[tuple[Setting, Setting]]:
    read = {(r.unit, r.setting) for r in readings}
    ones = [s for s in first.settings if (first.name, s.name) in read]
    twos = [s for s in second.settings if (second.name, s.name) in read]
    common = {s.name for s in first.settings} & {s.name for s in second.settings}
    if not common:

        def belong(one: Setting, two: Setting) -> bool:
            """Whether the manual has them open together, or as far apart as they should."""
            if one.window is None or two.window is None:
                return False
            apart_deg = one.window.nominal_btdc - two.window.nominal_btdc
            return abs(wrap(apart_deg - stagger_deg)) < SAME_NOMINAL_DEG

        if any(belong(one, two) for one in first.settings for two in second.settings):
            return [(one, two) for one in ones for two in twos if belong(one, two)]
        if len(ones) == len(twos) == 1:
            return [(ones[0], twos[0])]
    return [(one, two) for one in ones for two in twos if one.name == two.name]


def _both(one: str, two: str) -> str:
    return one if one == two else f"{one} / {two}"


def _figures(one: Sample, two: Sample) -> Iterator[tuple[Figure, Figure]]:
    """What can be compared: over all cylinders read on both, then each."""
    common = [number for unknown, number in one.cells.keys() & two.cells.keys() if not unknown]
    common.sort()
    pairs = [(one.figure(number), two.figure(number)) for number in common]
    if len(common) > 1:
        pairs.insert(0, (one.figure(of=common), two.figure(of=common)))
    elif not common and one.cells and two.cells:
        pairs.append((one.figure(), two.figure()))
    for ours, theirs in pairs:
        if ours is not None and theirs is not None:
            yield ours, theirs


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
    uncertainty = None if parts is None else combine(parts)
    verdict: Verdict = "no window set"
    probability = None
    if asked is not None:
        wanted, within = asked
        verdict, probability = judge(wrap(difference - wanted), uncertainty, -within, within, rule)
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

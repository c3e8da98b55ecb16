"""From what was read to what is wanted of it."""

from __future__ import annotations

import math
from collections.abc import Sequence

from rig.engine.profile import Profile
from rig.faults import InputError
from rig.timing.budget import TOP_DEAD_CENTRE
from rig.timing.circular import wrap
from rig.timing.compare import compare_judgements
from rig.timing.correction.plan import PairWant, Want
from rig.timing.judge import ONE_TURN_OUT
from rig.timing.results import PHASES, Comparison, Judgement


def wants_from(judgements: Sequence[Judgement], profile: Profile) -> list[Want]:
    """What each unit's turned readings ask for: one want a unit, setting and judged cylinder.

    Of a unit judged over all cylinders that figure counts; else each cylinder's own. How a
    unit stands last counts. A unit one crank turn out is wanted back by that turn.
    A unit whose readings lie in groups is left out (see ``not_corrected``). Raises InputError when
    nothing is left, or nothing was read against a window. Source: the judgements.
    """
    wants = [_want(j) for j in _latest(judgements, profile) if j.nominal_btdc is not None]
    if not wants and (moving := not_corrected(judgements, profile)):
        raise InputError("; ".join(moving))
    if not wants:
        raise InputError(
            "no unit was read by turning against a window, so there is nothing to correct: "
            "take readings, or state the window in the engine file"
        )
    return wants


def in_groups(judgements: Sequence[Judgement], unit: str, setting: str) -> list[Judgement]:
    """Those of a unit in a setting, as it stands last, whose readings lie in groups apart."""
    own = [j for j in judgements if (j.unit, j.setting, j.kind) == (unit, setting, "turned")]
    latest = max((PHASES.index(j.phase) for j in own if j.phase in PHASES), default=0)
    return [j for j in own if j.phase == PHASES[latest] and j.groups]


def not_corrected(judgements: Sequence[Judgement], profile: Profile) -> list[str]:
    """A sentence for each unit and setting of which no correction is worked out, and why."""
    found = []
    for unit in profile.units:
        for setting in unit.settings:
            moving = in_groups(judgements, unit.name, setting.name)
            if moving:
                words = f"{moving[0].words}: {moving[0].settle}"
                found.append(f"{unit.name}, {setting.name}: no correction is worked out; {words}")
    return found


def pairs_from(
    judgements: Sequence[Judgement], profile: Profile, comparisons: Sequence[Comparison] = ()
) -> list[PairWant]:
    """How the units that are to open together stand to each other: as ``wants_from`` has them.

    A difference is the one of ``comparisons`` where both stand as compared there, else that of the
    two judgements, whose reference drops out. Source: the comparisons.
    """
    latest = _latest(judgements, profile)
    found = []
    for pair in profile.synchronism:
        for one in latest:
            for two in latest:
                if (one.unit, two.unit) != (pair.first, pair.second):
                    continue
                if (one.setting, one.cylinder) != (two.setting, two.cylinder):
                    continue
                compared = _compared(one, two, comparisons) or compare_judgements(
                    one, two, shared_reference=True, encoder=profile.encoder
                )
                turns = sum(
                    sign * 360.0
                    for sign, each in ((1.0, one), (-1.0, two))
                    if ONE_TURN_OUT in each.marks
                )
                found.append(
                    PairWant(
                        first=pair.first,
                        second=pair.second,
                        setting=one.setting,
                        read_deg=compared.difference_deg + turns,
                        wanted_deg=pair.stagger_deg,
                        tolerance_deg=pair.tolerance_deg,
                        U_deg=compared.uncertainty.U_deg if compared.uncertainty else None,
                        cylinder=one.cylinder,
                    )
                )
    return found


def _compared(
    one: Judgement, two: Judgement, comparisons: Sequence[Comparison]
) -> Comparison | None:
    if one.phase != two.phase or ONE_TURN_OUT in (*one.marks, *two.marks):
        return None
    wanted = (one.unit, two.unit, one.setting, one.cylinder, one.phase)
    return next(
        (c for c in comparisons if (c.first, c.second, c.setting, c.cylinder, c.phase) == wanted),
        None,
    )


def _latest(judgements: Sequence[Judgement], profile: Profile) -> list[Judgement]:
    """The turned judgements of how each unit stands last in each setting."""
    usable = [j for j in judgements if j.kind == "turned"]
    found: list[Judgement] = []
    for unit in profile.units:
        for setting in unit.settings:
            own = [j for j in usable if (j.unit, j.setting) == (unit.name, setting.name)]
            if any(j.nominal_btdc is not None for j in own):
                own = [j for j in own if j.nominal_btdc is not None]
            last = max((PHASES.index(j.phase) for j in own if j.phase in PHASES), default=0)
            own = [j for j in own if j.phase == PHASES[last] and j.mean_btdc is not None]
            if in_groups(judgements, unit.name, setting.name):
                continue
            over_all = [j for j in own if j.cylinder is None]
            found.extend(over_all or own)
    return found


def _want(judgement: Judgement) -> Want:
    j = judgement
    if None in (j.mean_btdc, j.earliest_btdc, j.nominal_btdc, j.latest_btdc):
        raise ValueError(f"{j.unit} has no window or no mean")
    mean, nominal = float(j.mean_btdc or 0.0), float(j.nominal_btdc or 0.0)
    turned = 360.0 if ONE_TURN_OUT in j.marks else 0.0
    return Want(
        unit=j.unit,
        setting=j.setting,
        read_btdc=nominal + wrap(mean - nominal) + turned,
        wanted_btdc=nominal,
        earliest_btdc=float(j.earliest_btdc or 0.0),
        latest_btdc=float(j.latest_btdc or 0.0),
        U_deg=j.uncertainty.U_deg if j.uncertainty else None,
        u_deg=own_u_deg(j),
        cylinder=j.cylinder,
    )


def own_u_deg(judgement: Judgement) -> float:
    """Standard uncertainty of a judgement without the reference it shares with others, degrees.

    Without one (a single reading): 0.1. Source: JCGM 100:2008, 5.2: what is shared drops out.
    """
    if judgement.uncertainty is None:
        return 0.1
    parts = [p.u_deg for p in judgement.uncertainty.parts if p.name != TOP_DEAD_CENTRE]
    return math.hypot(*parts)

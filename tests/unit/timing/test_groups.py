"""Readings in groups apart: a unit that moved, a drive that slips, and steady units left alone."""

from __future__ import annotations

import math
import sys
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import product

import numpy as np
import pytest
from how_many import how_many
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from sample_engines import FINE_ENCODER, changed, four, reading, reference, single, unit
from scipy.stats import poisson

from rig.adjust.plan import not_corrected, wants_from
from rig.base.errors import InputError
from rig.engine.profile import Encoder
from rig.timing.assess import assess, unit_figure
from rig.timing.compare import compare_units
from rig.timing.groups import (
    FALSE_ALARM,
    Split,
    _log_tail,
    _ways,
    explained_deg,
    split_into_groups,
)
from rig.timing.means import Sample
from rig.timing.values import Assessment, Mark, Reading
from rig.words.assessments import assessment_in_full, what_decides

Floats = NDArray[np.float64]


def read(btdc_deg: Floats | Sequence[float], cylinders: Sequence[int] = (1,)) -> list[Reading]:
    """Readings in order of time, cylinders in turn."""
    return [
        replace(reading(float(deg), cylinder=cylinders[i % len(cylinders)]), t_s=float(i))
        for i, deg in enumerate(btdc_deg)
    ]


def split_of(
    group: Sequence[Reading], encoder: Encoder = FINE_ENCODER, backlash_deg: float | None = None
) -> Split | None:
    return Sample(group, replace(unit(), backlash_deg=backlash_deg), encoder).split


def are_parted(btdc_deg: Floats | Sequence[float], cylinders: Sequence[int] = (1,)) -> bool:
    return split_of(read(btdc_deg, cylinders)) is not None


def whole(group: Sequence[Reading], cylinders: int = 1) -> Assessment:
    job = single() if cylinders == 1 else four()
    found = unit_figure(assess(group, job, reference()), "upper", "full advance")
    assert found is not None
    return found


SLIPS = [0.1, 20.3, 0.2, 20.4, 0.0, 20.2, 0.3, 20.1]
"""A mean of 10.2 degrees with a standard deviation of 10.8: no opening lies there."""


def test_a_drive_that_slips_has_no_mean() -> None:
    found = whole(read(SLIPS))
    assert (found.mean_btdc, found.sd_deg, found.uncertainty) == (None, None, None)
    assert found.verdict == "inconclusive"
    assert [each.n for each in found.groups] == [4, 4]
    assert [each.mean_btdc for each in found.groups] == pytest.approx([0.15, 20.25])
    assert (
        assessment_in_full(found)
        == "no mean, it goes to and fro: 4 at 0.15° BTDC, and 4 at 20.25° BTDC"
    )
    assert Mark.IN_GROUPS in found.marks
    assert "read again" in what_decides(found)


def test_a_unit_that_moved_is_reported_in_order_of_time() -> None:
    found = whole(read([36.1, 36.0, 36.2, 36.1, 34.0, 34.1, 33.9, 34.05, 34.0, 33.95]))
    assert assessment_in_full(found).startswith(
        "no mean, it moved: 4 at 36.10° BTDC, then 6 at 34.00° BTDC"
    )
    assert [each.n for each in found.groups] == [4, 6]
    back = whole(read([34.0, 34.1, 34.05, 36.1, 36.0, 36.2, 36.1, 36.15, 35.1, 35.0, 35.05]))
    assert [each.n for each in back.groups] == [3, 5, 3]
    assert [each.mean_btdc for each in back.groups] == pytest.approx([34.05, 36.11, 35.05])


@pytest.mark.parametrize("values", [[10.0, 30.0], [10.0, 10.2, 30.1], [0.0, 0.3, 20.2, 20.4]])
def test_readings_far_apart_are_never_averaged_however_few(values: list[float]) -> None:
    assert whole(read(values)).mean_btdc is None


def test_a_move_shows_in_all_cylinders_together() -> None:
    """Two readings of each cylinder before the move and two after: too few for any one alone."""
    rng = np.random.default_rng(1)
    deg = 36.0 + rng.normal(0.0, 0.15, 16) + np.tile([0.3, -0.2, 0.1, 0.0], 4)
    deg[8:] -= 2.0
    cylinders = (1, 3, 4, 2)
    judged = assess(read(deg, cylinders), four(), reference())
    assert [j.cylinder for j in judged] == [None, 1, 2, 3, 4]
    assert all(j.mean_btdc is None and Mark.IN_GROUPS in j.marks for j in judged)
    assert [each.n for each in judged[0].groups] == [8, 8]
    assert judged[0].groups[0].mean_btdc - judged[0].groups[1].mean_btdc == pytest.approx(
        2, abs=0.2
    )
    assert not are_parted(deg[0::4])


def test_one_lobe_that_jumps_spoils_its_own_figure_and_the_one_over_all() -> None:
    rng = np.random.default_rng(2)
    deg = 36.0 + rng.normal(0.0, 0.1, 40)
    deg[3::8] += 8.0  # every other reading of cylinder 2
    judged = assess(read(deg, (1, 3, 4, 2)), four(), reference())
    assert {j.cylinder for j in judged if j.mean_btdc is None} == {None, 2}
    assert {j.cylinder for j in judged if j.mean_btdc is not None} == {1, 3, 4}


def test_lobes_that_differ_are_no_groups() -> None:
    rng = np.random.default_rng(3)
    deg = np.tile([36.0, 30.0, 33.0, 39.0], 6) + rng.normal(0.0, 0.1, 24)
    assert not are_parted(deg, (1, 3, 4, 2))


def test_what_was_set_with_the_crank_held_is_not_split() -> None:
    """Each time it was put somewhere on purpose."""
    (found,) = assess(changed(read([30.0, 33.0, 36.0]), kind="set"), single(), reference())
    assert found.mean_btdc == pytest.approx(33.0)


def test_differences_that_entered_errors_explain_stay_in_the_spread() -> None:
    geared = Encoder(4096, run_out_deg=0.5, turns_per_crank_turn=Fraction(1, 2))
    assert explained_deg(geared, 0.3) == pytest.approx(0.3 + 2 * 0.5 / 0.5 + 360 / 2048)
    on_crank = Encoder(4096, run_out_deg=0.5)
    assert explained_deg(on_crank, None) == pytest.approx(360 / 4096)
    two_places = read([36.0, 37.2] * 10)
    assert split_of(two_places, geared) is None
    assert split_of(two_places, on_crank) is not None
    assert split_of(two_places, on_crank, 1.3) is None  # the magnet pulls it through its backlash


# -- the rate of false alarms ---------------------------------------------------------------------


def alarms(trials: int, n: int, cylinders: int, sd: float, seed: int) -> int:
    """How many of ``trials`` steady units are reported to lie in groups."""
    rng = np.random.default_rng(seed)
    lobes = [i % cylinders for i in range(n)]
    own = rng.normal(0.0, 2.0, cylinders)
    return sum(
        split_into_groups((36.0 + own[lobes] + rng.normal(0.0, sd, n)).tolist(), lobes, 0.1)
        is not None
        for _ in range(trials)
    )


CASES = [(n, cylinders) for cylinders in (1, 4) for n in (4, 8, 20, 60) if n > cylinders]


@pytest.mark.parametrize(("n", "cylinders"), CASES)
def test_a_steady_unit_is_hardly_ever_said_to_move(n: int, cylinders: int) -> None:
    """More than 4 in 300 would be a chance of under one in a hundred thousand at the entered rate
    (binomial). A spread of half a degree, so that the least difference does not hide an alarm."""
    assert alarms(300, n, cylinders, 0.5, n * cylinders) <= 4


@pytest.mark.slow
@pytest.mark.parametrize("sd", [0.15, 0.5, 0.75])
@pytest.mark.parametrize(("n", "cylinders"), CASES)
def test_the_entered_rate_of_false_alarms_holds(n: int, cylinders: int, sd: float) -> None:
    """That rate gives so many more rarely than once in a thousand times (Poisson)."""
    trials = how_many(1000)
    found = alarms(trials, n, cylinders, sd, 1000 + n * cylinders)
    assert poisson.sf(found - 1, FALSE_ALARM * trials) > 1e-3, found


@pytest.mark.parametrize(("apart", "n"), [(1.5, 24), (2.0, 16), (6.0, 6), (20.0, 4)])
def test_groups_well_apart_are_found(apart: float, n: int) -> None:
    rng = np.random.default_rng(int(n))
    found = 0
    for _ in range(200):
        deg = 36.0 + rng.normal(0.0, 0.15, n)
        deg[rng.permutation(n)[: n // 2]] += apart
        found += are_parted(deg)
    assert found >= 190


@pytest.mark.parametrize(("apart", "n"), [(1.0, 20), (1.5, 12), (2.0, 8)])
def test_a_move_is_found(apart: float, n: int) -> None:
    rng = np.random.default_rng(int(n))
    found = 0
    for _ in range(200):
        deg = 36.0 + rng.normal(0.0, 0.1, n)
        deg[n // 2 :] += apart
        found += are_parted(deg)
    assert found >= 190


# -- what it rests on -----------------------------------------------------------------------------


def test_the_ways_to_part_are_those_counted_one_by_one() -> None:
    def count(sizes: tuple[int, ...], breaks: int) -> int:
        """Labels for each reading, two alike where the groups are the same."""
        seen = set()
        at = [lobe for lobe, n in enumerate(sizes) for _ in range(n)]
        for labels in product(range(breaks + 1), repeat=len(at)):
            groups: dict[tuple[int, int], list[int]] = {}
            for place, key in enumerate(zip(at, labels, strict=True)):
                groups.setdefault(key, []).append(place)
            if len(groups) == len(sizes) + breaks:
                seen.add(frozenset(map(tuple, groups.values())))
        return len(seen)

    for sizes, breaks in (((4,), 1), ((5,), 2), ((2, 3), 1), ((2, 3), 2), ((3, 3), 2)):
        assert _ways(sizes, breaks) == count(sizes, breaks)


@given(st.floats(0.01, 1e6), st.integers(1, 12), st.integers(1, 300))
def test_the_tail_is_never_put_below_what_it_is(ratio: float, more: int, nu: int) -> None:
    """Against scipy's own F distribution, where its tail is a normal float64."""
    from scipy.stats import f

    exact = float(f.logsf(ratio / more * nu, more, nu))
    assume(exact > math.log(sys.float_info.min))
    assert _log_tail(ratio, 1.0, more, nu) >= exact - 1e-6 * max(1.0, abs(exact))


def test_the_tail_is_near_what_it_is_where_it_decides() -> None:
    from scipy.stats import f

    for more, nu in ((1, 2), (1, 10), (3, 20), (1, 60)):
        ratio = float(f.isf(1e-6, more, nu)) * more / nu
        assert _log_tail(ratio, 1.0, more, nu) == pytest.approx(math.log(1e-6), abs=1.5)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.integers(2, 30), st.floats(-180.0, 180.0), st.booleans())
def test_the_same_readings_turned_round_the_circle_are_split_alike(
    seed: int, n: int, turned: float, moved: bool
) -> None:
    rng = np.random.default_rng(seed)
    deg = rng.normal(0.0, 0.2, n)
    deg[n // 2 :] += 3.0 * moved
    there = [(each + turned + 180.0) % 360.0 - 180.0 for each in deg]
    one, other = (split_of(read(each)) for each in (deg.tolist(), there))
    assert (one is None) == (other is None)
    if one is not None and other is not None:
        assert one.labels == other.labels


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), st.floats(6.0, 170.0), st.integers(1, 8), st.integers(1, 8))
def test_no_mean_ever_lies_where_no_opening_was(
    seed: int, apart: float, before: int, after: int
) -> None:
    """Whatever moved by more than six degrees: no figure in between."""
    rng = np.random.default_rng(seed)
    deg = [*rng.normal(-85.0, 0.2, before), *rng.normal(-85.0 + apart, 0.2, after)]
    for order in (deg, rng.permutation(deg).tolist()):
        for judged in assess(read(order), single(), reference()):
            assert judged.mean_btdc is None
            assert sum(each.n for each in judged.groups) == before + after


# -- where it is shown, and what is not made of it ------------------------------------------------


def test_no_correction_is_worked_out_from_groups() -> None:
    judged = assess(read(SLIPS), single(), reference())
    with pytest.raises(InputError, match=r"no correction is worked out; no mean, it goes to and"):
        wants_from(judged, single())


def test_a_unit_in_groups_does_not_hide_another() -> None:
    job = single(unit("upper", 1), unit("lower", 2))
    steady = [replace(reading(34.0 + 0.1 * i, "lower"), t_s=float(i)) for i in range(4)]
    judged = assess([*read(SLIPS), *steady], job, reference())
    assert [want.unit for want in wants_from(judged, job)] == ["lower"]
    (words,) = not_corrected(judged, job)
    assert words.startswith("upper, full advance: no correction is worked out")


def test_what_it_was_found_at_does_not_stand_for_groups_as_left() -> None:
    found = [replace(each, phase="as found") for each in read([36.1, 36.0, 36.05])]
    left = [replace(each, phase="as left") for each in read(SLIPS)]
    with pytest.raises(InputError, match="no correction"):
        wants_from(assess([*found, *left], single(), reference()), single())


def test_units_are_not_compared_by_readings_in_groups() -> None:
    job = single(unit("upper", 1), unit("lower", 2))
    steady = [replace(reading(36.0 + 0.1 * i, "lower"), t_s=float(i)) for i in range(4)]
    assert compare_units([*read(SLIPS), *steady], job, reference()) == []
    assert len(compare_units([*read([36.0, 36.1, 36.2]), *steady], job, reference())) > 0


@given(st.lists(st.sampled_from([-179.0, -90.0, -5.0, 0.0, 1.0, 90.0, 180.0]), max_size=9))
@example([-5.0, 180.0, 0.0, 0.0, 1.0])
def test_readings_that_cancel_out_are_assessed_without_a_mean(angles: list[float]) -> None:
    """In whatever groups they fall: no figure, and no error."""
    found = read(angles, (1, 3, 4))
    profile = four()
    for each in assess(found, profile, reference()):
        assert each.mean_btdc is None or math.isfinite(each.mean_btdc)
    compare_units(found, profile, reference())


def in_turn(lobes_deg: Sequence[float], cylinders: int, openings: int) -> list[Reading]:
    """Readings of a cam whose lobes take turns at the cylinders."""
    rng = np.random.default_rng(openings)
    return [
        replace(
            reading(36.0 + lobes_deg[i % len(lobes_deg)] + rng.normal(0.0, 0.04)),
            cylinder=i % cylinders + 1,
            lobe=i % len(lobes_deg),
            t_s=float(i),
        )
        for i in range(openings)
    ]


@pytest.mark.parametrize(("lobes", "cylinders"), [(2, 3), (4, 6), (4, 9), (2, 7), (2, 1)])
def test_unequal_lobes_that_take_turns_at_a_cylinder_are_no_unit_that_moves(
    lobes: int, cylinders: int
) -> None:
    """Seven cylinders and two lobes at 1.75 times crank speed, say: each cylinder meets both."""
    differing = [0.8 * (n % 2) for n in range(lobes)]
    steady = in_turn(differing, cylinders, 12 * lobes * cylinders)
    assert split_of(steady) is None
    half = len(steady) // 2
    later = [replace(r, btdc_deg=(r.btdc_deg or 0.0) - 1.5) for r in steady[half:]]
    moved = steady[:half] + later
    assert split_of(moved) is not None
    slips = np.random.default_rng(1).random(len(steady)) < 0.4
    slipping = [
        replace(r, btdc_deg=(r.btdc_deg or 0.0) - 20.0 * slip)
        for r, slip in zip(steady, slips, strict=True)
    ]
    assert split_of(slipping[: 2 * lobes * cylinders]) is not None

"""Units against one another, before and after, and along a lever."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sample_engines import (
    ADVANCE,
    FINE_ENCODER,
    changed,
    four,
    readings,
    reference,
    single,
    unit,
)

from rig.base.earlier_rules import EarlierRule
from rig.base.errors import InputError
from rig.base.uncertainty import Contribution, Source, combine
from rig.engine.profile import Profile, Setting, Synchronisation, Window
from rig.timing import uncertainty_budget
from rig.timing.assess import assess
from rig.timing.compare import compare_assessments, compare_units
from rig.timing.readings import drag_alone
from rig.timing.values import Assessment
from rig.words.assessments import comparison_in_full, contribution_words

UPPER = [36.0, 36.1, 36.2, 36.1, 36.1]
LOWER = [35.6, 35.7, 35.8, 35.7, 35.7]


def pair(stagger: float = 0.0, tolerance: float = 1.0) -> Profile:
    wanted = Synchronisation("upper", "lower", stagger, tolerance, "manual, page 14")
    return replace(single(unit("upper", 1), unit("lower", 2)), synchronism=(wanted,))


def judged(u_own: float, u_tdc: float, mean: float) -> Assessment:
    """An assessment that consists of its own part and of TDC."""
    base = assess(readings([mean - 0.1, mean, mean + 0.1]), single(), reference())[0]
    parts = [
        Contribution(Source.REPEATABILITY, u_own, math.inf, "A", ""),
        Contribution(Source.TDC, u_tdc, math.inf, "B", ""),
    ]
    return replace(base, uncertainty=combine(parts))


def test_the_shared_reference_drops_out() -> None:
    """D3: own parts 0.06 and 0.08, shared TDC 0.10. Source: JCGM 100:2008, 5.2."""
    upper, lower = judged(0.06, 0.10, 36.1), judged(0.08, 0.10, 35.7)
    assert upper.uncertainty is not None
    assert lower.uncertainty is not None
    assert upper.uncertainty.u_deg == pytest.approx(0.116619, abs=1e-6)
    assert lower.uncertainty.u_deg == pytest.approx(0.128062, abs=1e-6)
    shared = compare_assessments(upper, lower, shared_reference=True)
    assert shared.uncertainty is not None
    assert shared.uncertainty.u_deg == pytest.approx(0.100000, abs=1e-6)
    apart = compare_assessments(upper, lower)
    assert apart.uncertainty is not None
    assert apart.uncertainty.u_deg == pytest.approx(math.hypot(0.116619, 0.128062), abs=1e-6)


def test_the_plays_of_two_judgements_are_not_counted_twice() -> None:
    """Each opens early by 0 to 0.6: the difference of two such, of standard deviation 0.6/sqrt(6).
    Source: JCGM 100:2008, 4.3.7 and 5.1.2."""
    parts = [
        Contribution(Source.REPEATABILITY, 0.05, math.inf, "A", ""),
        uncertainty_budget.backlash(0.6),
    ]
    one = replace(judged(0.05, 0.0, 36.0), uncertainty=combine(parts))
    found = compare_assessments(one, one).uncertainty
    assert found is not None
    assert found.u_deg == pytest.approx(math.hypot(0.05, 0.05, 0.6 / math.sqrt(6.0)))


def test_two_units_in_one_capture() -> None:
    group = readings(UPPER, "upper") + readings(LOWER, "lower")
    [found] = compare_units(group, pair(), reference(u_deg=5.0))
    assert (found.first, found.second, found.cylinder) == ("upper", "lower", 1)
    assert found.difference_deg == pytest.approx(0.4)
    assert found.verdict == "inside"
    assert comparison_in_full(found) == "upper opens 0.40 degrees before lower"
    assert found.uncertainty is not None
    own = {contribution_words(part): part.u_deg for part in found.uncertainty.parts}
    assert own["repeatability, upper"] == pytest.approx(math.sqrt(0.005 / 5))
    assert own["TDC"] == 0.0
    assert found.uncertainty.u_deg < 0.06


@pytest.mark.parametrize(
    ("stagger", "tolerance", "verdict"),
    [
        (0.0, 1.0, "inside"),
        (0.0, 0.45, "inconclusive"),
        (0.0, 0.1, "outside"),
        (3.0, 1.0, "outside"),
        (0.5, 0.5, "inside"),
        (-0.4, 0.3, "outside"),
    ],
)
def test_synchronism_and_stagger(stagger: float, tolerance: float, verdict: str) -> None:
    group = readings(UPPER, "upper") + readings(LOWER, "lower")
    [found] = compare_units(group, pair(stagger, tolerance), reference())
    assert found.verdict == verdict
    assert "inconclusive" not in comparison_in_full(
        found
    )  # the verdict stands beside them wherever they do
    assert ("beyond the" in comparison_in_full(found)) == (verdict == "outside")
    assert (found.wanted_deg, found.tolerance_deg) == (stagger, tolerance)


def test_run_out_is_shared_at_nearly_the_same_angle() -> None:
    encoder = replace(FINE_ENCODER, run_out_deg=0.3)
    job = replace(pair(), encoder=encoder)
    group = readings(UPPER, "upper") + readings(LOWER, "lower")
    [found] = compare_units(group, job, reference())
    assert found.uncertainty is not None
    part = next(p for p in found.uncertainty.parts if p.source is Source.RUN_OUT)
    assert part.u_deg == pytest.approx(0.6 * math.sin(math.radians(0.2)) / math.sqrt(2), rel=1e-3)


def test_over_all_cylinders_and_each() -> None:
    job = four(unit("upper", 1, "1", 2), unit("lower", 2, "1", 2))
    group = (
        readings([36.0, 36.2], "upper", 1)
        + readings([36.4, 36.6], "upper", 3)
        + readings([30.0, 30.2], "upper", 4)
        + readings([35.8, 36.0], "lower", 1)
        + readings([36.3, 36.5], "lower", 3)
    )
    found = compare_units(group, job, reference())
    assert [(one.cylinder, one.verdict) for one in found] == [
        (None, "no window set"),
        (1, "no window set"),
        (3, "no window set"),
    ]
    assert [one.difference_deg for one in found] == pytest.approx([0.15, 0.2, 0.1])


def test_cylinders_that_are_not_known_are_compared_over_all() -> None:
    job = four(unit("upper", 1, "1", 2), unit("lower", 2, "1", 2))
    group = readings(UPPER, "upper", None) + readings(LOWER, "lower", None)
    [found] = compare_units(group, job, reference())
    assert found.cylinder is None
    assert found.difference_deg == pytest.approx(0.4)


def test_single_readings_are_compared_without_a_verdict() -> None:
    group = readings([36.1], "upper") + readings([35.7], "lower")
    [found] = compare_units(group, pair(), reference())
    assert (found.uncertainty, found.verdict) == (None, "inconclusive")
    assert comparison_in_full(found) == "upper opens 0.40 degrees before lower"


def test_together_and_after() -> None:
    group = readings(LOWER, "upper") + readings(UPPER, "lower")
    assert comparison_in_full(compare_units(group, pair(), reference())[0]) == (
        "upper opens 0.40 degrees after lower"
    )
    group = readings(UPPER, "upper") + readings(UPPER, "lower")
    assert (
        comparison_in_full(compare_units(group, pair(), reference())[0])
        == "upper and lower open together"
    )


def test_phases_and_other_kinds_stay_apart() -> None:
    group = (
        readings(UPPER, "upper")
        + changed(readings(UPPER, "upper"), phase="as left")
        + changed(readings(LOWER, "lower"), phase="as left")
        + changed(readings([10.0, 10.1], "lower"), kind="impulse")
    )
    [found] = compare_units(group, pair(), reference())
    assert found.phase == "as left"
    assert found.difference_deg == pytest.approx(0.4)


def test_a_unit_a_crank_turn_out_is_not_compared() -> None:
    group = readings(UPPER, "upper") + changed(readings(LOWER, "lower"), wrong_stroke=True)
    assert compare_units(group, pair(), reference()) == []


def test_settings_of_other_names_are_compared_when_there_is_no_choice() -> None:
    fixed = Setting("fixed", Window(37.0, 36.0, 35.0, "manual"))
    job = single(unit("upper", 1), unit("lower", 2, setting=fixed))
    group = readings(UPPER, "upper") + changed(readings(LOWER, "lower"), setting="fixed")
    [found] = compare_units(group, job, reference())
    assert found.setting == "full advance / fixed"


def test_the_setting_of_a_lever_is_compared_that_belongs_to_a_fixed_unit() -> None:
    """Read at both its ends, a unit is still compared where both units should open together; and
    at the other end it is not, whatever was read first."""
    retard = Setting("full retard", Window(6.0, 5.0, 4.0, "manual"))
    upper = replace(unit("upper", 1), settings=(ADVANCE, retard))
    nominal = ADVANCE.window.nominal_btdc if ADVANCE.window else 0.0
    fixed = Setting("fixed", Window(nominal + 1.0, nominal, nominal - 1.0, "manual"))
    job = single(upper, unit("lower", 2, setting=fixed))
    other = changed(readings(LOWER, "lower"), setting="fixed")
    late = changed(readings([5.0, 5.1, 5.2], "upper"), setting="full retard")
    [found] = compare_units(readings(UPPER, "upper") + late + other, job, reference())
    assert found.setting == "full advance / fixed"
    assert found.difference_deg == pytest.approx(0.4)
    assert compare_units(late + other, job, reference()) == []


def test_backlash_of_one_body_is_shared() -> None:
    group = readings(UPPER, "upper") + readings(LOWER, "lower")

    def names(body: str) -> list[str]:
        [found] = compare_units(group, twin(body, 0.5), reference())
        assert found.uncertainty is not None
        return [contribution_words(part) for part in found.uncertainty.parts]

    assert "backlash of both" in names("")
    assert not any("backlash" in name for name in names("double magneto"))


def twin(body: str, backlash_deg: float) -> Profile:
    units = (replace(u, backlash_deg=backlash_deg, body=body) for u in pair().units)
    return replace(pair(), units=tuple(units))


@given(
    st.floats(0.05, 3.0), st.floats(0.0, 1.0), st.booleans(),
    st.sampled_from(["", "double magneto"]),
)  # fmt: skip
def test_halves_of_which_one_was_read_with_a_drag_do_not_share_their_backlash(
    backlash_deg: float, share: float, first: bool, body: str
) -> None:
    """The half without it may be early by any part of the backlash (TM 1-1500-204-23-1), the other
    not, though both open together."""
    early = [36.0 + share * backlash_deg] * 3
    pulled, held = (early, [36.0] * 3) if first else ([36.0] * 3, early)
    group = [
        *changed(readings(pulled, "upper"), drag=not first),
        *changed(readings(held, "lower"), drag=first),
    ]
    [found] = compare_units(drag_alone(group), twin(body, backlash_deg), reference())
    assert found.U_deg is not None
    assert abs(found.difference_deg) <= found.U_deg
    earlier = {EarlierRule.DRAG_OF_ONE_HALF}
    [then] = compare_units(drag_alone(group), twin(body, backlash_deg), reference(), earlier)
    assert then.U_deg is not None
    assert (then.U_deg < 0.05) is bool(body)


def test_before_and_after() -> None:
    before = assess(readings([33.0, 33.1, 33.2] * 3), single(), reference(u_deg=0.05))[0]
    after = assess(readings(UPPER), single(), reference(u_deg=0.05))[0]
    found = compare_assessments(after, before, first_name="after", second_name="before")
    assert comparison_in_full(found) == "after opens 3.00 degrees before before"
    assert found.verdict == "no window set"
    asked = compare_assessments(after, before, wanted_deg=3.0, tolerance_deg=0.5)
    assert asked.verdict == "inside"


def test_encoder_errors_between_two_angles_on_one_mounting() -> None:
    encoder = replace(FINE_ENCODER, run_out_deg=0.12)
    job = single(encoder=encoder)
    first = assess(readings([36.0, 36.1, 36.2] * 3), job, reference())[0]
    second = assess(readings([0.0, 0.1, 0.2] * 3), job, reference())[0]
    found = compare_assessments(first, second, shared_reference=True, encoder=encoder)
    assert found.uncertainty is not None
    part = next(p for p in found.uncertainty.parts if p.source is Source.RUN_OUT)
    # D4: 2 A sin(d/2) for A = 0.12, d = 36 degrees.
    assert part.u_deg * math.sqrt(2.0) == pytest.approx(0.074164, abs=1e-6)


def test_nothing_to_compare_is_refused() -> None:
    good = assess(readings(UPPER), single(), reference())[0]
    none = assess(readings([90.0, -90.0]), single(), reference())[0]
    with pytest.raises(InputError, match="no mean opening"):
        compare_assessments(good, none)

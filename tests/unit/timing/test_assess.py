"""Readings to assessment: groups, figures, verdicts and words."""

from __future__ import annotations

import ast
import math
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sample_engines import (
    ADVANCE,
    FINE_ENCODER,
    changed,
    four,
    nine,
    reading,
    readings,
    reference,
    single,
    unit,
)

import rig
from rig.base.earlier_rules import EarlierRule
from rig.base.uncertainty import Source, student_t
from rig.engine.profile import Setting, Window
from rig.signal.events import Reason, Rejection
from rig.timing.assess import assess, unit_figure
from rig.timing.readings import drag_alone
from rig.timing.values import Assessment, Mark, Reading
from rig.words.assessments import RULES, assessment_in_full, contribution_words, what_decides

# Mean 36.1, standard deviation 0.1.
CLOSE = [36.0, 36.1, 36.2, 36.0, 36.1, 36.2, 36.0, 36.1, 36.2, 36.1]


def only(found: list[Assessment]) -> Assessment:
    [one] = found
    return one


def test_an_opening_inside() -> None:
    found = only(assess(readings(CLOSE), single(), reference(u_deg=0.05, nu=3)))
    assert (found.verdict, assessment_in_full(found), what_decides(found)) == (
        "inside",
        "inside",
        "",
    )
    assert found.n == 10
    assert found.mean_btdc == pytest.approx(36.1)
    assert found.sd_deg == pytest.approx(0.0816497, abs=1e-6)
    assert (found.earliest_btdc, found.nominal_btdc, found.latest_btdc) == (37.0, 36.0, 35.0)
    assert "JCGM 106" in RULES[found.rule]


def test_the_parts_add_up() -> None:
    """W3 with the rounding to a count replaced by what placing leaves of it: s 0.12 of ten
    readings, TDC 0.05 with 3 degrees of freedom, q = 0.15 (JCGM 100:2008)."""
    at = [36.0 + 0.12 * math.sqrt(0.9) * side for side in (-1.0, 1.0)] * 5
    encoder = replace(FINE_ENCODER, counts_per_turn=2400)
    found = only(assess(readings(at), single(encoder=encoder), reference(u_deg=0.05, nu=3)))
    assert found.sd_deg == pytest.approx(0.12)
    assert found.uncertainty is not None
    parts = {contribution_words(part): part for part in found.uncertainty.parts}
    assert list(parts) == ["repeatability", "TDC", "counting", "graduation", "run-out"]
    assert parts["repeatability"].u_deg == pytest.approx(0.037947, abs=1e-6)
    assert parts["counting"].u_deg == pytest.approx(0.061237 / 10, abs=1e-6)
    u = math.sqrt(0.037947**2 + 0.05**2 + 0.0061237**2)
    nu = u**4 / (0.037947**4 / 9 + 0.05**4 / 3)
    assert found.uncertainty.U_deg == pytest.approx(student_t(nu) * u, rel=1e-5)


@pytest.mark.parametrize(
    ("shift", "verdict", "words"),
    [
        (0.0, "inside", "inside"),
        (1.4, "outside", "0.50 degrees beyond the early limit (1.50 degrees early of nominal)"),
        (-1.5, "outside", "0.40 degrees beyond the late limit (1.40 degrees late of nominal)"),
        (
            0.85,
            "inconclusive",
            "inconclusive, 0.05 degrees inside the early limit (0.95 degrees early of nominal)",
        ),
        (
            -1.15,
            "inconclusive",
            "inconclusive, 0.05 degrees beyond the late limit (1.05 degrees late of nominal)",
        ),
    ],
)
def test_verdicts_in_words(shift: float, verdict: str, words: str) -> None:
    found = only(assess(readings([a + shift for a in CLOSE]), single(), reference(u_deg=0.08)))
    assert (found.verdict, assessment_in_full(found)) == (verdict, words)
    assert bool(what_decides(found)) == (verdict == "inconclusive")


def test_outside_by_how_much_is_reported_of_the_limit() -> None:
    """4.10 against a limit of 4.00, nominal 2.00: beyond it by 0.10, not by 2.10."""
    setting = Setting(ADVANCE.name, Window(4.0, 2.0, 0.0, "manual"))
    values = [4.1 + each for each in (-0.1, 0.0, 0.1)]
    job = replace(single(unit(setting=setting)), decision_rule="simple")
    found = only(assess(readings(values), job, reference(u_deg=0.08)))
    assert (found.verdict, assessment_in_full(found)) == (
        "outside", "0.10 degrees beyond the early limit (2.10 degrees early of nominal)"
    )  # fmt: skip


@given(st.floats(-170.0, 170.0), st.floats(0.1, 5.0), st.floats(0.1, 5.0), st.floats(-9.0, 9.0))
def test_words_name_the_limit_that_is_passed_and_by_how_much(
    nominal: float, early: float, late: float, off: float
) -> None:
    at = Assessment(
        "upper", "fixed", None, "as found", "turned", 1, nominal + off, None, None,
        nominal + early, nominal, nominal - late, "outside", "no window set", "simple",
    )  # fmt: skip
    words = assessment_in_full(at).partition(" (")[0]
    beyond = max(off - early, -off - late)
    name = "early" if off - early > -off - late else "late"
    if abs(beyond) < 0.005:
        assert words in ("on the early limit", "on the late limit")
        return
    where = "beyond" if beyond > 0.0 else "inside"
    digits, rest = words.split(" ", 1)
    assert float(digits) == pytest.approx(abs(beyond), abs=0.00501)
    if abs((off - early) - (-off - late)) > 1e-9:  # else both limits are as near
        assert rest == f"degrees {where} the {name} limit"


def test_the_simple_rule() -> None:
    job = replace(single(), decision_rule="simple")
    found = only(assess(readings([a + 0.85 for a in CLOSE]), job, reference(u_deg=0.08)))
    assert (found.verdict, what_decides(found)) == ("inside", "")
    assert "simple" in RULES[found.rule]


def test_a_window_across_tdc() -> None:
    """Angles wrap: -179 and 179 are two degrees apart."""
    setting = Setting(ADVANCE.name, Window(-178.0, 180.0, 178.0, "manual"))
    job = single(unit(setting=setting))
    found = only(assess(readings([179.9, -179.9, 180.0] * 3), job, reference()))
    assert found.verdict == "inside"
    assert abs(found.mean_btdc or 0.0) == pytest.approx(180.0)


def test_readings_that_do_not_count_are_no_readings() -> None:
    group = [*readings(CLOSE), replace(reading(50.0), rejection=Rejection(Reason.TURNED_BACK))]
    assert only(assess(group, single(), reference())).n == 10
    assert assess(group[-1:], single(), reference()) == []


def test_one_reading_is_not_decidable_however_far_out() -> None:
    found = only(assess(readings([41.0]), single(), reference()))
    assert (found.verdict, found.uncertainty, found.sd_deg) == ("inconclusive", None, None)
    assert assessment_in_full(found) == (
        "inconclusive, 4.00 degrees beyond the early limit (5.00 degrees early of nominal)"
    )
    assert "2 more" in what_decides(found)


def test_one_reading_of_a_cylinder_leans_on_the_others() -> None:
    group = readings([36.0, 36.2, 35.9, 36.1] * 3, cylinder=1) + readings([36.1], cylinder=3)
    found = assess(group, four(), reference())
    assert [(one.cylinder, one.n) for one in found] == [(None, 13), (1, 12), (3, 1)]
    third = found[2]
    assert third.uncertainty is not None
    assert third.uncertainty.parts[0].nu == 11
    assert third.uncertainty.parts[0].u_deg == pytest.approx(found[1].sd_deg)
    assert third.verdict == "inside"


def test_unequal_lobes_are_not_unequal_readings() -> None:
    """Lobes 0.6 apart: the figure over all is the mean of their means, and its uncertainty is
    that of the readings, not of the lobes."""
    group = readings([36.3, 36.4, 36.3, 36.4], cylinder=1) + readings([35.7, 35.8], cylinder=3)
    whole, first, third = assess(group, four(), reference(u_deg=0.001))
    assert whole.cylinder is None
    assert whole.mean_btdc == pytest.approx(36.05)
    assert (whole.sd_deg or 0.0) > 0.3
    assert whole.uncertainty is not None
    assert whole.uncertainty.parts[0].u_deg < 0.03
    assert first.mean_btdc == pytest.approx(36.35)
    assert third.mean_btdc == pytest.approx(35.75)


def test_each_lobe_once_lets_their_differences_stand_for_the_spread() -> None:
    group = [reading(36.0 + 0.1 * i, cylinder=c) for i, c in enumerate((1, 3, 4, 2))]
    whole = assess(group, four(), reference())[0]
    assert whole.uncertainty is not None
    assert whole.uncertainty.parts[0].nu == 3


def test_compensated_cams_are_assessed_one_by_one() -> None:
    windows = {c: Window(37.0 + c, 36.0 + c, 35.0 + c, "manual") for c in (1, 3)}
    setting = replace(ADVANCE, per_cylinder=windows)
    group = readings([37.0, 37.1, 36.9] * 3, cylinder=1) + readings(
        [37.0, 37.1, 36.9] * 3, cylinder=3
    )
    found = assess(group, nine(unit(lobes=9, setting=setting)), reference())
    assert [(one.cylinder, one.verdict) for one in found] == [(1, "inside"), (3, "outside")]
    assert assessment_in_full(found[1]).startswith("1.00 degrees beyond the late limit")
    assert assessment_in_full(found[1]).endswith("(2.00 degrees late of nominal)")


def test_an_unknown_stroke_is_marked_on_what_is_inside() -> None:
    group = changed(readings(CLOSE, cylinder=None), stroke_known=False)
    found = only(assess(group, four(), reference()))
    assert (found.cylinder, found.verdict) == (None, "inside")
    assert assessment_in_full(found) == "inside, firing TDC not entered"
    assert Mark.STROKE_NOT_ENTERED in found.marks


def test_one_crank_turn_out_is_never_inside() -> None:
    found = only(assess(changed(readings(CLOSE), wrong_stroke=True), single(), reference()))
    assert found.verdict == "outside"
    assert assessment_in_full(found) == "one crank turn out, there 0.10 degrees early of nominal"
    assert Mark.ONE_TURN_OUT in found.marks


def test_set_readings_stand_apart_and_ask_to_be_confirmed() -> None:
    group = readings(CLOSE) + changed(readings([36.0, 36.1, 36.0]), kind="set")
    turned, as_set = assess(group, single(), reference())
    assert (turned.kind, turned.n, as_set.kind, as_set.n) == ("turned", 10, "set", 3)
    assert as_set.verdict == "no window set"
    assert Mark.CONFIRM_BY_TURNING in as_set.marks
    assert as_set.uncertainty is not None
    assert as_set.uncertainty.parts[-1].source is Source.HELD


@given(
    st.integers(100, 8192), st.sampled_from(["1/2", "1", "9/16", "2"]), st.floats(20.0, 50.0),
    st.integers(2, 6),
)  # fmt: skip
def test_a_set_reading_covers_the_count_in_which_the_crank_is_held(
    counts: int, turns: str, true_btdc: float, n: int
) -> None:
    """A crank at rest may be anywhere within its count, and is shown in the middle of it (the
    definition of a count); the same at each reading."""
    encoder = replace(FINE_ENCODER, counts_per_turn=counts, turns_per_crank_turn=Fraction(turns))
    q_deg = encoder.count_deg
    shown = (math.floor(true_btdc / q_deg) + 0.5) * q_deg
    group = changed(readings([shown] * n), kind="set")
    found = only(assess(group, single(encoder=encoder), reference(u_deg=1e-6)))
    assert found.U_deg is not None
    assert abs(shown - true_btdc) <= found.U_deg
    [earlier] = assess(
        group, single(encoder=encoder), reference(u_deg=1e-6), {EarlierRule.HELD_TO_A_QUARTER}
    )
    assert earlier.uncertainty is not None
    assert earlier.uncertainty.parts[-1].u_deg == pytest.approx(0.25 / math.sqrt(3.0))
    assert (earlier == found) is (q_deg <= 0.5)


def test_as_found_and_as_left() -> None:
    group = changed(readings(CLOSE), phase="as left") + readings([38.0, 38.1, 38.0])
    found = assess(group, single(), reference())
    assert [(one.phase, one.n) for one in found] == [("as found", 3), ("as left", 10)]


def test_backlash_is_carried() -> None:
    job = single(replace(unit(), backlash_deg=0.6))
    found = only(assess(readings(CLOSE), job, reference()))
    assert found.uncertainty is not None
    assert found.uncertainty.parts[-1].source is Source.BACKLASH
    assert found.uncertainty.parts[-1].u_deg == pytest.approx(0.6 / math.sqrt(3))


def test_a_drag_on_the_rotor_takes_the_backlash_up() -> None:
    """Readings with the drag have no backlash in their uncertainty, and are not mixed with others:
    the magnet may have pulled those early by up to the backlash (TM 1-1500-204-23-1)."""
    job = single(replace(unit(), backlash_deg=0.6))
    dragged = changed(readings(CLOSE), drag=True)
    mixed = drag_alone([*readings([39.0, 39.0]), *dragged])
    assert [r.valid for r in mixed] == [False, False, *[True] * len(dragged)]
    assert {r.rejection.reason for r in mixed if r.rejection} == {Reason.WITHOUT_DRAG}
    found = only(assess(mixed, job, reference()))
    assert found.uncertainty is not None
    assert Source.BACKLASH not in {part.source for part in found.uncertainty.parts}
    assert Mark.DRAG_HELD in found.marks
    alone = readings(CLOSE)
    assert drag_alone(alone) == alone
    elsewhere = changed(readings(CLOSE), phase="as left")  # another figure: it stays
    assert all(r.valid for r in drag_alone([*elsewhere, *dragged]))


def test_the_spread_has_its_own_verdict() -> None:
    for limit, verdict in ((0.5, "inside"), (0.1, "inconclusive"), (0.03, "outside")):
        setting = replace(ADVANCE, spread_limit_deg=limit)
        found = only(assess(readings(CLOSE), single(unit(setting=setting)), reference()))
        assert found.spread_verdict == verdict
        assert found.verdict == "inside"


def test_without_a_window_it_is_read_and_not_assessed() -> None:
    bare = single(unit(setting=Setting(ADVANCE.name, None)))
    found = only(assess(readings(CLOSE), bare, reference()))
    assert (found.verdict, assessment_in_full(found), what_decides(found)) == (
        "no window set",
        "no window set",
        "",
    )
    assert found.mean_btdc == pytest.approx(36.1)


def test_the_paper_slip_is_marked() -> None:
    job = single(replace(unit(), meaning="paper"))
    assert Mark.PAPER_MEANT in only(assess(readings(CLOSE), job, reference())).marks


def test_openings_that_cancel_out_have_no_mean() -> None:
    found = only(assess(readings([90.0, -90.0]), single(), reference()))
    assert (found.mean_btdc, found.verdict) == (None, "inconclusive")
    assert "no mean" in assessment_in_full(found)


def test_the_figure_that_speaks_for_a_unit() -> None:
    group = readings(CLOSE, cylinder=1) + readings(CLOSE, cylinder=3)
    found = assess(group, four(), reference())
    assert unit_figure(found, "upper", ADVANCE.name) is found[0]
    alone = assess(readings(CLOSE), single(), reference())
    assert unit_figure(alone, "upper", ADVANCE.name) is alone[0]
    assert unit_figure(alone, "upper", ADVANCE.name, phase="as left") is None


def test_the_order_of_readings_does_not_matter() -> None:
    group: list[Reading] = readings(CLOSE, cylinder=1) + readings([36.5, 36.7], cylinder=3)
    assert assess(group, four(), reference()) != assess(group[:-1], four(), reference())
    again = assess(list(reversed(group)), four(), reference())
    for one, two in zip(assess(group, four(), reference()), again, strict=True):
        assert one.mean_btdc == pytest.approx(two.mean_btdc)
        assert one.verdict == two.verdict


def test_what_is_not_decidable_has_a_probability() -> None:
    """On the limit itself it is one half, by symmetry; in a window wide beside its uncertainty."""
    group = readings([37.0 + each for each in (-0.1, 0.1) * 5])
    found = only(assess(group, single(), reference()))
    assert found.verdict == "inconclusive"
    assert found.probability_inside == pytest.approx(0.5, abs=1e-6)
    assert what_decides(found).startswith("inside with a probability of 50 %; ")
    assert only(assess(readings(CLOSE), single(), reference())).probability_inside is None
    assert only(assess(readings([41.0]), single(), reference())).probability_inside is None


def test_whoever_assesses_a_job_passes_the_rules_of_its_version() -> None:
    """A certificate of an earlier version is otherwise computed again by the rules of this one."""
    root = Path(rig.__file__).parent
    calls = [
        (path.relative_to(root).as_posix(), call)
        for room in ("session", "job", "adjust", "certificate", "history", "live", "cli")
        for path in sorted((root / room).rglob("*.py"))
        for call in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(call, ast.Call)
        and isinstance(call.func, ast.Name)
        and call.func.id in ("assess", "compare_units")
    ]
    assert len(calls) > 5
    without = [
        f"{path}:{call.lineno}"
        for path, call in calls
        if len(call.args) < 4 and not any(isinstance(each, ast.Starred) for each in call.args)
    ]
    assert without == []

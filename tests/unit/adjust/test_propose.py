"""Proposals, predictions, confirmations."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction
from typing import Literal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from trains import simple_train

from rig.adjust.kinds import slot_step
from rig.adjust.moves import Fitted
from rig.adjust.outcomes import confirm, reading_of
from rig.adjust.plan import (
    AdjustmentKind,
    Option,
    Outlook,
    Want,
    not_corrected,
    pairs_from,
    wants_from,
)
from rig.adjust.predictions import predict
from rig.adjust.proposal_words import headline
from rig.adjust.propose import propose
from rig.base import rounding
from rig.base.earlier_rules import EarlierRule
from rig.base.errors import InputError
from rig.base.uncertainty import Contribution, Source, combine
from rig.engine.profile import (
    Adjustments,
    Coupling,
    DriveDog,
    Encoder,
    Engine,
    Gap,
    GapReading,
    Leads,
    Lever,
    Mesh,
    Profile,
    Setting,
    Slot,
    Synchronisation,
    Train,
    Unit,
    Window,
)
from rig.timing.advance_range import LeverEnds
from rig.timing.values import ADJUSTING, Assessment, Mark
from rig.timing.verdict import decide

WINDOW = Window(37.0, 36.0, 35.0, "manual, page 12")
FULL = Setting("full advance", WINDOW)
HALF = Fraction(1, 2)
UPPER = Unit("upper", 1, HALF, 4, (FULL,), body="twin")
LOWER = replace(UPPER, name="lower", input=2)
REAR = Unit("rear", 3, HALF, 4, (FULL,))
ENGINE = Engine("demo", 4, 4, (1, 3, 4, 2), (180.0,) * 4, "clockwise", "flywheel end")
BOTH = Synchronisation("upper", "lower", 0.0, 0.5, "manual, page 12")


def profile(*units: Unit, together: tuple[Synchronisation, ...] = ()) -> Profile:
    return Profile(ENGINE, Encoder(2400), units, synchronism=together)


def judged(unit: str, mean: float, *, cylinder: int | None = None, u: float = 0.05) -> Assessment:
    shared = Contribution(Source.TDC, 0.2, math.inf, "B", "demo")
    own = Contribution(Source.REPEATABILITY, u, 9, "A", "demo")
    return Assessment(
        unit=unit,
        setting="full advance",
        cylinder=cylinder,
        phase="as found",
        kind="turned",
        n=10,
        mean_btdc=mean,
        sd_deg=0.1,
        uncertainty=combine([own, shared]),
        earliest_btdc=37.0,
        nominal_btdc=36.0,
        latest_btdc=35.0,
        verdict="outside",
        spread_verdict="no window set",
        rule="",
    )


def test_wants_from_judgements() -> None:
    job = profile(UPPER, LOWER)
    wants = wants_from(
        [
            judged("upper", 33.0),
            judged("upper", 33.2, cylinder=1),  # the figure over all counts
            judged("lower", 34.0, cylinder=1),
            replace(judged("lower", 35.0, cylinder=1), phase="as left"),
            replace(judged("lower", 1.0), kind="set"),
        ],
        job,
    )
    assert [(w.unit, w.cylinder, w.read_btdc) for w in wants] == [
        ("upper", None, 33.0),
        ("lower", 1, 35.0),
    ]
    assert wants[0].error_deg == pytest.approx(-3.0)
    assert wants[0].u_deg == pytest.approx(0.05)  # the shared reference drops out
    with pytest.raises(InputError, match="nothing to correct"):
        wants_from([replace(judged("upper", 33.0), nominal_btdc=None)], job)


def test_a_unit_read_only_behind_its_impulse_coupling_is_said_and_how_to_go_on() -> None:
    job = profile(UPPER, LOWER)
    behind = replace(judged("upper", 6.2), kind="impulse")
    with pytest.raises(InputError, match="Go past the impulse coupling") as caught:
        wants_from([behind], job)
    assert "window is for the coupling released" in str(caught.value)
    assert "enter the window" not in str(caught.value)
    both = [behind, judged("lower", 35.0)]
    assert [want.unit for want in wants_from(both, job)] == ["lower"]
    (said,) = not_corrected(both, job)
    assert said.startswith("upper, full advance: no correction is worked out; it was read only")


def test_readings_from_before_a_move_are_no_base_once_only_a_trip_was_read() -> None:
    job = profile(UPPER, LOWER)
    found = [judged("upper", 33.0), replace(judged("upper", 6.2), kind="impulse", phase=ADJUSTING)]
    with pytest.raises(InputError, match="Go past the impulse coupling"):
        wants_from(found, job)
    just_set = [judged("upper", 33.0), replace(judged("upper", 36.0), kind="set", phase=ADJUSTING)]
    with pytest.raises(InputError, match="only set with the crank held"):
        wants_from(just_set, job)
    turned = [*just_set, replace(judged("upper", 35.9), phase=ADJUSTING)]
    assert [want.read_btdc for want in wants_from(turned, job)] == [pytest.approx(35.9)]
    assert not_corrected(turned, job) == []


@given(
    st.floats(0.3, 8.0), st.floats(0.002, 1.5), st.floats(20.0, 80.0),
    st.sampled_from(["1/2", "1", "3/2"]),
)  # fmt: skip
def test_steps_have_the_digits_of_the_reading_s_uncertainty(
    shift: float, U_deg: float, radius_mm: float, turns: str
) -> None:
    """JCGM 100:2008, 7.2.6: a result and its uncertainty end at the same place."""
    ratio = Fraction(turns)
    unit = replace(UPPER, turns_per_crank_turn=ratio, lobes=int(2 / ratio) or 1)
    slot = Slot("upper", radius_mm, 100.0, 100.0)
    step = slot_step(Fitted([unit], ENGINE, U_deg={"upper": U_deg}), slot, shift)
    words = step.words
    mm = math.radians(shift * float(ratio)) * radius_mm
    U_mm = math.radians(U_deg * float(ratio)) * radius_mm
    assert f" {rounding.figure(mm, U_mm)} mm along its slot" in words
    assert f" {rounding.figure(shift, U_deg)} crank degrees earlier" in words
    assert words.startswith(step.do)


def test_slot_alone_is_preferred_to_a_tooth_and_a_slot() -> None:
    job = profile(UPPER, LOWER)
    means = Adjustments(
        slots=(Slot("twin", 45.0, 5.0, 5.0),),
        train=simple_train((24, 37, 48), "twin"),
        couplings=(Coupling("twin", 19, 20),),
        dogs=(DriveDog("twin", 1, "unit half", 18.0),),
    )
    wants = wants_from([judged("upper", 33.0), judged("lower", 33.4)], job)
    found = propose(wants, job, means)
    assert found.reached
    best = found.options[0]
    assert [s.kind for s in best.steps] == ["slot"]
    assert best.steps[0].shift_deg["upper"] == pytest.approx(2.8)  # between the two of one body
    assert best.remaining_deg == pytest.approx(0.2, abs=1e-6)
    assert best.disturbs == 1
    assert best.reversible
    assert "plain idler" in " ".join(found.notes)
    kinds = [{s.kind for s in o.steps} for o in found.options]
    assert kinds.index({AdjustmentKind.SLOT}) < kinds.index({AdjustmentKind.RECUT})
    undone = [o.reversible for o in found.options]
    assert undone == sorted(undone, reverse=True)  # what cannot be undone comes last
    assert found.options[undone.index(False) - 1].steps == ()  # after the present state


def test_a_tooth_and_the_slot_where_the_slot_is_too_short() -> None:
    job = profile(UPPER)
    means = Adjustments(
        slots=(Slot("twin", 45.0, 3.0, 3.0),), train=simple_train((24, 37, 48), "twin")
    )
    found = propose([Want("upper", "full advance", 18.0, 36.0, 37.0, 35.0, 0.1)], job, means)
    best = found.options[0]
    assert [s.kind for s in best.steps] == ["mesh", "slot"]
    assert best.steps[0].shift_deg["upper"] == pytest.approx(15.0)
    assert best.steps[1].shift_deg["upper"] == pytest.approx(3.0)
    assert any("distributor finger" in w for w in best.warnings)


def test_two_units_are_brought_to_the_window_and_to_each_other() -> None:
    readings = (GapReading(0.35, 35.0, 0.02), GapReading(0.45, 36.0, 0.02))
    job = profile(UPPER, LOWER, together=(BOTH,))
    means = Adjustments(
        slots=(Slot("twin", 45.0, 5.0, 5.0),), gaps=(Gap("lower", 0.40, 0.35, 0.45, readings),)
    )
    read = [judged("upper", 33.0), judged("lower", 33.8)]
    wants, pairs = wants_from(read, job), pairs_from(read, job)
    # Two readings of 0.05 each, the reference shared, quantisation of 2400 counts: JCGM 100, 5.1.2.
    assert pairs[0].U_deg == pytest.approx(0.155, abs=0.01)
    found = propose(wants, job, means, pairs=pairs)
    best = found.options[0]
    assert {s.kind for s in best.steps} == {"slot", "gap"}
    assert found.reached
    # 0.8 apart, of which the gap takes 0.5; what is left is shared out.
    assert best.pairs[0].error_deg == pytest.approx(-0.3, abs=1e-5)
    assert max(abs(o.error_deg) for o in best.outcomes) <= 0.3 + 1e-5
    apart = propose(wants, job, replace(means, gaps=()), pairs=pairs)
    assert not apart.reached  # one body: the slot alone cannot bring them together
    assert apart.options[0].pairs[0].error_deg == pytest.approx(-0.8)
    assert apart.options[0].pairs[0].verdict.outside
    assert all(o.inside for o in apart.options[0].outcomes)  # what can be helped is


def test_no_means_that_reaches_says_how_near() -> None:
    job = profile(UPPER)
    want = Want("upper", "full advance", 30.0, 36.0, 37.0, 35.0, 0.1)
    found = propose([want], job, Adjustments(slots=(Slot("twin", 45.0, 1.0, 1.0, file_mm=0.0),)))
    assert not found.reached
    near = 6.0 - math.degrees(1.0 / 45.0) / 0.5
    for option in (found.options[0], found.units[0].best):
        assert option.outcomes[0].error_deg == pytest.approx(-near)
        assert option.outcomes[0].beyond_deg == pytest.approx(near - 1.0)
        assert option.outcomes[0].verdict is Outlook.LATE
    with pytest.raises(InputError, match="nothing that can be moved"):
        propose([want], job, Adjustments())
    with pytest.raises(InputError, match="needs a reading"):
        propose([], job, Adjustments())


def test_means_that_cannot_be_used_are_said() -> None:
    job = profile(UPPER)
    want = Want("upper", "full advance", 35.5, 36.0, 37.0, 35.0, 0.1)
    means = Adjustments(
        gaps=(Gap("upper", 0.4, 0.35, 0.45),),
        levers=(Lever("upper"),),
        train=Train((Mesh("crank", 24, "twin", 48, free=False),)),
    )
    found = propose([want], job, means)
    assert found.reached  # it is inside already
    assert found.options[0].steps == ()
    assert found.present.inside
    said = " ".join(found.notes)
    assert "never assumed" in said
    assert "both ends of its lever" in said
    assert "has to obey its marks" in said


def test_the_lever_ends_near_its_middle() -> None:
    job = profile(UPPER)
    want = Want("upper", "full advance", 33.0, 30.0, 31.0, 29.0, 0.1)
    ends = LeverEnds("upper", 3.0, 33.0)
    means = Adjustments(slots=(Slot("twin", 45.0, 15.0, 15.0),), levers=(Lever("upper"),))
    found = propose([want], job, means, levers=[ends])
    by_means = {tuple(s.kind for s in o.steps): o for o in found.numbered}
    both = by_means[AdjustmentKind.SLOT, AdjustmentKind.LEVER]
    assert both.lever_place["upper"] == pytest.approx(0.5, abs=1e-3)
    assert both.remaining_deg == pytest.approx(0.0, abs=1e-6)
    alone = by_means[(AdjustmentKind.LEVER,)]
    assert alone.lever_place["upper"] == pytest.approx(0.9)
    slot = by_means[(AdjustmentKind.SLOT,)]
    assert slot.lever_place["upper"] == pytest.approx(1.0)
    assert found.numbered.index(both) < found.numbered.index(alone)


def test_one_crank_turn_out_is_brought_back() -> None:
    job = profile(REAR)
    out = replace(judged("rear", 36.2), marks=(Mark.ONE_TURN_OUT,))
    wants = wants_from([out], job)
    means = Adjustments(dogs=(DriveDog("rear", slots=2),), leads=(Leads("rear"),))
    found = propose(wants, job, means)
    best = found.options[0]
    assert found.reached
    assert [s.kind for s in best.steps] == ["dog"]
    assert abs(best.steps[0].shift_deg["rear"]) == pytest.approx(360.0)
    prediction = predict(best, [out])[0]
    assert prediction.predicted_btdc == pytest.approx(36.2)
    assert confirm(prediction, judged("rear", 36.15)).opening.verdict == "confirmed"
    still = confirm(prediction, out)
    assert still.opening.verdict == "not confirmed"
    assert "one crank turn out" in still.words


def test_a_unit_that_was_not_read_is_named() -> None:
    job = profile(UPPER, LOWER)
    want = Want("upper", "full advance", 33.0, 36.0, 37.0, 35.0, 0.1)
    found = propose([want], job, Adjustments(slots=(Slot("twin", 45.0, 9.0, 9.0),)))
    assert any("moves lower as well" in w for w in found.options[0].warnings)


@pytest.mark.parametrize(
    ("read", "verdict", "word"),
    [
        (36.05, "confirmed", "confirmed"),
        (30.1, "wrong way round", "3.00 degrees later instead of earlier"),
        (33.05, "not moved", "has not moved"),
        (35.0, "not confirmed", "1.00 degrees late of the prediction"),
        (40.0, "not confirmed", "4.00 degrees early"),
    ],
)
def test_the_next_reading_beside_the_prediction(read: float, verdict: str, word: str) -> None:
    job = profile(UPPER, LOWER)
    before = [judged("upper", 33.0), judged("lower", 33.0)]
    means = Adjustments(slots=(Slot("twin", 45.0, 9.0, 9.0),))
    option = propose(wants_from(before, job), job, means).options[0]
    predictions = predict(option, before)
    assert [p.unit for p in predictions] == ["upper", "lower"]
    assert predictions[0].predicted_btdc == pytest.approx(36.0)
    found = confirm(predictions[0], judged("upper", read if read != 30.1 else 30.0))
    assert found.opening.verdict == verdict
    assert word in found.words
    # A hand sets a slot within 0.05 mm (common practice, no source): at 45 mm and half speed that
    # is 0.127 degrees of crank, a rectangular half-width.
    hand = math.degrees(0.05 / 45.0) * 2.0 / math.sqrt(3.0)
    # Student's factor for 77 degrees of freedom.
    assert found.opening.within_deg == pytest.approx(1.991254 * math.hypot(0.05, 0.05, hand))


def test_bad_confirmations() -> None:
    job = profile(UPPER)
    before = judged("upper", 33.0)
    means = Adjustments(slots=(Slot("twin", 45.0, 9.0, 9.0),))
    option = propose(wants_from([before], job), job, means).options[0]
    prediction = predict(option, [before])[0]
    assert reading_of(prediction, [judged("lower", 36.0)]) is None
    assert reading_of(prediction, [replace(judged("upper", 36.0), cylinder=1)]) is None
    with pytest.raises(InputError, match="confirmed by turning"):
        confirm(prediction, replace(judged("upper", 36.0), kind="set"))
    small = replace(prediction, shift_deg=0.05, predicted_btdc=33.05)
    assert confirm(small, judged("upper", 33.0)).opening.verdict == "too small to tell"


def test_compensated_cams_keep_their_leads() -> None:
    own = Setting("fixed", None, per_cylinder={1: WINDOW, 3: WINDOW})
    unit = replace(REAR, settings=(own,))
    want = Want("rear", "fixed", 33.0, 36.0, 37.0, 35.0, 0.1, cylinder=1)
    found = propose([want], profile(unit), Adjustments(leads=(Leads("rear"),)))
    assert "meant to differ" in found.notes[0]


def test_what_is_not_combined_is_said() -> None:
    means = Adjustments(
        couplings=(Coupling("twin", 31, 32),),
        train=Train((Mesh("crank", 31, "idler", 37), Mesh("idler", 29, "twin", 41))),
    )
    want = Want("upper", "full advance", 33.0, 36.0, 37.0, 35.0, 0.1)
    ratio = Fraction(31 * 29, 37 * 41)
    job = profile(replace(UPPER, turns_per_crank_turn=ratio))
    found = propose([want], job, means)
    assert any("tried 1 at a time" in note for note in found.notes)
    assert found.options[0].remaining_deg < 0.5


def test_a_prediction_is_inside_by_the_rule_of_the_verdict() -> None:
    """Inside by less than U is inconclusive, as the verdict has it, and no reason to stop."""
    job = profile(UPPER)
    close = Want("upper", "full advance", 36.8, 36.0, 37.0, 35.0, 0.3)
    found = propose([close], job, Adjustments(slots=(Slot("twin", 45.0, 5.0, 5.0),)))
    assert found.present.outcomes[0].verdict is Outlook.INCONCLUSIVE
    assert not found.present.inside
    assert found.options[0].inside
    assert found.options[0].outcomes[0].error_deg == pytest.approx(0.0, abs=1e-5)
    simple = replace(job, decision_rule="simple")
    assert propose([close], simple, Adjustments(leads=(Leads("upper"),))).present.inside
    single = replace(close, U_deg=None)
    found = propose([single], job, Adjustments(slots=(Slot("twin", 45.0, 5.0, 5.0),)))
    assert not found.reached  # no reading can be called inside whose uncertainty is not known
    assert found.options[0].outcomes[0].error_deg == pytest.approx(0.0, abs=1e-5)


def test_a_flange_set_by_hand_is_confirmed_within_what_a_hand_can_set() -> None:
    """0.02 mm at 45 mm and half speed are 0.05 degrees of crank: many readings tell it, and it is
    no miss; 0.2 mm are one."""
    job = profile(UPPER, LOWER)
    before = [judged("upper", 33.0, u=0.01)]
    means = Adjustments(slots=(Slot("twin", 45.0, 9.0, 9.0),))
    (of, _) = predict(
        propose(wants_from(before, job), job, means).options[0], [*before, judged("lower", 33.0)]
    )
    assert confirm(of, judged("upper", 36.05, u=0.01)).opening.verdict == "confirmed"
    assert confirm(of, judged("upper", 36.5, u=0.01)).opening.verdict == "not confirmed"


def test_the_uncertainty_of_a_gap_is_part_of_the_prediction() -> None:
    """Half a millimetre of gap at 10 +/- 1.41 degrees a millimetre: 5 +/- 2 x 0.71 (hypot 0.1)."""
    readings = (GapReading(0.35, 35.0, 0.1), GapReading(0.45, 36.0, 0.1))
    means = Adjustments(gaps=(Gap("upper", 0.40, 0.30, 0.95, readings),))
    want = Want("upper", "full advance", 31.0, 36.0, 39.0, 33.0, 0.1)
    option = propose([want], profile(UPPER), means).options[0]
    rate_u = math.sqrt(2.0) * 0.1 / 0.1
    assert option.outcomes[0].error_deg == pytest.approx(0.0, abs=1e-5)
    assert option.outcomes[0].U_deg == pytest.approx(math.hypot(0.1, 2.0 * 0.5 * rate_u), abs=1e-4)
    before = replace(judged("upper", 31.0), earliest_btdc=39.0, latest_btdc=33.0)
    hand = 10.0 * 0.01 / math.sqrt(3.0)  # set within 0.01 mm (common practice, no source)
    assert predict(option, [before])[0].u_deg == pytest.approx(math.hypot(0.05, 0.5 * rate_u, hand))
    exact = predict(option, [before], exact=True)[0]  # as sheets up to version 4 have it
    assert exact.u_deg == pytest.approx(math.hypot(0.05, 0.5 * rate_u))


def test_what_can_be_undone_comes_before_a_cut_that_is_a_little_nearer() -> None:
    """The slot leaves 0.45 and brings it inside; a new place leaves nothing."""
    room_mm = math.radians(0.5 * 4.55) * 45.0
    means = Adjustments(
        slots=(Slot("twin", 45.0, 0.0, room_mm, file_mm=0.0),),
        dogs=(DriveDog("twin", 1, "unit half", 18.0),),
    )
    found = propose([Want("upper", "full advance", 31.0, 36.0, 37.0, 35.0, 0.1)],
                    profile(UPPER), means)  # fmt: skip
    kinds = [[s.kind for s in o.steps] for o in found.options]
    assert kinds == [["slot"], [], ["recut"]]
    assert found.options[0].outcomes[0].error_deg == pytest.approx(-0.45, abs=1e-4)
    assert found.options[2].outcomes[0].error_deg == pytest.approx(0.0, abs=1e-4)
    assert not found.options[2].reversible


def test_filing_a_slot_is_offered_where_it_is_too_short() -> None:
    """6 crank degrees are 3 of the unit, 2.356 mm at 45 mm; the slot has 1, so 1.356 mm to file."""
    want = Want("upper", "full advance", 30.0, 36.0, 37.0, 35.0, 0.1)
    found = propose([want], profile(UPPER), Adjustments(slots=(Slot("twin", 45.0, 1.0, 1.0),)))
    kinds = [[s.kind for s in o.steps] for o in found.options]
    assert kinds == [["slot"], [], ["file"]]
    filed = found.options[2]
    assert filed.inside
    assert not filed.reversible
    longer = math.radians(3.0) * 45.0 - 1.0
    assert filed.steps[0].figures["longer_mm"] == pytest.approx(longer, abs=1e-4)
    assert filed.steps[0].shift_deg == pytest.approx({"upper": 6.0}, abs=1e-4)
    assert "1.356 mm longer" in filed.steps[0].words
    assert "cannot be put back" in filed.warnings[0]
    assert found.units[0].lasting is not None
    assert found.units[0].lasting.inside
    little = Adjustments(slots=(Slot("twin", 45.0, 1.0, 1.0, file_mm=0.2),))
    option = propose([want], profile(UPPER), little).options[-1]
    assert option.steps[0].figures["longer_mm"] == pytest.approx(0.2, abs=1e-4)
    assert option.outcomes[0].verdict is Outlook.LATE


def test_what_can_be_reached_is_said_for_each_unit() -> None:
    """One 2.24 late on its own slot; one 9.7 late that nothing moves."""
    job = profile(UPPER, REAR)
    wants = [
        Want("upper", "full advance", 33.76, 36.0, 37.0, 35.0, 0.2),
        Want("rear", "full advance", 26.3, 36.0, 37.0, 35.0, 0.2),
    ]
    found = propose(wants, job, Adjustments(slots=(Slot("twin", 45.0, 9.0, 9.0),)))
    upper, rear = found.units
    assert upper.now.outcomes[0].verdict is Outlook.LATE
    assert upper.best.inside
    assert [s.kind for s in upper.best.steps] == ["slot"]
    assert rear.best.steps == ()
    assert rear.best.outcomes[0].verdict is Outlook.LATE
    assert rear.lasting is None
    assert [s.kind for s in found.options[0].steps] == ["slot"]
    assert [o.verdict for o in found.options[0].outcomes] == [Outlook.INSIDE, Outlook.LATE]
    assert not found.reached


@pytest.mark.parametrize(
    ("late_deg", "explained"),
    [(9.7, False), (15.0, True), (14.2, True), (5.2, False), (-7.6, False)],
)
def test_an_error_that_is_no_multiple_of_a_tooth_is_a_key_or_a_remade_gear(
    late_deg: float, *, explained: bool
) -> None:
    """24 teeth on the crank: a tooth is 15 degrees, a tooth either way leaves a window of 1."""
    want = Want("upper", "full advance", 36.0 - late_deg, 36.0, 37.0, 35.0, 0.1)
    train = Train((Mesh("crank", 24, "twin", 48),))
    found = propose([want], profile(UPPER), Adjustments(train=train))
    assert (found.misfits == ()) == explained
    if explained:
        assert found.options[0].inside
        return
    (misfit,) = found.misfits
    assert misfit.error_deg == pytest.approx(-late_deg)
    assert misfit.teeth_deg == {"crank to twin": 15.0}
    assert misfit.nearest_deg == pytest.approx(math.copysign(15.0, -late_deg))
    assert misfit.left_deg == pytest.approx(-late_deg + math.copysign(15.0, late_deg))
    assert misfit.shaft_turns == {"twin": 0.5}
    slotted = Adjustments(train=train, slots=(Slot("twin", 45.0, 9.0, 9.0),))
    assert propose([want], profile(UPPER), slotted).misfits == ()  # it was set wrong, no more


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.floats(-9.0, 9.0), min_size=2, max_size=2),
    st.lists(st.sampled_from([0.0, 0.5, 2.0]), min_size=2, max_size=2),
    st.sampled_from(["", "unit half", "drive half"]),
    st.sampled_from([0.0, 1.0, 3.0]),
    st.sampled_from([0.05, 0.3, None]),
)
def test_what_is_offered_is_in_order_and_worth_it(
    late: list[float],
    room: list[float],
    cut: Literal["", "unit half", "drive half"],
    file_mm: float,
    U: float | None,
) -> None:
    """What can be undone, the present state, what cannot: each better than the present state."""
    job = profile(replace(UPPER, body=""), REAR)
    names = ("upper", "rear")
    wants = [
        Want(name, "full advance", 36.0 - deg, 36.0, 37.0, 35.0, U)
        for name, deg in zip(names, late, strict=True)
    ]
    means = Adjustments(
        slots=tuple(Slot(n, 45.0, r, r, file_mm=file_mm) for n, r in zip(names, room, strict=True)),
        dogs=(DriveDog("rear", 2, cut, 18.0, 4.0),) if cut else (),
    )
    found = propose(wants, job, means)
    kinds = [(not o.reversible, not o.steps) for o in found.options]
    place = kinds.index((False, True))
    assert all(kind == (False, False) for kind in kinds[:place])
    assert all(kind == (True, False) for kind in kinds[place + 1 :])
    present = found.present

    def left(option: Option) -> tuple[int, float]:
        outcomes = option.outcomes
        return sum(not o.inside for o in outcomes), sum(abs(o.error_deg) for o in outcomes)

    for option in found.options[:place]:
        assert left(option) < left(present)
    for option in found.options[place + 1 :]:
        assert option.inside or left(option) < min(left(o) for o in found.options[: place + 1])
        assert any(not step.reversible and step.warnings for step in option.steps)
        for step in option.steps:
            more = step.figures.get("longer_mm", 0.0)
            assert isinstance(more, float)
            assert more <= file_mm + 1e-6
    for option in (*found.numbered, *found.others):
        for step in option.steps:
            assert step.kind != AdjustmentKind.FILE or step.figures["longer_mm"] >= 0.01  # type: ignore[operator]
    for option in found.numbered:
        for outcome in option.outcomes:
            moved = sum(step.shift_deg.get(outcome.want.unit, 0.0) for step in option.steps)
            turns = (outcome.want.read_btdc + moved - outcome.predicted_btdc) / 720.0
            assert turns == pytest.approx(round(turns), abs=1e-6)
            verdict = decide(outcome.error_deg, U, -1.0, 1.0)
            assert outcome.inside == (verdict == "inside")
    for reach in found.units:  # no option brings a unit nearer than it can be by itself
        alone = left(reach.best if reach.lasting is None else reach.lasting)[0]
        for option in found.options:
            own = [o for o in option.outcomes if o.want.unit == reach.unit]
            assert alone <= sum(not o.inside for o in own)


def test_no_unit_that_is_inside_is_given_up_for_another() -> None:
    """Two in one body, 2.4 apart: the one that is inside stays so, and nothing else is offered."""
    wants = [
        Want("upper", "full advance", 33.0, 36.0, 37.0, 35.0, 0.1),
        Want("lower", "full advance", 35.4, 36.0, 37.0, 35.0, 0.1),
    ]
    means = Adjustments(slots=(Slot("twin", 45.0, 5.0, 5.0),))
    found = propose(wants, profile(UPPER, LOWER), means)
    assert not found.reached
    for option in found.options:
        upper, lower = option.outcomes
        assert lower.inside
        assert upper.verdict is Outlook.LATE
    assert found.options[0].outcomes[0].error_deg == pytest.approx(-2.4, abs=1e-4)


def test_the_place_nearest_to_all_is_named_where_one_body_cannot_have_all_inside() -> None:
    """Read 3 late and 5 early, 1 allowed: turned 1 later, they are 4 off, 3 beyond either limit."""
    wants = [
        Want("upper", "full advance", 33.0, 36.0, 37.0, 35.0, 0.1),
        Want("lower", "full advance", 41.0, 36.0, 37.0, 35.0, 0.1),
    ]
    means = Adjustments(slots=(Slot("twin", 45.0, 5.0, 5.0),))
    said = propose(wants, profile(UPPER, LOWER), means).notes[0]
    assert said.startswith("no place of the body of upper and lower has everything")
    assert "1.00 crank degrees later than now" in said
    assert "the worst is 3.00 degrees beyond its limit" in said
    near = [wants[0], replace(wants[1], read_btdc=34.9)]  # 1.9 apart: one place has both inside
    assert not any("no place" in note for note in propose(near, profile(UPPER, LOWER), means).notes)
    apart = profile(replace(UPPER, body=""), replace(LOWER, body=""))
    assert not any("no place" in note for note in propose(wants, apart, Adjustments(
        slots=(Slot("upper", 45.0, 5.0, 5.0),))).notes)  # fmt: skip


def test_no_place_of_a_lever_corrects_both_its_ends() -> None:
    """Read 33 at full advance and 3 at full retard: no place of the lever opens 3 earlier at both.

    Where 36 is to be had at full advance, a lever that is there cannot go further.
    """
    job = profile(replace(UPPER, body=""))
    ends = LeverEnds("upper", 3.0, 33.0)
    advance = Want("upper", "full advance", 33.0, 36.0, 37.0, 35.0, 0.1)
    retard = Want("upper", "full retard", 3.0, 6.0, 7.0, 5.0, 0.1)
    means = Adjustments(levers=(Lever("upper"),))
    found = propose([advance, retard], job, means, levers=[ends])
    assert not found.reached
    assert not any(option.steps for option in found.numbered)
    assert any("more than one place of its lever" in note for note in found.notes)
    slotted = replace(means, slots=(Slot("upper", 45.0, 5.0, 5.0),))
    assert propose([advance, retard], job, slotted, levers=[ends]).options[0].inside
    assert not propose([advance], job, means, levers=[ends]).reached
    further = propose([advance], job, means, levers=[LeverEnds("upper", 3.0, 37.0)])
    (step,) = further.options[0].steps
    assert step.figures["place"] == pytest.approx(33.0 / 34.0)
    as_found = [judged("upper", 33.0), replace(judged("upper", 3.0), setting="full retard")]
    (only,) = predict(further.options[0], as_found)  # at its other end the lever changes nothing
    assert only.setting == "full advance"
    assert only.predicted_btdc == pytest.approx(36.0)
    assert further.options[0].lever_place["upper"] == pytest.approx(33.0 / 34.0)


def test_a_lever_goes_no_further_where_cylinders_differ() -> None:
    """At full advance, cylinders 2 degrees apart: the lever is at its end, their mean."""
    job = profile(replace(UPPER, body=""))
    wants = [
        Want("upper", "full advance", read, 36.0, 37.0, 35.0, 0.1, cylinder=n)
        for n, read in enumerate((33.0, 31.0), 1)
    ]
    means = Adjustments(levers=(Lever("upper"),))
    found = propose(wants, job, means, levers=[LeverEnds("upper", 2.0, 32.0)])
    assert not any(option.steps for option in found.options)
    early = [replace(want, read_btdc=want.read_btdc + 8.0) for want in wants]
    option = propose(early, job, means, levers=[LeverEnds("upper", 10.0, 40.0)]).options[0]
    (step,) = option.steps
    assert step.figures["place"] == pytest.approx(26.0 / 30.0, abs=1e-4)  # 36 in the middle
    assert option.lever_place["upper"] == pytest.approx(step.figures["place"])


def test_no_place_of_a_body_is_named_for_a_unit_one_crank_turn_out() -> None:
    wants = [
        Want("upper", "full advance", 36.0 + 359.0, 36.0, 37.0, 35.0, 0.1),
        Want("lower", "full advance", 34.0, 36.0, 37.0, 35.0, 0.1),
    ]
    found = propose(
        wants, profile(UPPER, LOWER), Adjustments(slots=(Slot("twin", 45.0, 1.0, 1.0),))
    )
    assert not any("no place of the body" in note for note in found.notes)


def test_a_contact_gap_beyond_its_limits_is_set_within_them_before_it_is_adjusted() -> None:
    """0.50 mm where 0.35 to 0.45 are allowed: 0.48 mm would have the opening inside."""
    want = Want("upper", "full advance", 37.2, 36.0, 37.0, 35.0, 0.05)
    measured = GapReading(0.35, 35.0, 0.02), GapReading(0.45, 37.0, 0.02)
    gap = Gap("upper", 0.50, 0.35, 0.45, measured)
    found = propose([want], profile(UPPER), Adjustments(gaps=(gap,)))
    assert not found.reached
    assert any("0.50 mm is not within 0.35 to 0.45 mm" in note for note in found.notes)
    within = propose([want], profile(UPPER), Adjustments(gaps=(replace(gap, now_mm=0.45),)))
    (step,) = within.options[0].steps
    assert within.reached
    assert 0.35 <= step.figures["gap_mm"] <= 0.45  # type: ignore[operator]
    earlier = (EarlierRule.GAP_BEYOND_LIMITS,)
    assert propose([want], profile(UPPER), Adjustments(gaps=(gap,)), rules=earlier).reached


def test_the_headline_names_no_unit_that_a_cut_brings_inside() -> None:
    """Upper has half a millimetre of its slot left, and 3 to file; nothing moves the other."""
    wants = [
        Want("upper", "full advance", 31.0, 36.0, 37.0, 35.0, 0.1),
        Want("rear", "full advance", 30.0, 36.0, 37.0, 35.0, 0.1),
    ]
    job = profile(replace(UPPER, body=""), REAR)
    slot = Slot("upper", 45.0, 0.5, 0.5, file_mm=3.0)
    said = headline(propose(wants, job, Adjustments(slots=(slot,))))
    assert said.startswith("nothing that the engine file names brings rear inside: option 1 leaves")
    assert said.endswith(". Option 3 brings upper inside, and CANNOT be undone")
    said = headline(propose(wants, job, Adjustments(slots=(replace(slot, file_mm=0.0),))))
    assert said.startswith("nothing that the engine file names brings upper and rear inside:")

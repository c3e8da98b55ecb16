"""A geared encoder's index after the rig lost power: nothing is carried over in silence."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from played import PROFILE, Played

from rig.engine.profile import Profile
from rig.session.diagnostics import Diagnostic, Doubt
from rig.session.session import Session
from rig.signal.events import Reason
from rig.tdc import index_resolver
from rig.tdc.index_resolver import IndexResolver
from rig.tdc.piston_stop import StopEnd
from rig.tdc.reference import set_by_hand
from rig.tdc.reference_file import to_plain
from rig.timing.values import Reading
from rig.wire.records import Batch, Note
from rig.words.tdc import stop_words

RATIOS = ["1", "1/2", "3/2", "2/3", "9/16", "2", "7/5"]


def geared(ratio: str) -> Profile:
    encoder = replace(PROFILE.encoder, turns_per_crank_turn=Fraction(ratio))
    return replace(PROFILE, encoder=encoder)


def wrong(played: Played, readings: list[Reading]) -> list[tuple[float, float]]:
    """Counted readings (true, read) off by more than half a degree, by the rig's own truth."""
    truth = played.rig.truth()["units"]
    means = {"upper": truth["1"]["btdc"], "lower": truth["2"]["btdc"]}
    return [
        (sum(means[r.unit]) / len(means[r.unit]), r.btdc_deg or 0.0)
        for r in readings
        if abs(sum(means[r.unit]) / len(means[r.unit]) - (r.btdc_deg or 0.0)) > 0.5
    ]


@pytest.mark.parametrize("ratio", RATIOS)
def test_after_a_power_cut_only_an_index_with_one_place_goes_on(ratio: str) -> None:
    played = Played(5, geared(ratio)).do("turn 900 at 150").touch().state_stroke()
    played.do("turn 800 at 120")
    before = played.counted()
    assert len(before) > 8
    assert wrong(played, before) == []
    one_place = Fraction(ratio).numerator == 1
    played.do("fault reset in 0.5", "turn 1500 at 120")
    cut_s = before[-1].t_s + 1.0
    later = [r for r in played.session.readings() if r.t_s > cut_s]
    assert len(later) > 8
    assert bool([r for r in later if r.valid]) == one_place
    assert wrong(played, played.counted()) == []
    assert before == played.counted()[: len(before)]
    reasons = {r.rejection.reason for r in later if r.rejection and r.btdc_deg is None}
    assert (Reason.INDEX_PLACE in reasons) == (not one_place)
    doubts = {each.doubt for each in played.session.doubts()}
    assert (Doubt.INDEX_PLACE in doubts) == (not one_place)
    played.state_stroke().do("turn 800 at 120")
    after = [r for r in played.counted() if r.t_s > cut_s]
    assert len(after) > len(later)  # also those read before the statement, in this life of the rig
    assert wrong(played, after) == []
    assert {r.cylinder for r in after} == {None, 1, 2, 3, 4}
    assert played.session.doubts()[-1] == Diagnostic(Doubt.RESTARTED, (1,), bad=False)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_touching_the_stop_again_settles_the_place_too(seed: int) -> None:
    played = Played(seed, geared("9/16")).do("turn 900 at 150").touch().do("turn 500 at 120")
    reference = played.session.reference
    played.do("fault reset in 0.5", "turn 1500 at 120")
    assert played.session.here is None
    played.touch(purpose="check")
    assert played.session.reference is reference
    assert played.session.checks == [played.session.stop_result]
    assert "is where it was" in stop_words(played.session.stop_result)
    found = played.session.references[-1]
    assert reference is not None
    assert found.tdc_deg == pytest.approx(reference.tdc_deg, abs=0.3)  # in the same count
    assert wrong(played, played.counted()) == []
    assert [r for r in played.counted() if r.t_s > 15.0]


def test_a_reference_of_another_session_waits_and_the_replay_agrees() -> None:
    first = Played(5, geared("9/16")).do("turn 900 at 150").touch()
    reference = first.session.reference
    assert reference is not None
    second = Played(5, geared("9/16"), hidden=first.rig.hidden)
    second.do("turn 300 at 120").note("reference", **to_plain(reference)).do("turn 1500 at 120")
    assert second.counted() == []
    second.state_stroke()
    assert len(second.counted()) > 8
    assert wrong(second, second.counted()) == []


def test_a_slip_of_the_count_loses_the_place_as_well() -> None:
    """An index that comes elsewhere becomes the new mark; how many turns it missed is not known."""
    played = Played(5, geared("3/2")).do("turn 900 at 150").touch().state_stroke()
    assert played.session.places.known
    played.do("turn 300 at 120", "fault counts 40", "turn 1300 at 120")
    assert played.session.stroke is None
    assert not played.session.places.known
    assert played.session.places.was_lost


def test_touches_before_a_restart_are_not_mixed_with_later_ones() -> None:
    played = Played(5, geared("9/16")).do("turn 900 at 150").put_stop_in()
    played.note("stop_in", cylinder=1, purpose="reference")
    played.do("touch forward at 150", "touch back at 150")
    before = played.session.touches()
    assert before is not None
    assert len(before.touches) >= 1
    played.do("fault reset in 0.1", "rest 1")
    after = played.session.touches()
    assert after is not None
    assert after.touches == []


def test_lives_are_numbered_and_each_has_its_own_place() -> None:
    profile = geared("3/2")
    places = IndexResolver(profile)
    reference = set_by_hand(100.0, how="invented", half_width_deg=0.1)
    assert not places.known
    assert places.at(5.0, reference) is None
    places.found(reference)
    places.lost(10.0)
    assert (places.life, places.known, places.was_lost) == (1, False, True)
    places.state(225.0, 1, reference)
    placed = [places.at(t, reference) for t in (5.0, 10.0, 10.1)]
    assert [round(each.tdc_deg) for each in placed if each] == [100, 100, 220]


@given(st.lists(st.booleans(), max_size=40), st.integers(4, 50))
def test_a_rig_that_keeps_restarting_keeps_the_places_that_were_found(
    found: list[bool], most: int
) -> None:
    """Against a list of all lives: where more are kept than have a place, every answer is right."""
    reference = set_by_hand(100.0, how="invented", half_width_deg=0.1)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(index_resolver, "MOST_LIVES", max(most, 2 * sum(found) + 3))
        places = IndexResolver(geared("3/2"))
        for nth, known in enumerate(found, 1):
            if known:
                places.found(reference)
            places.lost(10.0 * nth)
        assert places.life == len(found)
        for nth, known in enumerate([*found, False]):
            assert (places.at(10.0 * nth + 5.0, reference) is not None) == known


@given(st.lists(st.booleans(), min_size=20, max_size=60))
def test_however_often_a_rig_restarts_few_lives_are_kept(found: list[bool]) -> None:
    reference = set_by_hand(100.0, how="invented", half_width_deg=0.1)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(index_resolver, "MOST_LIVES", 5)
        places = IndexResolver(geared("3/2"))
        for nth, known in enumerate(found, 1):
            if known:
                places.found(reference)
            places.lost(10.0 * nth)
        assert len(places.lives) <= 5
        before = places.at(10.0 * len(found) - 5.0, reference)
        assert (before is not None) == found[-1]
        assert places.at(10.0 * len(found) + 5.0, reference) is None


def test_a_tdc_found_again_across_the_index_leaves_the_stroke_as_it_was() -> None:
    """From 359.95 to 0.05 degrees after the index is a tenth of a degree, not a turn."""
    played = Played().know_tdc().state_stroke().do("turn 1450 at 110")
    tdc_deg = played.session.reference.tdc_deg if played.session.reference else 0.0
    cylinders = [r.cylinder for r in played.counted()]
    for at in (tdc_deg, tdc_deg + 0.05, tdc_deg - 0.05):
        played.session.reference = set_by_hand(at, how="invented", half_width_deg=0.1)
        assert [r.cylinder for r in played.counted()] == cylinders
    # The same recording with the disc turned on its shaft, so that the index lies at dead centre.
    session, other = played.session, Session(played.session.profile)
    for opening in session.openings:
        assert opening.crank_deg is not None
        other.opened(replace(opening, crank_deg=opening.crank_deg - tdc_deg + 360.0))
    other.reference = set_by_hand(359.95, how="invented", half_width_deg=0.1)
    said: dict[str, object] = {"cylinder": 1, "crank_deg": played.crank_deg - tdc_deg + 360.0}
    stated_us = max(o.t_us for o in session.openings)
    other.take(Batch(others=[Note(stated_us, "stroke", said)]))
    first = [r.cylinder for r in other.readings() if r.valid]
    assert None not in first
    other.reference = set_by_hand(0.05, how="invented", half_width_deg=0.1)
    assert [r.cylinder for r in other.readings() if r.valid] == first


@pytest.mark.parametrize("side", ["touch forward at 150", "touch back at 150"])
def test_one_touch_of_the_same_stop_settles_the_place(side: str) -> None:
    played = Played(5, geared("9/16")).do("turn 900 at 150").touch().do("turn 500 at 120")
    played.do("fault reset in 0.5", "turn 1500 at 120").put_stop_in()
    played.note("stop_in", cylinder=1, purpose="check").do(side)
    played.do("turn 40 at 90" if "back" in side else "back 40 at 90", "stop out")
    played.note("stop_out", utc="", capture="")
    assert played.session.stop_result is StopEnd.ONE_SIDE
    assert played.session.checks == []
    assert [r for r in played.counted() if r.t_s > 15.0]
    assert wrong(played, played.counted()) == []


def test_touches_keep_their_place_on_the_disc_of_a_geared_encoder() -> None:
    """Else its run-out would be taken at a wrong place of it."""
    played = Played(5, geared("9/16")).do("turn 1700 at 150").touch()
    reference, (stop,) = played.session.reference, played.session.stops
    assert reference is not None
    for side, kept in ((1, reference.forward_deg), (-1, reference.backward_deg)):
        touched = stop.steady_deg(side)
        assert len(kept) == len(touched) >= 2
        for one, other in zip(kept, touched, strict=True):
            on_disc_deg = (one - other) * 9.0 / 16.0
            assert on_disc_deg / 360.0 == pytest.approx(round(on_disc_deg / 360.0), abs=1e-9)

"""TDC by the positive stop, as the session finds it, against what is really so."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from played import PROFILE, Played

from rig.base.earlier_rules import EARLIER_RULES, EarlierRule
from rig.job.folder import Job
from rig.job.new import write_example
from rig.session.diagnostics import Doubt
from rig.tdc.gauge_points import gauge_note
from rig.tdc.piston_stop import StopEnd
from rig.tdc.reference import Method
from rig.virtual.engine import Encoder
from rig.words.diagnostics import diagnostic_words
from rig.words.tdc import move_words, stop_words


def wrapped(deg: float) -> float:
    return (deg + 180.0) % 360.0 - 180.0


def dead_centres(seeds: range) -> list[tuple[float, float, float]]:
    """Over many virtual engines: error of the TDC found, its U, its standard u."""
    found = []
    for seed in seeds:
        played = Played(seed).do("turn 380 at 150").touch(times=2)
        reference = played.session.reference
        assert reference is not None, played.session.stop_result
        # Touches and readings are in the encoder's own degrees, and so is the dead centre.
        hidden = played.rig.hidden
        shown = Encoder(hidden.encoder).shown(np.array([hidden.tdc_deg, 0.0]))
        error = wrapped(reference.tdc_deg - float(shown[0] - shown[1]))
        found.append((error, reference.uncertainty.U_deg, reference.uncertainty.u_deg))
    return found


@pytest.mark.parametrize(
    ("seeds", "at_least"),
    [(range(6), 4), pytest.param(range(16, 56), 34, marks=pytest.mark.slow)],
    ids=["few", "many"],
)
def test_the_entered_interval_holds_the_true_tdc(seeds: range, at_least: int) -> None:
    """U is entered for about 95 %. Fewer than 4 of 6, or 34 of 40, would be a chance of less than
    one in 100 (binomial)."""
    found = dead_centres(seeds)
    assert sum(abs(error) <= U for error, U, _ in found) >= at_least
    rms = math.sqrt(sum(error**2 for error, _, _ in found) / len(found))
    stated_rms = math.sqrt(sum(u**2 for _, _, u in found) / len(found))
    assert rms < 0.03
    assert 0.4 < rms / stated_rms < 1.3


def test_every_touch_is_found_where_the_truth_has_it() -> None:
    played = Played().do("turn 380 at 150").touch(times=3)
    (stop,) = played.session.stops
    true = played.rig.truth()["touches"]
    assert [touch.side for touch in stop.touches] == [touch["direction"] for touch in true]
    for found, touch in zip(stop.touches, true, strict=True):
        assert wrapped(found.crank_deg - touch["crank_deg"]) == pytest.approx(0.0, abs=0.2)


def test_an_unsteady_touch_is_left_out() -> None:
    played = Played().do("turn 380 at 150").note("stop_in", cylinder=1).put_stop_in()
    played.do("touch forward at 150", "touch back at 150", "touch forward unsteady at 150")
    played.do("touch back at 150", "turn 40 at 90")
    stop = played.session.touches()
    assert stop is not None
    assert [touch.steady for touch in stop.touches] == [True, True, False, True]
    assert (len(stop.side(1)), len(stop.side(-1))) == (1, 2)


def test_touches_on_one_side_only_give_no_reference() -> None:
    played = Played().do("turn 380 at 150").note("stop_in", cylinder=1).put_stop_in()
    played.do("touch forward at 150", "back 60 at 90", "stop out").note("stop_out")
    assert played.session.reference is None
    assert "back" in stop_words(played.session.stop_result)


def test_dropped_touches_change_nothing() -> None:
    played = Played().know_tdc()
    before = played.session.reference
    played.note("stop_in", cylinder=1).do("stop in", "touch forward at 150", "touch back at 150")
    played.do("turn 40 at 90", "stop out").note("stop_out", drop=True)
    assert played.session.reference is before
    assert played.session.stop_result is StopEnd.DROPPED


def test_touching_again_shows_that_nothing_moved() -> None:
    played = Played().do("turn 380 at 150").touch()
    found = played.session.reference
    played.do("turn 700 at 150").touch(purpose="check")
    assert played.session.reference is found
    (move,) = played.session.checks
    assert not move.has_moved
    assert re.fullmatch(
        r"TDC is where it was: shift [0-9.]+° with U 0\.0*[1-9]\d°", move_words(move)
    )


@pytest.mark.parametrize("spread_deg", [0.02, 0.5])
def test_touches_that_would_not_show_a_slip_make_the_verdicts_conditional(
    spread_deg: float,
) -> None:
    played = Played(3).do("turn 400 at 150").touch()
    assert played.session.reference is not None
    tdc_deg = played.session.reference.tdc_deg
    played.note("stop_in", cylinder=1, purpose="check")
    for direction, side in ((1, -40.0), (-1, 40.0)):
        for away in (0.0, spread_deg):
            played.note("touch", direction=direction, crank_deg=360.0 + tdc_deg + side + away)
    played.note("stop_out", utc="", capture="")
    (move,) = played.session.checks
    assert (move.has_moved, move.is_sharp) == (False, spread_deg < 0.1)
    words = [diagnostic_words(doubt) for doubt in played.session.doubts()]
    assert any("Verdicts are valid only if it did not" in each for each in words) is (
        not move.is_sharp
    )
    # Touched again, gently, it is as if it had not been: there is nothing to doubt.
    played.touch(3, purpose="check")
    assert played.session.checks[-1].is_sharp
    assert not any("may have slipped" in diagnostic_words(d) for d in played.session.doubts())


def test_touching_again_shows_an_encoder_that_slipped() -> None:
    played = Played().do("turn 380 at 150").touch()
    found = played.session.reference
    played.do("turn 700 at 150", "slip 3", "turn 360 at 150").touch(purpose="check")
    assert played.session.reference is found  # the person decides what to do about it
    (move,) = played.session.checks
    assert move.has_moved
    assert "its coupling has slipped, and readings since then are not valid" in move_words(move)


def test_a_restart_between_two_touches_keeps_the_touches_before() -> None:
    played = Played().do("turn 380 at 150").note("stop_in", cylinder=1).put_stop_in()
    played.do("touch forward at 150", "touch back at 150", "turn 60 at 90")
    played.do("fault reset in 0.2", "rest 1")
    stop = played.session.touches()
    assert stop is not None
    assert (len(stop.side(1)), len(stop.side(-1))) == (1, 1)
    assert played.session.restarts == 1


@pytest.mark.parametrize("resets", [1, 2])
def test_a_rest_in_the_open_is_no_touch_after_a_restart_either(resets: int) -> None:
    """Counts begin anew, but the stop stays where it is."""
    played = touching().do("touch back at 60", "touch forward at 60")
    played.do(*["fault reset", "rest 3", "touch back at 60"] * resets)
    for way in ("turn 40 at 150", "back 40 at 150") * 2:
        played.do(way, "rest 0.5")
        if way.startswith("turn"):
            assert played.session.stop_hold() is None
    stop = played.session.touches()
    assert stop is not None
    for side in (1, -1):
        assert max(stop.side(side)) - min(stop.side(side)) < 0.5


def test_an_index_that_cannot_pass_with_the_stop_in_shows(tmp_path: Path) -> None:
    """With the encoder on a propeller at 9/16 the crank turns it through less than a turn."""
    geared = Job(write_example(tmp_path / "job", "geared_propeller").parent).profile
    seen = []
    for turned in range(0, 1200, 300):
        played = Played(profile=geared)
        played.do(f"turn {400 + turned} at 300").note("stop_in", cylinder=1).put_stop_in()
        played.do("fault reset", "rest 3", "touch forward at 150", "touch back at 150")
        assert not played.session.stop_hides_index() or not played.session.is_anchored
        played.do("touch forward at 150")
        seen.append((played.session.stop_hides_index(), played.session.is_anchored))
    assert {hidden != passed for hidden, passed in seen} == {True}
    assert {hidden for hidden, _ in seen} == {True, False}


def test_a_stop_in_a_link_rod_cylinder_is_refused_before_it_is_touched() -> None:
    """Its TDC does not follow from the firing order; entered, it does."""
    engine = replace(PROFILE.engine, master_cylinder=1)
    linked = Played(5, replace(PROFILE, engine=engine)).do("turn 400 at 150")
    linked.note("stop_in", cylinder=3, purpose="reference")
    assert linked.session.stop is None
    assert "cylinder 3 is on a link rod" in linked.session.last_error
    assert "use cylinder 1, which has the master rod" in linked.session.last_error
    known = replace(engine, entered_tdc_deg={3: 181.5})
    stated = Played(5, replace(PROFILE, engine=known)).do("turn 400 at 150")
    stated.note("stop_in", cylinder=3, purpose="reference")
    assert stated.session.stop is not None
    assert stated.session.stop.cylinder == 3


def test_a_stop_in_a_link_rod_cylinder_that_is_not_entered_is_warned_of() -> None:
    """The master is cylinder 4, so that cylinder 1 hangs on a link rod."""
    engine = replace(PROFILE.engine, master_cylinder=4)
    played = Played(5, replace(PROFILE, engine=engine)).do("turn 400 at 150").touch()
    words = "cylinder 1 is on a link rod, and its TDC is not entered"
    reference = played.session.reference
    assert reference is not None
    assert words in reference.warnings[0]
    assert any(words in diagnostic_words(doubt) for doubt in played.session.doubts())
    entered = replace(engine, entered_tdc_deg={4: 361.0})
    known = Played(5, replace(PROFILE, engine=entered)).do("turn 400 at 150").touch()
    assert not any("link rod" in diagnostic_words(doubt) for doubt in known.session.doubts())
    assert known.session.reference is not None
    source = next(p.how for p in known.session.reference.uncertainty.parts if p.source == "offset")
    assert "for a link rod" in source
    whole = known.session.stops[-1]
    before = whole.reference(replace(PROFILE, engine=entered), {EarlierRule.LINK_ROD_AS_MASTER})
    assert before.uncertainty.U_deg < known.session.reference.uncertainty.U_deg


def touching() -> Played:
    """The stop is in, and the crank is held against it, turned forward."""
    played = Played().do("turn 380 at 150").put_stop_in()
    return played.note("stop_in", cylinder=1).do("touch forward at 20")


def sides(played: Played) -> list[int]:
    stop = played.session.touches()
    return [touch.side for touch in stop.touches] if stop else []


def test_a_touch_shows_while_the_crank_is_still_held_there() -> None:
    played = touching()
    assert sides(played) == []
    hold = played.session.stop_hold()
    assert hold is not None
    assert hold.is_touch
    assert hold.touch.side == 1
    played.do("back 60 at 60")
    assert sides(played) == [1]
    assert 60.0 < played.session.stop_turned_deg() < 360.0


def test_a_rest_in_the_open_is_no_touch_once_the_stop_was_met_on_that_side() -> None:
    played = touching().do("back 90 at 60", "turn 60 at 60", "rest 1")
    assert played.session.stop_hold() is None


def test_a_full_turn_with_the_stop_in_shows() -> None:
    played = Played().do("turn 380 at 150").note("stop_in", cylinder=1).do("turn 361 at 150")
    assert played.session.stop_turned_deg() >= 360.0


@pytest.mark.parametrize("rules", [(), (EarlierRule.STOP_PASSED,)])
def test_a_stop_taken_out_unnoticed_gives_no_tdc_and_says_why(
    rules: tuple[EarlierRule, ...],
) -> None:
    """The crank goes on past it, and the touches of that side were no touches then."""
    played = Played(rules=rules).do("turn 380 at 150").note("stop_in", cylinder=1).put_stop_in()
    played.do(*("touch forward at 150", "touch back at 150") * 3, "turn 60 at 90", "stop out")
    played.do("turn 300 at 90", "rest 1", "back 40 at 90").note("stop_out", utc="", capture="")
    assert played.session.reference is None
    words = stop_words(played.session.stop_result)
    assert ("past where it was held 3 times turning forward" in words) == (not rules)


def test_touches_that_were_not_at_the_stop_give_no_tdc_and_say_what_to_do() -> None:
    """Turned back in the open: 160 degrees of free crank, so the stop would block 200."""
    played = Played().do("turn 400 at 150").note("stop-in", cylinder=1)
    played.note("touch", direction=1, crank_deg=460.0)
    played.note("touch", direction=-1, crank_deg=660.0).note("stop-out")
    session = played.session
    assert session.reference is None
    assert "leave the crank only 160° to turn in" in stop_words(session.stop_result)
    assert "Use a shorter one" in stop_words(session.stop_result)


@pytest.mark.parametrize("earlier", [False, True])
@pytest.mark.parametrize(
    ("after_touches", "faults"),
    [(0, ["counts 30"]), (1, ["counts 30"]), (2, ["illegal 1", "counts 30"]), (4, ["counts 30"])],
)
def test_tdc_found_while_counts_are_lost_is_not_valid(
    after_touches: int, faults: list[str], earlier: bool
) -> None:
    """In silence or not, the index shows it afterwards. Until 0.6.0 TDC was 10 degrees wrong with a
    U of 0.05."""
    played = Played(rules=EARLIER_RULES["0.6.0"] if earlier else ()).do("turn 780 at 150")
    played.put_stop_in()
    played.note("stop-in", cylinder=1)
    for n in range(4):
        if n == after_touches:
            played.do(*(f"fault {each}" for each in faults))
        played.do(f"touch {'back' if n % 2 else 'forward'} at 150")
    played.do("turn 40 at 90", "stop out").note("stop-out", utc="", capture="")
    played.do("turn 1500 at 110")
    session = played.session
    doubts = [each.doubt for each in session.doubts()]
    if after_touches == 4:
        assert session.here is not None
        assert Doubt.TDC_COUNTS_LOST not in doubts
        return
    assert (session.here is not None) == any(r.valid for r in session.readings()) == earlier
    assert (Doubt.TDC_COUNTS_LOST in doubts) != earlier
    played.touch(purpose="reference" if earlier else "check")
    assert session.here is not None
    off_deg = session.here.tdc_deg - played.rig.truth()["tdc_deg_after_index"]
    assert abs(wrapped(off_deg)) < 0.1


@pytest.mark.parametrize("lost", [False, True])
def test_gauge_points_read_while_counts_are_lost_give_no_tdc(lost: bool) -> None:
    played = Played().do("turn 380 at 150", "goto 45 at 60")
    if lost:
        played.do("fault counts 30")
    for way, words in ((1, "goto {} at 20"), (-1, "goto -{} back at 20")):
        if way < 0:
            played.do("goto -45 at 60")
        for at_deg in (40, 30, 20):
            played.do(words.format(at_deg), "gauge")
            drop_mm = float(played.rig.reply["travel_mm"])
            played.note("gauge", **gauge_note(drop_mm, played.crank_deg, direction=way))
    played.note("use", method=Method.FIT, cylinder=1)
    assert played.session.here is not None, played.session.last_error
    played.do("turn 800 at 110")
    assert (played.session.here is None) == lost

"""Contacts that a switch, or a lead taken off, opens while the crank stops: no reading.

That contacts behind a switch at OFF read closed all round, and open with the crank anywhere as it
goes to ON, is common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from played import PROFILE, Played

from rig.base.angles import wrap
from rig.base.earlier_rules import EarlierRule
from rig.signal.events import Reason
from rig.signal.rig_statistics import DONE, NOTE, OFF
from rig.timing.readings import LATER_DEG, most_closed_deg


def worst_off_deg(played: Played) -> float:
    """How far the furthest valid reading of the upper magneto is from a true opening."""
    truth = [float(each["crank_deg"]) for each in played.rig.truth()["units"]["1"]["openings"]]
    at = [o.crank_deg for o in played.session.openings if o.input == 1 and o.valid]
    assert at
    return max(min(abs(wrap(deg - true)) for true in truth) for deg in at if deg is not None)


@given(turned=st.floats(230.0, 900.0), rest_s=st.sampled_from([0.0, 0.01, 0.05]))
@settings(max_examples=15, deadline=None)
def test_contacts_closed_for_longer_than_their_cam_allows_are_opened_by_something_else(
    turned: float, rest_s: float
) -> None:
    """Nobody said that a switch is tried."""
    played = Played().do("turn 500 at 110", "switch off upper", f"turn {turned:.1f} at 110")
    played.do(f"rest {rest_s}", "switch on upper", "turn 400 at 110")
    assert worst_off_deg(played) < 0.1


@given(turned=st.floats(20.0, 500.0), rest_s=st.sampled_from([0.0, 0.01, 0.05]))
@settings(max_examples=15, deadline=None)
def test_contacts_closed_since_a_switch_was_tried_may_be_opened_by_it(
    turned: float, rest_s: float
) -> None:
    played = Played().do("turn 500 at 110", "switch off upper").note(NOTE, step=OFF, unit="upper")
    played.do(f"turn {turned:.1f} at 110").note(NOTE, step=DONE)
    played.do(f"rest {rest_s}", "switch on upper", "turn 400 at 110")
    assert worst_off_deg(played) < 0.1


def test_the_next_opening_and_the_other_unit_are_readings() -> None:
    played = Played().do("turn 500 at 110", "switch off upper").note(NOTE, step=OFF, unit="upper")
    played.do("turn 500 at 110").note(NOTE, step=DONE).do("switch on upper", "turn 720 at 110")
    upper, lower = ([o.rejection for o in played.session.openings if o.input == n] for n in (1, 2))
    reasons = [why.reason for why in upper if why]
    assert reasons.count(Reason.EARTHED) == 1
    assert upper[-3:] == [None] * 3
    assert Reason.EARTHED not in {why.reason for why in lower if why}


def test_an_earlier_version_called_it_a_reading() -> None:
    """So that its certificates verify."""
    played = Played(rules={EarlierRule.EARTHED_READ}).do("turn 500 at 110", "switch off upper")
    played.note(NOTE, step=OFF, unit="upper").do("turn 500 at 110").note(NOTE, step=DONE)
    played.do("switch on upper", "turn 720 at 110")
    rejections = [o.rejection for o in played.session.openings if o.input == 1]
    assert Reason.EARTHED not in {why.reason for why in rejections if why}


@pytest.mark.parametrize(
    ("order", "intervals", "ratio", "lobes", "served", "longest"),
    [
        ((1, 3, 4, 2), (180.0,) * 4, "1", 2, (), 180.0),
        ((1, 2), (315.0, 405.0), "1/2", 2, (), 405.0),
        ((1, 2), (315.0, 405.0), "1", 2, (), 315.0),  # a spark on both strokes
        ((1, 3, 4, 2), (180.0,) * 4, "1/2", 2, (1, 4), 360.0),
        ((1,), (720.0,), "1/2", 1, (), 720.0),
        ((1,), (720.0,), "1", 1, (), 360.0),  # likewise
        ((1,), (360.0,), "1", 1, (), 360.0),
    ],
)
def test_the_longest_way_between_openings(
    order: tuple[int, ...],
    intervals: tuple[float, ...],
    ratio: str,
    lobes: int,
    served: tuple[int, ...],
    longest: float,
) -> None:
    """By hand. A twin at 315 and 405 degrees with two openings a turn opens at 0 and 315, and a
    turn later at 360 and 675: at most 315 apart."""
    engine = replace(
        PROFILE.engine,
        strokes=2 if sum(intervals) == 360.0 else 4,
        cylinders=len(order),
        firing_order=order,
        intervals_deg=intervals,
    )
    unit = replace(
        PROFILE.units[0],
        turns_per_crank_turn=Fraction(ratio),
        lobes=lobes,
        lobe_cylinders=served,
        both_strokes=ratio == "1" and len(order) < 3,
    )
    profile = replace(PROFILE, engine=engine, units=(unit,))
    assert most_closed_deg(unit, profile) == pytest.approx(longest + LATER_DEG)

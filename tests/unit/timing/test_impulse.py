"""An impulse coupling told from a pulling magnet, from a moved unit and from chance."""

from __future__ import annotations

from dataclasses import replace

import pytest
from sample_engines import ADVANCE, four, reading, reference, single, unit

from rig.base.earlier_rules import EARLIER_RULES
from rig.engine.profile import Setting, Window
from rig.signal.events import Reason, Rejection
from rig.timing.assess import assess
from rig.timing.impulse import (
    NO_TRIP,
    TRIES,
    impulse_lags,
    separate_impulse_trips,
    tries_at_release,
)
from rig.timing.values import Mark, Reading
from rig.words.assessments import assessment_in_full

LAG_DEG = 27.0
CLOSED_DEG = 640.0


def series(*late_by: float, closed_by: tuple[float, ...] | None = None) -> list[Reading]:
    """Openings late by the given amounts, closed for as much longer unless told otherwise."""
    closed_by = late_by if closed_by is None else closed_by
    return [
        replace(reading(36.0 - late), closed_deg=CLOSED_DEG + closed)
        for late, closed in zip(late_by, closed_by, strict=True)
    ]


def kinds(found: list[Reading]) -> list[str]:
    return [one.kind for one in found]


def test_late_by_the_same_again_and_closed_for_as_much_longer() -> None:
    group = series(27.1, 0.1, 26.8, -0.2, 27.3, 0.0)
    found = separate_impulse_trips(group, single())
    assert kinds(found) == ["impulse", "turned"] * 3
    [lag] = impulse_lags(found, single())
    assert lag.lag_deg == pytest.approx(27.0667, abs=1e-3)
    assert lag.sd_deg == pytest.approx(0.2517, abs=1e-3)
    assert (lag.n, lag.running, lag.expected) == (3, 3, False)


def test_a_magnet_that_pulls_is_no_coupling() -> None:
    """Early by up to the backlash, closed for less by as much: every other opening is plain."""
    job = single(replace(unit(), backlash_deg=4.0))
    group = series(0.1, -3.9, 0.0, -3.6, 0.2, -3.8)
    assert kinds(separate_impulse_trips(group, job)) == ["turned"] * 6
    wide = single(replace(unit(), backlash_deg=8.0))
    assert kinds(separate_impulse_trips(series(0.1, -7.9, 0.0, -7.6), wide)) == ["turned"] * 4


def test_a_unit_that_was_moved_is_no_coupling() -> None:
    """It opens late, and closes late as well: the closed angle stays."""
    group = series(0.0, 0.1, 12.0, 12.1, 12.0, closed_by=(0.0, 0.0, 12.0, 0.0, 0.0))
    assert kinds(separate_impulse_trips(group, single())) == ["turned"] * 5


def test_one_late_opening_is_an_accident() -> None:
    assert kinds(separate_impulse_trips(series(0.0, 0.1, 27.0, 0.0), single())) == ["turned"] * 4


def test_one_early_opening_does_not_make_the_others_late() -> None:
    group = series(0.0, 0.1, -9.0, 0.0, 0.2)
    assert kinds(separate_impulse_trips(group, single())) == ["turned"] * 5


def test_openings_late_by_all_amounts_are_no_coupling() -> None:
    assert (
        kinds(separate_impulse_trips(series(0.0, 0.0, 8.0, 20.0, 33.0), single())) == ["turned"] * 5
    )


def test_a_stray_reading_does_not_hide_the_pattern() -> None:
    group = series(-40.0, 0.0, 0.1, 27.0, 27.1, 26.9)
    assert kinds(separate_impulse_trips(group, single())) == ["turned"] * 3 + ["impulse"] * 3


def test_with_no_running_reading_a_pattern_alone_is_no_coupling() -> None:
    group = series(27.0, 27.2, 26.9)
    assert kinds(separate_impulse_trips(group, single())) == ["turned"] * 3
    disabled = single(replace(unit(), coupling="disabled"))
    assert kinds(separate_impulse_trips(group, disabled)) == ["turned"] * 3


def test_more_readings_may_change_the_answer() -> None:
    """Sorting starts again each time: what was named once is not named for ever."""
    named = [replace(one, kind="impulse") for one in series(0.0, 0.1)]
    assert kinds(
        separate_impulse_trips([replace(named[0], kind="impulse"), named[1]], single())
    ) == [
        "turned",
        "turned",
    ]


def test_readings_that_do_not_count_or_were_set_are_left_alone() -> None:
    group = series(0.0, 0.1, 27.0, 27.1, 27.0)
    group[2] = replace(group[2], rejection=Rejection(Reason.TURNED_BACK))
    group[3] = replace(group[3], kind="set")
    assert kinds(separate_impulse_trips(group, single())) == [
        "turned",
        "turned",
        "turned",
        "set",
        "turned",
    ]


def test_only_the_lobe_that_engages_is_late() -> None:
    """A coupling that engages once a turn: cylinders 1 and 4 late, 3 and 2 running."""
    group = series(27.0, 0.0, 27.1, 0.1, 26.9, 0.0)
    group = [replace(one, cylinder=(1, 3, 4, 2, 1, 3)[i]) for i, one in enumerate(group)]
    assert kinds(separate_impulse_trips(group, four())) == ["impulse", "turned"] * 3


def test_the_lag_stands_beside_the_running_figure() -> None:
    found = assess(
        separate_impulse_trips(series(27.0, 0.0, 27.2, 0.2), single()), single(), reference()
    )
    assert [(one.kind, one.n) for one in found] == [("turned", 2), ("impulse", 2)]
    assert found[1].verdict == "no window set"
    assert assessment_in_full(found[1]) == "impulse coupling, 27.0 degrees after the running figure"
    assert Mark.IMPULSE_COUPLING in found[1].marks


# -- a unit entered as having a coupling: how it was turned decides ------------------------------

COUPLED = single(replace(unit(), coupling="impulse"))
RELEASE_DEG = 720.0 - 36.0 + LAG_DEG


def turned(*openings: tuple[float, float], setting: str = "full advance") -> list[Reading]:
    """Openings in turn: (crank angle of the opening, late by so much)."""
    return [
        replace(reading(36.0 - late), crank_deg=at, t_s=10.0 * n, setting=setting, closed_deg=None)
        for n, (at, late) in enumerate(openings)
    ]


def test_turned_straight_on_a_coupling_holds_back_so_every_opening_is_a_trip() -> None:
    """Even one, and however near the nominal figure it lies (a unit set early by its lag)."""
    (one,) = separate_impulse_trips(turned((RELEASE_DEG, 27.0)), COUPLED)
    assert one.kind == "impulse"
    early = separate_impulse_trips(turned((684.0, 0.3), (684.0 + 720.0, 0.2)), COUPLED)
    assert kinds(early) == ["impulse"] * 2


def test_past_the_trip_back_and_forward_is_a_running_reading() -> None:
    found = separate_impulse_trips(turned((RELEASE_DEG, 27.0), (684.0, 0.0)), COUPLED)
    assert kinds(found) == ["impulse", "turned"]
    more = turned((RELEASE_DEG, 27.0), (684.0, 0.0), (684.1, -0.1), (RELEASE_DEG + 720.0, 27.1))
    assert kinds(separate_impulse_trips(more, COUPLED)) == [
        "impulse",
        "turned",
        "turned",
        "impulse",
    ]
    [lag] = impulse_lags(separate_impulse_trips(more, COUPLED), COUPLED)
    assert (lag.n, lag.running) == (2, 2)
    assert lag.lag_deg == pytest.approx(27.1, abs=0.01)


def test_caught_again_is_a_trip_again() -> None:
    found = separate_impulse_trips(turned((RELEASE_DEG, 27.0), (RELEASE_DEG + 0.1, 27.1)), COUPLED)
    assert kinds(found) == ["impulse", "impulse"]


def test_a_unit_late_by_more_than_its_lag_has_its_running_readings() -> None:
    """24 degrees late: its running reading lies where a trip of a unit in time would."""
    found = separate_impulse_trips(turned((684.0 + 51.0, 51.0), (684.0 + 24.0, 24.0)), COUPLED)
    assert kinds(found) == ["impulse", "turned"]


def test_each_phase_starts_again() -> None:
    """After setting, a trip is none the more a running reading for those of the phase before."""
    group = turned((RELEASE_DEG, 27.0), (684.0, 0.0), (RELEASE_DEG + 715.0, 22.0))
    group[2] = replace(group[2], phase="as left")
    assert kinds(separate_impulse_trips(group, COUPLED)) == ["impulse", "turned", "impulse"]


@pytest.mark.parametrize("moved_deg", [-12.0, -3.4, 0.4, 3.4, 12.0])
def test_set_where_it_ran_it_still_runs_there(moved_deg: float) -> None:
    """However far the unit was moved; a trip afterwards is none the less a trip."""
    group = turned(
        (RELEASE_DEG, 27.0), (684.0, 0.0), (684.0 + moved_deg, moved_deg),
        (684.2 + moved_deg, moved_deg), (RELEASE_DEG, 27.0),
    )  # fmt: skip
    group[2] = replace(group[2], kind="set")
    expected = ["impulse", "turned", "set", "turned", "impulse"]
    assert kinds(separate_impulse_trips(group, COUPLED)) == expected


def test_set_where_it_tripped_it_still_trips_there() -> None:
    """Nothing shows that it ran before it was set."""
    group = turned((RELEASE_DEG, 27.0), (RELEASE_DEG + 1.0, 28.0), (RELEASE_DEG + 1.1, 28.1))
    group[1] = replace(group[1], kind="set")
    assert kinds(separate_impulse_trips(group, COUPLED)) == ["impulse", "set", "impulse"]


def test_a_coupling_that_does_not_catch_once_opens_where_it_runs() -> None:
    group = turned((RELEASE_DEG, 27.0), (684.0, 0.0), (684.0 + 720.2, 0.2))
    assert kinds(separate_impulse_trips(group, COUPLED)) == ["impulse", "turned", "turned"]


def test_at_full_retard_an_opening_after_the_release_is_a_running_one() -> None:
    """The coupling has let go before the contacts open: nothing is late."""
    retard = Setting("full retard", Window(2.0, 0.0, -8.0, "manual, page 12"))
    unit_ = replace(unit(), coupling="impulse", settings=(ADVANCE, retard))
    group = [
        *turned((RELEASE_DEG, 27.0), (684.0, 0.0)),
        *turned((RELEASE_DEG + 720.0 + 12.0, 39.0), setting="full retard"),
    ]
    group[2] = replace(group[2], t_s=40.0)
    assert kinds(separate_impulse_trips(group, single(unit_))) == ["impulse", "turned", "turned"]
    before = [*group[:2], replace(group[2], crank_deg=RELEASE_DEG + 720.0, btdc_deg=9.0)]
    assert kinds(separate_impulse_trips(before, single(unit_))) == ["impulse", "turned", "impulse"]


LEVERS = replace(
    COUPLED.units[0], settings=(ADVANCE, Setting("full retard", Window(14.0, 12.0, 8.0, "manual")))
)


def retarded(before_release_deg: float, times: int = 1) -> list[Reading]:
    """A trip and a running reading at full advance, then openings at full retard, the lever moved,
    so much before the release."""
    group = turned((RELEASE_DEG, 27.0), (684.0, 0.0))
    at = RELEASE_DEG + 720.0 - before_release_deg, 27.0 - before_release_deg
    return group + turned(*[at] * times, setting="full retard")


@pytest.mark.parametrize(("before_deg", "kind"), [(1.1, "turned"), (0.9, "impulse"),
                                                   (2.4, "turned"), (0.0, "impulse")])  # fmt: skip
def test_an_opening_before_the_release_is_a_running_one(before_deg: float, kind: str) -> None:
    """A rotor that is held back cannot open its contacts before the coupling lets go."""
    group = retarded(before_deg)
    assert kinds(separate_impulse_trips(group, single(LEVERS)))[2] == kind
    earlier = separate_impulse_trips(group, single(LEVERS), rules=EARLIER_RULES["0.6.0"])
    assert kinds(earlier)[2] == "impulse"  # as certificates of that version have it


def test_a_release_that_was_entered_or_moved_since_proves_no_running_reading() -> None:
    """A unit set 24 degrees early trips as much earlier."""
    entered = single(replace(LEVERS, release_btdc=9.0))
    assert kinds(separate_impulse_trips(retarded(24.0)[2:], entered)) == ["impulse"]
    group = retarded(24.0)
    group[0] = replace(group[0], rejection=Rejection(Reason.MOVED_AGAIN))
    assert kinds(separate_impulse_trips(group, single(LEVERS)))[2] == "impulse"


def test_how_often_it_was_tried_where_it_opens_just_as_it_releases() -> None:
    def tries(group: list[Reading]) -> int:
        found = separate_impulse_trips(group, single(LEVERS))
        return tries_at_release(found, LEVERS, "full retard", "as found")

    assert [tries(retarded(0.3, n)) for n in (0, 1, TRIES)] == [0, 1, TRIES]
    assert tries(retarded(2.4, 4)) == 0  # it runs
    assert tries(retarded(0.3, 4)[2:]) == 0  # where it releases is not known
    straight_on = [replace(r, crank_deg=(r.crank_deg or 0.0) + 720.0 * n)
                   for n, r in enumerate(retarded(0.3, 3)[2:])]  # fmt: skip
    assert tries([*retarded(0.3)[:2], *straight_on]) == 1


def test_openings_of_another_capture_say_nothing_of_how_it_was_turned() -> None:
    both = turned((RELEASE_DEG, 27.0), (684.0, 0.0))
    assert kinds(separate_impulse_trips(both, COUPLED, begins=[1])) == ["impulse", "impulse"]


@pytest.mark.parametrize("reason", sorted(NO_TRIP))
def test_an_opening_by_hand_or_unseen_is_no_trip_to_be_past_of(reason: Reason) -> None:
    """Contacts knocked open past the trip, then turned back beyond the place where it catches: the
    next trip was taken for a running reading, 12 degrees late and valid."""
    group = turned((RELEASE_DEG + 20.0, 47.0), (RELEASE_DEG, 27.0), (684.0, 0.0))
    group[0] = replace(group[0], rejection=Rejection(reason))
    assert kinds(separate_impulse_trips(group, COUPLED)) == ["turned", "impulse", "turned"]

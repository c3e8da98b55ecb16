"""The truth agrees with itself, and with the facts of the trade that the rig is to show."""

from __future__ import annotations

import statistics
from dataclasses import replace
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
import tiny_parser as wire
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.engine.profile import Encoder, Engine, Profile, Setting, Unit, Window
from rig.virtual.contacts import NOISES
from rig.virtual.demo import launch_engine
from rig.virtual.hidden import Coupling, Hidden, Magnet, StopTruth, draw
from rig.virtual.motion import Hand
from rig.virtual.piston import Piston
from rig.virtual.rig import run

PROFILE = launch_engine()
CLEAN = NOISES["clean"]
SMOOTH = Hand(tremor_deg=0.0)


def quiet(profile: Profile = PROFILE, seed: int = 3, **unit_changes: Any) -> Hidden:
    """Clean contacts, an even encoder, no scatter; each unit changed as said."""
    hidden = draw(profile, seed, noise="clean", scatter_deg=0.0)
    encoder = replace(
        hidden.encoder, harmonics=(), line_counts=0.0, state_counts=(0.0, 0.0, 0.0, 0.0)
    )
    units = tuple(replace(unit, **unit_changes) for unit in hidden.units)
    return replace(hidden, encoder=encoder, units=units)


def openings(truth: dict[str, Any], unit: str = "1", **wanted: Any) -> list[dict[str, Any]]:
    found = truth["units"][unit]["openings"]
    return [o for o in found if all(o[key] == value for key, value in wanted.items())]


def wrapped(deg: float, period: float = 360.0) -> float:
    return (deg + period / 2) % period - period / 2


@settings(max_examples=25, deadline=None)
@given(
    st.integers(0, 1 << 30),
    st.sampled_from([Fraction(1, 2), Fraction(1), Fraction(3, 2), Fraction(2)]),
    st.integers(1, 6),
    st.integers(1, 3),
)
def test_as_many_openings_as_turns_times_ratio_times_lobes(
    seed: int, ratio: Fraction, lobes: int, turns: int
) -> None:
    unit = replace(PROFILE.units[0], turns_per_crank_turn=ratio, lobes=lobes)
    profile = replace(PROFILE, units=(unit,))
    # As many crank turns as bring the unit round to where it was.
    crank_turns = turns * 2
    result = run(f"turn {360 * crank_turns} at 200", profile, hidden=quiet(profile, seed))
    assert len(openings(result.truth)) == crank_turns * ratio * lobes


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 1 << 30), st.sampled_from([2400, 4096, 8192]), st.sampled_from([1, -1]))
def test_counts_on_the_wire_agree_with_the_true_angles(
    seed: int, counts: int, direction: int
) -> None:
    encoder = Encoder(counts, direction=1 if direction > 0 else -1)
    profile = replace(PROFILE, encoder=encoder)
    result = run(
        ["turn 800 at 90", "back 500 at 120", "turn 300 at 60", "rest 0.3"],
        profile,
        hidden=quiet(profile, seed),
        hand=SMOOTH,
    )
    lines = wire.edges(wire.parse(result.data))
    index = next(e for e in lines if e.input == 0)
    zero = index.count if direction > 0 else index.count + 1
    truth = [
        o for u in ("1", "2") for k in ("openings", "others") for o in result.truth["units"][u][k]
    ]
    told = {e.t_us: e for e in lines if e.input > 0 and e.level == 1}
    assert len(truth) > 8
    for opening in truth:
        edge = told[int(opening["t"] * 1e6)]
        at = opening["crank_deg"] * counts / 360.0 * direction
        assert edge.count - zero - 1e-6 <= at <= edge.count - zero + 1 + 1e-6
    assert {edge.t_us for edge in told.values()} == {int(o["t"] * 1e6) for o in truth}


def test_the_same_seed_gives_the_same_and_another_another() -> None:
    plan = ["turn 500", "stop in", "touch forward", "stop out", "back 90", "turn 200"]
    one, again, other = (run(plan, PROFILE, seed) for seed in (11, 11, 12))
    assert one.data == again.data
    assert one.truth == again.truth
    assert one.truth["tdc_deg_after_index"] != other.truth["tdc_deg_after_index"]
    assert one.truth["units"]["1"]["btdc"] != other.truth["units"]["1"]["btdc"]


def test_drawn_truths_lie_near_the_window_inside_and_outside() -> None:
    drawn = [draw(PROFILE, seed).units[0].btdc_deg["full advance"] for seed in range(200)]
    assert abs(statistics.mean(drawn) - 36.0) < 0.15
    outside = sum(not 35.0 <= deg <= 37.0 for deg in drawn)
    assert 5 < outside < 60
    assert all(32.0 < deg < 40.0 for deg in drawn)


def test_openings_lie_where_the_truth_says_before_each_firing_top() -> None:
    hidden = quiet(seed=8)
    truth = run("turn 2000 at 90", PROFILE, hidden=hidden, hand=SMOOTH).truth
    for unit in ("1", "2"):
        btdc = truth["units"][unit]["btdc"]
        for opening in openings(truth, unit)[2:]:
            top = truth["tdc_deg_after_index"] + 180.0 * opening["lobe"]
            assert wrapped(top - opening["crank_deg"]) == pytest.approx(
                btdc[opening["lobe"]], abs=1e-6
            )


def test_play_delays_what_is_passed_going_back() -> None:
    hidden = quiet(play_deg=1.2)
    truth = run(["turn 800 at 60", "back 700 at 60", "turn 60"], PROFILE, hidden=hidden).truth
    unit = truth["units"]["1"]
    forward = {o["lobe"]: o["crank_deg"] for o in openings(truth)}
    assert unit["others"]
    for opening in unit["others"]:
        # Going back the contacts part on the flank where they close going forward.
        closes = forward[opening["lobe"]] + unit["open_deg"][opening["lobe"]]
        assert opening["direction"] == -1
        assert wrapped(opening["crank_deg"] - (closes - 1.2)) == pytest.approx(0.0, abs=1e-6)


def test_scatter_has_the_stated_size() -> None:
    hidden = quiet()
    hidden = replace(hidden, units=tuple(replace(u, scatter_deg=0.1) for u in hidden.units))
    truth = run("turn 43200 at 300", PROFILE, hidden=hidden, hand=SMOOTH, lines=False).truth
    off = [wrapped(o["crank_deg"], 180.0) for o in openings(truth, lobe=0)]
    assert len(off) == 120
    assert statistics.stdev(off) == pytest.approx(0.1, rel=0.25)


def test_the_magnet_pulls_the_contacts_open_early_by_up_to_the_play() -> None:
    magnet = Magnet(before_deg=0.3)
    hidden = quiet(play_deg=0.9, magnet=magnet)
    pulled = openings(run("turn 1000 at 20", PROFILE, hidden=hidden, hand=SMOOTH).truth)
    held = openings(run("turn 1000 at 20", PROFILE, hidden=quiet(play_deg=0.9), hand=SMOOTH).truth)
    assert all(o["pulled"] for o in pulled[1:])
    assert not any(o["pulled"] for o in held)
    for early, driven in zip(pulled[1:], held[1:], strict=True):
        # 0.3 degrees before the opening the rotor leaps 0.9 ahead: the contacts part in the leap.
        assert driven["crank_deg"] - early["crank_deg"] == pytest.approx(0.3, abs=0.25)
    far = quiet(play_deg=0.9, magnet=Magnet(before_deg=2.0))
    riding = openings(run("turn 1000 at 20", PROFILE, hidden=far, hand=SMOOTH).truth)
    for early, driven in zip(riding[1:], held[1:], strict=True):
        assert driven["crank_deg"] - early["crank_deg"] == pytest.approx(0.9, abs=1e-6)


def test_an_impulse_coupling_opens_late_by_its_lag_and_shortens_the_opening() -> None:
    hidden = quiet(coupling=Coupling(lag_deg=26.0, catch_deg=9.0))
    truth = run("turn 1500 at 40", PROFILE, hidden=hidden, hand=SMOOTH).truth
    unit = truth["units"]["1"]
    snaps = openings(truth)[2:]
    assert snaps
    assert all(o["kind"] == "impulse" for o in snaps)
    for opening in snaps:
        running = (
            truth["tdc_deg_after_index"] + 180.0 * opening["lobe"] - unit["btdc"][opening["lobe"]]
        )
        # The crank hardly moves in the few milliseconds of the leap.
        assert 26.0 <= wrapped(opening["crank_deg"] - running) < 26.6


def test_past_the_click_back_and_gently_forward_gives_the_running_reading() -> None:
    hidden = quiet(coupling=Coupling(lag_deg=26.0, catch_deg=9.0, rearm_deg=20.0))
    to_click = ["turn 720 at 60", "goto 0 at 30"]  # top of cylinder 1: the click came before it
    gentle = run([*to_click, "back 45 at 30", "turn 40 at 10"], PROFILE, hidden=hidden).truth
    far = run([*to_click, "back 90 at 30", "turn 90 at 10"], PROFILE, hidden=hidden).truth
    assert openings(gentle)[-1]["kind"] == "running"
    running = gentle["units"]["1"]["btdc"][0]
    got = gentle["tdc_deg_after_index"] - openings(gentle)[-1]["crank_deg"]
    assert wrapped(got) == pytest.approx(running, abs=1e-6)
    assert openings(far)[-1]["kind"] == "impulse"


def test_the_lever_shifts_the_opening_by_the_difference_of_its_settings() -> None:
    hidden = quiet()
    plan = ["turn 720 at 90", "lever full retard", "turn 720 at 90"]
    truth = run(plan, PROFILE, hidden=hidden, hand=SMOOTH).truth
    unit = truth["units"]["1"]
    late = openings(truth, kind="running")[-1]
    top = truth["tdc_deg_after_index"] + 180.0 * late["lobe"]
    assert wrapped(top - late["crank_deg"]) == pytest.approx(
        unit["btdc_by_setting"]["full retard"][late["lobe"]], abs=1e-6
    )
    assert unit["setting"] == "full retard"


def test_setting_a_unit_parts_its_contacts_with_the_crank_held() -> None:
    hidden = quiet()
    plan = ["turn 800 at 90", "goto 34 at 30", "set upper", "back 40", "turn 60"]
    truth = run(plan, PROFILE, hidden=hidden, hand=SMOOTH).truth
    unit = truth["units"]["1"]
    parted = [o for o in unit["others"] if o["kind"] == "set"]
    assert len(parted) == 1
    at = truth["tdc_deg_after_index"] - parted[0]["crank_deg"]
    assert wrapped(at, 180.0) == pytest.approx(34.0, abs=1e-6)
    # Confirmed by turning: it opens where it was set, or as little before as it was moved on.
    confirmed = truth["tdc_deg_after_index"] - openings(truth, kind="running")[-1]["crank_deg"]
    assert 34.0 <= wrapped(confirmed, 180.0) < 34.2


def test_units_in_one_body_move_together() -> None:
    profile = replace(PROFILE, units=tuple(replace(u, body="double") for u in PROFILE.units))
    truth = run(["move lower 1.5", "turn 720"], profile, hidden=quiet(profile)).truth
    assert [truth["units"][u]["moved_deg"] for u in ("1", "2")] == [1.5, 1.5]


@pytest.mark.parametrize(
    ("piston", "travel", "before", "after"),
    [
        # T2, T3: slider-crank with cylinder offset, touches at 50 digits and by root search.
        (Piston(44.0, 176.0, 6.0), 10.0, 326.225418 - 1.562806, 37.049012 - 1.562806),
        (Piston(50.0, 190.0, 12.0), 15.0, 322.257351 - 2.865984, 43.856556 - 2.865984),
    ],
)
def test_the_stop_is_touched_where_the_geometry_says(
    piston: Piston, travel: float, before: float, after: float
) -> None:
    stop = StopTruth(travel, spread_mm=0.0)
    hidden = replace(quiet(), piston=piston, stop=stop)
    plan = ["turn 400 at 120", "stop in", "touch forward", "touch back", "stop out"]
    result = run(plan, PROFILE, hidden=hidden)
    touches = result.truth["touches"]
    assert [t["direction"] for t in touches] == [1, -1]
    top = result.truth["tdc_deg_after_index"]
    for touch, wanted in zip(touches, (before, after), strict=True):
        assert wrapped(touch["crank_deg"] - top - wanted) == pytest.approx(0.0, abs=2e-6)
    assert [reply.get("blocked", False) for reply in result.replies] == [
        False,
        False,
        True,
        True,
        False,
    ]


def test_touches_are_spread_as_stated_and_turning_on_is_blocked() -> None:
    hidden = replace(quiet(), stop=StopTruth(10.0, spread_mm=0.02))
    plan = ["turn 400 at 120", "stop in", *["touch forward", "back 20"] * 40, "turn 300 at 60"]
    result = run(plan, PROFILE, hidden=hidden, lines=False)
    touched = [t["crank_deg"] for t in result.truth["touches"]]
    assert len(touched) == 41
    # T8 by the slope of the exact curve: 0.02 mm at 10 mm of travel.
    slope = abs(hidden.piston.touch_deg(10.01, 1) - hidden.piston.touch_deg(9.99, 1)) / 0.02
    assert statistics.stdev(touched) == pytest.approx(0.02 * slope, rel=0.3)
    assert result.replies[-1] == {"blocked": True}


def test_a_stop_in_another_cylinder_meets_that_cylinders_top() -> None:
    plan = ["turn 400 at 120", "stop in 3", "touch forward", "touch back"]
    truth = run(plan, PROFILE, hidden=replace(quiet(), stop=StopTruth(10.0, 0.0))).truth
    middle = statistics.mean(t["crank_deg"] for t in truth["touches"])
    assert abs(wrapped(middle - truth["tdc_deg_after_index"], 360.0)) in (
        pytest.approx(0.0, abs=1e-6),
        pytest.approx(180.0, abs=1e-6),
    )


def test_the_gauge_shows_the_travel() -> None:
    hidden = replace(quiet(), piston=Piston(50.0, 190.0, 0.0))
    result = run(["turn 400", "goto 30", "gauge", "goto 25", "gauge 1"], PROFILE, hidden=hidden)
    shown = [reply["travel_mm"] for reply in result.replies if "travel_mm" in reply]
    wanted = [hidden.piston.travel_mm(-30.0), hidden.piston.travel_mm(-25.0)]
    assert shown == pytest.approx(wanted, abs=0.025)


def test_a_slipped_encoder_moves_the_index_against_the_crank() -> None:
    plan = ["turn 400 at 90", "slip 1.5", "turn 400 at 90"]
    truth = run(plan, PROFILE, hidden=quiet(), hand=SMOOTH).truth
    places = [entry["crank_deg"] for entry in truth["index"]]
    assert places[0] == 0.0
    assert wrapped(places[-1]) == pytest.approx(-1.5, abs=1e-9)


def test_play_between_crank_and_encoder() -> None:
    encoder = replace(PROFILE.encoder, play_deg=0.8)
    profile = replace(PROFILE, encoder=encoder)
    hidden = quiet(profile)
    plan = ["turn 400 at 90", "back 200 at 90", "turn 300 at 90", "rest 0.3"]
    result = run(plan, profile, hidden=hidden, hand=SMOOTH)
    lines = wire.edges(wire.parse(result.data))
    zero = next(e for e in lines if e.input == 0).count
    shown = {e.t_us: (e.count - zero + 0.5) * 360.0 / 4096 for e in lines if e.input and e.level}
    unit = result.truth["units"]["1"]
    for opening in unit["openings"][:1] + unit["openings"][-1:]:
        off = shown[int(opening["t"] * 1e6)] - opening["crank_deg"]
        assert off == pytest.approx(0.0, abs=0.05)
    for opening in unit["others"]:
        off = shown[int(opening["t"] * 1e6)] - opening["crank_deg"]
        assert off == pytest.approx(0.8, abs=0.05)


def test_a_geared_propeller_turns_the_crank_by_the_ratio() -> None:
    # B2: a propeller at 9/16 of crank speed turns 14.0625 degrees to 25 of crank.
    encoder = Encoder(4096, turns_per_crank_turn=Fraction(9, 16), play_deg=0.5, turned_at="encoder")
    profile = replace(PROFILE, encoder=encoder)
    hidden = quiet(profile)
    result = run(["turn 2000 at 90", "rest 0.3"], profile, hidden=hidden, hand=SMOOTH)
    places = [entry["crank_deg"] for entry in result.truth["index"]]
    assert np.diff(places) == pytest.approx(360.0 * 16 / 9)
    first, last = _first_and_last(result.data)
    turned = openings(result.truth)[-1]["crank_deg"] - openings(result.truth)[0]["crank_deg"]
    assert (last - first) * 360.0 / 4096 == pytest.approx(turned * 14.0625 / 25.0, abs=0.2)


def _first_and_last(data: bytes) -> tuple[int, int]:
    counts = [e.count for e in wire.edges(wire.parse(data)) if e.input == 1 and e.level]
    return counts[0], counts[-1]


def test_two_contact_sets_on_one_input_are_open_together_only() -> None:
    hidden = quiet()
    both = replace(hidden, units=(hidden.units[0], replace(hidden.units[1], input=1)))
    result = run(["turn 800 at 90", "rest 0.3"], PROFILE, hidden=both, hand=SMOOTH)
    told = [e for e in wire.edges(wire.parse(result.data)) if e.input == 1 and e.level == 1]
    truth = result.truth["units"]
    one, two = (truth[key]["openings"] for key in ("1", "1 lower"))
    later = [max(a["t"], b["t"]) for a, b in zip(one, two, strict=True)]
    assert [e.t_us for e in told] == [int(t * 1e6) for t in later]


def test_a_compensated_cam_opens_each_cylinder_at_its_own_figure() -> None:
    order = (1, 3, 5, 2, 4)
    windows = {
        c: Window(26.0 + d, 25.0 + d, 24.0 + d, "table")
        for c, d in zip(order, (0, 2, -1, 3, 1), strict=True)
    }
    setting = Setting("fixed", Window(26.0, 25.0, 24.0, "table"), per_cylinder=windows)
    unit = Unit("rear", 1, Fraction(1, 2), 5, (setting,))
    engine = Engine(
        "radial", 4, 5, order, (144.0,) * 5, "clockwise", "rear", stated_tdc_deg={3: 145.0}
    )
    profile = Profile(engine, Encoder(4096), (unit,))
    hidden = quiet(profile)
    off = {  # what the seed draws beside the figures
        c: hidden.units[0].lobe_deg[i] - (25.0 - windows[c].nominal_btdc)
        for i, c in enumerate(order)
    }
    assert max(abs(x) for x in off.values()) < 1.0
    truth = run("turn 1440 at 200", profile, hidden=hidden, hand=SMOOTH).truth
    btdc = hidden.units[0].btdc_deg["fixed"]
    for opening in openings(truth):
        cylinder = order[opening["lobe"]]
        top = truth["firing_tdc_crank_deg"] + (
            145.0 if cylinder == 3 else order.index(cylinder) * 144.0
        )
        wanted = btdc - hidden.units[0].lobe_deg[opening["lobe"]]
        assert wrapped(top - opening["crank_deg"] - wanted, 720.0) == pytest.approx(0.0, abs=1e-6)


def test_coupled_a_crank_turn_out_it_opens_on_the_other_stroke() -> None:
    unit = replace(
        PROFILE.units[0], turns_per_crank_turn=Fraction(1, 2), lobes=1, lobe_cylinders=(1,)
    )
    profile = replace(PROFILE, units=(unit,))
    right = run("turn 1500 at 200", profile, hidden=quiet(profile), hand=SMOOTH).truth
    wrong = run(
        "turn 1500 at 200", profile, hidden=quiet(profile, crank_turns_out=1), hand=SMOOTH
    ).truth
    a, b = openings(right)[0]["crank_deg"], openings(wrong)[0]["crank_deg"]
    assert abs(wrapped(a - b, 720.0)) == pytest.approx(360.0, abs=1e-6)
    top = right["firing_tdc_crank_deg"]
    assert wrapped(top - a, 720.0) == pytest.approx(right["units"]["1"]["btdc"][0], abs=1e-6)

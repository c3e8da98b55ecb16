"""The truth agrees with itself, and with the facts of the trade that the rig is to show."""

from __future__ import annotations

import statistics
from dataclasses import replace
from fractions import Fraction
from typing import Literal

import numpy as np
import pytest
import tiny_parser as wire
from hypothesis import given, settings
from hypothesis import strategies as st
from quiet_rig import PROFILE, SMOOTH, openings, quiet, wrapped

from rig.engine.profile import Encoder as StatedEncoder
from rig.virtual.engine import Encoder
from rig.virtual.ground_truth import EncoderTruth, StopTruth, draw
from rig.virtual.motion import Hand, Piston
from rig.virtual.rig import VirtualRig, run


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


@settings(max_examples=10)
@given(st.integers(0, 1 << 30), st.sampled_from([2400, 4096, 8192]), st.sampled_from([1, -1]))
def test_counts_on_the_wire_agree_with_the_true_angles(
    seed: int, counts: int, direction: int
) -> None:
    encoder = StatedEncoder(counts, direction=1 if direction > 0 else -1)
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
        # A step in the same microsecond may stand on the other side: 0.005 counts at most here.
        assert edge.count - zero - 0.005 <= at <= edge.count - zero + 1.005
    assert {edge.t_us for edge in told.values()} == {int(o["t"] * 1e6) for o in truth}


@pytest.mark.slow
@settings(max_examples=25)
@given(st.integers(0, 1 << 30), st.sampled_from([2400, 4096, 8192]), st.sampled_from([1, -1]))
def test_counts_on_the_wire_agree_with_the_true_angles_many_times(
    seed: int, counts: int, direction: int
) -> None:
    inner = test_counts_on_the_wire_agree_with_the_true_angles.hypothesis.inner_test  # type: ignore[attr-defined]
    inner(seed, counts, direction)


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


def test_scatter_has_the_entered_size() -> None:
    hidden = quiet()
    hidden = replace(hidden, units=tuple(replace(u, scatter_deg=0.1) for u in hidden.units))
    truth = run("turn 43200 at 300", PROFILE, hidden=hidden, hand=SMOOTH, lines=False).truth
    off = [wrapped(o["crank_deg"], 180.0) for o in openings(truth, lobe=0)]
    assert len(off) == 120
    assert statistics.stdev(off) == pytest.approx(0.1, rel=0.25)


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
    stop = StopTruth(travel, sd_mm=0.0)
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


def test_touches_are_spread_as_entered_and_turning_on_is_blocked() -> None:
    hidden = replace(quiet(), stop=StopTruth(10.0, sd_mm=0.02))
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


def test_two_contact_sets_on_one_input_are_open_together_only() -> None:
    hidden = quiet()
    both = replace(hidden, units=(hidden.units[0], replace(hidden.units[1], input=1)))
    result = run(["turn 800 at 90", "rest 0.3"], PROFILE, hidden=both, hand=SMOOTH)
    told = [e for e in wire.edges(wire.parse(result.data)) if e.input == 1 and e.level == 1]
    truth = result.truth["units"]
    one, two = (truth[key]["openings"] for key in ("1", "1 lower"))
    later = [max(a["t"], b["t"]) for a, b in zip(one, two, strict=True)]
    assert [e.t_us for e in told] == [int(t * 1e6) for t in later]


@settings(max_examples=5)
@given(st.integers(0, 1000), st.integers(1, 60))
def test_a_halted_turn_has_the_same_past(seed: int, slices: int) -> None:
    hidden = draw(PROFILE, seed, noise="worst")
    hand = Hand(tremor_deg=0.5, regrip_deg=60.0)
    whole, short = (VirtualRig(PROFILE, hidden=hidden, hand=hand) for _ in range(2))
    one = [line for part in whole.do("turn 400 at 60") for line in part]
    two: list[tuple[float, bytes]] = []
    for nth, part in enumerate(short.do("turn 400 at 60", 0.1)):
        two += part
        if nth == slices:
            short.halt()
    assert short.reply == {"halted": True}
    assert slices * 0.1 < short.now_s < slices * 0.1 + 0.4
    until_s = 0.1 * (slices + 1)
    same = [line for line in one if line[0] < until_s - 0.26]
    assert two[: len(same)] == same
    # What it says afterwards is true as well: the count goes on from where the hand came to rest.
    two += [line for text in ("turn 90", "rest 0.3") for part in short.do(text) for line in part]
    lines = wire.parse(b"".join(data for _, data in two))
    assert [line.number for line in lines] == list(range(len(lines)))
    truth = short.truth()
    parted = {e.t_us for e in wire.edges(lines) if e.input == 1 and e.level}
    assert {int(o["t"] * 1e6) for o in openings(truth)} <= parted
    assert [entry["text"] for entry in truth["commands"]] == [
        "turn 400 at 60",
        "turn 90",
        "rest 0.3",
    ]


@pytest.mark.slow
@settings(max_examples=15)
@given(st.integers(0, 1000), st.integers(1, 60))
def test_a_halted_turn_has_the_same_past_many_times(seed: int, slices: int) -> None:
    test_a_halted_turn_has_the_same_past.hypothesis.inner_test(seed, slices)  # type: ignore[attr-defined]


@pytest.mark.parametrize("direction", [1, -1])
def test_what_the_encoder_shows_is_off_by_run_out_between_two_places(
    direction: Literal[1, -1],
) -> None:
    # D4: run-out of amplitude A puts an angle between places d apart wrong by at most
    # 2 A sin(d / 2). Source: geometry.
    encoder = EncoderTruth(4096, direction, harmonics=((1, 0.12, 70.0),))
    crank = np.linspace(-700.0, 900.0, 4001)
    error = Encoder(encoder).shown(crank) - crank
    assert Encoder(encoder).shown(np.array([0.0, 360.0, -720.0])) == pytest.approx([0, 360, -720])
    for apart, most in ((5.0, 0.010469), (36.0, 0.074164), (90.0, 0.169706), (180.0, 0.240000)):
        far = Encoder(encoder).shown(crank + apart) - crank - apart
        assert np.abs(far - error).max() == pytest.approx(most, rel=2e-3)


def test_openings_and_touches_tell_what_the_encoder_showed() -> None:
    plan = ["turn 900 at 90", "goto 180", "stop in", "touch forward", "touch back", "rest 0.3"]
    result = run(plan, PROFILE, 5)
    index = next(e for e in wire.edges(wire.parse(result.data)) if e.input == 0)
    edges = {e.t_us: e for e in wire.edges(wire.parse(result.data)) if e.input == 1}
    for opening in openings(result.truth):
        counts = edges[int(opening["t"] * 1e6)].count - index.count
        assert 0.0 <= opening["shown_deg"] * 4096 / 360 - counts + 0.005 < 1.01
    for touch in result.truth["touches"]:
        assert touch["shown_deg"] == pytest.approx(touch["crank_deg"], abs=0.2)
    assert "shown_deg" in result.truth["touches"][1]
    without = run(plan, PROFILE, 5, lines=False)
    assert without.truth == result.truth

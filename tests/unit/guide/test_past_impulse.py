"""Past an impulse coupling: led by the crank, told when something was missed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import get_args

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from virtual_bench import VirtualBench

from rig.base.errors import InputError
from rig.guide import impulse
from rig.guide.impulse import Missed, Opened, State, TripState, step
from rig.guide.procedure import Advice, Hand
from rig.job.new import write_example
from rig.timing.values import Reading

Look = tuple[float, Opened | None]
TRIP: Look = (26.0, Opened.TRIPPED)
CLOSED: Look = (0.0, Opened.CLOSED_BACK)


def run(*looks: Look | float, now: TripState | None = None) -> TripState:
    now = now or TripState(20.0)
    for look in looks:
        now = step(now, look) if isinstance(look, float) else step(now, *look)
    return now


def test_the_whole_way() -> None:
    now = run(-40.0, 0.0, TRIP)
    assert now.state == "back"
    assert now.more_deg == pytest.approx(49.0)  # 26 to the opening, 20 of approach, 3 of margin
    now = run(-40.0, TRIP, 31.0, CLOSED, -24.0)
    assert (now.state, now.missed) == ("forward", Missed.NOTHING)
    assert not now.came_forward
    assert run(TRIP, CLOSED, -24.0, -10.0).came_forward
    now = run(TRIP, CLOSED, -24.0, -10.0, (0.2, Opened.READ))
    assert now.state == "trip"
    assert now.lag_deg == pytest.approx(25.8)


def test_where_the_contacts_close_turned_back_is_where_they_open() -> None:
    """However far the unit is out: its lag is not asked for."""
    now = run(TRIP, (-14.0, Opened.CLOSED_BACK))
    assert now.more_deg == pytest.approx(23.0)
    assert run(TRIP, (-14.0, Opened.CLOSED_BACK), -38.0).state == "forward"


def test_turning_on_too_soon_is_told() -> None:
    now = run(TRIP, CLOSED, -5.0, -2.0)
    assert (now.state, now.missed) == ("back", Missed.TOO_SOON)
    assert run(TRIP, CLOSED, -5.0, -3.5).missed is Missed.NOTHING  # a trembling hand
    now = run(TRIP, CLOSED, -24.0, (0.0, Opened.TOO_SHORT))
    assert (now.state, now.missed) == ("back", Missed.TOO_SOON)


def test_passing_the_opening_with_the_contacts_closed_means_that_it_caught_again() -> None:
    now = run(TRIP, CLOSED, -60.0, -10.0, 2.0)
    assert now.state == "forward"
    now = step(now, 4.0)
    assert (now.state, now.missed) == ("trip", Missed.CAUGHT)
    assert run(TRIP, now=now).missed is Missed.NOTHING


def test_contacts_that_close_at_the_trip_do_not_say_where_they_open() -> None:
    """A finger, or the lever, closed them there: a lag of nothing would lead nowhere."""
    now = run(TRIP, (24.0, Opened.CLOSED_BACK))
    assert now.more_deg == pytest.approx(47.0)
    now = run(TRIP, (19.0, Opened.CLOSED_BACK), -5.0, 23.0)  # 7 degrees: too little
    assert now.missed is Missed.CAUGHT
    assert run(TRIP, now=now).more_deg == pytest.approx(49.0)  # it is not believed again


def test_going_on_a_little_after_the_trip_is_not_turning_too_soon() -> None:
    assert run(TRIP, 31.0).missed is Missed.NOTHING
    assert run(TRIP, 39.0, 5.0, 8.0).missed is Missed.TOO_SOON


def test_where_it_catches_again_may_be_entered() -> None:
    """Turned back past it, it is said at once, and never led there: here it catches 27 degrees
    before the opening, and at the next lobe 180 degrees on."""
    now = run(-40.0, TRIP, CLOSED, now=TripState(20.0, catch_deg=153.0, apart_deg=180.0))
    assert now.catches_deg == -27.0
    assert now.far_enough_deg == -23.0
    assert run(-26.0, (0.0, Opened.READ), now=now).missed is Missed.NOTHING
    for before in (now, step(now, -24.0)):
        caught = step(before, -28.0)
        assert (caught.state, caught.missed) == ("trip", Missed.CAUGHT)
    near = replace(now, catch_deg=-15.0)
    assert near.far_enough_deg == -13.0  # the approach is too short, and is said to be then


def test_where_it_catches_is_learnt_from_catching_again() -> None:
    """Tripped at 26 again after a way back of 50 degrees: it catches somewhere on that way. So it
    is taken back less, as long as the approach of 20 is complete."""
    now = run(TRIP, CLOSED, -24.0, -20.0, TRIP)
    assert now.caught_deg == 50.0
    assert now.catches_deg == -24.0
    assert now.far_enough_deg == -22.0  # half-way to -20
    assert step(run(CLOSED, -22.5, now=now), -24.5).missed is Missed.CAUGHT  # at once
    nearer = run(CLOSED, -22.0, -18.0, TRIP, now=now)
    assert nearer.caught_deg == 48.0
    assert nearer.far_enough_deg == -21.0
    ran = run(CLOSED, -21.0, (0.0, Opened.READ), TRIP, now=nearer)
    assert (ran.caught_deg, ran.far_enough_deg) == (48.0, -21.0)  # where it ran it stays


@given(st.floats(1.0, 60.0), st.lists(st.floats(-60.0, -4.0), max_size=8))
def test_what_is_learnt_of_the_catch_is_true(catches: float, ways: list[float]) -> None:
    """Whatever the ways back: a coupling that catches so far before its opening has surely caught
    where it is said to have, and it is never led further back for that."""
    now = run(TRIP)
    for lowest in ways:
        now = run(CLOSED, lowest, now=now)
        if lowest <= -catches:
            now = run(TRIP, now=now)
            assert now.catches_deg <= -catches
            assert -23.0 <= now.far_enough_deg <= -20.0
        else:
            opened = Opened.READ if lowest <= -20.0 else Opened.TOO_SHORT
            now = replace(run((0.0, opened), now=now), state="back")


def test_turned_on_towards_the_next_lobe_the_way_is_to_its_trip() -> None:
    """Nobody is led back by more than half a lobe while another trip is nearer."""
    start = TripState(20.0, apart_deg=180.0)
    assert run(TRIP, 115.0, now=start).state == "back"
    assert run(TRIP, 117.0, now=start).state == "trip"
    assert run(TRIP, 117.0, (206.0, Opened.TRIPPED), now=start).more_deg == pytest.approx(49.0)


def test_each_state_has_a_way_on() -> None:
    states = set(get_args(State))
    assert {state for _, of, _, _ in impulse.ROWS for state in of} == states
    for state in states:
        assert {to for _, of, to, _ in impulse.ROWS if state in of} != {state}


LOOKS = st.tuples(st.floats(-90.0, 60.0), st.sampled_from([None, *Opened]))


@given(st.lists(LOOKS, max_size=30))
@example([(-47.0, None), (0.0, Opened.TRIPPED)])  # the first trip, at the angle 0
def test_from_any_state_the_whole_way_leads_to_a_reading(looks: list[Look]) -> None:
    now = run(*looks, 26.0, TRIP, CLOSED)
    now = run(now.far_enough_deg, -10.0, now=now)  # nearer than -23 where it was seen to catch
    assert now.state == "forward"
    assert step(now, 0.0, Opened.READ).state == "trip"


# -- on the virtual rig -----------------------------------------------------------------------


def coupled(folder: Path, seed: int = 3, *edits: tuple[str, str]) -> VirtualBench:
    """The example's upper unit with a coupling, up to where it is read."""
    write_example(folder, "example")
    file = folder / "engine.toml"
    text = file.read_text("utf-8")
    first = 'name = "upper"\ninput = 1\n'
    for before, after in ((first, f'{first}coupling = "impulse"\n'), *edits):
        assert before in text
        text = text.replace(before, after, 1)
    file.write_text(text, "utf-8")
    bench = VirtualBench(folder, seed)
    bench.find_dead_centre(2)
    bench.do("goto 0 at 60")
    if not bench.rig.reply["compressed"]:
        bench.do("turn 180 at 120", "goto 0 at 60")
    bench.do("rest 1")
    bench.press("f")
    return bench


def upper(bench: VirtualBench) -> list[Reading]:
    return [r for r in bench.live.session.readings() if r.unit == "upper" and r.valid]


def next_of(bench: VirtualBench) -> Advice:
    """What NEXT says; the distance in large figures never points the other way."""
    view, advice = bench.ui_state.view(), bench.ui_state.bench.advice
    if view.goto is not None and view.goto.to_go_deg is not None:
        assert advice.hand is not Hand.NOTHING
        way = -1 if advice.hand is Hand.TURN_BACK else 1
        # Past the opening by the margin it is said that the coupling caught again.
        assert view.goto.to_go_deg * way >= -impulse.MARGIN_DEG, (advice.next, view.goto.to_go_deg)
    return advice


def test_a_trip_is_never_a_running_reading(tmp_path: Path) -> None:
    bench = coupled(tmp_path / "job")
    bench.do("turn 1000 at 90")
    assert {r.kind for r in upper(bench)} == {"impulse"}
    bench.press("l", "y")  # as left: a trip is none the more a running reading there
    bench.do("turn 200 at 90")
    assert {r.kind for r in upper(bench)} == {"impulse"}
    assert not [j for j in bench.live.session.assessments() if j.unit == "upper"
                and j.verdict != "no window set"]  # fmt: skip


def test_the_lag_is_shown_once_for_the_phase_that_is_read(tmp_path: Path) -> None:
    bench = coupled(tmp_path / "job")
    bench.do("turn 800 at 90")
    bench.press("l")
    bench.do("turn 800 at 90")
    assert len([lag for lag in bench.live.session.lags() if lag.unit == "upper"]) == 2
    (note,) = [n for n in bench.ui_state.view().units[0].notes if "impulse coupling" in n]
    assert "after the nominal" in note  # there is no running reading to count the lag from


def test_the_guidance_follows_the_crank(tmp_path: Path) -> None:
    bench = coupled(tmp_path / "job")
    bench.press("i")
    assert bench.ui_state.procedure is not None  # one unit has a coupling: it is not asked which
    assert next_of(bench).hand is Hand.TURN_FORWARD
    while next_of(bench).hand is Hand.TURN_FORWARD:
        bench.do("turn 5 at 20")
    assert next_of(bench).hand is Hand.TURN_BACK
    while (back := next_of(bench)).hand is Hand.TURN_BACK:
        assert back.deg is not None
        bench.do(f"back {back.deg} at 40")
    assert back.next.startswith("STOP")
    assert upper(bench)[-1].kind == "impulse"
    bench.do("turn 30 at 20")
    assert upper(bench)[-1].kind == "turned"
    (truth,) = [unit for unit in bench.rig.hidden.units if unit.name == "upper"]
    assert upper(bench)[-1].btdc_deg == pytest.approx(truth.btdc_deg["full advance"], abs=0.5)


@pytest.mark.slow
def test_where_it_catches_is_learnt_by_doing_as_it_says(tmp_path: Path) -> None:
    """The virtual coupling catches 29 degrees before its opening; an approach of 27 is needed, so
    at first the hand is led too far back. Each time less, until it runs."""
    approach = ("\n[engine]", "\n[run_up]\nneeded_deg = 27\n\n[engine]")
    bench = coupled(tmp_path / "job", 3, approach)
    bench.press("i")
    tripped = 0
    for _ in range(150):
        if any(r.kind == "turned" for r in upper(bench)):
            break
        advice = next_of(bench)
        if advice.hand is Hand.TURN_BACK:
            assert advice.deg is not None
            bench.do(f"back {advice.deg} at 40")
        else:
            bench.do("turn 10 at 40")
        tripped = sum(r.kind == "impulse" for r in upper(bench))
    else:
        pytest.fail("no running reading")
    assert tripped >= 2  # it was caught again before it was learnt


def test_the_distance_is_to_the_next_trip(tmp_path: Path) -> None:
    """From anywhere, also past the nominal with the coupling caught; nothing once all is read."""
    bench = coupled(tmp_path / "job")
    bench.do("turn 300 at 90")
    bench.press("i")
    for _ in range(12):
        bench.do("turn 15 at 30")
        if next_of(bench).hand is not Hand.TURN_FORWARD:
            bench.do(f"back {next_of(bench).deg} at 40")


def test_gone_back_too_far_it_says_caught_and_to_go_on_to_the_trip(tmp_path: Path) -> None:
    bench = coupled(tmp_path / "job")
    bench.press("i")
    while next_of(bench).hand is Hand.TURN_FORWARD:
        bench.do("turn 5 at 20")
    bench.do("back 110 at 40")
    assert next_of(bench).next.startswith("STOP")
    said = set()
    while next_of(bench).hand is Hand.TURN_FORWARD:
        bench.do("turn 4 at 20")
        said.add((next_of(bench).next, next_of(bench).why))
    assert any(why.startswith("Caught again") for _, why in said)
    assert any("on forward to the trip" in words for words, _ in said)
    assert {r.kind for r in upper(bench)} == {"impulse"}
    assert next_of(bench).hand is Hand.TURN_BACK


def test_nothing_is_done_before_a_running_reading(tmp_path: Path) -> None:
    bench = coupled(tmp_path / "job")
    bench.press("i", "space")
    assert "no running reading yet" in bench.ui_state.view().message
    assert bench.ui_state.procedure is not None


def test_at_full_retard_the_opening_after_the_release_is_read_without_a_trip(
    tmp_path: Path,
) -> None:
    """Nominal 20 degrees after TDC, the release about TDC: nothing is waited for."""
    late = (
        "earliest_deg_btdc = 10\n  nominal_deg_btdc = 6\n  latest_deg_btdc = 0",
        "earliest_deg_btdc = -16\n  nominal_deg_btdc = -20\n  latest_deg_btdc = -26",
    )
    bench = coupled(tmp_path / "job", 3, late)
    bench.press("i")
    for _ in range(2):
        while next_of(bench).hand is Hand.TURN_FORWARD:
            bench.do("turn 5 at 20")
        bench.do(f"back {next_of(bench).deg} at 40", "turn 30 at 20")
    bench.press("space")
    bench.press("1")
    bench.do("lever full retard", "rest 1")
    bench.press("i")
    assert next_of(bench).why == "It opens after the release here."
    before = len(upper(bench))
    bench.do("turn 200 at 30")
    later = upper(bench)[before:]
    assert later
    assert {(r.setting, r.kind) for r in later} == {("full retard", "turned")}


def test_the_engine_file_may_say_where_the_coupling_releases_and_catches(tmp_path: Path) -> None:
    places = "coupling_releases_deg_btdc = 4\ncoupling_catches_deg_btdc = 62\n"
    bench = coupled(
        tmp_path / "job", 3, ('coupling = "impulse"\n', f'coupling = "impulse"\n{places}')
    )
    unit = bench.job.profile.units[0]
    assert (unit.release_btdc, unit.catch_btdc) == (4.0, 62.0)
    bench.press("i")
    while next_of(bench).hand is Hand.TURN_FORWARD:
        bench.do("turn 5 at 20")
    while (back := next_of(bench)).hand is Hand.TURN_BACK:
        bench.do(f"back {back.deg} at 40")
    bench.do("back 20 at 40")  # past 62 degrees BTDC: it is said at once
    assert next_of(bench).why.startswith("Caught again")
    for key in ("coupling_releases_deg_btdc", "coupling_catches_deg_btdc"):
        with pytest.raises(InputError, match=key):
            coupled(tmp_path / key, 3, ("input = 1\n", f"input = 1\n{key} = 400\n"))

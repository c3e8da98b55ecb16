"""What the session and the engine file tell of a live job reaches the guidance."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Literal

import pytest
from made_job import rig
from nothing_cut import assert_nothing_cut
from sample_engines import single, unit
from true_openings import check_against_truth
from virtual_bench import VirtualBench

from rig.certificate import record
from rig.guide.advice import (
    ARC,
    COIL,
    LIVE,
    MORE,
    MORE_TOUCHES,
    PROPELLER,
    STOP,
    closing_list,
    due,
    guidance,
    with_hazards,
)
from rig.guide.procedure import Advice, Hand
from rig.guide.state import JobState, state_of, waiting
from rig.job.folder import Job
from rig.job.new import write_example
from rig.live.live_session import Lost
from rig.tdc.piston_stop import tdc_from_stop
from rig.tdc.reference_file import to_plain
from rig.timing.values import Mark
from rig.virtual.drive import Magnet
from rig.virtual.ground_truth import draw


def edited(tmp_path: Path, *edits: tuple[str, str], engine: str = "two_stroke_single") -> Path:
    """A job folder of an example whose engine file was edited."""
    folder = tmp_path / "job"
    write_example(folder, engine)
    text = (folder / "engine.toml").read_text("utf-8")
    for before, after in edits:
        assert before in text
        text = text.replace(before, after)
    (folder / "engine.toml").write_text(text, "utf-8")
    return folder


def steps(state: JobState) -> list[str]:
    return [each.step for each in due(state)]


def test_a_coil_set_has_the_cautions_of_a_coil_and_no_switch_to_prove(tmp_path: Path) -> None:
    bench = VirtualBench(edited(tmp_path, ("lobes = 1", 'lobes = 1\nignition = "coil"')))
    state = state_of(bench.live)
    assert (state.magneto, state.coil_set) == (False, True)
    assert COIL in bench.ui_state.view().warning
    assert not {"switch", "play"} & set(steps(state))
    assert any("battery" in words for words in closing_list(state))


@pytest.mark.parametrize("ignitions", [("coil",), ("magneto",), ("magneto", "coil")])
@pytest.mark.parametrize("seen_from", ["propeller end", "flywheel end"])
def test_every_step_has_the_warnings_of_this_engine(
    ignitions: tuple[Literal["magneto", "coil"], ...], seen_from: str
) -> None:
    units = tuple(replace(single(unit()).units[0], ignition=each) for each in ignitions)
    engine = replace(single(unit()).engine, seen_from=seen_from)
    fits = {ARC: seen_from == "flywheel end", PROPELLER: seen_from == "propeller end",
            LIVE: "magneto" in ignitions, COIL: "coil" in ignitions}  # fmt: skip
    found = with_hazards(
        Advice("go to", "Turn", "", "Its own."), replace(single(unit()), engine=engine, units=units)
    )
    assert {words for words in fits if words in found.warning} == {w for w in fits if fits[w]}
    assert found.warning.endswith(" Its own.")


@pytest.mark.parametrize("stop_in", [False, True])
def test_a_lost_rig_leaves_the_warnings_on(tmp_path: Path, stop_in: bool) -> None:
    """A magneto stays live, and the crank can still be turned."""
    bench = VirtualBench(tmp_path / "job")
    bench.do("turn 400 at 300")
    bench.press("enter", "enter")
    if stop_in:
        bench.do("stop in")
        bench.press("p")
    before = bench.ui_state.view()
    bench.feed.waiting.append(Lost("the cable is out"))
    view = bench.ui_state.view()
    assert guidance(bench.live).step == "rig lost"
    assert LIVE in before.warning
    assert LIVE in view.warning
    assert ARC in view.warning
    assert (STOP in view.caution) == stop_in
    assert_nothing_cut(view, (80, 24))


def test_a_rig_that_falls_silent_is_lost_for_next_as_for_the_head(tmp_path: Path) -> None:
    """The port is there, but nothing comes: with a cable half out, or a board without power."""
    bench = VirtualBench(tmp_path / "job")
    bench.do("turn 400 at 300")
    assert bench.ui_state.view().rig.connected
    bench.feed.now_s += 3.0
    view = bench.ui_state.view()
    assert not view.rig.connected
    assert guidance(bench.live).step == "rig lost"
    assert "Plug the rig in" in view.next
    bench.do("turn 10")
    assert bench.ui_state.view().rig.connected
    assert guidance(bench.live).step != "rig lost"


def test_automatic_advance_is_asked_about_until_it_is_said(tmp_path: Path) -> None:
    bench = VirtualBench(edited(tmp_path, ("lobes = 1", "lobes = 1\nautomatic_advance = true")))
    state = state_of(bench.live)
    assert state.automatic_advance == ("magneto",)
    assert any("wedge" in words for words in closing_list(state))
    bench.live.annotate("said", {"step": "advance"})
    assert "advance" not in steps(state_of(bench.live))
    plain = state_of(VirtualBench(tmp_path / "other", engine="two_stroke_single").live)
    assert plain.automatic_advance == ()
    assert not any("wedge" in words for words in closing_list(plain))


def test_play_that_was_not_measured_is_told_until_it_is_stated_or_said(tmp_path: Path) -> None:
    bench = VirtualBench(tmp_path / "unstated", engine="two_stroke_single")
    assert state_of(bench.live).without_drag == ("magneto",)
    bench.live.annotate("said", {"step": "play"})  # as captures of earlier versions have it
    assert state_of(bench.live).without_drag == ()
    stated = VirtualBench(edited(tmp_path, ("lobes = 1", "lobes = 1\nplay_deg = 0.3")))
    assert state_of(stated.live).without_drag == ()


@pytest.mark.parametrize("slip", [False, True])
def test_dead_centre_that_moved_is_to_be_chosen_anew(tmp_path: Path, slip: bool) -> None:
    bench = VirtualBench(tmp_path / "job")
    bench.find_dead_centre(3)
    assert not state_of(bench.live).tdc_moved
    if slip:
        bench.do("slip 1.5")
    bench.press("p")
    bench.do("stop in", "touch forward at 120", "touch back at 120", "touch forward at 120")
    bench.do("touch back at 120", "turn 40 at 90", "stop out")
    bench.press("p")
    assert state_of(bench.live).tdc_moved == slip
    if slip:
        for step in ("make safe", "gap", "play", "switch", "rig check"):
            bench.live.annotate("said", {"step": step})
        assert guidance(bench.live).step == "dead centre moved"
        bench.press("t")
        panel = bench.ui_state.view().panel
        assert panel is not None
        number = next(
            line.label for line in panel.lines if line.label.isdigit() and "IN USE" not in line.text
        )
        bench.press(number, "y", "esc")
        assert not state_of(bench.live).tdc_moved


def test_a_change_is_made_until_it_was_read(tmp_path: Path) -> None:
    bench = VirtualBench(tmp_path / "job", engine="two_stroke_single")
    bench.find_dead_centre(2)
    bench.do("turn 800 at 200")
    assert not state_of(bench.live).change_made
    bench.press("w", *"new contacts", "enter", "1", "enter")
    bench.do("rest 0.3")
    assert state_of(bench.live).change_made
    bench.do("turn 800 at 200")
    assert not state_of(bench.live).change_made


def bench_with_play(
    tmp_path: Path, nominal_off_deg: float, play_deg: float = 1.2, scatter_deg: float = 0.03
) -> VirtualBench:
    """A single with ``play_deg`` of measured backlash, through which its magnet pulls the
    rotor; its contacts open ``nominal_off_deg`` inside the early limit."""
    folder = edited(tmp_path, ("lobes = 1", f"lobes = 1\nplay_deg = {play_deg}"))
    profile = Job(folder).profile
    hidden = draw(profile, 3, magnet=True)
    (truth,) = hidden.units
    window = profile.units[0].settings[0].window
    assert window is not None
    opens = dict.fromkeys(truth.btdc_deg, window.earliest_btdc - nominal_off_deg)
    units = (
        replace(truth, btdc_deg=opens, magnet=Magnet(before_deg=2.0), scatter_deg=scatter_deg),
    )
    return VirtualBench(folder, 3, hidden=replace(hidden, units=units))


def next_of(bench: VirtualBench) -> Advice:
    bench.ui_state.view()
    return bench.ui_state.bench.advice


def test_readings_that_should_decide_are_wanted_past_an_impulse_coupling(tmp_path: Path) -> None:
    """Without a coupling they are read by turning on; it would only trip."""
    bench = bench_with_play(tmp_path, 0.1, play_deg=0.01, scatter_deg=0.15)
    bench.find_dead_centre(3)
    bench.do("turn 1500 at 300")
    (own,) = bench.job.profile.units
    (open_,) = state_of(bench.live).inconclusive
    assert open_.remedy.readings
    turned, coupled = (
        waiting(bench.live, each) for each in (own, replace(own, coupling="impulse"))
    )
    assert turned.n == turned.wanted
    assert coupled.n == sum(r.valid for r in bench.live.session.readings())
    assert coupled.wanted == coupled.n + open_.remedy.readings


@pytest.mark.slow
def test_a_drag_on_the_rotor_decides_what_the_backlash_left_open(tmp_path: Path) -> None:
    """NEXT asks for it, a key notes it, U is smaller by it, and the certificate proves it."""
    bench = bench_with_play(tmp_path, 0.45)
    for step in ("make safe", "gap", "switch", "rig check", "marks"):
        bench.live.annotate("said", {"step": step})
    bench.find_dead_centre(4)
    bench.do("turn 2200 at 120")
    before = bench.live.session.assessments()[0]
    assert before.verdict == "inconclusive"
    assert next_of(bench).press == "drag"
    bench.do("drag on magneto")
    bench.press("b")
    assert "on" in bench.ui_state.view().message
    assert next_of(bench).step == "readings"  # those without the drag do not serve any more
    bench.do("turn 2200 at 120")
    after = bench.live.session.assessments()[0]
    assert after.verdict == "inside"
    assert before.U_deg is not None
    assert after.U_deg is not None
    assert after.U_deg < 0.5 * before.U_deg
    assert Mark.DRAG_HELD in after.marks
    assert {r.drag for r in bench.live.session.readings() if r.valid} == {True}
    assert next_of(bench).step == "tighten"
    check_against_truth(bench)
    bench.press("s", "y")
    (path,) = record.find(bench.job.folder / "certificates")
    assert rig("verify", path).status == 0
    assert bench.live.saved is not None
    assert bench.live.saved.assessments[0] == after  # worked out again from the capture


def test_a_drag_is_undone_and_released(tmp_path: Path) -> None:
    bench = VirtualBench(tmp_path / "job", engine="two_stroke_single")
    bench.do("turn 30 at 60")
    annotations = bench.live.session.annotations
    bench.press("b")
    assert annotations.of["magneto"].drag.now
    bench.press("backspace")
    assert not annotations.of["magneto"].drag.now
    bench.press("b", "b")
    assert not annotations.of["magneto"].drag.now


@pytest.mark.parametrize("spread_deg", [0.02, 0.5])
def test_touches_that_would_not_show_a_slip_are_made_more_often(
    tmp_path: Path, spread_deg: float
) -> None:
    bench = VirtualBench(edited(tmp_path))
    found = tdc_from_stop([320.0, 320.05] * 2, [40.0, 40.05] * 2, counts_per_turn=4096)
    bench.live.annotate("reference", to_plain(found))
    bench.live.annotate("stop-in", {"cylinder": 1, "purpose": "check"})
    for away in (0.0, spread_deg):
        assert not state_of(bench.live).more_touches
        for direction, side in ((1, -40.0), (-1, 40.0)):
            at = 360.0 + found.tdc_deg + side + away
            bench.live.annotate("touch", {"direction": direction, "crank_deg": at})
    assert state_of(bench.live).more_touches is (spread_deg > 0.1)


@pytest.mark.slow
def test_more_touches_of_the_piston_stop_make_tdc_more_certain(tmp_path: Path) -> None:
    """NEXT asks for them where TDC leaves the verdict open, until it is decided or they have given
    what they can; the readings are worked out again with all touches together."""
    bench = bench_with_play(tmp_path, 0.12)
    session = bench.live.session
    for step in ("make safe", "gap", "switch", "rig check", "marks"):
        bench.live.annotate("said", {"step": step})
    bench.find_dead_centre(1)
    first = session.reference
    assert first is not None
    bench.do("drag on magneto")
    bench.press("b")
    bench.do("turn 2600 at 120")
    assert (next_of(bench).press, next_of(bench).what) == ("piston_stop", MORE)
    bench.press("p")
    bench.do("stop in")
    for _ in range(MORE_TOUCHES):
        assert next_of(bench).hand is Hand.TO_STOP_FORWARD
        bench.do("touch forward at 120", "touch back at 120")
    bench.do("turn 40 at 90", "stop out")
    bench.press("p")
    assert session.reference is not None
    assert len(session.reference.forward_deg) == 1 + MORE_TOUCHES
    assert session.reference.uncertainty.U_deg < first.uncertainty.U_deg
    assert next_of(bench).press != "piston_stop" or next_of(bench).what != MORE
    check_against_truth(bench)
    bench.press("s", "y")
    assert bench.live.saved is not None
    assert bench.live.saved.reference == session.reference  # found again from the capture
    assert rig("verify", bench.live.saved.files[0]).status == 0

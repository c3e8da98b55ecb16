"""The keys at a live bench, on the virtual rig; truth from the virtual rig."""

from pathlib import Path
from typing import cast

import pytest
from bench_engines import BENCH_ENGINES
from virtual_bench import VirtualBench

from rig.base.angles import wrap
from rig.cli.main import main
from rig.guide.advice import closing_list
from rig.guide.state import state_of
from rig.job.results import results_of
from rig.live.layout import render
from rig.live.live_session import Bytes
from rig.live.speech import Speaker
from rig.live.ui_state import UiState
from rig.session.session import Session
from rig.wire.line import encode
from rig.words.assessments import reading_word


@pytest.fixture
def found(tmp_path: Path) -> VirtualBench:
    made = VirtualBench(tmp_path / "job")
    made.find_dead_centre()
    return made


def test_dead_centre_is_found_and_kept(found: VirtualBench) -> None:
    reference = found.live.session.reference
    assert reference is not None
    truth = found.rig.truth()["tdc_deg_after_index"]
    assert abs(wrap(reference.tdc_deg - truth)) < 2 * reference.uncertainty.U_deg
    assert found.job.reference() == reference
    assert reference.capture == found.live.capture_path.name


def test_the_stop_is_refused_before_the_index_has_passed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = VirtualBench(tmp_path / "job")
    bench.do("turn 5 at 30")
    monkeypatch.setattr(Session, "is_anchored", False)
    with pytest.raises(Exception, match="index has passed once"):
        bench.live.stop_in()


def test_a_stop_in_another_cylinder_gives_the_same_figures(
    found: VirtualBench, tmp_path: Path
) -> None:
    """Cylinder 3 fires half a turn after cylinder 1; touched again, it is in the same hole."""
    other = VirtualBench(tmp_path / "other")
    other.do("turn 580 at 120")
    other.press("o", "9", "enter")
    assert "enter 1 to 4" in other.ui_state.view().message
    other.press("o", "3", "enter")
    other.do("stop in 3")
    for _ in range(2):
        other.do("touch forward at 120", "touch back at 120")
    other.do("turn 40 at 90", "stop out")
    other.press("p")
    reference, first = other.live.session.reference, found.live.session.reference
    assert reference is not None
    assert first is not None
    assert reference.cylinder == 3
    apart = wrap(reference.tdc_deg - first.tdc_deg - 180.0)
    assert abs(apart) < reference.uncertainty.U_deg + first.uncertainty.U_deg
    for bench in (found, other):
        bench.do("turn 800 at 110")
    means = [
        {j.unit: j.mean_btdc for j in bench.live.session.assessments()} for bench in (found, other)
    ]
    assert means[0].keys() == means[1].keys()
    for unit, mean in means[0].items():
        assert means[1][unit] == pytest.approx(mean, abs=0.2)
    other.press("p")
    assert other.live.session.stop is not None
    assert other.live.session.stop.cylinder == 3


def test_the_piston_stop_is_undone_with_its_touches(tmp_path: Path) -> None:
    bench = VirtualBench(tmp_path / "job")
    bench.do("turn 400 at 120")
    bench.press("p")
    assert bench.live.session.stop is not None
    bench.press("backspace")
    assert bench.ui_state.view().message == "Undone: the piston stop is in."
    assert bench.live.session.stop is None
    assert bench.live.session.reference is None


def test_a_touch_after_too_short_a_way_says_why_it_does_not_count(tmp_path: Path) -> None:
    bench = VirtualBench(tmp_path / "job")
    bench.do("turn 400 at 120", "goto 60 at 120")
    bench.press("p")
    bench.do("stop in")
    touches = bench.ui_state.view().touches
    assert touches is not None
    assert "20° or more" in touches.note
    bench.do("touch forward at 120", "touch back at 120", "turn 40 at 90", "stop out")
    bench.press(*["backspace"] * 3)
    truth = bench.rig.truth()
    edge_btdc = (truth["tdc_deg_after_index"] - truth["touches"][0]["crank_deg"]) % 360.0
    bench.do("turn 100 at 120", f"goto {edge_btdc + 3:.1f} at 60", "rest 0.5")
    bench.press("p")
    bench.do("stop in", "touch forward at 20", "touch back at 60")
    touches = bench.ui_state.view().touches
    assert touches is not None
    assert touches.forward_deg == ()
    assert "Held turning forward after only 3°" in touches.note
    bench.do("touch forward at 60", "touch back at 60")
    touches = bench.ui_state.view().touches
    assert touches is not None
    assert len(touches.forward_deg) == 1
    assert "after only" not in touches.note


def test_touched_again_it_has_not_moved_or_has_slipped(found: VirtualBench) -> None:
    for slip in ("", "slip 1.5"):
        if slip:
            found.do(slip)
        found.press("p")
        found.do("stop in", "touch forward at 120", "touch back at 120", "touch forward at 120")
        found.do("touch back at 120", "turn 40 at 90", "stop out")
        found.press("p")
        assert found.live.session.checks[-1].has_moved == bool(slip)


def test_where_there_is_no_reading_there_is_none_to_undo(tmp_path: Path) -> None:
    bench = VirtualBench(tmp_path / "job")
    bench.do("turn 800 at 110")  # openings that count, and no dead centre to read them by
    assert any(o.valid for o in bench.live.session.openings)
    bench.press("backspace")
    assert bench.ui_state.view().message == "Nothing was done yet that can be undone."
    assert not any(
        bench.live.session.annotations.rejected(o.t_us) for o in bench.live.session.openings
    )


def test_stroke_lever_strike_and_phase(found: VirtualBench) -> None:
    session = found.live.session
    found.do("goto 0 at 90")
    found.press("f")
    assert session.stroke is not None
    found.do("turn 400 at 90")
    upper = [r for r in session.readings() if r.unit == "upper" and r.valid]
    assert {r.setting for r in upper} == {"full advance"}
    assert all(r.cylinder is not None for r in upper)
    valid = sum(o.valid for o in session.openings)
    for n in (1, 2):
        found.press("backspace")
        assert "the last reading of" in found.ui_state.view().message
        assert sum(r.valid for r in session.readings()) == valid - n
    found.do("lever full retard")
    found.press("1", "l")
    found.do("turn 400 at 90")
    late = [r for r in session.readings() if r.setting == "full retard" and r.valid]
    assert late
    assert all(r.phase == "as left" and r.unit == "upper" for r in late)


def test_on_a_compensated_cam_each_cylinder_stands_where_it_is_against_its_own_figure(
    tmp_path: Path,
) -> None:
    bench = VirtualBench(tmp_path / "radial", seed=4, engine="radial_nine")
    bench.find_dead_centre()
    bench.do("turn 750 at 120")
    for unit in bench.ui_state.view().units:
        wanted = {1: 25.0, 3: 23.8, 6: 27.0}  # 25 + 80 x place in the order - what the manual says
        assert len(unit.readings) > 9
        for reading in unit.readings:
            at = unit.on_scale(reading)
            assert at is not None
            assert (reading_word(reading, unit.setting) == "inside") == (24.5 <= at <= 25.5)
            if reading.cylinder in wanted:
                assert reading.btdc_deg is not None
                assert at - reading.btdc_deg == pytest.approx(25.0 - wanted[reading.cylinder])
    screen = "\n".join(render(bench.ui_state.view(), 120, 40).plain())
    assert ", nominal " in screen


@pytest.mark.parametrize("entered", [True, False])
def test_a_unit_that_opens_on_one_stroke_alone_is_set_on_that_stroke(
    tmp_path: Path, entered: bool
) -> None:
    bench = VirtualBench(tmp_path / "radial", seed=4, engine="radial_nine")
    bench.find_dead_centre()
    bench.do("goto 0 at 150")
    if entered:
        bench.press("f")
    bench.do("turn 270 at 150")
    bench.press("m", "2", "enter")
    led = bench.ui_state.view().goto
    assert led is not None
    assert led.to_go_deg is not None
    # 25 before the firing top is a whole cycle of 720 after the last: 425 on from here; the other
    # top is 65 on.
    assert led.to_go_deg == pytest.approx(-295.0 if entered else 65.0, abs=3.0)
    assert "rear plugs" in (screen := "\n".join(render(bench.ui_state.view(), 80, 24).plain()))
    assert screen.count("contacts closed") + screen.count("contacts open") >= 2


@pytest.mark.parametrize(
    ("keys", "words"),
    [("24", "63.8 mm round the rim before TDC"), ("-6", "16.0 mm round the rim after TDC")],
)
def test_the_length_round_the_rim_is_that_of_the_mark_wherever_the_crank_stands(
    tmp_path: Path, keys: str, words: str
) -> None:
    """Arc on a rim of 12 in: pi x 304.8 mm x 24/360 = 63.84 mm, 6 degrees 15.96 mm; computed."""
    bench = VirtualBench(tmp_path / "two", engine="two_stroke_single")
    bench.find_dead_centre()
    bench.press("g", *keys, "enter")
    for way in ("goto 40 at 90", "turn 11 at 20"):
        bench.do(way)
        assert words in "\n".join(render(bench.ui_state.view(), 80, 24).plain())


def test_why_an_opening_did_not_count_is_told_until_one_counts(found: VirtualBench) -> None:
    found.do("goto 40 at 90", "back 6 at 20", "turn 18 at 20", "rest 0.4")
    [upper, _] = found.ui_state.view().units
    assert upper.rejected
    assert "rejected upper: approach" in "\n".join(render(found.ui_state.view(), 120, 40).plain())
    found.do("turn 720 at 90")
    [upper, _] = found.ui_state.view().units
    assert upper.rejected
    assert upper.last_valid
    assert "rejected upper: approach" not in "\n".join(
        render(found.ui_state.view(), 120, 40).plain()
    )


def test_one_dead_centre_found_has_one_key(found: VirtualBench) -> None:
    found.press("t")
    assert [key.key for key in found.ui_state.view().keys if key.key.isdigit()] == ["1"]


def test_going_to_an_angle(found: VirtualBench) -> None:
    found.press("g", "3", "6", "enter")
    found.do("goto 40 at 90")
    view = found.ui_state.view().goto
    assert view is not None
    assert view.to_go_deg == pytest.approx(4.0, abs=0.3)
    found.do("turn 4 at 5")
    found.press("space")
    assert "reached 3" in found.live.session.annotations.remarks[-1]
    found.press("g", "x", "enter")
    assert "is not an angle" in found.ui_state.view().message


@pytest.mark.slow
def test_a_restart_ends_the_way_to_an_angle_where_the_index_has_several_places(
    tmp_path: Path,
) -> None:
    """At another place of the index the angle would be wrong by a ninth of a turn or more."""
    bench = BENCH_ENGINES["geared propeller"].bench(tmp_path / "job")
    bench.do("turn 1680 at 120")
    bench.find_dead_centre()
    bench.do("goto 0 at 120")
    if not bench.rig.reply.get("compressed"):
        bench.do("turn 180 at 120", "goto 0 at 120")
    bench.press("f", "g", "3", "6", "enter")
    assert bench.ui_state.view().goto is not None
    bench.do("fault reset", "turn 800 at 120")
    assert bench.ui_state.view().goto is None
    assert bench.live.session.here is None


def test_setting_by_moving_the_unit_is_kept_apart_and_confirmed(found: VirtualBench) -> None:
    found.press("m", "1", "enter")
    found.do("goto 36 at 60", "move upper -4", "set upper", "hold 3", "back 60 at 30")
    found.do("turn 80 at 30", "rest 0.4")
    found.press("space")
    readings = [r for r in found.live.session.readings() if r.unit == "upper"]
    held = [r for r in readings if r.kind == "set"]
    assert len(held) == 1
    assert held[0].btdc_deg == pytest.approx(36.0, abs=0.4)
    assert readings[-1].kind == "turned"
    assert readings[-1].btdc_deg == pytest.approx(36.0, abs=0.6)
    assert "confirmed by turning" in found.live.session.annotations.remarks[-1]


@pytest.mark.parametrize("seed", [3, 5])
def test_a_hand_that_trembles_on_the_held_crank_turns_nothing(tmp_path: Path, seed: int) -> None:
    """While the person says that the unit is moved, its parting is a set one, also in the replay;
    without that word an opening on a trembling crank may be taken for one by turning."""
    bench = VirtualBench(tmp_path / "job", seed)
    bench.find_dead_centre()
    bench.press("m", "1", "enter")
    bench.do("goto 36 at 60", "rest 1.2", "move upper -4", "hand grip_deg 0.4", "set upper")
    bench.do("hold 1", "back 60 at 30", "turn 80 at 30", "rest 0.4")
    bench.press("space")
    readings = [r for r in bench.live.session.readings() if r.unit == "upper"]
    held = [r for r in readings if r.kind == "set"]
    assert len(held) == 1
    assert held[0].valid
    assert held[0].btdc_deg == pytest.approx(36.0, abs=0.5)
    remark = bench.live.session.annotations.remarks[-1]
    assert f"at {held[0].btdc_deg:.2f}° BTDC" in remark
    assert "confirmed by turning" in remark
    assert readings[-1].kind == "turned"
    bench.live.end()
    replayed = results_of(bench.job.profile, [bench.live.capture_path])
    again = [r for r in replayed.readings if r.unit == "upper"]
    assert [repr(r) for r in again] == [repr(r) for r in readings]


def test_turning_on_from_a_held_crank_is_turned_again(tmp_path: Path) -> None:
    """The unit was to be moved, and the person turns the crank instead: nothing is a set one."""
    bench = VirtualBench(tmp_path / "job")
    bench.find_dead_centre()
    bench.press("m", "1", "enter")
    bench.do("goto 36.9 at 60", "rest 1.5", "turn 20 at 60", "rest 0.4")
    assert not any(r.kind == "set" for r in bench.live.session.readings())
    bench.do("goto 36.9 at 60", "rest 1.5")
    bench.press("esc")
    bench.do("turn 20 at 60", "rest 0.4")
    assert not any(r.kind == "set" for r in bench.live.session.readings())


def test_saved_proved_and_replayed_the_same(
    found: VirtualBench, capsys: pytest.CaptureFixture[str]
) -> None:
    found.do("goto 0 at 90")
    found.press("f")
    found.do("turn 1200 at 90", "rest 0.4")
    live = found.live.session.readings()
    found.press("r", *"gap 0.30 mm", "enter", "w", *"new heel", "enter", "enter", "s", "y")
    assert found.live.saved is not None
    record, page = found.live.saved.files
    screen = "\n".join(render(found.ui_state.view(), 80, 24).plain())
    assert f"now      Saved in certificates/{record.parent.name}." in screen
    assert "6 of 6: SAVED" in screen
    assert all(words in screen for words in closing_list(state_of(found.live)))
    assert page.exists()
    replayed = results_of(found.job.profile, [found.live.capture_path])
    assert [repr(r) for r in replayed.readings] == [repr(r) for r in live]
    capsys.readouterr()
    assert main(["verify", str(record)]) == 0
    text = record.read_text("utf-8")
    assert "gap 0.30 mm" in text
    assert "new heel" in text


def test_saving_too_soon_is_refused_and_the_capture_goes_on(tmp_path: Path) -> None:
    bench = VirtualBench(tmp_path / "job")
    bench.do("turn 400 at 120")
    bench.press("s")
    assert bench.ui_state.prompt.question is None
    assert "nothing to certify yet: find TDC" in bench.ui_state.view().message
    before = bench.live.lines
    bench.do("turn 30 at 120")
    assert bench.live.lines > before
    assert bench.live.saved is None


def test_quitting_with_readings_is_asked_about(found: VirtualBench) -> None:
    found.do("turn 400 at 120")
    found.press("q", "n")
    assert not found.ui_state.ended
    found.press("q", "y")
    assert found.ui_state.ended


@pytest.mark.parametrize(
    "heard",
    [b"\xf8\x00\x1b\x99\n" * 20, b"$WIND,12.5,knots\r\n" * 20,
     b"".join(encode("I", n, "2", "1000", "2", "rig-of-tomorrow") for n in range(20))],
    ids=["garbage", "another device", "another version"],
)  # fmt: skip
def test_what_is_no_rig_leaves_the_step_where_it_is(tmp_path: Path, heard: bytes) -> None:
    bench = VirtualBench(tmp_path / "job")
    bench.press("enter", "enter")
    bench.feed.waiting.append(Bytes(heard, 0.0))
    view = bench.ui_state.view()
    assert view.step == "connect"
    assert "connect" not in view.done
    assert "connect the rig" in view.next.lower()
    assert "NO RIG RECOGNISED" in "\n".join(render(view, 80, 24).plain())
    bench.do("turn 30 at 60")
    assert bench.ui_state.view().step == "top dead centre"


def test_the_foot_switch_says_that_a_step_is_done(tmp_path: Path) -> None:
    bench = VirtualBench(tmp_path / "job")
    bench.do("turn 30 at 60", "foot", "rest 0.5")
    assert bench.live.session.annotations.steps == {"make safe"}


def test_what_the_rig_cannot_see_is_said_and_kept(tmp_path: Path) -> None:
    bench = VirtualBench(tmp_path / "job")
    bench.do("turn 30 at 60")
    assert "make safe" in bench.ui_state.view().next.lower()
    bench.press("enter")
    assert "gap" in bench.ui_state.view().next
    assert bench.live.session.annotations.steps == {"make safe"}


def test_a_change_is_noted_on_the_unit_that_it_was_made_on(found: VirtualBench) -> None:
    found.press("w", *"new points", "enter", *"none such", "enter")
    assert "no unit 'none such'" in found.ui_state.view().message
    found.press(*"2", "enter")  # the words are still there
    assert found.live.session.annotations.changes == [("new points", "lower")]
    found.press("w", *"chain tightened", "enter", "enter")
    assert found.live.session.annotations.changes[1:] == [("chain tightened", "")]


def test_a_unit_moved_without_more_ado_is_asked_about(found: VirtualBench) -> None:
    found.do("goto 0 at 120")
    found.press("f")
    found.do("turn 800 at 120", "goto 33 at 60", "rest 1")
    before = found.live.session.assessments()
    found.do("set upper", "rest 0.5")
    view = found.ui_state.view()
    assert "upper: its contacts opened with the crank held; press v" in view.message
    assert ("v", "upper was moved") in {(key.key, key.label) for key in view.keys}
    found.press("v")
    found.do("back 90 at 60", "turn 800 at 120")
    judged = {(j.unit, j.phase) for j in found.live.session.assessments() if j.kind == "turned"}
    assert judged == {("upper", "as found"), ("upper", "adjusting"), ("lower", "as found")}
    upper = [j for j in found.live.session.assessments() if j.unit == "upper"]
    as_found = [j for j in upper if (j.phase, j.kind) == ("as found", "turned")]
    assert as_found == [j for j in before if j.unit == "upper"]
    (shown,) = [unit for unit in found.ui_state.view().units if unit.unit.name == "upper"]
    assert shown.phase == "adjusting"
    assert "v" not in {key.key for key in found.ui_state.view().keys}


def test_a_finger_at_the_contacts_moves_nothing(found: VirtualBench) -> None:
    found.do("turn 800 at 120", "goto 120 at 60", "rest 0.5", "finger upper 1", "rest 1")
    assert "press v if it was moved" in found.ui_state.view().message
    found.do("turn 400 at 120")
    assert found.live.session.phase_of("upper") == "as found"


def test_a_message_goes_when_it_is_out_of_date(found: VirtualBench) -> None:
    found.press("r", *"cold", "enter", "backspace")
    assert found.ui_state.view().message == "Undone: a remark."
    found.press("h")
    assert found.ui_state.view().message == ""
    found.press("p")
    found.do("stop in", "touch forward at 120", "hold 0.5")
    assert found.ui_state.view().message == "Touch 1 turning forward: now turn back."
    found.do("back 60 at 120")
    assert found.ui_state.view().message == ""


class Heard:
    """What is spoken, in the place of a speech program."""

    def __init__(self) -> None:
        self.spoken: list[str] = []
        self.failed = ""

    def say(self, text: str) -> None:
        self.spoken.append(text)


def test_next_is_spoken_with_its_key_when_it_changes(tmp_path: Path) -> None:
    bench = VirtualBench(tmp_path / "job")
    heard = Heard()
    bench.ui_state = UiState(bench.live, voice=cast(Speaker, heard))
    bench.do("turn 30 at 60")
    bench.press("enter")
    bench.do("rest 0.5")
    assert heard.spoken == [
        "Make safe: plugs out, fuel off, ventilate, chock, then press enter",
        "Clean the contacts and set their gap, then press enter",
    ]
    heard.failed = "Readings are no longer spoken: the program ended."
    view = bench.ui_state.view()
    assert (view.message, view.speaking) == (heard.failed, False)

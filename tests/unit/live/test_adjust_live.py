"""Adjusting from the dashboard on a virtual rig: by its advice alone, its prediction proved."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from made_job import rig
from nothing_cut import SIZES, assert_nothing_cut
from virtual_bench import VirtualBench
from wrong_job import MEANS

from rig.adjust import predictions
from rig.adjust.procedure import Adjust, Stage
from rig.guide.procedure import Advice, Hand
from rig.job.new import write_example
from rig.live.actions import save

SEED = 5  # its lower unit opens inside its window, its upper one outside or near its edge


def bench_with(
    folder: Path, more: str, upper_deg: float, seed: int = SEED, edit: tuple[str, str] = ("", "")
) -> VirtualBench:
    """A bench on the example with ``more`` in its engine file, read once as found; ``edit`` is
    something in that file and what takes its place."""
    path = write_example(folder)
    path.write_text(path.read_text("utf-8").replace(*edit, 1) + more, "utf-8")
    bench = VirtualBench(folder, seed)
    bench.do(f"move upper {upper_deg}")
    bench.find_dead_centre()
    bench.do("goto 0 at 120")
    if not bench.rig.reply.get("compressed"):
        bench.do("turn 180 at 120", "goto 0 at 120")
    bench.press("f")
    bench.do("turn 1450 at 110")
    return bench


def advice(bench: VirtualBench) -> Advice:
    bench.ui_state.view()
    return bench.ui_state.bench.advice


def obey(bench: VirtualBench, most: int = 40) -> list[Advice]:
    """Do what the procedure says, and nothing else, until it is left."""
    done: list[Advice] = []
    for _ in range(most):
        now = advice(bench)
        if not isinstance(bench.ui_state.bench.dashboard.procedure, Adjust):
            return done
        done.append(now)
        if now.hand is Hand.MOVE_UNIT:
            bench.do(f"move {now.unit} {now.deg}")
        elif now.hand is Hand.TURN_FORWARD:
            bench.do("turn 370 at 110")
        if now.press:
            action = next(a for a, _ in bench.ui_state.actions() if a.id == now.press)
            bench.ui_state.act(action)
    raise AssertionError(f"it does not end: {done[-1]}")


def test_an_obedient_hand_brings_a_unit_inside_and_the_prediction_is_proved(
    tmp_path: Path,
) -> None:
    bench = bench_with(tmp_path / "job", MEANS, 2.5)
    bench.press("a")
    steps = obey(bench)
    hands = [each.hand for each in steps]
    assert hands.count(Hand.MOVE_UNIT) >= 1
    moved = next(each for each in steps if each.hand is Hand.MOVE_UNIT)
    assert "mm along its slot" in moved.next
    assert "seen from its drive end" in moved.next
    assert "as predicted" in steps[-1].why
    judged = [
        j for j in bench.live.session.assessments()
        if (j.unit, j.phase, j.cylinder) == ("upper", "as left", None)
        and j.setting == "full advance"
    ]  # fmt: skip
    assert [j.verdict for j in judged] == ["inside"]
    sheets = sorted((tmp_path / "job" / "predictions").iterdir())
    assert [path.name.count(".outcome") for path in sheets] == [0, 1]
    outcome = json.loads(sheets[1].read_text("utf-8"))
    upper = [c for c in outcome["confirmations"] if c["prediction"]["unit"] == "upper"]
    assert {c["verdict"] for c in upper} == {"confirmed"}
    bench.live.end()
    for path in sheets:
        ran = rig("verify", path)  # the capture has grown since
        assert ran.status == 0, ran.out


def test_a_capture_that_is_gone_is_said_and_the_work_goes_on(tmp_path: Path) -> None:
    bench = bench_with(tmp_path / "job", MEANS, 2.5)
    bench.live.capture_path.unlink()
    bench.press("a")
    assert "cannot be read" in bench.ui_state.prompt.message
    assert bench.ui_state.bench.dashboard.procedure is None


def test_what_was_adjusted_live_is_on_the_certificate_and_verifies(tmp_path: Path) -> None:
    """Moved twice: each adjustment beside what was read between it and the next."""
    bench = bench_with(tmp_path / "job", MEANS, 2.5)
    bench.press("a", "2", "enter")
    now = advice(bench)
    assert now.deg is not None
    bench.do(f"move upper {now.deg / 2}")
    bench.press("enter", "enter")
    while advice(bench).press == "":
        bench.do("turn 370 at 110")
    assert advice(bench).next == "Adjust upper again"
    bench.press("esc", "a")
    assert "as predicted" in obey(bench)[-1].why
    files = save(bench.live).files
    record = json.loads(files[0].read_text("utf-8"))
    verdicts = [
        {p["verdict"] for p in each["predictions"] if p["unit"] == "upper"}
        for each in record["adjustments"]
    ]
    assert verdicts == [{"not confirmed"}, {"confirmed"}]
    ran = rig("verify", files[0])
    assert ran.status == 0, ran.out


def test_nothing_of_it_is_cut_at_80x24(tmp_path: Path) -> None:
    bench = bench_with(tmp_path / "job", MEANS, 2.5)
    bench.press("a")
    for _ in range(12):
        now = advice(bench)
        for size in SIZES:
            assert_nothing_cut(bench.ui_state.view(), size)
        if now.press == "leave":
            return
        if now.hand is Hand.TURN_FORWARD:
            bench.do("turn 370 at 110")
        elif now.hand is Hand.MOVE_UNIT:
            bench.do(f"move {now.unit} {now.deg}")
        if now.press:
            bench.press("enter")
    raise AssertionError(advice(bench))


def test_a_pair_is_not_shown_by_what_was_read_before_a_unit_was_moved(tmp_path: Path) -> None:
    """Of two units one was moved and read since: what both were before is no verdict any more."""
    bench = bench_with(tmp_path / "job", MEANS, 2.5)
    (before,) = bench.ui_state.view().comparisons
    assert before[0].verdict == "outside"
    bench.press("v", "1", "enter")
    bench.do("move upper -2.5", "turn 800 at 110")
    (now,) = bench.ui_state.view().comparisons
    assert now[0].phase == "adjusting"
    assert now[0].verdict != "outside"
    bench.press("l")
    bench.press("1")  # its lever: the other setting is read as left, the lower unit as well
    bench.do("lever full retard", "turn 800 at 110")
    shown = bench.ui_state.view().comparisons
    assert all(own[0].phase == "as left" for own in shown)
    assert "apart" not in bench.ui_state.bench.advice.why


@pytest.mark.slow
def test_what_is_inside_is_not_adjusted_again_for_a_prediction(tmp_path: Path) -> None:
    """Nobody moves a flange to hundredths of a millimetre: what counts is the window."""
    bench = bench_with(tmp_path / "job", MEANS, 2.5)
    bench.press("a", "enter")
    now = advice(bench)
    assert now.deg is not None
    bench.do(f"move upper {now.deg + 0.3}")
    while (now := advice(bench)).press == "step_done":
        bench.press("enter")
    for _ in range(8):
        if advice(bench).press != "":
            break
        bench.do("turn 370 at 110")
    assert advice(bench).next == "Go on with the work"
    assert advice(bench).why.startswith("It is inside")


def test_what_was_moved_the_wrong_way_is_said_and_adjusted_again(tmp_path: Path) -> None:
    bench = bench_with(tmp_path / "job", MEANS, 2.5)
    bench.press("a", "enter")
    now = advice(bench)
    assert now.hand is Hand.MOVE_UNIT
    assert now.deg is not None
    bench.do(f"move upper {-now.deg}")
    bench.press("enter")
    while (now := advice(bench)).press == "step_done":
        bench.press("enter")  # nothing else is moved
    for _ in range(8):
        if advice(bench).press != "":
            break
        bench.do("turn 370 at 110")
    assert advice(bench).next == "Adjust upper again"
    assert advice(bench).why == "It was moved the wrong way round."
    bench.press("esc", "a")
    steps = obey(bench)
    assert "as predicted" in steps[-1].why


def test_what_can_be_moved_is_asked_for_where_the_engine_file_says_nothing(tmp_path: Path) -> None:
    bench = bench_with(tmp_path / "job", "", 2.5)
    bench.press("a")
    for answer in ("slot", "45", "60", "yes", "5"):
        question = bench.ui_state.prompt.question
        assert question is not None, answer
        assert "upper" in question.text
        bench.press(*answer, "enter")
    bench.press("esc", "a")  # it was answered already
    assert bench.ui_state.prompt.question is None
    steps = obey(bench)
    assert "as predicted" in steps[-1].why
    sheet = next((tmp_path / "job" / "predictions").glob("*[0-9].json"))
    plain = json.loads(sheet.read_text("utf-8"))
    assert "clockwise_mm = 60" in plain["asked"]
    entered = predictions.newest(bench.job)
    assert entered is not None
    assert entered.asked == plain["asked"]  # another run of the job asks no more
    bench.live.end()
    ran = rig("verify", sheet)
    assert ran.status == 0, ran.out


def test_where_only_filing_helps_it_goes_on_without_and_says_so(tmp_path: Path) -> None:
    bench = bench_with(tmp_path / "job", MEANS.replace("5.0", "0.0"), 2.5)
    bench.press("a")
    now = advice(bench)
    assert now.next == "Go on without adjusting"
    assert now.why == "Nothing that can be undone brings it nearer; look at what cannot be."
    assert now.press == "step_done"
    bench.press("enter")
    assert bench.ui_state.bench.dashboard.procedure is None
    assert "correction" in bench.live.session.annotations.skipped


def test_another_option_can_be_chosen_and_undone_moves_are_moves_no_more(tmp_path: Path) -> None:
    bench = bench_with(tmp_path / "job", MEANS, 2.5)
    bench.press("a")
    procedure = bench.ui_state.bench.dashboard.procedure
    assert isinstance(procedure, Adjust)
    assert advice(bench).next == "Take option 1"
    bench.press("2")
    assert advice(bench).next == "Take option 2"
    bench.press("enter")
    assert procedure.stage is Stage.MOVE
    sheet = predictions.newest(bench.job)
    assert sheet is not None
    assert {each.unit for each in sheet.made.predictions} == {"upper"}  # option 1 moves lower, too


def test_adjust_says_why_it_is_not_offered(tmp_path: Path) -> None:
    bench = VirtualBench(tmp_path / "job", 3)
    bench.press("a")
    assert bench.ui_state.prompt.message == "Find TDC first."
    bench.find_dead_centre()
    bench.do("rest 9")  # what the piston stop gave has been shown
    bench.press("a")
    assert bench.ui_state.prompt.message == "Nothing was read outside its window."

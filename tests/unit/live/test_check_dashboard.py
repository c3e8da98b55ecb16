"""The guided rig check on the dashboard: the same steps, notes and verdicts as in plain lines."""

from __future__ import annotations

from pathlib import Path

from made_job import rig
from virtual_bench import VirtualBench

from rig.check.checks import judged
from rig.guide.advice import due
from rig.guide.procedure import Hand, Panel
from rig.guide.state import CHECK_BAD, state_of


def panel(bench: VirtualBench) -> Panel:
    found = bench.ui_state.view().panel
    assert found is not None
    return found


def checked(bench: VirtualBench) -> None:
    """All steps, as the screen asks for them."""
    for unit in ("upper", "lower"):
        for way in ("off", "on"):
            assert f"the switch of {unit} at {way.upper()}" in bench.ui_state.view().next
            bench.do(f"switch {way} {unit}")
            bench.press("enter")
            bench.do("turn 400 at 200")
            bench.press("enter")
    bench.press("enter")
    bench.do("rest 3.2", "turn 1300 at 110")
    assert panel(bench).figure == "1300"
    bench.press("enter")
    for unit in ("upper", "lower"):
        bench.do("goto 70 at 90")
        bench.press("enter")
        bench.do(f"finger {unit} 0.6", "rest 0.6")
        assert any(f"opened: {unit} (input" in line.text for line in panel(bench).lines)
        bench.press("enter")


def test_all_of_it_and_the_capture_says_the_same_afterwards(tmp_path: Path) -> None:
    bench = VirtualBench(tmp_path / "job", 7)
    bench.do("turn 30 at 60")
    bench.press("enter", "enter")
    assert "c" in [key.key for key in bench.ui_state.view().keys]
    bench.press("c")
    assert "live" in bench.ui_state.view().warning  # where it matters
    checked(bench)
    shown = panel(bench)
    assert shown.title == "rig check: verdicts"
    assert not any(line.label == "BAD" for line in shown.lines)
    assert bench.ui_state.view().why == "The rig can be trusted."
    bench.press("esc")
    assert {"switch", "rig check"} <= bench.live.session.annotations.steps
    bench.live.end()
    ran = rig("check", bench.job.folder, "--json")
    assert ran.status == 0
    found = {each["name"]: each["verdict"] for each in ran.answer["checks"]}
    assert ran.answer["not_tried"] == []
    assert f"{len(found)} of {len(found)} good" == shown.state
    for name in found:
        assert any(line.text.startswith(f"{name}: ") for line in shown.lines), name


def test_steps_are_skipped_gone_back_to_and_broken_off(tmp_path: Path) -> None:
    bench = VirtualBench(tmp_path / "job", 7)
    bench.do("turn 30 at 60")
    bench.press("c", "k", "k", "backspace")
    assert "step 2 of 7" in panel(bench).state
    bench.press("enter", "backspace")  # broken off: to be got ready for again
    assert "step 2 of 7: get ready" in panel(bench).state
    bench.press("k", "k", "k", "enter")
    bench.do("turn 400 at 120")
    bench.press("esc")
    assert bench.ui_state.view().panel is None
    assert "rig check" not in bench.live.session.annotations.steps
    bench.press("c", *"kkkkkkk")
    assert panel(bench).title == "rig check: verdicts"
    assert any(line.label == "not tried" for line in panel(bench).lines)


def test_a_bad_verdict_is_shown_first(tmp_path: Path) -> None:
    bench = VirtualBench(tmp_path / "job", 7)
    bench.do("turn 30 at 60", "fault stuck lower closed")
    bench.press("c", *"kkkk", "enter")
    bench.do("rest 3.2", "turn 1500 at 110")
    bench.press("enter")
    assert any("lower did not open" in line.text for line in panel(bench).lines)  # at once
    bench.press("k", "k", "k")
    first = panel(bench).lines[0]
    assert first.label == "BAD"
    assert "lower" in first.text
    assert "bad" in bench.ui_state.view().next
    assert bench.live.session.annotations.steps == {CHECK_BAD}
    bench.press("esc")
    steps = {each.step: each.hand for each in due(state_of(bench.live))}
    assert steps[CHECK_BAD] is Hand.FIX
    assert "rig check" not in steps  # the same check is not asked for again, for ever


def test_a_check_that_is_left_in_its_last_step_gives_no_verdict(tmp_path: Path) -> None:
    bench = VirtualBench(tmp_path / "job", 7)
    bench.do("turn 30 at 60")
    bench.press("c", *"kkkk", "enter")
    bench.do("rest 3.2", "turn 1300 at 110")
    bench.press("enter", "k")
    bench.do("goto 70 at 90")
    bench.press("enter", "esc")
    assert bench.live.session.annotations.steps == set()


def by_hand(bench: VirtualBench, opened: str) -> None:
    """The step of a unit's contacts, with those of ``opened`` opened in it."""
    bench.do("goto 70 at 90")
    bench.press("enter")
    bench.do(f"finger {opened} 0.6", "rest 0.6")
    bench.press("enter")


def test_contacts_that_a_switch_closes_are_not_said_to_have_opened(tmp_path: Path) -> None:
    bench = VirtualBench(tmp_path / "job", 7)
    bench.do("turn 30 at 60", "goto 0 at 60")
    assert bench.live.session.contact_open(1)
    bench.press("c", "enter")
    bench.do("rest 1", "switch off upper", "rest 3")
    (line,) = [line for line in panel(bench).beside if line.label == "at rest"]
    assert line.text == "changed: upper (input 1)"


def after_all(bench: VirtualBench) -> dict[str, dict[str, str]]:
    """The checks as the command gives them from the finished capture."""
    bench.live.end()
    ran = rig("check", bench.job.folder, "--json")
    return {each["name"]: each for each in ran.answer["checks"]}


def test_the_last_try_of_a_step_counts(tmp_path: Path) -> None:
    bench = VirtualBench(tmp_path / "job", 7)
    bench.do("turn 30 at 60")
    bench.press("c", *"kkkkk")
    by_hand(bench, "lower")  # the wrong one
    assert "input 2 (lower) opened, not input 1" in bench.ui_state.view().why
    by_hand(bench, "upper")
    by_hand(bench, "lower")
    bench.press("backspace", "enter")
    bench.do("finger upper 0.6", "rest 0.6")
    bench.press("backspace", "k")  # what was broken off does not take the place of what was done
    shown = {line.text.partition(": ")[0]: line for line in panel(bench).lines}
    assert shown["input of upper"].label == "good"
    assert "tried 2 times, the last counts" in shown["input of upper"].text
    assert shown["input of lower"].label == "good"
    found = after_all(bench)
    assert found["input of upper"]["verdict"] == found["input of lower"]["verdict"] == "good"


def test_turning_on_is_tried_again_once_the_lead_is_put_right(tmp_path: Path) -> None:
    bench = VirtualBench(tmp_path / "job", 7)
    bench.do("turn 30 at 60", "fault stuck lower closed")
    bench.press("c", *"kkkk", "enter")
    bench.do("rest 3.2", "turn 1500 at 110")
    bench.press("enter")
    bench.do("fault free lower")
    bench.press("enter")
    bench.do("rest 3.2", "turn 1300 at 110")
    bench.press("enter", "k", "k")
    found = after_all(bench)["contacts of lower"]
    assert found["verdict"] == "good"
    assert "tried 2 times" in found["words"]


def test_a_switch_that_was_live_is_tried_again_and_the_words_say_so(tmp_path: Path) -> None:
    bench = VirtualBench(tmp_path / "job", 7)
    bench.do("turn 30 at 60", "switch on upper")
    bench.press("c", "enter")
    bench.do("turn 400 at 200")
    bench.press("enter", "backspace", "enter")
    bench.do("switch off upper", "turn 90 at 200")  # not a whole turn: it proves nothing
    bench.press("enter", "backspace")
    live = judged(bench.live.statistics.result(bench.live.session.state_widths), bench.job.profile)
    found = next(check for check in live.checks if check.name == "switch of upper")
    assert found.verdict == "bad"
    assert "LIVE" in found.words
    bench.press("enter")
    bench.do("turn 400 at 200")
    bench.press("enter", "enter")
    bench.do("switch on upper", "turn 400 at 200")
    bench.press("enter")
    again = after_all(bench)["switch of upper"]
    assert again["verdict"] == "good"
    assert "an earlier try had it LIVE at OFF" in again["words"]
    assert "tried 3 times" in again["words"]


def test_what_opened_at_off_counts_also_when_the_try_was_broken_off(tmp_path: Path) -> None:
    bench = VirtualBench(tmp_path / "job", 7)
    bench.do("turn 30 at 60", "switch off upper")
    bench.press("c", "enter")
    bench.do("turn 400 at 200")
    bench.press("enter", "backspace", "enter")
    bench.do("switch on upper", "turn 400 at 200")
    bench.press("backspace", "k")
    assert after_all(bench)["switch of upper"]["verdict"] == "bad"


def test_a_rig_that_was_restarted_parts_no_try(tmp_path: Path) -> None:
    bench = VirtualBench(tmp_path / "job", 7)
    bench.do("turn 30 at 60", "switch off upper")
    bench.press("c", "enter")
    bench.do("turn 250 at 200", "fault dip", "rest 1", "turn 250 at 200")
    bench.press("enter", "enter")
    bench.do("switch on upper", "turn 400 at 200")
    bench.press("enter")
    found = after_all(bench)["switch of upper"]
    assert found["verdict"] == "good"
    assert "tried" not in found["words"]


def test_one_bad_check_is_said_of_one(tmp_path: Path) -> None:
    bench = VirtualBench(tmp_path / "job", 7)
    bench.do("turn 30 at 60")
    bench.press("c", *"kkkkk")
    by_hand(bench, "lower")
    bench.press("k", "k")
    assert " is bad: put it right" in bench.ui_state.view().why


def test_a_step_waits_for_the_contacts_that_it_asks_for(tmp_path: Path) -> None:
    """A wrong guess is said at the step, not seven steps later."""
    bench = VirtualBench(tmp_path / "job", 7)
    bench.do("turn 30 at 60")
    bench.press("c", *"kkkkk")
    while bench.live.session.contact_open(1) is not True:
        bench.do("turn 10 at 60", "rest 0.5")
    assert any("upper: open now; asked for: closed" in line.text for line in panel(bench).lines)
    bench.press("enter")
    assert "step 6 of 7: get ready" in panel(bench).state
    assert bench.ui_state.prompt.message == (
        "The contacts of upper are open here: turn until they are closed."
    )
    while bench.live.session.contact_open(1) is not False:
        bench.do("turn 10 at 60", "rest 0.5")
    assert any("upper: closed now; asked for: closed" in line.text for line in panel(bench).lines)
    bench.press("enter")
    assert "step 6 of 7: now do it" in panel(bench).state


def test_each_step_s_result_is_shown_at_once_and_a_bad_one_is_repeated_once(tmp_path: Path) -> None:
    bench = VirtualBench(tmp_path / "job", 7)
    bench.do("turn 30 at 60", "switch on upper")
    bench.press("c", "enter")
    bench.do("turn 400 at 200")
    bench.press("enter")
    assert "IT IS LIVE" in bench.ui_state.view().why
    assert "step 1 of 7: get ready" in panel(bench).state
    bench.press("enter")
    bench.do("turn 90 at 200")
    bench.press("enter")  # a second time: the check goes on, and what it came to stays in sight
    assert "step 2 of 7: get ready" in panel(bench).state
    assert any((line.label, line.sort) == ("step 1", "bad") for line in panel(bench).lines)


def test_a_check_judges_from_its_own_beginning(tmp_path: Path) -> None:
    """A rig that was mended gets a good check in the same session, and NEXT leads on."""
    bench = VirtualBench(tmp_path / "job", 7)
    bench.do("turn 30 at 60", "fault illegal 4", "turn 400 at 120", "rest 3")
    for expected, steps in (("good", {"rig check"}), ("bad", {CHECK_BAD}), ("good", {"rig check"})):
        bench.press("c", *"kkkk", "enter")
        bench.do("rest 3.2")
        if expected == "bad":
            bench.do("fault illegal 4")
        bench.do("turn 1300 at 110", "rest 3")
        bench.press("enter", *"kk", "esc")
        assert bench.live.session.annotations.steps & {"rig check", CHECK_BAD} == steps, expected
        again = next((each for each in due(state_of(bench.live)) if each.step == CHECK_BAD), None)
        assert (again is not None) == (expected == "bad")
        assert again is None or again.press == "rig_check"
    found = after_all(bench)
    assert found["illegal transitions"]["verdict"] == found["index"]["verdict"] == "good"

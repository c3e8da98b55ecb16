"""The guided rig check on the dashboard: the same steps, notes and verdicts as in plain lines."""

from __future__ import annotations

from pathlib import Path

from made_job import rig
from virtual_bench import VirtualBench

from rig.screen.view import Panel


def panel(bench: VirtualBench) -> Panel:
    found = bench.desk.view().panel
    assert found is not None
    return found


def checked(bench: VirtualBench) -> None:
    """All steps, as the screen asks for them."""
    for unit in ("upper", "lower"):
        for way in ("off", "on"):
            assert f"put the switch at {way.upper()}" in bench.desk.view().next
            bench.do(f"switch {way} {unit}")
            bench.press("space")
            bench.do("turn 400 at 200")
            bench.press("space")
    bench.press("space")
    bench.do("rest 3.2", "turn 1300 at 110")
    assert panel(bench).figure == "1300"
    bench.press("space")
    for unit in ("upper", "lower"):
        bench.do("goto 70 at 90")
        bench.press("space")
        bench.do(f"finger {unit} 0.6", "rest 0.6")
        assert any(f"opened: {unit} (input" in line.text for line in panel(bench).lines)
        bench.press("space")


def test_all_of_it_and_the_capture_says_the_same_afterwards(tmp_path: Path) -> None:
    bench = VirtualBench(tmp_path / "job", 7)
    bench.do("turn 30 at 60")
    bench.press("n", "n")
    assert "k" in [key.key for key in bench.desk.view().keys]
    bench.press("k")
    assert "live" in bench.desk.view().caution  # where it matters
    checked(bench)
    shown = panel(bench)
    assert shown.title == "rig check: verdicts"
    assert not any(line.label == "BAD" for line in shown.lines)
    assert "to be trusted" in bench.desk.view().next
    bench.press("esc")
    assert {"switch", "rig check"} <= bench.bench.session.told.steps
    bench.bench.end()
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
    bench.press("k", "s", "s", "b")
    assert "step 2 of 7" in panel(bench).state
    bench.press("space", "b")  # broken off: to be got ready for again
    assert "step 2 of 7: get ready" in panel(bench).state
    bench.press("s", "s", "s", "space")
    bench.do("turn 400 at 120")
    bench.press("esc")
    assert bench.desk.view().panel is None
    assert "rig check" not in bench.bench.session.told.steps
    bench.press("k", *"sssssss")
    assert panel(bench).title == "rig check: verdicts"
    assert any(line.label == "not tried" for line in panel(bench).lines)


def test_a_bad_verdict_is_shown_first(tmp_path: Path) -> None:
    bench = VirtualBench(tmp_path / "job", 7)
    bench.do("turn 30 at 60", "fault stuck lower closed")
    bench.press("k", *"ssss", "space")
    bench.do("rest 3.2", "turn 1500 at 110")
    bench.press("space", "s", "s")
    first = panel(bench).lines[0]
    assert first.label == "BAD"
    assert "lower" in first.text
    assert "bad" in bench.desk.view().next
    assert bench.bench.session.told.steps == set()

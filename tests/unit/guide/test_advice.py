"""What the session and the engine file tell of a live job reaches the guidance."""

from __future__ import annotations

from pathlib import Path

import pytest
from virtual_bench import VirtualBench

from rig.guide.advice import COIL, JobState, closing_list, due, guidance, state_of
from rig.job.new import write_example


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
    assert state_of(bench.live).backlash_unknown == ("magneto",)
    bench.live.annotate("said", {"step": "play"})
    assert state_of(bench.live).backlash_unknown == ()
    stated = VirtualBench(edited(tmp_path, ("lobes = 1", "lobes = 1\nplay_deg = 0.3")))
    assert state_of(stated.live).backlash_unknown == ()


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
        for step in ("make safe", "gap", "switch", "rig check"):
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

"""A unit that was moved by hand used up its slot: what is offered next counts with what is left."""

from __future__ import annotations

import math
import re
from pathlib import Path

import pytest
from made_job import MadeJob, rig
from wrong_job import BEFORE, MEANS

from rig.adjust.predictions import Choice, proposed, save
from rig.adjust.procedure import results_so_far


def moved(folder: Path, *, read_before: bool) -> Path:
    """Upper stands 2 degrees early, is moved 3 more by hand, and is read; lower stands right."""
    made = MadeJob(folder, 5, edit=lambda text: text + MEANS, began=BEFORE)
    made.do("move upper 2")
    if read_before:
        made.find_tdc().state_stroke().do("turn 1450 at 110")
    else:
        made.do("turn 5 at 90")
    made.live.annotate("moved", {"unit": "upper"})
    made.do("move upper 3")
    if not read_before:
        made.find_tdc().state_stroke()
    made.do("turn 1450 at 110").end()
    return folder


def rooms(folder: Path) -> tuple[set[float], list[str]]:
    """The room that is offered to upper, mm, and what is noted."""
    ran = rig("adjust", folder, "--all-options", "--json")
    assert ran.status < 2, ran.err
    steps = [step for option in ran.answer["options"] for step in option["steps"]]
    return {s["figures"]["room_mm"] for s in steps if s["part"] == "upper"}, ran.answer["notes"]


@pytest.fixture(scope="module")
def read_twice(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return moved(tmp_path_factory.mktemp("hand") / "job", read_before=True)


def test_readings_before_and_after_say_how_far_it_went(read_twice: Path) -> None:
    """3 degrees of crank are 3 of a shaft at crank speed: 2.356 mm at 45 mm, towards earlier, which
    is clockwise for a shaft that turns anticlockwise."""
    used_mm = 45.0 * math.radians(3.0)
    found, notes = rooms(read_twice)
    (said,) = [note for note in notes if "moved by hand" in note]
    assert said.startswith("upper: it was moved by hand; by its readings")
    clockwise, anticlockwise = map(float, re.findall(r"([0-9.]+) mm (?:anti)?clockwise", said))
    assert 5.0 - used_mm - 0.3 < clockwise < 5.0 - used_mm
    assert 4.7 < anticlockwise < 5.0  # no freer than it was entered, though it came from there
    assert all(min(abs(r - clockwise), abs(r - anticlockwise)) < 0.01 for r in found)
    assert found


def test_a_sheet_with_it_is_proved(read_twice: Path) -> None:
    assert rig("adjust", read_twice, "--take", 1).status < 2
    (sheet,) = (read_twice / "predictions").glob("*.json")
    ran = rig("verify", sheet)
    assert ran.status == 0, ran.out


def test_travel_entered_at_the_bench_is_used_up_by_what_is_moved_since(tmp_path: Path) -> None:
    """The engine file names nothing. A move by hand from before it was asked at the bench counts
    for nothing; one of 2 degrees since then uses up 1.571 mm of the 5 that were entered."""
    asked = MEANS[: MEANS.index("[[", MEANS.index("[[") + 2)]  # of upper alone
    made = MadeJob(tmp_path / "job", 5, began=BEFORE)
    made.do("move upper 2").find_tdc().state_stroke()

    def move_and_read(deg: float) -> set[float]:
        """The travel that is offered to upper, mm, after it was moved once more."""
        made.do("turn 5 at 90")
        made.live.annotate("moved", {"unit": "upper"})
        made.do(f"move upper {deg}", "turn 1450 at 110")
        worked = results_so_far(made.live)
        choice = Choice(1, carried_out=False, asked=asked)
        found, _, _ = proposed(made.job, worked, choice, made.live.utc())
        save(made.job, worked, choice, made.live.utc())
        steps = [step for option in found.numbered for step in option.steps]
        return {float(str(each.figures["room_mm"])) for each in steps}

    assert move_and_read(1.0) == {5.0}
    left_mm = 5.0 - 45.0 * math.radians(2.0)
    rooms_mm = move_and_read(2.0)
    assert rooms_mm
    assert all(left_mm - 0.3 < room < left_mm or 4.7 < room < 5.0 for room in rooms_mm)


def test_travel_that_is_not_known_is_not_offered_until_it_is_entered(tmp_path: Path) -> None:
    folder = moved(tmp_path / "job", read_before=False)
    found, notes = rooms(folder)
    assert not found
    assert any("upper: it was moved by hand, and the travel left" in note for note in notes)
    text = (folder / "engine.toml").read_text("utf-8")
    (folder / "engine.toml").write_text(text.replace("clockwise_mm = 5.0", "clockwise_mm = 4.0"))
    found, notes = rooms(folder)
    assert found == {4.0}
    assert not any("moved by hand" in note for note in notes)

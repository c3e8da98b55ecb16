"""rig range: both ends of a lever read on the virtual rig."""

from __future__ import annotations

import atexit
import functools
import shutil
import tempfile
from pathlib import Path

import pytest
from made_job import MadeJob, finished, refused, rig


@functools.cache
def levers() -> MadeJob:
    """The example engine read at full advance, then at full retard."""
    home = tempfile.mkdtemp(prefix="lever-")
    atexit.register(shutil.rmtree, home, ignore_errors=True)
    made = MadeJob(Path(home, "job"), 7)
    made.find_tdc().state_stroke().do("turn 1450 at 110", "lever full retard")
    made.next_setting("upper")
    return made.do("turn 1450 at 110").end()


def test_the_range_is_that_of_the_lever() -> None:
    made = levers()
    ran = rig("range", made.folder, "--json")
    (found,) = ran.answer["levers"]
    truth = next(unit for unit in made.rig.hidden.units if unit.name == "upper").btdc_deg
    true_range = truth["full advance"] - truth["full retard"]
    assert found["range_deg"] == pytest.approx(true_range, abs=found["uncertainty"]["U_deg"])
    assert found["unit"] == "upper"
    assert found["left_earlier_deg"] + found["left_later_deg"] == pytest.approx(found["range_deg"])
    assert "latest opening entered" in found["latest_words"]
    verdicts = {p["assessment"]["verdict"] for p in found["positions"]}
    assert ran.status == (1 if "outside" in verdicts else 0)


def test_another_wanted_figure() -> None:
    ran = rig("range", levers().folder, "--nominal-btdc-deg", 20, "--json")
    (found,) = ran.answer["levers"]
    assert found["wanted_btdc"] == 20
    assert 0.0 < found["place"] < 1.0
    plain = rig("range", levers().folder, "--nominal-btdc-deg", 20).out
    assert "of the range, from full retard up" in plain
    assert "full retard: " in plain


def test_a_correction_takes_the_ends_into_account(tmp_path: Path) -> None:
    made = levers()
    text = made.engine_file.read_text("utf-8")
    slot = (
        '\n[[adjustment.slot]]\nunit = "upper"\nradius_mm = 45\n'
        "clockwise_mm = 5\nanticlockwise_mm = 5\n"
    )
    try:
        made.engine_file.write_text(text + slot, "utf-8")
        ran = rig("adjust", made.folder, "--json")
    finally:
        made.engine_file.write_text(text, "utf-8")
    assert 0.0 < ran.answer["options"][0]["lever_place"]["upper"] < 1.5


def test_what_is_refused(tmp_path: Path) -> None:
    assert "read so far: full advance" in refused(2, "range", finished().folder)
    assert "has upper, lower" in refused(2, "range", levers().folder, "--unit", "middle")
    assert "no lever" in refused(2, "range", levers().folder, "--unit", "lower")
    made = MadeJob(tmp_path / "job", 3).end()
    assert "TDC is not known" in refused(2, "range", made.folder)

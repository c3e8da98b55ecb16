"""A unit that moved while it was read: no command makes a mean of it."""

from __future__ import annotations

from pathlib import Path

import pytest
from made_job import MadeJob, certificate_in, rig

from rig.certificate import record
from rig.timing.values import Mark

SLOTS = "".join(
    f'\n[[adjustment.slot]]\nunit = "{unit}"\nradius_mm = 45.0\nclockwise_mm = 4.0\n'
    "anticlockwise_mm = 4.0\n"
    for unit in ("upper", "lower")
)


@pytest.fixture(scope="module")
def moved(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The first unit slips by four degrees half-way, and nobody says so."""
    folder = tmp_path_factory.mktemp("groups") / "job"
    made = MadeJob(folder, edit=lambda text: text + SLOTS).find_tdc().state_stroke()
    made.do("turn 1450 at 150", f"move {made.job.profile.units[0].name} 4", "turn 1450 at 150")
    view = made.live.session.assessments()
    assert any(each.groups for each in view)
    made.end()
    made.save()
    return made.folder


def test_the_figures_say_so_and_the_status_is_negative(moved: Path) -> None:
    ran = rig("results", moved, "--json")
    assert ran.status == 1
    first, *others = {each["unit"] for each in ran.answer["judgements"] if each["groups"]}
    assert not others
    own = [each for each in ran.answer["judgements"] if each["unit"] == first]
    assert all(each["mean_btdc"] is None and Mark.IN_GROUPS in each["marks"] for each in own)
    whole = own[0]
    low, high = sorted(each["mean_btdc"] for each in whole["groups"])
    assert high - low == pytest.approx(4.0, abs=0.3)
    assert f"rig results: {first}, full advance, as found: no mean, it moved: " in ran.err
    assert not any(first in (c["first"], c["second"]) for c in ran.answer["comparisons"])


def test_no_correction_is_made_of_it(moved: Path) -> None:
    ran = rig("adjust", moved, "--json")
    assert ran.status == 1
    (words,) = ran.answer["not_corrected"]
    assert "no correction is worked out; no mean, it moved: " in words
    first = words.partition(",")[0]
    wants = [o["want"]["unit"] for each in ran.answer["options"] for o in each["outcomes"]]
    assert wants
    assert first not in wants
    assert words in " ".join(rig("adjust", moved).out.split())


def test_certificate_page_and_history_say_so(moved: Path) -> None:
    file = certificate_in(moved)
    found = record.as_certificate(record.load(file))
    words = next(each.words for each in found.judgements if each.groups)
    assert any(words in each for each in found.deviations)
    assert words in file.with_suffix(".html").read_text("utf-8").replace("&nbsp;", " ")
    assert words in rig("trend", moved).err + rig("trend", moved).out
    assert rig("verify", file).status == 0
    assert rig("plot", "readings", moved, "--out", moved / "readings.svg").status == 0

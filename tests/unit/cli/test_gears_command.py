"""rig gears against published and counted figures."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from made_job import copied, refused, rig


def train(*teeth: str | int, more: tuple[str | float, ...] = ()) -> dict[str, Any]:
    ran = rig("gears", *map(str, teeth), *more, "--json")
    assert ran.status == 0, ran.err
    (found,) = ran.answer["trains"]
    assert isinstance(found, dict)
    return found


@pytest.mark.parametrize(
    ("teeth", "ratio", "tooth_deg", "unit_deg", "turns", "passed"),
    [
        ((24, 37, 48), "1/2", 15.0, 7.5, 74, 1776),  # G1
        ((24, 48), "1/2", 15.0, 7.5, 2, 48),  # G2
        ((33, 22), "3/2", 10.909091, 16.363636, 2, 66),  # G4
        ((28, 41, 35, 56), "1/2", 12.857143, 6.428571, 410, 11480),  # G5
    ],
)
def test_simple_trains(
    teeth: tuple[int, ...], ratio: str, tooth_deg: float, unit_deg: float, turns: int, passed: int
) -> None:
    """By brute-force enumeration and formula: a tooth anywhere is 360/Z1 of crank."""
    found = train(*teeth)
    assert found["turns_per_crank_turn"] == ratio
    for mesh in found["meshes"]:
        assert mesh["tooth_crank_deg"] == pytest.approx(tooth_deg, abs=5e-7)
        assert mesh["tooth_shaft_deg"] == pytest.approx(unit_deg, abs=5e-7)
    assert found["marks_meet_after_crank_turns"] == turns
    assert found["marks_meet_after_teeth"] == passed
    assert found["position_step_crank_deg"] == pytest.approx(tooth_deg, abs=5e-7)
    assert sum("plain idler" in note for note in found["notes"]) == len(teeth) - 2


def test_a_compound_idler_adds_positions() -> None:
    """G6: crank 21 drives 42; on its shaft 30 drives 20. Steps of 24/7 crank degrees."""
    found = train(21, "42/30", 20)
    assert found["turns_per_crank_turn"] == "3/4"
    assert [m["tooth_crank_deg"] for m in found["meshes"]] == pytest.approx([17.142857, 24.0])
    assert found["marks_meet_after_crank_turns"] == 4
    assert found["position_step_crank_deg"] == pytest.approx(24 / 7)
    near = train(21, "42/30", 20, more=("--shift-deg", 5.0))["nearest"]
    errors = [abs(each["error_deg"]) for each in near]
    assert errors == sorted(errors)
    assert near[0]["shift_deg"] == pytest.approx(24 / 7)


def test_how_often_a_pair_of_teeth_meets() -> None:
    """H1 and H2 (W. C. Foiles, Euclid's algorithm); some pages print 30 Hz for the first."""
    (pair,) = train(23, 67, more=("--crank-per-min", 1800))["meshes"]
    assert pair["same_teeth_meet_after_turns_of_driver"] == 67
    assert pair["pairs_of_teeth"] == 1541
    assert pair["tooth_repeat_hz"] == pytest.approx(0.447761, abs=5e-7)
    (pair,) = train(20, 60, more=("--crank-per-min", 1800))["meshes"]
    assert pair["groups_of_teeth"] == 20
    assert pair["tooth_repeat_hz"] == pytest.approx(10.0)
    (pair,) = train(20, 60)["meshes"]
    assert pair["tooth_repeat_hz"] is None


@pytest.mark.parametrize(
    ("teeth", "turns", "positions", "shaft_deg", "crank_deg"),
    [
        ((19, 20), "0.5", 380, 0.947368, 1.894737),  # V2, period car service article
        ((11, 12), "1/2", 132, 2.727273, 5.454545),  # V3
        ((24, 28), "1", 168, 2.142857, 2.142857),  # V4, US Army TM 9-2815-247-34
    ],
)
def test_couplings(
    teeth: tuple[int, int], turns: str, positions: int, shaft_deg: float, crank_deg: float
) -> None:
    ran = rig("gears", "--coupling", *teeth, "--turns", turns, "--json")
    (found,) = ran.answer["couplings"]
    assert found["positions"] == positions
    assert found["step_shaft_deg"] == pytest.approx(shaft_deg, abs=5e-7)
    assert found["step_crank_deg"] == pytest.approx(crank_deg, abs=5e-7)


def test_the_nearest_step_of_a_coupling() -> None:
    """V5: 5 crank degrees with 19 and 20 teeth: 3 steps, three teeth either way."""
    ran = rig("gears", "--coupling", 19, 20, "--turns", "1/2", "--shift-deg", 5, "--json")
    near = ran.answer["couplings"][0]["nearest"]
    assert near["steps"] == 3
    assert near["crank_deg"] == pytest.approx(5.684211, abs=5e-7)
    assert near["error_deg"] == pytest.approx(0.684211, abs=5e-7)
    assert (abs(near["drive_teeth"]), abs(near["unit_teeth"])) == (3, 3)


def test_the_train_of_a_job(tmp_path: Path) -> None:
    job = copied(tmp_path)
    assert "no [[adjustment.mesh]]" in refused(2, "gears", job)
    text = (job / "engine.toml").read_text("utf-8")
    mesh = (
        '\n[[adjustment.mesh]]\ndriver = "{}"\ndriver_teeth = {}\n'
        'driven = "{}"\ndriven_teeth = {}\n'
    )
    means = mesh.format("crank", 24, "idler", 37) + mesh.format("idler", 37, "upper", 24)
    (job / "engine.toml").write_text(text + means, "utf-8")
    ran = rig("gears", job, "--json")
    assert [each["shaft"] for each in ran.answer["trains"]] == ["upper"]
    assert ran.answer["trains"][0]["turns_per_crank_turn"] == "1"
    plain = rig("gears", job).out
    assert "plain idler" in plain
    assert "distributor finger" in plain


def test_too_many_positions_lose_nothing_else() -> None:
    found = train(997, "991/983", 977)
    assert found["positions"] is None
    assert any("60000 positions" in note for note in found["notes"])
    assert found["marks_meet_after_crank_turns"] > 0


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "give a job folder"),
        (("24", "0", "48"), "from 1 to 1000 teeth"),
        (("24", "-3"), "is not a gear"),
        (("24", "x"), "is not a gear"),
        (("24",), "two gears"),
        (("24/20", "48"), "only idlers"),
        (("--coupling", "0", "20"), "both sides need teeth"),
        (("--coupling", "19", "20", "--turns", "0"), "above zero"),
        (("--coupling", "19", "20", "--turns", "1/0"), "ratio"),
        (("24", "48", "--shift-deg", "nan"), "is not a number"),
        (("/nowhere/at/all",), "no such job folder"),
    ],
)
def test_what_is_refused(words: tuple[str, ...], said: str) -> None:
    ran = rig("gears", *words)
    assert ran.status == 2
    assert ran.out == ""
    assert said in ran.err


def test_a_planetary_stage() -> None:
    """30 and 60 teeth, the sun held: the carrier turns 60/90 as fast as the ring (Willis)."""
    ran = rig("gears", "--planetary", 30, 60, "--held", "sun", "--json")
    (train,) = ran.answer["trains"]
    assert train["turns_per_crank_turn"] == "2/3"
    assert train["positions"] == 90
    (stage,) = train["meshes"]
    assert (stage["driver_turns"], stage["driven_by"], stage["planet_teeth"]) == (
        "ring",
        "carrier",
        15,
    )
    assert stage["member_turns"] == {"sun": "0", "ring": "1", "carrier": "2/3"}
    assert stage["same_teeth_meet_after_turns_of_driver"] == {"sun": 1.5, "ring": 3.0}
    text = rig("gears", "--planetary", 30, 60, "--held", "sun").out
    assert "crank drives the ring of a planetary stage (sun 30, ring 60), its sun is held" in text


def test_a_planetary_stage_behind_a_train() -> None:
    ran = rig("gears", 24, 48, "--planetary", 30, 60, "--json")
    (train,) = ran.answer["trains"]
    assert train["turns_per_crank_turn"] == "1/6"


def test_a_planetary_stage_that_cannot_be() -> None:
    said = refused(2, "gears", "--planetary", 60, 30)
    assert "a ring with 30 teeth around a sun with 60" in said

"""rig convert against figures worked out elsewhere.

K, I, O: slider-crank (Heywood, Internal Combustion Engine Fundamentals, ch. 2 for no offset; with
offset by Pythagoras, as in the Cornell KMODDL tutorial), computed and held in other geometries.
R: circle arc and chord. B2: a propeller geared 9 to 16 (plain arithmetic).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from made_job import refused, rig

from rig.job.new import write_example


def asked(*words: str | float | Path) -> dict[str, Any]:
    ran = rig("convert", *words, "--json")
    assert ran.status == 0, ran.err
    return ran.answer


@pytest.mark.parametrize(
    ("twice_throw", "rod", "offset", "btdc_deg", "travel_mm", "deg_per_mm"),
    [
        (88.0, 176.0, 0.0, 38.0, 11.424737, 1.7635),  # K1
        (120.65, 254.0, 0.0, 25.0, 6.934684, 1.8477),  # K4
        (49.0, 98.0, 0.0, 5.0, 0.116496, 21.4813),  # K5
        (140.0, 250.0, 0.0, 90.0, 80.0, 0.8185),  # K6: the two-term series has 79.8
        (88.0, 176.0, 6.0, 38.0, 11.478057, 1.7518),  # K7
        (88.0, 176.0, -6.0, 38.0, 11.380904, 1.7737),  # K8
        (100.0, 190.0, 12.0, 30.0, 8.417519, 1.8426),  # K9
        (100.0, 190.0, 12.0, -30.0, 8.306377, 1.8792),  # K10
    ],
)
def test_degrees_as_piston_travel(
    twice_throw: float, rod: float, offset: float, btdc_deg: float, travel_mm: float,
    deg_per_mm: float,
) -> None:  # fmt: skip
    sizes = ("--throw", twice_throw / 2.0, "--rod", rod, "--offset", offset)
    piston = asked(*sizes, "--btdc-deg", btdc_deg)["piston"]
    assert piston["travel_mm"] == pytest.approx(travel_mm, abs=1e-6)
    assert piston["deg_per_mm"] == pytest.approx(deg_per_mm, abs=1e-4)


@pytest.mark.parametrize(
    ("sizes", "travel", "before_deg", "after_deg"),
    [
        (("--throw", 44, "--rod", 176), 1.5, 13.429344, 13.429344),  # I1
        (
            ("--throw", 2.375, "--rod", 10, "--length-unit", "inch"),
            0.25,
            23.897701,
            23.897701,
        ),  # I3
        (
            ("--stroke", 3.5, "--rod", 6.5, "--length-unit", "inch"),
            11 / 32,
            32.565197,
            32.565197,
        ),  # I4
        (("--throw", 41.25, "--rod", 170), 0.1, 3.579821, 3.579821),  # I5
        (("--throw", 44, "--rod", 176, "--offset", 6), 10, 35.337388, 35.486206),  # I6
        (("--throw", 50, "--rod", 190, "--offset", 12), 5, 22.966800, 23.088703),  # I7
    ],
)
def test_piston_travel_as_degrees(
    sizes: tuple[str | float, ...], travel: float, before_deg: float, after_deg: float
) -> None:
    before = asked(*sizes, "--travel", travel)
    assert before["btdc_deg"] == pytest.approx(before_deg, abs=1e-6)
    assert before["piston"]["same_travel_other_side_btdc_deg"] == pytest.approx(
        -after_deg, abs=1e-6
    )
    assert asked(*sizes, "--travel", travel, "--after")["btdc_deg"] == pytest.approx(
        -after_deg, abs=1e-6
    )


def test_bottom_dead_centre_of_an_offset_cylinder_is_not_half_a_turn_from_the_top() -> None:
    sizes = ("--throw", 44, "--rod", 176, "--offset", 6)
    piston = asked(*sizes, "--btdc-deg", 179.5)["piston"]
    assert piston["same_travel_other_side_btdc_deg"] == pytest.approx(178.4152, abs=1e-4)
    assert piston["bdc_btdc_deg"] == pytest.approx(-181.042445 + 360.0, abs=1e-6)  # O2
    lines = rig("convert", *sizes, "--btdc-deg", 179.5).out
    assert "the same drop on the other side: 178.4152° BTDC" in lines
    assert "bottom dead centre: 178.9576° BTDC" in lines
    deepest = asked(*sizes, "--travel", 88.05, "--after")
    assert -180.0 < deepest["btdc_deg"] <= 180.0


@pytest.mark.parametrize("offset", [0.0, 6.0])
def test_the_piston_stands_still_at_both_dead_centres(offset: float) -> None:
    sizes = ("--throw", 44, "--rod", 176, "--offset", offset)
    bottom = asked(*sizes, "--btdc-deg", 10)["piston"]["bdc_btdc_deg"]
    for dead in (0.0, bottom):
        assert asked(*sizes, "--btdc-deg", repr(dead))["piston"]["deg_per_mm"] is None
        assert "the piston is still" in rig("convert", *sizes, "--btdc-deg", repr(dead)).out


def test_dead_centres_and_true_stroke_with_an_offset() -> None:
    piston = asked("--throw", 50, "--rod", 190, "--offset", 12, "--btdc-deg", 10)["piston"]  # O4
    assert piston["tdc_after_bore_deg"] == pytest.approx(2.865984, abs=1e-6)
    assert piston["bdc_after_bore_deg"] == pytest.approx(184.917100, abs=1e-6)
    assert piston["stroke_mm"] == pytest.approx(100.215046, abs=1e-6)
    sizes = ("--stroke", 88, "--rod", 176, "--offset", 6)
    found = asked(*sizes, "--travel", 10)["piston"]
    assert found["throw_mm"] == pytest.approx(43.972719, abs=1e-6)
    # T2: a stop at 10 mm, throw 44 mm, finds the middle late by this much.
    sizes = ("--throw", 44, "--rod", 176, "--offset", 6)
    late = asked(*sizes, "--travel", 10)["piston"]["stop_middle_late_deg"]
    assert late == pytest.approx(0.074409, abs=1e-6)


@pytest.mark.parametrize(
    ("words", "btdc_deg", "tape_mm", "rule_mm"),
    [
        (("--rim", 300, "--btdc-deg", 30), 30.0, 78.539816, 77.645714),  # R1
        (("--rim", 412, "--tape", 129.433617), 36.0, 129.433617, 127.315002),  # R2
        (("--rim", 412, "--rule", 127.315002, "--after"), -36.0, 129.433617, 127.315002),
        (("--rim", 12, "--tape", 2.5, "--length-unit", "inch"), 23.873241, 63.5, None),  # R3
        (("--rim", 520, "--tape", 100), 22.036838, 100.0, None),  # R4
    ],
)
def test_lengths_round_the_rim(
    words: tuple[str | float, ...], btdc_deg: float, tape_mm: float, rule_mm: float | None
) -> None:
    found = asked(*words)
    assert found["btdc_deg"] == pytest.approx(btdc_deg, abs=1e-6)
    assert found["rim"]["tape_mm"] == pytest.approx(tape_mm, abs=1e-6)
    if rule_mm is not None:
        assert found["rim"]["rule_mm"] == pytest.approx(rule_mm, abs=1e-6)


def test_degrees_of_a_geared_shaft() -> None:
    (propeller,) = asked("--rim", 300, "--btdc-deg", 25, "--turns", "9/16")["shafts"]  # B2
    assert propeller["deg"] == pytest.approx(14.0625, abs=1e-9)


def test_the_sizes_of_a_job(tmp_path: Path) -> None:
    folder = tmp_path / "job"
    write_example(folder, "example")
    found = asked(folder, "--btdc-deg", 36)
    assert found["rim"]["diameter_mm"] == 412.0  # as the engine file states it
    assert found["rim"]["tape_mm"] == pytest.approx(129.433617, abs=1e-6)  # R2
    back = asked(folder, "--travel", found["piston"]["travel_mm"])
    assert back["btdc_deg"] == pytest.approx(36.0, abs=1e-9)
    plain = rig("convert", folder, "--btdc-deg", 36).out.splitlines()
    assert plain[0] == "36.0000° BTDC"
    assert "with a tape round it" in "\n".join(plain)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--rim", 300), "give one of"),
        (("--rim", 300, "--btdc-deg", 3, "--tape", 4), "give one of"),
        (("--travel", 3), "the stroke and the rod are not known"),
        (("--tape", 3), "the rim's diameter is not known"),
        (("--throw", 44, "--btdc-deg", 3), "needs --rod and one of"),
        (("--throw", 44, "--stroke", 88, "--rod", 176, "--btdc-deg", 3), "needs --rod and one of"),
        (("--throw", 44, "--rod", 40, "--travel", 3), "the rod is longer than"),
        (("--throw", 44, "--rod", 176, "--travel", 89), "lies outside the stroke"),
        (("--throw", 44, "--rod", 176, "--travel", -1), "--after for after TDC"),
        (("--rim", 300, "--rule", 301), "does not fit a rim"),
        (("--rim", 300, "--tape", 500), "more than half way round"),
        (("--rim", 300, "--btdc-deg", 200), "-180 to 180"),
        (("--rim", 300, "--btdc-deg", 20, "--after"), "--after goes with a length"),
        (("--rim", "nan", "--btdc-deg", 20), "is not a number"),
        (("--rim", 300, "--btdc-deg", 20, "--turns", "9/0"), "like 9/16 or 1.5"),
    ],
)
def test_what_cannot_be_worked_out_gets_a_sentence(
    words: tuple[str | float, ...], said: str
) -> None:
    assert said in refused(2, "convert", *words)

"""What is read from the engine file, and every mistake told at once with its line."""

from __future__ import annotations

from fractions import Fraction
from importlib import resources
from pathlib import Path

import pytest
from engine_text import GOOD, mistakes_of, only, read, swap

from rig.base.errors import ProfileError
from rig.engine.engine_file import load_profile
from rig.engine.profile import ApproachRule, Contacts, Setting


def test_the_usual() -> None:
    profile = read(GOOD)
    assert profile.cycle_deg == 720.0
    assert profile.engine.intervals_deg == (180.0,) * 4
    upper, lower = profile.units
    assert (upper.name, upper.input, upper.lobes) == ("upper", 1, 2)
    assert upper.turns_per_crank_turn == 1
    window = upper.settings[0].window
    assert window is not None
    assert (window.earliest_btdc, window.nominal_btdc, window.latest_btdc) == (37.0, 36.0, 35.0)
    assert window.source == "manual, page 3"
    assert window.stated_as == "nominal 36° BTDC; tolerance 1 deg"
    assert lower.turns_per_crank_turn == Fraction(1, 2)
    assert lower.settings == (Setting("fixed", None),)
    assert profile.synchronism[0].stagger_deg == 0.0
    assert (profile.contacts, profile.run_up) == (Contacts(), ApproachRule())


@pytest.mark.parametrize(
    "name",
    ["example", "examples/two_stroke_single", "examples/radial_nine", "examples/geared_propeller"],
)
def test_examples_load(name: str) -> None:
    profile = load_profile(Path(str(resources.files("rig.job") / f"{name}.toml")))
    assert "(example)" in profile.engine.name
    for unit in profile.units:
        for setting in unit.settings:
            assert setting.window is not None
            assert "invented" in setting.window.source


def test_example_taken_whole() -> None:
    profile = load_profile(Path(str(resources.files("rig.job") / "example.toml")))
    assert [unit.name for unit in profile.units] == ["upper", "lower"]
    assert [unit.input for unit in profile.units] == [1, 2]
    assert profile.encoder.counts_per_turn == 4096
    assert [setting.name for setting in profile.units[0].settings] == [
        "full advance",
        "full retard",
    ]
    geometry = profile.engine.geometry
    assert geometry is not None
    assert (geometry.throw_mm, geometry.rod_mm, geometry.offset_mm) == (50.0, 190.0, 0.0)


def test_every_key_that_is_known_is_described_in_the_example() -> None:
    text = (resources.files("rig.job") / "example.toml").read_text("utf-8")
    header = text.split("\n[engine]\n", maxsplit=1)[0]
    tables = (
        "[engine]", "[engine.geometry]", "[engine.tdc_deg_after_cylinder_1]", "[encoder]",
        "[[unit]]", "[[unit.setting]]", "[unit.setting.per_cylinder]", "[[together]]",
        "[contacts]", "[run_up]", "[certificate]", "[adjustment]", "[[adjustment.slot]]",
        "[[adjustment.mesh]]", "[[adjustment.planetary]]", "[[adjustment.coupling]]",
        "[[adjustment.dog]]", "[[adjustment.gap]]", "[[adjustment.leads]]",
        "[[adjustment.lever]]", "[[another]]",
    )  # fmt: skip
    found = mistakes_of("\n".join(f'{each}\nname = "a"\nnot_a_key = 1' for each in tables))
    known = [each.allowed for each in found if "not_a_key" in each.key]
    assert len(known) == len(tables) - 1
    top = next(each.allowed for each in found if each.key == "another")
    for keys in (*known, top):
        for key in keys.removeprefix("Keys here: ").split(", "):
            shown = key.replace("earliest", "nominal").replace("latest", "nominal")
            assert shown in header, f"describe {key} in the head of rig/job/example.toml"


def test_every_mistake_at_once_in_the_order_of_the_file() -> None:
    text = (
        GOOD.replace("cylinders = 4", "cylinders = 0")
        .replace("counts_per_turn = 2400", "counts_per_turn = 2401")
        .replace("lobes = 4", "lobes = -4")
        .replace('name = "upper"', "name = 7")
        .replace("tolerance_deg = 1\n  source", "tolerance_deg = -1\n  source")
    )
    found = mistakes_of(text)
    assert [(each.line, each.key) for each in found] == [
        (4, "engine, cylinders"),
        (9, "encoder, counts_per_turn"),
        (11, "unit 1, name"),
        (19, "unit 1, setting 1, tolerance_deg"),
        (25, "unit 2, lobes"),
    ]
    with pytest.raises(ProfileError, match=r"engine.toml has 5 mistakes:\n  line 4, engine"):
        read(text)


@pytest.mark.parametrize(
    ("old", "new", "line", "wrong", "allowed"),
    [
        ("lobes = 2", "lobes = 0", 14, "is 0", "from 1 to 36"),
        ("lobes = 2", "lobes = -2", 14, "is -2", "from 1 to 36"),
        ("lobes = 2", "lobes = 2.5", 14, "is 2.5", "whole number"),
        ("lobes = 2", "lobes = true", 14, "is true", "whole number"),
        ("lobes = 2", "lobes = 0x" + "f" * 5000, 14, "a huge number", "whole number"),
        ("lobes = 2", "lobes = 3", 14, "gives 6 openings", "both_strokes"),
        ("input = 2", "input = 1", 23, "is 1, which 'upper' has already", "of its own"),
        ("input = 1", "input = 0", 12, "is 0", "from 1 to 16"),
        ("input = 1", "input = 1979-05-27", 12, "is a date or a time", "whole number"),
        ("= [1, 3, 4, 2]", "= [1, 3, 4, 4]", 5, "is [1, 3, 4, 4] for 4", "once, like"),
        ("= [1, 3, 4, 2]", "= [1, 3, 4]", 5, "is [1, 3, 4] for 4", "once, like"),
        ("= [1, 3, 4, 2]", '= "1342"', 5, "is '1342'", "list like [1, 3, 4, 2]"),
        ("firing_order = [1, 3, 4, 2]\n", "", 1, "is missing", "Each cylinder"),
        ("strokes = 4", "strokes = 3", 3, "is 3", "One of 2, 4"),
        ("strokes = 4", "strokes = true", 3, "is true", "One of 2, 4"),
        ("strokes = 4", "strokes = 4\nintervals_deg = [180, 180, 180, 170]", 4, "add up to 710",
         "720° together"),
        ("strokes = 4", "strokes = 4\nintervals_deg = [360, 360]", 4, "has 2 figures",
         "4 intervals"),
        ("strokes = 4", "strokes = 4\nintervals_deg = [-180, 540, 180, 180]", 4, "is -180",
         "from 0 to 720"),
        ("strokes = 4", "strokes = 4\nrim_diameter_mm = nan", 4, "is nan", "from 1 to 20000"),
        ("strokes = 4", "strokes = 4\nrim_diameter_mm = inf", 4, "is inf", "from 1 to 20000"),
        ("strokes = 4", "strokes = 4\nrim_diameter_mm = 1e300", 4, "is 1e+300", "to 20000"),
        ("strokes = 4", 'strokes = 4\nrim_diameter_mm = "1/0"', 4, "is '1/0'", "fraction"),
        ("counts_per_turn = 2400", "counts_per_turn = 1e9", 9, "is 1000000000.0", "whole"),
        ("counts_per_turn = 2400", "counts_per_turn = 2401", 9, "is 2401", "Four times"),
        ('"1/2"', '"1/0"', 24, "is '1/0'", "from 1/100 to 100"),
        ('"1/2"', "0.4", 25, "openings", '"1/3"'),
        ("nominal_deg_btdc = 36", "nominal_deg_btdc = nan", 18, "is nan", "from -180 to 180"),
        ("nominal_deg_btdc = 36", "nominal_mm_travel = 11", 18, "no geometry", "stroke_mm"),
        ("nominal_deg_btdc = 36", "nominal_rim_tape_mm = 11", 18, "no diameter", "rim_diameter"),
        ('source = "manual, page 3"', "", 16, "is missing", "manual and page"),
        ("tolerance_deg = 1\n  source", "source", 16, "has no limits", "tolerance_deg"),
        ("second = \"lower\"", 'second = "upper"', 29, "same unit", "Another"),
        ("second = \"lower\"", 'second = "lowe"', 29, "nearest one is lower", 'One of "upper"'),
        ('[[together]]', '[together]', 27, "is a table", "[[together]] (two brackets)"),
        ('[encoder]', '[[encoder]]', 8, "is a list", "under a line [encoder]"),
        ('rotation = "clockwise"\nseen_from', 'rotation = "left"\nseen_from', 6, "is 'left'",
         '"clockwise", "anticlockwise"'),
    ],
)  # fmt: skip
def test_one_mistake(old: str, new: str, line: int, wrong: str, allowed: str) -> None:
    found = only(swap(old, new))
    assert (found.file, found.line) == ("engine.toml", line)
    assert wrong in found.wrong
    assert allowed in found.allowed


def test_a_key_written_wrongly() -> None:
    missing, unknown = mistakes_of(swap("lobes = 2", "lobs = 2"))
    assert (missing.line, missing.key, missing.wrong) == (10, "unit 1, lobes", "is missing")
    assert (unknown.line, unknown.key) == (14, "unit 1, lobs")
    assert "nearest one is lobes" in unknown.wrong
    assert "lobes, name" in unknown.allowed


def test_two_units_of_one_name() -> None:
    text = swap('name = "lower"', 'name = "Upper"').replace('second = "lower"', 'second = "Upper"')
    found = only(text)
    assert (found.line, found.wrong) == (22, "is 'Upper' a second time")


def test_a_window_upside_down() -> None:
    upside_down = "earliest_deg_btdc = 35\n  nominal_deg_btdc = 36\n  latest_deg_btdc = 37"
    text = GOOD.replace("nominal_deg_btdc = 36\n  tolerance_deg = 1", upside_down)
    found = only(text)
    assert found.line == 18
    assert "upside down" in found.wrong
    assert "Earliest is the largest" in found.allowed


def test_missing_tables_are_named() -> None:
    keys = [each.key for each in mistakes_of('[certificate]\nperson = "me"\n')]
    assert keys == ["engine", "encoder", "unit"]


def test_mistakes_under_means_are_told_with_the_others() -> None:
    text = swap("lobes = 2", "lobes = 0") + "[[adjustment.mesh]]\ndriver_teeth = -24\n"
    found = mistakes_of(text)
    assert (found[0].line, found[0].key) == (14, "unit 1, lobes")
    assert any(each.wrong == "is -24" and each.line == 32 for each in found)


def test_unknown_tables() -> None:
    found = only(GOOD + "\n[runup]\nneeded_deg = 20\n")
    assert found.line == GOOD.count("\n") + 2
    assert "nearest one is run_up" in found.wrong


def test_contacts_that_contradict_one_another() -> None:
    found = only(GOOD + "[contacts]\nlongest_dropout_ms = 5\n")
    assert "not below least_open_ms, which is 3" in found.wrong


def test_hundreds_of_unknown_keys_are_cut_off() -> None:
    text = GOOD + "".join(f"key_{number} = 1\n" for number in range(5000))
    assert len(mistakes_of(text)) == 100


@pytest.mark.parametrize(
    ("unit", "served"),
    [
        ("turns_per_crank_turn = 1\nlobes = 2", ()),
        ("turns_per_crank_turn = 0.5\nlobes = 4", ()),
        ("turns_per_crank_turn = 1\nlobes = 4\nboth_strokes = true", ()),
        ("turns_per_crank_turn = 1\nlobes = 1\ncylinders = [1, 4]", (1, 4)),
        ("turns_per_crank_turn = 1\nlobes = 1\ncylinders = [1, 4, 1, 4]", None),
        ("turns_per_crank_turn = 1\nlobes = 2\nboth_strokes = true\ncylinders = [1, 4, 1, 4]",
         (1, 4, 1, 4)),
        ("turns_per_crank_turn = 1\nlobes = 4", None),
        ("turns_per_crank_turn = 1\nlobes = 1", None),
        ("turns_per_crank_turn = 0.333\nlobes = 6", None),
        ("turns_per_crank_turn = 1\nlobes = 2\ncylinders = [1, 5]", None),
    ],
)  # fmt: skip
def test_openings_in_a_cycle_against_cylinders(unit: str, served: tuple[int, ...] | None) -> None:
    text = swap("turns_per_crank_turn = 1\nlobes = 2", unit)
    if served is None:
        assert only(text).key in ("unit 1, lobes", "unit 1, cylinders")
    else:
        assert read(text).units[0].lobe_cylinders == served


@pytest.mark.parametrize("ratio", ["0.333", "0.5714", '"0.6667"'])
def test_a_rounded_ratio_of_the_encoder_is_asked_for_as_a_fraction(ratio: str) -> None:
    """With 0.333 for a third the crank would seem to gain a third of a degree each turn."""
    told = only(GOOD.replace("2400\n", f"2400\nturns_per_crank_turn = {ratio}\n"))
    assert "a rounded figure drifts turn by turn" in str(told)
    assert "teeth of the gears as a fraction" in str(told)


@pytest.mark.parametrize(
    ("ratio", "exact"), [("0.5625", "9/16"), ("1.5", "3/2"), ('"333/1000"', "333/1000")]
)
def test_an_exact_ratio_of_the_encoder_is_taken(ratio: str, exact: str) -> None:
    profile = read(GOOD.replace("2400\n", f"2400\nturns_per_crank_turn = {ratio}\n"))
    assert profile.encoder.turns_per_crank_turn == Fraction(exact)


def test_a_backlash_by_its_earlier_name() -> None:
    """``play_deg`` and ``play_error_deg`` until version 0.5.0."""
    now = swap("[encoder]", "[encoder]\nbacklash_deg = 0.4")
    earlier = now.replace("backlash_deg", "play_deg")
    assert read(earlier) == read(now)
    assert read(now).encoder.backlash_error_deg == 0.2
    entered = earlier.replace("play_deg = 0.4", "play_deg = 0.4\nplay_error_deg = 0.1")
    assert read(entered).encoder.backlash_error_deg == 0.1
    both = earlier.replace("play_deg = 0.4", "play_deg = 0.4\nbacklash_deg = 0.4")
    assert "play_deg" in str(only(both))

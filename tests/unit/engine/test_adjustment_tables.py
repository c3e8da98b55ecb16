"""The ``[adjustment]`` table: read whole, and every mistake in it reported at once."""

from __future__ import annotations

from fractions import Fraction

import pytest

from rig.base.codec import Section
from rig.base.errors import Mistake, MistakeBook
from rig.base.toml_file import parse
from rig.engine.adjustment_tables import read_adjustments
from rig.engine.profile import (
    Adjustments,
    Coupling,
    DriveDog,
    Gap,
    GapReading,
    Leads,
    Lever,
    Mesh,
    Slot,
    Unit,
)

UNITS = (
    Unit("upper", 1, Fraction(1, 2), 4, (), body="twin"),
    Unit("lower", 2, Fraction(1, 2), 4, (), body="twin"),
)

WHOLE = """
[adjustment]
keeps = ["cam"]
[[adjustment.slot]]
unit = "twin"
radius_mm = 45.0
clockwise_mm = 3
anticlockwise_mm = 4.0
file_mm = 0
[[adjustment.slot]]
unit = "upper"
part = "contact plate"
radius_mm = 20
clockwise_mm = 1
anticlockwise_mm = 0
[[adjustment.mesh]]
driver = "crank"
driver_teeth = 24
driven = "idler"
driven_teeth = 37
[[adjustment.mesh]]
driver = "idler"
driver_teeth = 37
driven = "cam"
driven_teeth = 48
free = false
[[adjustment.mesh]]
driver = "cam"
driver_teeth = 20
driven = "twin"
driven_teeth = 20
kind = "chain"
[[adjustment.coupling]]
shaft = "cam"
drive_teeth = 19
unit_teeth = 20
[[adjustment.dog]]
unit = "twin"
slots = 2
recut = "unit half"
radius_mm = 18
clear_mm = 6
others_deg = [47.5, -90]
[[adjustment.gap]]
unit = "lower"
now_mm = 0.4
least_mm = 0.35
most_mm = 0.45
readings = [[0.35, 35.1], [0.45, 36]]
opening_u_deg = 0.05
[[adjustment.leads]]
unit = "upper"
[[adjustment.lever]]
unit = "lower"
"""


def read(text: str, units: tuple[Unit, ...] = UNITS) -> tuple[Adjustments, list[Mistake]]:
    values, line_of = parse(text.encode(), "engine.toml")
    book = MistakeBook("engine.toml", line_of)
    return read_adjustments(Section(values, (), book), units), book.mistakes


def wrong(text: str) -> list[tuple[str, str, str]]:
    _, mistakes = read(text)
    return [(m.key, m.wrong, m.allowed) for m in mistakes]


def test_everything_is_read() -> None:
    found, mistakes = read(WHOLE)
    assert mistakes == []
    assert found.slots == (
        Slot("twin", 45.0, 3.0, 4.0, file_mm=0.0),
        Slot("upper", 20.0, 1.0, 0.0, "contact plate"),
    )
    assert found.train is not None
    assert found.train.keeps == ("cam",)
    assert found.train.meshes[1] == Mesh("idler", 37, "cam", 48, free=False)
    chain = found.train.meshes[2]
    assert isinstance(chain, Mesh)
    assert chain.kind == "chain"
    assert found.couplings == (Coupling("cam", 19, 20),)
    assert found.dogs == (DriveDog("twin", 2, "unit half", 18.0, 6.0, (47.5, -90.0)),)
    readings = (GapReading(0.35, 35.1, 0.05), GapReading(0.45, 36.0, 0.05))
    assert found.gaps == (Gap("lower", 0.4, 0.35, 0.45, readings),)
    assert found.leads == (Leads("upper"),)
    assert found.levers == (Lever("lower"),)


def test_without_the_table_nothing_can_be_moved() -> None:
    assert read("[engine]") == (Adjustments(), [])


def test_the_table_has_its_earlier_name_too() -> None:
    """Engine files before version 0.4.0 call it [means]."""
    earlier, mistakes = read(WHOLE.replace("adjustment", "means"))
    assert (earlier, mistakes) == read(WHOLE)
    assert wrong('[[means.lever]]\nunit = "uper"')[0][0] == "means, lever 1, unit"
    both = wrong('[adjustment]\n[[means.lever]]\nunit = "upper"')
    assert both == [("means", "is given beside adjustment", "adjustment alone")]


@pytest.mark.parametrize(
    ("text", "key", "word"),
    [
        ('[adjustment]\nkeeps = ["cam"]', "adjustment, keeps", "without a train"),
        ('[adjustment]\nkeeps = "cam"', "adjustment, keeps", "is 'cam'"),
        ("[adjustment]\nshims = 3", "adjustment, shims", "not a known key"),
        ('[[adjustment.lever]]\nunit = "uper"', "adjustment, lever 1, unit", "'uper'"),
        ('[[adjustment.leads]]\nunit = "twin"', "adjustment, leads 1, unit", "'twin'"),
        ("[adjustment.leads]\nunit = 1", "adjustment, leads", "is a table"),
        (
            '[[adjustment.slot]]\nunit = "upper"\nradius_mm = 0\nclockwise_mm = 1\n'
            "anticlockwise_mm = 1",
            "adjustment, slot 1, radius_mm",
            "is 0",
        ),
        (
            '[[adjustment.coupling]]\nshaft = "upper"\ndrive_teeth = 0\nunit_teeth = 20',
            "adjustment, coupling 1, drive_teeth",
            "is 0",
        ),
        (
            '[[adjustment.dog]]\nunit = "upper"\nrecut = "unit half"',
            "adjustment, dog 1, radius_mm",
            "needed",
        ),
        (
            '[[adjustment.dog]]\nunit = "upper"\nrecut = "unit half"\nradius_mm = 3\nclear_mm = 7',
            "adjustment, dog 1, clear_mm",
            "twice",
        ),
        (
            '[[adjustment.dog]]\nunit = "upper"\nothers_deg = [true]',
            "adjustment, dog 1, others_deg 1",
            "is true",
        ),
        (
            '[[adjustment.dog]]\nunit = "upper"\nbore_mm = 20\noutside_mm = 18',
            "adjustment, dog 1, outside_mm",
            "is 18",
        ),
        (
            '[[adjustment.dog]]\nunit = "upper"\nradius_mm = 12\nwidth_mm = 6\nbore_mm = 20',
            "adjustment, dog 1, bore_mm",
            "would begin 9 mm from the centre",
        ),
        (
            '[[adjustment.dog]]\nunit = "upper"\nradius_mm = 12\nwidth_mm = 6\noutside_mm = 28',
            "adjustment, dog 1, outside_mm",
            "would end 15 mm from the centre",
        ),
        (
            '[[adjustment.dog]]\nunit = "upper"\nlength_mm = 6',
            "adjustment, dog 1, length_mm",
            "is given for a hole",
        ),
        (
            '[[adjustment.dog]]\nunit = "upper"\nshape = "bore keyway"\nlength_mm = 2',
            "adjustment, dog 1, bore_mm",
            "is missing",
        ),
        (
            '[[adjustment.dog]]\nunit = "upper"\nshape = "shaft keyway"\noutside_mm = 20',
            "adjustment, dog 1, length_mm",
            "is missing",
        ),
        (
            '[[adjustment.dog]]\nunit = "upper"\nshape = "slot"',
            "adjustment, dog 1, length_mm",
            "is missing",
        ),
        (
            '[[adjustment.dog]]\nunit = "upper"\nothers_deg = [40]\nothers_width_mm = [5, 6]',
            "adjustment, dog 1, others_width_mm",
            "has 2 figures",
        ),
        (
            '[[adjustment.dog]]\nunit = "upper"\nface = "front"',
            "adjustment, dog 1, face",
            "'front'",
        ),
        (
            '[[adjustment.gap]]\nunit = "upper"\nnow_mm = 0.4\nleast_mm = 0.5\nmost_mm = 0.3',
            "adjustment, gap 1, most_mm",
            "less than least_mm",
        ),
        (
            '[[adjustment.gap]]\nunit = "upper"\nnow_mm = 0.4\nleast_mm = 0.3\nmost_mm = 0.5\n'
            "readings = [[0.3], [0.4, 36]]",
            "adjustment, gap 1, readings",
            "is a list",
        ),
        (
            '[[adjustment.mesh]]\ndriver = "crank"\ndriver_teeth = 0\ndriven = "twin"\n'
            "driven_teeth = 48",
            "adjustment, mesh 1, driver_teeth",
            "is 0",
        ),
        (
            '[[adjustment.mesh]]\ndriver = "crank"\ndriver_teeth = 24\ndriven = "cam"\n'
            "driven_teeth = 48",
            "adjustment, mesh",
            "does not end at a unit",
        ),
    ],
)
def test_mistakes(text: str, key: str, word: str) -> None:
    found = wrong(text)
    assert [key] == [k for k, _, _ in found], found
    assert word in found[0][1]
    assert found[0][2]  # what is allowed is always said


def test_a_train_that_contradicts_the_stated_ratio() -> None:
    mesh = 'driver = "crank"\ndriver_teeth = 24\ndriven = "twin"\ndriven_teeth = 50'
    text = f"[[adjustment.mesh]]\n{mesh}"
    found = wrong(text)
    assert [key for key, _, _ in found] == ["adjustment, mesh", "adjustment, mesh"]
    assert "turns 'upper' 12/25 times a crank turn, its own figure is 1/2" in found[0][1]


def test_every_mistake_at_once_with_its_line() -> None:
    text = WHOLE.replace("radius_mm = 45.0", "radius_mm = -1").replace('unit = "lower"', "unit = 3")
    _, mistakes = read(text)
    lines = text.splitlines()
    at = sorted(m.line for m in mistakes)
    assert at[0] == lines.index("radius_mm = -1") + 1
    assert len(at) == 3

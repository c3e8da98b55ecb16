"""The manual's figures in degrees, piston travel and rim lengths; targets of single cylinders."""

from __future__ import annotations

import pytest

from rig.base.earlier_rules import EARLIER_RULES
from rig.base.errors import ProfileError
from rig.engine.engine_file import profile_from_bytes
from rig.engine.profile import Profile, Setting, Window

ENGINE = """\
[engine]
name = "Test engine"
strokes = 4
cylinders = 1
rotation = "clockwise"
seen_from = "flywheel end"
{engine}
[encoder]
counts_per_turn = 2400
[[unit]]
name = "magneto"
input = 1
turns_per_crank_turn = "1/2"
lobes = 1
rotation = "clockwise"
  [[unit.setting]]
  name = "fixed"
  source = "manual, page 1"
  {figure}
"""

# 3 1/2 in stroke and 6 1/2 in rod, as in I4.
I4 = """\
rim_diameter_mm = 304.8
[engine.geometry]
stroke_in = "3 1/2"
rod_in = "6 1/2"
offset_mm=0"""
K7 = "[engine.geometry]\nstroke_mm = 88.054601\nrod_mm = 176\noffset_mm = 6"


def profile(figure: str, engine: str = I4) -> Profile:
    return profile_from_bytes(ENGINE.format(engine=engine, figure=figure).encode())


def window(figure: str, engine: str = I4) -> Window:
    found = profile(figure, engine).units[0].settings[0].window
    assert found is not None
    return found


def told(figure: str, engine: str = I4) -> str:
    with pytest.raises(ProfileError) as caught:
        profile(figure, engine)
    assert len(caught.value.mistakes) == 1
    return str(caught.value)


@pytest.mark.parametrize(
    ("figure", "engine", "btdc"),
    [
        # Slider-crank (Heywood ch. 2, from memory), computed at 50 digits: rows I4, I6.
        ('nominal_in_travel = "11/32"', I4, 32.565197),
        ("nominal_in_travel = 0.34375", I4, 32.565197),
        ("nominal_mm_travel = 8.73125", I4, 32.565197),
        ("nominal_mm_travel = -8.73125", I4, -32.565197),
        ("nominal_mm_travel = 10", K7, 35.337388),
        ("nominal_mm_travel = -10", K7, -35.486206),
        # Arc and chord of a circle: rows R3, R2.
        ("nominal_rim_tape_mm = 63.5", I4, 23.873241),
        ('nominal_rim_tape_in = "2 1/2"', I4, 23.873241),
        ("nominal_rim_rule_mm = 127.315002", "rim_diameter_mm = 412", 36.0),
        ("nominal_rim_rule_in = 5.0124016535", "rim_diameter_mm = 412", 36.0),
        ("nominal_deg_btdc = -4", I4, -4.0),
        ('nominal_deg_btdc = "36 1/2"', I4, 36.5),
    ],
)
def test_every_form_of_a_figure(figure: str, engine: str, btdc: float) -> None:
    found = window(figure + "\n  tolerance_deg = 0.5", engine)
    assert found.nominal_btdc == pytest.approx(btdc, abs=2e-6)
    assert found.earliest_btdc - found.nominal_btdc == pytest.approx(0.5)
    assert found.nominal_btdc - found.latest_btdc == pytest.approx(0.5)


def test_how_it_was_stated_is_kept() -> None:
    found = window('nominal_in_travel = "11/32"\n  tolerance_in = "1/64"')
    assert found.stated_as == "nominal 11/32 in of piston travel, BTDC; tolerance 1/64 in"
    found = window("nominal_deg_btdc = -4\n  tolerance_deg = 1")
    assert found.stated_as == "nominal 4° ATDC; tolerance 1 deg"
    unknown_offset = I4.replace("offset_mm=0", "")
    found = window("nominal_mm_travel = 8\n  tolerance_mm = 1", unknown_offset)
    assert found.stated_as.endswith("cylinder offset not known, taken as none")


def test_a_tolerance_in_length_is_turned_into_degrees_at_each_end() -> None:
    found = window("nominal_mm_travel = 8\n  tolerance_mm = 0.5")
    ends = window("earliest_mm_travel = 8.5\n  nominal_mm_travel = 8\n  latest_mm_travel = 7.5")
    assert (found.earliest_btdc, found.latest_btdc) == (ends.earliest_btdc, ends.latest_btdc)
    in_inches = window('nominal_mm_travel = 8\n  tolerance_in = "1/16"')
    ends = window("earliest_mm_travel = 9.5875\n  latest_mm_travel = 6.4125")
    assert in_inches.earliest_btdc == pytest.approx(ends.earliest_btdc)
    assert in_inches.latest_btdc == pytest.approx(ends.latest_btdc)
    over_the_top = window("nominal_mm_travel = 0\n  tolerance_mm = 0.1", I4)
    assert over_the_top.earliest_btdc == pytest.approx(-over_the_top.latest_btdc)


def test_earliest_and_latest_alone_and_in_different_forms() -> None:
    found = window("earliest_deg_btdc = 37\n  latest_deg_btdc = 35")
    assert found.nominal_btdc == 36.0
    found = window("earliest_deg_btdc = 37\n  latest_mm_travel = 8.73125")
    assert found.earliest_btdc == 37.0
    assert found.latest_btdc == pytest.approx(32.565197, abs=1e-6)


def test_no_figure_is_not_judged() -> None:
    assert profile("").units[0].settings[0].window is None


@pytest.mark.parametrize(
    ("figure", "said"),
    [
        ("nominal_deg_btdc = 36\n  nominal_mm_travel = 8\n  tolerance_deg = 1", "is given beside"),
        ("earliest_deg_btdc = 36", "has no limits"),
        ("earliest_deg_btdc = 36\n  tolerance_deg = 1", "does not go with"),
        (
            "earliest_deg_btdc = 37\n  latest_deg_btdc = 35\n  tolerance_deg = 1",
            "is given beside earliest and latest",
        ),
        ("nominal_deg_btdc = 36\n  tolerance_mm = 1", "is a length, the figure an angle"),
        ("nominal_deg_btdc = 36\n  tolerance_deg = 0", "is 0"),
        ("tolerance_deg = 1", "is without a figure"),
        ("nominal_mm_travel = 89\n  tolerance_deg = 1", "outside the stroke"),
        ("nominal_mm_travel = 0.5\n  tolerance_mm = 200", "outside the stroke"),
        ("nominal_rim_tape_mm = 600\n  tolerance_deg = 1", "more than half way round"),
        ("earliest_deg_btdc = 36\n  latest_deg_btdc = 36", "upside down or empty"),
        ('nominal_deg_btdc = "thirty"\n  tolerance_deg = 1', "is 'thirty'"),
        ("nominal_deg_btdc = 200\n  tolerance_deg = 1", "from -180 to 180 degrees"),
    ],
)
def test_figures_that_will_not_do(figure: str, said: str) -> None:
    assert said in told(figure)


def test_geometry_that_cannot_be() -> None:
    crank = "[engine.geometry]\nstroke_mm = 100\nrod_mm = 45"
    assert "cannot be" in told("nominal_deg_btdc = 9\n  tolerance_deg = 1", crank)
    both = K7 + "\noffset_limit_mm = 1"
    assert "One of the two" in told("nominal_deg_btdc = 9\n  tolerance_deg = 1", both)
    two = K7.replace("rod_mm = 176", "rod_mm = 176\nrod_in = 7")
    assert "is given beside rod_mm" in told("nominal_deg_btdc = 9\n  tolerance_deg = 1", two)


def test_a_limit_of_nothing_for_the_offset_is_an_entered_offset_of_nothing() -> None:
    crank = "[engine.geometry]\nstroke_mm = 88\nrod_mm = 176"
    offsets = []
    for limit in ("", "\noffset_limit_mm = 0", "\noffset_limit_mm = 1.5"):
        found = profile("nominal_deg_btdc = 9\n  tolerance_deg = 1", crank + limit)
        assert found.engine.geometry is not None
        offsets.append(found.engine.geometry.offset_mm)
    assert offsets == [None, 0.0, None]


def test_until_0_5_0_a_limit_of_nothing_counted_as_none_entered() -> None:
    """A certificate of that time states its offset so, and is computed again so."""
    crank = "[engine.geometry]\nstroke_mm = 88\nrod_mm = 176\noffset_limit_mm = 0"
    data = ENGINE.format(engine=crank, figure="nominal_deg_btdc = 9\n  tolerance_deg = 1").encode()
    for version, offset_mm in (("0.5.0", None), ("0.6.0", 0.0)):
        found = profile_from_bytes(data, rules=EARLIER_RULES[version]).engine.geometry
        assert found is not None
        assert found.offset_mm == offset_mm


# --- compensated cams ----------------------------------------------------------------------------

RADIAL = """\
[engine]
name = "Test engine"
strokes = 4
cylinders = 3
firing_order = [1, 3, 2]
rotation = "clockwise"
seen_from = "rear"
master_cylinder = 1
{engine}
[encoder]
counts_per_turn = 2400
[[unit]]
name = "magneto"
input = 1
turns_per_crank_turn = "1/2"
lobes = 3
rotation = "clockwise"
  [[unit.setting]]
  name = "fixed"
  source = "manual, page 1"
  nominal_deg_btdc = 25
  tolerance_deg = 1
  [unit.setting.per_cylinder]
  {figures}
"""


def setting(figures: str, engine: str = "") -> Setting:
    text = RADIAL.format(engine=engine, figures=figures)
    return profile_from_bytes(text.encode()).units[0].settings[0]


def test_counted_from_cylinder_1() -> None:
    # Definition: cylinder 3 opens 241 degrees after cylinder 1's 25 BTDC; its place is 240 after.
    found = setting('counted_from = "cylinder 1"\n  3 = 241\n  2 = 478.5\n  tolerance_deg = 0.5')
    assert found.counted_from == "first"
    assert {k: v.nominal_btdc for k, v in found.per_cylinder.items()} == {1: 25, 3: 24, 2: 26.5}
    assert found.per_cylinder[3].earliest_btdc == 24.5
    assert found.per_cylinder[3].stated_as == "241° after cylinder 1's opening"


def test_counted_from_cylinder_1_with_the_cylinders_own_dead_centre_stated() -> None:
    stated = "[engine.tdc_deg_after_cylinder_1]\n3 = 241.5"
    found = setting('counted_from = "cylinder 1"\n  3 = 241\n  2 = 478.5', stated)
    assert found.per_cylinder[3].nominal_btdc == 25.5
    assert found.per_cylinder[3].earliest_btdc == 26.5  # the setting's own tolerance


def test_counted_before_own_dead_centre() -> None:
    found = setting('counted_from = "own top dead centre"\n  1 = 25\n  3 = 25.75\n  2 = 24.5')
    assert found.counted_from == "own"
    assert {k: v.nominal_btdc for k, v in found.per_cylinder.items()} == {1: 25, 3: 25.75, 2: 24.5}
    assert found.per_cylinder[3].stated_as == "25.75° BTDC"


@pytest.mark.parametrize(
    ("figures", "engine", "said"),
    [
        ('counted_from = "cylinder 1"\n  3 = 241', "", "2: is missing"),
        ('counted_from = "cylinder 1"\n  3 = 120.5\n  2 = 478', "", "of crank (not of cam)"),
        ('counted_from = "cylinder 4"\n  1=25\n  3 = 25\n  2 = 25', "", "is 'cylinder 4'"),
        ('counted_from = "cylinder 1"\n  3 = 241\n  2 = 478\n  4 = 1', "", "4: is not a known"),
        ('counted_from = "cylinder 1"\n  3 = 241\n  2 = 478',
         "[engine.tdc_deg_after_cylinder_1]\n3 = 120", "120° from its place"),
        ('counted_from = "cylinder 1"\n  3 = 241\n  2 = 478',
         "[engine.tdc_deg_after_cylinder_1]\n1 = 5", "others are counted from it"),
    ],
)  # fmt: skip
def test_cylinder_figures_that_will_not_do(figures: str, engine: str, said: str) -> None:
    with pytest.raises(ProfileError) as caught:
        setting(figures, engine)
    assert said in str(caught.value)


def test_cylinder_figures_without_anything_to_count_from() -> None:
    text = RADIAL.format(engine="", figures='counted_from = "cylinder 1"\n  3 = 241\n  2 = 478')
    text = text.replace("  nominal_deg_btdc = 25\n  tolerance_deg = 1\n", "")
    with pytest.raises(ProfileError, match="no figure to count from"):
        profile_from_bytes(text.encode())

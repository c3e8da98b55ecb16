"""The page's drawings: places and shapes."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.certificate import strips
from rig.certificate.strips import Scale
from rig.plots.axis import Lane, reach
from rig.timing.values import Verdict

angles = st.floats(-180.0, 180.0)


def test_earlier_lies_to_the_left() -> None:
    scale = Scale(38.0, 34.0, 200.0)
    assert [scale.x(each) for each in (38.0, 37.0, 36.0, 34.0)] == [0.0, 50.0, 100.0, 200.0]


def test_beyond_the_ends_is_the_end() -> None:
    scale = Scale(38.0, 34.0, 200.0)
    assert [scale.x(each) for each in (50.0, -50.0)] == [0.0, 200.0]


@given(st.lists(angles, max_size=30))
def test_a_scale_holds_all_and_has_few_round_ticks(of: list[float]) -> None:
    scale = Scale(*reach(of), 240.0)
    assert scale.early_btdc - scale.late_btdc >= 1.0 - 1e-9
    assert all(scale.late_btdc <= each <= scale.early_btdc for each in of)
    ticks = scale.ticks()
    assert 2 <= len(ticks) <= 7
    assert all(scale.late_btdc - 1e-9 <= each <= scale.early_btdc + 1e-9 for each in ticks)


def test_a_scale_passes_over_what_is_no_angle() -> None:
    scale = Scale(*reach([36.0, float("nan"), float("inf"), 1e300]), 240.0)
    assert (scale.early_btdc, scale.late_btdc) == (36.5, 35.5)


def test_a_row_has_each_reading_the_mean_its_bar_and_the_window() -> None:
    scale = Scale(38.0, 34.0, 200.0)
    lane = Lane([36.0, 36.2, 36.2], 36.1, 0.4)
    svg = strips.row(scale, (37.0, 36.0, 35.0), [lane], "cylinder 1: inside", 4)
    root = ElementTree.fromstring(svg)
    by_class = {each.get("class"): each.get("d", "") for each in root.iter("path")}
    assert re.findall(r"M([\d.]+) ", by_class["edge"]) == ["50.0", "150.0"]
    assert by_class["nominal"].startswith("M100.0 0V")
    assert re.findall(r"M([\d.]+) ", by_class["reading"]) == ["90.0", "100.0"]  # once each place
    assert by_class["mean"].startswith("M95.0 ")
    assert by_class["bar"].startswith("M75.0 12.2H115.0")
    assert root.get("aria-label") == "cylinder 1: inside"


def test_as_found_is_drawn_hollow_above_as_left() -> None:
    scale = Scale(38.0, 34.0, 200.0)
    lanes = [Lane([37.5], 37.5, 0.2, past=True), Lane([36.0], 36.0, 0.2)]
    root = ElementTree.fromstring(strips.row(scale, None, lanes, "x", 4))
    means = [each for each in root.iter("path") if (each.get("class") or "").startswith("mean")]
    assert [each.get("class") for each in means] == ["mean past", "mean"]
    heights = [float((each.get("d") or "").split()[1].split("l")[0]) for each in means]
    assert heights[0] < heights[1]


def test_without_a_window_or_mean_the_rest_is_drawn() -> None:
    svg = strips.row(Scale(1.0, -1.0, 200.0), None, [Lane([0.0], None, None)], "x", 1)
    assert 'class="reading"' in svg
    assert 'class="mean"' not in svg
    assert 'class="edge"' not in svg


@given(
    st.lists(angles, max_size=9),
    st.none() | angles,
    st.none() | st.floats(0.0),
    st.integers(1, 20),
)
def test_every_row_is_well_formed(
    of: list[float], mean: float | None, U_deg: float | None, rows: int
) -> None:
    scale = Scale(*reach(of), 240.0)
    svg = strips.row(scale, (37.0, 36.0, 35.0), [Lane(of, mean, U_deg)], "x", rows)
    for each in ElementTree.fromstring(svg).iter():
        assert not re.search("nan|inf", each.get("d", ""))


def test_every_verdict_has_a_shape_of_its_own() -> None:
    verdicts: list[Verdict] = ["inside", "outside", "inconclusive", "no window set"]
    shapes = {strips.mark(each) for each in verdicts}
    assert len(shapes) == 4
    assert strips.mark("outside", late=True) != strips.mark("outside", late=False)


@pytest.mark.parametrize("late", [False, True])
def test_a_reading_outside_is_drawn_on_its_side_of_the_window(late: bool) -> None:
    cross = re.search(r'class="cross" d="M([\d.]+)', strips.mark("outside", late))
    assert cross
    assert (float(cross[1]) > 20.5) == late


def test_a_tick_after_top_dead_centre_says_so() -> None:
    svg = strips.scale_row(Scale(3.0, -3.0, 240.0))
    assert ">0°<" in svg
    assert ">2° ATDC<" in svg
    assert "-" not in re.sub(r'class="[^"]*"|aria-hidden', "", svg).replace("viewBox", "")

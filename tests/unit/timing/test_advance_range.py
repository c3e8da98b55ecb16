"""The lever's range and what is left of it."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.base.errors import InputError
from rig.base.uncertainty import Contribution, Source, combine
from rig.engine.profile import Encoder
from rig.timing.advance_range import RangeDoubt, advance_range
from rig.timing.values import Assessment
from rig.words.assessments import NO_LIMIT, advance_range_words, latest_words, range_doubt_words

BOTH = ("full advance", "full retard")


def judged(
    setting: str,
    mean: float,
    window: tuple[float, float, float] | None,
    phase: str = "as found",
    *,
    cylinder: int | None = None,
    n: int = 10,
) -> Assessment:
    shared = Contribution(Source.TDC, 0.3, math.inf, "B", "demo")
    own = Contribution(Source.REPEATABILITY, 0.04, 9, "A", "demo")
    return Assessment(
        unit="upper",
        setting=setting,
        cylinder=cylinder,
        phase=phase,
        kind="turned",
        n=n,
        mean_btdc=mean,
        sd_deg=0.04 * math.sqrt(10.0),
        uncertainty=combine([own, shared]),
        earliest_btdc=window[0] if window else None,
        nominal_btdc=window[1] if window else None,
        latest_btdc=window[2] if window else None,
        verdict="no window set",
        spread_verdict="no window set",
        rule="",
    )


def over(setting: str, by_cylinder: dict[int, float], phase: str = "as found") -> list[Assessment]:
    """What is assessed of readings on these cylinders: each, and all where there are several."""
    each = [
        judged(setting, mean, None, phase, cylinder=cylinder)
        for cylinder, mean in by_cylinder.items()
    ]
    if len(each) == 1:
        return each
    return [judged(setting, sum(by_cylinder.values()) / len(by_cylinder), None, phase), *each]


ADVANCE = judged("full advance", 36.4, (37.0, 36.0, 35.0))
RETARD = judged("full retard", 4.2, (10.0, 6.0, 3.0))


def test_range_and_what_is_left() -> None:
    found = advance_range([ADVANCE, RETARD], "upper", BOTH, wanted_btdc=30.0)
    assert found.range_deg == pytest.approx(32.2)
    assert found.left_earlier_deg == pytest.approx(6.4)
    assert found.left_later_deg == pytest.approx(25.8)
    assert found.place == pytest.approx(25.8 / 32.2)
    assert found.uncertainty is not None
    # The reference that both ends share drops out of their difference (JCGM 100:2008, 5.2).
    assert found.uncertainty.u_deg == pytest.approx(math.sqrt(2.0) * 0.04)
    assert "1.20 degrees earlier than the latest opening entered" in latest_words(found)
    assert "towards advance" in advance_range_words(found)
    assert (found.ends.retard_btdc, found.ends.advance_btdc) == (4.2, 36.4)
    assert found.doubts == ()


def test_retard_later_than_entered_for_this_engine() -> None:
    late = judged("full retard", -4.0, (10.0, 2.0, 0.0))
    found = advance_range([ADVANCE, late], "upper", BOTH)
    assert "4.00 degrees later than the latest opening entered" in latest_words(found)
    assert found.wanted_btdc == 36.0  # the nominal figure of full advance


def test_there_is_no_built_in_limit() -> None:
    late = judged("full retard", -20.0, None)
    assert latest_words(advance_range([ADVANCE, late], "upper", BOTH)) == NO_LIMIT


def test_a_figure_out_of_reach() -> None:
    found = advance_range([ADVANCE, RETARD], "upper", BOTH, wanted_btdc=40.0)
    assert found.left_earlier_deg == pytest.approx(-3.6)
    assert "does not reach 40 BTDC, 3.60 degrees too late for it" in advance_range_words(found)
    low = advance_range([ADVANCE, RETARD], "upper", BOTH, wanted_btdc=2.0)
    assert "does not reach 2 BTDC, 2.20 degrees too early for it" in advance_range_words(low)


def test_a_figure_at_the_very_end_is_not_called_out_of_reach() -> None:
    """36.40 is read with an uncertainty: 36.41 is not beyond it."""
    end = ADVANCE.mean_btdc or 0.0
    found = advance_range([ADVANCE, RETARD], "upper", BOTH, wanted_btdc=end + 0.01)
    assert advance_range_words(found).endswith("is at its very end, full advance, within U")


def test_other_positions_and_as_left_before_as_found() -> None:
    """What is as left at one end alone makes no range with what is as found at the other."""
    middle = judged("half way", 20.0, None)
    left = judged("full advance", 35.9, (37.0, 36.0, 35.0), "as left")
    names = ("full retard", "half way", "full advance")
    found = advance_range([ADVANCE, left, middle, RETARD], "upper", names)
    assert [p.setting for p in found.positions] == ["full advance", "half way", "full retard"]
    assert found.positions[0].btdc_deg == 35.9
    assert found.range_deg == pytest.approx(36.4 - 4.2)
    after = judged("full retard", 3.8, (10.0, 6.0, 3.0), "as left")
    found = advance_range([ADVANCE, left, middle, RETARD, after], "upper", names)
    assert found.advance.btdc_deg == 35.9
    assert found.range_deg == pytest.approx(35.9 - 3.8)
    assert found.doubts == ()


def test_ends_that_were_never_read_in_one_phase() -> None:
    left = judged("full advance", 35.9, (37.0, 36.0, 35.0), "as left")
    found = advance_range([left, RETARD], "upper", BOTH)
    assert found.range_deg == pytest.approx(35.9 - 4.2)
    assert range_doubt_words(found) == [
        "full advance was read as left and full retard was read as found: the unit may have been"
        " moved in between; read both ends again",
    ]


def test_like_is_compared_with_like() -> None:
    """Cylinders 1 and 4 at one end, all four at the other; the lobes 0.31 apart."""
    advance = {1: 36.155, 2: 35.845, 3: 35.845, 4: 36.155}
    retard = {1: 36.155 - 23.62, 4: 36.155 - 23.62}
    assessments = over("full advance", advance) + over("full retard", retard)
    found = advance_range(assessments, "upper", BOTH, wanted_btdc=30.0)
    assert found.range_deg == pytest.approx(23.62)
    assert found.cylinders == (1, 4)
    assert "(cylinders 1, 4, read at both ends)" in advance_range_words(found)
    assert found.left_earlier_deg == pytest.approx(6.155)
    assert found.positions[0].btdc_deg == pytest.approx(36.0)  # as it is judged
    assert found.uncertainty is not None
    # At the first end s over two cylinders of ten readings, s / sqrt(20); TDC drops out.
    assert found.uncertainty.u_deg == pytest.approx(math.hypot(0.04 / math.sqrt(2.0), 0.04))


LOBES = st.dictionaries(st.integers(1, 4), st.floats(-0.5, 0.5), min_size=4, max_size=4)
SOME = st.sets(st.integers(1, 4), min_size=1)


@given(LOBES, SOME, SOME, st.floats(5.0, 40.0))
def test_the_range_is_that_of_the_lever_whichever_cylinders_were_read(
    lobes: dict[int, float], ones: set[int], twos: set[int], true: float
) -> None:
    assessments = over("full advance", {each: 36.0 + lobes[each] for each in ones})
    assessments += over("full retard", {each: 36.0 + lobes[each] - true for each in twos})
    if not ones & twos:
        with pytest.raises(InputError, match="no cylinder was read at both ends"):
            advance_range(assessments, "upper", BOTH)
        return
    found = advance_range(assessments, "upper", BOTH)
    assert found.range_deg == pytest.approx(true, abs=1e-4)  # a circular mean
    assert found.cylinders == tuple(sorted(ones & twos))
    assert ("read at both ends" in advance_range_words(found)) == (ones != twos)


def test_the_encoders_errors_are_those_between_the_ends() -> None:
    """D4: 2 A sin(d/2) for its run-out, once, in place of that at either end."""
    out = Contribution(Source.RUN_OUT, 0.5, math.inf, "B", "demo")
    ends = [
        replace(each, uncertainty=combine([*each.uncertainty.parts, out]))
        for each in (ADVANCE, RETARD)
        if each.uncertainty is not None
    ]
    found = advance_range(ends, "upper", BOTH, encoder=Encoder(4096, run_out_deg=0.1))
    assert found.uncertainty is not None
    amplitude = 2.0 * 0.1 * math.sin(math.radians(32.2 / 2.0))
    (part,) = (p for p in found.uncertainty.parts if p.source is Source.RUN_OUT)
    assert part.u_deg == pytest.approx(amplitude / math.sqrt(2.0))


def test_ends_named_otherwise_are_the_extremes() -> None:
    found = advance_range(
        [judged("slow", 5.0, None), judged("fast", 30.0, None)], "upper", ("slow", "fast")
    )
    assert (found.advance.setting, found.retard.setting) == ("fast", "slow")


def test_mixed_up_ends_are_named() -> None:
    swapped = [judged("full advance", 4.0, None), judged("full retard", 36.0, None)]
    found = advance_range(swapped, "upper", BOTH)
    assert found.doubts == (RangeDoubt.MIXED_UP,)
    assert "mixed up" in range_doubt_words(found)[0]
    assert found.place is None


def test_one_position_is_no_range() -> None:
    with pytest.raises(InputError, match="read so far: full advance"):
        advance_range([ADVANCE], "upper", BOTH)

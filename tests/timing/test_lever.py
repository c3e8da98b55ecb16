"""The lever's range and what is left of it."""

from __future__ import annotations

import math

import pytest

from rig.engine.uncertainty import Contribution, combine
from rig.faults import InputError
from rig.timing.lever import NO_LIMIT, lever_range
from rig.timing.results import Judgement

BOTH = ("full advance", "full retard")


def judged(
    setting: str, mean: float, window: tuple[float, float, float] | None, phase: str = "as found"
) -> Judgement:
    shared = Contribution("top dead centre", 0.3, math.inf, "B", "demo")
    own = Contribution("repeatability", 0.04, 9, "A", "demo")
    return Judgement(
        unit="upper",
        setting=setting,
        cylinder=None,
        phase=phase,
        kind="turned",
        n=10,
        mean_btdc=mean,
        sd_deg=0.1,
        uncertainty=combine([own, shared]),
        earliest_btdc=window[0] if window else None,
        nominal_btdc=window[1] if window else None,
        latest_btdc=window[2] if window else None,
        verdict="not judged",
        spread_verdict="not judged",
        words="as judged",
        rule="",
        settle="",
    )


ADVANCE = judged("full advance", 36.4, (37.0, 36.0, 35.0))
RETARD = judged("full retard", 4.2, (10.0, 6.0, 3.0))


def test_range_and_what_is_left() -> None:
    found = lever_range([ADVANCE, RETARD], "upper", BOTH, wanted_btdc=30.0)
    assert found.range_deg == pytest.approx(32.2)
    assert found.left_earlier_deg == pytest.approx(6.4)
    assert found.left_later_deg == pytest.approx(25.8)
    assert found.place == pytest.approx(25.8 / 32.2)
    assert found.uncertainty is not None
    # The reference that both ends share drops out of their difference (JCGM 100:2008, 5.2).
    assert found.uncertainty.u_deg == pytest.approx(math.sqrt(2.0) * 0.04)
    assert "1.20 degrees earlier than the latest stated" in found.latest_words
    assert "towards advance" in found.words
    assert found.advance.words == "as judged"
    assert (found.ends.retard_btdc, found.ends.advance_btdc) == (4.2, 36.4)
    assert found.warnings == ()


def test_retard_later_than_stated_for_this_engine() -> None:
    late = judged("full retard", -4.0, (10.0, 2.0, 0.0))
    found = lever_range([ADVANCE, late], "upper", BOTH)
    assert "4.00 degrees later than the latest stated" in found.latest_words
    assert found.wanted_btdc == 36.0  # the nominal figure of full advance


def test_there_is_no_built_in_limit() -> None:
    late = judged("full retard", -20.0, None)
    assert lever_range([ADVANCE, late], "upper", BOTH).latest_words == NO_LIMIT


def test_a_figure_out_of_reach() -> None:
    found = lever_range([ADVANCE, RETARD], "upper", BOTH, wanted_btdc=40.0)
    assert found.left_earlier_deg == pytest.approx(-3.6)
    assert "does not reach 40 BTDC, 3.60 degrees too late for it" in found.words
    low = lever_range([ADVANCE, RETARD], "upper", BOTH, wanted_btdc=2.0)
    assert "does not reach 2 BTDC, 2.20 degrees too early for it" in low.words


def test_other_positions_and_as_left_before_as_found() -> None:
    middle = judged("half way", 20.0, None)
    left = judged("full advance", 35.9, (37.0, 36.0, 35.0), "as left")
    names = ("full retard", "half way", "full advance")
    found = lever_range([ADVANCE, left, middle, RETARD], "upper", names)
    assert [p.setting for p in found.positions] == ["full advance", "half way", "full retard"]
    assert found.advance.btdc_deg == 35.9


def test_ends_named_otherwise_are_the_extremes() -> None:
    found = lever_range(
        [judged("slow", 5.0, None), judged("fast", 30.0, None)], "upper", ("slow", "fast")
    )
    assert (found.advance.setting, found.retard.setting) == ("fast", "slow")


def test_mixed_up_ends_are_named() -> None:
    swapped = [judged("full advance", 4.0, None), judged("full retard", 36.0, None)]
    found = lever_range(swapped, "upper", BOTH)
    assert "mixed up" in found.warnings[0]
    assert found.place is None


def test_one_position_is_no_range() -> None:
    with pytest.raises(InputError, match="read so far: full advance"):
        lever_range([ADVANCE], "upper", BOTH)

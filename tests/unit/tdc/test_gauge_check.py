"""Mistyped points, references that moved, methods side by side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from rig.base.earlier_rules import EarlierRule
from rig.base.errors import InputError
from rig.base.uncertainty import Contribution, Source, combine
from rig.engine import geometry
from rig.engine.profile import Geometry
from rig.tdc import dial_gauge, gauge_series
from rig.tdc.dial_gauge import Gauge, GaugePoint
from rig.tdc.reference import Method, TdcReference
from rig.words.tdc import methods_words, suspect_words, taken_again_words

SHAPE = Geometry(throw_mm=44.0, rod_mm=176.0, offset_mm=0.0)
STATED = Gauge(u_drop_mm=0.01, u_angle_deg=0.02)
ANGLES = (-32.0, -25.0, -18.0, -11.0, 9.0, 17.0, 26.0, 33.0)


def series(seed: int = 1, tdc_deg: float = 355.0) -> list[GaugePoint]:
    rng = np.random.default_rng(seed)
    return [
        GaugePoint(
            (tdc_deg + a + rng.normal(0.0, 0.02)) % 360.0,
            round(float(geometry.travel_mm(-a, SHAPE)) + rng.normal(0.0, 0.01), 3),
        )
        for a in ANGLES
    ]


@pytest.mark.parametrize(
    ("number", "typed", "guess"),
    [
        (2, lambda x: x * 10.0, "decimal point"),
        (5, lambda x: x * 10.0, "decimal point"),
        (3, lambda x: x / 10.0, "decimal point"),
        (7, lambda x: x / 25.4, "inch figure"),
        (6, lambda x: x + 0.5, "take it again"),
    ],
)
def test_a_mistyped_point_is_found_and_named(number: int, typed, guess: str) -> None:  # type: ignore[no-untyped-def]
    points = series()
    true = points[number - 1]
    points[number - 1] = replace(true, drop_mm=typed(true.drop_mm))
    found = gauge_series.mistyped(points, STATED, SHAPE)
    assert found is not None
    assert found.number == number
    assert found.expected_mm == pytest.approx(true.drop_mm, abs=0.1)
    assert f"gauge point {number} " in suspect_words(found)
    assert guess in suspect_words(found)


def test_swapped_figures() -> None:
    points = series()
    points[2] = replace(points[2], drop_mm=7.52)
    expected = gauge_series.mistyped(points, STATED, SHAPE)
    assert expected is not None
    figures = f"{expected.expected_mm:.2f}"
    points[2] = replace(points[2], drop_mm=float(f"{figures[0]}.{figures[3]}{figures[2]}"))
    found = gauge_series.mistyped(points, STATED, SHAPE)
    assert found is not None
    assert found.slip is gauge_series.Slip.SWAPPED
    assert "swapped" in suspect_words(found)


def test_sound_series_are_left_alone() -> None:
    assert [gauge_series.mistyped(series(s), STATED, SHAPE) for s in range(12)] == [None] * 12
    # Nothing can be said where there is no point to spare.
    assert gauge_series.mistyped(series()[2:6], STATED, SHAPE) is None


def test_a_slipped_encoder_is_distinguished_from_a_moved_gauge() -> None:
    found = dial_gauge.fit(series(), STATED, SHAPE)
    touches = [
        GaugePoint(found.tdc_deg + a, found.zero_mm + float(geometry.travel_mm(-a, SHAPE)))
        for a in (-20.0, 22.0)
    ]
    still = gauge_series.gauge_moved(found, touches, STATED, SHAPE)
    assert not still.move.has_moved
    assert "where it was" in taken_again_words(still)
    slipped = [replace(p, angle_deg=p.angle_deg + 0.5) for p in touches]
    seen = gauge_series.gauge_moved(found, slipped, STATED, SHAPE)
    assert seen.move.has_moved
    assert seen.move.shift_deg == pytest.approx(0.5, abs=0.01)
    assert "moved by +0.50" in taken_again_words(seen)
    raised = [replace(p, drop_mm=p.drop_mm + 0.3) for p in touches]
    seen = gauge_series.gauge_moved(found, raised, STATED, SHAPE)
    assert not seen.move.has_moved
    assert seen.zero_change_mm == pytest.approx(0.3, abs=0.01)
    with pytest.raises(InputError, match="either side"):
        gauge_series.gauge_moved(found, touches[:1], STATED, SHAPE)


def test_a_gauge_that_scatters_more_than_entered_moves_no_tdc() -> None:
    """Called moved where nothing did in at most one of twenty (JCGM 100:2008, 6.2.1; a simulated
    hand): points taken again scatter as the others, until 0.6.0 they were taken as entered."""
    hand = np.random.default_rng(1)
    moved: dict[tuple[EarlierRule, ...], int] = {(): 0, (EarlierRule.GAUGE_AGAIN_AS_ENTERED,): 0}

    def read(angles: Sequence[float]) -> list[GaugePoint]:
        drops = geometry.travel_mm(-np.array(angles), SHAPE) + hand.normal(0.0, 0.03, len(angles))
        return [GaugePoint(at, float(drop)) for at, drop in zip(angles, drops, strict=True)]

    for _ in range(40):
        found, again = dial_gauge.fit(read(ANGLES), STATED, SHAPE), read((-20.0, 22.0))
        for rules in moved:
            taken = gauge_series.gauge_moved(found, again, STATED, SHAPE, rules)
            moved[rules] += taken.move.has_moved
    now, then = moved.values()
    assert now <= 4
    assert then > 6


def stated(tdc_deg: float, u_deg: float, method: str) -> TdcReference:
    part = Contribution(Source.TDC, u_deg, 50.0, "B", "as stated")
    return TdcReference(tdc_deg, combine([part]), Method.MARK, "demo", mark=method)


def test_methods_side_by_side() -> None:
    found = gauge_series.compare_methods(
        [stated(359.9, 0.05, "stop"), stated(0.0, 0.05, "gauge, fit"), stated(2.0, 0.1, "stated")]
    )
    assert [d.agree for d in found] == [True, False, False]
    assert found[0].difference_deg == pytest.approx(-0.1)
    assert "before" in methods_words(found[0])
    with pytest.raises(InputError, match="different cylinders"):
        gauge_series.compare_methods(
            [stated(1.0, 0.1, "stop"), replace(stated(1.0, 0.1, "stop"), cylinder=3)]
        )

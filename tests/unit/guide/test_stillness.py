"""How still the crank is held, and which way it was turned last."""

from __future__ import annotations

import pytest

from rig.guide.stillness import TURNED_DEG, StallWatch


def after(*angles: float, step_s: float = 0.05) -> StallWatch:
    held = StallWatch()
    for n, angle in enumerate(angles):
        held.see(n * step_s * 1e6, angle)
    return held


def test_nothing_seen_is_nothing_known() -> None:
    held = StallWatch()
    assert (held.way, held.moved_deg(), held.mean_deg(0.5)) == (0, 0.0, None)


def test_the_way_of_the_last_turning() -> None:
    assert after(10.0, 12.0).way == 1
    assert after(10.0, 8.0).way == -1
    assert after(10.0, 12.0, 12.0 - TURNED_DEG).way == -1
    assert after(10.0, 12.0, 5.0, 6.0).way == 1
    assert after(10.0, 10.2, 9.9, 10.1).way == 0  # a trembling hand turns nothing


def test_a_tremor_does_not_change_the_way_and_creeping_does() -> None:
    assert after(0.0, 2.0, 1.7, 2.1, 1.8, 2.2).way == 1
    assert after(0.0, 2.0, *(2.0 - 0.1 * n for n in range(1, 7))).way == -1


def test_movement_and_mean_over_the_last_while() -> None:
    held = after(*(float(n) for n in range(40)), *[40.0] * 11)
    assert held.moved_deg(0.5) == 0.0
    assert held.moved_deg() == pytest.approx(10.0)
    assert held.mean_deg(0.5) == 40.0


def test_a_rig_that_began_anew_is_looked_at_anew() -> None:
    held = after(0.0, 90.0)
    held.see(0.0, 10.0)
    assert held.moved_deg() == 0.0


def test_since_when_it_goes_the_way_that_it_goes_now() -> None:
    assert StallWatch().began_us() == 0.0
    held = after(0.0, 0.3, 0.1, 0.2, 0.4, 1.0, 2.0)  # a tremor, then a turn from the third look on
    assert held.began_us() == pytest.approx(2 * 50_000.0)
    assert after(5.0, 4.0, 3.0).began_us() == 0.0
    assert after(5.0, 5.0, 5.0, 4.0, 3.0).began_us() == pytest.approx(2 * 50_000.0)

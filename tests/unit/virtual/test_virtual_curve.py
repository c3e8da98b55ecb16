"""Curves: the instants at which levels are passed, against scipy's root finding."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import CubicHermiteSpline

from rig.virtual.motion import Y_HI, Y_LO, Hand, blocked, halted, join, still, through_knots, turn

knot = st.tuples(
    st.floats(0.005, 0.5), st.floats(-3.0, 3.0).map(lambda x: round(x, 4)), st.floats(-40.0, 40.0)
)


@settings(max_examples=80, deadline=None)
@given(st.lists(knot, min_size=2, max_size=12))
def test_levels_are_passed_where_scipy_finds_roots(knots: list[tuple[float, float, float]]) -> None:
    t = np.cumsum([k[0] for k in knots])
    value, slope = np.array([k[1] for k in knots]), np.array([k[2] for k in knots])
    levels = np.arange(-12.0, 12.0, 0.3) + 0.0123456
    passed = through_knots(t, value, slope).passed(levels)
    spline = CubicHermiteSpline(t, value, slope)
    wanted = []
    for level in levels:
        # A level that only just touches a turning point may be found by one and not by the other.
        roots = [r for r in spline.solve(level, extrapolate=False) if np.isfinite(r)]
        wanted += [r for r in roots if abs(spline(r, 1)) > 1e-3]
    mine = passed.t_s[np.abs(spline(passed.t_s, 1)) > 1e-3]
    assert len(mine) == len(wanted)
    np.testing.assert_allclose(np.sort(mine), np.sort(wanted), rtol=0.0, atol=1e-9)
    steep = np.abs(spline(passed.t_s, 1)) > 1e-3
    np.testing.assert_array_equal(passed.step[steep], np.sign(spline(passed.t_s, 1))[steep])
    assert np.all(np.diff(passed.t_s) >= 0.0)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 1000), st.floats(-400.0, 400.0), st.floats(0.5, 300.0), st.floats(0.0, 1.0))
def test_pieces_join_to_the_last_bit_and_the_hand_arrives(
    seed: int, by: float, speed: float, tremor: float
) -> None:
    hand = Hand(tremor_deg=tremor, regrip_deg=120.0)
    curve = turn(hand, np.random.default_rng(seed), 3.0, 10.0, by=by, speed=speed)
    assert np.array_equal(curve.table[1:, Y_LO], curve.table[:-1, Y_HI])
    assert curve.table[0, Y_LO] == 10.0
    assert curve.last == 10.0 + by
    # Levels passed upwards less those passed downwards are those between start and end.
    levels = np.arange(-500.0, 500.0, 7.0) + 0.1
    net = int(curve.passed(levels).step.sum())
    assert net == int(np.sum(levels <= 10.0 + by)) - int(np.sum(levels <= 10.0))


def test_tremor_goes_back_and_forth_at_5_to_12_hz() -> None:
    hand = Hand(uneven=0.0, tremor_deg=0.5)
    curve = turn(hand, np.random.default_rng(1), 0.0, 0.0, by=20.0, speed=2.0)
    t = np.arange(1.0, 9.0, 0.002)
    shake = curve.values(t) - np.polyval(np.polyfit(t, curve.values(t), 1), t)
    power = np.abs(np.fft.rfft(shake * np.hanning(len(t)))) ** 2
    hz = np.fft.rfftfreq(len(t), 0.002)
    assert power[(hz > 4.5) & (hz < 12.5)].sum() > 0.99 * power.sum()
    assert 0.2 < np.abs(shake).max() < 0.6


def test_values_stand_still_between_pieces() -> None:
    curve = join(still(0.0, 1.0, 5.0), still(3.0, 4.0, 5.0))
    assert curve.values(np.array([-1.0, 0.5, 2.0, 9.0])).tolist() == [5.0, 5.0, 5.0, 5.0]
    assert curve.slopes(np.array([0.5, 2.0])).tolist() == [0.0, 0.0]


def test_a_stop_is_met_and_never_passed() -> None:
    for way in (1, -1):
        rng = np.random.default_rng(4)
        curve = turn(Hand(tremor_deg=0.3), rng, 0.0, 0.0, by=90.0 * way, speed=20.0)
        met = blocked(curve, rng, limit=40.0 * way, way=way, sway_deg=0.05, press_s=0.9)
        assert met is not None
        assert met.last == 40.0 * way
        t = np.linspace(0.0, met.end_s, 5000)
        assert (met.values(t) * way).max() <= 40.0 + 1e-5
        pressed = met.values(np.linspace(met.end_s - 0.8, met.end_s, 500)) * way
        assert 40.0 - 0.06 < pressed.min() < 40.0 - 0.005
        assert blocked(curve, rng, limit=95.0 * way, way=way, sway_deg=0.05, press_s=0.9) is None


def test_a_halted_movement_keeps_its_past_and_comes_to_rest() -> None:
    curve = turn(Hand(), np.random.default_rng(2), 0.0, 0.0, by=360.0, speed=60.0)
    short = halted(curve, 3.0)
    t = np.linspace(0.0, 3.0, 400)
    np.testing.assert_allclose(short.values(t), curve.values(t), rtol=0.0, atol=1e-12)
    assert short.end_s < 3.2
    assert short.last - curve.values(np.array([3.0]))[0] < 60.0 * 0.15
    assert abs(short.slopes(np.array([short.end_s - 1e-6]))[0]) < 1e-6

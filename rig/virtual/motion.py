"""The hand on the crank: uneven, trembling, pausing, now and then going back a little."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.virtual.curve import LO, START, Y_HI, Y_LO, Curve, Floats, join, still, through_knots

FINE_S = 0.008
"""Knot spacing with a tremor: at most a tenth of its shortest period (12 Hz)."""
COARSE_S = 0.02
SETTLE_S = 0.15
"""The tremor grows and dies within this time at the ends of a movement."""


@dataclass(frozen=True, slots=True)
class Hand:
    """How the hand turns. Degrees are of the shaft that it turns."""

    speed_deg_s: float = 45.0
    uneven: float = 0.3  # relative amplitude of the slow changes of speed, below 0.9
    tremor_deg: float = 0.02  # amplitude of the trembling at 5 to 12 Hz
    hold_tremor: float = 0.25  # share of the tremor while holding still
    grip_deg: float = 0.0  # amplitude of the trembling on the crank while the other moves a unit
    regrip_deg: float = 0.0  # about how far it turns before it takes a new grip; 0: never
    regrip_s: float = 0.4  # about how long that takes
    step_back_deg: float = 0.3  # at most this far back when taking a new grip
    ramp_s: float = 0.3  # time to gather speed


def _smooth(x: Floats) -> tuple[Floats, Floats]:
    """Smooth step from 0 to 1 and its derivative (3 x^2 - 2 x^3)."""
    x = np.clip(x, 0.0, 1.0)
    return x * x * (3.0 - 2.0 * x), 6.0 * x * (1.0 - x)


def _waves(
    rng: np.random.Generator, t_s: Floats, n: int, low_hz: float, high_hz: float
) -> tuple[Floats, Floats]:
    """A sum of ``n`` sinusoids between two frequencies, greatest value about 1; its derivative."""
    hz = rng.uniform(low_hz, high_hz, n)
    phase = rng.uniform(0.0, 2.0 * np.pi, n)
    share = rng.uniform(0.5, 1.0, n)
    share /= share.sum()
    turn = 2.0 * np.pi * np.outer(t_s, hz) + phase
    return np.sin(turn) @ share, np.cos(turn) @ (share * 2.0 * np.pi * hz)


def stroke(
    hand: Hand, rng: np.random.Generator, t_s: float, start: float, *, by: float, speed: float
) -> Curve:
    """One movement without a new grip: from rest at ``start`` to rest at ``start + by``."""
    lasting = abs(by) / speed + hand.ramp_s
    step = FINE_S if hand.tremor_deg > 0.0 else COARSE_S
    own = np.linspace(0.0, lasting, max(int(np.ceil(lasting / step)), 8) + 1)
    half = 0.5 * (own[1] - own[0])
    twice = np.linspace(0.0, lasting, 2 * len(own) - 1)  # with the middles, for Simpson's rule
    ramp = min(hand.ramp_s, 0.5 * lasting)
    rate = _smooth(twice / ramp)[0] * _smooth((lasting - twice) / ramp)[0]
    rate *= 1.0 + hand.uneven * _waves(rng, twice, 4, 0.15, 1.6)[0]
    pieces = (rate[:-2:2] + 4.0 * rate[1::2] + rate[2::2]) * half / 3.0
    way = np.concatenate([[0.0], np.cumsum(pieces)])
    value = start + by * way / way[-1]
    slope = by * rate[::2] / way[-1]
    shake, shake_slope = _tremor(rng, own, hand.tremor_deg)
    value[1:-1] += shake[1:-1]
    value[-1] = start + by
    return through_knots(t_s + own, value, slope + shake_slope)


def _tremor(rng: np.random.Generator, own: Floats, size: float) -> tuple[Floats, Floats]:
    """Trembling that is nothing at both ends; its derivative."""
    wave, wave_slope = _waves(rng, own, 4, 5.0, 12.0)
    settle = min(SETTLE_S, 0.5 * float(own[-1]))
    up, up_slope = _smooth(own / settle)
    down, down_slope = _smooth((own[-1] - own) / settle)
    envelope = up * down
    envelope_slope = (up_slope * down - up * down_slope) / settle
    return size * envelope * wave, size * (envelope_slope * wave + envelope * wave_slope)


def turn(
    hand: Hand, rng: np.random.Generator, t_s: float, start: float, *, by: float, speed: float
) -> Curve:
    """From rest at ``start`` to rest at ``start + by``, with new grips on the way.

    ``speed`` is in degrees a second, positive; ``by`` is signed.
    """
    if by == 0.0:
        return still(t_s, t_s + 0.01, start)
    end, way = start + by, float(np.sign(by))
    parts: list[Curve] = []
    at = start
    while True:
        left = abs(end - at)
        grip = hand.regrip_deg * rng.uniform(0.6, 1.4) if hand.regrip_deg else left
        if grip > 0.8 * left:
            parts.append(stroke(hand, rng, t_s, at, by=end - at, speed=speed))
            table = parts[-1].table  # the sum may differ from the end in its last bit
            return join(*parts) if table[-1, Y_HI] == end else _ending(join(*parts), end)
        parts.append(stroke(hand, rng, t_s, at, by=way * grip, speed=speed))
        t_s, at = parts[-1].end_s, parts[-1].last
        back = hand.step_back_deg * rng.uniform(0.0, 1.0)
        if back > 0.01:
            slow = max(0.3 * speed, 1.0)
            parts.append(stroke(hand, rng, t_s, at, by=-way * back, speed=slow))
            t_s, at = parts[-1].end_s, parts[-1].last
        pause = hand.regrip_s * rng.uniform(0.5, 2.0)
        parts.append(hold(hand, rng, t_s, at, pause))
        t_s = parts[-1].end_s


def _ending(curve: Curve, value: float) -> Curve:
    curve.table[-1, Y_HI] = value
    return curve


def hold(hand: Hand, rng: np.random.Generator, t_s: float, at: float, seconds: float) -> Curve:
    """Holding: nearly still."""
    size = hand.tremor_deg * hand.hold_tremor
    if size <= 0.0 or seconds < 2.0 * FINE_S:
        return still(t_s, t_s + seconds, at)
    own = np.linspace(0.0, seconds, int(np.ceil(seconds / FINE_S)) + 1)
    shake, slope = _tremor(rng, own, size)
    shake[0] = shake[-1] = 0.0
    return through_knots(t_s + own, at + shake, slope)


def halted(curve: Curve, t_s: float) -> Curve:
    """``curve`` up to ``t_s``, then brought to rest within about a tenth of a second."""
    cut = curve.until(t_s)
    at, rate = cut.last, float(curve.slopes(np.array([t_s]))[0])
    braking = 0.12
    knots = np.array([cut.end_s, cut.end_s + braking, cut.end_s + braking + 0.01])
    rest = at + 0.5 * rate * braking
    return join(cut, through_knots(knots, np.array([at, rest, rest]), np.array([rate, 0.0, 0.0])))


def blocked(
    curve: Curve,
    rng: np.random.Generator,
    *,
    limit: float,
    way: int,
    sway_deg: float,
    press_s: float,
) -> Curve | None:
    """``curve`` stopped at ``limit`` (met moving ``way``), pressed there with some swaying.

    The value ends on the limit and does not go beyond it (but for 1e-5 of a degree). None when the
    limit is not met.
    """
    start = float(curve.table[0, START] + curve.table[0, LO])
    first = float(curve.table[0, Y_LO])
    if (limit - first) * way <= 0.0:
        met_s, limit, before = start, first, []
    else:
        # Going back a level counts as passed below it; a hair short of it is the stop itself.
        passed = curve.passed(np.array([limit]))
        if not len(passed):
            return None
        met_s = float(passed.t_s[0])
        cut = curve.until(met_s)
        cut.table[-1, Y_HI] = limit
        before = [cut]
    own = np.linspace(0.0, press_s, max(int(press_s / FINE_S), 8) + 1)
    wave, slope = _tremor(rng, own, 1.0)
    away = -way * sway_deg * wave * wave
    away[0] = away[-1] = 0.0
    press = through_knots(met_s + own, limit + away, -way * sway_deg * 2.0 * wave * slope)
    return join(*before, press)

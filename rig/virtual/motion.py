"""How the crank moves: hand, curves, piston and piston stop.

The hand on the crank is uneven, trembles, pauses and now and then goes back a little. The hand, the
rotor and the encoder are curves over time, made of monotone cubic pieces. Nothing is sampled: the
instants at which levels are passed come from inverting the cubics, so that a virtual job costs what
happens in it.

Where the crank touches the piston stop is found by bisection on the exact height of the piston, so
that it shares no formula with the program it tests.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import asin, cos, degrees, radians, sin, sqrt

import numpy as np
from numpy.typing import NDArray

FINE_S = 0.008  # knot spacing with a tremor: at most a tenth of its shortest period (12 Hz)
COARSE_S = 0.02
SETTLE_S = 0.15  # the tremor begins and ends within this time at the ends of a movement


@dataclass(frozen=True, slots=True)
class Hand:
    """How the hand turns. Degrees are of the shaft that it turns."""

    speed_deg_s: float = 45.0
    uneven: float = 0.3  # relative amplitude of the slow changes of speed, below 0.9
    tremor_deg: float = 0.02  # amplitude of the trembling at 5 to 12 Hz
    hold_tremor: float = 0.25  # fraction of the tremor while holding still
    grip_deg: float = 0.0  # amplitude of the trembling on the crank while the other moves a unit
    regrip_deg: float = 0.0  # about how far it turns before it takes a new grip; 0: never
    regrip_s: float = 0.4  # about how long that takes
    step_back_deg: float = 0.3  # at most this far back when taking a new grip
    ramp_s: float = 0.3  # time to reach full speed


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
    twice = np.linspace(0.0, lasting, 2 * len(own) - 1)  # with the middles, for Simpson's rule
    ramp = min(hand.ramp_s, 0.5 * lasting)
    rate = _smooth(twice / ramp)[0] * _smooth((lasting - twice) / ramp)[0]
    rate *= 1.0 + hand.uneven * _waves(rng, twice, 4, 0.15, 1.6)[0]
    pieces = (rate[:-2:2] + 4.0 * rate[1::2] + rate[2::2]) * own[1] / 6.0
    way = np.concatenate([[0.0], np.cumsum(pieces)])
    value = start + by * way / way[-1]
    slope = by * rate[::2] / way[-1]
    shake, shake_slope = _tremor(rng, own, hand.tremor_deg)
    value[1:-1] += shake[1:-1]
    value[-1] = start + by
    return through_knots(t_s + own, value, slope + shake_slope)


def _tremor(rng: np.random.Generator, own: Floats, size: float) -> tuple[Floats, Floats]:
    """Trembling that is zero at both ends; its derivative."""
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
    way = float(np.sign(by))
    whole = still(t_s, t_s, start)

    def go(by: float, speed: float) -> None:
        nonlocal whole
        more = stroke(hand, rng, whole.end_s, whole.last, by=by, speed=speed)
        whole = join(whole, more)

    while True:
        left = abs(start + by - whole.last)
        grip = hand.regrip_deg * rng.uniform(0.6, 1.4) if hand.regrip_deg else left
        if grip > 0.8 * left:
            go(start + by - whole.last, speed)
            whole.table[-1, Y_HI] = start + by  # the sum may differ from it in its last bit
            return whole
        go(way * grip, speed)
        back = hand.step_back_deg * rng.uniform(0.0, 1.0)
        if back > 0.01:
            go(-way * back, max(0.3 * speed, 1.0))
        pause = hand.regrip_s * rng.uniform(0.5, 2.0)
        whole = join(whole, hold(hand, rng, whole.end_s, whole.last, pause))


def hold(hand: Hand, rng: np.random.Generator, t_s: float, at: float, seconds: float) -> Curve:
    """Holding still, nearly."""
    size = hand.tremor_deg * hand.hold_tremor
    if size <= 0.0 or seconds < 2.0 * FINE_S:
        return still(t_s, t_s + seconds, at)
    own = np.linspace(0.0, seconds, int(np.ceil(seconds / FINE_S)) + 1)
    shake, slope = _tremor(rng, own, size)
    shake[0] = shake[-1] = 0.0
    return through_knots(t_s + own, at + shake, slope)


def halted(curve: Curve, t_s: float) -> Curve:
    """``curve`` up to ``t_s``, then brought to rest within about a tenth of a second."""
    cut = curve.part(curve.begin_s, t_s)
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

    The value ends on the limit and does not go beyond it (except for 1e-5 of a degree). None if
    the limit is not met.
    """
    if (limit - curve.first) * way <= 0.0:
        limit, before = curve.first, still(curve.begin_s, curve.begin_s, curve.first)
    else:
        # Going back, a level counts as passed below it; just short of it is the stop itself.
        passed = curve.passed(np.array([limit]))
        if not len(passed):
            return None
        before = curve.part(curve.begin_s, float(passed.t_s[0]))
        before.table[-1, Y_HI] = limit
    own = np.linspace(0.0, press_s, max(int(press_s / FINE_S), 8) + 1)
    wave, slope = _tremor(rng, own, 1.0)
    away = -way * sway_deg * wave * wave
    away[0] = away[-1] = 0.0
    slope = -way * sway_deg * 2.0 * wave * slope
    return join(before, through_knots(before.end_s + own, limit + away, slope))


Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

START, C0, C1, C2, C3, LO, HI, Y_LO, Y_HI, TAG = range(10)
"""Columns of a curve's table: time at which the piece's own time is 0, four coefficients, the
bounds of its own time, the values at these bounds, and a mark."""


@dataclass(frozen=True, slots=True)
class Passed:
    """Levels passed, in order of time: ``level`` is an index into the levels asked for."""

    t_s: Floats
    level: Ints
    step: NDArray[np.int8]  # +1 going up, -1 going down
    tag: Ints

    def __len__(self) -> int:
        return len(self.t_s)


@dataclass(frozen=True, slots=True)
class Curve:
    """Pieces in order of time, shape (n, 10). Between two pieces the value is constant.

    The value at the end of a piece equals the value at the start of the next to the last bit, so
    that no level is passed twice or missed at a joint.
    """

    table: Floats

    @property
    def begin_s(self) -> float:
        return float(self.table[0, START] + self.table[0, LO])

    @property
    def end_s(self) -> float:
        return float(self.table[-1, START] + self.table[-1, HI])

    @property
    def first(self) -> float:
        return float(self.table[0, Y_LO])

    @property
    def last(self) -> float:
        return float(self.table[-1, Y_HI])

    @property
    def span(self) -> tuple[float, float]:
        """Lowest and highest value."""
        ends = self.table[:, Y_LO : Y_HI + 1]
        return float(ends.min()), float(ends.max())

    def shifted(self, by: float) -> Curve:
        table = self.table.copy()
        table[:, [C0, Y_LO, Y_HI]] += by
        return Curve(table)

    def passed(self, levels: Floats) -> Passed:
        """When ``levels`` (increasing) are passed.

        A level is passed going up when the value becomes at least as high, and going down when it
        becomes lower.
        """
        below = np.searchsorted(levels, self.table[:, Y_LO : Y_HI + 1], side="right")
        change = below[:, 1] - below[:, 0]
        number = np.abs(change)
        piece = np.repeat(np.arange(len(self.table)), number)
        step = np.sign(change)[piece]
        nth = np.arange(len(piece)) - np.repeat(np.cumsum(number) - number, number)
        level = below[piece, 0] + np.where(step > 0, nth, -1 - nth)
        rows = self.table[piece]
        t_s = rows[:, START] + _solve(rows, levels[level])
        return Passed(
            np.maximum.accumulate(t_s) if len(t_s) else t_s,
            level.astype(np.int64),
            step.astype(np.int8),
            rows[:, TAG].astype(np.int64),
        )

    def values(self, t_s: Floats) -> Floats:
        """Value at each time; constant before the first piece and after the last."""
        row, own = self._find(t_s)
        return np.where(
            own >= row[:, HI],
            row[:, Y_HI],
            ((row[:, C3] * own + row[:, C2]) * own + row[:, C1]) * own + row[:, C0],
        )

    def slopes(self, t_s: Floats) -> Floats:
        """Rate of change a second at each time; 0 where it is constant."""
        row, own = self._find(t_s)
        slope = (3.0 * row[:, C3] * own + 2.0 * row[:, C2]) * own + row[:, C1]
        return np.where(own >= row[:, HI], 0.0, slope)

    def _find(self, t_s: Floats) -> tuple[Floats, Floats]:
        begins = self.table[:, START] + self.table[:, LO]
        row = self.table[np.maximum(np.searchsorted(begins, t_s, side="right") - 1, 0)]
        return row, np.clip(t_s - row[:, START], row[:, LO], row[:, HI])

    def part(self, from_s: float, until_s: float) -> Curve:
        """The pieces between two times, the first and the last of them cut there."""
        begins = self.table[:, START] + self.table[:, LO]
        a = max(int(np.searchsorted(begins, from_s, side="right")) - 1, 0)
        b = max(int(np.searchsorted(begins, until_s, side="left")), a + 1)
        table = self.table[a:b].copy()
        low, high = self.values(np.array([from_s, until_s]))
        if from_s - table[0, START] > table[0, LO]:
            table[0, LO], table[0, Y_LO] = from_s - table[0, START], low
        if until_s - table[-1, START] < table[-1, HI]:
            table[-1, HI], table[-1, Y_HI] = until_s - table[-1, START], high
        return Curve(table)

    def runs(self) -> list[Curve]:
        """The stretches that go one way."""
        way = np.sign(self.table[:, Y_HI] - self.table[:, Y_LO])
        moving = np.flatnonzero(way)
        turns = np.flatnonzero(np.diff(way[moving])) + 1
        rows = (each for each in np.split(moving, turns) if len(each))
        return [Curve(self.table[each[0] : each[-1] + 1]) for each in rows]

    def when(self, level: float) -> float:
        """When a curve that goes one way is at ``level``; its begin or end if that lies beyond."""
        way = np.sign(self.last - self.first)
        k = int(np.searchsorted(self.table[:, Y_HI] * way, level * way))
        row = self.table[min(k, len(self.table) - 1)]
        if (level - row[Y_LO]) * way <= 0.0:
            return float(row[START] + row[LO])
        if (level - row[Y_HI]) * way >= 0.0:
            return float(row[START] + row[HI])
        return float(row[START] + _solve(row[None], np.array([level]))[0])


def _solve(rows: Floats, level: Floats) -> Floats:
    """Own time at which each monotone piece has its ``level``: Newton's method with bisection."""
    low, high = rows[:, LO].copy(), rows[:, HI].copy()
    sign = np.sign(rows[:, Y_HI] - rows[:, Y_LO])
    rise = rows[:, Y_HI] - rows[:, Y_LO]
    share = np.divide(level - rows[:, Y_LO], rise, out=np.zeros_like(rise), where=rise != 0.0)
    own: Floats = low + (high - low) * np.clip(share, 0.0, 1.0)
    todo = np.arange(len(rows))
    for _ in range(60):
        row, x = rows[todo], own[todo]
        over = ((row[:, C3] * x + row[:, C2]) * x + row[:, C1]) * x + row[:, C0] - level[todo]
        over *= sign[todo]
        high[todo] = np.where(over > 0.0, x, high[todo])
        low[todo] = np.where(over > 0.0, low[todo], x)
        slope = ((3.0 * row[:, C3] * x + 2.0 * row[:, C2]) * x + row[:, C1]) * sign[todo]
        new = x - np.divide(over, slope, out=np.full_like(x, np.inf), where=slope > 0.0)
        inside = (new >= low[todo]) & (new <= high[todo])
        new = np.where(inside, new, 0.5 * (low[todo] + high[todo]))
        own[todo] = new
        todo = todo[np.abs(new - x) > 1e-11]
        if not len(todo):
            break
    return own


def through_knots(t_s: Floats, value: Floats, slope: Floats, tag: int = 0) -> Curve:
    """The cubic Hermite curve through knots, cut at its turning points.

    Source of the basis: Hermite interpolation, any textbook; scipy's CubicHermiteSpline agrees.
    """
    h = np.diff(t_s)
    secant = np.diff(value) / h
    c1 = slope[:-1]
    c2 = (3.0 * secant - 2.0 * slope[:-1] - slope[1:]) / h
    c3 = (slope[:-1] + slope[1:] - 2.0 * secant) / (h * h)
    cuts = np.column_stack([np.zeros_like(h), *_turns(c1, c2, c3, h), h])
    at = ((c3[:, None] * cuts + c2[:, None]) * cuts + c1[:, None]) * cuts + value[:-1, None]
    at[:, 0], at[:, -1] = value[:-1], value[1:]
    table = np.empty((len(h), 3, 10))
    for column, values in zip(
        (START, C0, C1, C2, C3), (t_s[:-1], value[:-1], c1, c2, c3), strict=True
    ):
        table[:, :, column] = values[:, None]
    table[:, :, LO], table[:, :, HI] = cuts[:, :-1], cuts[:, 1:]
    table[:, :, Y_LO], table[:, :, Y_HI] = at[:, :-1], at[:, 1:]
    table[:, :, TAG] = tag
    keep = cuts[:, 1:] > cuts[:, :-1]
    return Curve(table[keep])


def _turns(c1: Floats, c2: Floats, c3: Floats, h: Floats) -> tuple[Floats, Floats]:
    """The two turning points of each cubic in (0, h); 0 or ``h`` if there is none."""
    inner = c2 * c2 - 3.0 * c1 * c3
    root = np.sqrt(np.maximum(inner, 0.0))
    # The usual stable pair of roots of 3 c3 x^2 + 2 c2 x + c1 = 0.
    q = -(c2 + np.copysign(root, c2))
    one = np.divide(q, 3.0 * c3, out=np.zeros_like(h), where=c3 != 0.0)
    two = np.divide(c1, q, out=np.zeros_like(h), where=q != 0.0)
    inside = [np.where((inner > 0.0) & (x > 0.0) & (x < h), x, 0.0) for x in (one, two)]
    return np.asarray(np.minimum(*inside)), np.asarray(np.maximum(*inside))


def still(t_s: float, until_s: float, value: float) -> Curve:
    """A constant value."""
    row = [t_s, value, 0.0, 0.0, 0.0, 0.0, until_s - t_s, value, value, 0.0]
    return Curve(np.array([row]))


def join(*curves: Curve) -> Curve:
    return Curve(np.concatenate([curve.table for curve in curves]))


@dataclass(frozen=True, slots=True)
class Piston:
    """A slider-crank, millimetres. ``offset_mm`` is signed: positive on the side to which the crank
    pin moves as it leaves the top in the normal direction. ``clearance_mm`` is the clearance in the
    bearings: a piston being pulled down is higher by it.
    """

    throw_mm: float
    rod_mm: float
    offset_mm: float = 0.0
    clearance_mm: float = 0.0

    def height_mm(self, from_bore_deg: float) -> float:
        """Piston pin above the crank's axis; the angle is counted from the bore's direction.

        Source: Pythagoras on crank and rod.
        """
        angle = radians(from_bore_deg)
        across = self.throw_mm * sin(angle) - self.offset_mm
        return self.throw_mm * cos(angle) + sqrt(self.rod_mm**2 - across**2)

    @property
    def top_deg(self) -> float:
        """TDC, from the bore's direction: crank and rod in one line."""
        return degrees(asin(self.offset_mm / (self.throw_mm + self.rod_mm)))

    def travel_mm(self, after_top_deg: float) -> float:
        """Piston drop at an angle after TDC."""
        return self.height_mm(self.top_deg) - self.height_mm(self.top_deg + after_top_deg)

    def touch_deg(self, travel_mm: float, way: int) -> float:
        """Angle after TDC at which the piston meets a stop, turning ``way`` (+1, -1).

        Negative when turning forward (before TDC). Raises ValueError for a travel beyond the
        stroke.
        """
        if not 0.0 < travel_mm < self.travel_mm(175.0):
            raise ValueError(f"the piston does not pass {travel_mm} mm below its top")
        near, far = 0.0, -175.0 * way
        for _ in range(60):
            middle = 0.5 * (near + far)
            if self.travel_mm(middle) < travel_mm:
                near = middle
            else:
                far = middle
        return 0.5 * (near + far)

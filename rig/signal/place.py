"""Where an event lies between the encoder edges around it.

The encoder tells its place exactly at the instants of its edges. Between two of them the crank's
place is taken from the polynomial through the two edges before and the two after: it follows a
steady speed, an acceleration, and a hand that turns round within a count. With fewer edges known
the polynomial is of lower degree. The result never leaves the count in which the event was.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from rig.wire.records import Edge

STOPS_WITHIN = 1.0 + math.sqrt(2.0)
"""A crank that slows down steadily and does not reach another boundary has stopped after at most
so many times the time between the last two. Worked out: with the speed falling evenly through the
last two boundaries by d a spacing, the way that is left is (1 - d/2)^2 / 2d of a count, a whole one
at d = 6 - 4 sqrt 2, where it takes 1 + sqrt 2; for a greater d less."""
STILL_US = 250_000.0
"""The rig waits this long for a next encoder edge; none by then means that the crank stands."""
INSTANT_US = 1e-10
"""Times nearer to one another than this are one: the finest step of a recording is ten times it."""


@dataclass(frozen=True, slots=True)
class Place:
    """A place in counts (boundary k is at k, with offsets for unequal states), and the movement.

    ``step`` is +1 where the count was growing, -1 shrinking, 0 where the crank stood still.
    ``speed`` is in counts a microsecond.
    """

    at: float
    step: int
    speed: float


def place(edge: Edge, offsets: Sequence[float] = (0.0,) * 4) -> Place:
    """Place an edge. ``offsets``: see ``Widths.offsets``."""
    t0 = edge.t_us
    count = edge.at_count
    floor, ceiling = count + offsets[count % 4], count + 1 + offsets[(count + 1) % 4]
    if ceiling < floor:  # a state measured as having no width
        floor = ceiling = (floor + ceiling) / 2
    before: list[Known] = []
    after: list[Known] = []
    for t, boundary, step in zip(edge.around_t_us, edge.around_at, edge.around_step, strict=True):
        if step:
            known = (t - t0, boundary + offsets[boundary % 4], step)
            (before if t - t0 < INSTANT_US else after).append(known)
    if not after:
        return _before_only(before, floor, ceiling)
    if not before:
        t, at, step = after[0]
        speed = _speed(after) or step / STILL_US
        return Place(min(max(at - speed * t, floor), ceiling), step, speed)
    return _between(before, after, floor, ceiling)


Known = tuple[float, float, int]


def _between(before: list[Known], after: list[Known], floor: float, ceiling: float) -> Place:
    at, speed = _polynomial(before + after)
    low = min(max(at, floor), ceiling)
    step = before[-1][2]
    if step == after[0][2]:
        if low != at or speed * step <= 0:  # the curve left the count: a straight line does not
            (t1, a1, _), (t2, a2, _) = before[-1], after[0]
            speed = (a2 - a1) / (t2 - t1)
            low = min(max(a1 - speed * t1, floor), ceiling)
        return Place(low, step, speed)
    return Place(low, (speed > 0) - (speed < 0), speed)


def _before_only(before: list[Known], floor: float, ceiling: float) -> Place:
    """No edge followed: the crank crept on, was coming to rest, or stood. It was within the count,
    and the next boundary was more than ``STILL_US`` away in time."""
    if not before or -before[-1][0] > _stopped_us(before):
        return Place((floor + ceiling) / 2, 0, 0.0)
    age, at, step = -before[-1][0], before[-1][1], before[-1][2]
    share = age / (age + STILL_US)
    far = ceiling if step > 0 else floor
    where = min(max(at + share * (far - at), floor), ceiling)
    return Place(where, step, (far - at) / (age + STILL_US))


def _stopped_us(before: list[Known]) -> float:
    """This long after the last of these edges the crank stood, since none followed."""
    if len(before) < 2:
        return STILL_US
    return min(STOPS_WITHIN * (before[-1][0] - before[-2][0]), STILL_US)


def _polynomial(points: list[Known]) -> tuple[float, float]:
    """Value and slope at time 0 of the polynomial through ``points`` (Neville's scheme). Edges at
    one instant tell one place: the last."""
    times: list[float] = []
    value: list[float] = []
    for t, at, _ in points:
        if times and t - times[-1] < INSTANT_US:
            value[-1] = at
        else:
            times.append(t)
            value.append(at)
    slope = [0.0] * len(times)
    for width in range(1, len(times)):
        at, rise = value[0], slope[0]
        for i in range(len(times) - width):
            left, right = times[i], times[i + width]
            span = left - right
            next_at, next_rise = value[i + 1], slope[i + 1]
            slope[i] = (at - next_at - right * rise + left * next_rise) / span
            value[i] = (-right * at + left * next_at) / span
            at, rise = next_at, next_rise
    return value[0], slope[0]


def _speed(points: list[Known]) -> float:
    if len(points) < 2:
        return math.nan if not points else 0.0
    (t1, a1, _), (t2, a2, _) = points[0], points[1]
    return (a2 - a1) / (t2 - t1) if t2 - t1 > INSTANT_US else 0.0

"""A unit off the engine, the encoder on its own shaft: its lobes, their angles, play, neutral.

All angles here are degrees of the unit's own shaft, growing in its normal direction, whole turns
at the index. Turned backwards, a lobe *closes* the contacts at the edge where it opens them turned
forwards; the two lie apart by the play between encoder and cam.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from rig.counted import many
from rig.engine.profile import Encoder
from rig.engine.uncertainty import quantisation, student_t
from rig.faults import InputError
from rig.signal.events import Closing, Event, Opening
from rig.timing.circular import mean_and_spread, wrap

SINGLE_U_DEG = 0.1
"""Standard uncertainty taken for a figure read once (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class AloneSeen:
    """What was read of a unit on the bench. Only ``openings_deg`` is needed.

    ``back_closings_deg`` were met turning backwards. ``neutral_*`` is where the rotor settles by
    feel, come to from either side. ``impulse_deg`` are openings with the coupling engaged.
    """

    openings_deg: tuple[float, ...]
    closings_deg: tuple[float, ...] = ()
    back_closings_deg: tuple[float, ...] = ()
    neutral_forward_deg: tuple[float, ...] = ()
    neutral_backward_deg: tuple[float, ...] = ()
    impulse_deg: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Mean:
    """A mean in degrees of the unit's shaft, its standard uncertainty, and of how many readings.

    ``nu`` are the degrees of freedom of ``u_deg``; math.inf where it is taken as known, as that of
    a single reading is. Of a difference, ``n`` is the smaller of the two.
    """

    deg: float
    u_deg: float
    n: int
    nu: float = math.inf

    @property
    def expanded_deg(self) -> float:
        """Expanded uncertainty at about 95 % (JCGM 100:2008, G.3)."""
        return student_t(self.nu) * self.u_deg


def combined(*parts: tuple[float, float]) -> tuple[float, float]:
    """Standard uncertainty and degrees of freedom of a sum of independent (u_deg, nu).

    Source: JCGM 100:2008, 5.1.2 and G.4.1.
    """
    u_deg = math.hypot(*(u for u, _ in parts))
    inverse = math.fsum((u / u_deg) ** 4 / nu for u, nu in parts) if u_deg > 0.0 else 0.0
    return u_deg, 1.0 / inverse if inverse > 0.0 else math.inf


@dataclass(frozen=True, slots=True)
class Lobe:
    """One lobe, numbered from the index. Angles that were not read are None."""

    number: int
    opening: Mean  # after the index, in [0, 360)
    interval: Mean  # to the next lobe's opening
    closed: Mean | None  # from the closing before to the opening
    opened: Mean | None  # from the opening to the closing after
    neutral: Mean | None  # from magnetic neutral to the opening


@dataclass(frozen=True, slots=True)
class UnitReport:
    """All that was found. ``play`` and ``impulse_lag`` are means over the lobes."""

    lobes: tuple[Lobe, ...]
    play: Mean | None
    neutral: Mean | None  # where it is, after the index, in [0, 360)
    neutral_sides_deg: float | None  # forward less backward: friction and play of the feel
    impulse_lag: Mean | None


def seen_from_events(events: Iterable[Event], contact: int) -> AloneSeen:
    """Openings and closings of one input out of what the signal room says.

    Only openings that count are taken, and closings whose angle and direction are known; an event
    at rest belongs to none. Source: definition.
    """
    openings, closings, back = [], [], []
    for event in events:
        if not isinstance(event, (Opening, Closing)) or event.input != contact:
            continue
        if event.crank_deg is None:
            continue
        if isinstance(event, Opening):
            if event.counts:
                openings.append(event.crank_deg)
        elif event.direction > 0:
            closings.append(event.crank_deg)
        elif event.direction < 0:
            back.append(event.crank_deg)
    return AloneSeen(tuple(openings), tuple(closings), tuple(back))


def report(seen: AloneSeen, lobes: int, encoder: Encoder, poles: int | None = None) -> UnitReport:
    """Everything that the readings of a unit alone say.

    ``poles`` of the magnet say how often neutral comes in a turn; without it the felt place alone
    is taken. Raises InputError when openings do not gather at ``lobes`` places. Source: JCGM
    100:2008, 4.2.3 and 5.1.2, for the means and their differences.
    """
    q = 360.0 / encoder.counts_per_turn / float(encoder.turns_per_crank_turn)
    places = _gather(seen.openings_deg, lobes, "openings", q)
    closings = _gather(seen.closings_deg, lobes, "closings", q) if seen.closings_deg else None
    neutral, sides = _neutral(seen, q)
    pole_deg = 360.0 / poles if poles else 360.0
    found = []
    for i, place in enumerate(places):
        after = places[(i + 1) % lobes]
        found.append(
            Lobe(
                number=i + 1,
                opening=place,
                interval=_from(place, after) if lobes > 1 else Mean(360.0, 0.0, place.n),
                closed=_nearest(place, closings, ahead=False),
                opened=_nearest(place, closings, ahead=True),
                neutral=_from(neutral, place, pole_deg) if neutral else None,
            )
        )
    return UnitReport(
        lobes=tuple(found),
        play=_offset(places, seen.back_closings_deg, q, sign=-1.0),
        neutral=neutral,
        neutral_sides_deg=sides,
        impulse_lag=_offset(places, seen.impulse_deg, q, sign=1.0),
    )


def _mean(angles: Sequence[float], q_deg: float) -> Mean:
    """Mean in [0, 360) with its repeatability and the rounding to a count."""
    mean, sd = mean_and_spread(angles)
    n = len(angles)
    own = (SINGLE_U_DEG, math.inf) if sd is None else (sd / math.sqrt(n), n - 1.0)
    u_deg, nu = combined(own, (quantisation(q_deg), math.inf))
    return Mean(mean % 360.0, u_deg, n, nu)


def _gather(angles: Sequence[float], lobes: int, what: str, q_deg: float) -> list[Mean]:
    """The angles in ``lobes`` groups, parted at the widest gaps, in order from the index."""
    if lobes < 1:
        raise InputError(f"a unit with {many(lobes, 'lobe')} opens nothing: state 1 or more")
    around = sorted(angle % 360.0 for angle in angles)
    if len(around) < lobes:
        raise InputError(
            f"{len(around)} {what} for {many(lobes, 'lobe')}: turn on until each lobe "
            f"has passed, better "
            "five times"
        )
    gaps = [(around[i] - around[i - 1]) % 360.0 for i in range(len(around))]  # before each
    if len(around) == 1:
        gaps = [360.0]
    widest = sorted(range(len(gaps)), key=gaps.__getitem__, reverse=True)
    cuts, within = sorted(widest[:lobes]), [gaps[i] for i in widest[lobes:]]
    if within and max(within) > 0.25 * min(gaps[i] for i in cuts):
        raise InputError(
            f"the {what} do not gather at {many(lobes, 'place')} of the turn: another "
            f"number of lobes, "
            "dirty contacts, or an encoder that slips on the shaft"
        )
    ends = [*cuts[1:], cuts[0] + len(around)]
    rolled = around + around
    groups = [rolled[a:b] for a, b in zip(cuts, ends, strict=True)]
    return sorted((_mean(group, q_deg) for group in groups), key=lambda m: m.deg)


def _from(one: Mean, two: Mean, period_deg: float = 360.0) -> Mean:
    """From one place on to another, in [0, period)."""
    u_deg, nu = combined((one.u_deg, one.nu), (two.u_deg, two.nu))
    return Mean((two.deg - one.deg) % period_deg, u_deg, min(one.n, two.n), nu)


def _nearest(place: Mean, closings: Sequence[Mean] | None, *, ahead: bool) -> Mean | None:
    if closings is None:
        return None
    ways = (_from(place, c) if ahead else _from(c, place) for c in closings)
    return min(ways, key=lambda m: m.deg)


def _neutral(seen: AloneSeen, q_deg: float) -> tuple[Mean | None, float | None]:
    """Neutral half-way between the places felt from either side, and how far they lie apart."""
    if not (seen.neutral_forward_deg and seen.neutral_backward_deg):
        return None, None
    forward = _mean(seen.neutral_forward_deg, q_deg)
    backward = _mean(seen.neutral_backward_deg, q_deg)
    apart = wrap(forward.deg - backward.deg)
    u_deg, nu = combined((forward.u_deg, forward.nu), (backward.u_deg, backward.nu))
    middle = (backward.deg + apart / 2.0) % 360.0
    return Mean(middle, u_deg / 2.0, min(forward.n, backward.n), nu), apart


def _offset(
    places: Sequence[Mean], angles: Sequence[float], q_deg: float, sign: float
) -> Mean | None:
    """How far ``angles`` lie past (``sign`` 1) or before the nearest openings, mean over all."""
    if not angles:
        return None
    off = [sign * min((wrap(a - p.deg) for p in places), key=abs) for a in angles]
    mean = math.fsum(off) / len(off)
    n = len(off)
    own = (SINGLE_U_DEG, math.inf)
    if n > 1:
        own = (math.sqrt(math.fsum((x - mean) ** 2 for x in off) / (n - 1) / n), n - 1.0)
    each = [(p.u_deg / len(places), p.nu) for p in places]
    u_deg, nu = combined(own, (quantisation(q_deg), math.inf), *each)
    return Mean(mean, u_deg, n, nu)

"""TDC from touches of the piston stop on both sides: half-way between them.

The touches of one side have a mean, an SD and warnings.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from enum import Enum, auto
from fractions import Fraction
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from rig.base.angles import circular_mean, modulo, resultant, wrap
from rig.base.earlier_rules import EarlierRule, Rules
from rig.base.errors import InputError
from rig.base.rounding import many, u_part
from rig.base.uncertainty import (
    Contribution,
    Source,
    combine,
    mean_and_sd,
    quantisation,
    rectangular,
    u_shaped,
)
from rig.engine.gear_train import around_deg, index_places
from rig.engine.geometry import geometry_of, on_link_rod, stop_misleads
from rig.engine.profile import Geometry, Profile
from rig.signal.events import Settings
from rig.signal.openings import OpeningFinder
from rig.tdc.reference import (
    SINGLE_TOUCH_DEG,
    Method,
    Move,
    TdcReference,
    offset_bias,
)
from rig.tdc.touches import (
    STEADY_DEG,
    Hold,
    Movement,
    Passed,
    ShortWay,
    Touch,
    at_the_stop,
)
from rig.wire.records import POSITION

FEWEST = 3  # fewer touches a side do not show their spread (common practice, no source)
NO_STOP_DEG = 3.0
LEAST_ARC_DEG = 10.0  # near TDC a piston hardly moves with the crank
MOST_ARC_DEG = 160.0
MOST_BLOCKED_DEG = 180.0  # then the stop reaches below half the stroke; the middle may be BDC


@dataclass(frozen=True, slots=True)
class _Side:
    """Touches reached from one side. ``away_deg`` is each one's distance from the mean."""

    words: str  # "turning forward" or "turning back"
    mean_deg: float
    sd_deg: float  # 0 for a single touch
    away_deg: tuple[float, ...]

    @property
    def n(self) -> int:
        return len(self.away_deg)

    @property
    def range_deg(self) -> float:
        return max(self.away_deg) - min(self.away_deg)

    def warnings(self, limit_deg: float) -> Iterator[str]:
        """Too few touches, or one further than ``limit_deg`` from the others."""
        if self.n < FEWEST:
            yield (
                f"the piston stop was touched only {'once' if self.n == 1 else 'twice'}"
                f" {self.words}; {FEWEST} touches or more show how steady they are"
            )
        if self.n == 2 and self.range_deg > limit_deg:
            yield f"the 2 touches {self.words} differ by {self.range_deg:.2f}°; touch again, gently"
        middle = statistics.median(self.away_deg)
        away = [abs(each - middle) for each in self.away_deg]
        if self.n > 2 and max(away) > limit_deg:
            yield (
                f"touch {away.index(max(away)) + 1} {self.words} is {max(away):.2f}° from the"
                " median of the others; leave it out and touch again, gently"
            )


def _side_of(touches_deg: Sequence[float], words: str) -> _Side:
    """Mean and SD of touches, on any turn and across zero: unwrapped about their circular mean, and
    straight from there (Mardia and Jupp, Directional Statistics). Raises InputError."""
    if len(touches_deg) == 0:
        raise InputError(
            f"no touch {words} yet; TDC is half-way between touches from both sides, so touch the "
            "piston stop both ways"
        )
    for number, touch in enumerate(touches_deg, 1):
        if not math.isfinite(touch):
            raise InputError(f"touch {number} {words} has no angle; touch again")
    if abs(resultant(touches_deg)) < 0.5:
        raise InputError(
            f"the touches {words} are all round the circle, so not of one piston stop. Start again"
        )
    around = circular_mean(touches_deg)
    unrolled = [wrap(each - around) for each in touches_deg]
    mean, sd = mean_and_sd(unrolled)
    return _Side(words, around + mean, sd or 0.0, tuple(each - mean for each in unrolled))


def _arc_warnings(arc_deg: float) -> list[str]:
    """What is odd about the arc that the piston stop blocks. Raises InputError for one that no
    piston stop can block."""
    if not NO_STOP_DEG <= arc_deg <= 360.0 - NO_STOP_DEG:
        raise InputError(
            "the touches from both sides are at the same place; is the piston stop in?"
        )
    if arc_deg > MOST_BLOCKED_DEG:
        raise InputError(
            f"the touches leave the crank only {360.0 - arc_deg:.0f}° to turn in, so the piston"
            " stop would reach below half the stroke. Use a shorter one that meets the piston and"
            " nothing else, turn all the way from touch to touch, and do not exchange touches"
            " turning forward and back"
        )
    if arc_deg < LEAST_ARC_DEG:
        return [
            f"the piston stop blocks only {arc_deg:.1f}°; so near TDC the piston hardly moves, and "
            "the touches are poor. Let the stop reach further down"
        ]
    if arc_deg > MOST_ARC_DEG:
        return [f"the piston stop blocks {arc_deg:.0f}°; does it meet anything but the piston?"]
    return []


def tdc_from_stop(
    forward_deg: Sequence[float],
    backward_deg: Sequence[float],
    *,
    counts_per_turn: int,
    geometry: Geometry | None = None,
    cylinder: int = 1,
    graduation_error_deg: float = 0.0,
    run_out_deg: float = 0.0,
    turns_per_crank_turn: Fraction | float = 1,
    backlash_deg: float = 0.0,
    backlash_error_deg: float = 0.0,
    turned_at: Literal["encoder", "crank"] = "crank",
    on_link_rod: bool = False,
    count_width: float = 1.0,
) -> TdcReference:
    """TDC of ``cylinder`` from touches of a piston stop, crank degrees after the index.

    ``forward_deg`` are the touches reached in the normal direction, at the beginning of the blocked
    arc; ``backward_deg`` those reached turning back. Continuous or wrapped, the middle of the count
    at which the crank stood; ``count_width`` is how wide that is, in mean counts (0: the angles are
    finer than counts). ``geometry`` is the cylinder's own (None: not entered, or ``on_link_rod``,
    where the middle may be further off). The encoder's errors are half-width and amplitude in
    degrees of its own shaft, which makes ``turns_per_crank_turn``.
    ``backlash_deg`` is that of its drive (crank degrees, known within ``backlash_error_deg``), by
    which the reference is corrected to forward movement, in which readings are taken. Raises
    InputError when a side has no touch, or touches all round the circle, and when the stop seems to
    block nothing or more than half a turn.
    """
    forward = _side_of(forward_deg, "turning forward")
    backward = _side_of(backward_deg, "turning back")
    ratio = float(turns_per_crank_turn)
    q_deg = 360.0 / counts_per_turn / ratio
    lead_deg = backlash_deg / 2.0 if turned_at == "encoder" else -backlash_deg / 2.0
    arc_deg = modulo(backward.mean_deg - forward.mean_deg)
    odd = _arc_warnings(arc_deg)
    middle_deg = forward.mean_deg + arc_deg / 2.0
    half_deg = min(max(arc_deg / 2.0 + lead_deg, 0.0), 180.0)
    bias_deg, offset = offset_bias([half_deg], geometry, on_link_rod=on_link_rod)
    parts = [_repeatability(forward, backward), offset]
    parts.append(_counting(forward, backward, q_deg * count_width))
    if graduation_error_deg > 0.0:
        u_deg = rectangular(graduation_error_deg / ratio) * math.sqrt(1.0 + 0.5)
        how = "rectangular at TDC and at each of the two touches (JCGM 100, 4.3.7)"
        parts.append(Contribution(Source.GRADUATION, u_deg, math.inf, "B", how))
    parts.append(run_out(run_out_deg, half_deg, ratio))
    parts.append(encoder_backlash(backlash_deg, backlash_error_deg))
    limit_deg = max(STEADY_DEG, 3.0 * q_deg)
    return TdcReference(
        tdc_deg=modulo(middle_deg - bias_deg + lead_deg),
        uncertainty=combine([part for part in parts if part.u_deg > 0.0]),
        method=Method.STOP,
        how=_how(forward, backward, arc_deg, bias_deg, cylinder),
        forward_deg=tuple(float(each) for each in forward_deg),
        backward_deg=tuple(float(each) for each in backward_deg),
        cylinder=cylinder,
        warnings=(*forward.warnings(limit_deg), *backward.warnings(limit_deg), *odd),
    )


def _repeatability(forward: _Side, backward: _Side) -> Contribution:
    """Of the middle: one hand on one stop, so both sides share one SD (pooled, 4.2.4). On its own,
    a side with two touches has one degree of freedom, and a factor of 12.7."""
    nu = forward.n + backward.n - 2
    if nu > 0:
        squares = sum((side.n - 1) * side.sd_deg**2 for side in (forward, backward))
        sd_deg = math.sqrt(squares / nu)
        u_deg = sd_deg * math.sqrt(1.0 / forward.n + 1.0 / backward.n) / 2.0
        how = (
            f"half of s sqrt(1/{forward.n} + 1/{backward.n}), s = {u_part(sd_deg)} pooled over "
            "both sides (JCGM 100, 4.2.3 and 4.2.4)"
        )
        return Contribution(Source.REPEATABILITY, u_deg, float(nu), "A", how)
    u_deg = rectangular(SINGLE_TOUCH_DEG) / math.sqrt(2.0)
    how = f"one touch a side, each taken within {SINGLE_TOUCH_DEG:g} (JCGM 100, 4.3.7)"
    return Contribution(Source.REPEATABILITY, u_deg, math.inf, "B", how)


def _counting(forward: _Side, backward: _Side, q_deg: float) -> Contribution:
    """Rounding to whole counts, on each side whose touches all came to the same count.

    When touches are on different counts, their SD includes the rounding already.
    """
    hidden = [side for side in (forward, backward) if side.range_deg < 0.5 * q_deg]
    u_deg = quantisation(q_deg) / 2.0 * math.sqrt(len(hidden))
    on = many(len(hidden), "side")
    how = f"half of q/sqrt(12), q = {q_deg:.4f}, on {on} (JCGM 100, F.2.2.1)"
    return Contribution(Source.COUNTING, u_deg, math.inf, "B", how)


def run_out(amplitude_deg: float, half_deg: float, ratio: float) -> Contribution:
    """Once-a-turn error of the encoder's mounting, A sin(angle + phase), phase not known.

    The mean of two places h either side of the middle is off by A cos(h) sin(...), the middle
    itself by A sin(...): their difference is a sine of amplitude A (1 - cos h), which is U-shaped.
    """
    left_deg = amplitude_deg * (1.0 - math.cos(math.radians(half_deg * ratio))) / ratio
    how = (
        f"U-shaped, amplitude {left_deg:.3f} of {amplitude_deg:g} once a turn between touches "
        f"{2.0 * half_deg:.0f} apart (JCGM 100, H.1.3.4)"
    )
    return Contribution(Source.RUN_OUT, u_shaped(left_deg), math.inf, "B", how)


def encoder_backlash(backlash_deg: float, error_deg: float) -> Contribution:
    """Of the correction by half the backlash of the encoder's drive, known within ``error_deg``."""
    how = f"rectangular, half of a backlash of {backlash_deg:g} within {error_deg:g} (4.3.7)"
    u_deg = rectangular(error_deg / 2.0) if backlash_deg > 0.0 else 0.0
    return Contribution(Source.ENCODER_BACKLASH, u_deg, math.inf, "B", how)


def _how(forward: _Side, backward: _Side, arc_deg: float, bias_deg: float, cylinder: int) -> str:
    touches = f"{many(forward.n, 'touch', 'touches')} turning forward and {backward.n} turning back"
    bias = ""
    if abs(bias_deg) >= 0.0005:
        way = "late" if bias_deg > 0 else "early"
        bias = f"; corrected for the offset, which puts it {abs(bias_deg):.3f}° {way}"
    return (
        f"Piston stop in cylinder {cylinder}, {touches}: the middle of the {arc_deg:.1f}° of crank "
        f"that it blocks{bias}."
    )


MOST_POSITIONS = 200_000  # over an hour at the rig's fifty positions a second
# Why the piston stop was put in: to find TDC, to prove it again, to lower its uncertainty.
StopPurpose = Literal["reference", "check", "more"]


class StopEnd(Enum):
    """What else may come of its touches than TDC, or its move."""

    DROPPED = auto()
    ONE_SIDE = auto()  # they resolve the place of a geared encoder's index alone


# What came of the touches; why nothing did; None before the stop was taken out.
StopResult = TdcReference | Move | StopEnd | InputError | None


class _OnTrail(NamedTuple):
    """What the positions kept show: touches that the crank has left, a short way, a hold."""

    touches: list[Touch]
    short_way: ShortWay | None
    hold: Hold | None
    passed: Passed | None


@dataclass(slots=True)
class StopTouches:
    """The touches since the piston stop was put in."""

    t_us: float
    cylinder: int
    purpose: StopPurpose
    touches: list[Touch] = field(default_factory=list)
    trail: list[NDArray[np.void]] = field(default_factory=list)  # positions since the last restart
    undone_us: list[float] = field(default_factory=list)
    before: list[Touch] = field(default_factory=list)  # found in positions that are not kept
    passed: Passed | None = None  # no TDC comes of touches that the crank went past
    as_even: bool = False  # by the rule of earlier versions
    count_width: float = 1.0  # see ``OpeningFinder``
    _length: int = 0  # of the trail
    _found: _OnTrail | None = None  # in the present trail, so that it is searched once

    def add(self, positions: NDArray[np.void], settings: Settings) -> None:
        """More positions, dtype ``POSITION``, shape (n,). Every ``MOST_POSITIONS`` only the touches
        found in them are kept, wherever the stream is cut: a piston stop left in overnight does not
        fill the memory."""
        self.trail.append(positions)
        self._length += len(positions)
        if self._length < MOST_POSITIONS:
            return
        whole = np.concatenate(self.trail)
        while len(whole) >= MOST_POSITIONS:
            self.before += Movement(whole[:MOST_POSITIONS], settings).touches()
            whole = whole[MOST_POSITIONS:]
        self.trail, self._length, self._found = [whole.copy()], len(whole), None

    def entered(self, t_us: float, side: int, crank_deg: float) -> None:
        """A touch that the person enters while holding the crank at the piston stop."""
        way: Literal[1, -1] = 1 if side > 0 else -1
        self.touches.append(Touch(t_us, way, math.nan, 0.0, True, crank_deg))

    def undo(self, t_us: float) -> None:
        """Remove the touch found or entered at ``t_us``."""
        self.undone_us.append(t_us)

    def so_far(self, finder: OpeningFinder) -> StopTouches:
        """With those of the trail that the crank has left again. Of a touch that was entered and
        shows in the movement too, the latter counts: it places it better."""
        found = [*self.before, *self._on_trail(finder).touches]
        entered = [
            each
            for each in self.touches
            if not any(each.side == t.side and t.was_held_at(each.t_us) for t in found)
        ]
        placed_at = finder.track.crank_deg if self.as_even else finder.middle_deg
        angles = [placed_at(each.at) for each in found]
        placed = [
            replace(each, crank_deg=angle)
            for each, angle in zip(found, angles, strict=True)
            if angle is not None
        ]
        kept = [
            each for each in (*entered, *placed) if not any(map(each.was_held_at, self.undone_us))
        ]
        touches = sorted(kept, key=lambda touch: touch.t_us)
        if self._over_a_restart:
            touches = at_the_stop(touches)
        passed = self._on_trail(finder).passed or self.passed
        width = 1.0 if self.as_even else finder.count_width
        return replace(
            self, touches=touches, trail=[], before=[], passed=passed, count_width=width,
            _length=0, _found=None,
        )  # fmt: skip

    def _on_trail(self, finder: OpeningFinder) -> _OnTrail:
        if self._found is None or len(self.trail) > 1:
            positions = np.concatenate([np.empty(0, POSITION), *self.trail])
            self.trail, movement = [positions], Movement(positions, finder.settings)
            touches = movement.touches()
            short, hold = movement.short_way(), movement.hold(touches)
            self._found = _OnTrail(touches, short, hold, movement.passed)
        return self._found

    def short_way(self, finder: OpeningFinder) -> ShortWay | None:
        """Where the crank was last held as at the stop, after too short a movement to be a touch;
        None when a touch of that side was made since."""
        seen = self._on_trail(finder)
        short = seen.short_way
        if short is None or any(t.side == short.side and t.t_us > short.t_us for t in seen.touches):
            return None
        return short

    def hold(self, finder: OpeningFinder) -> Hold | None:
        """Where the crank is held now, as at the stop; None while it turns, and at a place that it
        went past before."""
        hold = self._on_trail(finder).hold
        angle = None if hold is None else finder.track.crank_deg(hold.touch.at)
        if hold is None or angle is None or not self._over_a_restart:
            return hold
        held = replace(hold.touch, crank_deg=angle)
        return hold if held in at_the_stop([*self.so_far(finder).touches, held]) else None

    @property
    def _over_a_restart(self) -> bool:
        """Whether touches found before a restart are kept; those entered have no count."""
        return any(not math.isnan(each.at) for each in self.touches)

    def went_to_and_fro(self, finder: OpeningFinder) -> bool:
        """Whether the crank went all the way from one side of the piston stop to the other."""
        return len({each.side for each in self._on_trail(finder).touches}) == 2

    def turned_deg(self, settings: Settings) -> float:
        """How much of the circle the crank has covered since, degrees: with a piston stop in, less
        than a turn."""
        high = max((int(part["high"].max()) for part in self.trail if len(part)), default=0)
        low = min((int(part["low"].min()) for part in self.trail if len(part)), default=0)
        return (high - low) * settings.count_deg

    def restarted(self, finder: OpeningFinder, profile: Profile) -> None:
        """The rig restarts: old counts are void, and so are angles if the index comes at several
        places of the crank."""
        whole = self.so_far(finder)
        self.touches = whole.touches if index_places(profile.encoder) == 1 else []
        self.passed = whole.passed
        self.trail, self.before, self._length, self._found = [], [], 0, None

    def steady_deg(self, side: int) -> list[float]:
        """Continuous angles of the steady touches reached forward (+1) or backwards (-1)."""
        return [each.crank_deg for each in self.touches if each.side == side and each.steady]

    def side(self, side: int) -> tuple[float, ...]:
        """The same in [0, 360)."""
        return tuple(modulo(angle) for angle in self.steady_deg(side))

    def reference(self, profile: Profile, rules: Rules = ()) -> TdcReference:
        """TDC from these touches, by the ``rules`` of an earlier version. Raises InputError as
        ``from_touches``, and where several were ``passed``."""
        if self.passed is not None and EarlierRule.STOP_PASSED not in rules:
            way = "forward" if self.passed.side > 0 else "back"
            raise InputError(
                f"the crank went {self.passed.by_deg:.0f}° past where it was held"
                f" {many(self.passed.n, 'time')} turning {way}: the piston stop was forced, moved"
                " or taken out too soon. Touch it again on both sides; press p as it comes out"
            )
        forward, backward = (
            # Over as many turns as determine each place on the disc of a geared encoder.
            [around_deg(angle, profile.encoder) for angle in self.steady_deg(side)]
            for side in (1, -1)
        )
        return from_touches(
            profile, self.cylinder, forward, backward, rules, count_width=self.count_width
        )


def from_touches(
    profile: Profile,
    cylinder: int,
    forward_deg: Sequence[float],
    backward_deg: Sequence[float],
    rules: Rules = (),
    *,
    count_width: float = 1.0,
) -> TdcReference:
    """TDC from touches in ``cylinder`` with what the engine file has, by the ``rules`` of an
    earlier version. ``count_width`` as for ``tdc_from_stop``. Raises InputError when they do not
    give one."""
    encoder = profile.encoder
    found = tdc_from_stop(
        forward_deg,
        backward_deg,
        counts_per_turn=encoder.counts_per_turn,
        geometry=geometry_of(profile.engine, cylinder),
        cylinder=cylinder,
        graduation_error_deg=encoder.graduation_error_deg,
        run_out_deg=encoder.run_out_deg,
        turns_per_crank_turn=encoder.turns_per_crank_turn,
        backlash_deg=encoder.backlash_deg,
        backlash_error_deg=encoder.backlash_error_deg,
        turned_at=encoder.turned_at,
        on_link_rod=on_link_rod(profile.engine, cylinder)
        and EarlierRule.LINK_ROD_AS_MASTER not in rules,
        count_width=count_width,
    )
    wrong = stop_misleads(profile.engine, cylinder)
    return replace(found, warnings=(wrong.words, *found.warnings)) if wrong else found

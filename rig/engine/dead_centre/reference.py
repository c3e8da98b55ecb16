"""The TDC reference: where a cylinder stands at top dead centre, counted from the index pulse.

By positive stop: the crank is turned gently to the stop both ways, and dead centre is the middle of
the arc that the stop blocks. That middle is late by a little when the piston pin's line passes
beside the crank's axis; the bias is taken out where the offset is stated and carried in the
uncertainty where it is not. Dividing the circle between two equal positions is an old method:
Ahrons, Steam Locomotive Construction and Maintenance.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Literal

from rig.counted import many
from rig.engine.dead_centre.stop_sides import (
    STEADY_DEG,
    Side,
    arc_warnings,
    side_of,
    side_warnings,
)
from rig.engine.firing import wrap_btdc, wrap_cycle
from rig.engine.geometry import stop_bias_deg, stop_travel_mm
from rig.engine.profile import Geometry
from rig.engine.stated import size, two_figures, u_part
from rig.engine.uncertainty import (
    Contribution,
    Uncertainty,
    combine,
    quantisation,
    rectangular,
    sure_within,
    u_shaped,
)
from rig.faults import InputError

UNSTATED_OFFSET = 0.1
"""Half-width taken for an offset that nobody states, in throws: with a throw of 50 mm the piston
pin's line passes within 5 mm of the crank's axis (common practice, no source)."""

UNSTATED_CRANK = Geometry(throw_mm=1.0, rod_mm=3.2)
"""Stands for a crank that nobody states: a short rod, since that is the worst for the bias (common
practice, no source)."""

SINGLE_TOUCH_DEG = 0.3
"""Half-width taken for a touch that nothing was repeated beside (common practice, no source)."""

COUNTING, GRADUATION, RUN_OUT = "counting", "graduation", "run-out"
OFFSET, PLAY = "cylinder offset", "play of the encoder's drive"
BY_HAND = "set by hand"
"""The method of a dead centre that no recording proves."""

_COMMON = (GRADUATION, RUN_OUT, OFFSET, PLAY)
"""Parts that are the same again when dead centre is found again with the same rig."""


@dataclass(frozen=True, slots=True)
class GaugeWorking:
    """What the person said of gauge points after they were noted: all that it takes to come to the
    same dead centre from the recording again."""

    left_out: tuple[int, ...]  # numbers of points, from 1
    u_lift_mm: float
    u_angle_deg: float
    inclination_deg: float
    case: Literal["", "sliding", "pinned"]
    fit_offset: bool  # the cylinder's offset was found from the points, too


@dataclass(frozen=True, slots=True)
class Reference:
    """TDC of ``cylinder`` in degrees after the leading edge of the index, in [0, 360)."""

    tdc_deg: float
    uncertainty: Uncertainty
    method: str  # "stop", BY_HAND, "gauge, equal lifts", "gauge, fit", or a mark's words
    how: str  # one sentence for the certificate
    made_utc: str = ""
    capture: str = ""  # file name of the capture in which it was found, "" when stated
    # Touches, degrees after the index; of a geared encoder over the turns that tell their place.
    # At a mark of the engine the crank stood once: then the first has it and the second is empty.
    forward_deg: tuple[float, ...] = ()  # reached turning forward
    backward_deg: tuple[float, ...] = ()  # reached turning back
    cylinder: int = 1
    warnings: tuple[str, ...] = ()
    gauge: GaugeWorking | None = None  # how its points were worked out, unless as noted

    def compared(self, later: Reference) -> str:
        """In words, whether dead centre found again is where it was. Source: ``moved``."""
        return moved(self, later).words


@dataclass(frozen=True, slots=True)
class Move:
    """Dead centre found again against the reference: later minus earlier, in (-180, 180]."""

    shift_deg: float
    uncertainty: Uncertainty
    has_moved: bool  # the shift is greater than its expanded uncertainty
    words: str


def from_stop(
    forward_deg: Sequence[float],
    backward_deg: Sequence[float],
    *,
    counts_per_turn: int,
    geometry: Geometry | None = None,
    cylinder: int = 1,
    graduation_error_deg: float = 0.0,
    run_out_deg: float = 0.0,
    turns_per_crank_turn: Fraction | float = 1,
    play_deg: float = 0.0,
    play_error_deg: float = 0.0,
    turned_at: Literal["encoder", "crank"] = "crank",
    whole_counts: bool = True,
    steady_deg: float = STEADY_DEG,
    made_utc: str = "",
    capture: str = "",
) -> Reference:
    """Dead centre of ``cylinder`` from touches of a stop, crank degrees after the index.

    ``forward_deg`` are the touches reached in the normal direction, which begin the blocked arc;
    ``backward_deg`` those reached turning back. Continuous or wrapped; the middle of the count at
    which the crank stood, with ``whole_counts``. ``geometry`` is the cylinder's own (None: not
    stated, or a link rod). The encoder's errors are half-width and amplitude in degrees of its own
    shaft, which makes ``turns_per_crank_turn``. Through ``play_deg`` (crank degrees, known within
    ``play_error_deg``) the reference is carried to the side of forward movement, where readings are
    taken. Raises InputError when a side has no touch, or touches all round the circle.
    """
    forward = side_of(forward_deg, "turning forward")
    backward = side_of(backward_deg, "turning back")
    ratio = float(turns_per_crank_turn)
    q_deg = 360.0 / counts_per_turn / ratio
    lead_deg = play_deg / 2.0 if turned_at == "encoder" else -play_deg / 2.0
    arc_deg = wrap_cycle(backward.mean_deg - forward.mean_deg, 360.0)
    middle_deg = forward.mean_deg + arc_deg / 2.0
    half_deg = min(max(arc_deg / 2.0 + lead_deg, 0.0), 180.0)
    bias_deg, offset = offset_bias(half_deg, geometry)
    parts = [_repeatability(forward, backward), offset]
    if whole_counts:
        parts.append(_counting(forward, backward, q_deg))
    if graduation_error_deg > 0.0:
        u_deg = rectangular(graduation_error_deg / ratio) * math.sqrt(1.0 + 0.5)
        how = "rectangular at dead centre and at each of the two touches (JCGM 100, 4.3.7)"
        parts.append(Contribution(GRADUATION, u_deg, math.inf, "B", how))
    if run_out_deg > 0.0:
        parts.append(_run_out(run_out_deg, half_deg, ratio))
    if play_deg > 0.0:
        how = f"rectangular, half of a play of {play_deg:g} within {play_error_deg:g} (4.3.7)"
        u_deg = rectangular(play_error_deg / 2.0)
        parts.append(Contribution(PLAY, u_deg, math.inf, "B", how))
    limit_deg = max(steady_deg, 3.0 * q_deg)
    return Reference(
        tdc_deg=wrap_cycle(middle_deg - bias_deg + lead_deg, 360.0),
        uncertainty=combine([part for part in parts if part.u_deg > 0.0]),
        method="stop",
        how=_how(forward, backward, arc_deg, bias_deg, cylinder),
        made_utc=made_utc,
        capture=capture,
        forward_deg=tuple(float(each) for each in forward_deg),
        backward_deg=tuple(float(each) for each in backward_deg),
        cylinder=cylinder,
        warnings=(
            *side_warnings(forward, limit_deg),
            *side_warnings(backward, limit_deg),
            *arc_warnings(arc_deg),
        ),
    )


def stated(
    tdc_deg: float,
    *,
    how: str,
    u_deg: float | None = None,
    half_width_deg: float | None = None,
    cylinder: int = 1,
    made_utc: str = "",
) -> Reference:
    """Dead centre as the person states it, with its uncertainty in one of two ways.

    ``u_deg`` is a standard uncertainty; ``half_width_deg`` a limit on either side, within which it
    is sure to lie: rectangular, so that 0.95 of it holds 95 % (JCGM 100:2008, 4.3.7). Raises
    InputError unless exactly one is given, above 0.
    """
    given = [each for each in (u_deg, half_width_deg) if each is not None]
    if len(given) != 1 or not 0.0 < given[0] <= 180.0:
        raise InputError(
            "a stated top dead centre needs its uncertainty: either a standard uncertainty or "
            "the limit on either side, in degrees, greater than 0"
        )
    if not math.isfinite(tdc_deg):
        raise InputError("a stated top dead centre is a number of degrees after the index")
    if half_width_deg is not None:
        words = f"stated to within {half_width_deg:g} either way (JCGM 100, 4.3.7)"
        part = Contribution("statement", rectangular(half_width_deg), math.inf, "B", words)
        uncertainty = sure_within(part, half_width_deg)
    else:
        part = Contribution("statement", given[0], math.inf, "B", "stated (JCGM 100, 4.3.3)")
        uncertainty = combine([part])
    return Reference(
        wrap_cycle(tdc_deg, 360.0),
        uncertainty,
        BY_HAND,
        how,
        made_utc=made_utc,
        cylinder=cylinder,
    )


def by_hand(claimed: Reference) -> Reference:
    """A dead centre that no recording gives, whatever it says of itself: set by hand.

    Position and standard uncertainty stay as they are stated; touches and contributions, which
    nothing proves, do not. Raises InputError when it states no uncertainty.
    """
    of = claimed.uncertainty
    if not of.u_deg > 0.0:
        raise InputError(
            f"top dead centre at {claimed.tdc_deg:g}° states no uncertainty; find it again,"
            " or set it with rig tdc --state-deg and --within"
        )
    own = claimed.method == BY_HAND
    summed = combine(of.parts)
    if not own or not math.isclose(summed.u_deg, of.u_deg):
        part = Contribution("statement", of.u_deg, of.nu_eff, "B", "as stated (JCGM 100, 4.3.3)")
        summed = combine([part])
    return replace(
        claimed,
        uncertainty=summed,
        method=BY_HAND,
        how=claimed.how if own else f"Stated as {claimed.method}: {claimed.how}",
        forward_deg=(),
        backward_deg=(),
        warnings=(),
        gauge=None,
    )


def moved(earlier: Reference, later: Reference) -> Move:
    """Compare dead centre found again with the reference, to see whether the encoder slipped.

    What both have in common drops out, up to the difference of its size (JCGM 100:2008, 5.2).
    Raises InputError when the two are of different cylinders.
    """
    if earlier.cylinder != later.cylinder:
        raise InputError(
            f"the reference was found at cylinder {earlier.cylinder}; "
            f"touch the stop there again, not at cylinder {later.cylinder}"
        )
    parts = _parts_of_difference(earlier, later)
    uncertainty = combine(parts)
    shift_deg = wrap_btdc(later.tdc_deg - earlier.tdc_deg)
    has_moved = abs(shift_deg) > uncertainty.U_deg
    shift, U = size(shift_deg, uncertainty.U_deg), two_figures(uncertainty.U_deg)
    way = "later" if shift_deg > 0 else "earlier"
    words = (
        f"top dead centre now comes {shift}° {way} than the reference, more than the uncertainty "
        f"of {U}°: the encoder or its coupling has slipped, and readings since do not hold"
        if has_moved
        else f"top dead centre is where it was, to within {shift}° (uncertainty {U}°)"
    )
    return Move(shift_deg, uncertainty, has_moved, words)


def _parts_of_difference(earlier: Reference, later: Reference) -> list[Contribution]:
    """Own parts of both; common parts with the difference of their sizes."""
    if earlier.method != later.method:
        return [*earlier.uncertainty.parts, *later.uncertainty.parts]
    first = {part.name: part for part in earlier.uncertainty.parts if part.name in _COMMON}
    parts: list[Contribution] = []
    for part in later.uncertainty.parts:
        if part.name in first:
            u_deg = abs(part.u_deg - first[part.name].u_deg)
            parts.append(replace(part, u_deg=u_deg, how="difference of a common part (5.2)"))
        else:
            parts.append(part)
    return [*parts, *(part for part in earlier.uncertainty.parts if part.name not in _COMMON)]


def offset_bias(half_deg: float, geometry: Geometry | None) -> tuple[float, Contribution]:
    """Bias of a middle between two touches, degrees late, and what is left as a contribution.

    ``half_deg`` is half the arc between the touches. Source: ``stop_bias_deg``.
    """
    crank = UNSTATED_CRANK if geometry is None else geometry
    if crank.offset_mm is not None:
        return stop_bias_deg(stop_travel_mm(half_deg, crank), crank), Contribution(
            OFFSET, 0.0, math.inf, "B", "offset stated, its bias taken out"
        )
    limit_mm = crank.offset_limit_mm or UNSTATED_OFFSET * crank.throw_mm
    worst = replace(crank, offset_mm=limit_mm)
    bound_deg = abs(stop_bias_deg(stop_travel_mm(half_deg, worst), worst))
    whose = (
        f"an offset of at most {limit_mm:g} mm, as stated"
        if crank.offset_limit_mm
        else f"an offset that nobody states, taken within {UNSTATED_OFFSET:g} of the throw"
    )
    how = f"rectangular +/- {bound_deg:.3f} for {whose} (JCGM 100, 4.3.7)"
    return 0.0, Contribution(OFFSET, rectangular(bound_deg), math.inf, "B", how)


def _repeatability(forward: Side, backward: Side) -> Contribution:
    """Of the middle: one hand on one stop, so that both sides' spreads are one (pooled, 4.2.4).

    Each side for itself would have one degree of freedom of two touches, and a factor of 12.7.
    """
    nu = forward.n + backward.n - 2
    if nu > 0:
        squares = sum((side.n - 1) * side.sd_deg**2 for side in (forward, backward))
        sd_deg = math.sqrt(squares / nu)
        u_deg = sd_deg * math.sqrt(1.0 / forward.n + 1.0 / backward.n) / 2.0
        how = (
            f"half of s sqrt(1/{forward.n} + 1/{backward.n}), s = {u_part(sd_deg)} pooled over "
            "both sides (JCGM 100, 4.2.3 and 4.2.4)"
        )
        return Contribution("repeatability", u_deg, float(nu), "A", how)
    u_deg = rectangular(SINGLE_TOUCH_DEG) / math.sqrt(2.0)
    how = f"one touch a side, each taken within {SINGLE_TOUCH_DEG:g} (JCGM 100, 4.3.7)"
    return Contribution("repeatability", u_deg, math.inf, "B", how)


def _counting(forward: Side, backward: Side, q_deg: float) -> Contribution:
    """Rounding to whole counts, on each side whose touches all came to the same count.

    As soon as touches fall on different counts their spread holds the rounding already.
    """
    hidden = [side for side in (forward, backward) if side.spread_deg < 0.5 * q_deg]
    u_deg = quantisation(q_deg) / 2.0 * math.sqrt(len(hidden))
    on = many(len(hidden), "side")
    how = f"half of q/sqrt(12), q = {q_deg:.4f}, on {on} (JCGM 100, F.2.2.1)"
    return Contribution(COUNTING, u_deg, math.inf, "B", how)


def _run_out(amplitude_deg: float, half_deg: float, ratio: float) -> Contribution:
    """Once-a-turn error of the encoder's mounting, A sin(angle + phase), phase not known.

    The mean of two places h either side of the middle errs by A cos(h) sin(...), the middle itself
    by A sin(...): their difference is a sine of amplitude A (1 - cos h), which is U-shaped.
    """
    left_deg = amplitude_deg * (1.0 - math.cos(math.radians(half_deg * ratio))) / ratio
    how = (
        f"U-shaped, amplitude {left_deg:.3f} of {amplitude_deg:g} once a turn between touches "
        f"{2.0 * half_deg:.0f} apart (JCGM 100, H.1.3.4)"
    )
    return Contribution(RUN_OUT, u_shaped(left_deg), math.inf, "B", how)


def _how(forward: Side, backward: Side, arc_deg: float, bias_deg: float, cylinder: int) -> str:
    touches = f"{many(forward.n, 'touch', 'touches')} turning forward and {backward.n} turning back"
    bias = ""
    if abs(bias_deg) >= 0.0005:
        way = "late" if bias_deg > 0 else "early"
        bias = f"; the offset puts it {abs(bias_deg):.3f}° {way}, which is taken out"
    return (
        f"Positive stop in cylinder {cylinder}, {touches}: "
        f"the middle of the {arc_deg:.1f}° of crank that it blocks{bias}."
    )

"""Mean openings, and the contributions to their uncertainty: one function each.

What is measured is the crank angle between two positions: where the contacts open and where TDC was
found. So the encoder's own errors enter as a *difference* of errors at those positions: what is
common to both drops out (JCGM 100:2008, 5.2). A reference by the piston stop is half-way between
two positions of the encoder, the touches, and its error is the mean of theirs.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Sequence
from dataclasses import replace

from rig.base.earlier_rules import EarlierRule, Rules
from rig.base.rounding import many
from rig.base.uncertainty import Contribution, Source, combine, quantisation, rectangular, u_shaped
from rig.engine.gear_train import disc_places
from rig.engine.profile import Encoder, Engine, Profile, Unit
from rig.tdc.reference import TdcReference
from rig.timing.means import Figure, Seat, Spread, seat_of
from rig.timing.values import Assessment

# What remains of q/sqrt(12), the error of rounding to a count, when an event is placed between
# encoder edges. It does not shrink with the number of readings, as unequal counts are in the same
# places on each turn.
PLACING_LEFT = 0.1
# How far a crank held by hand may be off while the unit is moved: half-width, crank degrees (common
# practice, no source).
HELD_WITHIN_DEG = 0.25
# Contributions common to figures with the same TDC: they drop out of their differences.
OF_TDC = frozenset({Source.TDC, Source.ENTERED_TDC})
FEW = 5  # with fewer readings, a cylinder's own SD is a guess, and the unit's is used
MOST_PLACES = 360  # more places than this on an encoder's disc count as all round it


def _exact(source: Source, u_deg: float, how: str) -> Contribution:
    """One of type B that is taken as exact."""
    return Contribution(source, u_deg, math.inf, "B", how)


def parts_of_mean(
    figure: Figure, unit: Unit, profile: Profile, reference: TdcReference, rules: Rules = ()
) -> list[Contribution] | None:
    """All contributions to the uncertainty of a mean opening BTDC, repeatability first, by the
    ``rules`` of an earlier version. None when nothing was read twice."""
    repeats = repeatability(figure)
    if repeats is None:
        return None
    encoder, seats = profile.encoder, (figure.seat, reference_seat(reference, profile.encoder))
    cylinders = sorted({r.cylinder for r in figure.readings if r.cylinder is not None})
    entered = entered_tdc(profile.engine, cylinders, reference.cylinder)
    parts = [repeats, top_dead_centre(reference), *_of_encoder(encoder, *seats)]
    parts += [entered] if entered else []
    parts += [backlash(unit.backlash_deg)] if unit.backlash_deg and not figure.with_drag else []
    if figure.is_set:
        to_a_quarter = EarlierRule.HELD_TO_A_QUARTER in rules
        parts.append(held(0.0 if to_a_quarter else encoder.count_deg))
    return parts + sensing_delay(unit, figure)


def parts_of_difference(
    one: tuple[Unit, Figure],
    two: tuple[Unit, Figure],
    encoder: Encoder,
    reference: TdcReference,
    rules: Rules = (),
) -> list[Contribution] | None:
    """Contributions to the difference of two units in one capture; None when either was not read
    twice. The reference is among them with nothing, since it is common to both."""
    both, seats = (one, two), (one[1].seat, two[1].seat)
    parts = []
    for unit, figure in both:
        if (repeats := repeatability(figure)) is None:
            return None
        parts.append(replace(repeats, of=unit.name))
    common = f"reference by {reference.by}, common to both: drops out (JCGM 100, 5.2)"
    parts += [_exact(Source.TDC, 0.0, common), *_of_encoder(encoder, *seats)]
    for unit, figure in both:
        parts += [replace(part, of=unit.name) for part in sensing_delay(unit, figure)]
    drags = {figure.with_drag for _, figure in both}
    alike = len(drags) == 1 or EarlierRule.DRAG_OF_ONE_HALF in rules
    if one[0].body and one[0].body == two[0].body and alike:
        return parts  # halves in one body share a rotor: the magnet pulls both or none
    own = [0.0 if figure.with_drag else unit.backlash_deg or 0.0 for unit, figure in both]
    return parts + ([backlash_of_both(*own)] if any(own) else [])


def parts_between(
    pair: tuple[Assessment, Assessment],
    names: tuple[str, str],
    difference_deg: float,
    *,
    shared_reference: bool,
    encoder: Encoder | None,
) -> list[Contribution] | None:
    """Contributions to the difference of two assessments called ``names``; None when either has no
    uncertainty. With ``shared_reference`` what belongs to TDC drops out; with ``encoder`` its
    errors are then those between the two angles."""
    parts: list[Contribution] = []
    own: list[float] = []
    for assessment, name in zip(pair, names, strict=True):
        if assessment.uncertainty is None:
            return None
        own.append(sum(map(backlash_deg_of, assessment.uncertainty.parts)))
        kept = (p for p in assessment.uncertainty.parts if p.source is not Source.BACKLASH)
        parts += [replace(part, of=name) for part in kept]
    parts += [backlash_of_both(*own)] if any(own) else []
    if not shared_reference:
        return parts
    dropped = OF_TDC if encoder is None else OF_TDC | {Source.GRADUATION, Source.RUN_OUT}
    parts = [part for part in parts if part.source not in dropped]
    if encoder is not None:
        seats = (seat_of([[0.0]], encoder), seat_of([[difference_deg]], encoder))
        parts += [graduation(encoder, *seats), run_out(encoder, *seats)]
    return parts


def reference_seat(reference: TdcReference, encoder: Encoder) -> Seat:
    """The seat of TDC: the mean of the touches from both sides, or where the crank stood.

    A TDC that was only entered can be at any of several places on the disc of a geared encoder.
    """
    sides = [side for side in (reference.forward_deg, reference.backward_deg) if side]
    if sides:
        return replace(seat_of(sides, encoder), places=len(sides))
    first = seat_of([[reference.tdc_deg]], encoder)
    many = min(disc_places(encoder), MOST_PLACES)
    others = (first.vector * cmath.rect(1.0, math.tau * n / many) for n in range(1, many))
    return replace(first, elsewhere=tuple(others))


def repeatability(figure: Figure) -> Contribution | None:
    """Of a mean opening; None when nothing was read twice. Where each lobe was read once, their
    differences are the spread."""
    found = (
        repeatability_part(figure.spreads[0], figure.pooled, figure.n)
        if len(figure.spreads) == 1
        else mean_over_cylinders(figure.spreads, figure.counts)
    )
    return found or repeatability_part(figure.together, Spread(), figure.n)


def repeatability_part(own: Spread, unit: Spread, n: int) -> Contribution | None:
    """Repeatability of a mean of ``n`` readings: s/sqrt(n), nu of s (JCGM 100:2008, 4.2.3).

    With fewer than ``FEW`` readings, s is the SD of the whole unit (``unit``, ``own`` included),
    pooled over its cylinders, if that has more degrees of freedom. None when there is no SD.
    """
    pooled = n < FEW and unit.nu > own.nu
    spread = unit if pooled else own
    if spread.nu < 1:
        return None
    of = "pooled over the unit's cylinders" if pooled else f"of {many(n, 'reading')}"
    return Contribution(
        Source.REPEATABILITY,
        spread.sd_deg / math.sqrt(n),
        spread.nu,
        "A",
        f"s/sqrt(n), s = {spread.sd_deg:.3f} {of} (JCGM 100, 4.2.3)",
    )


def mean_over_cylinders(parts: Sequence[Spread], counts: Sequence[int]) -> Contribution | None:
    """Repeatability of the mean of the cylinders' means; their differences do not enter.

    ``parts`` and ``counts`` are each cylinder's spread and number of readings. None when no
    cylinder was read twice.
    """
    unit = sum(parts, Spread())
    if unit.nu < 1:
        return None
    u_deg = unit.sd_deg * math.sqrt(sum(1.0 / n for n in counts)) / len(counts)
    how = (
        f"s pooled over {many(len(counts), 'cylinder')} = {unit.sd_deg:.3f} (JCGM "
        f"100, 4.2.4 and 5.1.2)"
    )
    return Contribution(Source.REPEATABILITY, u_deg, unit.nu, "A", how)


def top_dead_centre(reference: TdcReference) -> Contribution:
    """The reference, without the encoder's errors, which belong to the difference of positions."""
    whole = reference.uncertainty
    kept = [part for part in whole.parts if part.source not in (Source.GRADUATION, Source.RUN_OUT)]
    used = combine(kept) if kept else whole
    return Contribution(Source.TDC, used.u_deg, used.nu_eff, "B", f"reference by {reference.by}")


def entered_tdc(engine: Engine, cylinders: Sequence[int], counted_from: int) -> Contribution | None:
    """TDCs of ``cylinders`` that were entered relative to the one found in cylinder
    ``counted_from``: each anywhere within its half-width, independent of the others.

    For several cylinders, that of their mean. None if none was entered, or all as exact.
    """
    within = engine.entered_tdc_within_deg
    entered = [c for c in cylinders if c in engine.entered_tdc_deg and c not in (1, counted_from)]
    # If it was found in a cylinder with an entered place, all others share that error.
    common = counted_from in engine.entered_tdc_deg and counted_from != 1
    others = sum(c != counted_from for c in cylinders)
    share = math.hypot(math.sqrt(len(entered)), others if common else 0.0) / max(len(cylinders), 1)
    if not within or not share:
        return None
    how = f"rectangular +/- {within:g} about the entered place (JCGM 100, 4.3.7)"
    return _exact(Source.ENTERED_TDC, rectangular(within) * share, how)


def _of_encoder(encoder: Encoder, first: Seat, second: Seat) -> list[Contribution]:
    return [counting(encoder), graduation(encoder, first, second), run_out(encoder, first, second)]


def counting(encoder: Encoder) -> Contribution:
    """Placing the opening, and the index that angles count from, between encoder edges: what is
    left of the error of rounding to a count (JCGM 100:2008, F.2.2.1, for the difference of two)."""
    q_deg = encoder.count_deg
    u_deg = PLACING_LEFT * quantisation(q_deg) * math.sqrt(2.0)
    how = (
        f"{PLACING_LEFT:g} of q/sqrt(6), q = {q_deg:.4f}, placed between edges (JCGM 100, F.2.2.1)"
    )
    return _exact(Source.COUNTING, u_deg, how)


def graduation(encoder: Encoder, first: Seat, second: Seat) -> Contribution:
    """The encoder's own graduation error, independent from one position to another.

    Entered in degrees of the encoder's own shaft, like its run-out; returned in crank degrees.
    """
    half = encoder.graduation_error_deg / float(encoder.turns_per_crank_turn)
    u_deg = rectangular(half) * math.sqrt(1.0 / first.places + 1.0 / second.places)
    how = (
        f"rectangular +/- {half:g}, {first.places} against "
        f"{many(second.places, 'position')} (JCGM 100, 4.3.7)"
    )
    return _exact(Source.GRADUATION, u_deg, how)


def run_out(encoder: Encoder, first: Seat, second: Seat) -> Contribution:
    """Once-a-turn error of the encoder's mounting, A sin(angle + phase), phase not known.

    Between two angles d apart it is a sine of amplitude 2 A sin(d/2); between means over several
    positions, A times the distance of their mean vectors. Repeats do not reduce it. Of possible
    positions the furthest apart are used, so the interval is valid for each.
    """
    once_a_turn = encoder.run_out_deg / float(encoder.turns_per_crank_turn)
    apart = max(
        abs(one - other)
        for one in (first.vector, *first.elsewhere)
        for other in (second.vector, *second.elsewhere)
    )
    amplitude = once_a_turn * apart
    positions = "positions compared,"
    if first.elsewhere or second.elsewhere:
        positions += " the furthest apart of the possible ones,"
    how = (
        f"U-shaped, amplitude {amplitude:.3f} between the {positions} of "
        f"{once_a_turn:g} once a turn (JCGM 100, H.1.3.4)"
    )
    return _exact(Source.RUN_OUT, u_shaped(amplitude), how)


def backlash(backlash_deg: float) -> Contribution:
    """Backlash through which the magnet may pull the rotor: opens early by 0 to ``backlash_deg``.

    Whether it did is not known, so there is no correction: the root mean square of an error
    anywhere between none and all of it is backlash/sqrt(3) (JCGM 100:2008, 4.3.7 and F.2.4.5).
    """
    how = f"rectangular, 0 to {backlash_deg:g} early, not corrected (JCGM 100, 4.3.7 and F.2.4.5)"
    return _exact(Source.BACKLASH, rectangular(backlash_deg), how)


def backlash_deg_of(part: Contribution) -> float:
    """The backlash in a contribution, crank degrees; 0 for one of another kind."""
    return part.u_deg * math.sqrt(3.0) if part.source is Source.BACKLASH else 0.0


def backlash_of_both(first_deg: float, second_deg: float) -> Contribution:
    """Two drives' backlash in the difference of their units: each opens early by 0 to its own.

    The mean, half of each, drops out of the difference as far as both are equal; counted as for
    each unit alone, the interval would be twice as wide as needed.
    """
    u_deg = math.hypot(
        rectangular(first_deg / 2.0), rectangular(second_deg / 2.0), (first_deg - second_deg) / 2.0
    )
    how = f"rectangular, 0 to {first_deg:g} against 0 to {second_deg:g} early (JCGM 100, 4.3.7)"
    return _exact(Source.BACKLASH_OF_BOTH, u_deg, how)


def sensing_delay(unit: Unit, figure: Figure) -> list[Contribution]:
    """Uncertainty of the delay of the unit's front end, at the mean speed of its readings.

    The same for all of them, so their number does not reduce it (JCGM 100:2008, 4.3.7). None
    without an entered delay, or for set readings, whose crank stands still.
    """
    if not unit.sensing_delay_error_us or figure.readings[0].kind == "set":
        return []
    speed_deg_s = abs(sum(reading.speed_deg_s for reading in figure.readings)) / figure.n
    half = unit.sensing_delay_error_us * 1e-6 * speed_deg_s
    how = (
        f"rectangular +/- {half:.4f}: {unit.sensing_delay_us:g} us corrected, known within "
        f"{unit.sensing_delay_error_us:g}, at {speed_deg_s:.0f}°/s (JCGM 100, 4.3.7)"
    )
    return [_exact(Source.SENSING_DELAY, rectangular(half), how)]


def held(q_deg: float) -> Contribution:
    """How far the held crank may be off while the unit is moved (a "set" reading).

    A crank that stands still passes no boundary of a count of ``q_deg`` degrees, so it may be
    anywhere in it, at each reading at the same place.
    """
    half = max(HELD_WITHIN_DEG, q_deg / 2.0)
    count = ", half a count," if half > HELD_WITHIN_DEG else ""
    how = f"rectangular +/- {half:g}{count} while the crank is held (JCGM 100, 4.3.7)"
    return _exact(Source.HELD, rectangular(half), how)

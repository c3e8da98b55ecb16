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
from dataclasses import dataclass, replace

from rig.base.angles import circular_mean, is_defined, mean_and_spread, modulo, resultant
from rig.base.rounding import many
from rig.base.uncertainty import Contribution, Source, combine, quantisation, rectangular, u_shaped
from rig.engine.gear_train import disc_places
from rig.engine.profile import Encoder, Engine, Unit
from rig.tdc.reference import TdcReference
from rig.timing.groups import Split, explained_deg, split_into_groups
from rig.timing.values import Reading

# What remains of q/sqrt(12), the error of rounding to a count, when an event is placed between
# encoder edges. It does not shrink with the number of readings, as unequal counts are in the same
# places on each turn.
PLACING_LEFT = 0.1
# How far a crank held by hand may be off while the unit is moved: half-width, crank degrees (common
# practice, no source).
HAND_PLAY_DEG = 0.25
# Contributions common to figures with the same TDC: they drop out of their differences.
OF_TDC = frozenset({Source.TDC, Source.ENTERED_TDC})
FEW = 5  # with fewer readings, a cylinder's own SD is a guess, and the unit's is used
MOST_PLACES = 360  # more places than this on an encoder's disc count as all round it


@dataclass(frozen=True, slots=True)
class Spread:
    """Sum of squared deviations (degrees squared) and its degrees of freedom; both add up."""

    squares: float = 0.0
    nu: int = 0

    def __add__(self, other: Spread) -> Spread:
        return Spread(self.squares + other.squares, self.nu + other.nu)

    @property
    def sd_deg(self) -> float:
        """Pooled SD (JCGM 100:2008, 4.2.4); needs at least one degree of freedom."""
        return math.sqrt(self.squares / self.nu)


@dataclass(frozen=True, slots=True)
class Seat:
    """The encoder positions behind a figure.

    ``vector`` is the mean of the unit vectors at their angles on the encoder's own shaft, which is
    what a once-a-turn error sees; ``places`` is the number of different positions. If the position
    is not known, ``elsewhere`` has the vectors of the other possible ones.
    """

    vector: complex
    places: int
    elsewhere: tuple[complex, ...] = ()


def seat_part(crank_deg: Sequence[float], encoder: Encoder) -> Seat:
    """The seat of readings at these crank angles; those within a degree share a place."""
    ratio = float(encoder.turns_per_crank_turn)
    angles = [angle * ratio for angle in crank_deg]
    return Seat(resultant(angles), len({modulo(round(angle)) for angle in angles}))


def reference_seat(reference: TdcReference, encoder: Encoder) -> Seat:
    """The seat of TDC: the mean of the touches from both sides, or where the crank stood.

    A TDC that was only entered can be at any of several places on the disc of a geared encoder.
    """
    sides = [side for side in (reference.forward_deg, reference.backward_deg) if side]
    if not sides:
        first = seat_part([reference.tdc_deg], encoder)
        many = min(disc_places(encoder), MOST_PLACES)
        others = (first.vector * cmath.rect(1.0, math.tau * n / many) for n in range(1, many))
        return replace(first, elsewhere=tuple(others))
    vectors = [seat_part(side, encoder).vector for side in sides]
    return Seat(sum(vectors) / len(vectors), len(sides))


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
    return Contribution(Source.ENTERED_TDC, rectangular(within) * share, math.inf, "B", how)


def counting(encoder: Encoder, placing: float = PLACING_LEFT) -> Contribution:
    """Placing the opening, and the index that angles count from, between encoder edges.

    ``placing`` is what remains of the error of rounding to a count (JCGM 100:2008, F.2.2.1, for the
    difference of two).
    """
    q_deg = 360.0 / (encoder.counts_per_turn * float(encoder.turns_per_crank_turn))
    u_deg = placing * quantisation(q_deg) * math.sqrt(2.0)
    how = f"{placing:g} of q/sqrt(6), q = {q_deg:.4f}, placed between edges (JCGM 100, F.2.2.1)"
    return Contribution(Source.COUNTING, u_deg, math.inf, "B", how)


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
    return Contribution(Source.GRADUATION, u_deg, math.inf, "B", how)


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
    return Contribution(Source.RUN_OUT, u_shaped(amplitude), math.inf, "B", how)


def backlash(backlash_deg: float) -> Contribution:
    """Backlash through which the magnet may pull the rotor: opens early by 0 to ``backlash_deg``.

    Whether it did is not known, so there is no correction: the root mean square of an error
    anywhere between none and all of it is backlash/sqrt(3) (JCGM 100:2008, 4.3.7 and F.2.4.5).
    """
    how = f"rectangular, 0 to {backlash_deg:g} early, not corrected (JCGM 100, 4.3.7 and F.2.4.5)"
    return Contribution(Source.BACKLASH, rectangular(backlash_deg), math.inf, "B", how)


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
    return Contribution(Source.BACKLASH_OF_BOTH, u_deg, math.inf, "B", how)


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
    return [Contribution(Source.SENSING_DELAY, rectangular(half), math.inf, "B", how)]


def hand(half_width_deg: float = HAND_PLAY_DEG) -> Contribution:
    """How far the held crank may be off while the unit is moved (a "set" reading)."""
    how = f"rectangular +/- {half_width_deg:g} while the crank is held (JCGM 100, 4.3.7)"
    return Contribution(Source.HELD, rectangular(half_width_deg), math.inf, "B", how)


# Valid readings of one unit, setting, phase and kind, on one lobe and cylinder.
Cell = list[Reading]


@dataclass(frozen=True, slots=True)
class Figure:
    """A mean opening, over one cylinder or several, and the data for its uncertainty."""

    cylinder: int | None
    readings: tuple[Reading, ...]
    mean_btdc: float  # mean of the cells' means
    sd_deg: float | None  # of all its readings, including differences between cylinders
    repeatability: Contribution | None  # None: nothing was read twice
    seat: Seat

    @property
    def n(self) -> int:
        """Number of readings."""
        return len(self.readings)

    @property
    def with_drag(self) -> bool:
        """Whether a drag on the rotor took up the backlash at each reading."""
        return all(reading.drag for reading in self.readings)


def valid_readings(readings: Sequence[Reading]) -> list[Reading]:
    """The valid readings with an angle."""
    return [r for r in readings if r.valid and r.btdc_deg is not None and r.crank_deg is not None]


def cells_of(group: Sequence[Reading]) -> list[Cell]:
    """``group`` by cylinder, in order of their numbers; by lobe if that is not known.

    Lobes keep apart what is meant to differ until firing TDC is entered.
    """
    cells: dict[tuple[bool, int], Cell] = {}
    for reading in group:
        cells.setdefault(_cell_of(reading), []).append(reading)
    return [cells[key] for key in sorted(cells)]


def _cell_of(reading: Reading) -> tuple[bool, int]:
    unknown = reading.cylinder is None
    return unknown, (reading.lobe if unknown else reading.cylinder) or 0


def split_of(
    group: Sequence[Reading], encoder: Encoder, backlash_deg: float | None
) -> Split | None:
    """The groups of ``group``, in order of time; None if it is one.

    Lobes are numbered as in ``cells_of``. Set readings are not split: each was put where it is on
    purpose. Source: ``rig.timing.groups``.
    """
    if not group or group[0].kind == "set":
        return None
    keys = [_cell_of(reading) for reading in group]
    number = {key: n for n, key in enumerate(sorted(set(keys)))}
    return split_into_groups(
        group, [number[key] for key in keys], explained_deg(encoder, backlash_deg)
    )


def has_mean(group: Sequence[Reading]) -> bool:
    """Whether a mean is defined: openings do not cancel out, on one lobe or among lobes."""
    cells = [_btdcs(cell) for cell in cells_of(group)]
    if not all(is_defined(angles) for angles in [*cells, _btdcs(group)]):
        return False
    return is_defined([circular_mean(angles) for angles in cells])


def figure_over(
    cells: Sequence[Cell],
    encoder: Encoder,
    *,
    cylinder: int | None = None,
    unit: Spread | None = None,
) -> Figure:
    """The mean opening over ``cells`` (at least one), equally weighted.

    ``unit`` is the pooled spread of the whole unit, for a cylinder with few readings. Raises
    ``ValueError`` when the openings have no mean (see ``has_mean``).
    """
    together = [reading for cell in cells for reading in cell]
    seats = [seat_part(_crank_degs(cell), encoder) for cell in cells]
    spreads = [spread_of(cell) for cell in cells]
    if len(cells) == 1:
        repeatability = repeatability_part(spreads[0], unit or Spread(), len(together))
    else:
        repeatability = mean_over_cylinders(spreads, [len(cell) for cell in cells])
    if repeatability is None:
        # Each lobe was read once: use their differences as the spread.
        repeatability = repeatability_part(spread_of(together), Spread(), len(together))
    return Figure(
        cylinder=cylinder,
        readings=tuple(together),
        mean_btdc=circular_mean([circular_mean(_btdcs(cell)) for cell in cells]),
        sd_deg=mean_and_spread(_btdcs(together))[1],
        repeatability=repeatability,
        seat=Seat(
            sum(seat.vector for seat in seats) / len(seats),
            seat_part(_crank_degs(together), encoder).places,
        ),
    )


def spread_of(group: Sequence[Reading]) -> Spread:
    """Squared deviations from the group's own mean, and their degrees of freedom."""
    _, sd = mean_and_spread(_btdcs(group))
    nu = len(group) - 1
    return Spread(0.0 if sd is None else sd * sd * nu, nu)


def _btdcs(group: Sequence[Reading]) -> list[float]:
    return [r.btdc_deg for r in group if r.btdc_deg is not None]


def _crank_degs(group: Sequence[Reading]) -> list[float]:
    return [r.crank_deg for r in group if r.crank_deg is not None]

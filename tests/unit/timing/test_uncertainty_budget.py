"""Single contributions against geometry and the Guide."""

from __future__ import annotations

import cmath
import math
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sample_engines import FINE_ENCODER, reference

from rig.base.uncertainty import Contribution, Source, combine
from rig.engine.profile import Encoder
from rig.timing.means import Spread, seat_of
from rig.timing.uncertainty_budget import (
    FEW,
    PLACING_LEFT,
    backlash,
    backlash_of_both,
    counting,
    graduation,
    held,
    mean_over_cylinders,
    reference_seat,
    repeatability_part,
    run_out,
    top_dead_centre,
)


@pytest.mark.parametrize(
    ("apart", "at_most"), [(5.0, 0.010469), (36.0, 0.074164), (90.0, 0.169706), (180.0, 0.24)]
)
def test_run_out_between_two_angles(apart: float, at_most: float) -> None:
    """D4: A = 0.12, at most 2 A sin(d/2) (geometry); as an arcsine, JCGM 100:2008, H.1.3.4."""
    encoder = replace(FINE_ENCODER, run_out_deg=0.12)
    part = run_out(encoder, seat_of([[200.0 + apart] * 9], encoder), seat_of([[200.0]], encoder))
    assert part.u_deg * math.sqrt(2.0) == pytest.approx(at_most, abs=1e-6)


@given(st.floats(0.0, 360.0), st.floats(20.0, 60.0), st.floats(5.0, 60.0))
def test_run_out_against_a_stop_is_the_worst_over_all_phases(
    tdc: float, half_arc: float, btdc: float
) -> None:
    """Brute force over the phase, the error being A sin(angle + phase) at each position."""
    encoder = replace(FINE_ENCODER, run_out_deg=0.12)
    touches = ((tdc + 360.0 - half_arc) % 360.0,), ((tdc + half_arc) % 360.0,)
    datum = reference_seat(reference(tdc % 360.0, touches=touches), encoder)
    phase = np.radians(np.arange(0.0, 360.0, 0.05))

    def error(angle_deg: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        return np.asarray(0.12 * np.sin(np.radians(angle_deg) + phase))

    found = error(tdc - btdc) - (error(tdc - half_arc) + error(tdc + half_arc)) / 2.0
    part = run_out(encoder, seat_of([[tdc - btdc]], encoder), datum)
    assert part.u_deg * math.sqrt(2.0) == pytest.approx(float(np.max(found)), abs=2e-6)
    assert part.u_deg == pytest.approx(float(np.sqrt(np.mean(found**2))), abs=2e-6)


def test_run_out_counts_on_the_encoders_own_shaft() -> None:
    """At half crank speed 90 degrees of crank are 45 of the encoder, and one of its degrees is
    two of the crank."""
    encoder = replace(FINE_ENCODER, run_out_deg=0.12, turns_per_crank_turn=Fraction(1, 2))
    part = run_out(encoder, seat_of([[90.0]], encoder), seat_of([[0.0]], encoder))
    at_most = 2 * 0.24 * math.sin(math.radians(22.5))
    assert part.u_deg * math.sqrt(2.0) == pytest.approx(at_most)


def test_run_out_of_opposite_openings_cancels() -> None:
    """Cylinders half a turn apart: the once-a-turn errors of their openings are opposite."""
    encoder = replace(FINE_ENCODER, run_out_deg=0.12)
    assert abs(seat_of([[10.0, 190.0]], encoder).vector) == pytest.approx(0.0, abs=1e-12)
    part = run_out(encoder, seat_of([[10.0, 190.0]], encoder), seat_of([[46.0]], encoder))
    assert part.u_deg == pytest.approx(0.12 / math.sqrt(2.0))


def test_seats() -> None:
    where = seat_of([[324.1, 324.3, 1044.2]], FINE_ENCODER)
    assert where.places == 1
    assert cmath.phase(where.vector) == pytest.approx(math.radians(324.2 - 360.0), abs=1e-6)
    assert seat_of([[324.0, 504.0]], FINE_ENCODER).places == 2
    stop = reference(100.0, touches=((60.0, 60.1), (140.0, 139.9)))
    assert reference_seat(stop, FINE_ENCODER).places == 2
    assert reference_seat(reference(100.0), FINE_ENCODER).places == 1


@given(
    st.sampled_from([Fraction(1, 2), Fraction(9, 16), Fraction(2, 3), Fraction(2)]),
    st.floats(0.0, 360.0),
    st.floats(0.0, 6000.0),
)
def test_an_entered_tdc_is_taken_at_the_worst_of_its_places(
    ratio: Fraction, tdc: float, opens: float
) -> None:
    """Brute force over the phase, and over the turns of the crank on which it may have been read,
    the error being A sin(angle + phase) on the encoder's own shaft."""
    encoder = replace(FINE_ENCODER, run_out_deg=0.12, turns_per_crank_turn=ratio)
    phase = np.radians(np.arange(0.0, 360.0, 0.2))
    turns = np.arange(ratio.denominator)[:, None]
    own = math.radians(opens * float(ratio)) + phase
    top = np.radians((tdc + 360.0 * turns) * float(ratio)) + phase
    worst = float(np.max(0.12 / float(ratio) * (np.sin(own) - np.sin(top))))
    datum = reference_seat(reference(tdc % 360.0), encoder)
    part = run_out(encoder, seat_of([[opens]], encoder), datum)
    assert part.u_deg * math.sqrt(2.0) == pytest.approx(worst, abs=1e-5)


def test_where_the_crank_stood_is_the_place_of_a_mark() -> None:
    encoder = replace(FINE_ENCODER, run_out_deg=0.12, turns_per_crank_turn=Fraction(1, 2))
    mark = reference(20.0, touches=((380.0,), ()))
    part = run_out(encoder, seat_of([[380.0]], encoder), reference_seat(mark, encoder))
    assert part.u_deg == pytest.approx(0.0, abs=1e-12)
    stated = reference_seat(reference(20.0), encoder)
    assert run_out(encoder, seat_of([[380.0]], encoder), stated).u_deg == pytest.approx(
        2.0 * 0.24 / math.sqrt(2.0)
    )
    odd = replace(encoder, turns_per_crank_turn=Fraction("0.123457"))  # all round, not a million
    all_round = run_out(odd, seat_of([[55.0]], odd), reference_seat(reference(20.0), odd))
    assert all_round.u_deg == pytest.approx(2.0 * 0.12 / 0.123457 / math.sqrt(2.0), rel=1e-3)


def test_graduation_is_of_each_position() -> None:
    """Rectangular (JCGM 100:2008, 4.3.7) at the opening and at the two touches of the stop."""
    encoder = replace(FINE_ENCODER, graduation_error_deg=0.06)
    stop = reference_seat(reference(100.0, touches=((60.0,), (140.0,))), encoder)
    part = graduation(encoder, seat_of([[64.0]], encoder), stop)
    assert part.u_deg == pytest.approx(0.06 / math.sqrt(3.0) * math.sqrt(1.0 + 0.5))
    doubled = replace(encoder, turns_per_crank_turn=Fraction(1, 2))
    assert graduation(doubled, seat_of([[64.0]], doubled), stop).u_deg == pytest.approx(
        2 * part.u_deg
    )


def test_counting_is_what_placing_leaves() -> None:
    """D2: the difference of two is q/sqrt 6, 0.061237 for q = 0.15; a tenth of it is carried."""
    assert counting(Encoder(2400)).u_deg == pytest.approx(0.0061237, abs=1e-7)
    # D2: q/sqrt(6), of which placing it between edges leaves a part.
    assert counting(Encoder(2400)).u_deg / PLACING_LEFT == pytest.approx(0.061237, abs=1e-6)
    geared = Encoder(2400, turns_per_crank_turn=Fraction(1, 2))
    assert counting(geared).u_deg == pytest.approx(2 * 0.0061237, abs=1e-6)


def test_backlash_is_its_own_root_mean_square() -> None:
    """Uniform from 0 to the backlash: mean square play^2/3 (JCGM 100:2008, F.2.4.5)."""
    grid = (np.arange(100_000) + 0.5) / 100_000 * 0.8
    assert backlash(0.8).u_deg == pytest.approx(float(np.sqrt(np.mean(grid**2))), rel=1e-6)
    # Of two units (brute force over both): the means of equal plays drop out of a difference.
    for first, second in ((0.8, 0.8), (0.8, 0.2), (0.8, 0.0)):
        coarse = grid[100::200] / 0.8
        apart = first * coarse[:, None] - second * coarse[None, :]
        both = backlash_of_both(first, second).u_deg
        assert both == pytest.approx(float(np.sqrt(np.mean(apart**2))), rel=1e-3)
    assert backlash_of_both(0.8, 0.0).u_deg == pytest.approx(backlash(0.8).u_deg)
    assert held(0.09).u_deg == pytest.approx(0.25 / math.sqrt(3.0))


def test_repeatability_is_the_cylinders_own_when_there_is_enough_of_it() -> None:
    own, unit = Spread(0.09 * 9, 9), Spread(0.04 * 30, 30)
    part = repeatability_part(own, unit, 10)
    assert part is not None
    assert (part.u_deg, part.nu) == pytest.approx((0.3 / math.sqrt(10), 9))


@pytest.mark.parametrize("n", range(1, FEW))
def test_repeatability_of_few_readings_is_the_units(n: int) -> None:
    """JCGM 100:2008, 4.2.4: a pooled estimate. Another reading must never widen the interval."""
    part = repeatability_part(Spread(0.01, n - 1), Spread(0.04 * 30, 30), n)
    assert part is not None
    assert (part.u_deg, part.nu) == pytest.approx((0.2 / math.sqrt(n), 30))


def test_a_single_reading_has_no_repeatability() -> None:
    assert repeatability_part(Spread(), Spread(), 1) is None
    assert mean_over_cylinders([Spread(), Spread()], [1, 1]) is None


def test_mean_over_cylinders_leaves_their_differences_out() -> None:
    """u^2 = s^2 (1/4 + 1/2) / 4 with s pooled over 3 + 1 degrees of freedom."""
    part = mean_over_cylinders([Spread(0.12, 3), Spread(0.04, 1)], [4, 2])
    assert part is not None
    assert part.nu == 4
    assert part.u_deg == pytest.approx(math.sqrt(0.04 * 0.75) / 2.0)


def test_the_references_encoder_errors_are_not_counted_twice() -> None:
    parts = [
        Contribution(Source.REPEATABILITY, 0.04, 4, "A", ""),
        Contribution(Source.OFFSET, 0.03, math.inf, "B", ""),
        Contribution(Source.GRADUATION, 0.2, math.inf, "B", ""),
        Contribution(Source.RUN_OUT, 0.3, math.inf, "B", ""),
    ]
    found = top_dead_centre(replace(reference(), uncertainty=combine(parts)))
    assert found.u_deg == pytest.approx(0.05)
    assert found.nu == pytest.approx(4 * (0.05 / 0.04) ** 4)

"""TDC by stop, or entered; its uncertainty; and whether it has moved."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from numpy.typing import NDArray
from sample_engines import link_rod_touches

from rig.base.angles import modulo, wrap
from rig.base.earlier_rules import EARLIER_RULES
from rig.base.errors import InputError
from rig.base.uncertainty import Contribution, Source, combine
from rig.engine.geometry import btdc_from_travel_deg, deg_per_mm
from rig.engine.profile import Geometry
from rig.tdc.piston_stop import tdc_from_stop
from rig.tdc.reference import SINGLE_TOUCH_DEG, Method, TdcReference, by_hand, moved, set_by_hand
from rig.tdc.reference_file import from_plain, to_plain
from rig.words.assessments import contribution_words
from rig.words.tdc import move_words

Floats = NDArray[np.float64]

STRAIGHT = Geometry(44, 176, 0)
FINE = 4_000_000  # counts a turn, so that counting is nothing


def part(reference: TdcReference, name: str) -> Contribution:
    return next(each for each in reference.uncertainty.parts if contribution_words(each) == name)


def names(reference: TdcReference) -> list[str]:
    return [contribution_words(each) for each in reference.uncertainty.parts]


# --- the middle of the blocked arc ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("forward", "backward", "tdc"),
    [
        # T4: half-way between two equal positions, round the circle (Ahrons, Steam Locomotive
        # Construction and Maintenance, for the method; arithmetic).
        (322.4, 37.0, 359.7),
        (151.25, 238.75, 195.0),
        (322.4 - 720.0, 37.0 + 3600.0, 359.7),  # on any turn
    ],
)
def test_middle_of_the_arc_that_the_stop_blocks(
    forward: float, backward: float, tdc: float
) -> None:
    found = tdc_from_stop([forward], [backward], counts_per_turn=4096, geometry=STRAIGHT)
    assert found.tdc_deg == pytest.approx(tdc, abs=1e-9)
    assert (found.method, found.cylinder) == ("stop", 1)


@given(st.floats(0.0, 360.0), st.floats(180.5, 356.5))
@example(238.75, 272.5)  # T4, the other arc
def test_an_arc_of_more_than_half_a_turn_gives_no_tdc(forward: float, arc: float) -> None:
    """With touches forward and back exchanged its middle would be near BDC. A quarter turn from TDC
    the piston is below half its stroke (slider-crank): a stop hardly reaches as far."""
    with pytest.raises(InputError, match=r"to turn in.*shorter"):
        tdc_from_stop([forward], [forward + arc], counts_per_turn=4096)
    found = tdc_from_stop([forward + arc], [forward], counts_per_turn=4096)
    assert wrap(found.tdc_deg - (forward + arc / 2.0 + 180.0)) == pytest.approx(0.0, abs=1e-6)


def test_the_arithmetic_mean_would_be_wrong() -> None:
    found = tdc_from_stop([322.4], [37.0], counts_per_turn=4096, geometry=STRAIGHT)
    assert abs(found.tdc_deg - 179.7) > 90.0


@pytest.mark.parametrize(
    "row",  # r, L, e, touch before, touch after, middle, true TDC, bias
    [
        (44.0, 176.0, 6.0, 326.225418, 37.049012, 1.637215, 1.562806, 0.074409),  # T2
        (50.0, 190.0, 12.0, 322.257351, 43.856556, 3.056953, 2.865984, 0.190969),  # T3
    ],
    ids=["T2", "T3"],
)
def test_bias_of_a_known_offset_is_taken_out(row: tuple[float, ...]) -> None:
    # Derived from the slider-crank by two routes (50 digits; root search).
    r, rod, e, before, after, middle, true, bias = row
    crank = Geometry(r, rod, e)
    found = tdc_from_stop([before], [after], counts_per_turn=FINE, geometry=crank)
    assert found.tdc_deg == pytest.approx(true, abs=2e-6)
    assert f"{bias:.3f}° late" in found.how
    left_in = tdc_from_stop([before], [after], counts_per_turn=FINE, geometry=STRAIGHT)
    assert left_in.tdc_deg == pytest.approx(middle, abs=1e-6)


@pytest.mark.parametrize(
    ("limit_mm", "travel_mm", "bias_deg"),
    [(6.0, 10.0, 0.074409), (12.0, 20.0, 0.312473), (1.0, 40.0, 0.057874)],
)
def test_an_offset_that_is_not_known_is_carried(
    limit_mm: float, travel_mm: float, bias_deg: float
) -> None:
    # Biases from the table of the stop method, r = 44, L = 176; rectangular by JCGM 100, 4.3.7.
    worst = Geometry(44, 176, limit_mm)
    half = (
        btdc_from_travel_deg(travel_mm, worst) - btdc_from_travel_deg(travel_mm, worst, after=True)
    ) / 2.0
    crank = Geometry(44, 176, None, limit_mm)
    found = tdc_from_stop([360 - half], [half], counts_per_turn=FINE, geometry=crank)
    assert found.tdc_deg % 360 == pytest.approx(0.0, abs=1e-9)
    offset = part(found, "cylinder offset")
    assert offset.u_deg == pytest.approx(bias_deg / math.sqrt(3.0), abs=1e-6)
    assert (offset.nu, offset.kind) == (math.inf, "B")
    assert "as entered" in offset.how


def test_nothing_entered_takes_a_tenth_of_the_throw() -> None:
    unlimited = tdc_from_stop([320], [40], counts_per_turn=4096, geometry=Geometry(44, 176, None))
    same = tdc_from_stop([320], [40], counts_per_turn=4096, geometry=Geometry(44, 176, None, 4.4))
    assert part(unlimited, "cylinder offset").u_deg == part(same, "cylinder offset").u_deg
    assert "not entered" in part(unlimited, "cylinder offset").how
    no_crank = tdc_from_stop([320], [40], counts_per_turn=4096)
    assert part(no_crank, "cylinder offset").u_deg > part(unlimited, "cylinder offset").u_deg


# --- contributions -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("travel_mm", "each_deg", "middle_deg"), [(2.0, 0.0784, 0.0554), (10.0, 0.0373, 0.0263)]
)
def test_repeatability_of_the_middle(travel_mm: float, each_deg: float, middle_deg: float) -> None:
    # T8 (computed): a stop that repeats to u = 0.02 mm, at 2 and at 10 mm of travel.
    at = btdc_from_travel_deg(travel_mm, STRAIGHT)
    u_touch = 0.02 * deg_per_mm(at, STRAIGHT)
    assert u_touch == pytest.approx(each_deg, abs=5e-5)
    forward = [360 - at - u_touch, 360 - at + u_touch]  # a mean of u = u_touch: s is sqrt(2) of it
    backward = [at - u_touch, at + u_touch]
    found = tdc_from_stop(forward, backward, counts_per_turn=FINE, geometry=STRAIGHT)
    assert found.uncertainty.u_deg == pytest.approx(middle_deg, abs=5e-5)
    assert (part(found, "repeatability").kind, part(found, "repeatability").nu) == ("A", 2.0)
    assert found.uncertainty.nu_eff == pytest.approx(2.0)


def test_counting_stands_where_touches_fall_on_one_count() -> None:
    # D2: q/sqrt(12), JCGM 100 F.2.2.1 (from memory); half on each side, so q/sqrt(24) together.
    q = 0.15
    same = tdc_from_stop([320.0] * 3, [40.0] * 3, counts_per_turn=2400, geometry=STRAIGHT)
    assert part(same, "counting").u_deg == pytest.approx(q / math.sqrt(24.0))
    one = tdc_from_stop([320.0, 320.15, 320.0], [40.0] * 3, counts_per_turn=2400, geometry=STRAIGHT)
    assert part(one, "counting").u_deg == pytest.approx(0.043301 / 2.0, abs=1e-6)
    none = tdc_from_stop(
        [320.0, 320.15, 320.0], [40.0, 40.0, 40.15], counts_per_turn=2400, geometry=STRAIGHT
    )
    assert "counting" not in names(none)
    fine = tdc_from_stop([320.0] * 3, [40.0] * 3, counts_per_turn=2400, count_width=0.0)
    assert "counting" not in names(fine)


def test_graduation() -> None:
    # D1: rectangular a/sqrt(3), a = 0.2 gives 0.115470 (JCGM 100, 4.3.7, from memory).
    found = tdc_from_stop([320], [40], counts_per_turn=FINE, graduation_error_deg=0.2)
    # At dead centre itself, and in the mean of the two touches.
    assert part(found, "graduation").u_deg == pytest.approx(0.115470 * math.sqrt(1.5), abs=1e-6)
    geared = tdc_from_stop(
        [320], [40], counts_per_turn=FINE, graduation_error_deg=0.2, turns_per_crank_turn=0.5
    )
    assert part(geared, "graduation").u_deg == pytest.approx(2 * part(found, "graduation").u_deg)


@given(st.floats(10.0, 170.0), st.floats(0.0, 360.0), st.floats(0.0, 360.0))
def test_run_out_is_never_more_than_its_amplitude_says(
    arc: float, middle: float, phase: float
) -> None:
    def shown(angle_deg: float) -> float:
        return angle_deg + 0.12 * math.sin(math.radians(angle_deg + phase))

    found = tdc_from_stop(
        [shown(middle - arc / 2)], [shown(middle + arc / 2)],
        counts_per_turn=FINE, geometry=STRAIGHT, run_out_deg=0.12,
    )  # fmt: skip
    error = (found.tdc_deg - shown(middle) + 180.0) % 360.0 - 180.0
    amplitude = part(found, "run-out").u_deg * math.sqrt(2.0)  # U-shaped: D1, H.1.3.4
    assert amplitude == pytest.approx(0.12 * (1 - math.cos(math.radians(arc / 2))), rel=0.01)
    assert abs(error) <= amplitude * 1.01 + 1e-6


def test_run_out_of_touches_half_a_turn_apart() -> None:
    # D4: two readings 180 degrees apart differ by at most 2 A = 0.24; against the middle, A.
    found = tdc_from_stop([270], [90], counts_per_turn=FINE, run_out_deg=0.12)
    assert part(found, "run-out").u_deg == pytest.approx(0.12 / math.sqrt(2.0))


def test_a_single_touch_on_one_side_or_both() -> None:
    pooled = tdc_from_stop([320, 320.2], [40], counts_per_turn=FINE, geometry=STRAIGHT)
    repeat = part(pooled, "repeatability")
    s = 0.2 / math.sqrt(2.0)
    assert repeat.u_deg == pytest.approx(s * math.sqrt(1.5) / 2.0)
    assert (repeat.nu, repeat.kind) == (1.0, "A")
    single = tdc_from_stop([320], [40], counts_per_turn=FINE, geometry=STRAIGHT)
    u_deg = SINGLE_TOUCH_DEG / math.sqrt(3.0) / math.sqrt(2.0)
    assert part(single, "repeatability").u_deg == pytest.approx(u_deg)


def test_backlash_between_crank_and_encoder() -> None:
    # Geometry: turned at the encoder it leads the crank by half of the play, either way.
    touches = ([320.0 + 0.2], [40.0 - 0.2])
    lead = tdc_from_stop(*touches, counts_per_turn=FINE, geometry=STRAIGHT, turned_at="encoder",
                     backlash_deg=0.4, backlash_error_deg=0.1)  # fmt: skip
    assert lead.tdc_deg == pytest.approx(0.2)
    assert part(lead, "backlash of the encoder's drive").u_deg == pytest.approx(
        0.05 / math.sqrt(3.0)
    )
    touches = ([320.0 - 0.2], [40.0 + 0.2])
    lag = tdc_from_stop(*touches, counts_per_turn=FINE, geometry=STRAIGHT, turned_at="crank",
                    backlash_deg=0.4, backlash_error_deg=0.1)  # fmt: skip
    assert lag.tdc_deg == pytest.approx(359.8)


@pytest.mark.parametrize(
    "case",  # touches a side, their SD, counts a turn, run-out, limit of the offset, offset known
    [
        (5, 0.1, 4096, 0.0, 0.0, True),
        (10, 0.05, 4096, 0.0, 0.0, True),
        (5, 0.05, 4096, 0.1, 4.0, True),
        (5, 0.05, 4096, 0.0, 1.0, False),
        (3, 0.1, 2400, 0.0, 0.0, True),
    ],
)  # fmt: skip
def test_the_entered_interval_holds_the_truth(
    case: tuple[int, float, int, float, float, bool],
) -> None:
    """95 % is promised; 400 trials show 92 to 99 % (binomial, three sigma below)."""
    n, sigma_deg, counts, run_out_deg, offset_mm, known = case
    rng = np.random.default_rng(7)
    q_deg = 360.0 / counts
    held = 0
    trials = 400
    for _ in range(trials):
        crank = Geometry(44, 176, rng.uniform(-offset_mm, offset_mm))
        travel = rng.uniform(6.0, 20.0)
        tdc, phase = rng.uniform(0.0, 360.0), rng.uniform(0.0, 2.0 * math.pi)

        def shown(angle_deg: Floats, phase: float = phase) -> Floats:
            return angle_deg + run_out_deg * np.sin(np.radians(angle_deg) + phase)

        wobble = rng.normal(0.0, sigma_deg, (2, n))
        before = shown(tdc - btdc_from_travel_deg(travel, crank) + wobble[0])
        after = shown(tdc - btdc_from_travel_deg(travel, crank, after=True) + wobble[1])
        found = tdc_from_stop(
            ((np.floor(before / q_deg) + 0.5) * q_deg).tolist(),
            ((np.floor(after / q_deg) + 0.5) * q_deg).tolist(),
            counts_per_turn=counts,
            geometry=crank if known else Geometry(44, 176, None, offset_mm),
            run_out_deg=run_out_deg,
        )
        error = found.tdc_deg - float(shown(np.array([tdc]))[0])
        held += abs((error + 180.0) % 360.0 - 180.0) <= found.uncertainty.U_deg
    assert 0.92 <= held / trials <= 0.99


# --- stated, and moved ---------------------------------------------------------------------------


def test_entered() -> None:
    limits = set_by_hand(
        -90.0, half_width_deg=0.2, how="mark on the flywheel", made_utc="2020-01-01"
    )
    assert (limits.tdc_deg, limits.method, limits.made_utc) == (270.0, Method.BY_HAND, "2020-01-01")
    assert limits.uncertainty.u_deg == pytest.approx(0.115470, abs=1e-6)  # D1
    # Sure to lie within 0.2: 95 % of a rectangular distribution lie within 0.95 of its half-width,
    # where 1.96 a/sqrt(3) = 0.226 would lie beyond what it can be (definition; JCGM 100, 4.3.7).
    assert limits.uncertainty.U_deg == pytest.approx(0.19, abs=1e-12)
    assert limits.uncertainty.k == pytest.approx(0.95 * math.sqrt(3.0), abs=1e-12)


def test_a_limit_that_was_entered_keeps_its_uncertainty_but_not_until_0_5_0() -> None:
    """So that a certificate of that time finds the TDC of the job's file to be its own."""
    entered = set_by_hand(10.0, half_width_deg=0.2, how="mark")
    assert by_hand(entered) == entered
    then = by_hand(entered, EARLIER_RULES["0.5.0"]).uncertainty
    assert (then.u_deg, then.k) == pytest.approx((0.2 / math.sqrt(3.0), 1.959964))


@pytest.mark.parametrize("half_width_deg", [0.0, -1.0, 180.1, math.nan, math.inf])
def test_entered_without_a_sound_uncertainty(half_width_deg: float) -> None:
    with pytest.raises(InputError, match="needs its uncertainty"):
        set_by_hand(10.0, half_width_deg=half_width_deg, how="")


def test_entered_as_no_number() -> None:
    with pytest.raises(InputError, match="enter degrees"):
        set_by_hand(math.nan, half_width_deg=0.1, how="")


FORWARD, BACKWARD = [320.0, 320.1, 320.05], [40.0, 40.1, 40.05]


def test_a_reference_that_stayed() -> None:
    first = tdc_from_stop(FORWARD, BACKWARD, counts_per_turn=4096, run_out_deg=0.1)
    again = tdc_from_stop(
        [each - 5.0 for each in FORWARD], [each + 5.03 for each in BACKWARD],
        counts_per_turn=4096, run_out_deg=0.1,
    )  # fmt: skip
    found = moved(first, again)
    assert found.shift_deg == pytest.approx(0.015)
    assert not found.has_moved
    assert "is where it was" in move_words(found)


def test_touches_that_scatter_prove_nothing() -> None:
    """The encoder slipped by 1 degree between them: half of that is within their U."""
    first = tdc_from_stop(FORWARD, BACKWARD, counts_per_turn=4096)
    again = tdc_from_stop([320.0, 321.0, 321.0], [40.0, 41.0, 41.0], counts_per_turn=4096)
    found = moved(first, again)
    assert (found.has_moved, found.uncertainty.U_deg > 0.6) == (False, True)
    assert "does not prove that TDC is where it was" in move_words(found)


@pytest.mark.parametrize("slip_deg", [0.25, 0.5, 0.8])
def test_a_slip_that_matters_seldom_hides_behind_sharp_touches(slip_deg: float) -> None:
    """At most one check in twenty finds TDC in its place, sharply, though the encoder slipped by
    twice what still counts as sharp (JCGM 100:2008, 6.2.1; a simulated hand)."""
    hand = np.random.default_rng(7)

    def touched(n: int, at_deg: float, sd_deg: float) -> TdcReference:
        sides = (hand.normal(middle + at_deg, sd_deg, n).tolist() for middle in (320.0, 40.0))
        return tdc_from_stop(*sides, counts_per_turn=4096)

    hidden = 0
    for _ in range(200):
        sd_deg = float(hand.uniform(0.01, 0.4))
        first = touched(3, 0.0, 0.03)
        found = moved(first, touched(2, slip_deg, sd_deg))
        limit_deg = max(0.1, 2.0 * first.uncertainty.U_deg)
        hidden += found.is_sharp and not found.has_moved and slip_deg > 2.0 * limit_deg
    assert hidden <= 10
    rested = moved(first, touched(5, 0.0, 0.03))
    assert (rested.is_sharp, rested.has_moved) == (True, False)


def test_a_reference_that_moved() -> None:
    first = tdc_from_stop(FORWARD, BACKWARD, counts_per_turn=4096, run_out_deg=0.5)
    again = tdc_from_stop(
        [each - 0.5 for each in FORWARD], [each - 0.5 for each in BACKWARD],
        counts_per_turn=4096, run_out_deg=0.5,
    )  # fmt: skip
    found = moved(first, again)
    assert found.shift_deg == pytest.approx(-0.5)
    assert found.has_moved
    assert "0.500° earlier than the reference" in move_words(found)
    assert "slipped" in move_words(found)
    # What both share drops out (JCGM 100, 5.2): two repeats of the same u remain.
    own = [each.u_deg for each in first.uncertainty.parts if each.source is Source.REPEATABILITY]
    assert found.uncertainty.u_deg == pytest.approx(math.hypot(*own) * math.sqrt(2.0))


PARTS = st.dictionaries(st.sampled_from(list(Source)), st.floats(0.001, 0.5), min_size=1)


@given(PARTS, PARTS)
def test_a_move_is_as_uncertain_whichever_was_found_first(
    one: dict[Source, float], two: dict[Source, float]
) -> None:
    """A difference has the uncertainty of its negative, also where a common part is missing from
    one of the two, as when an offset was entered in between (JCGM 100:2008, 5.2)."""
    first, second = (
        replace(
            tdc_from_stop(FORWARD, BACKWARD, counts_per_turn=4096),
            uncertainty=combine([Contribution(s, u, math.inf, "B", "") for s, u in of.items()]),
        )
        for of in (one, two)
    )
    there, back = moved(first, second), moved(second, first)
    assert there.uncertainty.u_deg == pytest.approx(back.uncertainty.u_deg)


def test_across_zero_and_of_another_cylinder() -> None:
    first, again = (set_by_hand(deg, half_width_deg=0.3, how="") for deg in (359.9, 0.1))
    assert moved(first, again).shift_deg == pytest.approx(0.2)
    assert moved(first, again).uncertainty.u_deg == pytest.approx(
        0.3 / math.sqrt(3.0) * math.sqrt(2.0)
    )
    other = set_by_hand(0.1, half_width_deg=0.3, how="", cylinder=4)
    with pytest.raises(InputError, match="found at cylinder 1"):
        moved(first, other)


# --- plain values --------------------------------------------------------------------------------

ANGLES = st.lists(st.floats(-5.0, 5.0), min_size=1, max_size=5)


@example([0.0], [0.0, 4.646763084542293e-11], 0.0)  # degrees of freedom of 1e38
@given(ANGLES, ANGLES, st.floats(0.0, 0.5))
def test_plain_values_and_back(
    forward: list[float], backward: list[float], run_out_deg: float
) -> None:
    found = tdc_from_stop(
        [320.0 + each for each in forward],
        [40.0 + each for each in backward],
        counts_per_turn=4096,
        run_out_deg=run_out_deg,
    )
    found = replace(found, made_utc="2020-01-01T00:00:00Z", capture="a.capture")
    again = from_plain(to_plain(found))
    assert (again, to_plain(again)) == (found, to_plain(found))  # sentences too


@pytest.mark.parametrize(
    ("key", "value", "said"),
    [
        ("tdc_deg", 361.0, "tdc_deg: must be a number from 0 to 360, not 361.0"),
        ("tdc_deg", math.nan, "tdc_deg: must be a number from 0 to 360, not nan"),
        ("tdc_deg", True, "tdc_deg: must be a number from 0 to 360, not true"),
        ("tdc_deg", 10**400, "tdc_deg: must be a number from 0 to 360, not a huge number"),
        ("how", 7, "how: must be text of at most 10000 characters, not 7"),
        ("how", "x" * 20_000, "how: must be text of at most 10000 characters"),
        ("forward_deg", [1.0, "2"], r"forward_deg\[1\]: must be a number from .*, not '2'"),
        ("warnings", "none", "warnings: must be a list"),
        ("uncertainty", None, "uncertainty: must be a table"),
        ("uncertainty", {}, "u_deg: is missing"),
        ("cylinder", 0, "cylinder: must be a whole number from 1 to 36, not 0"),
    ],
)
def test_plain_values_that_are_no_reference(key: str, value: object, said: str) -> None:
    plain = to_plain(set_by_hand(10.0, half_width_deg=0.1, how="mark"))
    with pytest.raises(InputError, match=said):
        from_plain({**plain, key: value})
    del plain[key]
    with pytest.raises(InputError, match=f"{key}: is missing"):
        from_plain(plain)


def test_words_for_the_reader_never_tell_references_apart() -> None:
    """A reference saved by an earlier version is the same, however its sentences were put then."""
    found = tdc_from_stop([320.1, 320.2], [40.4, 40.5], counts_per_turn=4096)
    assert found.warnings
    parts = tuple(replace(each, how="otherwise") for each in found.uncertainty.parts)
    then = replace(
        found,
        how="otherwise",
        warnings=("otherwise",),
        uncertainty=replace(found.uncertainty, parts=parts),
    )
    assert then == found
    assert replace(found, tdc_deg=found.tdc_deg + 0.01) != found


@pytest.mark.parametrize("pin_deg", [40.0, 120.0, 160.0, 240.0])
@pytest.mark.parametrize("drop_mm", [3.0, 15.0, 45.0])
def test_a_stop_on_a_link_rod_is_as_uncertain_as_its_middle_is_off(
    pin_deg: float, drop_mm: float
) -> None:
    """The interval holds TDC, even if the touches repeat exactly; that of an ordinary rod would be
    five times too narrow at 120 degrees."""
    before, after, tdc_deg = link_rod_touches(pin_deg, drop_mm)
    touches = [modulo(before)] * 3, [modulo(after)] * 3
    found = tdc_from_stop(*touches, counts_per_turn=4096, count_width=0.0, on_link_rod=True)
    off_deg = abs(wrap(found.tdc_deg - tdc_deg))
    assert off_deg <= found.uncertainty.U_deg
    if pin_deg in (120.0, 240.0):
        plain = tdc_from_stop(*touches, counts_per_turn=4096, count_width=0.0)
        assert off_deg > 4.0 * plain.uncertainty.U_deg

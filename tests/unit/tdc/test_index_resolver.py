"""The places of the crank at which a geared encoder's index comes, against counting them out."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.base.errors import InputError
from rig.engine.gear_train import around_deg, index_places, places_apart_deg
from rig.engine.profile import Encoder, Engine
from rig.signal.events import Reason, Rejection
from rig.tdc.index_resolver import CLEAR, entered_place, placed, same_frame
from rig.tdc.piston_stop import tdc_from_stop
from rig.tdc.reference import TdcReference, set_by_hand
from rig.words.diagnostics import reason_words

RATIOS = st.builds(Fraction, st.integers(1, 24), st.integers(1, 24))
ENGINE = Engine("plain", 4, 4, (1, 3, 4, 2), (180.0,) * 4, "clockwise", "flywheel end")


def encoder(ratio: Fraction) -> Encoder:
    return Encoder(4096, turns_per_crank_turn=ratio)


def known(tdc_deg: float) -> TdcReference:
    return set_by_hand(tdc_deg, how="invented", half_width_deg=0.1)


def off(one_deg: float, other_deg: float) -> float:
    """Distance round the circle."""
    return abs(math.remainder(one_deg - other_deg, 360.0))


@given(RATIOS)
def test_the_places_are_those_that_counting_turns_of_the_encoder_gives(ratio: Fraction) -> None:
    """Brute force in exact fractions: where the crank stands at each whole turn of the encoder."""
    places = {(Fraction(360) * n / ratio) % 360 for n in range(ratio.numerator * 3)}
    assert len(places) == index_places(encoder(ratio))
    listed = sorted(places)
    after = [*listed[1:], Fraction(360)]
    apart = {round(float(b - a), 9) for a, b in zip(listed, after, strict=True)}
    assert apart == {round(places_apart_deg(encoder(ratio)), 9)}


@given(
    RATIOS, st.floats(0.0, 359.99), st.integers(0, 40), st.integers(0, 40), st.floats(-0.99, 0.99)
)
def test_a_rough_word_finds_tdc_from_whatever_place_the_index_came(
    ratio: Fraction, top_deg: float, found_at: int, now_at: int, error: float
) -> None:
    """``top_deg``: where TDC lies in the world; the angles begin at two turns of the
    encoder."""
    of = encoder(ratio)
    turn_deg = 360.0 / float(ratio)
    reference = known((top_deg - found_at * turn_deg) % 360.0)
    truth = (top_deg - now_at * turn_deg) % 360.0
    rough = truth + error * CLEAR * places_apart_deg(of) + 720.0
    found = entered_place(rough, 1, reference, ENGINE, of)
    assert off(found, truth) < 1e-6
    assert off(placed(reference, rough, of).tdc_deg, truth) < 1e-6
    assert off(
        same_frame(placed(reference, rough, of), reference, of).tdc_deg, reference.tdc_deg
    ) < (1e-6)


@given(RATIOS, st.floats(0.0, 359.99), st.floats(0.0, 359.99))
def test_touches_move_along_and_keep_their_place_on_the_disc(
    ratio: Fraction, tdc_deg: float, near_deg: float
) -> None:
    of = encoder(ratio)
    reference = tdc_from_stop(
        [tdc_deg - 40.0], [tdc_deg + 40.0], counts_per_turn=4096, turns_per_crank_turn=ratio
    )
    moved = placed(reference, near_deg, of)
    assert off(moved.tdc_deg, near_deg) <= places_apart_deg(of) / 2.0 + 1e-6
    shift = moved.tdc_deg - reference.tdc_deg
    pairs = [(reference.forward_deg[0], moved.forward_deg[0]),
             (reference.backward_deg[0], moved.backward_deg[0])]  # fmt: skip
    for before, after in pairs:
        assert off(after - before, shift) < 1e-6
        assert off((after - before) * float(ratio), 0.0) < 1e-6
    assert moved.uncertainty == reference.uncertainty


@given(RATIOS, st.floats(-1e5, 1e5))
def test_a_turn_of_both_shafts_keeps_both_places(ratio: Fraction, crank_deg: float) -> None:
    found = around_deg(crank_deg, encoder(ratio))
    assert 0.0 <= found <= 360.0 * ratio.denominator
    assert off(found, crank_deg) < 1e-6
    assert off(found * float(ratio), crank_deg * float(ratio)) < 1e-5


@pytest.mark.parametrize("ratio", ["1", "1/2", "1/3"])
def test_on_the_crank_or_a_slower_shaft_the_index_is_one_place(ratio: str) -> None:
    reference = known(161.9)
    assert index_places(encoder(Fraction(ratio))) == 1
    assert placed(reference, 20.0, encoder(Fraction(ratio))) is reference
    assert same_frame(reference, known(20.0), encoder(Fraction(ratio))) is reference


def test_another_cylinder_is_entered_by_its_own_top() -> None:
    """Cylinder 3 of a 1 3 4 2 fires 180 degrees after cylinder 1. Common practice, no source."""
    of = encoder(Fraction(3, 2))  # places 120 degrees apart
    assert entered_place(70.0 + 240.0 + 180.0 + 5.0, 3, known(70.0), ENGINE, of) == pytest.approx(
        310.0
    )


def test_half_way_between_two_places_settles_nothing() -> None:
    of = encoder(Fraction(9, 16))
    assert reason_words(Rejection(Reason.INDEX_PLACE, (9, places_apart_deg(of)))) == (
        "enter cylinder 1's firing TDC, roughly: the index has 9 places on the crank, 40° apart"
    )
    with pytest.raises(InputError, match=r"is 19° from one possible TDC and 21° from the"):
        entered_place(100.0 + 80.0 + 19.0, 1, known(100.0), ENGINE, of)
    with pytest.raises(InputError, match="no cylinder 9"):
        entered_place(100.0, 9, known(100.0), ENGINE, of)

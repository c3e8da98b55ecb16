"""The angle reference at the index."""

import pytest

from rig.signal.events import Reason, Rejection, Settings
from rig.signal.track import Track

SETTINGS = Settings(4096)


def test_a_whole_turn_at_each_leading_edge() -> None:
    track = Track(SETTINGS)
    assert track.passed(100.25, 0, 1).crank_deg == 360.0
    assert track.passed(100.25 + 4096, 1, 1).crank_deg == 720.0
    assert track.crank_deg(100.25) == 360.0
    # 4096 counts lie between two index pulses (textbook quadrature, from memory), 0.087890625 each.
    assert track.crank_deg(101.25) == pytest.approx(360.087890625, abs=1e-9)


def test_the_first_pass_backwards_is_angle_zero() -> None:
    track = Track(SETTINGS)
    assert track.passed(100.0, 0, -1).crank_deg == 0.0


def test_an_encoder_mounted_the_other_way_round() -> None:
    track = Track(Settings(4096, direction=-1))
    track.passed(100.0, 0, 1)
    assert track.passed(100.0 - 4096, 1, 1).crank_deg == 720.0


def test_a_reversal_over_the_index_anchors_nothing_again() -> None:
    track = Track(SETTINGS)
    for at, direction in ((100.0, 1), (100.0, -1), (100.4, 1)):
        passed = track.passed(at, 0, direction)
    assert not passed.anchored
    assert track.anchor == 100.0
    assert not track.lost


def test_after_lost_counts_the_next_pass_is_the_anchor() -> None:
    track = Track(SETTINGS)
    track.passed(100.0, 0, 1)
    track.counts_lost(Rejection(Reason.ENCODER_JUMPED))
    passed = track.passed(100.0 + 4096 - 2, 1, 1)
    assert passed.anchored
    assert passed.crank_deg == pytest.approx(720.0)
    assert passed.off_counts == pytest.approx(-2)
    assert not track.lost


def test_one_pass_that_is_off_is_doubted_and_forgotten() -> None:
    track = Track(SETTINGS)
    track.passed(100.0, 0, 1)
    assert not track.passed(1500.0, 1, 1).anchored
    assert track.lost == Rejection(Reason.INDEX_OFF, (1400, 4096))
    track.passed(100.0 + 4096, 2, 1)
    assert not track.lost
    assert track.anchor == 100.0


def test_two_passes_that_agree_with_each_other_are_believed() -> None:
    track = Track(SETTINGS)
    track.passed(100.0, 0, 1)
    track.passed(100.0 + 4096 + 37, 1, 1)
    assert track.lost
    again = track.passed(100.0 + 2 * 4096 + 37, 2, 1)
    assert again.anchored
    assert not track.lost
    assert again.crank_deg == pytest.approx(3 * 360.0)


def test_a_wrong_count_of_a_turn_is_never_believed() -> None:
    track = Track(SETTINGS)
    for turn in range(6):
        track.passed(100.0 + 2400 * turn, turn, 1)
    assert track.lost

"""The angle reference at the index."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.signal.crank_motion import MARK
from rig.signal.events import Reason, Rejection, Settings
from rig.signal.track import IndexInput, Track

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
    track.lost = Rejection(Reason.ENCODER_JUMPED)
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


def index_marks(*t_us: float) -> np.ndarray[tuple[int], np.dtype[np.void]]:
    marks = np.zeros(len(t_us), MARK)
    marks["t_us"] = t_us
    return marks


def decided_by(index: IndexInput, *t_us: float) -> list[tuple[float, float | None]]:
    """When each edge became sure, and its own time."""
    found = index.edges(index_marks(*t_us))
    return [(at, None if mark is None else float(mark["t_us"])) for at, mark in found]


def test_an_index_edge_is_sure_after_a_silence_of_20_us() -> None:
    index = IndexInput()
    assert decided_by(index, 1000.0) == []
    assert index.until(1019.0) == []
    ((at, _),) = index.until(1020.0)
    assert at == 1020.0
    assert decided_by(index, 2000.0, 2010.0) == [(2010.0, None)], "a pulse of 10 us is noise"


@given(st.floats(1.0, 19.0), st.floats(0.0, 1e6), st.floats(20.0, 1e6))
def test_edges_left_out_of_a_burst_of_the_index_decide_nothing(
    early_us: float, later_us: float, after_us: float
) -> None:
    """Neither the edge before the cut, not sure yet, nor the one that ends it is used; the next is,
    however long it took."""
    index = IndexInput()
    assert decided_by(index, 1000.0) == []
    index.cut()
    assert index.until(1000.0 + early_us + later_us) == []
    ends_us = 1000.0 + early_us + later_us
    assert decided_by(index, ends_us) == []
    assert index.until(ends_us + after_us) == []
    next_us = ends_us + after_us
    assert decided_by(index, next_us) == []
    ((_, mark),) = index.until(next_us + 20.0)
    assert mark is not None
    assert float(mark["t_us"]) == next_us


def test_an_index_edge_that_was_sure_before_a_cut_stays() -> None:
    index = IndexInput()
    decided_by(index, 1000.0)
    assert len(index.until(1500.0)) == 1
    index.cut()
    assert index.until(1e9) == []

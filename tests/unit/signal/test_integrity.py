"""Stretches in doubt, and up to when the rig's totals cover what it sent."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from rig.signal import integrity
from rig.signal.events import Reason
from rig.signal.integrity import (
    LATE,
    MOST_WAITING,
    Covered,
    Grown,
    IntegrityMonitor,
    Uncovered,
)
from rig.wire.records import POSITION, Batch, Health, LineError


def positions(
    t_us: list[float], *, behind_us: float = 0.0, illegal: int = -1, lost: int = -1
) -> NDArray[np.void]:
    """Positions whose edges are given up to ``behind_us`` before each."""
    rows = np.zeros(len(t_us), POSITION)
    rows["t_us"] = t_us
    rows["done_us"] = rows["t_us"] - behind_us
    rows["illegal"], rows["lost_edges"] = illegal, lost
    return rows


def health(t_us: float, illegal: int = 0, lost: int = 0) -> Health:
    return Health(t_us, 0, illegal, lost, 0, 5000)


# -- stretches in doubt --------------------------------------------------------------------------


def test_a_doubt_is_over_at_the_first_position_with_nothing_outstanding() -> None:
    monitor = IntegrityMonitor()
    monitor.doubt(100.0, 200.0, Reason.BY_HAND)
    assert monitor.looking
    assert monitor.over(positions([150.0, 199.0])) is None  # too early
    assert monitor.over(positions([250.0], behind_us=1.0)) is None  # edges are outstanding
    row = monitor.over(positions([260.0, 280.0]))
    assert row is not None
    assert (float(row["t_us"]), monitor.looking) == (260.0, False)
    assert [monitor.why(t, t) for t in (99.0, 100.0, 260.0, 261.0)] == [
        None,
        Reason.BY_HAND,
        Reason.BY_HAND,
        None,
    ]
    assert monitor.why(0.0, 100.0) == Reason.BY_HAND  # a passage that reaches into it


def test_a_doubt_that_is_not_over_reaches_to_whatever_comes() -> None:
    monitor = IntegrityMonitor()
    monitor.doubt(100.0, 200.0, Reason.BY_HAND)
    monitor.doubt(50.0, 300.0, Reason.UNSEEN)  # it was further back, and lasts longer
    assert monitor.why(60.0, 60.0) == Reason.BY_HAND
    assert monitor.why(1e9, 1e9) == Reason.BY_HAND
    assert monitor.over(positions([250.0])) is None
    assert monitor.over(positions([300.0])) is not None


@pytest.mark.parametrize(
    ("kind", "count_doubted", "edges_doubted"),
    [
        ("gap", None, True),
        ("interrupted", Reason.LINE_CUT, True),
        ("encoder", Reason.ENCODER_JUMPED, False),
        ("recording", None, False),
        ("unknown-level", None, False),
    ],
)
def test_what_line_error_puts_in_doubt(
    kind: str, count_doubted: Reason | None, edges_doubted: bool
) -> None:
    monitor = IntegrityMonitor()
    assert monitor.line_error(LineError(100.0, kind, "")) == count_doubted
    assert monitor.looking is edges_doubted
    assert monitor.why(150.0, 150.0) == (Reason.LINES_LOST if edges_doubted else None)
    if edges_doubted:  # the position of that very time came before the trouble
        assert monitor.over(positions([100.0])) is None


def test_totals_that_grew() -> None:
    monitor = IntegrityMonitor()
    assert monitor.grown(Grown(100.0, 200.0, 3, 0, jumped=True)) == Reason.ENCODER_JUMPED
    assert monitor.illegal == 3
    assert [monitor.jumping(t) for t in (150.0, 200.0, 201.0)] == [True, True, False]
    assert not monitor.looking
    assert monitor.grown(Grown(300.0, 400.0, 3, 2, unseen=True)) is None
    assert monitor.why(350.0, 350.0) == Reason.UNSEEN
    assert monitor.over(positions([399.0])) is None
    assert monitor.over(positions([400.0])) is not None


@given(
    st.lists(st.tuples(st.integers(0, 99), st.integers(0, 30)), min_size=1, max_size=60),
    st.integers(0, 140),
    st.integers(0, 30),
)
def test_no_doubt_is_forgotten_however_many_there_were(
    stretches: list[tuple[int, int]], at: int, longer: int
) -> None:
    """With room for few of them, a time in doubt stays in doubt; none is then it was not joined."""
    room, integrity.MOST_STRETCHES = integrity.MOST_STRETCHES, 4
    try:
        monitor, true = IntegrityMonitor(), []
        end = 0.0
        for gap, lasting in stretches:
            start = end + gap
            end = start + lasting
            monitor.doubt(start, end, Reason.BY_HAND)
            assert monitor.over(positions([end])) is not None
            true.append((start, end))
        doubted = any(low <= at + longer and high >= at for low, high in true)
        late = len(true) > 8
        assert bool(monitor.why(at, at + longer)) >= doubted
        assert late or bool(monitor.why(at, at + longer)) == doubted
        assert len(monitor._over) <= 8
    finally:
        integrity.MOST_STRETCHES = room


# -- coverage ------------------------------------------------------------------------------------


def test_totals_in_positions_cover_up_to_the_last_of_them() -> None:
    covered = Covered()
    covered.take(Batch(positions=positions([10.0, 30.0], illegal=0, lost=0)))
    assert covered.sure_us == covered.to_us == 30.0
    covered.take(Batch(others=[health(1e6)]))  # tells nothing more
    assert covered.to_us == 30.0


def test_totals_in_health_records_cover_up_to_each() -> None:
    covered = Covered()
    covered.take(Batch(positions=positions([10.0, 30.0])))
    assert covered.sure_us == -math.inf
    assert covered.take(Batch(others=[health(20.0)])) == []
    assert covered.sure_us == 20.0


def test_growth_is_known_from_the_earlier_totals_and_up_to_the_later() -> None:
    covered = Covered()
    covered.take(Batch(others=[health(20.0, 1)]))
    assert covered.take(Batch(others=[health(40.0, 1, lost=5)])) == [
        Grown(t, 40.0, 1, 5, jumped=False, unseen=True) for t in (20.0, 40.0)
    ]
    rows = np.concatenate([positions([t], illegal=n, lost=0) for t, n in ((50.0, 1), (60.0, 2))])
    grown = [g for g in Covered().take(Batch(positions=rows)) if isinstance(g, Grown)]
    assert [(g.t_us, g.to_us, g.jumped) for g in grown[1:]] == [
        (50.0, 60.0, True),
        (60.0, 60.0, True),
    ]


@given(
    st.lists(st.integers(1, 3 * MOST_WAITING), max_size=6),
    st.lists(st.integers(1, 700), min_size=1, max_size=30),
)
def test_what_is_not_covered_in_time_does_not_depend_on_the_cuts(
    apart: list[int], cuts: list[int]
) -> None:
    """Health records so many positions apart: all that lies over ``MOST_WAITING`` before one."""
    total = sum(apart) + 2 * MOST_WAITING
    at = set(np.cumsum(apart).tolist())

    def given_up(pieces: list[int]) -> list[tuple[float, float]]:
        covered, found, low = Covered(), [], 0
        for high in [*np.cumsum(pieces).tolist(), total]:
            rows = [*range(low, min(high, total))]
            batch = Batch(
                positions=positions([float(n) for n in rows]),
                others=[health(n) for n in rows if n in at],
            )
            found += [w for w in covered.take(batch) if isinstance(w, Uncovered)]
            low = max(low, high)
            assert len(covered._waiting_us) <= MOST_WAITING + LATE
        joined: list[tuple[float, float]] = []
        for incident in found:
            if joined and joined[-1][1] == incident.t_us:
                joined[-1] = joined[-1][0], incident.to_us
            else:
                joined.append((incident.t_us, incident.to_us))
        return joined

    whole = given_up([total])
    assert given_up(cuts) == whole
    last = -math.inf
    expected = []
    for n in [*sorted(at), math.inf]:
        upto = n - MOST_WAITING if n < math.inf else total - MOST_WAITING - LATE - 1
        if upto >= 0 and upto > last:
            expected.append((last, float(upto)))
        last = float(n)
    assert whole == expected

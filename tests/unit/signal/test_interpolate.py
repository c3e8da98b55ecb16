"""Placing an event between encoder edges, against motions whose truth is known in closed form."""

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st
from scipy.interpolate import KroghInterpolator
from scipy.optimize import brentq

from rig.signal.interpolate import GLITCH_US, STOPS_WITHIN, interpolate, without_glitch
from rig.wire.records import Edge


def edge(t_us: float, count: int, around: list[tuple[float, int, int]]) -> Edge:
    times = [t if step else math.nan for t, _, step in around]
    return Edge(t_us, 1, 1, count, times, [at for _, at, _ in around], [s for *_, s in around])


NONE = (0.0, 0, 0)


def test_the_worked_example_of_linear_placing() -> None:
    # Plain arithmetic: edges at 1000 and 1480 us, event at 1120 us, q 0.15 degrees, edge 240.
    row = edge(1120, 240, [NONE, (1000, 240, 1), (1480, 241, 1), NONE])
    assert interpolate(row).at * 0.15 == pytest.approx(36.0375, abs=1e-9)


def around_of(
    motion: Callable[[float], float], t: float
) -> tuple[int, list[tuple[float, int, int]]]:
    """Edges beside ``t`` by fine sampling and bisection of ``motion`` (counts over us)."""
    count = math.floor(motion(t))
    edges: list[tuple[float, int, int]] = []
    for way in (-1, 1):
        found: list[tuple[float, int, int]] = []
        c, s = count, t
        step = 1.0
        while len(found) < 2 and abs(s - t) < 200_000:
            nxt = s + way * step
            new = math.floor(motion(nxt))
            if new != c:
                low, high = s, nxt
                for _ in range(60):
                    mid = (low + high) / 2
                    low, high = (mid, high) if math.floor(motion(mid)) == c else (low, mid)
                boundary = max(c, new)
                direction = (new - c) * way
                found.append((high, boundary, direction))
                c = new
            s = nxt
        found += [NONE] * (2 - len(found))
        edges += found[::-1] if way < 0 else found
    return count, edges


@pytest.mark.parametrize("turn_at", [0.55, 0.8, 0.97])
@pytest.mark.parametrize("when", [-900.0, -200.0, 0.0, 300.0, 900.0])
def test_a_hand_that_turns_round_within_a_count(turn_at: float, when: float) -> None:
    """Forward, slower, back: a parabola with its top inside count 100."""

    def motion(t: float) -> float:
        return 100 + turn_at - 4e-7 * t * t

    count, around = around_of(motion, when)
    assert count == 100
    got = interpolate(edge(when, count, around))
    assert got.at == pytest.approx(motion(when), abs=1e-6)
    if when:
        assert got.step == (1 if when < 0 else -1)
        assert got.speed == pytest.approx(-8e-7 * when, abs=1e-9)


@given(
    st.floats(1e-4, 5e-3), st.floats(-3e-8, 3e-8), st.floats(0, 1), st.booleans(),
)  # fmt: skip
def test_against_another_interpolator(
    speed: float, bend: float, offset: float, backwards: bool
) -> None:
    sign = -1 if backwards else 1

    def motion(t: float) -> float:
        return 500 + offset + sign * (speed * t + bend * speed * t * t)

    count, around = around_of(motion, 0.0)
    known = [(t, at) for t, at, step in around if step]
    if len(known) < 4 or len({t for t, _ in known}) < 4:
        return
    got = interpolate(edge(0.0, count, around))
    times, places = (np.array(x, float) for x in zip(*known, strict=True))
    other = float(KroghInterpolator(times, places)(0.0))
    assert got.at == pytest.approx(min(max(other, count), count + 1), abs=1e-6)
    assert got.step == sign


def test_an_event_at_the_instant_of_an_edge_is_on_its_boundary() -> None:
    row = edge(500, 8, [(300, 7, 1), (500, 8, 1), (700, 9, 1), (900, 10, 1)])
    assert interpolate(row).at == pytest.approx(8.0, abs=1e-12)


def test_a_creep_with_no_edge_following_stays_in_its_count() -> None:
    row = edge(100_000, 8, [(0, 7, 1), (60_000, 8, 1), NONE, NONE])
    got = interpolate(row)
    assert 8.0 < got.at < 9.0
    assert got.step == 1


def test_a_crank_that_stands_has_no_direction() -> None:
    row = edge(900_000, 8, [(0, 7, 1), (60_000, 8, 1), NONE, NONE])
    assert interpolate(row).step == 0
    assert interpolate(edge(5, 8, [NONE] * 4)).step == 0


def test_unequal_states_move_the_boundaries() -> None:
    offsets = (0.0, 0.25, -0.1, 0.15)
    # Steady speed through states of widths 1.25, 0.65, 1.25: boundaries 5 and 6 at 5.25 and 5.9.
    row = edge(0, 5, [(-1425, 4, 1), (-175, 5, 1), (475, 6, 1), (1725, 7, 1)])
    got = interpolate(row, offsets)
    assert got.at == pytest.approx(5.25 + 0.175, abs=1e-9)


@given(st.lists(st.floats(-1e5, 1e5), min_size=4, max_size=4), st.integers(-9, 9))
@example([0.0, 0.0, 2e-323, -86.0], 2)
def test_the_place_never_leaves_the_count(times: list[float], count: int) -> None:
    t = sorted(times)
    middle = (t[1] + t[2]) / 2
    row = edge(middle, count, [(t[0], count - 1, 1), (t[1], count, 1),
                               (t[2], count + 1, 1), (t[3], count + 2, 1)])  # fmt: skip
    assert count <= interpolate(row).at <= count + 1


def test_a_steady_slow_down_that_reaches_no_boundary_ends_within_one_and_root_two_spacings() -> (
    None
):
    """Against a search with scipy over all slow-downs: the boundaries passed at times -1 and 0, the
    way left at most one count."""

    def stops_after(slowing: float) -> float:
        return (1.0 - slowing / 2.0) / slowing

    def way_left(slowing: float) -> float:
        return (1.0 - slowing / 2.0) ** 2 / (2.0 * slowing)

    gentlest = brentq(lambda d: way_left(d) - 1.0, 1e-3, 2.0, xtol=1e-14)
    assert stops_after(gentlest) == pytest.approx(STOPS_WITHIN, abs=1e-9)
    for slowing in np.linspace(gentlest, 2.0, 50):
        assert stops_after(slowing) <= STOPS_WITHIN + 1e-9


@pytest.mark.parametrize("spacing_us", [2_000.0, 20_000.0, 60_000.0])
@pytest.mark.parametrize(("spacings", "step"), [(0.5, 1), (2.3, 1), (2.5, 0), (4.0, 0)])
def test_contacts_that_part_soon_after_the_crank_has_stopped(
    spacing_us: float, spacings: float, step: int
) -> None:
    """Within the quarter of a second after a stop no edge follows either; the age of the last edge
    tells the two apart."""
    age = spacings * spacing_us
    row = edge(age, 240, [(-spacing_us, 239, 1), (0.0, 240, 1), NONE, NONE])
    placed = interpolate(row)
    assert placed.step == step
    assert 240.0 <= placed.at <= 241.0


def test_a_creep_slower_than_a_count_in_a_quarter_of_a_second_is_no_stop() -> None:
    row = edge(200_000.0, 240, [(-300_000.0, 239, 1), (0.0, 240, 1), NONE, NONE])
    assert interpolate(row).step == 1


@given(st.floats(6.0 - 4.0 * math.sqrt(2.0), 1.9), st.floats(0.0, 0.99), st.booleans())
@example(6.0 - 4.0 * math.sqrt(2.0), 0.6, False)
def test_a_crank_that_stops_as_the_contacts_open_is_placed_within_half_a_count(
    slowing: float, share: float, backwards: bool
) -> None:
    """Arithmetic of a steady slow-down: it passes a boundary 8 ms after the one before, loses
    ``slowing`` of its speed in each 8 ms, and reaches no other."""
    spacings = share * (1.0 - slowing / 2.0) / slowing
    way = (1.0 - slowing / 2.0) * spacings - slowing / 2.0 * spacings**2
    sign = -1 if backwards else 1
    last = 240 if sign > 0 else 241  # boundary 241 is the upper end of count 240
    before = [(-8_000.0, last - sign, sign), (0.0, last, sign)]
    got = interpolate(edge(8_000.0 * spacings, 240, [*before, NONE, NONE]))
    assert abs(got.at - (last + sign * way)) <= 0.5 + 1e-9
    assert got.step == sign


# -- glitches of the encoder ---------------------------------------------------------------------


def glitched(spacing_us: float, place: float, late_us: int, width_us: float, up: bool) -> Edge:
    """An event at ``place`` in count 240 of a steady crank, and a step onwards or back with the
    same step undone ``width_us`` later; edges at the same instant come before the event."""
    crossed = [((k - 240 - place) * spacing_us, k, 1) for k in range(237, 245)]
    of = 241 if up else 240
    step = 1 if up else -1
    glitch = [(late_us, of, step), (late_us + width_us, of, -step)]
    edges = sorted([*crossed, *glitch])
    before = [each for each in edges if each[0] <= 0.0]
    around = [*before[-2:], *edges[len(before) :][:2]]
    return edge(0.0, 239 + sum(s for _, at, s in before if at > 239 or s < 0), around)


@given(
    st.floats(700.0, 20_000.0),
    st.floats(0.1, 0.9),
    st.integers(-40, 40),
    st.integers(1000, int(GLITCH_US) * 1000 - 1000).map(lambda ns: ns / 1000.0),  # as in recordings
    st.booleans(),
)
def test_a_glitch_at_the_opening_does_not_move_it(
    spacing_us: float, place: float, late_us: int, width_us: float, up: bool
) -> None:
    real = (-place * spacing_us, (1.0 - place) * spacing_us)  # in a glitch it is of both lines
    assume(not any(late_us - 0.001 <= t_us <= late_us + width_us + 0.001 for t_us in real))
    row = glitched(spacing_us, place, late_us, width_us, up)
    cleaned = without_glitch(row)
    beside = min(place, 1.0 - place) * spacing_us < 3.0 * GLITCH_US
    if cleaned is None:  # such an opening is rejected
        assert beside
        return
    # A real edge just beside it may be taken for one of its two steps.
    off = 3.0 * GLITCH_US / spacing_us if beside else 1e-6
    found = interpolate(cleaned)
    assert found.at == pytest.approx(240.0 + place, abs=off)
    assert beside or found.speed == pytest.approx(1.0 / spacing_us)


def test_two_lines_that_flip_together_leave_no_place() -> None:
    around = [(-3_000.0, 240, 1), (0.0, 241, 1), (1.0, 242, 1), (17.0, 242, -1)]
    assert without_glitch(edge(0.0, 241, around)) is None


def test_a_hand_that_turns_round_is_no_glitch() -> None:
    around = [(-3_000.0, 240, 1), (-200.0, 241, 1), (300.0, 241, -1), (4_000.0, 240, -1)]
    row = edge(0.0, 241, around)
    assert without_glitch(row) is row

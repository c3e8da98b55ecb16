"""The board keeps every promise of the line format, seen through a parser that shares no code."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
import tiny_parser as wire
from hypothesis import given, settings
from hypothesis import strategies as st
from launch_engine import launch_engine

from rig.virtual.board import Board, BoardSpec
from rig.virtual.ground_truth import draw
from rig.virtual.motion import Hand
from rig.virtual.pins import Levels, Pins
from rig.virtual.rig import Run, VirtualRig, run

PROFILE = launch_engine()
SPEC = BoardSpec(4096, 2)


class Recorder(VirtualRig):
    """Keeps the pins that the board was given."""

    def __init__(self, *args: object, **options: object) -> None:
        super().__init__(*args, **options)  # type: ignore[arg-type]
        self.pins: list[Pins] = []
        self.start_count = self._world.levels.count % 4
        board = self._board
        assert board is not None
        feed = board.feed

        def keep(pins: Pins) -> list[tuple[float, bytes]]:
            self.pins.append(pins)
            return feed(pins)

        board.feed = keep  # type: ignore[method-assign]

    def carry_out(self, plan: list[str]) -> list[wire.Line]:
        out = b"".join(data for text in plan for part in self.do(text) for _, data in part)
        return wire.parse(out)

    def steps(self) -> tuple[list[int], list[int]]:
        t_us = [int(t * 1e6) for pins in self.pins for t in pins.step_s.tolist()]
        return t_us, [step for pins in self.pins for step in pins.step.tolist()]


command = st.one_of(
    st.tuples(st.sampled_from(["turn", "back"]), st.floats(0.5, 200.0), st.floats(5.0, 300.0)).map(
        lambda c: f"{c[0]} {c[1]:.2f} at {c[2]:.1f}"
    ),
    st.floats(0.01, 0.7).map(lambda s: f"hold {s:.3f}"),
    st.floats(0.01, 0.7).map(lambda s: f"rest {s:.3f}"),
    st.sampled_from(
        ["foot", "lever full retard", "move lower 2.5", "noise dirty", "switch off upper"]
    ),
)
plans = st.lists(command, min_size=1, max_size=5)
noises = st.sampled_from(["clean", "usual", "dirty", "crowded", "worst"])


@settings(max_examples=40, deadline=None)
@given(plans, st.integers(0, 1 << 20), noises, st.sampled_from([0.0, 0.05, 0.6]), st.booleans())
def test_the_format_holds(
    plan: list[str], seed: int, noise: str, tremor: float, backwards: bool
) -> None:
    profile = PROFILE
    if backwards:
        profile = replace(PROFILE, encoder=replace(PROFILE.encoder, direction=-1, index_level=0))
    hidden = draw(profile, seed, noise=noise)
    rig = Recorder(profile, hidden=hidden, hand=Hand(tremor_deg=tremor, regrip_deg=90.0))
    lines = rig.carry_out([*plan, "rest 0.3"])
    assert [line.number for line in lines] == list(range(len(lines)))
    assert [(line.kind, line.fields) for line in lines[:2]] == [
        ("R", ["1"]),
        ("I", ["1", "1000", "2", "virtual-rig"]),
    ]
    _positions_hold(lines, rig)
    _edges_hold(lines, rig)
    _widths_hold(lines, rig)
    assert len(wire.of_kind(lines, "H")) == int(rig.now_s)
    assert len(wire.of_kind(lines, "I")) == 1 + int(rig.now_s) // 2


def _positions_hold(lines: list[wire.Line], rig: Recorder) -> None:
    t_us, steps = rig.steps()
    start = wire.of_kind(lines, "P")[0].signed(1) % 4  # before any movement: the state itself
    count = np.concatenate([[rig.start_count], rig.start_count + np.cumsum(steps)]).astype(int)
    assert start in range(4)
    last_t, last_at = 0, 0
    for line in wire.of_kind(lines, "P"):
        t, now = line.hex(0), line.signed(1)
        at = int(np.searchsorted(t_us, t, side="right"))
        assert now == count[at]
        seen = count[last_at : at + 1]
        assert line.hex(2) == now - seen.min()
        assert line.hex(3) == seen.max() - now
        levels = line.hex(4)
        assert (levels & 1, levels >> 1 & 1) == [(0, 0), (1, 0), (1, 1), (0, 1)][now % 4]
        assert t - last_t in (
            (20_000, 40_000, 60_000, 80_000, 100_000) if at > last_at else (100_000, 20_000)
        )
        last_t, last_at = t, at
    # Nothing that comes later is older than what a position said was done.
    done = 0
    for line in lines:
        if line.kind == "P":
            done = max(done, line.hex(0) - line.hex(5))
        elif line.kind in "CZ":
            assert wire.edges([line])[0].t_us >= done


def _edges_hold(lines: list[wire.Line], rig: Recorder) -> None:
    told = wire.edges(lines)
    assert [e.t_us for e in told] == sorted(e.t_us for e in told)
    real = [
        (int(t * 1e6), number, level)
        for pins in rig.pins
        for t, number, level in zip(
            pins.edge_s.tolist(), pins.edge_input.tolist(), pins.edge_level.tolist(), strict=True
        )
        if number >= 0
    ]
    assert [(e.t_us, e.input, e.level) for e in told] == real[: len(told)]
    assert all(t > (rig.now_s - 0.26) * 1e6 for t, _, _ in real[len(told) :])
    t_us, steps = rig.steps()
    for edge in told:
        after = int(np.searchsorted(t_us, edge.t_us, side="right"))
        assert edge.count == rig.start_count + sum(steps[:after])
        near = [after - 2, after - 1, after, after + 1]
        wanted: list[tuple[int, int] | None] = []
        for k in near:
            inside = 0 <= k < len(t_us) and t_us[k] - edge.t_us <= 250_000
            wanted.append((steps[k], abs(t_us[k] - edge.t_us)) if inside else None)
        assert edge.around == wanted


def _widths_hold(lines: list[wire.Line], rig: Recorder) -> None:
    t_us, steps = rig.steps()
    count = rig.start_count + np.cumsum(steps)
    for line in wire.of_kind(lines, "W")[-2:]:
        upto = int(np.searchsorted(t_us, line.hex(0), side="right"))
        totals, breaks = [0, 0, 0, 0], 1 if upto else 0  # how the first was entered is not known
        for k in range(1, upto):
            lasted = t_us[k] - t_us[k - 1]
            if steps[k] == steps[k - 1] and lasted < 65_536:
                totals[count[k - 1] % 4] += lasted
            else:
                breaks += 1
        assert [line.hex(k) for k in range(2, 7)] == [*totals, breaks]
        assert line.hex(0) % 250_000 == 0


@settings(max_examples=20, deadline=None)
@given(plans, st.integers(0, 1000), st.sampled_from([0.013, 0.05, 0.37, 2.0]), st.booleans())
def test_cut_into_slices_it_says_the_same(
    plan: list[str], seed: int, slice_s: float, cramped: bool
) -> None:
    spec = replace(SPEC, edge_room=6, line_room=600, baud=115_200) if cramped else SPEC
    hidden = draw(PROFILE, seed, noise="worst")
    whole, cut = (VirtualRig(PROFILE, hidden=hidden, board=spec) for _ in range(2))
    one = [line for text in plan for part in whole.do(text) for line in part]
    two = [line for text in plan for part in cut.do(text, slice_s) for line in part]
    assert one == two
    assert whole.truth() == cut.truth()


def test_lines_take_their_time_on_the_wire() -> None:
    lines = run("turn 100 at 100", PROFILE, 1).lines
    for (before_s, _), (due_s, data) in pairwise(lines):
        assert due_s - before_s >= len(data) * 10 / 500_000 - 1e-9


def _pins(edge_us: list[int], step_us: list[int], until_us: int) -> Pins:
    """Contact 1 toggling from 0; the encoder stepping up from count 0."""
    level = (np.arange(len(edge_us)) + 1) % 2
    step = np.ones(len(step_us), np.int64)
    return Pins(
        0.0,
        until_us * 1e-6,
        np.array(step_us) * 1e-6 + 1e-8,
        step,
        np.cumsum(step),
        np.array(edge_us) * 1e-6 + 1e-8,
        np.ones(len(edge_us), np.int64),
        level.astype(np.int64),
    )


def _board_says(spec: BoardSpec, pins: Pins) -> list[wire.Line]:
    board = Board(spec, Levels(0, {0: 0, -1: 0, 1: 0, 2: 0}), 0.0)
    return wire.parse(b"".join(data for _, data in board.feed(pins)))


def test_the_worked_edge_of_the_protocol() -> None:
    # Rose to 1 at 1,200,000 us, count 418; steps 500 and 3,000 us before, 2,000 us after.
    spec = replace(SPEC, count_start=416)
    pins = _pins([1_200_000], [1_197_000, 1_199_500, 1_202_000], 1_500_000)
    (line,) = wire.of_kind(_board_says(spec, pins), "C")
    assert [line.kind, *line.fields] == [
        "C", "1", "1", "124F80", "1A2", "+BB8", "+1F4", "+7D0", ".",
    ]  # fmt: skip


def test_an_edge_waits_250_ms_and_position_says_so() -> None:
    lines = _board_says(SPEC, _pins([305_000], [], 700_000))
    held = {line.hex(0): line.hex(5) for line in wire.of_kind(lines, "P")}
    assert [held[t] for t in (220_000, 320_000, 420_000, 520_000, 620_000)] == [
        0, 15_000, 115_000, 215_000, 0,
    ]  # fmt: skip
    assert wire.edges(lines)[0].around == [None] * 4


def test_a_step_at_the_very_instant_stands_before() -> None:
    (edge,) = wire.edges(_board_says(SPEC, _pins([5000], [3000, 5000, 7000, 8000], 100_000)))
    assert edge.around == [(1, 2000), (1, 0), (1, 2000), (1, 3000)]
    assert edge.count == 2


@pytest.mark.parametrize("room", [4, 10, 40])
def test_a_burst_too_long_keeps_its_ends_and_what_lay_between(room: int) -> None:
    rng = np.random.default_rng(room)
    edge_us = (100_000 + np.cumsum(rng.integers(20, 400, 61))).tolist()
    lines = _board_says(replace(SPEC, edge_room=room), _pins(edge_us, [], 900_000))
    told = [line for line in lines if line.kind in "CX"]
    cut = next(k for k, line in enumerate(told) if line.kind == "X")
    assert [wire.edges([line])[0].t_us for line in told[:cut]] == edge_us[:room]
    number, left_out, first, last, low, high = (told[cut].hex(k) for k in range(6))
    after = wire.edges([told[cut + 1]])[0]
    gone = edge_us[room : room + left_out]
    assert (number, first, last) == (1, gone[0], gone[-1])
    assert after.t_us == edge_us[room + left_out]
    runs = np.diff([edge_us[room - 1], *gone, after.t_us])
    levels = (np.arange(room - 1, room + left_out) + 1) % 2
    assert low == runs[levels == 0].max()
    assert high == runs[levels == 1].max()
    assert wire.edges(lines)[-1].t_us == edge_us[-1]
    assert sum(line.kind == "C" for line in told) + left_out == len(edge_us)


def test_a_clock_about_to_wrap_and_counts_beyond_31_bits() -> None:
    spec = replace(SPEC, clock_start_us=(1 << 32) - 3_000_000, count_start=(1 << 31) - 500)
    result = _run("turn 300 at 60", spec)
    positions = wire.of_kind(wire.parse(result.data), "P")
    t = [line.hex(0) for line in positions]
    wraps = [a > b for a, b in pairwise(t)]
    assert sum(wraps) == 1
    assert all((b - a) % (1 << 32) <= 100_000 for a, b in pairwise(t))
    count = [line.hex(1) for line in positions]
    assert count[0] < 1 << 31 < count[-1]
    assert all(line.hex(1) % 4 == [0, 1, 3, 2][line.hex(4) & 3] for line in positions)


def _run(plan: str, spec: BoardSpec) -> Run:
    return run(plan, PROFILE, 3, board=spec)

"""Wherever a record says that something is missing, at the worst instant around an opening.

The rule is that of ``tests/system/firmware/test_missing_edges.py``: no valid reading is over a
tenth of a degree wrong, none is invented, and an opening that is no reading says why.
"""

from __future__ import annotations

import random
from bisect import bisect_left
from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest
from how_many import how_many
from hypothesis import given, settings
from hypothesis import strategies as st
from rough_pins import NAMES, Held, Story, chatter, found_in, held

from rig.signal.events import Reason, Rejection
from rig.virtual.board import Board, BoardSpec, Timed
from rig.virtual.pins import Levels, Pins
from rig.wire.line import encode
from rig.wire.reader import LineReader
from rig.wire.records import Batch

BOOT_S = 0.05
NUMBERS = {"index": 0} | {name: number for number, name in NAMES.items()}


@dataclass(frozen=True)
class Missing:
    """What goes missing: lines from ``at_ms`` around an opening on, for ``lasting_ms``."""

    kind: str
    which: int  # of the openings and drop-outs, in order of time
    at_ms: float
    lasting_ms: float
    lasts_chatter_ms: float
    seed: int
    room: int = 128  # edges that can wait in the board


KINDS = ("gap", "corrupt", "interrupted", "restart", "edges", "illegal", "burst", "none")
MISSING = st.builds(
    Missing,
    st.sampled_from(KINDS),
    st.integers(0, 11),
    st.floats(-12.0, 30.0),
    st.floats(0.0, 40.0),
    st.sampled_from([0.0, 0.3, 1.0, 3.0, 8.0]),
    st.integers(0, 9),
    st.sampled_from([4, 12, 48]),
)


@cache
def story_of(chatter_ms: float, seed: int) -> tuple[Story, list[float]]:
    """Both contacts open four times, with a drop-out between; and when those things are."""
    dice = random.Random(seed)
    story = Story(speed_deg_s=90.0)
    story.turn()
    times = []
    for contact in (1, 2):
        for deg in story.openings(contact):
            times.append(story.t_us(deg))
            story.opens(contact, deg, chatter(dice, 1e3 * chatter_ms))
            if dice.random() < 0.7:
                times.append(story.t_us(deg - 5.0))
                story.flood(contact, times[-1], 250.0, 8e3)  # one drop-out of 125 us
    return story, sorted(times)


@cache
def pins_of(chatter_ms: float, seed: int) -> tuple[Pins, float]:
    """The story for a virtual board, and when it ends, seconds."""
    story, _ = story_of(chatter_ms, seed)
    changes = story.in_order()
    until_s = changes[-1][0] * 1e-6 + 0.5
    steps = np.array([t_us for t_us, pin, _ in changes if pin in "ab"]) * 1e-6
    edges = [(t_us * 1e-6, NUMBERS[pin], level) for t_us, pin, level in changes if pin not in "ab"]
    t_s, which, level = (np.array(column) for column in zip(*edges, strict=True))
    up = np.ones(len(steps), np.int64)
    return Pins(0.0, until_s, steps, up, np.cumsum(up), t_s, which, level), until_s


def said(missing: Missing, pins: Pins, until_s: float, at_s: float) -> list[list[Timed]]:
    """Lines of one life of the board, or of two."""
    spec = BoardSpec(2400, 2, edge_room=missing.room if missing.kind == "burst" else 128)
    levels = Levels(0, {0: 0, 1: 0, 2: 0, -1: 0})
    board = Board(spec, levels, 0.0)
    if missing.kind not in ("restart", "edges", "illegal"):
        return [board.feed(pins)]
    before = pins.part(0.0, at_s)
    lines = board.feed(before)
    if missing.kind == "restart":
        back_s = at_s + BOOT_S
        levels.follow(pins.part(0.0, back_s))
        return [lines, Board(spec, levels, back_s, cause=2).feed(pins.part(back_s, until_s))]
    if missing.kind == "edges":
        board.lose_edges += 1 + int(missing.lasting_ms) % 5
    else:
        board.counter.merge += 1 + int(missing.lasting_ms) % 3
    return [lines + board.feed(pins.part(at_s, until_s))]


def without_totals(line: bytes) -> bytes:
    """A position as a rig sends it that tells its totals in health records alone."""
    kind, number, *fields, _ = line.decode("ascii").split()
    return encode(kind, int(number, 16), *fields[:6]) if kind == "P" else line


def read(missing: Missing, lives: list[list[Timed]], at_s: float, totals: bool) -> list[Batch]:
    reader = LineReader()
    batches: list[Batch] = []
    for lines in lives:
        texts = [line if totals else without_totals(line) for _, line in lines]
        times = [t_s for t_s, _ in lines]
        first, last = (bisect_left(times, at_s + 1e-3 * ms) for ms in (0.0, missing.lasting_ms))
        if missing.kind == "gap":
            del texts[first:last]
        elif missing.kind == "corrupt" and first < len(texts):
            texts[first] = texts[first][:-3] + b"?\n"
        elif missing.kind == "interrupted":
            batches += reader.feed(b"".join(texts[:first]) + texts[first][:7])
            batches += reader.interrupted()
            texts = texts[last:]
        batches += reader.feed(b"".join(texts))
    return batches + reader.finish()


def hold(missing: Missing, totals: bool = True) -> Held:
    of = missing.lasts_chatter_ms, missing.seed
    story, times = story_of(*of)
    at_s = (times[missing.which % len(times)] + 1e3 * missing.at_ms) * 1e-6
    pins, until_s = pins_of(*of)
    batches = read(missing, said(missing, pins, until_s, at_s), at_s, totals)
    result = held(story, found_in(batches), 6.0 + 0.1 * missing.lasts_chatter_ms)
    assert result.wrong == [], missing
    assert result.invented == [], missing
    # What opened while the rig was away nobody can say, nor what opened and closed unseen between
    # two health records of a rig that tells its totals there alone.
    if missing.kind != "restart" and (totals or missing.kind != "edges"):
        assert result.silent == [], missing
    return result


@settings(max_examples=30, deadline=None)
@given(MISSING)
def test_nothing_is_wrong_nor_invented_nor_silent(missing: Missing) -> None:
    hold(missing)


@settings(max_examples=15, deadline=None)
@given(MISSING)
def test_nor_with_a_rig_that_tells_its_totals_in_health_records_alone(missing: Missing) -> None:
    hold(missing, totals=False)


@pytest.mark.slow
@settings(max_examples=how_many(80), deadline=None)
@given(MISSING, st.booleans())
def test_many_more(missing: Missing, totals: bool) -> None:
    hold(missing, totals)


@pytest.mark.parametrize("totals", [True, False])
def test_with_nothing_missing_all_are_valid(totals: bool) -> None:
    assert len(hold(Missing("none", 0, 0.0, 0.0, 1.0, 1), totals).right) == 8


@pytest.mark.parametrize("totals", [True, False])
def test_what_no_totals_cover_yet_is_no_reading(totals: bool) -> None:
    """A recording that ends between two health records, at 1 and 2 s, or between two positions."""
    missing = Missing("none", 0, 0.0, 0.0, 1.0, 1)
    (lines,) = said(missing, *pins_of(1.0, 1), 0.0)
    heard = [line for t_s, line in lines if t_s < 1.9]
    reader = LineReader()
    text = b"".join(heard if totals else map(without_totals, heard))
    found = found_in([*reader.feed(text), *reader.finish()])
    late = [o for o in found if o.t_us > 1e6]
    assert late
    assert all(o.valid for o in found if o.t_us < 0.99e6)
    assert {o.rejection for o in late} == {None if totals else Rejection(Reason.NOT_COVERED)}


@pytest.mark.parametrize("room", [4, 48])
def test_a_burst_that_finds_no_room_is_read_all_the_same(room: int) -> None:
    assert len(hold(Missing("burst", 0, 0.0, 0.0, 8.0, 2, room)).right) == 8


@cache
def sound() -> tuple[Story, list[bytes]]:
    """A story, and its lines with nothing missing."""
    missing = Missing("none", 0, 0.0, 0.0, 0.0, 1)
    story, _ = story_of(0.0, 1)
    (lines,) = said(missing, *pins_of(0.0, 1), 0.0)
    return story, [line for _, line in lines]


@settings(max_examples=10, deadline=None)
@given(st.sampled_from("CZ"), st.integers(0, 7), st.integers(16, 2**20), st.sampled_from([1, -1]))
def test_an_edge_whose_count_no_position_allows_is_damaged(
    kind: str, which: int, off: int, way: int
) -> None:
    """A line that is sound but for its count; 16 counts are more than the crank turns between two
    positions. An index like that is no index: all readings stay what they are."""
    story, lines = sound()
    lines = list(lines)
    level = {"C": 1, "Z": 0}[kind]  # which field it is
    parts = {nth: line.decode("ascii").split()[1:-1] for nth, line in enumerate(lines)
             if line.startswith(kind.encode())}  # fmt: skip
    true_us = [story.t_us(deg) for degs in story.true_deg.values() for deg in degs]
    own = [
        nth
        for nth, (_, *fields) in parts.items()
        if fields[level] == "1"
        and (kind == "Z" or min(abs(int(fields[2], 16) - t_us) for t_us in true_us) < 2.0)
    ]
    at = own[which % len(own)]
    number, *fields = parts[at]
    count = (int(fields[level + 2], 16) + way * off) % 2**32
    fields[level + 2] = f"{count:X}"
    lines[at] = encode(kind, int(number, 16), *fields)
    reader = LineReader()
    found = found_in([*reader.feed(b"".join(lines)), *reader.finish()])
    result = held(story, [one for one in found if one.valid], 6.0)
    assert (result.wrong, result.invented) == ([], [])
    rejected = [one.rejection for one in found if not one.valid]
    if kind == "C":
        assert Rejection(Reason.WRONG_COUNT) in rejected
    else:
        assert {each.reason for each in rejected if each} <= {Reason.INDEX_NEVER_MET}

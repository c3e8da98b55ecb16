"""Wrapping numbers carried on; figures are plain arithmetic."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.wire.line import WRAP, Clock, Count, signed_step


def test_the_clock_wraps_after_71_minutes_and_a_half() -> None:
    minutes, seconds = divmod(WRAP / 1e6, 60)
    assert minutes == 71
    assert seconds == pytest.approx(34.967296, abs=1e-6)


def test_modular_differences() -> None:
    assert signed_step(5, 4294967290) == 11
    assert signed_step(4294967290, 5) == -11


@given(st.integers(0, WRAP - 1), st.lists(st.integers(0, 2_000_000_000), max_size=20))
def test_the_clock_goes_on_beyond_32_bits(first: int, steps: list[int]) -> None:
    clock = Clock()
    true = first
    assert clock.unwrap(first) == true
    for step in steps:
        true += step
        assert clock.unwrap(true % WRAP) == true


def test_a_late_record_is_older_not_71_minutes_newer() -> None:
    clock = Clock()
    clock.unwrap(10)
    assert clock.unwrap(WRAP - 100) == -100
    assert clock.latest_us == 10


def test_a_clock_that_runs_backwards_is_no_running_clock() -> None:
    clock = Clock()
    clock.unwrap(900_000_000)
    assert clock.unwrap(5_000) is None


def test_uptime_tells_the_turns_that_went_unseen() -> None:
    clock = Clock()
    assert clock.unwrap(5_000_000) == 5_000_000
    assert clock.uptime(5_000_000, 5) == 0
    assert clock.unwrap(6_000_000) == 6_000_000
    assert clock.uptime(6_000_000, 6 + 4295) == 1
    assert clock.unwrap(7_000_000) == 7_000_000 + WRAP


@given(st.integers(0, WRAP - 1), st.lists(st.integers(-(2**31) + 1, 2**31 - 1), max_size=20))
def test_counts_go_on_beyond_32_bits_both_ways(first: int, steps: list[int]) -> None:
    count = Count()
    true = first if first < 2**31 else first - WRAP
    assert count.unwrap(first) == true
    for step in steps:
        true += step
        assert count.unwrap(true % WRAP) == true

"""Plain lines: one an event, no control codes."""

from __future__ import annotations

import io
import unicodedata
from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st
from screen_states import (
    ASKED,
    GOTO,
    HOSTILE,
    LOST,
    LOWER,
    READING,
    RESET,
    START,
    STATES,
    STOP_IN,
    UPPER,
    spread_over,
)

from rig.live.plain_lines import changes, run
from rig.live.view import UnitView, View


def test_nothing_happened_nothing_said() -> None:
    for view in STATES.values():
        assert changes(view, view) == []


def test_a_moving_crank_is_no_event() -> None:
    moved = replace(READING, crank=replace(READING.crank, btdc_deg=3.0), elapsed_s=800.0)
    assert changes(READING, moved) == []


def read_on(*angles: float) -> UnitView:
    """The unit upper with more readings."""
    fresh = tuple(replace(UPPER.readings[0], btdc_deg=angle) for angle in angles)
    return replace(UPPER, valid=UPPER.valid + len(fresh), readings=(*UPPER.readings, *fresh))


def test_a_counted_reading_is_one_line() -> None:
    more = read_on(36.3)
    assert changes(READING, replace(READING, units=(more, LOWER))) == [
        "upper, full advance: 36.30° BTDC, inside, cylinder 1"
    ]


def test_readings_between_two_looks_are_not_left_out() -> None:
    more = read_on(36.1, 36.2, 36.3)
    lines = changes(READING, replace(READING, units=(more, LOWER)))
    assert [line.split(": ")[1].split(",")[0] for line in lines] == [
        "36.10° BTDC", "36.20° BTDC", "36.30° BTDC",
    ]  # fmt: skip


def test_what_does_not_count_says_why() -> None:
    more = replace(UPPER, rejected=1, why_rejected="the crank went backwards")
    assert changes(READING, replace(READING, units=(more, LOWER))) == [
        "upper, full advance: an opening was rejected: the crank went backwards"
    ]


def test_the_story_of_a_job() -> None:
    story = changes(None, START) + changes(START, STOP_IN) + changes(STOP_IN, READING)
    text = "\n".join(story)
    for words in (
        "Launch engine, four cylinders", "step: connect", "WARNING: Reading a magneto",
        "next: Turn slowly forward", "step: top dead centre",
        "piston stop touched turning forward, 121.52° after the index",
        "piston stop touched turning back, 202.22° after the index",
        "TDC 161.90° after the index ±0.14°", "TDC by stop, 3 + 3 touches",
        "TDC is valid", "firing TDC entered", "upper, full advance: 36.24° BTDC",
        "mean 34.552° BTDC, U 0.092° of 4: late by 0.51°",
        "upper 1.66° before lower: outside by 0.66°",
    ):  # fmt: skip
        assert words in text, words


def test_trouble_is_said() -> None:
    lost = changes(READING, LOST)
    assert any(line.startswith("RIG LOST: Nothing heard") for line in lost)
    assert "line errors: checksum, 3 so far" in lost
    assert "the rig is back" in changes(LOST, READING)
    reset = changes(READING, RESET)
    assert "TDC is not valid: the rig began anew" in reset
    assert "firing TDC LOST: enter it again" in reset


def test_a_noisy_line_does_not_drown_the_rest() -> None:
    reported, old = 0, READING
    for times in range(1, 1001):
        new = replace(READING, rig=replace(READING.rig, line_errors=(("checksum", times),)))
        reported += len(changes(old, new))
        old = new
    assert reported == 10  # 1, 2, 4 ... 512


def test_questions_and_going_to_an_angle() -> None:
    assert changes(READING, ASKED)[0].startswith("QUESTION: Save a certificate now?")
    assert changes(READING, GOTO) == ["going to 36.00° BTDC", "forward, gently"]


def test_run_prints_each_line_once_with_the_time() -> None:
    out = io.StringIO()
    views = iter([START, START, STOP_IN, READING])
    last: list[View] = [START]

    def view() -> View:
        last[0] = next(views, last[0])
        return last[0]

    run(view, stop=lambda: last[0] is READING, out=out, period_s=0.0)
    lines = out.getvalue().splitlines()
    assert lines[0].startswith("   0:00  Launch engine")
    assert len(lines) == len(set(lines))
    assert any(line.startswith("  12:07  step: reading") for line in lines)


@given(st.sampled_from([*HOSTILE]), st.sampled_from(sorted(STATES)))
@settings(deadline=None)
def test_no_control_codes_whatever_the_names(text: str, name: str) -> None:
    out = io.StringIO()
    views = iter([STATES[name], spread_over(text), replace(spread_over(text), question=None)])
    left = [3]

    def view() -> View:
        left[0] -= 1
        return next(views)

    run(view, stop=lambda: left[0] == 1, out=out, period_s=0.0)
    for line in out.getvalue().splitlines():
        assert all(unicodedata.category(character)[0] != "C" for character in line)

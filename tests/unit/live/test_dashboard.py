"""The dashboard: fits everywhere, says everything needed, lets nothing harmful through."""

from __future__ import annotations

import io
import math
import re
import unicodedata
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len
from rich.console import Console
from screen_states import (
    ASKED,
    BENCH,
    EIGHT,
    FOUR,
    GAUGE,
    GOING,
    GOTO,
    GOTO_PAST,
    HOSTILE,
    IMPULSE,
    LOST,
    LOWER,
    ONE,
    PAGE,
    READING,
    RESET,
    START,
    STATES,
    STOP_IN,
    TOUCHES,
    TYPED,
    UPPER,
    VERDICTS,
    spread_over,
)

from rig.guide.action import ActionLine, Question
from rig.guide.advice import LAST_WORD, JobState, advice
from rig.guide.procedure import Panel, PanelLine
from rig.live.canvas import PALETTE, Frame, figure
from rig.live.layout import render
from rig.live.view import ComparisonView, View

SGR = re.compile(r"\x1b\[([0-9;]*)m")


def text_of(view: View, width: int = 80, height: int = 24, unicode: bool = True) -> str:
    return "\n".join(render(view, width, height, unicode=unicode).plain())


def assert_whole(frame: Frame, width: int, height: int) -> None:
    lines = frame.plain()
    assert len(lines) == height
    assert {cell_len(line) for line in lines} == {width}
    for line in lines:
        assert all(unicodedata.category(character)[0] != "C" for character in line)


@given(
    st.sampled_from(sorted(STATES)),
    st.integers(1, 200),
    st.integers(1, 70),
    st.booleans(),
)
@settings(max_examples=200, deadline=None)
def test_every_state_fills_every_size_exactly(
    name: str, width: int, height: int, unicode: bool
) -> None:
    frame = render(STATES[name], width, height, unicode=unicode)
    assert_whole(frame, width, height)
    if not unicode:
        assert all(line.isascii() for line in frame.plain())


@pytest.mark.parametrize("name", sorted(STATES))
@pytest.mark.parametrize("size", [(1, 1), (40, 12), (79, 24), (80, 23), (80, 24), (120, 40)])
def test_sizes_of_common_terminals(name: str, size: tuple[int, int]) -> None:
    assert_whole(render(STATES[name], *size), *size)


def test_all_that_is_needed_stands_on_80_by_24() -> None:
    text = text_of(READING)
    for words in (
        "Launch engine, four cylinders", "READING", "12:07", "rig alive", "virtual rig",
        "TDC by stop, 3 + 3 touches ±0.12°", "stroke stated", "forward 31°/s", "14° of 20°",
        "NOT COUNTING: run-up still too short", "upper", "full advance", "CLOSED", "OPEN",
        "0.24° early, inside", "1.44° late: 0.44° outside", "37", "36", "35", "early", "late",
        "mean 36.22 ±0.16", "n 6", "spread", "0.066", "not counted: the run-up was 14° of 20°",
        "upper opens 1.66° ± 0.14° before lower", "NEXT  Turn on gently", "why", "36.24° BTDC",
        "space", "certificate", "quit",
    ):  # fmt: skip
        assert words in text, words
    for unit in (UPPER, LOWER):
        for line in figure(f"{unit.last_btdc:.2f}", "middle"):
            assert line.rstrip() in text
    for line in figure("152.4", "small"):
        assert line.rstrip() in text


def test_more_on_120_by_40() -> None:
    text = text_of(READING, 120, 40)
    for words in ("2024-05-04-1012.rig", "bench-rig", "no trouble on the line", "cylinder  n"):
        assert words in text
    assert "36.28 ±0.17" in text  # cylinder by cylinder
    assert "34.61  34.49  34.58  34.56" in text  # reading by reading
    for line in figure("36.24", "large"):
        assert line.rstrip() in text


def test_the_last_counted_opening_is_the_largest_and_brightest_thing() -> None:
    frame = render(READING, 80, 24)
    bold = [
        sum(len(text.strip()) for text, role in line if role == "strong" and "█" in text)
        for line in frame.lines
    ]
    assert [row for row, count in enumerate(bold) if count > 12] == [6, 7, 8, 9, 10]


def test_one_unit_has_larger_figures() -> None:
    text = text_of(ONE)
    for line in figure("36.24", "large"):
        assert line.rstrip() in text
    assert "an opening now COUNTS" in text
    assert "ATDC" in text


def test_four_units_and_eight() -> None:
    text = text_of(FOUR)
    for name in ("upper", "lower", "rear", "front"):
        assert f" {name} │" in text
    eight = text_of(EIGHT)
    assert all(f"unit {n} 36.24° BTDC" in eight for n in range(1, 9))
    many = replace(READING, units=tuple(replace(UPPER, name=f"u{n}") for n in range(40)))
    assert re.search(r"and \d+ more", text_of(many))


def test_a_reading_made_on_the_impulse_coupling_is_neither_inside_nor_outside() -> None:
    frame = render(replace(READING, units=(IMPULSE,)), 80, 24)
    roles = {role for line in frame.lines for text, role in line if "late on purpose" in text}
    assert roles == {"tag"}
    assert "impulse coupling" in text_of(replace(READING, units=(IMPULSE,)))


def test_no_reference_is_said_and_no_angle_shown() -> None:
    text = text_of(RESET)
    assert "CRANK ANGLE NOT KNOWN" in text
    assert "DOES NOT HOLD" in text
    assert "stroke LOST: state it again" in text
    assert "the rig was reset; the index has to pass" in text
    assert "stroke not stated │ one crank turn out" in text


def test_the_start_shows_the_whole_caution() -> None:
    text = " ".join(text_of(START).split())
    assert START.caution in text
    assert "nothing heard yet" in text
    assert "contacts ?" in text


def test_the_caution_of_a_propeller_is_whole_with_the_last_word_at_its_end() -> None:
    caution = advice(JobState(propeller=True)).caution
    text = " ".join(text_of(replace(START, caution=caution)).split())
    assert caution in text
    assert caution.endswith(LAST_WORD)


def test_the_verdict_of_two_units_is_said_once() -> None:
    words = "upper opens 0.49 degrees after lower, inconclusive"
    view = replace(READING, comparisons=(
        ComparisonView("upper", "lower", words, -0.49, 0.52, "inconclusive"),
    ))  # fmt: skip
    (line,) = (line for line in text_of(view).splitlines() if words in line)
    assert line.count("inconclusive") == 1


def test_the_closing_list_is_whole() -> None:
    closing = (
        "The closing list: stop and gauge out of the plug holes; rig leads off, encoder and its "
        "bracket off the crank; earthing lead back on; switch proved; nuts tight and locked."
    )
    text = " ".join(text_of(replace(READING, comparisons=(), next=closing)).split())
    assert closing in text


def test_stop_in() -> None:
    text = text_of(STOP_IN)
    for words in (
        "the stop is IN: no full turn", "3×  121.49 121.58 121.52", "2×  202.22 202.31", "0.09°",
        "±0.14°", "touched forward", "touched back", "118.4° after the index", "CAUTION",
    ):  # fmt: skip
        assert words in text, words
    for line in figure("161.90", "middle"):
        assert line.rstrip() in text
    scale = next(line for line in text.splitlines() if "◆" in line)
    ends = scale.index("┣"), scale.index("┫")
    assert scale.index("◆") == pytest.approx(sum(ends) / 2, abs=1)


def test_touches_across_the_index_have_the_middle_between_them() -> None:
    across = replace(
        STOP_IN,
        touches=replace(
            TOUCHES, forward_deg=(330.0,), backward_deg=(20.0,),
            middle_deg=355.0,
        ),
    )  # fmt: skip
    scale = next(line for line in text_of(across).splitlines() if "◆" in line)
    assert scale.index("┣") < scale.index("◆") < scale.index("┫")


def test_lost_rig_is_loud_and_the_contacts_are_no_longer_told() -> None:
    text = text_of(LOST)
    assert " RIG LOST " in text
    assert "silent for 0:04" in text
    assert "Check the cable" in text
    assert "checksum 3, gap 1" in text
    assert "CLOSED" not in text
    assert "36.22 ±0.16" in text  # what was read stays


def test_question_and_entry() -> None:
    text = text_of(ASKED)
    assert "QUESTION" in text
    assert "Two cylinders of lower have not been read" in text
    assert " y  save it" in text
    assert " n  go on reading" in text
    assert "36.5_" in text_of(TYPED)


def test_a_long_entry_shows_its_end() -> None:
    long = replace(READING, question=Question("Name?", entry="x" * 200 + "END"))
    assert "END_" in text_of(long)


def test_going_to_an_angle() -> None:
    text = text_of(GOTO)
    for words in ("going to 36.00° BTDC", "from the right side", "125.7 mm round the rim", "to go"):
        assert words in text
    past = text_of(GOTO_PAST)
    assert "NOT from the right side" in past
    assert "PAST it" in past
    assert "upper (being moved): contacts CLOSED" in past


def test_a_panel_has_its_figure_first_and_its_lines_below() -> None:
    text = text_of(GAUGE)
    for words in (
        "top dead centre by gauge", "no full turn", "TDC so far, fit", "3×  1.87", "DOUBT",
        "± 0.03°", "no. 6", "CAUTION",
    ):  # fmt: skip
        assert " ".join(words.split()) in " ".join(text.split()), words
    for line in figure("161.94", "middle"):
        assert line.rstrip() in text
    bad = {role for line in render(GAUGE, 80, 24).lines for part, role in line if "fit;" in part}
    assert bad == {"outside"}


def test_more_lines_than_there_is_room_for_are_counted() -> None:
    text = text_of(VERDICTS)
    told = sum(f"thing {n}:" in text for n in range(20))
    assert f"and {20 - told} more" in text
    whole = text_of(VERDICTS, 120, 50)
    assert all(f"thing {n}:" in whole for n in range(20))


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (60, 20)])
def test_the_page_of_all_keys(size: tuple[int, int]) -> None:
    text = text_of(PAGE, *size)
    for action in PAGE.actions:
        assert action.does in text
        assert action.undo in text or size[0] < 80


def test_a_long_page_takes_the_place_of_the_crank_and_then_counts() -> None:
    actions = tuple(ActionLine(chr(65 + n), f"action {n}", "back") for n in range(40))
    text = text_of(replace(PAGE, actions=actions))
    told = sum(f"action {n} " in text for n in range(40))
    assert told >= 18
    assert f"and {40 - told} more" in text
    assert "crank now" not in text


def test_a_unit_by_itself_has_no_dead_centre() -> None:
    text = text_of(BENCH)
    assert "A UNIT ON THE BENCH" in text
    assert "its shaft, after the index" in text
    assert "TDC" not in text
    for line in figure("203.4", "small"):
        assert line.rstrip() in text


@pytest.mark.parametrize("size", [(40, 12), (34, 8), (50, 10)])
def test_small_terminals_keep_angle_and_readings(size: tuple[int, int]) -> None:
    text = text_of(READING, *size)
    assert "152.4° BTDC" in text
    assert "36.24° BTDC" in text
    assert "34.56° BTDC" in text
    assert f"80x24 shows all; this is {size[0]}x{size[1]}" in text


def test_small_terminals_show_a_question_before_all_else() -> None:
    text = " ".join(text_of(ASKED, 40, 4).split())
    assert ASKED.question is not None
    assert ASKED.question.text in text


def test_no_colour_means_no_colour() -> None:
    for view in STATES.values():
        frame = render(view, 80, 24, colour=False)
        codes = {
            code
            for line in frame.ansi()
            for parameters in SGR.findall(line)
            for code in parameters.split(";")
        }
        assert codes <= {"0", "1", "7"}  # plain, bold, reversed: ECMA-48 8.3.117


def test_colour_never_carries_meaning_alone() -> None:
    """Whatever is drawn for inside or outside has a word for it in the same row or label."""
    with_colour = render(READING, 80, 24).plain()
    without = render(READING, 80, 24, colour=False).plain()
    assert with_colour == without
    assert "inside" in "\n".join(without)
    assert "outside" in "\n".join(without)


def luminance(colour: str) -> float:
    parts = [int(colour[place : place + 2], 16) / 255.0 for place in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.03928 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("name", sorted(PALETTE))
@pytest.mark.parametrize("ground", ["#000000", "#ffffff"])
def test_colours_stand_out_on_dark_and_light_ground(name: str, ground: str) -> None:
    """WCAG 2.1, success criterion 1.4.11: 3 to 1 (relative luminance as defined there)."""
    lighter, darker = sorted((luminance(PALETTE[name][1]), luminance(ground)), reverse=True)
    assert (lighter + 0.05) / (darker + 0.05) >= 3.0


def test_palette_numbers_are_the_colours_they_are_said_to_be() -> None:
    """The 6 by 6 by 6 cube and the grey ramp of the 256 colours (common practice, no source)."""
    steps = (0, 95, 135, 175, 215, 255)
    for number, colour in PALETTE.values():
        if number >= 232:
            parts = [8 + 10 * (number - 232)] * 3
        else:
            cube = number - 16
            parts = [steps[cube // 36], steps[cube // 6 % 6], steps[cube % 6]]
        assert colour == "#" + "".join(f"{part:02x}" for part in parts)


@pytest.mark.parametrize("text", HOSTILE)
@pytest.mark.parametrize("size", [(80, 24), (120, 40), (40, 12)])
def test_hostile_text_is_shown_harmless(text: str, size: tuple[int, int]) -> None:
    view = spread_over(text)
    for state in (
        view,
        replace(view, question=Question(text, text, text, entry=text)),
        replace(view, touches=replace(TOUCHES, note=text)),
        replace(view, goto=replace(GOING, words=text, unit=text)),
        replace(view, rig=replace(view.rig, connected=False)),
        replace(view, panel=Panel(text, text, "1.5", below=text,
                                  beside=(PanelLine(text, text),), lines=(PanelLine(text, text),))),
        replace(view, actions=(ActionLine(text, text, text),)),
        replace(view, instead=text, crank=replace(view.crank, shaft=text, after_index_deg=1.0)),
    ):  # fmt: skip
        frame = render(state, *size)
        assert_whole(frame, *size)
        for line in frame.ansi():
            assert "\x1b" not in SGR.sub("", line)


@given(st.text(max_size=60), st.sampled_from([(80, 24), (120, 40), (33, 9)]), st.booleans())
@settings(max_examples=50, deadline=None)
def test_any_text_stays_within_the_frame(text: str, size: tuple[int, int], unicode: bool) -> None:
    frame = render(spread_over(text), *size, unicode=unicode)
    assert_whole(frame, *size)
    "".join(frame.plain()).encode("utf-8" if unicode else "ascii")


@given(
    st.one_of(st.none(), st.floats(allow_nan=True, allow_infinity=True)),
    st.one_of(st.none(), st.floats(0.0, 1e3)),
    st.lists(st.floats(-1e6, 1e6), max_size=30),
)
@settings(max_examples=50, deadline=None)
def test_any_figures_stay_within_the_frame(
    angle: float | None, U_deg: float | None, readings: list[float]
) -> None:
    unit = replace(
        UPPER, last_btdc=angle, mean_btdc=angle, U_deg=U_deg, sd_deg=U_deg,
        readings_btdc=tuple(readings),
    )  # fmt: skip
    crank = replace(READING.crank, btdc_deg=angle, run_up_deg=abs(angle or 0.0))
    for size in ((80, 24), (120, 40), (40, 12)):
        assert_whole(render(replace(READING, units=(unit, unit), crank=crank), *size), *size)


def test_figures_are_shown_to_two_figures_of_their_uncertainty() -> None:
    coarse = replace(UPPER, U_deg=1.04, last_btdc=36.24)
    text = text_of(replace(READING, units=(coarse,)))
    assert "mean 36.2 ±1.0" in text
    fine = replace(UPPER, U_deg=0.004)
    assert "mean 36.2230 ±0.0040" in text_of(replace(READING, units=(fine,)))


def test_rich_prints_a_frame() -> None:
    frame = render(READING, 80, 24)
    out = io.StringIO()
    console = Console(file=out, force_terminal=True, color_system="256", width=80, height=24)
    console.print(frame, end="")
    lines = SGR.sub("", out.getvalue()).splitlines()
    assert lines[:24] == frame.plain()
    assert "38;5;33" in out.getvalue()


def test_nothing_moves_when_only_the_crank_moves() -> None:
    """Lines that do not speak of the crank stay as they are, so that the eye is not drawn away."""
    one = render(READING, 80, 24).plain()
    moved = replace(READING, crank=replace(READING.crank, btdc_deg=-7.0, run_up_deg=19.0))
    other = render(moved, 80, 24).plain()
    assert [row for row in range(24) if one[row] != other[row]] == [2, 3, 4]


def test_infinite_speed_does_not_end_the_screen() -> None:
    wild = replace(READING.crank, speed_deg_s=math.inf, run_up_deg=math.inf)
    assert_whole(render(replace(READING, crank=wild), 80, 24), 80, 24)

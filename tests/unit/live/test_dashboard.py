"""The dashboard: fits everywhere, says everything needed, lets nothing harmful through."""

from __future__ import annotations

import math
import re
import unicodedata
from dataclasses import replace
from typing import Literal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len
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
    made,
    spread_over,
)

from rig.base import rounding
from rig.base.uncertainty import Contribution, Source, combine
from rig.guide.action import ActionLine, Question
from rig.guide.procedure import Panel, PanelLine
from rig.live.layout import render
from rig.live.text import PALETTE, Frame, blocks
from rig.live.view import View
from rig.timing.assess import UnitVerdict
from rig.timing.values import Verdict
from rig.words.assessments import verdict_words

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


def shows(text: str, words: str, size: Literal["small", "large"]) -> bool:
    """Whether the large letters of ``words`` stand in ``text``."""
    return all(line.rstrip() in text for line in blocks(words, size))


def test_all_that_is_needed_stands_on_80_by_24() -> None:
    text = text_of(READING)
    for words in (
        "Launch engine, four cylinders", "READING", "12:07", "connected", "virtual rig",
        "TDC, U 0.12°", "firing TDC entered", "forward 31°/s", "14° of 20°",
        "NOT VALID now: approach still too short", "upper", "full advance", "as found",
        "contacts closed", "contacts open", "last 36.24° inside", "last 34.56° late", "37", "35",
        "mean 36.223° BTDC", "n 6", "SD 0.067", "rejected lower: approach of 14.2° only",
        "upper 1.66° before lower: outside by 0.66°", "NEXT    Turn slowly forward",
        "Five readings a unit", "past the openings, then press l", "space", "certificate", "quit",
    ):  # fmt: skip
        assert words in text, words
    assert shows(text, "INSIDE", "small")
    assert shows(text, "LATE 0.51°", "small")
    assert shows(text, "152.4", "small")


def test_more_on_120_by_40() -> None:
    text = text_of(READING, 120, 40)
    for words in ("2024-05-04-1012.rig", "bench-rig", "line OK", "cylinder n"):
        assert words in text
    assert "36.29° BTDC, U 0.12°" in text  # cylinder by cylinder
    assert shows(text, "INSIDE", "large")
    assert shows(text, "LATE 0.51°", "large")


@pytest.mark.parametrize(("width", "height"), [(80, 24), (100, 30), (120, 40)])
def test_the_verdict_is_the_largest_and_brightest_thing(width: int, height: int) -> None:
    """Bold letters of blocks are those of verdicts alone; the crank's angle is quiet."""
    for name, words in (("reading", ("INSIDE", "LATE 0.51°")),
                        ("inconclusive", ("INSIDE", "INCONCLUSIVE")),
                        ("far", ("EARLY 24.08°", "LATE 0.51°"))):  # fmt: skip
        frame = render(STATES[name], width, height)
        bold = [
            text
            for line in frame.runs()
            for text, style in line
            if style.bold and "█" in text and len(text.strip()) > 12 and set(text) != {"█"}
        ]
        size: Literal["small", "large"] = "large" if width >= 120 else "small"
        wanted = [line.rstrip() for each in words for line in blocks(each, size)]
        assert [text.rstrip() for text in bold] == wanted


def test_one_unit_has_larger_letters() -> None:
    text = text_of(ONE)
    assert shows(text, "INSIDE", "large")
    assert "an opening now is VALID" in text
    assert "ATDC" in text


def test_four_units_and_eight() -> None:
    text = text_of(FOUR)
    assert "── upper │" in text
    for name in ("lower", "rear", "front"):
        assert f"\n {name} " in text
    eight = text_of(EIGHT)
    assert all(f"unit {n} " in eight for n in range(1, 9))
    many = replace(READING, units=tuple(made(f"u{n}", 1, ()) for n in range(40)))
    assert re.search(r"and \d+ more", text_of(many))


def test_a_trip_is_neither_inside_nor_outside() -> None:
    frame = render(replace(READING, units=(IMPULSE,)), 80, 24)
    looks = {str(style) for line in frame.runs() for text, style in line if "trip" in text}
    assert looks == {"bold"}
    assert not re.search("INSIDE|EARLY|LATE", "\n".join(frame.plain()))


def test_one_turn_out_is_a_verdict_of_its_own() -> None:
    assert shows(text_of(RESET), "ONE TURN OUT", "small")


def test_no_reference_is_said_and_no_angle_shown() -> None:
    text = text_of(RESET)
    assert "CRANK ANGLE NOT KNOWN" in text
    assert "NOT VALID" in text
    assert "firing TDC LOST: enter it again" in text
    assert "the rig was reset; the index has to pass" in text


def test_the_start_shows_the_whole_caution() -> None:
    text = " ".join(text_of(START).split())
    assert START.warning in text
    assert "nothing received yet" in text
    assert "contacts ?" in text


def test_stop_in() -> None:
    text = text_of(STOP_IN)
    for words in (
        "piston stop IN: no full turn", "3×  121.49 121.58 121.52", "2×  202.22 202.31", "0.09°",
        "0.14°", "118.4° after the index", "WARNING",
    ):  # fmt: skip
        assert words in text, words
    assert shows(text, "161.90", "large")
    text = text_of(STOP_IN, 120, 40)
    assert "touched forward" in text
    assert "touched back" in text
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
    scale = next(line for line in text_of(across, 120, 40).splitlines() if "◆" in line)
    assert scale.index("┣") < scale.index("◆") < scale.index("┫")


def test_lost_rig_is_loud_and_the_contacts_are_no_longer_told() -> None:
    text = text_of(LOST)
    assert " RIG LOST " in text
    assert "silent for 0:04" in text
    assert "Check the cable" in text
    assert "line errors: 4 " in text  # their kinds where there is room
    assert "checksum 3, gap 1" in text_of(LOST, 120, 40)
    assert "contacts closed" not in text
    assert "mean 36.223° BTDC" in text  # what was read stays


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
    assert "upper, being moved: contacts closed" in past


def test_a_panel_has_its_figure_first_and_its_lines_below() -> None:
    text = text_of(GAUGE)
    for words in (
        "TDC by dial gauge", "no full turn", "TDC so far, fit", "3×  1.87", "DOUBT",
        "± 0.03°", "no. 6", "WARNING",
    ):  # fmt: skip
        assert " ".join(words.split()) in " ".join(text.split()), words
    assert shows(text, "161.94", "large")
    bad = {str(style) for line in render(GAUGE, 80, 24).runs() for part, style in line
           if "fit;" in part}  # fmt: skip
    assert bad == {f"bold color({PALETTE['orange'][0]})"}


def test_more_lines_than_there_is_room_for_are_counted() -> None:
    text = text_of(VERDICTS)
    shown = sum(f"thing {n}:" in text for n in range(20))
    assert f"and {20 - shown} more" in text
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
    listed = sum(f"action {n} " in text for n in range(40))
    assert listed >= 18
    assert f"and {40 - listed} more" in text
    assert "crank from" not in text


def test_a_unit_by_itself_has_no_dead_centre() -> None:
    text = text_of(BENCH)
    assert "A UNIT ON THE BENCH" in text
    assert "its shaft, after the index" in text
    assert "TDC" not in text
    assert shows(text, "203.4", "small")


@pytest.mark.parametrize("size", [(40, 12), (34, 14), (50, 10), (79, 24), (80, 23)])
@pytest.mark.parametrize("name", ["reading", "inconclusive", "far", "start", "stop in"])
def test_small_terminals_keep_angle_verdict_next_and_warning(
    name: str, size: tuple[int, int]
) -> None:
    view = STATES[name]
    text = " ".join(text_of(view, *size).split())
    if view.crank.btdc_deg is not None:
        assert "crank 152.4° BTDC" in text
    for unit in view.units if view.touches is None else ():
        assert unit.unit.name in text
        if unit.verdict.verdict != "no window set":
            assert verdict_words(unit.verdict) in text
    assert view.next + view.then in text
    if size[1] > 10:
        assert view.warning in text


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
    uncertainty = None if U_deg is None else combine(
        [Contribution(Source.OTHER, U_deg / 2.0, math.inf, "B", "test")]
    )  # fmt: skip
    assert UPPER.whole is not None
    whole = replace(UPPER.whole, mean_btdc=angle, uncertainty=uncertainty, sd_deg=U_deg)
    beyond = angle if angle is not None and abs(angle) <= 180.0 else None
    verdict = UnitVerdict("outside", "late", beyond, U_deg)
    unit = replace(
        UPPER, whole=whole, verdict=verdict,
        readings=tuple(replace(UPPER.readings[0], btdc_deg=each) for each in (*readings, angle)),
    )  # fmt: skip
    crank = replace(READING.crank, btdc_deg=angle, approach_deg=abs(angle or 0.0))
    for size in ((80, 24), (120, 40), (40, 12)):
        assert_whole(render(replace(READING, units=(unit, unit), crank=crank), *size), *size)


def test_figures_are_shown_to_two_figures_of_their_uncertainty() -> None:
    assert UPPER.whole is not None
    for U_deg, words in (
        (1.04, "mean 36.2° BTDC, U 1.0°"),
        (0.004, "mean 36.2230° BTDC, U 0.0040°"),
    ):
        uncertainty = combine([Contribution(Source.OTHER, U_deg / 1.96, math.inf, "B", "test")])
        whole = replace(UPPER.whole, mean_btdc=36.223, uncertainty=uncertainty)
        text = text_of(replace(READING, units=(replace(UPPER, whole=whole),)))
        assert words in text


def test_colours_are_of_the_palette_of_256() -> None:
    frame = render(READING, 80, 24)
    assert "38;5;33" in "".join(frame.ansi())
    assert [SGR.sub("", line) for line in frame.ansi()] == frame.plain()


def test_nothing_moves_when_only_the_crank_moves() -> None:
    """Lines that do not speak of the crank stay as they are, so that the eye is not drawn away."""
    one = render(READING, 80, 24).plain()
    moved = replace(READING, crank=replace(READING.crank, btdc_deg=-7.0, approach_deg=19.0))
    other = render(moved, 80, 24).plain()
    assert [row for row in range(24) if one[row] != other[row]] == [2, 3, 4]


def test_infinite_speed_does_not_end_the_screen() -> None:
    wild = replace(READING.crank, speed_deg_s=math.inf, approach_deg=math.inf)
    assert_whole(render(replace(READING, crank=wild), 80, 24), 80, 24)


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
@pytest.mark.parametrize("cylinders", [6, 9])
def test_each_cylinder_has_its_mean_beside_the_verdict(
    cylinders: int, size: tuple[int, int]
) -> None:
    """Where they have room beside its letters: those that are not inside have a star."""
    (one, *_) = UPPER.assessments
    good: Verdict = "inside"
    verdicts: list[Verdict] = [*(good for _ in range(cylinders - 1)), "outside"]
    unit = replace(
        UPPER,
        whole=None,
        assessments=tuple(
            replace(one, cylinder=n, mean_btdc=30.0 + n, verdict=verdict)
            for n, verdict in enumerate(verdicts, 1)
        ),
    )
    text = text_of(replace(READING, units=(unit,)), *size)
    means = [rounding.btdc(30.0 + n, one.U_deg).removesuffix(" BTDC") for n in range(1, cylinders)]
    assert all(f"{n} {mean}" in " ".join(text.split()) for n, mean in enumerate(means, 1))
    assert re.search(rf"{cylinders} {30 + cylinders}\.\d+°\*", text)


@pytest.mark.parametrize("width", [80, 100, 120])
def test_the_head_has_room_for_the_worst(width: int) -> None:
    """A TDC that is not valid, firing TDC lost, line errors of many kinds."""
    reference = replace(READING.reference, valid=False, U_deg=0.045)
    errors = (("interrupted", 120), ("checksum", 31), ("gap", 4))
    rig = replace(READING.rig, line_errors=errors)
    view = replace(READING, rig=rig, reference=reference, stroke="lost", tag="virtual rig, seed 10")
    line = render(view, width, 40).plain()[1]
    assert "…" not in line
    assert all(words in line for words in ("line errors: ", "NOT VALID", "firing TDC LOST"))

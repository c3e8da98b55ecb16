"""What people slip into a TOML file is named with its line, what was found and what to write."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from importlib import resources

import pytest
from engine_text import GOOD, mistakes_of, only, read, swap
from hypothesis import given
from hypothesis import strategies as st

from rig.base.errors import ProfileError
from rig.base.toml_slips import slip_in
from rig.engine.engine_file import WHOLE_NUMBERS, profile_from_bytes


@pytest.mark.parametrize(
    ("line", "write"),
    [
        ("counts_per_turn = 2,400", "counts_per_turn = 2400"),
        ("counts_per_turn = 2,400 counts", "counts_per_turn = 2400"),
        ("counts_per_turn = 1,000,000  # fine", "counts_per_turn = 1000000"),
        ("lobes = 2,0", "lobes = 2"),
    ],
)
def test_a_comma_in_a_whole_number_is_never_a_decimal_one(line: str, write: str) -> None:
    slip = slip_in(line, WHOLE_NUMBERS)
    assert slip is not None
    assert slip.allowed.endswith(f": {write}") or slip.allowed.endswith(f": {write}  # fine")
    assert tomllib.loads(slip.meant) == tomllib.loads(write)
    assert "full stop" not in slip.allowed


def test_keys_of_whole_numbers_are_known() -> None:
    stated = {"counts_per_turn", "cylinders", "lobes", "input", "driver_teeth", "planet_teeth"}
    assert stated | {"slots", "sun_teeth", "unit_teeth"} <= WHOLE_NUMBERS
    (found,) = mistakes_of(swap("counts_per_turn = 2400", "counts_per_turn = 2,400"))
    assert "counts_per_turn = 2400" in str(found)
    assert "2.400" not in str(found)


def test_a_comma_that_may_be_between_thousands_is_said_both_ways() -> None:
    slip = slip_in("rod_mm = 1,500", WHOLE_NUMBERS)
    assert slip is not None
    assert "1500 where" in slip.allowed
    assert "rod_mm = 1.500" in slip.allowed
    slip = slip_in("rod_mm = 86,5", WHOLE_NUMBERS)
    assert slip is not None
    assert "thousands" not in slip.allowed
    assert "rod_mm = 86.5" in slip.allowed


# Slips are what people type, common practice, no source; what is TOML is TOML 1.0, by the library.


@pytest.mark.parametrize(
    ("line", "found", "write"),
    [
        ("name = “upper”", "curly quotes", 'name = "upper"'),
        ("name = ‘upper’", "curly quotes", 'name = "upper"'),
        ("name = “Smith’s upper”", "curly quotes", 'name = "Smith’s upper"'),
        ("offset_mm = −6", "a dash for a minus sign", "offset_mm = -6"),
        ("nominal_deg_btdc = 36,5", "36,5", "nominal_deg_btdc = 36.5"),
        ("nominal_deg_btdc = 36,5 deg", "'deg' after the number", "nominal_deg_btdc = 36.5"),
        ("nominal_deg_btdc = 36°", "'°' after the number", "nominal_deg_btdc = 36"),
        ("stroke_mm = 88 mm", "'mm' after the number", "stroke_mm = 88"),
        ("nominal_deg_btdc: 36", "has : between", "nominal_deg_btdc = 36"),
        ("nominal_deg_btdc 36", "has nothing between", "nominal_deg_btdc = 36"),
        ("nominal_deg_btdc = .5", "no figure before", "nominal_deg_btdc = 0.5"),
        ("nominal_deg_btdc = 36.", "no figure after", "nominal_deg_btdc = 36"),
        ("lobes = 02", "a zero before", "lobes = 2"),
        ("lobes = 2,", "has , after", "lobes = 2"),
        ("counts_per_turn = 2 400", "a space inside a number", "counts_per_turn = 2400"),
        ("turns_per_crank_turn = 1/2", "without quotes", 'turns_per_crank_turn = "1/2"'),
        ("firing_order = 1, 3, 4, 2", "another form", "firing_order = [1, 3, 4, 2]"),
        ("firing_order = 1-3-4-2", "another form", "firing_order = [1, 3, 4, 2]"),
        ("firing_order = [1 3 4 2]", "another form", "firing_order = [1, 3, 4, 2]"),
        ("firing_order = (1, 3, 4, 2)", "another form", "firing_order = [1, 3, 4, 2]"),
        ("firing_order = [1, 3, 4, 2", "another form", "firing_order = [1, 3, 4, 2]"),
        ("rotation = clockwise", "text without quotes", 'rotation = "clockwise"'),
        ('rotation = "clockwise', "not closed", 'rotation = "clockwise"'),
        ('rotation = clockwise"', "at the end alone", 'rotation = "clockwise"'),
        ("rotation = \"clockwise'", "different quotes", 'rotation = "clockwise"'),
        ('seen_from = "the 5" pulley"', "inside double quotes", "seen_from = 'the 5\" pulley'"),
        ('source = "C:\\scans"', "a backslash", "source = 'C:\\scans'"),
        ("both_strokes = Yes", "is Yes", "both_strokes = true"),
        ("both_strokes = False", "is False", "both_strokes = false"),
        ("[engine", "a header with one bracket", "[engine]"),
        ("engine]", "no bracket before", "[engine]"),
        ("[[unit]", "two brackets before", "[[unit]]"),
        ("[encoder] on the crank", "text after a header", "[encoder]  # on the crank"),
        ("; a remark", "begins with ;", "# a remark"),
        ("// a remark", "begins with //", "# a remark"),
        ("lobes =\u00a02", "no-break space (U+00A0)", "lobes = 2"),
        ("lobes\u200b = 2", "zero width space (U+200B)", "lobes = 2"),
    ],
)
def test_a_slip_is_reported_with_what_to_write(line: str, found: str, write: str) -> None:
    slip = slip_in(line)
    assert slip is not None
    assert found in slip.wrong
    assert slip.allowed.endswith(f": {write}")
    assert slip.meant == write
    tomllib.loads(write)


@pytest.mark.parametrize("line", ['name = "upper"', "[engine]", "", "# remark", "lobes = 2"])
def test_a_line_that_is_right_has_none(line: str) -> None:
    assert slip_in(line) is None


def test_the_line_and_the_key_are_named() -> None:
    found = only(swap('name = "upper"', "name = “upper”"))
    assert str(found) == (
        'line 11, unit 1, name: has curly quotes. Straight quotes: name = "upper".'
    )


def test_all_slips_are_named_at_once() -> None:
    text = swap('name = "Test engine"', "name = “Test engine”")
    text = text.replace("nominal_deg_btdc = 36", "nominal_deg_btdc = 36,5")
    text = text.replace("[[together]]", "[[together]")
    assert [each.line for each in mistakes_of(text)] == [2, 18, 27]


def test_a_second_time() -> None:
    found = only(swap("strokes = 4", "strokes = 4\nstrokes = 2"))
    assert str(found) == (
        "line 4, engine, strokes: appears a second time, first in line 3. One of the two lines."
    )
    found = only(swap("[encoder]", "[encoder]\n[encoder]"))
    assert found.line == 9
    assert "a second time, first in line 8" in found.wrong
    assert "[[unit]]" in found.allowed


def test_a_list_that_never_ends() -> None:
    found = only(swap("[1, 3, 4, 2]", "[1, 3,\n4, 2"))
    assert found.line == 5
    assert "not closed" in found.wrong


def test_no_list_of_names_is_empty() -> None:
    text = GOOD.split("[[unit]]")[0] + '[[together]]\nfirst = "upper"\nsecond = "lower"\n'
    for each in mistakes_of(text + "tolerance_deg = 1\n"):
        assert "One of ." not in str(each)
    text = (
        GOOD.split("[[unit]]")[0] + '[[unit]]\n[adjustment]\n[[adjustment.lever]]\nunit = "upper"\n'
    )
    for each in mistakes_of(text):
        assert "One of ." not in str(each)


# --- carriage returns ----------------------------------------------------------------------------


def test_carriage_returns_alone_end_lines() -> None:
    assert profile_from_bytes(GOOD.replace("\n", "\r").encode()) == read(GOOD)
    wrong = swap("strokes = 4", "strokes = 3").replace("\n", "\r")
    assert only(wrong.encode()).line == 3


def test_a_stray_carriage_return_is_reported() -> None:
    # Shown as a line end by some editors and not by others: what was meant is not known.
    found = only(swap("strokes = 4", "strokes = 4 # not\rcylinders = 2"))
    assert found.line == 3
    assert found.wrong == "has a carriage return where no line ends"
    assert "one kind of line end" in found.allowed


# --- damaged engine files ------------------------------------------------------------------------

EXAMPLE = (resources.files("rig.job") / "example.toml").read_text("utf-8")
Damage = Callable[[str], str]


def _value_of(line: str) -> tuple[str, str]:
    head, _, value = line.partition(" = ")
    return f"{head} = ", value.split("  #")[0].rstrip()


def _curly(line: str) -> str:
    head, value = _value_of(line)
    return head + ("“" + value[1:-1] + "”" if value[0] == '"' else value)


def _without_quotes(line: str) -> str:
    head, value = _value_of(line)
    return head + (value[1:-1] if value[0] == '"' else value)


def _comma(line: str) -> str:
    head, value = _value_of(line)
    return head + (value.replace(".", ",") if value.replace(".", "").isdigit() else value)


def _with_unit(line: str) -> str:
    head, value = _value_of(line)
    return head + (f"{value} mm" if value.replace(".", "").isdigit() else value)


def _colon(line: str) -> str:
    return line.replace(" = ", ": ", 1)


def _open_quote(line: str) -> str:
    head, value = _value_of(line)
    return head + (value[:-1] if value[0] == '"' else value)


def _open_list(line: str) -> str:
    head, value = _value_of(line)
    return head + (value[:-1] if value[0] == "[" else value)


def _bracket(line: str) -> str:
    return line[:-1] if line.lstrip().startswith("[") and line.endswith("]") else line


def _no_break_space(line: str) -> str:
    return line.replace(" = ", " =\u00a0", 1)


DAMAGES: tuple[Damage, ...] = (
    *(_curly, _without_quotes, _comma, _with_unit, _colon, _open_quote, _open_list, _bracket),
    _no_break_space,
)
PLACES = [
    (number, damage)
    for number, line in enumerate(EXAMPLE.split("\n"))
    for damage in DAMAGES
    if line and not line.startswith("#") and (" = " in line or damage is _bracket)
    if line.split("  #")[0].rstrip() != damage(line)
    if '""' not in line  # what an empty text was cannot be known
]


@given(st.sampled_from(PLACES))
def test_a_damaged_engine_file_names_the_line_and_the_cure(place: tuple[int, Damage]) -> None:
    number, damage = place
    lines = EXAMPLE.split("\n")
    right = lines[number]
    lines[number] = damage(right)
    try:
        profile_from_bytes("\n".join(lines).encode())
    except ProfileError as error:
        (found,) = error.mistakes
    else:
        raise AssertionError(f"{lines[number]!r} was read")
    assert found.line == number + 1
    assert "not TOML" not in found.wrong
    # What it says to write states what the line stated before.
    said = found.allowed.rpartition(": ")[2] if ": " in found.allowed else found.allowed
    assert tomllib.loads(said) == tomllib.loads(right)


@given(st.sampled_from(EXAMPLE.split("\n")), st.text(max_size=6), st.integers(0, 40))
def test_what_is_reported_to_be_meant_is_toml(line: str, typed: str, at: int) -> None:
    damaged = line[:at] + "".join(c for c in typed if c not in "\r\n") + line[at:]
    slip = slip_in(damaged)
    if slip is not None:
        tomllib.loads(slip.meant)
        assert slip.meant != damaged

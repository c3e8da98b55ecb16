"""What a typed answer to a question says: checked, and kept in one form.

A check gives the answer to keep, or raises InputError with what is allowed; what it gives passes
it again. What is usual on an engine is common practice, no source.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from fractions import Fraction

from rig.base.codec import fraction_of, text_trouble
from rig.base.errors import InputError, shown
from rig.base.rounding import entered, many
from rig.engine.engine_file import MOST_LOBES
from rig.engine.geometry import (
    MM_PER_INCH,
    btdc_from_travel_deg,
    deg_from_rim_rule,
    deg_from_rim_tape,
    throw_from_stroke_mm,
)
from rig.engine.profile import MOST_MM, MOST_TEETH, Geometry

MOST_NEW_UNITS = 4
BACK = "<"
"""Typed in the place of an answer: one question back."""

LEVER, AUTOMATIC, FIXED = "lever", "automatic", "fixed"
NONE = "none"


def each_unit(kept: Mapping[str, str], key: str, unit: str) -> str:
    """The answer for one unit, where one word may stand for all."""
    words = kept[key].split(", ")
    return words[0] if len(words) == 1 else words[kept["units"].split(", ").index(unit)]


def main_setting(advance: str) -> str:
    """The name of the setting that the manual's main figure is for."""
    return {LEVER: "full advance", AUTOMATIC: "weights at rest"}.get(advance, FIXED)


def figure_keys(answer: str) -> tuple[str, str]:
    """A figure as the engine file has it: the end of its key ("deg_btdc", "mm_travel",
    "rim_tape_in") and what is written there."""
    size, _, form = answer.partition(" ")
    if not form:
        return "deg_btdc", size
    unit, of = form.split(" ")
    quoted = f'"{size.replace("_", " ")}"' if "/" in size else size
    return (f"rim_{of}_{unit}" if of in ("tape", "rule") else f"{unit}_{of}"), quoted


def tolerance_key(answer: str) -> tuple[str, str]:
    """A tolerance as the engine file has it: its key and what is written there."""
    size, _, unit = answer.partition(" ")
    quoted = f'"{size.replace("_", " ")}"' if "/" in size else size
    return f"tolerance_{unit or 'deg'}", quoted


def in_mm(key: str, written: str) -> float:
    """The size of a figure that is a length, mm; of one in degrees as it is."""
    size = fraction_of(written.strip('"')) or Fraction(0)
    return float(size) * (MM_PER_INCH if "in" in key.split("_") else 1.0)


def _in_degrees(so_far: Mapping[str, str], key: str, size: float) -> float:
    """A figure (mm where it is a length) in degrees BTDC. Raises InputError where it cannot be."""
    if "travel" in key:
        stroke, rod = float(so_far["stroke"]), float(so_far["rod"])
        geometry = Geometry(throw_from_stroke_mm(stroke, rod, 0.0), rod, 0.0)
        return btdc_from_travel_deg(abs(size), geometry, after=size < 0.0)
    if "rim" in key:
        rim = float(so_far["rim_diameter"])
        return deg_from_rim_rule(size, rim) if "rule" in key else deg_from_rim_tape(size, rim)
    return size


_NUMBER = re.compile(r"([-−+]?)\s*(\d+\s+\d+/\d+|\d+/\d+|\d*[.,]?\d+|\d+[.,])\s*(.*)")
_DEGREES = ("°", "deg", "degs", "degree", "degrees")
_UNITS = {"mm": "mm", "in": "in", "inch": "in", "inches": "in", '"': "in"}
_OF = {"travel": "travel", "drop": "travel", "piston": "travel", "tape": "tape", "round": "tape",
       "rule": "rule", "across": "rule"}  # fmt: skip
_SIDES = {"btdc": 1, "before": 1, "atdc": -1, "after": -1}
_FILLERS = ("of", "rim", "the", "tdc", "top", "dead", "centre")


def a_figure(typed: str) -> str:
    """A figure as typed, kept as ``28``, ``-4``, ``5/16 in travel``, ``110 mm tape``."""
    if not typed.strip():
        return ""
    size, written, words = _number_and(typed)
    units = [_UNITS[word] for word in words if word in _UNITS]
    of = sorted({_OF[word] for word in words if word in _OF})
    of = of or ["tape"] * ("rim" in words)
    sides = [_SIDES[word] for word in words if word in _SIDES]
    known = (*_DEGREES, *_UNITS, *_OF, *_SIDES, *_FILLERS)
    if any(word not in known for word in words) or max(len(units), len(of), len(sides)) > 1:
        raise _no_figure(typed)
    if sides and size < 0:
        raise InputError(f"{shown(typed)}: a minus already means after top dead centre")
    minus = "-" if size < 0 or (sides and sides[0] < 0 and size) else ""
    if not units:
        if of:
            raise InputError(f"{shown(typed)}: enter the length's unit, like 8 mm {words[-1]}")
        deg = -abs(size) if minus else size
        if not -90 <= deg <= 90:
            raise InputError(f"degrees from -90 to 90, not {shown(typed)}")
        return _decimals(deg)
    if not of:
        raise InputError(
            f"{shown(typed)} of what? Enter {written} {units[0]} travel (of the piston), "
            f"{written} {units[0]} rim (tape round it) or {written} {units[0]} rule (across it)"
        )
    if not 0 < abs(size) * (1 if units[0] == "mm" else Fraction("25.4")) <= MOST_MM:
        raise InputError(f"{shown(typed)}: a length above 0 and up to {MOST_MM:g} mm")
    return f"{minus}{written.replace(' ', '_')} {units[0]} {of[0]}"


def _number_and(typed: str) -> tuple[Fraction, str, list[str]]:
    """The number that an answer begins with, how it is written, and the words after it."""
    match = _NUMBER.fullmatch(typed.strip().casefold().replace("_", " "))
    size = None
    if match is not None and len(typed) <= 60:
        written = " ".join(match[2].replace(",", ".").split())
        size = fraction_of(written if written[0] != "." else f"0{written}")
    if match is None or size is None:
        raise _no_figure(typed)
    rest = match[3].replace("°", " ° ").replace('"', ' " ').replace(".", " ")
    return (-size if match[1] in ("-", "−") else size), _tidy(written, size), rest.split()


def _tidy(written: str, size: Fraction) -> str:
    return written if "/" in written else _decimals(size)


def _no_figure(typed: str) -> InputError:
    return InputError(
        f"{shown(typed)}: enter degrees (28, 28°), piston travel (8 mm travel, 5/16 in travel) or a"
        " length of the rim (110 mm rim); after top dead centre: 4 ATDC"
    )


def _decimals(value: Fraction | float) -> str:
    digits = f"{float(value):.9f}".rstrip("0").rstrip(".")
    return "0" if digits == "-0" else digits


def a_tolerance(so_far: Mapping[str, str], kind: str, size: str) -> Callable[[str], str]:
    def check(typed: str) -> str:
        amount, written, words = _amount(typed)
        units = [_UNITS[word] for word in words if word in _UNITS]
        if any(word not in (*_DEGREES, *_UNITS) for word in words) or len(words) > 1:
            raise InputError(f"degrees like 1 or 0.5°, not {shown(typed)}")
        if units and kind == "deg_btdc":
            raise InputError(f"{shown(typed)} is a length, the figure an angle: enter degrees")
        if not units and not Fraction("0.01") <= amount <= 30:
            raise InputError(f"degrees from 0.01 to 30, not {shown(typed)}")
        if units and not 0 < amount <= 100:
            raise InputError(f"a length above 0, not {shown(typed)}")
        answer = f"{written.replace(' ', '_')} {units[0]}" if units else _decimals(amount)
        _half_width_deg(so_far, kind, size, answer)  # the ends have to be places of the crank
        return answer

    return check


def _amount(typed: str) -> tuple[Fraction, str, list[str]]:
    try:
        size, written, words = _number_and(typed)
    except InputError:
        raise InputError(f"degrees from 0.01 to 30, not {shown(typed)}") from None
    if size < 0:
        raise InputError(f"a number above 0, not {shown(typed)}")
    return size, written, words


def _half_width_deg(so_far: Mapping[str, str], kind: str, size: str, tolerance: str) -> float:
    """Half the width of the window that an answer makes, crank degrees."""
    key, written = tolerance_key(tolerance)
    if key == "tolerance_deg":
        return float(written)
    nominal, within = in_mm(kind, size), in_mm(key.replace("tolerance_", ""), written)
    ends = [_in_degrees(so_far, kind, nominal + sign * within) for sign in (1.0, -1.0)]
    return abs(ends[0] - ends[1]) / 2.0


def wide(so_far: Mapping[str, str], kind: str, size: str, tolerance: str) -> str:
    half = _half_width_deg(so_far, kind, size, tolerance)
    if half > 5.0:
        return f"{entered(round(half, 1))}° either way is a wide window; 0.5 to 2 is usual."
    if half < 0.1:
        return f"{half:.2g}° either way is narrower than most readings can decide."
    return ""


def unlikely_figure(answer: str) -> str:
    key, written = figure_keys(answer) if answer else ("", "")
    if key != "deg_btdc" or -5.0 <= float(written) <= 50.0:
        return ""
    side = "before" if float(written) > 0.0 else "after"
    return f"{written.lstrip('-')}° {side} top dead centre is unusual; 0 to 45 is usual."


def later_than(so_far: Mapping[str, str]) -> Callable[[str], str]:
    def doubt(answer: str) -> str:
        if not answer or not so_far.get("figure"):
            return ""
        (key, retard), (other, advance) = figure_keys(answer), figure_keys(so_far["figure"])
        if key == other and in_mm(key, retard) >= in_mm(other, advance):
            return "Full retard is later than full advance, and this is not."
        return unlikely_figure(answer)

    return doubt


def long_slot(answer: str, way: str, radius_mm: float) -> str:
    deg = math.degrees(float(answer) / radius_mm)
    if deg <= 40.0:
        return ""
    return f"{answer} mm {way} at a radius of {radius_mm:g} mm is {deg:.0f}° of the unit."


def unusual(what: str, low: float, high: float, usual: str) -> Callable[[str], str]:
    def doubt(answer: str) -> str:
        if low <= float(answer) <= high:
            return ""
        return f"{answer} {what} is unusual; {usual} is usual."

    return doubt


def a_length(unit: str, low: float, high: float) -> Callable[[str], str]:
    """A length typed in mm or inches, kept in mm."""

    def check(typed: str) -> str:
        try:
            size, _, words = _number_and(typed)
        except InputError:
            size, words = Fraction(-1), ["?"]
        if size < 0 or any(word not in _UNITS for word in words) or len(words) > 1:
            raise InputError(f"a length in {unit}, or inches like 1 3/8 in, not {shown(typed)}")
        mm = float(size) * (MM_PER_INCH if words and _UNITS[words[0]] == "in" else 1.0)
        if not low <= mm <= high:
            raise InputError(f"from {low:g} to {high:g} mm, not {mm:g} mm")
        return _decimals(round(mm, 6))

    return check


def at_least(check: Callable[[str], str], least: float, why: str) -> Callable[[str], str]:
    def both(typed: str) -> str:
        answer = check(typed)
        if float(answer) < least:
            raise InputError(f"{answer} mm: {why}; {BACK} goes back to it")
        return answer

    return both


def _teeth(typed: str) -> tuple[int, int]:
    words = re.split(r"[\s,/:]+", typed.strip())
    if len(words) != 2 or not all(w.isascii() and w.isdigit() and len(w) < 5 for w in words):
        raise InputError(f"two whole numbers of teeth, like 24 48, not {shown(typed)}")
    first, second = map(int, words)
    if not (1 <= first <= MOST_TEETH and 1 <= second <= MOST_TEETH):
        raise InputError(f"from 1 to {MOST_TEETH} teeth, not {shown(typed)}")
    return first, second


def two_teeth(typed: str) -> str:
    return " ".join(map(str, _teeth(typed)))


def equal_teeth(answer: str) -> str:
    first, second = answer.split()
    if first != second:
        return ""
    return f"{many(first, 'tooth', 'teeth')} on both sides give no finer step than one tooth."


def gear_teeth(drive: Fraction) -> Callable[[str], str]:
    def check(typed: str) -> str:
        driver, driven = _teeth(typed)
        if Fraction(driver, driven) != drive:
            raise InputError(
                f"gears of {driver} to {driven} turn the unit at {Fraction(driver, driven)} of the"
                f" crank's speed, and it turns at {drive}; {BACK} goes back"
            )
        return f"{driver} {driven}"

    return check


def usual_order(cylinders: int) -> tuple[int, ...]:
    """A firing order to offer (common practice, no source); the person enters the true one."""
    usual = {4: (1, 3, 4, 2), 5: (1, 2, 4, 5, 3), 6: (1, 5, 3, 6, 2, 4)}
    return usual.get(cylinders, tuple(range(1, cylinders + 1)))


def a_name(typed: str) -> str:
    typed = typed.strip()
    wrong = text_trouble(typed, 40) if typed else "is empty"
    if wrong:
        raise InputError(f"a name of at most 40 printable characters; this one {wrong}")
    return typed


def a_source(typed: str) -> str:
    typed = typed.strip()
    wrong = text_trouble(typed, 300) if typed else "is empty"
    if wrong:
        raise InputError(f"one to 300 printable characters; this {wrong}")
    return typed


def one_of(*words: str) -> Callable[[str], str]:
    def check(typed: str) -> str:
        found = typed.strip().casefold()
        fitting = [word for word in words if found and word.startswith(found)]
        if len(fitting) != 1:
            raise InputError(f"{' or '.join(words)}, not {shown(typed)}")
        return fitting[0]

    return check


def one_or_each(names: Sequence[str], words: Sequence[str]) -> Callable[[str], str]:
    """One of ``words`` for all units, or one for each."""

    def check(typed: str) -> str:
        found = [one_of(*words)(each) for each in typed.split(",")]
        if len(set(found)) == 1 and len(found) <= len(names):
            return found[0]
        if len(found) != len(names):
            raise InputError(f"one word for all, or {len(names)} with commas between")
        return ", ".join(found)

    return check


def some_of(names: Sequence[str]) -> Callable[[str], str]:
    """Some of ``names``, with commas between, all or none."""

    def check(typed: str) -> str:
        asked = [each.strip().casefold() for each in typed.split(",")]
        if asked in ([""], [NONE]):
            return NONE
        if asked == ["all"]:
            return ", ".join(names)
        known = {name.casefold(): name for name in names}
        for each in asked:
            if each not in known:
                raise InputError(f"{', '.join(names)}, all or none; not {shown(each)}")
        chosen = {known[each] for each in asked}
        return ", ".join(name for name in names if name in chosen)

    return check


def a_whole(low: int, high: int) -> Callable[[str], str]:
    def check(typed: str) -> str:
        found = typed.strip()
        if not (found.isascii() and found.isdigit() and len(found) < 10):
            raise InputError(f"a whole number from {low} to {high}, not {shown(typed)}")
        if not low <= int(found) <= high:
            raise InputError(f"from {low} to {high}, not {int(found)}")
        return str(int(found))

    return check


def a_count(typed: str) -> str:
    found = int(a_whole(8, 1_000_000)(typed))
    if found % 4:
        raise InputError(f"{found} is not four times a number of lines; 600 lines are 2400 counts")
    return str(found)


def an_order(cylinders: int) -> Callable[[str], str]:
    def check(typed: str) -> str:
        words = typed.replace(",", " ").replace("-", " ").split()
        if sorted(words) != sorted(str(each) for each in range(1, cylinders + 1)):
            usual = " ".join(map(str, usual_order(cylinders)))
            raise InputError(f"each of the {many(cylinders, 'cylinder')} once, like {usual}")
        return " ".join(words)

    return check


def unit_names(typed: str) -> str:
    names = [a_name(each) for each in typed.split(",")]
    if len({each.casefold() for each in names}) < len(names) or len(names) > MOST_NEW_UNITS:
        raise InputError(f"one to {MOST_NEW_UNITS} different names, with commas between")
    if any(each.casefold() in ("all", NONE, "crank") for each in names):
        raise InputError("other names than all, none and crank, which mean something here")
    return ", ".join(names)


def a_drive(strokes: int, cylinders: int) -> Callable[[str], str]:
    def check(typed: str) -> str:
        turns = fraction_of(typed)
        if turns is None or not Fraction(1, 100) <= turns <= 100:
            raise InputError(f"a number like 1.5 or a fraction like 1/2, not {shown(typed)}")
        lobes = cylinders / (strokes // 2 * turns)
        if lobes.denominator > 1 or not 1 <= lobes <= MOST_LOBES:
            raise InputError(
                f"with {many(turns, 'turn')} a lobe for each of the "
                f"{many(cylinders, 'cylinder')} does not come "
                f"out even ({many(lobes, 'lobe')}); usual are "
                f"{'1/2, 1 or 3/2' if strokes == 4 else '1'}. "
                "A unit that sparks on both strokes, or serves only some cylinders, is written "
                "into the engine file by hand"
            )
        return str(turns)

    return check

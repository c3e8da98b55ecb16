"""Typed answers to the questions: checked, and kept in one form.

A check returns the answer to keep, which passes it again, or raises InputError with what is
allowed. What is usual on an engine is common practice, no source.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
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

Answers = Mapping[str, str]

MOST_NEW_UNITS = 4
BACK = "<"
"""Typed in the place of an answer: one question back."""

LEVER, AUTOMATIC, FIXED = "lever", "automatic", "fixed"
NONE = "none"


def each_unit(kept: Answers, key: str, unit: str) -> str:
    """The answer for one unit, where one word may be for all."""
    words = kept[key].split(", ")
    return words[0] if len(words) == 1 else words[kept["units"].split(", ").index(unit)]


def main_setting(advance: str) -> str:
    """The name of the setting that the manual's main figure is for."""
    return {LEVER: "full advance", AUTOMATIC: "weights at rest"}.get(advance, FIXED)


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure of the manual, or its tolerance; kept as ``28``, ``-4``, ``5/16 in travel``."""

    written: str  # the number, negative after TDC
    unit: str = ""  # "mm" or "in" of a length
    of: str = ""  # "travel" of the piston, "tape" round the rim, "rule" across it

    @classmethod
    def of_answer(cls, answer: str) -> Figure:
        """The figure of an answer that was kept."""
        size, unit, of = (*answer.split(" "), "", "")[:3]
        return cls(size.replace("_", " "), unit, of)

    @property
    def answer(self) -> str:
        return " ".join(filter(None, (self.written.replace(" ", "_"), self.unit, self.of)))

    @property
    def key(self) -> str:
        """The end of its key in the engine file: "deg_btdc", "mm_travel", "rim_tape_in"."""
        if not self.unit:
            return "deg_btdc"
        return f"{self.unit}_travel" if self.of == "travel" else f"rim_{self.of}_{self.unit}"

    @property
    def in_file(self) -> str:
        """What the engine file has at its key."""
        return f'"{self.written}"' if "/" in self.written else self.written

    @property
    def size(self) -> float:
        """Degrees; of a length mm."""
        return float(fraction_of(self.written) or 0) * (MM_PER_INCH if self.unit == "in" else 1.0)

    def half_width_deg(self, tolerance: str, so_far: Answers) -> float:
        """Half the width of the window that a tolerance makes, crank degrees. Raises InputError
        where an end of it is no place of the crank."""
        within = Figure.of_answer(tolerance)
        if not within.unit:
            return within.size
        early, late = (
            self._in_degrees(self.size + end * within.size, so_far) for end in (1.0, -1.0)
        )
        return abs(early - late) / 2.0

    def _in_degrees(self, size_mm: float, so_far: Answers) -> float:
        if self.of == "travel":
            stroke, rod = float(so_far["stroke"]), float(so_far["rod"])
            geometry = Geometry(throw_from_stroke_mm(stroke, rod, 0.0), rod, 0.0)
            return btdc_from_travel_deg(abs(size_mm), geometry, after=size_mm < 0.0)
        from_rim = deg_from_rim_rule if self.of == "rule" else deg_from_rim_tape
        return from_rim(size_mm, float(so_far["rim_diameter"]))


_NUMBER = re.compile(r"([-−+]?)\s*(\d+\s+\d+/\d+|\d+/\d+|\d*[.,]?\d+|\d+[.,])\s*(.*)")
_DEGREES = ("°", "deg", "degs", "degree", "degrees")
_UNITS = {"mm": "mm", "in": "in", "inch": "in", "inches": "in", '"': "in"}
_OF = {"travel": "travel", "drop": "travel", "piston": "travel", "tape": "tape", "round": "tape",
       "rule": "rule", "across": "rule"}  # fmt: skip
_SIDES = {"btdc": 1, "before": 1, "atdc": -1, "after": -1}
_FILLERS = ("of", "rim", "the", "tdc", "top", "dead", "centre")


def _number_and(typed: str) -> tuple[Fraction, str, list[str]] | None:
    """The number that an answer begins with, how it is written without its sign, and the words
    after it."""
    match = _NUMBER.fullmatch(typed.strip().casefold().replace("_", " "))
    if match is None or len(typed) > 60:
        return None
    written = " ".join(match[2].replace(",", ".").split())
    size = fraction_of(f"0{written}" if written[0] == "." else written)
    if size is None:
        return None
    words = re.sub(r'([°"])', r" \1 ", match[3]).replace(".", " ").split()
    written = written if "/" in written else _decimals(size)
    return (-size if match[1] in ("-", "−") else size), written, words


def _decimals(value: Fraction | float) -> str:
    digits = f"{float(value):.9f}".rstrip("0").rstrip(".")
    return "0" if digits == "-0" else digits


def a_figure(typed: str) -> str:
    """A figure in degrees, as piston travel or as a length of the rim; empty if not known."""
    if not typed.strip():
        return ""
    size, written, words = _number_and(typed) or (Fraction(0), "", ["?"])
    units, of = ([table[word] for word in words if word in table] for table in (_UNITS, _OF))
    sides = [_SIDES[word] for word in words if word in _SIDES]
    of = sorted(set(of)) or ["tape"] * ("rim" in words)
    known = (*_DEGREES, *_UNITS, *_OF, *_SIDES, *_FILLERS)
    if any(word not in known for word in words) or max(len(units), len(of), len(sides)) > 1:
        raise InputError(
            f"{shown(typed)}: enter degrees (28, 28°), piston travel (8 mm travel, 5/16 in travel)"
            " or a length of the rim (110 mm rim); after top dead centre: 4 ATDC"
        )
    if sides and size < 0:
        raise InputError(f"{shown(typed)}: a minus already means after top dead centre")
    after = size < 0 or (sides == [-1] and size > 0)
    if not units:
        if of:
            raise InputError(f"{shown(typed)}: enter the length's unit, like 8 mm {words[-1]}")
        if abs(size) > 90:
            raise InputError(f"degrees from -90 to 90, not {shown(typed)}")
        return _decimals(-abs(size) if after else size)
    (unit,) = units
    if not of:
        raise InputError(
            f"{shown(typed)} of what? Enter {written} {unit} travel (of the piston), "
            f"{written} {unit} rim (tape round it) or {written} {unit} rule (across it)"
        )
    if not 0 < abs(size) * (1 if unit == "mm" else Fraction("25.4")) <= MOST_MM:
        raise InputError(f"{shown(typed)}: a length above 0 and up to {MOST_MM:g} mm")
    return Figure("-" * after + written, unit, of[0]).answer


def a_tolerance(typed: str, of: Figure, so_far: Answers) -> str:
    """A tolerance of a figure, in degrees or as a length."""
    size, written, words = _number_and(typed) or (Fraction(0), "0", [])
    units = [_UNITS[word] for word in words if word in _UNITS]
    if size < 0:
        raise InputError(f"a number above 0, not {shown(typed)}")
    if any(word not in (*_DEGREES, *_UNITS) for word in words) or len(words) > 1:
        raise InputError(f"degrees like 1 or 0.5°, not {shown(typed)}")
    if units and not of.unit:
        raise InputError(f"{shown(typed)} is a length, the figure an angle: enter degrees")
    if not units and not Fraction("0.01") <= size <= 30:
        raise InputError(f"degrees from 0.01 to 30, not {shown(typed)}")
    if units and not 0 < size <= 100:
        raise InputError(f"a length above 0, not {shown(typed)}")
    answer = Figure(written, units[0]).answer if units else _decimals(size)
    of.half_width_deg(answer, so_far)
    return answer


def wide(tolerance: str, of: Figure, so_far: Answers) -> str:
    half = of.half_width_deg(tolerance, so_far)
    if half > 5.0:
        return f"{entered(round(half, 1))}° either way is a wide window; 0.5 to 2 is usual."
    if half < 0.1:
        return f"{half:.2g}° either way is narrower than most readings can decide."
    return ""


def unlikely_figure(answer: str) -> str:
    of = Figure.of_answer(answer)
    if not answer or of.unit or -5.0 <= of.size <= 50.0:
        return ""
    side = "before" if of.size > 0.0 else "after"
    return f"{of.written.lstrip('-')}° {side} top dead centre is unusual; 0 to 45 is usual."


def later_than(answer: str, figure: str) -> str:
    """What is unlikely about full retard, beside full advance."""
    if not answer or not figure:
        return ""
    retard, advance = Figure.of_answer(answer), Figure.of_answer(figure)
    if retard.key == advance.key and retard.size >= advance.size:
        return "Full retard is later than full advance, and this is not."
    return unlikely_figure(answer)


def long_slot(answer: str, way: str, radius_mm: float) -> str:
    deg = math.degrees(float(answer) / radius_mm)
    if deg <= 40.0:
        return ""
    return f"{answer} mm {way} at a radius of {radius_mm:g} mm is {deg:.0f}° of the unit."


def unusual(answer: str, what: str, low: float, high: float, usual: str) -> str:
    """What is unlikely about a number outside ``low`` to ``high``."""
    if low <= float(answer) <= high:
        return ""
    return f"{answer} {what} is unusual; {usual} is usual."


def a_length(typed: str, low: float, high: float, least: float = 0.0, why: str = "") -> str:
    """A length typed in mm or inches, kept in mm. One under ``least``, which earlier answers make
    it, is refused with ``why``."""
    size, _, words = _number_and(typed) or (Fraction(-1), "", [])
    if size < 0 or any(word not in _UNITS for word in words) or len(words) > 1:
        raise InputError(f"a length in mm, or inches like 1 3/8 in, not {shown(typed)}")
    mm = float(size) * (MM_PER_INCH if words and _UNITS[words[0]] == "in" else 1.0)
    if not low <= mm <= high:
        raise InputError(f"from {low:g} to {high:g} mm, not {mm:g} mm")
    answer = _decimals(round(mm, 6))
    if float(answer) < least:
        raise InputError(f"{answer} mm: {why}; {BACK} goes back to it")
    return answer


def two_teeth(typed: str) -> str:
    words = re.split(r"[\s,/:]+", typed.strip())
    if len(words) != 2 or not all(w.isascii() and w.isdigit() and len(w) < 5 for w in words):
        raise InputError(f"two whole numbers of teeth, like 24 48, not {shown(typed)}")
    if not all(1 <= int(each) <= MOST_TEETH for each in words):
        raise InputError(f"from 1 to {MOST_TEETH} teeth, not {shown(typed)}")
    return " ".join(str(int(each)) for each in words)


def equal_teeth(answer: str) -> str:
    first, second = answer.split()
    if first != second:
        return ""
    return f"{many(int(first), 'tooth', 'teeth')} on both sides give no finer step than one tooth."


def gear_teeth(typed: str, drive: Fraction) -> str:
    """The teeth of the crank's gear and the unit's, for a unit that turns at ``drive``."""
    answer = two_teeth(typed)
    driver, driven = map(int, answer.split())
    if Fraction(driver, driven) != drive:
        raise InputError(
            f"gears of {driver} to {driven} turn the unit at {Fraction(driver, driven)} of the"
            f" crank's speed, and it turns at {drive}; {BACK} goes back"
        )
    return answer


def usual_order(cylinders: int) -> str:
    """A firing order to offer (common practice, no source); the person enters the true one."""
    usual = {4: "1 3 4 2", 5: "1 2 4 5 3", 6: "1 5 3 6 2 4"}
    return usual.get(cylinders) or " ".join(map(str, range(1, cylinders + 1)))


def a_text(typed: str, longest: int, allowed: str) -> str:
    """One line of printable text; ``allowed`` says so."""
    typed = typed.strip()
    wrong = text_trouble(typed, longest) if typed else "is empty"
    if wrong:
        raise InputError(f"{allowed} {wrong}")
    return typed


def a_name(typed: str) -> str:
    return a_text(typed, 40, "a name of at most 40 printable characters; this one")


def one_of(typed: str, words: Sequence[str]) -> str:
    """One of ``words``, or how it begins."""
    found = typed.strip().casefold()
    fitting = [word for word in words if found and word.startswith(found)]
    if len(fitting) != 1:
        raise InputError(f"{' or '.join(words)}, not {shown(typed)}")
    return fitting[0]


def one_or_each(typed: str, words: Sequence[str], names: Sequence[str]) -> str:
    """One of ``words`` for all of ``names``, or one for each."""
    found = [one_of(each, words) for each in typed.split(",")]
    if len(set(found)) == 1 and len(found) <= len(names):
        return found[0]
    if len(found) != len(names):
        raise InputError(f"one word for all, or {len(names)} with commas between")
    return ", ".join(found)


def some_of(typed: str, names: Sequence[str]) -> str:
    """Some of ``names``, with commas between, all or none; in the order of ``names``."""
    asked = [each.strip().casefold() for each in typed.split(",")]
    if asked in ([""], [NONE]):
        return NONE
    known = [name.casefold() for name in names]
    asked = known if asked == ["all"] else asked
    for each in asked:
        if each not in known:
            raise InputError(f"{', '.join(names)}, all or none; not {shown(each)}")
    return ", ".join(name for name in names if name.casefold() in asked)


def a_whole(typed: str, low: int, high: int) -> str:
    found = typed.strip()
    if not (found.isascii() and found.isdigit() and len(found) < 10):
        raise InputError(f"a whole number from {low} to {high}, not {shown(typed)}")
    if not low <= int(found) <= high:
        raise InputError(f"from {low} to {high}, not {int(found)}")
    return str(int(found))


def a_count(typed: str) -> str:
    found = a_whole(typed, 8, 1_000_000)
    if int(found) % 4:
        raise InputError(f"{found} is not four times a number of lines; 600 lines are 2400 counts")
    return found


def an_order(typed: str, cylinders: int) -> str:
    words = typed.replace(",", " ").replace("-", " ").split()
    if sorted(words) != sorted(str(each) for each in range(1, cylinders + 1)):
        raise InputError(
            f"each of the {many(cylinders, 'cylinder')} once, like {usual_order(cylinders)}"
        )
    return " ".join(words)


def unit_names(typed: str) -> str:
    names = [a_name(each) for each in typed.split(",")]
    if len({each.casefold() for each in names}) < len(names) or len(names) > MOST_NEW_UNITS:
        raise InputError(f"one to {MOST_NEW_UNITS} different names, with commas between")
    if any(each.casefold() in ("all", NONE, "crank") for each in names):
        raise InputError("other names than all, none and crank, which mean something here")
    return ", ".join(names)


def a_drive(typed: str, strokes: int, cylinders: int) -> str:
    turns = fraction_of(typed)
    if turns is None or not Fraction(1, 100) <= turns <= 100:
        raise InputError(f"a number like 1.5 or a fraction like 1/2, not {shown(typed)}")
    lobes = cylinders / (strokes // 2 * turns)
    if lobes.denominator > 1 or not 1 <= lobes <= MOST_LOBES:
        raise InputError(
            f"with {many(turns, 'turn')} a lobe for each of the {many(cylinders, 'cylinder')} does"
            f" not come out even ({many(lobes, 'lobe')}); usual are"
            f" {'1/2, 1 or 3/2' if strokes == 4 else '1'}. A unit that sparks on both strokes, or"
            " serves only some cylinders, is written into the engine file by hand"
        )
    return str(turns)

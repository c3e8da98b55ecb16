"""Between plain data (JSON, TOML) and dataclasses, with types and bounds checked by field.

``to_plain`` and ``from_plain`` serve what the program itself writes. Numbers that JSON lacks are
strings "inf", "-inf" and "nan"; fractions "3/2"; keys of tables strings. A missing field gets its
default, so records from before a field existed can be read; an unknown field is an error, and the
first error ends the reading. ``Bounds`` and ``Longest`` are part of a field's type.

``Section`` serves what a person writes: one table of the engine file, read key by key. Each mistake
goes into the book of mistakes with its line, its key and what is allowed, and reading continues: a
key that is absent or wrong reads as None (text: ""). ``end`` notes unknown keys.
"""

from __future__ import annotations

import difflib
import json
import math
import re
import types
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import MISSING, Field, dataclass, field, fields, is_dataclass
from enum import StrEnum
from fractions import Fraction
from functools import cache
from typing import (
    Annotated,
    Any,
    Literal,
    TypeVar,
    Union,
    cast,
    get_args,
    get_origin,
    get_type_hints,
)

import numpy as np

from rig.base.errors import FieldPath, InputError, MistakeBook, place_name, shown
from rig.base.rounding import many

Reader = Callable[[object], Any]

_NOT_FINITE = {"inf": math.inf, "-inf": -math.inf, "nan": math.nan}
_NAMES = {str: "text", int: "a whole number", bool: "true or false"}
_EXACT_FRACTION = re.compile(r"-?[0-9]{1,30}/[0-9]{1,30}")
_EDITED = "the record was edited"


@dataclass(frozen=True, slots=True)
class Bounds:
    """Least and greatest value of a number, both allowed: ``Annotated[float, Bounds(0, 360)]``."""

    low: float
    high: float

    def wanted(self, value: Any) -> str:
        """What is allowed instead of ``value``; "" if it is allowed."""
        if self.low <= value <= self.high:
            return ""
        most = "" if math.isinf(self.high) else f" to {self.high:g}"
        return f"a number from {self.low:g}{most or ' up'}"


@dataclass(frozen=True, slots=True)
class Longest:
    """The greatest length of a text: ``Annotated[str, Longest(80)]``."""

    characters: int

    def wanted(self, value: Any) -> str:
        """What is allowed instead of ``value``; "" if it is allowed."""
        if len(value) <= self.characters:
            return ""
        return f"text of at most {many(self.characters, 'character')}"


class _WrongError(Exception):
    """A wrong value; ``where`` grows on the way out of the nested values."""

    def __init__(self, words: str, where: str = "") -> None:
        super().__init__(words)
        self.words, self.where = words, where


def json_value(data: bytes, encoding: Literal["utf-8", "ascii"] = "utf-8") -> Any:
    """The value of a JSON text. Raises InputError saying why it is not one."""

    def not_a_number(word: str) -> float:
        raise ValueError(word)

    try:
        return json.loads(data.decode(encoding), parse_constant=not_a_number)
    except UnicodeDecodeError as why:
        name = "UTF-8" if encoding == "utf-8" else "plain ASCII"
        raise InputError(f"byte {why.start + 1} is not {name}") from None
    except json.JSONDecodeError as why:
        raise InputError(f"line {why.lineno} is not JSON ({why.msg.lower()})") from None
    except (RecursionError, ValueError):
        raise InputError("nested too deep, or with a number that JSON cannot hold") from None


def to_plain(value: object) -> Any:
    """``value`` as dicts, lists, strings, numbers, booleans and None.

    Takes dataclasses, mappings, tuples, lists, fractions and NumPy scalars. Raises TypeError for
    anything else, which is a fault of the program.
    """
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, StrEnum):
        return value.value
    if value is None or isinstance(value, (bool, int, str)):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else str(value)
    if isinstance(value, Fraction):
        return f"{value.numerator}/{value.denominator}"
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: to_plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): to_plain(each) for key, each in value.items()}
    if isinstance(value, (tuple, list)):
        return [to_plain(each) for each in value]
    raise TypeError(f"a {type(value).__name__} cannot be part of a record")


def from_plain(kind: type[T], value: object, where: str) -> T:
    """Make a ``kind`` (a dataclass) from plain values; ``where`` begins the path in messages.

    Raises InputError with the path of the first value that is missing, unknown or of a wrong type.
    """
    try:
        made: T = _reader(cast(Hashable, kind))(value)
    except _WrongError as wrong:
        raise InputError(f"{where}{wrong.where}: {wrong.words}.") from None
    return made


@cache
def _reader(kind: Any) -> Reader:
    """The function that reads a value of this type."""
    if isinstance(kind, type) and is_dataclass(kind):
        return _dataclass_reader(kind)
    if isinstance(kind, type) and issubclass(kind, StrEnum):
        return _enum_reader(kind)
    if kind in _NAMES:
        return _plain_reader(kind)
    if kind is float:
        return _number
    if kind is Fraction:
        return _fraction
    makers: dict[Any, Callable[..., Reader]] = {
        tuple: _list_reader,
        dict: _table_reader,
        Literal: _choice_reader,
        Union: _maybe_reader,
        types.UnionType: _maybe_reader,
    }
    if get_origin(kind) is Annotated:
        return _bounded_reader(*get_args(kind))
    make = makers.get(get_origin(kind))
    if make is None:
        raise TypeError(f"no way to read a {kind}")
    return make(*get_args(kind))


def _dataclass_reader(kind: Any) -> Reader:
    hints = get_type_hints(kind, include_extras=True)
    readers = {each.name: _reader(hints[each.name]) for each in fields(kind)}
    needed = [each.name for each in fields(kind) if _has_to_be_there(each)]

    def read(value: object) -> Any:
        if not isinstance(value, dict):
            raise _wrong("a table of named values", value)
        given = {}
        for name, each in value.items():
            if name not in readers:
                words = f"no such field; {_EDITED} or comes from a newer version"
                raise _WrongError(f"{words} of this program", f".{place_name((name,))}")
            try:
                given[name] = readers[name](each)
            except _WrongError as wrong:
                wrong.where = f".{name}{wrong.where}"
                raise
        for name in needed:
            if name not in given:
                raise _WrongError(f"is missing; {_EDITED}", f".{name}")
        return kind(**given)

    return read


def _has_to_be_there(each: Field[Any]) -> bool:
    return each.default is MISSING and each.default_factory is MISSING


def _bounded_reader(kind: Any, bounds: Bounds | Longest) -> Reader:
    reader = _reader(kind)

    def read(value: object) -> Any:
        made = reader(value)
        if wanted := bounds.wanted(made):
            raise _wrong(wanted, value)
        return made

    return read


def _plain_reader(kind: type) -> Reader:
    def read(value: object) -> Any:
        if type(value) is not kind:
            raise _wrong(_NAMES[kind], value)
        return value

    return read


def _enum_reader(kind: type[StrEnum]) -> Reader:
    """By value; ``_missing_`` of the enum converts earlier values."""

    def read(value: object) -> StrEnum:
        try:
            return kind(str(value))
        except ValueError:
            raise _wrong("one of " + ", ".join(repr(each.value) for each in kind), value) from None

    return read


def _list_reader(of: Any, *_rest: Any) -> Reader:
    reader = _reader(of)

    def read(value: object) -> tuple[Any, ...]:
        if not isinstance(value, list):
            raise _wrong("a list", value)
        made = []
        for i, each in enumerate(value):
            try:
                made.append(reader(each))
            except _WrongError as wrong:
                wrong.where = f"[{i}]{wrong.where}"
                raise
        return tuple(made)

    return read


def _table_reader(key_kind: Any, of: Any) -> Reader:
    reader = _reader(of)

    def read(value: object) -> dict[Any, Any]:
        if not isinstance(value, dict):
            raise _wrong("a table", value)
        table: dict[Any, Any] = {}
        for key, each in value.items():
            if key_kind is int and not (key.isascii() and key.isdigit() and len(key) < 6):
                raise _wrong("a table whose keys are whole numbers", key)
            try:
                table[key_kind(key)] = reader(each)
            except _WrongError as wrong:
                wrong.where = f".{place_name((key,))}{wrong.where}"
                raise
        return table

    return read


def _choice_reader(*choices: Any) -> Reader:
    known = {(type(each), each) for each in choices}

    def read(value: object) -> Any:
        if not isinstance(value, (str, int)) or (type(value), value) not in known:
            raise _wrong("one of " + ", ".join(map(repr, choices)), value)
        return value

    return read


def _maybe_reader(*kinds: Any) -> Reader:
    reader = _reader(next(each for each in kinds if each is not type(None)))
    return lambda value: None if value is None else reader(value)


def _number(value: object) -> float:
    if type(value) is float and math.isfinite(value):
        return value  # the usual case, so first
    if isinstance(value, str) and value in _NOT_FINITE:
        return _NOT_FINITE[value]
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise _wrong("a number", value)
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):  # allowed only as words
        raise _wrong("a finite number", value)
    return number


def _fraction(value: object) -> Fraction:
    if not isinstance(value, str) or not _EXACT_FRACTION.fullmatch(value):
        raise _wrong('a fraction such as "1/2"', value)
    try:
        return Fraction(value)
    except ZeroDivisionError:
        raise _wrong('a fraction such as "1/2"', value) from None


def _wrong(wanted: str, value: object) -> _WrongError:
    return _WrongError(f"must be {wanted}, not {shown(value)}; {_EDITED}")


T = TypeVar("T")


def one_of(names: Iterable[str]) -> str:
    """What is allowed when one of ``names`` is wanted."""
    known = ", ".join(names)
    return f"One of {known}" if known else "A name that the file gives; it gives none yet"


LONGEST_COMPARED = 60  # characters of an unknown key that are compared with known ones

_FRACTION = re.compile(r"(-?)(?:([0-9]{1,4})[ -])?([0-9]{1,5})/([0-9]{1,5})")
_DECIMAL = re.compile(r"-?[0-9]{1,6}(?:\.[0-9]{1,9})?")


@dataclass(slots=True)
class Section:
    """A table at ``path``. Bounds are inclusive."""

    table: Mapping[str, Any]
    path: FieldPath
    book: MistakeBook
    known: set[str] = field(default_factory=set)

    def has(self, key: str) -> bool:
        """Whether the key is there; it then counts as known."""
        self.known.add(key)
        return key in self.table

    def note(self, key: str, wrong: str, allowed: str) -> None:
        """Note a mistake at a key of this table, or at the table itself with ""."""
        self.book.note((*self.path, key) if key else self.path, wrong, allowed)

    def missing(self, key: str, allowed: str) -> None:
        """Note that a required key is missing."""
        self.note(key, "is missing", allowed)

    def text(self, key: str, *, longest: int = 80, required: bool = False) -> str:
        """One line of printable text without spaces at its ends; "" if absent or wrong."""
        allowed = f"One line of text in quotes, at most {many(longest, 'character')}"
        if not self.has(key):
            if required:
                self.missing(key, allowed)
            return ""
        value = self.table[key]
        if not isinstance(value, str):
            self.note(key, f"is {shown(value)}", allowed)
            return ""
        wrong = text_trouble(value, longest)
        if wrong:
            self.note(key, wrong, allowed)
            return ""
        if required and not value.strip():
            self.note(key, "is empty", allowed)
        return value.strip()

    def number(
        self, key: str, low: float, high: float, unit: str, *, required: bool = False
    ) -> float | None:
        """A number from ``low`` to ``high``."""
        allowed = f"A number from {low:g} to {high:g}{' ' + unit if unit else ''}"
        if not self.has(key):
            if required:
                self.missing(key, allowed)
            return None
        return self._in_range(key, self.table[key], low, high, allowed)

    def length(self, key: str, low: float, high: float, unit: str) -> float | None:
        """A number, or text like "5/16", "1 3/8" or "-1/8", from ``low`` to ``high``."""
        allowed = f'A number, or a fraction in quotes like "5/16", from {low:g} to {high:g} {unit}'
        if not self.has(key):
            return None
        value = self.table[key]
        if isinstance(value, str):
            fraction = fraction_of(value)
            if fraction is None:
                self.note(key, f"is {shown(value)}", allowed)
                return None
            value = float(fraction)
        return self._in_range(key, value, low, high, allowed)

    def whole(self, key: str, low: int, high: int, *, required: bool = False) -> int | None:
        """A whole number from ``low`` to ``high``."""
        allowed = f"A whole number from {low} to {high}"
        if not self.has(key):
            if required:
                self.missing(key, allowed)
            return None
        value = self.table[key]
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            self.note(key, f"is {shown(value)}", allowed)
            return None
        return value

    def ratio(self, key: str, example: str, *, required: bool = False) -> Fraction | None:
        """A ratio of two speeds: 1, 1.5 or "9/16"; from 1/100 to 100."""
        allowed = f'A number like 1.5, or a fraction in quotes like "{example}", from 1/100 to 100'
        if not self.has(key):
            if required:
                self.missing(key, allowed)
            return None
        value = self.table[key]
        found = fraction_of(value) if isinstance(value, str) else None
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            found = Fraction(repr(value)) if 0.01 <= value <= 100 else None
        if found is None or not Fraction(1, 100) <= found <= 100:
            self.note(key, f"is {shown(value)}", allowed)
            return None
        return found

    def flag(self, key: str) -> bool:
        """true or false; false if absent."""
        if not self.has(key):
            return False
        value = self.table[key]
        if not isinstance(value, bool):
            self.note(key, f"is {shown(value)}", "true or false")
            return False
        return value

    def choice(
        self, key: str, options: Mapping[Any, T], default: T, *, required: bool = False
    ) -> T:
        """The value for one of the keys of ``options``, or the default."""
        allowed = one_of(json.dumps(each) for each in options)
        if not self.has(key):
            if required:
                self.missing(key, allowed)
            return default
        value = self.table[key]
        plain = isinstance(value, (str, int)) and not isinstance(value, bool)
        if not plain or value not in options:
            near = _nearest(value, options) if isinstance(value, str) else ""
            self.note(key, f"is {shown(value)}{near}", allowed)
            return default
        return options[value]

    def whole_list(self, key: str, low: int, high: int, longest: int) -> tuple[int, ...] | None:
        """A list of whole numbers."""
        allowed = f"A list of whole numbers from {low} to {high}, like [1, 2]"
        if not self.has(key):
            return None
        value = self.table[key]
        good = isinstance(value, list) and len(value) <= longest
        if not good or not all(
            isinstance(each, int) and not isinstance(each, bool) and low <= each <= high
            for each in value
        ):
            self.note(key, f"is {_list_shown(value)}", allowed)
            return None
        return tuple(value)

    def number_list(
        self, key: str, low: float, high: float, longest: int
    ) -> tuple[float, ...] | None:
        """A list of numbers."""
        allowed = f"A list of numbers from {low:g} to {high:g}, like [180, 180]"
        if not self.has(key):
            return None
        value = self.table[key]
        if not isinstance(value, list) or len(value) > longest:
            self.note(key, f"is {shown(value)}", allowed)
            return None
        found = [self._in_range(key, each, low, high, allowed) for each in value]
        kept = tuple(each for each in found if each is not None)
        return kept if len(kept) == len(found) else None

    def section(self, key: str) -> Section | None:
        """The table under a key; None if absent."""
        if not self.has(key):
            return None
        value = self.table[key]
        if not isinstance(value, dict):
            header = ".".join(str(part) for part in (*self.path, key) if isinstance(part, str))
            self.note(key, f"is {shown(value)}", f"A table, under a line [{header}]")
            return None
        return Section(value, (*self.path, key), self.book)

    def sections(self, key: str, most: int) -> list[Section]:
        """The tables of a list of tables; none if absent."""
        if not self.has(key):
            return []
        value = self.table[key]
        header = ".".join(str(part) for part in (*self.path, key) if isinstance(part, str))
        if not isinstance(value, list) or not all(isinstance(each, dict) for each in value):
            wrong = f"is {shown(value)}"
            self.note(key, wrong, f"Tables, each under a line [[{header}]] (two brackets)")
            return []
        if len(value) > most:
            self.note(key, f"stands {many(len(value), 'time')}", f"At most {most}")
        return [
            Section(each, (*self.path, key, number), self.book)
            for number, each in enumerate(value[:most])
        ]

    def end(self) -> None:
        """Note every unknown key, with the nearest known one."""
        allowed = "Keys here: " + ", ".join(sorted(self.known))
        for key in self.table:
            if self.book.full:
                return
            if key not in self.known:
                self.note(key, f"is not a known key{_nearest(key, self.known)}", allowed)

    def _in_range(
        self, key: str, value: object, low: float, high: float, allowed: str
    ) -> float | None:
        if isinstance(value, (int, float)) and not isinstance(value, bool) and low <= value <= high:
            return float(value)
        self.note(key, f"is {shown(value)}", allowed)
        return None


def fraction_of(text: str) -> Fraction | None:
    """The value of "5/16", "1 3/8", "-1/8" or "0.25"; None for anything else."""
    text = text.strip()
    if _DECIMAL.fullmatch(text):
        return Fraction(text)
    match = _FRACTION.fullmatch(text)
    if match is None or int(match[4]) == 0:
        return None
    size = int(match[2] or 0) + Fraction(int(match[3]), int(match[4]))
    return -size if match[1] else size


def text_trouble(text: str, longest: int) -> str:
    """What makes a text unfit as a name or a note, in words; "" if it is fit."""
    if len(text) > longest:
        return f"has {many(len(text), 'character')}"
    for character in text:
        if not character.isprintable():
            return f"holds an unprintable character (U+{ord(character):04X})"
    return ""


def _nearest(word: str, known: Any) -> str:
    names = [each for each in known if isinstance(each, str)]
    near = difflib.get_close_matches(word[:LONGEST_COMPARED], names, 1)
    return f"; the nearest one is {near[0]}" if near else ""


def _list_shown(value: object) -> str:
    if not isinstance(value, Sequence) or isinstance(value, str) or len(value) > 24:
        return shown(value)
    return "[" + ", ".join(shown(each) for each in value) + "]"

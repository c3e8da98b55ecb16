"""Between plain data (JSON, TOML) and dataclasses, with types and bounds checked by field.

A ``Kind`` says what a value may be, in words, and reads it. Each type has one; a dataclass has that
of its fields, where ``Annotated[float, number(0, 360)]`` names another than the type's own. A
missing field gets its default. A mistake goes to a book of mistakes:

* ``from_plain`` reads what the program itself writes, and the first mistake ends the reading.
  Numbers that JSON lacks are strings "inf", "-inf" and "nan"; fractions "3/2"; keys of tables
  strings. Records from before a field existed can be read.
* ``Section`` reads what a person writes, a table of the engine file, whole or key by key. Each
  mistake is noted with its line, its key and what is allowed, and reading continues.
"""

from __future__ import annotations

import difflib
import json
import math
import re
import types
from collections import Counter
from collections.abc import Callable, Hashable, Iterable, Mapping
from dataclasses import MISSING, dataclass, field, fields, is_dataclass
from enum import StrEnum
from fractions import Fraction
from functools import cache
from itertools import islice
from typing import (
    Annotated,
    Any,
    Generic,
    Literal,
    Protocol,
    TypeVar,
    Union,
    cast,
    get_args,
    get_origin,
    get_type_hints,
)

import numpy as np

from rig.base.errors import MOST_MISTAKES, FieldPath, InputError, MistakeBook, place_name, shown
from rig.base.rounding import many

T = TypeVar("T")


def json_value(data: bytes, encoding: Literal["utf-8", "ascii"] = "utf-8") -> Any:
    """The value of a JSON text. Raises InputError saying why it is not one."""

    def not_a_number(word: str) -> float:
        raise ValueError(word)

    def table(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        found = dict(pairs)
        if len(found) < len(pairs):  # readers differ in which of two values they take
            twice = next(key for key, n in Counter(key for key, _ in pairs).items() if n > 1)
            raise InputError(f"{twice!r} has two values in one table; keep one")
        return found

    try:
        text = data.decode(encoding)
        return json.loads(text, parse_constant=not_a_number, object_pairs_hook=table)
    except UnicodeDecodeError as why:
        name = "UTF-8" if encoding == "utf-8" else "plain ASCII"
        raise InputError(f"byte {why.start + 1} is not {name}") from None
    except json.JSONDecodeError as why:
        raise InputError(f"line {why.lineno} is not JSON ({why.msg.lower()})") from None
    except (RecursionError, ValueError):
        raise InputError("nested too deep, or with a number that JSON cannot hold") from None


def to_plain(value: object, not_finite: Callable[[float], object] = str) -> Any:
    """``value`` as dicts, lists, strings, numbers, booleans and None.

    Takes dataclasses, mappings, tuples, lists, fractions and NumPy scalars; ``not_finite`` gives
    what replaces a number that JSON lacks. Raises TypeError for anything else, which is a fault
    of the program.
    """
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, StrEnum):
        return value.value
    if value is None or isinstance(value, (bool, int, str)):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else not_finite(value)
    if isinstance(value, Fraction):
        return f"{value.numerator}/{value.denominator}"
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: to_plain(getattr(value, f.name), not_finite) for f in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): to_plain(each, not_finite) for key, each in value.items()}
    if isinstance(value, (tuple, list)):
        return [to_plain(each, not_finite) for each in value]
    raise TypeError(f"a {type(value).__name__} cannot be part of a record")


def from_plain(kind: type[T], value: object, where: str) -> T:
    """Make a ``kind`` (a dataclass) from plain values; ``where`` begins the path in messages.

    Raises InputError with the path of the first value that is missing, unknown or of a wrong type.
    """
    return cast(T, kind_of(cast(Hashable, kind)).read(value, (), _FirstMistake(where)))


class Book(Protocol):
    """Where mistakes are noted."""

    def note(self, path: FieldPath, wrong: str, allowed: str) -> None:
        """What is wrong at ``path``, and what is allowed there."""

    def unfit(self, path: FieldPath, value: object, allowed: str) -> None:
        """The ``value`` at ``path`` is not one of those allowed."""


@dataclass(frozen=True, slots=True)
class _FirstMistake:
    """Raises InputError at the first mistake of a record that the program wrote."""

    where: str

    def note(self, path: FieldPath, wrong: str, allowed: str) -> None:
        parts = (f"[{x}]" if isinstance(x, int) else f".{place_name((x,))}" for x in path)
        raise InputError(f"{self.where}{''.join(parts)}: {wrong}; the record was edited.")

    def unfit(self, path: FieldPath, value: object, allowed: str) -> None:
        self.note(path, f"must be {allowed[:1].lower()}{allowed[1:]}, not {shown(value)}", "")


@dataclass(frozen=True, eq=False)
class Kind(Generic[T]):
    """What a value may be. ``read`` gives None for null, and for a mistake that it noted; then a
    field without a default gets ``blank``. ``made`` gives a value that is not made of others, and
    None for what it does not take."""

    allowed: str
    read: Callable[[Any, FieldPath, Book], T | None]
    blank: T | None
    made: Callable[[Any], T | None] = lambda _: None


def _plain(allowed: str, made: Callable[[Any], T | None], blank: T) -> Kind[T]:
    """A kind whose values are not made of others."""

    def read(value: object, path: FieldPath, book: Book) -> T | None:
        found = made(value)
        if found is None:
            book.unfit(path, value, allowed)
        return found

    return Kind(allowed, read, blank, made)


def _is_number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


_NOT_FINITE = {"inf": math.inf, "-inf": -math.inf, "nan": math.nan}
_FRACTION = re.compile(r"(-?)(?:([0-9]{1,4})[ -])?([0-9]{1,5})/([0-9]{1,5})")
_DECIMAL = re.compile(r"-?[0-9]{1,6}(?:\.[0-9]{1,9})?")
_EXACT_FRACTION = re.compile(r"-?[0-9]{1,30}/0*[1-9][0-9]{0,29}")


def any_number() -> Kind[float]:
    """Any number; one that is not finite only as a word."""

    def made(value: object) -> float | None:
        if isinstance(value, str):
            return _NOT_FINITE.get(value)
        if not _is_number(value):
            return None
        try:
            number = float(cast(float, value))
        except OverflowError:
            return None
        return number if math.isfinite(number) else None

    return _plain("A finite number", made, 0.0)


def number(low: float, high: float, unit: str = "") -> Kind[float]:
    """A number from ``low`` to ``high``, both allowed."""

    def made(value: Any) -> float | None:
        if type(value) is float:
            return value if low <= value <= high else None
        if isinstance(value, str):
            value = _NOT_FINITE.get(value)
        return float(value) if _is_number(value) and low <= value <= high else None

    most = " up" if math.isinf(high) else f" to {high:g}"
    return _plain(f"A number from {low:g}{most} {unit}".rstrip(), made, low)


def length(low: float, high: float, unit: str) -> Kind[float]:
    """A number, or text like "5/16", "1 3/8" or "-1/8", from ``low`` to ``high``."""

    def made(value: Any) -> float | None:
        if isinstance(value, str):
            value = fraction_of(value)
        if not (isinstance(value, Fraction) or _is_number(value)):
            return None
        return float(value) if low <= value <= high else None

    form = 'A number, or a fraction in quotes like "5/16"'
    return _plain(f"{form}, from {low:g} to {high:g} {unit}", made, low)


def ratio(example: str) -> Kind[Fraction]:
    """A ratio of two speeds: 1, 1.5 or "9/16"; from 1/100 to 100."""

    def made(value: Any) -> Fraction | None:
        if _is_number(value):
            value = repr(value) if 0.01 <= value <= 100 else ""
        found = fraction_of(value) if isinstance(value, str) else None
        return found if found is not None and Fraction(1, 100) <= found <= 100 else None

    form = f'A number like 1.5, or a fraction in quotes like "{example}"'
    return _plain(f"{form}, from 1/100 to 100", made, Fraction(1))


def whole(low: int, high: int) -> Kind[int]:
    """A whole number from ``low`` to ``high``, both allowed."""
    return _plain(
        f"A whole number from {low} to {high}",
        lambda value: value if type(value) is int and low <= value <= high else None,
        low,
    )


def text(longest: int) -> Kind[str]:
    """Any text of at most ``longest`` characters."""
    return _plain(
        f"Text of at most {many(longest, 'character')}",
        lambda value: value if isinstance(value, str) and len(value) <= longest else None,
        "",
    )


def line(longest: int = 80, *, needed: bool = False) -> Kind[str]:
    """One line of printable text, without spaces at its ends; not empty if ``needed``."""
    allowed = f"One line of text in quotes, at most {many(longest, 'character')}"

    def read(value: object, path: FieldPath, book: Book) -> str | None:
        if not isinstance(value, str):
            book.unfit(path, value, allowed)
            return None
        wrong = text_trouble(value, longest)
        if not wrong and needed and not value.strip():
            wrong = "is empty"
        if wrong:
            book.note(path, wrong, allowed)
            return None
        return value.strip()

    return Kind(allowed, read, "")


def choice(options: Mapping[Any, T]) -> Kind[T]:
    """One of the keys of ``options``, read as its value."""
    allowed = one_of(json.dumps(each) for each in options)

    def read(value: object, path: FieldPath, book: Book) -> T | None:
        if type(value) in (str, int) and value in options:
            return options[value]
        if isinstance(value, str) and (near := _nearest(value, options)):
            book.note(path, f"is {shown(value)}{near}", allowed)
        else:
            book.unfit(path, value, allowed)
        return None

    return Kind(allowed, read, next(iter(options.values()), None))


def listed(of: Kind[T], longest: float = math.inf, like: str = "") -> Kind[tuple[T, ...]]:
    """A list of at most ``longest`` values; ``like`` is an example."""
    allowed = f"A list like {like}" if like else "A list"

    def read(value: object, path: FieldPath, book: Book) -> tuple[T, ...] | None:
        if not isinstance(value, list):
            book.unfit(path, value, allowed)
            return None
        if len(value) > longest:
            book.note(path, f"has {many(len(value), 'value')}", f"At most {longest}")
            return None
        made = tuple(of.read(each, (*path, nth), book) for nth, each in enumerate(value))
        return None if of.blank is not None and None in made else cast(tuple[T, ...], made)

    return Kind(allowed, read, ())


def _table(key_kind: type, of: Kind[Any]) -> Kind[dict[Any, Any]]:
    """A table whose keys are texts, or whole numbers written as texts."""

    def read(value: object, path: FieldPath, book: Book) -> dict[Any, Any] | None:
        if not isinstance(value, dict):
            book.unfit(path, value, "A table")
            return None
        for key in value:
            if key_kind is int and not (key.isascii() and key.isdigit() and len(key) < 6):
                book.unfit(path, key, "A table whose keys are whole numbers")
                return None
        return {key_kind(key): of.read(each, (*path, key), book) for key, each in value.items()}

    return Kind("A table", read, {})


_PLAIN: dict[Any, Kind[Any]] = {
    str: _plain("Text", lambda value: value if isinstance(value, str) else None, ""),
    int: _plain("A whole number", lambda value: value if type(value) is int else None, 0),
    bool: _plain("true or false", lambda value: value if isinstance(value, bool) else None, False),
    float: any_number(),
    Fraction: _plain(
        'A fraction such as "1/2"',
        lambda value: (
            Fraction(value) if isinstance(value, str) and _EXACT_FRACTION.fullmatch(value) else None
        ),
        Fraction(0),
    ),
}


@cache
def kind_of(wanted: Hashable) -> Kind[Any]:
    """The kind of a type, or of an annotation of a field."""
    origin, inner = get_origin(wanted), get_args(wanted)
    if wanted in _PLAIN:
        return _PLAIN[wanted]
    if isinstance(wanted, type) and is_dataclass(wanted):
        return _dataclass(wanted)
    if isinstance(wanted, type) and issubclass(wanted, StrEnum):
        return _enum(wanted)
    if origin is Annotated:
        return cast(Kind[Any], inner[1])
    if origin is Literal:
        return choice({each: each for each in inner})
    if origin is tuple:
        return listed(kind_of(inner[0]))
    if origin is dict:
        return _table(inner[0], kind_of(inner[1]))
    if origin in (Union, types.UnionType):
        own = kind_of(next(each for each in inner if each is not types.NoneType))

        def read(value: object, path: FieldPath, book: Book) -> Any:
            return None if value is None else own.read(value, path, book)

        return Kind(own.allowed, read, None, own.made)
    raise TypeError(f"no way to read a {wanted}")


def _enum(wanted: type[StrEnum]) -> Kind[StrEnum]:
    """By value; ``_missing_`` of the enum converts earlier values."""

    def made(value: object) -> StrEnum | None:
        try:
            return wanted(str(value))
        except ValueError:
            return None

    return _plain(one_of(json.dumps(each.value) for each in wanted), made, next(iter(wanted)))


def _dataclass(wanted: Any) -> Kind[Any]:
    hints = get_type_hints(wanted, include_extras=True)
    kinds = {each.name: kind_of(hints[each.name]) for each in fields(wanted)}
    needed = [
        each.name
        for each in fields(wanted)
        if each.default is MISSING and each.default_factory is MISSING
    ]

    def read(value: object, path: FieldPath, book: Book) -> Any:
        if not isinstance(value, dict):
            book.unfit(path, value, "A table of named values")
            return None
        if not value.keys() <= kinds.keys():
            note_unknown(value, kinds, path, book)
        given = {}
        for name, kind in kinds.items():
            if name in value:
                made = kind.made(value[name])
                if made is None:
                    made = kind.read(value[name], (*path, name), book)
                if made is not None or kind.blank is None:
                    given[name] = made
        for name in [name for name in needed if name not in given]:
            if name not in value:
                book.note((*path, name), "is missing", kinds[name].allowed)
            given[name] = kinds[name].blank
        return wanted(**given)

    return Kind("A table of named values", read, None)


def note_unknown(
    table: Mapping[str, object], known: Iterable[str], path: FieldPath, book: Book
) -> None:
    """Note every unknown key of a table, with the nearest known one."""
    for key in islice((each for each in table if each not in known), MOST_MISTAKES):
        allowed = "Keys here: " + ", ".join(sorted(known))
        book.note((*path, key), f"is not a known key{_nearest(key, known)}", allowed)


@dataclass(slots=True)
class Section:
    """A table at ``path``, read key by key. An absent or wrong key reads as None (text: "")."""

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

    def get(self, key: str, kind: Kind[T], *, required: bool = False) -> T | None:
        """The value at a key."""
        if self.has(key):
            return kind.read(self.table[key], (*self.path, key), self.book)
        if required:
            self.missing(key, kind.allowed)
        return None

    def whole_table(self, kind: type[T]) -> T:
        """The table as a ``kind``, a dataclass whose fields are its keys. A wrong field has its
        default, or else the least value allowed."""
        self.known.update(self.table)
        return cast(T, kind_of(cast(Hashable, kind)).read(self.table, self.path, self.book))

    def text(self, key: str, *, longest: int = 80, required: bool = False) -> str:
        """One line of printable text."""
        return self.get(key, line(longest, needed=required), required=required) or ""

    def choice(
        self, key: str, options: Mapping[Any, T], default: T, *, required: bool = False
    ) -> T:
        """The value for one of the keys of ``options``, or the default."""
        found = self.get(key, choice(options), required=required)
        return default if found is None else found

    def section(self, key: str) -> Section | None:
        """The table under a key; None if absent."""
        if not self.has(key):
            return None
        value = self.table[key]
        if not isinstance(value, dict):
            self.book.unfit(
                (*self.path, key), value, f"A table, under a line [{self._header(key)}]"
            )
            return None
        return Section(value, (*self.path, key), self.book)

    def sections(self, key: str, most: int) -> list[Section]:
        """The tables of a list of tables; none if absent."""
        if not self.has(key):
            return []
        value, path = self.table[key], (*self.path, key)
        if not isinstance(value, list) or not all(isinstance(each, dict) for each in value):
            allowed = f"Tables, each under a line [[{self._header(key)}]] (two brackets)"
            self.book.unfit(path, value, allowed)
            return []
        if len(value) > most:
            self.note(key, f"appears {many(len(value), 'time')}", f"At most {most}")
        return [
            Section(each, (*self.path, key, nth), self.book)
            for nth, each in enumerate(value[:most])
        ]

    def _header(self, key: str) -> str:
        return ".".join(part for part in (*self.path, key) if isinstance(part, str))

    def end(self) -> None:
        """Note every unknown key."""
        note_unknown(self.table, self.known, self.path, self.book)


def one_of(names: Iterable[str]) -> str:
    """What is allowed when one of ``names`` is wanted."""
    known = ", ".join(names)
    return f"One of {known}" if known else "A name that the file gives; it gives none yet"


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


LONGEST_COMPARED = 60  # characters of an unknown key that are compared with known ones


def _nearest(word: str, known: Iterable[object]) -> str:
    names = [each for each in known if isinstance(each, str)]
    near = difflib.get_close_matches(word[:LONGEST_COMPARED], names, 1)
    return f"; the nearest one is {near[0]}" if near else ""

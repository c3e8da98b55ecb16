"""Dataclasses to plain JSON values and back, with every value's type looked at on the way in.

Numbers that JSON cannot say are written as the strings "inf", "-inf" and "nan"; fractions as
"3/2"; keys of tables as strings. Fields that a record lacks take their default, so that records
written before a field was thought of stay readable; a field that nobody knows is an error.
"""

from __future__ import annotations

import math
import re
import types
from collections.abc import Callable, Hashable, Mapping
from dataclasses import MISSING, Field, fields, is_dataclass
from fractions import Fraction
from functools import cache
from typing import Any, Literal, TypeVar, Union, cast, get_args, get_origin, get_type_hints

import numpy as np

from rig.faults import InputError

T = TypeVar("T")
Reader = Callable[[object], Any]

_NOT_FINITE = {"inf": math.inf, "-inf": -math.inf, "nan": math.nan}
_NAMES = {str: "text", int: "a whole number", bool: "true or false"}
_FRACTION = re.compile(r"-?[0-9]{1,30}/[0-9]{1,30}")
_EDITED = "the record was edited"


class _WrongError(Exception):
    """A value is not as it should be; ``where`` grows on the way out of the nested values."""

    def __init__(self, words: str, where: str = "") -> None:
        super().__init__(words)
        self.words, self.where = words, where


def to_plain(value: object) -> Any:
    """Give ``value`` as dicts, lists, strings, numbers, booleans and None.

    Takes dataclasses, mappings, tuples, lists, fractions and NumPy scalars. Raises TypeError for
    anything else: that is a mistake in the program.
    """
    if isinstance(value, np.generic):
        value = value.item()
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
    raise TypeError(f"a {type(value).__name__} has no place in a record")


def from_plain(kind: type[T], value: object, where: str) -> T:
    """Make a ``kind`` (a dataclass) of plain values; ``where`` names the place in messages.

    Raises InputError naming the path of the first value that is missing, unknown or of another
    type than the record's description says.
    """
    try:
        made: T = _reader(cast(Hashable, kind))(value)
    except _WrongError as wrong:
        raise InputError(f"{where}{wrong.where}: {wrong.words}.") from None
    return made


@cache
def _reader(kind: Any) -> Reader:
    """Give the function that reads a value of this type."""
    if isinstance(kind, type) and is_dataclass(kind):
        return _dataclass_reader(kind)
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
    make = makers.get(get_origin(kind))
    if make is None:
        raise TypeError(f"no way to read a {kind}")
    return make(*get_args(kind))


def _dataclass_reader(kind: Any) -> Reader:
    hints = get_type_hints(kind)
    readers = {each.name: _reader(hints[each.name]) for each in fields(kind)}
    needed = [each.name for each in fields(kind) if _has_to_be_there(each)]

    def read(value: object) -> Any:
        if not isinstance(value, dict):
            raise _wrong("a table of named values", value)
        given = {}
        for name, each in value.items():
            if name not in readers:
                words = (
                    f"nothing of that name belongs here; {_EDITED} or comes from a newer version"
                )
                raise _WrongError(f"{words} of this program", f".{name[:60]}")
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


def _plain_reader(kind: type) -> Reader:
    def read(value: object) -> Any:
        if type(value) is not kind:
            raise _wrong(_NAMES[kind], value)
        return value

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
                wrong.where = f".{key[:60]}{wrong.where}"
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
        return value  # nearly always, so first
    if isinstance(value, str) and value in _NOT_FINITE:
        return _NOT_FINITE[value]
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise _wrong("a number", value)
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):  # those that may be so are written as words
        raise _wrong("a finite number", value)
    return number


def _fraction(value: object) -> Fraction:
    if not isinstance(value, str) or not _FRACTION.fullmatch(value):
        raise _wrong('a fraction such as "1/2"', value)
    try:
        return Fraction(value)
    except ZeroDivisionError:
        raise _wrong('a fraction such as "1/2"', value) from None


def _wrong(wanted: str, value: object) -> _WrongError:
    shown = repr(value)
    shown = shown if len(shown) <= 40 else shown[:40] + "..."
    return _WrongError(f"must be {wanted}, not {shown}; {_EDITED}")

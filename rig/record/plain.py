"""Dataclasses to plain JSON values and back, with every value's type looked at on the way in.

Numbers that JSON cannot say are written as the strings "inf", "-inf" and "nan"; fractions as
"3/2"; keys of tables as strings. Fields that a record lacks take their default, so that records
written before a field was thought of stay readable; a field that nobody knows is an error.
"""

from __future__ import annotations

import math
import types
from collections.abc import Callable, Mapping
from dataclasses import MISSING, Field, fields, is_dataclass
from fractions import Fraction
from functools import cache
from typing import Any, Literal, TypeVar, Union, get_args, get_origin, get_type_hints

import numpy as np

from rig.faults import InputError

T = TypeVar("T")

_NOT_FINITE = {"inf": math.inf, "-inf": -math.inf, "nan": math.nan}


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
    made: T = _made(kind, value, where)
    return made


def _made(kind: Any, value: object, where: str) -> Any:
    if isinstance(kind, type) and is_dataclass(kind):
        return _dataclass(kind, value, where)
    read = _READERS.get(get_origin(kind) or kind)
    if read is None:
        raise TypeError(f"{where}: no way to read a {kind}")
    return read(kind, value, where)


def _exactly(kind: Any, value: object, where: str) -> Any:
    if type(value) is not kind:
        raise _wrong(where, _NAMES[kind], value)
    return value


def _maybe(kind: Any, value: object, where: str) -> Any:
    of = next(each for each in get_args(kind) if each is not type(None))
    return None if value is None else _made(of, value, where)


def _list(kind: Any, value: object, where: str) -> tuple[Any, ...]:
    if not isinstance(value, list):
        raise _wrong(where, "a list", value)
    of = get_args(kind)[0]
    return tuple(_made(of, each, f"{where}[{i}]") for i, each in enumerate(value))


def _choice(kind: Any, value: object, where: str) -> Any:
    if not any(value == each and type(value) is type(each) for each in get_args(kind)):
        raise _wrong(where, "one of " + ", ".join(map(repr, get_args(kind))), value)
    return value


_NAMES = {str: "text", int: "a whole number", bool: "true or false"}


def _dataclass(kind: Any, value: object, where: str) -> Any:
    if not isinstance(value, dict):
        raise _wrong(where, "a table of named values", value)
    known = _known(kind)
    for name in value:
        if name not in known:
            raise InputError(
                f"{where}.{name[:60]}: nothing of that name belongs here; the record was edited "
                "or comes from a newer version of this program."
            )
    given = {}
    for name, (hint, needed) in known.items():
        if name in value:
            given[name] = _made(hint, value[name], f"{where}.{name}")
        elif needed:
            raise InputError(f"{where}.{name}: is missing; the record was edited.")
    return kind(**given)


@cache
def _known(kind: Any) -> dict[str, tuple[Any, bool]]:
    """Field name -> (type, whether it has to be there)."""
    hints = get_type_hints(kind)

    def needed(each: Field[Any]) -> bool:
        return each.default is MISSING and each.default_factory is MISSING

    return {each.name: (hints[each.name], needed(each)) for each in fields(kind)}


def _number(_kind: Any, value: object, where: str) -> float:
    if isinstance(value, str) and value in _NOT_FINITE:
        return _NOT_FINITE[value]
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise _wrong(where, "a number", value)
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):  # those that may be so are written as words
        raise _wrong(where, "a finite number", value)
    return number


def _table(kind: Any, value: object, where: str) -> dict[Any, Any]:
    if not isinstance(value, dict):
        raise _wrong(where, "a table", value)
    key_kind, of = get_args(kind)
    table: dict[Any, Any] = {}
    for key, each in value.items():
        if key_kind is int and not (key.isascii() and key.isdigit() and len(key) < 6):
            raise _wrong(where, "a table whose keys are whole numbers", key)
        table[key_kind(key)] = _made(of, each, f"{where}.{key[:60]}")
    return table


def _fraction(_kind: Any, value: object, where: str) -> Fraction:
    if not isinstance(value, str) or len(value) > 40:
        raise _wrong(where, 'a fraction such as "1/2"', value)
    try:
        return Fraction(value)
    except (ValueError, ZeroDivisionError):
        raise _wrong(where, 'a fraction such as "1/2"', value) from None


_READERS: dict[Any, Callable[[Any, object, str], Any]] = {
    str: _exactly,
    int: _exactly,
    bool: _exactly,
    float: _number,
    Fraction: _fraction,
    tuple: _list,
    dict: _table,
    Literal: _choice,
    Union: _maybe,
    types.UnionType: _maybe,
}


def _wrong(where: str, wanted: str, value: object) -> InputError:
    shown = repr(value)
    shown = shown if len(shown) <= 40 else shown[:40] + "..."
    return InputError(f"{where}: must be {wanted}, not {shown}; the record was edited.")

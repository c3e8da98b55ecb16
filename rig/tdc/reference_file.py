"""Reads and writes ``reference.json``, which keeps a job's TDC references.

The file holds the reference in use and all earlier ones, newest first. It is replaced in one step:
a crash, a full disk or a power cut leaves the old file or the new one, never half of one. Infinite
degrees of freedom are written as null.
"""

from __future__ import annotations

import contextlib
import errno
import json
import math
import os
import secrets
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from itertools import count
from pathlib import Path
from typing import Any

from rig.base.angles import modulo
from rig.base.errors import InputError, reason, shown
from rig.base.files import open_file
from rig.base.uncertainty import Contribution, Uncertainty
from rig.tdc.reference import BY_HAND, GaugeWorking, TdcReference

FILE_NAME = "reference.json"
SCHEMA = "timing-rig reference"
VERSION = 1
MOST_BYTES = 10_000_000
MOST_TRIES = 100


"""Each time at least one program has saved: so many do not save at once."""


Seen = tuple[int, int, int] | None


class NoReferenceError(InputError):
    """The job has no reference yet."""


class BadReferenceError(InputError):
    """The file is there, and is not a reference that this program can read."""


def load_reference(path: str | Path) -> TdcReference:
    """The reference in use, of a file or of a job's folder.

    Raises NoReferenceError when there is none yet, BadReferenceError when the file cannot be read.
    """
    return load_references(path)[0]


def load_references(path: str | Path) -> tuple[TdcReference, ...]:
    """The reference in use, then every earlier one, newest first. Raises as ``load_reference``."""
    path = _file(path)
    name = _name(path)
    try:
        with open_file(path) as file:
            data = file.read(MOST_BYTES + 1)
    except FileNotFoundError:
        raise NoReferenceError(
            f"{name}: there is no reference yet; find top dead centre first, or state it"
        ) from None
    except OSError as error:
        raise BadReferenceError(f"{name}: it cannot be read: {reason(error)}") from error
    if len(data) > MOST_BYTES:
        raise BadReferenceError(f"{name}: it is over {MOST_BYTES} bytes, so not a reference")
    try:
        return _references(data)
    except InputError as error:
        raise BadReferenceError(
            f"{name}: {error}. Put back a copy, or move the file away and find top dead centre anew"
        ) from error


def save_reference(path: str | Path, reference: TdcReference) -> Path | None:
    """Make ``reference`` the one in use, in a file or a job's folder; earlier ones are kept in it.

    A file there that cannot be read is moved aside, never overwritten: then its new path is given,
    else None. One that another program saves meanwhile is kept as an earlier one: a file that has
    changed since it was read is read again, and when the new one is not there afterwards it is
    saved again. Raises InputError when the disk does not take it; the old file then stands.
    """
    path = _file(path)
    moved: Path | None = None
    for _ in range(MOST_TRIES):
        try:
            seen = _seen(path)
            earlier, readable = _there(path)
            aside = None if readable else _free_name(path)
            data = _bytes((reference, *earlier))
            _references(data)  # what is written can be read
            if _replace(path, data, seen, aside):
                moved = moved or aside
                if reference in _there(path)[0]:
                    return moved
        except OSError as error:
            raise InputError(f"{_name(path)}: it cannot be saved: {reason(error)}") from error
    raise InputError(f"{_name(path)}: it cannot be saved: other programs write it all the time")


def _there(path: Path) -> tuple[tuple[TdcReference, ...], bool]:
    """The references that a file holds, and False when it cannot be read."""
    try:
        return load_references(path), True
    except NoReferenceError:
        return (), True
    except BadReferenceError:
        return (), False


def _references(data: bytes) -> tuple[TdcReference, ...]:
    try:
        plain = json.loads(data.decode("utf-8"), parse_constant=_no_constant)
    except UnicodeDecodeError as error:
        raise InputError(f"byte {error.start} is not UTF-8") from None
    except json.JSONDecodeError as error:
        raise InputError(f"line {error.lineno} is not JSON ({error.msg})") from None
    except (ValueError, RecursionError):
        raise InputError("it holds numbers or nesting that no reference has") from None
    values = Values(plain, "reference file")
    if values.text("schema") != SCHEMA:
        raise InputError(f'"schema" is {shown(plain["schema"])}, not "{SCHEMA}"')
    if values.number("version", 1, 1e6) != VERSION:
        raise InputError(f'"version" is {shown(plain["version"])}; this program reads {VERSION}')
    earlier = plain.get("earlier", [])
    if not isinstance(earlier, list):
        raise InputError('"earlier" is not a list')
    return tuple(from_plain(each) for each in (plain.get("current"), *earlier))


def _bytes(references: Sequence[TdcReference]) -> bytes:
    current, *earlier = (to_plain(each) for each in references)
    plain = {"schema": SCHEMA, "version": VERSION, "current": current, "earlier": earlier}
    text = json.dumps(plain, indent=1, ensure_ascii=False)
    return (text + "\n").encode("utf-8")


def _replace(path: Path, data: bytes, seen: Seen, aside: Path | None) -> bool:
    """Put ``data`` in the place of a file in one step, on disk before it takes the name.

    With ``aside`` the file that was there gets that name first. False, and nothing done, when that
    is not the file ``seen``. Between this look and the step lie some millionths of a second.
    """
    making = path.with_name(f".{path.name}.{secrets.token_hex(8)}")
    try:
        with making.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        if _seen(path) != seen:
            return False
        if aside is not None:
            os.replace(path, aside)
        os.replace(making, path)
    finally:
        with contextlib.suppress(FileNotFoundError):  # it has taken its name, or never came to be
            making.unlink()
    if os.name != "nt":  # Windows has no way to have a folder's list of names reach the disk
        handle = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
    return True


def _seen(path: Path) -> Seen:
    """What tells a file from another that takes its place later; None when there is none."""
    try:
        found = path.stat()
    except OSError as why:
        if why.errno in (errno.ENOENT, errno.ELOOP):  # a link may lead nowhere, or round
            return None
        raise
    return found.st_ino, found.st_size, found.st_mtime_ns


def _free_name(path: Path) -> Path:
    candidates = (path.with_name(f"{path.stem}.unreadable-{n}{path.suffix}") for n in count(1))
    return next(each for each in candidates if not os.path.lexists(each))


def _file(path: str | Path) -> Path:
    path = Path(path)
    return path / FILE_NAME if path.is_dir() and path.name != FILE_NAME else path


def _name(path: Path) -> str:
    return str(path) if str(path).isprintable() else shown(str(path))


def _no_constant(word: str) -> float:
    raise ValueError(word)


LONGEST_TEXT = 1000
MOST_ITEMS = 1000
_METHODS = {"stated": BY_HAND}  # as version 0.1.0 called it


def to_plain(reference: TdcReference) -> dict[str, Any]:
    """The reference as plain JSON values: dicts, lists, strings, numbers and None."""
    values = asdict(reference)
    if reference.gauge is None:
        del values["gauge"]
    else:
        values["gauge"]["fit_offset"] = int(reference.gauge.fit_offset)
    uncertainty = values["uncertainty"]
    for table in (uncertainty, *uncertainty["parts"]):
        for key in ("nu", "nu_eff"):
            if key in table and math.isinf(table[key]):
                table[key] = None
    return values


def from_plain(value: object) -> TdcReference:
    """A reference from plain JSON values. Raises InputError naming what is missing or wrong."""
    values = Values(value, "reference")
    return TdcReference(
        tdc_deg=modulo(values.number("tdc_deg", 0.0, 360.0)),
        uncertainty=uncertainty_of(values.table("uncertainty")),
        method=_METHODS.get(method := values.text("method"), method),
        how=values.text("how"),
        made_utc=values.text("made_utc"),
        capture=values.text("capture"),
        forward_deg=values.numbers("forward_deg"),
        backward_deg=values.numbers("backward_deg"),
        cylinder=int(values.number("cylinder", 1, 36)),
        warnings=values.texts("warnings"),
        gauge=_gauge_working(values.table("gauge")) if values.has("gauge") else None,
    )


def _gauge_working(values: Values) -> GaugeWorking:
    case = values.text("case")
    if case not in ("", "sliding", "pinned"):
        raise InputError(f"the case of an inclined gauge is sliding or pinned, not {shown(case)}")
    return GaugeWorking(
        left_out=tuple(int(each) for each in values.numbers("left_out")),
        u_lift_mm=values.number("u_lift_mm", 0.0, 100.0),
        u_angle_deg=values.number("u_angle_deg", 0.0, 360.0),
        inclination_deg=values.number("inclination_deg", 0.0, 90.0),
        case="sliding" if case == "sliding" else "pinned" if case == "pinned" else "",
        fit_offset=bool(values.number("fit_offset", 0, 1)),
    )


class Values:
    """A table of plain values, read with every type looked at; ``where`` names its place.

    Every reader raises InputError naming the value that is missing or wrong.
    """

    def __init__(self, table: object, where: str) -> None:
        if not isinstance(table, Mapping):
            raise InputError(f"{where}: is {shown(table)}, not a table of named values")
        self._table = table
        self._where = where

    def has(self, key: str) -> bool:
        """Whether there is a value of that name."""
        return key in self._table

    def text(self, key: str) -> str:
        """Text of at most 1000 characters."""
        value = self._get(key)
        if not isinstance(value, str) or len(value) > LONGEST_TEXT:
            raise self._wrong(key, f"text of at most {LONGEST_TEXT} characters")
        return value

    def number(self, key: str, low: float, high: float) -> float:
        """A number from ``low`` to ``high``."""
        value = _number(self._get(key))
        if value is None or not low <= value <= high:
            raise self._wrong(key, f"a number from {low:g} to {high:g}")
        return value

    def freedom(self, key: str) -> float:
        """Degrees of freedom: 1 or more; null is without end."""
        return math.inf if self._get(key) is None else self.number(key, 1.0, math.inf)

    def numbers(self, key: str) -> tuple[float, ...]:
        """A list of finite numbers."""
        found = tuple(_number(each) for each in self._list(key))
        kept = tuple(each for each in found if each is not None and math.isfinite(each))
        if len(kept) < len(found):
            raise self._wrong(key, "a list of numbers")
        return kept

    def texts(self, key: str) -> tuple[str, ...]:
        """A list of texts."""
        found = self._list(key)
        kept = tuple(each for each in found if isinstance(each, str) and len(each) <= LONGEST_TEXT)
        if len(kept) < len(found):
            raise self._wrong(key, "a list of texts")
        return kept

    def tables(self, key: str) -> list[Values]:
        """A list of tables."""
        found = self._list(key)
        return [Values(each, f"{self._where}, {key} {n}") for n, each in enumerate(found, 1)]

    def table(self, key: str) -> Values:
        """A table."""
        return Values(self._get(key), f"{self._where}, {key}")

    def _get(self, key: str) -> object:
        if key not in self._table:
            raise InputError(f"{self._where}: {key} is missing")
        return self._table[key]

    def _list(self, key: str) -> list[object] | tuple[object, ...]:
        value = self._get(key)
        if not isinstance(value, (list, tuple)) or len(value) > MOST_ITEMS:
            raise self._wrong(key, f"a list of at most {MOST_ITEMS}")
        return value

    def _wrong(self, key: str, wanted: str) -> InputError:
        return InputError(f"{self._where}: {key} is {shown(self._table[key])}, not {wanted}")


def uncertainty_of(values: Values) -> Uncertainty:
    """An uncertainty with its parts. Raises InputError as ``Values`` does."""
    parts = []
    for each in values.tables("parts"):
        kind = each.text("kind")
        if kind not in ("A", "B"):
            raise InputError(f"the kind of a part of an uncertainty is A or B, not {shown(kind)}")
        parts.append(
            Contribution(
                each.text("name"),
                each.number("u_deg", 0.0, 360.0),
                each.freedom("nu"),
                "A" if kind == "A" else "B",
                each.text("how"),
            )
        )
    return Uncertainty(
        values.number("u_deg", 0.0, 360.0),
        values.freedom("nu_eff"),
        values.number("k", 0.0, 1000.0),
        values.number("U_deg", 0.0, 10_000.0),
        tuple(parts),
    )


def _number(value: object) -> float | None:
    """A plain number as float; None for anything else, and for a whole number beyond all bounds."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return None
    if isinstance(value, int) and value.bit_length() > 1000:
        return None
    return float(value)

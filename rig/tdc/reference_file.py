"""Reads and writes ``reference.json``, which keeps a job's TDC references.

The file holds the reference in use and all earlier ones, newest first. It is replaced in one step:
a crash, a full disk or a power cut leaves the old file or the new one, never half of one.
"""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Sequence
from dataclasses import fields, replace
from itertools import count
from pathlib import Path
from typing import Any

from rig.base import codec
from rig.base.angles import modulo
from rig.base.codec import json_value
from rig.base.errors import InputError, reason, shown
from rig.base.files import bytes_of, to_disk, written_beside
from rig.tdc.reference import TdcReference

FILE_NAME = "reference.json"
SCHEMA = "timing-rig reference"
VERSION = 1
MOST_BYTES = 10_000_000
# Attempts to save: each fails only when another program has saved, and not so many do at once.
MOST_TRIES = 100
Seen = tuple[int, int, int] | None


class NoReferenceError(InputError):
    """The job has no reference yet."""


class BadReferenceError(InputError):
    """The file exists, but is not a reference that this program can read."""


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
        data = bytes_of(path, MOST_BYTES, "a reference")
    except InputError as error:
        if isinstance(error.__cause__, FileNotFoundError):
            raise NoReferenceError(
                f"{name}: there is no reference yet; find TDC first, or set it by hand"
            ) from None
        raise BadReferenceError(str(error)) from error
    try:
        return _references(data)
    except InputError as error:
        raise BadReferenceError(
            f"{name}: {str(error).rstrip('.')}. Put back a copy, or move the file away and find TDC"
            " again"
        ) from error


def save_reference(path: str | Path, reference: TdcReference) -> Path | None:
    """Make ``reference`` the one in use, in a file or a job's folder; it keeps earlier ones.

    A file that cannot be read is moved aside, never overwritten: its new path is returned, else
    None. A reference that another program saves meanwhile is kept as an earlier one: a file that
    changed since it was read is read again, and if the new reference is missing afterwards it is
    saved again. Raises InputError when the disk refuses; the old file then remains.
    """
    path = _file(path)
    moved: Path | None = None
    for _ in range(MOST_TRIES):
        try:
            seen = _seen(path)
            earlier, readable = _there(path)
            aside = None if readable else _free_name(path)
            data = _bytes((reference, *earlier))
            _references(data)  # check that it can be read back
            if _replace(path, data, seen, aside):
                moved = moved or aside
                if reference in _there(path)[0]:
                    return moved
        except OSError as error:
            raise InputError(f"{_name(path)}: the file cannot be saved: {reason(error)}") from error
    raise InputError(f"{_name(path)}: cannot be saved: other programs keep writing it")


def _there(path: Path) -> tuple[tuple[TdcReference, ...], bool]:
    """The references in a file, and False when it cannot be read."""
    try:
        return load_references(path), True
    except NoReferenceError:
        return (), True
    except BadReferenceError:
        return (), False


def _references(data: bytes) -> tuple[TdcReference, ...]:
    plain = json_value(data)
    if not isinstance(plain, dict):
        raise InputError(f"found {shown(plain)}; expected a table of named values")
    for key, known in (("schema", SCHEMA), ("version", VERSION)):
        if key not in plain:
            raise InputError(f'"{key}" is missing')
        if plain[key] != known:
            raise InputError(f'"{key}" is {shown(plain[key])}; this program reads {shown(known)}')
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
    """Replace a file by ``data`` in one step, on disk before it gets the name.

    With ``aside`` the old file first gets that name. Returns False, having done nothing, if the old
    file is not ``seen``. Some millionths of a second lie between that check and the step.
    """
    with written_beside(path, data) as making:
        if _seen(path) != seen:
            return False
        if aside is not None:
            os.replace(path, aside)
        os.replace(making, path)
    to_disk(path.parent)
    return True


def _seen(path: Path) -> Seen:
    """What distinguishes a file from a later one of its name; None when there is none."""
    try:
        found = path.stat()
    except OSError as why:
        if why.errno in (errno.ENOENT, errno.ELOOP):  # a link to nothing, or in a circle
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


def to_plain(reference: TdcReference) -> dict[str, Any]:
    """The reference as plain JSON values; infinite degrees of freedom are "inf"."""
    return dict(codec.to_plain(reference))


def from_plain(value: object) -> TdcReference:
    """A reference from plain JSON values. Raises InputError naming the field."""
    if isinstance(value, dict):
        value = TdcReference.earlier(value)
        for each in fields(TdcReference):
            if each.name not in (*value, "gauge"):  # a default would be a guess
                raise InputError(f"reference.{each.name}: is missing")
    found = codec.from_plain(TdcReference, value, "reference")
    return replace(found, tdc_deg=modulo(found.tdc_deg))

"""Small plain files of a job, one thing each: JSON that a person can read, copy and keep.

Tables and drawings are written in the same way: whole, or not at all.
"""

from __future__ import annotations

import contextlib
import errno
import json
import math
import os
import secrets
from itertools import count
from pathlib import Path
from typing import Any

from rig.faults import InputError, reason
from rig.files import open_file
from rig.record.store import to_disk

MOST_BYTES = 10_000_000


def free_path(folder: Path, stem: str) -> Path:
    """A path in ``folder`` that nothing has yet: STEM.json, else STEM-2.json and so on."""
    names = (f"{stem}.json" if n == 1 else f"{stem}-{n}.json" for n in count(1))
    return next(path for name in names if not os.path.lexists(path := folder / name))


def write(path: Path, sheet: dict[str, Any], *, replace: bool = False) -> None:
    """Write a sheet; as ``write_whole`` does. Numbers that JSON cannot hold become null."""
    text = json.dumps(plain(sheet), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    # A file's name that is no text has lone surrogates in it: JSON can hold them as escapes.
    write_whole(path, text.encode("utf-8", "backslashreplace"), replace=replace)


def write_whole(path: Path, data: bytes, *, replace: bool = False) -> None:
    """Write a file; it is there whole, on the disk, or not at all.

    Its folder is made if need be. Raises InputError when the disk does not take it, or when a file
    of that name is there and ``replace`` is false; what was there is then as it was.
    """
    making = path.with_name(f".{path.name}.{secrets.token_hex(8)}")
    try:
        if not path.parent.is_dir():
            path.parent.mkdir(parents=True)
        try:
            with making.open("xb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            if replace:
                os.replace(making, path)
            else:
                _name(making, path)
            to_disk(path.parent)
        finally:
            with contextlib.suppress(FileNotFoundError):  # it has taken its name
                making.unlink()
    except OSError as why:
        raise InputError(f"{path}: cannot be saved: {reason(why)}") from why


def _name(making: Path, path: Path) -> None:
    """Give a file its name, unless another has it: also one that comes at this very moment."""
    try:
        os.link(making, path)
    except FileExistsError:
        raise
    except OSError:  # a disk without links; then there is no sure way
        if path.exists():
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST)) from None
        os.replace(making, path)


def read(path: Path, kind: str) -> dict[str, Any]:
    """Read a sheet whose ``kind`` is as given.

    Raises InputError when it cannot be read, is no JSON, or of another kind.
    """
    try:
        with open_file(path) as file:
            data = file.read(MOST_BYTES + 1)
    except OSError as why:
        raise InputError(f"{path}: cannot be read: {reason(why)}") from why
    if len(data) > MOST_BYTES:
        raise InputError(f"{path}: is over {MOST_BYTES} bytes, so no {kind}")
    try:
        found = json.loads(data.decode("utf-8"))
    except UnicodeDecodeError as why:
        raise InputError(
            f"{path}: byte {why.start + 1} is not UTF-8, so this is no {kind}"
        ) from None
    except json.JSONDecodeError as why:
        raise InputError(f"{path}: line {why.lineno} is not JSON, so this is no {kind}") from None
    except (RecursionError, ValueError):
        raise InputError(f"{path}: is nested too deep for a {kind}") from None
    if not isinstance(found, dict) or found.get("kind") != kind:
        raise InputError(f"{path}: is no {kind}")
    return found


def plain(value: Any) -> Any:
    """A value as a sheet holds it; numbers that JSON cannot hold become null."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    return value

"""A folder of files that comes into being whole or not at all, and never over another."""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
import time
from collections.abc import Mapping
from pathlib import Path

from rig.faults import InputError, reason

_MAKING = ".making-"
LEFT_AFTER_S = 3600.0
"""Nobody takes so long to save: a folder in the making that is older was left by a sudden end."""
_TAKEN = {errno.EEXIST, errno.ENOTEMPTY}
_NO_SUCH_THING = {errno.EINVAL, errno.ENOTSUP}  # some network disks cannot sync a folder


class TakenError(Exception):
    """There is something of that name already."""


def place(parent: Path, name: str, files: Mapping[str, bytes]) -> Path:
    """Make the folder ``parent/name`` holding ``files`` (name -> bytes) in one step.

    The files are written in a folder beside it, which then gets its name: a crash, a full disk or a
    power cut leaves the whole or nothing of that name. The disk confirms the files, then their list
    in the folder, then the folder's name. ``parent`` is made if need be. A program killed on the
    way leaves its folder ``.making-...``, which nobody reads, and which the first ``place`` an hour
    later or more clears away. Raises TakenError when the name is taken; InputError when it cannot
    be written, and then nothing is left behind.
    """
    target = parent / name
    making = parent / f"{_MAKING}{secrets.token_hex(8)}"
    try:
        parent.mkdir(parents=True, exist_ok=True)
        _clear_left(parent)
        try:
            making.mkdir()
            for each, data in files.items():
                _write(making / each, data)
            to_disk(making)
            _rename(making, target)
        finally:
            _clear(making)
    except OSError as error:
        raise InputError(
            f"{target}: cannot be saved: {reason(error)}. Nothing was written."
        ) from error
    try:
        to_disk(parent)
    except OSError as error:
        raise InputError(
            f"{target}: is saved, but the disk does not confirm it: {reason(error)}. "
            "Check that it is there, and the disk."
        ) from error
    return target


def _write(path: Path, data: bytes) -> None:
    with path.open("xb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def _rename(making: Path, target: Path) -> None:
    """Give the folder its name. A folder never replaces one that holds something."""
    if target.exists() or target.is_symlink():
        raise TakenError
    try:
        making.rename(target)
    except OSError as error:
        if error.errno in _TAKEN:
            raise TakenError from error
        raise


def to_disk(folder: Path) -> None:
    """Have the folder's list of names reach the disk, where the system offers such a thing.

    Raises OSError when the disk does not confirm it.
    """
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno not in _NO_SUCH_THING:
            raise
    finally:
        os.close(handle)


def _clear_left(parent: Path) -> None:
    for making in parent.glob(f"{_MAKING}*"):
        with contextlib.suppress(OSError):  # it does no harm where it is, and may go another time
            if time.time() - making.stat().st_mtime > LEFT_AFTER_S:
                _clear(making)


def _clear(making: Path) -> None:
    if making.is_symlink() or not making.is_dir():  # what a link leads to is somebody else's
        return
    for each in making.iterdir():
        each.unlink()
    making.rmdir()

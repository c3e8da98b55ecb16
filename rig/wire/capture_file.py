"""The file of a capture as the system keeps it: begun under a free name, watched, copied."""

from __future__ import annotations

import contextlib
import errno
import os
import zlib
from collections.abc import Callable
from enum import Enum
from pathlib import Path
from typing import BinaryIO, TypeVar

from rig.faults import InputError, reason
from rig.wire.capture import PIECE, SUFFIX

T = TypeVar("T")


class Fate(Enum):
    """What became of a capture's file while it was being written."""

    THERE = "there"
    NAME_GONE = "deleted or renamed"
    FOLDER_GONE = "folder gone"
    REPLACED = "replaced"
    LENGTH = "cut or written on by another program"
    NO_ANSWER = "disk does not answer"


class TakenError(InputError):
    """There is a file of that name already."""


def at_free_name(folder: Path, stem: str, make: Callable[[Path], T]) -> T:
    """What ``make`` gives at the first name for which it raises no TakenError."""
    for extra in ("", *(f"-{n}" for n in range(2, 100))):
        with contextlib.suppress(TakenError):
            return make(folder / f"{stem}{extra}{SUFFIX}")
    raise InputError(f"{folder}: a hundred captures began in one second; wait and try again")


def new_file(path: Path) -> BinaryIO:
    """A file that was not there before. Raises TakenError, or InputError."""
    try:
        return open(path, "x+b", buffering=0, opener=_to_append)
    except FileExistsError as why:
        raise TakenError(f"{path}: the capture cannot be begun: {reason(why)}") from why
    except OSError as why:
        raise InputError(f"{path}: the capture cannot be begun: {reason(why)}") from why


def _to_append(path: str, flags: int) -> int:
    return os.open(path, flags | os.O_APPEND, 0o666)


def is_same(path: Path, file: BinaryIO) -> bool:
    """Whether the system tells by their numbers that a name is that of an open file."""
    try:
        return os.path.samestat(os.lstat(path), os.fstat(file.fileno()))
    except OSError:
        return False


def copied(old: BinaryIO, new: BinaryIO, size: int) -> int:
    """Copy ``size`` bytes from the beginning; their CRC-32. Raises OSError."""
    total = at = 0
    old.seek(0)
    while at < size:
        piece = old.read(min(PIECE, size - at))
        if not piece:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        total = zlib.crc32(piece, total)
        at += len(piece)
        while piece:
            piece = piece[new.write(piece) :]
    return total


def names_to_disk(folder: Path) -> None:
    """Have a folder's list of names reach the disk, where the system offers such a thing. Raises
    OSError when the disk does not confirm it."""
    if os.name == "nt":  # there is no such thing there
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as why:
        if why.errno not in (errno.EINVAL, errno.ENOTSUP):  # some network disks have no such thing
            raise
    finally:
        os.close(handle)

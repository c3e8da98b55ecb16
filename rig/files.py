"""What lies in a folder, looked at before anything of it is opened; only a file is ever read.

A job's folder may hold links that lead nowhere or round in a circle, folders with a file's name,
pipes and devices, names that are no text. None of these is opened: a pipe would be waited for
without end, a device may act when it is opened.
"""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from enum import Enum
from io import BufferedReader
from pathlib import Path

_LOOP_ON_WINDOWS = 1921  # ERROR_CANT_RESOLVE_FILENAME


class Odd(Enum):
    """Why something is no file that can be read."""

    NOTHING_BEHIND = "dangling link"
    LOOP = "looping link"
    FOLDER = "folder"
    PIPE = "pipe"
    SOCKET = "socket"
    DEVICE = "device"
    NAME = "name not UTF-8"
    SHUT = "not permitted"
    EMPTY = "holds no record"
    NO_CAPTURE = "no capture"


_WORDS = {
    Odd.NOTHING_BEHIND: "it is a link to something that is not there",
    Odd.LOOP: "it is a link that leads back to itself",
    Odd.FOLDER: "it is a folder, not a file",
    Odd.PIPE: "it is a pipe, not a file",
    Odd.SOCKET: "it is a socket, not a file",
    Odd.DEVICE: "it is a device, not a file",
    Odd.NAME: "its name is not UTF-8 text; rename it",
    Odd.SHUT: "it cannot be looked at",
    Odd.EMPTY: "it holds no record of its own name",
    Odd.NO_CAPTURE: "it does not begin as a capture",
}


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Something in a folder that was not read, and why."""

    path: Path
    odd: Odd

    @property
    def words(self) -> str:
        """One sentence that names it by its whole path."""
        return f"left out: {self.said}"

    @property
    def said(self) -> str:
        """What it is, by its whole path."""
        return f"{named(self.path)}: {_WORDS[self.odd]}"


@dataclass(slots=True)
class Listing:
    """The files of a folder in order of their names, and what is left out of it."""

    files: list[Path] = field(default_factory=list)
    left: list[LeftOut] = field(default_factory=list)


def named(path: Path) -> str:
    """The path as text; bytes of it that are not UTF-8 as ``\\xE9``."""
    return os.fsencode(path.absolute()).decode("utf-8", "backslashreplace")


def odd_of(path: Path) -> Odd | None:
    """Tell what ``path`` is without opening it; None for a file, or a link to one.

    Raises FileNotFoundError when there is nothing of that name.
    """
    try:
        path.name.encode("utf-8")
    except UnicodeEncodeError:
        return Odd.NAME
    try:
        mode = os.stat(path).st_mode
    except OSError as why:
        if why.errno == errno.ELOOP or getattr(why, "winerror", 0) == _LOOP_ON_WINDOWS:
            return Odd.LOOP
        if why.errno not in (errno.ENOENT, errno.ENOTDIR):
            return Odd.SHUT
        if os.path.islink(path):
            return Odd.NOTHING_BEHIND
        raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT)) from why
    if stat.S_ISREG(mode):
        return None
    if stat.S_ISDIR(mode):
        return Odd.FOLDER
    if stat.S_ISFIFO(mode):
        return Odd.PIPE
    return Odd.SOCKET if stat.S_ISSOCK(mode) else Odd.DEVICE


def open_file(path: Path) -> BufferedReader:
    """Open a file to be read; never anything else. Raises OSError, with the reason in words."""
    odd = odd_of(path)
    if odd not in (None, Odd.NAME, Odd.SHUT):  # the last is refused by the system, and better
        raise OSError(errno.EINVAL, _WORDS[odd])
    file = open(path, "rb", opener=_without_waiting)  # noqa: SIM115 (given to the caller)
    if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):  # it took the file's place just now
        file.close()
        raise OSError(errno.EINVAL, _WORDS[Odd.DEVICE])
    return file


def _without_waiting(path: str, flags: int) -> int:
    return os.open(path, flags | getattr(os, "O_NONBLOCK", 0))


def entries(folder: Path) -> tuple[list[Path], list[LeftOut]]:
    """All names in a folder that are not hidden, in order; none where there is no folder."""
    try:
        with os.scandir(folder) as found:
            names = sorted(each.name for each in found if not each.name.startswith("."))
    except (FileNotFoundError, NotADirectoryError):
        return [], []
    except OSError:
        return [], [LeftOut(folder, Odd.SHUT)]
    return [folder / name for name in names], []


def listed(folder: Path, suffix: str) -> Listing:
    """The files in ``folder`` whose names end with ``suffix``; what is odd is left out."""
    found, left = entries(folder)
    return sorted_out((path for path in found if path.name.endswith(suffix)), left)


def sorted_out(paths: Iterable[Path], left: Iterable[LeftOut] = ()) -> Listing:
    """Files apart from what is odd. What has gone since it was listed is passed over."""
    listing = Listing(left=list(left))
    for path in paths:
        try:
            odd = odd_of(path)
        except FileNotFoundError:
            continue
        if odd is None:
            listing.files.append(path)
        else:
            listing.left.append(LeftOut(path, odd))
    return listing


def gathered(folder: Path, look: Callable[[Path], Listing]) -> Listing:
    """What ``look`` finds in ``folder`` and in each folder that it holds: a job, or many jobs."""
    jobs, left = entries(folder)
    whole = Listing(left=left)
    for each in map(look, (folder, *jobs)):
        whole.files += each.files
        whole.left += each.left
    return whole

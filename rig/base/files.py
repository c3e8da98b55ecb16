"""Files written whole or not at all, read within limits, and checked before they are opened.

A job's folder may contain links that lead nowhere or in a circle, folders with a file's name, pipes
and devices, names that are not text. None of these is opened: a pipe could block forever, and a
device may act when it is opened.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import secrets
import stat
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from enum import Enum
from io import BufferedReader
from pathlib import Path

from rig.base.errors import InputError, reason
from rig.base.rounding import many

_MAKING = ".making-"
LEFT_AFTER_S = 3600.0  # saving never takes this long: an older temporary folder was left by a crash
_TAKEN = {errno.EEXIST, errno.ENOTEMPTY}
_NO_SUCH_THING = {errno.EINVAL, errno.ENOTSUP}  # some network disks cannot sync a folder


class TakenError(InputError):
    """Something of that name exists."""


def place(parent: Path, name: str, files: Mapping[str, bytes]) -> Path:
    """Make the folder ``parent/name`` with ``files`` (name -> bytes) in one step.

    The files are written in a folder beside it, which is then renamed: a crash, a full disk or a
    power cut leaves all of it or nothing. The disk confirms the files, then their names, then the
    folder's name. ``parent`` is made if necessary. A killed program leaves its folder
    ``.making-...``, which nobody reads, and which the first ``place`` an hour or more later
    removes. Raises TakenError when the name exists; InputError when it cannot be written, and then
    nothing is left behind.
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
    """Rename the folder. It never replaces one that has contents."""
    taken = TakenError(f"{target}: something of that name exists; choose another name")
    if target.exists() or target.is_symlink():
        raise taken
    try:
        making.rename(target)
    except OSError as error:
        if error.errno in _TAKEN:
            raise taken from error
        raise


def to_disk(folder: Path) -> None:
    """Write the folder's names to the disk, where the system can.

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
        with contextlib.suppress(OSError):  # it does no harm, and may be removed another time
            if time.time() - making.stat().st_mtime > LEFT_AFTER_S:
                _clear(making)


def _clear(making: Path) -> None:
    if making.is_symlink() or not making.is_dir():  # a link's target is not ours
        return
    for each in making.iterdir():
        each.unlink()
    making.rmdir()


def write_whole(path: Path, data: bytes, *, replace: bool = False) -> None:
    """Write a file; afterwards it is on the disk whole, or not at all.

    Its folder is made if necessary. Raises InputError when the disk refuses, or when the file
    exists and ``replace`` is false; an existing file is then unchanged.
    """
    try:
        if not path.parent.is_dir():
            path.parent.mkdir(parents=True)
        with written_beside(path, data) as making:
            if replace:
                os.replace(making, path)
            else:
                _name(making, path)
            to_disk(path.parent)
    except OSError as why:
        raise InputError(f"{path}: cannot be saved: {reason(why)}") from why


@contextlib.contextmanager
def written_beside(path: Path, data: bytes) -> Iterator[Path]:
    """A file with ``data``, on the disk beside ``path``, to be renamed to it; else it is removed.

    Raises OSError when the disk refuses.
    """
    making = path.with_name(f".{path.name}.{secrets.token_hex(8)}")
    try:
        _write(making, data)
        yield making
    finally:
        with contextlib.suppress(FileNotFoundError):  # it has its name, or was never made
            making.unlink()


def _name(making: Path, path: Path) -> None:
    """Give a file its name, unless another file has it, even one made at this moment."""
    try:
        os.link(making, path)
    except FileExistsError:
        raise
    except OSError:  # a disk without links; then there is no safe way
        if path.exists():
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST)) from None
        os.replace(making, path)


def digest(path: Path, size: int | None = None) -> str:
    """SHA-256 of a file, or of its first ``size`` bytes, hexadecimal. Raises InputError when it
    cannot be read."""
    try:
        with open_file(path) as file:
            if size is None:
                return hashlib.file_digest(file, "sha256").hexdigest()
            found = hashlib.sha256()
            while size > 0 and (piece := file.read(min(size, 1 << 20))):
                found.update(piece)
                size -= len(piece)
            return found.hexdigest()
    except OSError as why:
        raise InputError(f"{path}: cannot be read: {reason(why)}") from why


def bytes_of(path: Path, most: int, what: str) -> bytes:
    """The bytes of a file. Raises InputError when it cannot be read (with the OSError as its cause)
    or has over ``most`` bytes, so is not ``what``."""
    try:
        with open_file(path) as file:
            data = file.read(most + 1)
    except OSError as why:
        raise InputError(f"{named(path)}: cannot be read: {reason(why)}") from why
    if len(data) > most:
        raise InputError(f"{named(path)}: over {many(most, 'byte')}, so it is not {what}")
    return data


_LOOP_ON_WINDOWS = 1921  # ERROR_CANT_RESOLVE_FILENAME


class Odd(Enum):
    """Why something is not a readable file, in words for the person."""

    NOTHING_BEHIND = "it is a link to something that does not exist"
    LOOP = "it is a link that leads back to itself"
    FOLDER = "it is a folder, not a file"
    PIPE = "it is a pipe, not a file"
    SOCKET = "it is a socket, not a file"
    DEVICE = "it is a device, not a file"
    NAME = "its name is not UTF-8 text; rename it"
    SHUT = "you may not read it"
    EMPTY = "it has no record of its own name"
    NO_CAPTURE = "it does not begin as a capture"


_OF_MODE = {stat.S_IFREG: None, stat.S_IFDIR: Odd.FOLDER, stat.S_IFIFO: Odd.PIPE,
            stat.S_IFSOCK: Odd.SOCKET}  # fmt: skip


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Something in a folder that was not read, and why."""

    path: Path
    odd: Odd

    @property
    def words(self) -> str:
        """One sentence with its whole path."""
        return f"left out: {self.said}"

    @property
    def said(self) -> str:
        """Its whole path, and what it is."""
        return f"{named(self.path)}: {self.odd.value}"


@dataclass(slots=True)
class Listing:
    """The files of a folder in order of their names, and what is left out."""

    files: list[Path] = field(default_factory=list)
    left: list[LeftOut] = field(default_factory=list)


def named(path: Path) -> str:
    """The path as text; bytes of it that are not UTF-8 as ``\\xE9``."""
    return os.fsencode(path.absolute()).decode("utf-8", "backslashreplace")


def odd_of(path: Path) -> Odd | None:
    """What ``path`` is, without opening it; None for a file, or a link to one.

    Raises FileNotFoundError when it does not exist.
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
    return _OF_MODE.get(stat.S_IFMT(mode), Odd.DEVICE)


def open_file(path: Path) -> BufferedReader:
    """Open a file for reading, and nothing but a file. Raises OSError with the reason in words."""
    odd = odd_of(path)
    if odd and odd not in (Odd.NAME, Odd.SHUT):  # the system refuses the last, with a better reason
        raise OSError(errno.EINVAL, odd.value)
    at_once = getattr(os, "O_NONBLOCK", 0)
    file = open(path, "rb", opener=lambda name, flags: os.open(name, flags | at_once))  # noqa: SIM115
    if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):  # it has just replaced the file
        file.close()
        raise OSError(errno.EINVAL, Odd.DEVICE.value)
    return file


def entries(folder: Path) -> tuple[list[Path], list[LeftOut]]:
    """All names in a folder that are not hidden, in order; none without a folder."""
    try:
        with os.scandir(folder) as found:
            names = sorted(each.name for each in found if not each.name.startswith("."))
    except (FileNotFoundError, NotADirectoryError):
        return [], []
    except OSError:
        return [], [LeftOut(folder, Odd.SHUT)]
    return [folder / name for name in names], []


def listed(folder: Path, suffix: str) -> Listing:
    """The files in ``folder`` whose names end with ``suffix``, without what is odd."""
    found, left = entries(folder)
    return sorted_out((path for path in found if path.name.endswith(suffix)), left)


def sorted_out(paths: Iterable[Path], left: Iterable[LeftOut] = ()) -> Listing:
    """Files without what is odd. Files that have disappeared since are skipped."""
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
    """What ``look`` finds in ``folder`` and in each of its folders: a job, or many jobs."""
    jobs, left = entries(folder)
    whole = Listing(left=left)
    for each in map(look, (folder, *jobs)):
        whole.files += each.files
        whole.left += each.left
    return whole

"""Writes a capture while the session runs; what a capture holds stands in ``rig.wire.capture``."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import time
import zlib
from pathlib import Path
from typing import BinaryIO

from rig.faults import InputError, reason
from rig.files import open_file
from rig.wire.capture import FORMAT, LONGEST_NOTE, SUFFIX, parsed_note
from rig.wire.line import LONGEST_LINE, decode

MOST_WAITING = 32 * 1024 * 1024
"""So many bytes wait in memory while the disk refuses: more than an hour of the busiest rig."""
LATELY_S = 5.0
MOST_FOUL = 16 * 1024
"""So many bytes that make no line stand in one note: a note is at most LONGEST_NOTE."""
GROWS_WITHIN_S = 2.0
"""A capture that is being taken grows at least once a second: the host notes its clock."""


class TakenError(InputError):
    """There is a file of that name already."""


class CaptureWriter:
    """Appends to a capture, so that as little as can be is lost whatever happens.

    *The program is killed*: each ``write`` and ``note`` hands all whole lines to the operating
    system before it returns; lost is what had not reached this program, half a line, and the last
    of what makes no line, less than a line of it (a note for each byte would be 37 times as long).
    *The power goes*: ``sync`` has the disk confirm what was handed over, and at its first call the
    file's name in its folder; lost is what came since. Live that is once a second. *The disk
    refuses* (full, read-only): what it does not take waits in memory, in order, up to MOST_WAITING
    bytes, and is written as soon as it can be; ``refusal`` says why it waits, and no byte that
    stands in the file is touched.

    Raises TakenError when the file exists, InputError when it cannot be begun (nothing is left
    then) or more would wait than may.
    """

    def __init__(self, path: Path, start: dict[str, object]) -> None:
        self.path = path
        self._rest = b""
        self._foul = bytearray()  # what came and makes no line, before ``_rest``
        self._sum = 0
        self._waiting = bytearray()
        self._not_taken = self._not_confirmed = ""  # why the disk does not
        self._named = False  # the folder's list of names has reached the disk
        try:
            self._file: BinaryIO = open(path, "xb", buffering=0)  # noqa: SIM115 (kept open)
        except FileExistsError as why:
            raise TakenError(f"{path}: the capture cannot be begun: {reason(why)}") from why
        except OSError as why:
            raise InputError(f"{path}: the capture cannot be begun: {reason(why)}") from why
        self.note("capture", {"format": FORMAT, **start})
        if self._waiting:
            self._file.close()
            path.unlink()
            raise InputError(f"{path}: the capture cannot be begun: {self.refusal}")

    def write(self, data: bytes) -> None:
        """Bytes as they came from the rig, in pieces of any size."""
        *lines, rest = (self._rest + data).split(b"\n")
        for line in lines:
            if _is_sound(line):
                self._add_foul()
                self._add(line + b"\n")
            else:
                self._foul += line + b"\n"
                if len(self._foul) >= MOST_FOUL:
                    self._add_foul()
        whole = len(rest) - len(rest) % LONGEST_LINE
        self._foul += rest[:whole]
        self._rest = rest[whole:]
        if len(self._foul) >= LONGEST_LINE:
            self._add_foul()
        self._hand_over()

    def note(self, name: str, value: dict[str, object]) -> None:
        """A line of the host's."""
        self._add_foul()
        self._add(self._note_line(name, value))
        self._hand_over()

    @property
    def refusal(self) -> str:
        """Why the disk does not take the capture, or does not confirm it; empty while it does."""
        return self._not_taken or self._not_confirmed

    def sync(self) -> None:
        """Have the disk confirm all that was written so far; ``refusal`` says when it does not."""
        if self._file.closed:
            return
        self._add_foul()
        self._hand_over()
        if self._waiting:
            return
        try:
            os.fsync(self._file.fileno())
            if not self._named:
                _names_to_disk(self.path.parent)
                self._named = True
        except OSError as why:
            self._not_confirmed = reason(why)
        else:
            self._not_confirmed = ""

    def half_line(self) -> None:
        """The stream was interrupted: what is left of a line is kept as raw bytes."""
        self._foul += self._rest
        self._rest = b""
        self._add_foul()
        self._hand_over()

    def close(self) -> None:
        """End the file. May be called twice.

        Raises InputError when the disk does not take the last of it, or does not confirm it.
        """
        if self._file.closed:
            return
        with contextlib.closing(self._file):
            self.half_line()
            self.note("end", {})
            self.sync()
        if self._waiting:
            raise InputError(
                f"{self.path}: the last {len(self._waiting)} bytes of the capture could not be"
                f" written: {self.refusal}; what stands in it is kept, and reads up to there"
            )
        if self.refusal:
            raise InputError(
                f"{self.path}: the capture is written, but the disk does not confirm it:"
                f" {self.refusal}; look at the disk before you rely on it"
            )

    def _note_line(self, name: str, value: dict[str, object]) -> bytes:
        text = json.dumps(value, separators=(",", ":"), ensure_ascii=True)
        body = f"# {name} {text} {self._sum:08X}".encode("ascii")
        return b"%b %08X\n" % (body, zlib.crc32(body))

    def _add_foul(self) -> None:
        """A note of what makes no line, in pieces that a note can hold."""
        for first in range(0, len(self._foul), MOST_FOUL):
            foul = self._foul[first : first + MOST_FOUL]
            self._add(self._note_line("raw", {"hex": foul.hex()}))
        self._foul.clear()

    def _add(self, data: bytes) -> None:
        self._sum = zlib.crc32(data, self._sum)
        self._waiting += data

    def _hand_over(self) -> None:
        """Give what waits to the operating system, as far as it takes it."""
        try:
            while self._waiting:
                del self._waiting[: self._file.write(self._waiting)]
        except OSError as why:
            self._not_taken = reason(why)
        else:
            self._not_taken = ""
        if len(self._waiting) > MOST_WAITING:
            raise InputError(
                f"{self.path}: the capture could not be written on: {self.refusal}, and no more"
                " can wait in memory; what stands in it so far is kept"
            )


def begin(folder: Path, stem: str, start: dict[str, object]) -> CaptureWriter:
    """Begin a capture under the first free name: STEM.capture, STEM-2.capture and so on.

    Programs that do so at the same time get a name each. Raises InputError as the writer does.
    """
    for extra in ("", *(f"-{n}" for n in range(2, 100))):
        with contextlib.suppress(TakenError):
            return CaptureWriter(folder / f"{stem}{extra}{SUFFIX}", start)
    raise InputError(f"{folder}: a hundred captures began in one second; wait and try again")


def is_growing(path: Path) -> bool:
    """Tell whether a program is writing this capture just now. May take two seconds to see.

    It was written on lately, has no end, and goes on growing: live a note comes every second.
    Raises InputError when it cannot be looked at.
    """
    try:
        seen = path.stat()
        if abs(time.time() - seen.st_mtime) > LATELY_S or _has_end(path, seen.st_size):
            return False
        until = time.monotonic() + GROWS_WITHIN_S
        while time.monotonic() < until:
            if path.stat().st_size != seen.st_size:
                return True
            time.sleep(0.05)
    except OSError as why:
        raise InputError(f"{path}: the capture cannot be read: {reason(why)}") from why
    return False


def _has_end(path: Path, size: int) -> bool:
    with open_file(path) as file:
        file.seek(max(size - LONGEST_NOTE, 0))
        note = parsed_note(file.read().rstrip(b"\n").rpartition(b"\n")[2] + b"\n")
    return note is not None and note[0] == "end"


def _names_to_disk(folder: Path) -> None:
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


def _is_sound(line: bytes) -> bool:
    """Whether ``line``, given without its LF, may stand in the capture as it came."""
    if not line or line.startswith(b"#") or len(line) >= LONGEST_LINE or not line.isascii():
        return False
    return decode(line) is not None and line.removesuffix(b"\r").decode("ascii").isprintable()

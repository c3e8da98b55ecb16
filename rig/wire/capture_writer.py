"""Writes a capture while the session runs; what a capture holds stands in ``rig.wire.capture``."""

from __future__ import annotations

import contextlib
import json
import os
import time
import zlib
from pathlib import Path

from rig.counted import many
from rig.faults import InputError, reason
from rig.files import open_file
from rig.wire.capture import FORMAT, LONGEST_NOTE, PIECE, parsed_note
from rig.wire.capture_file import (
    Fate,
    at_free_name,
    copied,
    is_same,
    names_to_disk,
    new_file,
)
from rig.wire.line import LONGEST_LINE, decode

MOST_WAITING = 32 * 1024 * 1024
"""So many bytes wait in memory while the disk refuses: more than an hour of the busiest rig."""
LATELY_S = 5.0
MOST_FOUL = 16 * 1024
"""So many bytes that make no line stand in one note: a note is at most LONGEST_NOTE."""
GROWS_WITHIN_S = 2.0
_LOOKS_S = 0.05
"""A capture that is being taken grows at least once a second: the host notes its clock."""


class CaptureWriter:
    """Appends to a capture, so that as little as can be is lost whatever happens.

    *The program is killed*: each ``write`` and ``note`` hands all whole lines to the operating
    system before it returns; lost is what had not reached this program, half a line, and the last
    of what makes no line, less than a line of it (a note for each byte would be 37 times as long).
    *The power goes*: ``sync`` has the disk confirm what was handed over, and at its first call the
    file's name in its folder; lost is what came since. Live that is once a second. *The disk
    refuses* (full, read-only): what it does not take waits in memory, in order, up to MOST_WAITING
    bytes, and is written as soon as it can be; ``refusal`` says why it waits, and no byte that
    stands in the file is touched. *The file loses its name* (deleted, renamed, replaced, its folder
    or disk gone): ``fate`` tells it, and ``begin_anew`` goes on in a new file from what is still
    there; where a system lets nobody take the name of an open file, that does not happen.

    Raises TakenError when the file exists, InputError when it cannot be begun (nothing is left
    then) or more would wait than may.
    """

    def __init__(self, path: Path, start: dict[str, object]) -> None:
        self.path = path
        self._ended: os.stat_result | None = None  # the file as it was closed
        self._start = start
        self._rest = b""
        self._foul = bytearray()  # what came and makes no line, before ``_rest``
        self._sum = 0
        self._waiting = bytearray()
        self._not_taken = self._not_confirmed = ""  # why the disk does not
        self._named = False  # the folder's list of names has reached the disk
        self._written = 0  # bytes that the operating system has taken
        self._at_line = True  # the last of them ends a line
        self._file = new_file(path)
        self._numbered = is_same(path, self._file)  # files can be told apart there
        self._sized = False  # their length is told as it is there
        self.note("capture", {"format": FORMAT, **start})
        if self._waiting:
            self._file.close()
            path.unlink()
            raise InputError(f"{path}: the capture cannot be begun: {self.refusal}")
        self._sized = os.fstat(self._file.fileno()).st_size == self._written

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
                names_to_disk(self.path.parent)
                self._named = True
        except OSError as why:
            self._not_confirmed = reason(why)
        else:
            self._not_confirmed = ""

    def fate(self) -> Fate:
        """Look whether the file is still there under its name, as it was written."""
        try:
            there = os.lstat(self.path)
            own = os.fstat(self._file.fileno())
            is_as_long = self._is_as_long()
        except (FileNotFoundError, NotADirectoryError):
            return Fate.NAME_GONE if os.path.isdir(self.path.parent) else Fate.FOLDER_GONE
        except OSError:
            return Fate.NO_ANSWER
        if self._numbered and not os.path.samestat(there, own):
            return Fate.REPLACED
        return Fate.THERE if is_as_long else Fate.LENGTH

    def begin_anew(self, path: Path, why: Fate) -> int:
        """Go on in a new file at ``path``, with all that can still be read of the old one.

        Gives how many bytes are missing in it, 0 when it is byte for byte as the old one was; a
        note in it says so. Raises TakenError when the file exists, InputError when it cannot be
        written; nothing is left then, and the old file goes on.
        """
        keep, is_whole = self._still_there()
        new = new_file(path)
        try:
            total = copied(self._file, new, keep)
        except OSError as refused:
            new.close()
            path.unlink()
            self._back_to_end()
            raise InputError(f"{path}: {reason(refused)}") from refused
        with contextlib.suppress(OSError):  # its disk is gone, it may be
            self._file.close()
        was, missing = self.path.name, self._written - keep
        self.path, self._file, self._named = path, new, False
        self._numbered = is_same(path, new)
        self._written = keep
        if is_whole:
            self.note("anew", {"was": was, "why": why.value})
            return 0
        lines = bytes(self._waiting).split(b"\n")[0 if self._at_line else 1 :]
        self._waiting.clear()
        self._sum, self._at_line = total, True
        if not keep:
            self._add(self._note_line("capture", {"format": FORMAT, **self._start}))
        gap = {"why": f"the capture was {why.value}", "was": was, "missing_bytes": missing}
        self._add(self._note_line("gap", gap))
        for line in lines[:-1]:
            self._add_again(line + b"\n")
        self._hand_over()
        return max(missing, 1)

    def _add_again(self, line: bytes) -> None:
        """A line that waited: a note of it has the sum of what comes before it now."""
        note = parsed_note(line) if line.startswith(b"#") else None
        self._add(line if note is None else self._note_line(note[0], note[1]))

    def _still_there(self) -> tuple[int, bool]:
        """How many bytes of the old file can be kept, and whether that is all of them.

        Where it is not as it was written: whole lines, up to the first byte that no line has.
        """
        total = at = whole_lines = 0
        is_sound = True
        with contextlib.suppress(OSError):
            self._file.seek(0)
            while at < self._written and (piece := self._file.read(min(PIECE, self._written - at))):
                total = zlib.crc32(piece, total)
                sound = piece.partition(b"\0")[0] if is_sound else b""
                is_sound = len(sound) == len(piece)
                if b"\n" in sound:
                    whole_lines = at + sound.rindex(b"\n") + 1
                at += len(piece)
        self._back_to_end()
        if at == self._written and zlib.crc32(self._waiting, total) == self._sum:
            return at, True
        return whole_lines, False

    def _back_to_end(self) -> None:
        with contextlib.suppress(OSError):
            self._file.seek(self._written)

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
            self._ended = os.fstat(self._file.fileno())
        if self._waiting:
            raise InputError(
                f"{self.path}: the last {many(len(self._waiting), 'byte')} of the "
                f"capture could not be"
                f" written: {self.refusal}; what stands in it is kept, and reads up to there"
            )
        if self.refusal:
            raise InputError(
                f"{self.path}: the capture is written, but the disk does not confirm it:"
                f" {self.refusal}; look at the disk before you rely on it"
            )

    @property
    def closed(self) -> bool:
        """True once ``close`` was called."""
        return self._file.closed

    def is_there(self) -> bool:
        """Whether the file that was closed is still there under its name, as it was closed."""
        try:
            there = os.lstat(self.path)
        except OSError:
            return False
        if self._ended is None:
            return False
        same = not self._numbered or os.path.samestat(there, self._ended)
        return same and there.st_size == self._ended.st_size

    def _is_as_long(self) -> bool:
        if not self._sized:
            return True
        return os.fstat(self._file.fileno()).st_size == self._written

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
        """Give what waits to the operating system, as far as it takes it; not to a file that
        another program has cut or written on: a new one is to be begun then."""
        try:
            while self._waiting and self._is_as_long():
                taken = self._file.write(self._waiting)
                self._at_line = self._waiting[taken - 1 : taken] == b"\n"
                self._written += taken
                del self._waiting[:taken]
        except OSError as why:
            self._not_taken = reason(why)
        else:
            self._not_taken = "another program changes the file" if self._waiting else ""
        if len(self._waiting) > MOST_WAITING:
            raise InputError(
                f"{self.path}: the capture could not be written on: {self.refusal}, and no more"
                " can wait in memory; what stands in it so far is kept"
            )


def begin(folder: Path, stem: str, start: dict[str, object]) -> CaptureWriter:
    """Begin a capture under the first free name: STEM.capture, STEM-2.capture and so on.

    Programs that do so at the same time get a name each. Raises InputError as the writer does.
    """
    return at_free_name(folder, stem, lambda path: CaptureWriter(path, start))


pause = time.sleep
"""How ``is_growing`` waits."""


def is_growing(path: Path) -> bool:
    """Tell whether a program is writing this capture just now. May take two seconds to see.

    It was written on lately, has no end, and goes on growing: live a note comes every second.
    Raises InputError when it cannot be looked at.
    """
    try:
        seen = path.stat()
        if abs(time.time() - seen.st_mtime) > LATELY_S or _has_end(path, seen.st_size):
            return False
        for _ in range(round(GROWS_WITHIN_S / _LOOKS_S)):
            pause(_LOOKS_S)
            if path.stat().st_size != seen.st_size:
                return True
    except OSError as why:
        raise InputError(f"{path}: the capture cannot be read: {reason(why)}") from why
    return False


def _has_end(path: Path, size: int) -> bool:
    with open_file(path) as file:
        file.seek(max(size - LONGEST_NOTE, 0))
        note = parsed_note(file.read().rstrip(b"\n").rpartition(b"\n")[2] + b"\n")
    return note is not None and note[0] == "end"


def _is_sound(line: bytes) -> bool:
    """Whether ``line``, given without its LF, may stand in the capture as it came."""
    if not line or line.startswith(b"#") or len(line) >= LONGEST_LINE or not line.isascii():
        return False
    return decode(line) is not None and line.removesuffix(b"\r").decode("ascii").isprintable()

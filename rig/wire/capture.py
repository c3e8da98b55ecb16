"""Read and write the capture: one append-only text file that is the session.

Lines of the rig are kept exactly as they came. Lines that begin with ``#`` are the host's notes:
what the rig cannot know. A note is

    # NAME {json} SUM CRC

``SUM`` is the CRC-32 of every byte of the file before this line and ``CRC`` that of the line before
its last space, both in eight hexadecimal digits: a byte changed anywhere before a note is found.
Bytes that make no valid line (wrong CRC, garbage, half a line) go into a note named ``raw`` as
hexadecimal, so that the stream can be replayed byte for byte and nothing that a device sends can
pass for a note.

``CaptureReader`` reads a capture, ``CaptureWriter`` writes one while the session runs. The rest is
its file as the system keeps it: created under a free name, watched, copied.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import json
import os
import time
import zlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from typing import BinaryIO, TypeVar

from rig.base.errors import InputError, reason
from rig.base.files import TakenError, open_file, to_disk
from rig.base.rounding import many
from rig.wire.formats import HEAD_BYTES, Recording, RecordingFormat, reported_counts
from rig.wire.line import HEX_DIGITS, LONGEST_LINE, decode
from rig.wire.reader import LineReader
from rig.wire.records import Batch, LineError, Note

FORMAT = 1
SUFFIX = ".capture"
PIECE = 1 << 18
LONGEST_NOTE = 1 << 16
MOST_REPORTED = 20  # bad notes reported one by one; further ones are only counted


class CaptureReader:
    """Replays a capture: the same batches as live, with the host's notes in their places.

    Raises InputError for a file that is missing, empty, not a capture, or of another format. A file
    cut off anywhere is read up to the cut; a ``LineError`` says so. With ``size`` no more than its
    first bytes are read: a capture as it stood while it was being taken.

    ``start`` has the values of its head. Of what was read, ``size`` is the number of bytes;
    ``ended``: the writer closed the file properly; ``altered``: a sum or a CRC is wrong.
    """

    def __init__(self, path: Path, size: int | None = None) -> None:
        self.path = path
        self._most = size
        self.start = head_of(path).start
        self.size = 0
        self.ended = self.altered = False
        self.lines = LineReader()
        self._wrong_notes = self._last_wrong = 0

    def batches(self) -> Iterator[Batch]:
        """All records in order of arrival."""
        total = number = 0  # sum of the bytes so far, lines read
        with open_file(self.path) as file:
            rest = b""
            left = PIECE if self._most is None else self._most
            while left > 0 and (piece := file.read(min(PIECE, left))):
                left -= len(piece) if self._most is not None else 0
                self.size += len(piece)
                whole, end, rest = (rest + piece).rpartition(b"\n")
                whole += end
                plain: list[bytes] = []  # lines of the rig
                notes: list[tuple[int, Note]] = []  # among them, at which records need no division
                done = lines = 0
                for start, stop in _notes_in(whole):
                    between, line = whole[done:start], whole[start:stop]
                    done = stop
                    total = zlib.crc32(between, total)
                    plain.append(between)
                    lines += between.count(b"\n")
                    number += between.count(b"\n") + 1
                    note = parsed_note(line)
                    if note is not None and note[0] == "host" and note[2] == total:
                        self.ended = False
                        notes.append((lines, Note(0.0, "host", note[1])))
                    else:
                        yield from self.lines.feed(b"".join(plain), notes)
                        plain, notes, lines = [], [], 0
                        yield from self._noted(note, number, total)
                    total = zlib.crc32(line, total)
                plain.append(whole[done:])
                number += plain[-1].count(b"\n")
                total = zlib.crc32(plain[-1], total)
                yield from self.lines.feed(b"".join(plain), notes)
                if len(rest) > LONGEST_NOTE:
                    rest = b""
                    self.altered = True
                    text = f"line {number + 1} is longer than any line of a capture"
                    yield self._line_error(text)
        yield from self.lines.finish()
        if self._wrong_notes > MOST_REPORTED:
            more = many(self._wrong_notes - MOST_REPORTED, "more note")
            yield self._line_error(f"{more} are wrong, the last in line {self._last_wrong}")
        if rest or not self.ended:
            where = f"inside line {number + 1}" if rest else f"after line {number}"
            yield self._line_error(f"the capture was cut off {where}; it was read up to there")

    def _noted(
        self, note: tuple[str, dict[str, object], int] | None, number: int, total: int
    ) -> Iterator[Batch]:
        if note is None:
            yield from self._wrong(number, "the checksum of a note is wrong")
            return
        name, value, noted = note
        if noted != total and not self.altered:
            self.altered = True
            text = f"something before line {number} was changed after it was written"
            yield self._line_error(text)
        if name == "raw":
            try:
                yield from self.lines.feed(bytes.fromhex(str(value.get("hex", ""))))
            except ValueError:
                yield from self._wrong(number, "raw bytes that are not hexadecimal")
            return
        self.ended = name == "end"
        if name == "gap":
            yield from self.lines.interrupted()
        yield Batch(others=[Note(self.lines.now_us, name, value)])

    def _wrong(self, number: int, what: str) -> Iterator[Batch]:
        """A note that is not as it was written."""
        self.altered = True
        self._wrong_notes, self._last_wrong = self._wrong_notes + 1, number
        if self._wrong_notes <= MOST_REPORTED:
            yield self._line_error(f"line {number}: {what}")

    def _line_error(self, detail: str) -> Batch:
        return Batch(others=[LineError(self.lines.now_us, "capture", detail)])


def _notes_in(whole: bytes) -> Iterator[tuple[int, int]]:
    """Where lines that begin with ``#`` start and end, LF included, in ``whole`` lines."""
    start = 0 if whole.startswith(b"#") else whole.find(b"\n#") + 1 or len(whole)
    while start < len(whole):
        stop = whole.index(b"\n", start) + 1
        yield start, stop
        start = whole.find(b"\n#", stop - 1) + 1 or len(whole)


def _recording(path: Path, counts_per_turn: int | None, names: Mapping[str, str]) -> Recording:
    """A capture as a recording; ``names`` are not used, as its inputs have numbers."""
    counts = counts_per_turn or reported_counts(path, CaptureReader(path).batches())
    return Recording(path, "capture", CaptureReader(path).batches(), {}, counts)


RECORDING_FORMAT = RecordingFormat(
    "capture", "capture", lambda head: head.startswith(b"# capture "), _recording
)


def is_capture(path: Path) -> bool:
    """True when the file begins as a capture does. Raises OSError when it cannot be read."""
    with open_file(path) as file:
        return RECORDING_FORMAT.recognises(file.read(HEAD_BYTES))


@dataclass(frozen=True, slots=True)
class Head:
    """The first line of a capture: its values, and the digest that identifies the capture, the
    first 32 digits of the line's SHA-256."""

    digest: str
    start: dict[str, object]


def head_of(path: Path) -> Head:
    """Read the head. Raises InputError if the file is missing, empty, or of another format."""
    try:
        with open_file(path) as file:
            line = file.readline(LONGEST_NOTE)
    except OSError as why:
        raise InputError(f"{path}: the capture cannot be read: {reason(why)}") from why
    if not line:
        raise InputError(f"{path}: the capture is empty; nothing was recorded in it")
    first = parsed_note(line)
    if first is None or first[0] != "capture":
        raise InputError(
            f"{path}: line 1 is not the head of a capture; give a capture or a pin recording (VCD)"
        )
    if first[1].get("format") != FORMAT:
        raise InputError(
            f"{path}: line 1: this capture has format {first[1].get('format')!r},"
            f" this program reads format {FORMAT}; use the program that wrote it"
        )
    return Head(hashlib.sha256(line).hexdigest()[:32], first[1])


def parsed_note(line: bytes) -> tuple[str, dict[str, object], int] | None:
    """Name, value and sum of a note; None if it is not one or its CRC is wrong."""
    body, _, crc = line.rstrip(b"\n").rpartition(b" ")
    if len(crc) != 8 or crc.translate(None, HEX_DIGITS) or int(crc, 16) != zlib.crc32(body):
        return None
    head, _, total = body.rpartition(b" ")
    parts = head.split(b" ", 2)
    if len(parts) != 3 or parts[0] != b"#" or len(total) != 8:
        return None
    try:
        value = json.loads(parts[2])
        return parts[1].decode("ascii"), dict(value), int(total, 16)
    except (ValueError, TypeError, RecursionError):
        return None


MOST_WAITING = 32 * 1024 * 1024
"""Bytes kept in memory while the disk refuses: more than an hour of the busiest rig."""

LATELY_S = 5.0
MOST_RAW = 16 * 1024  # bytes of no valid line that go into one note; a note is at most LONGEST_NOTE
GROWS_WITHIN_S = 2.0
_LOOKS_S = 0.05  # a capture being taken grows at least once a second, as the host notes its clock


class CaptureWriter:
    """Appends to a capture so that as little as possible is lost whatever happens.

    *The program is killed*: each ``write`` and ``note`` passes all whole lines to the operating
    system before it returns. Lost are half a line, and less than a line of invalid bytes (a note
    for each byte would be 37 times as long).
    *The power fails*: ``sync`` makes the disk confirm what was written and, at its first call, the
    file's name in its folder. Lost is what came since; live, ``sync`` runs once a second.
    *The disk refuses* (full, read-only): data waits in memory, in order, up to MOST_WAITING bytes,
    and is written as soon as possible; ``refusal`` says why it waits. Nothing already in the file
    is touched.
    *The file loses its name* (deleted, renamed, replaced, its folder or disk gone): ``fate``
    reports it, and ``begin_anew`` continues in a new file with what can still be read. Systems
    that protect the name of an open file do not need this.

    Raises TakenError when the file exists, InputError when it cannot be created (nothing is left
    then) or more data would wait than allowed.
    """

    def __init__(self, path: Path, start: dict[str, object]) -> None:
        self.path = path
        self._ended: os.stat_result | None = None  # the file when it was closed
        self._start = start
        self._rest = b""
        self._invalid = bytearray()  # bytes of no valid line, before ``_rest``
        self._sum = 0
        self._waiting = bytearray()
        self._not_taken = self._not_confirmed = ""  # why the disk refuses, or does not confirm
        self._named = False  # the file's name has reached the disk
        self._written = 0  # bytes that the operating system has accepted
        self._at_line = True  # the last of them ends a line
        self._file = new_file(path)
        self._numbered = is_same(path, self._file)  # the system can tell files apart
        self._sized = False  # the system reports their length at once
        self.note("capture", {"format": FORMAT, **start})
        if self._waiting:
            self._file.close()
            path.unlink()
            raise InputError(f"{path}: the capture cannot be created: {self.refusal}")
        self._sized = os.fstat(self._file.fileno()).st_size == self._written

    def write(self, data: bytes) -> None:
        """Bytes as they came from the rig, in any pieces."""
        *lines, rest = (self._rest + data).split(b"\n")
        for line in lines:
            if _is_valid(line):
                self._note_invalid()
                self._add(line + b"\n")
            else:
                self._invalid += line + b"\n"
                if len(self._invalid) >= MOST_RAW:
                    self._note_invalid()
        whole = len(rest) - len(rest) % LONGEST_LINE
        self._invalid += rest[:whole]
        self._rest = rest[whole:]
        if len(self._invalid) >= LONGEST_LINE:
            self._note_invalid()
        self._hand_over()

    def note(self, name: str, value: dict[str, object]) -> None:
        """Write a note of the host."""
        self._note_invalid()
        self._add(self._note_line(name, value))
        self._hand_over()

    @property
    def refusal(self) -> str:
        """Why the disk refuses the capture, or does not confirm it; empty otherwise."""
        return self._not_taken or self._not_confirmed

    def sync(self) -> None:
        """Make the disk confirm everything written so far; ``refusal`` says if it does not."""
        if self._file.closed:
            return
        self._note_invalid()
        self._hand_over()
        if self._waiting:
            return
        try:
            os.fsync(self._file.fileno())
            if not self._named:
                to_disk(self.path.parent)
                self._named = True
        except OSError as why:
            self._not_confirmed = reason(why)
        else:
            self._not_confirmed = ""

    def fate(self) -> Fate:
        """Check that the file is still there under its name, as it was written."""
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
        """Continue in a new file at ``path``, with all that can still be read of the old one.

        Returns how many bytes are missing from it, 0 when it is an exact copy; a note in it says
        so. Raises TakenError when the file exists, InputError when it cannot be written; nothing
        is left then, and the old file goes on.
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
        with contextlib.suppress(OSError):  # its disk may be gone
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
        """Append a line that waited; a note gets the sum of what now comes before it."""
        note = parsed_note(line) if line.startswith(b"#") else None
        self._add(line if note is None else self._note_line(note[0], note[1]))

    def _still_there(self) -> tuple[int, bool]:
        """How many bytes of the old file can be kept, and whether that is all of them.

        If it was changed: whole lines, up to the first byte that belongs to no valid line.
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
        """The stream was interrupted: keep what is left of a line as raw bytes."""
        self._invalid += self._rest
        self._rest = b""
        self._note_invalid()
        self._hand_over()

    def close(self) -> None:
        """End the file; a second call does nothing.

        Raises InputError when the disk refuses the last bytes, or does not confirm them.
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
                f"{self.path}: the last {many(len(self._waiting), 'byte')} of the capture could"
                f" not be written: {self.refusal}; the rest is kept and can be read"
            )
        if self.refusal:
            raise InputError(
                f"{self.path}: the capture is written, but the disk does not confirm it:"
                f" {self.refusal}; check the disk before you rely on it"
            )

    @property
    def closed(self) -> bool:
        """True once ``close`` was called."""
        return self._file.closed

    def is_there(self) -> bool:
        """Whether the closed file is still there under its name, unchanged."""
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

    def _note_invalid(self) -> None:
        """Note bytes of no valid line, in pieces that fit a note."""
        for first in range(0, len(self._invalid), MOST_RAW):
            piece = self._invalid[first : first + MOST_RAW]
            self._add(self._note_line("raw", {"hex": piece.hex()}))
        self._invalid.clear()

    def _add(self, data: bytes) -> None:
        self._sum = zlib.crc32(data, self._sum)
        self._waiting += data

    def _hand_over(self) -> None:
        """Pass waiting data to the operating system, as far as it accepts it. Not to a file that
        another program has cut or written to: that needs a new one."""
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
                f"{self.path}: the capture could not be written: {self.refusal}, and memory for"
                " waiting data is full; what the file has so far is kept"
            )


def begin(folder: Path, stem: str, start: dict[str, object]) -> CaptureWriter:
    """Begin a capture under the first free name: STEM.capture, STEM-2.capture and so on.

    Programs that do so at the same time get different names. Raises InputError as the writer does.
    """
    return at_free_name(folder, stem, lambda path: CaptureWriter(path, start))


pause = time.sleep  # how ``is_growing`` waits


def is_growing(path: Path) -> bool:
    """Whether a program is writing this capture now; this can take two seconds.

    It is if the file changed recently, has no end and grows: live, a note comes every second.
    Raises InputError when it cannot be read.
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


def _is_valid(line: bytes) -> bool:
    """Whether ``line``, without its LF, can be kept in the capture as it came."""
    if not line or line.startswith(b"#") or len(line) >= LONGEST_LINE or not line.isascii():
        return False
    return decode(line) is not None and line.removesuffix(b"\r").decode("ascii").isprintable()


T = TypeVar("T")


class Fate(Enum):
    """What became of a capture's file while it was being written."""

    THERE = "there"
    NAME_GONE = "deleted or renamed"
    FOLDER_GONE = "folder gone"
    REPLACED = "replaced"
    LENGTH = "cut or written to by another program"
    NO_ANSWER = "disk does not respond"


def at_free_name(folder: Path, stem: str, make: Callable[[Path], T]) -> T:
    """The result of ``make`` for the first name that is free (no TakenError)."""
    for extra in ("", *(f"-{n}" for n in range(2, 100))):
        with contextlib.suppress(TakenError):
            return make(folder / f"{stem}{extra}{SUFFIX}")
    raise InputError(f"{folder}: a hundred captures began in one second; wait, then try again")


def new_file(path: Path) -> BinaryIO:
    """Create a file. Raises TakenError if it exists, else InputError."""
    try:
        return open(
            path,
            "x+b",
            buffering=0,
            opener=lambda name, flags: os.open(name, flags | os.O_APPEND, 0o666),
        )
    except FileExistsError as why:
        raise TakenError(f"{path}: the capture cannot be created: {reason(why)}") from why
    except OSError as why:
        raise InputError(f"{path}: the capture cannot be created: {reason(why)}") from why


def is_same(path: Path, file: BinaryIO) -> bool:
    """Whether a name is that of an open file, by the system's file numbers."""
    try:
        return os.path.samestat(os.lstat(path), os.fstat(file.fileno()))
    except OSError:
        return False


def copied(old: BinaryIO, new: BinaryIO, size: int) -> int:
    """Copy ``size`` bytes from the beginning; returns their CRC-32. Raises OSError."""
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

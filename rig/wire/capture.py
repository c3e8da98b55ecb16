"""The capture: one append-only text file that is the session.

Lines of the rig stand exactly as they came. Lines that begin with ``#`` are the host's notes: what
the rig cannot know. A note is

    # NAME {json} SUM CRC

``SUM`` is the CRC-32 of every byte of the file before this line and ``CRC`` that of the line before
its last space, both in eight hexadecimal digits: a byte changed anywhere before a note is found.
Bytes that make no sound line (wrong CRC, garbage, half a line) stand in a note named ``raw`` as
hexadecimal, so that the stream can be played again byte for byte and nothing that a device sends
can pass for a note.
"""

from __future__ import annotations

import contextlib
import json
import os
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from rig.faults import InputError, reason
from rig.wire.line import HEX_DIGITS, LONGEST_LINE, decode
from rig.wire.reader import LineReader
from rig.wire.records import Batch, Note, Trouble

FORMAT = 1
PIECE = 1 << 18
LONGEST_NOTE = 1 << 16
_PASSIVE = b"# host "


class CaptureWriter:
    """Appends to a capture. Every ``write`` and ``note`` reaches the operating system at once;
    ``sync`` asks that it reaches the disk.

    Raises InputError when the file exists already, cannot be made, or the disk is full. After a
    failed write the file ends inside a line, which a reader finds and says.
    """

    def __init__(self, path: Path, start: dict[str, object]) -> None:
        self.path = path
        self._rest = b""
        self._sum = 0
        try:
            self._file: BinaryIO = open(path, "xb", buffering=0)  # noqa: SIM115 (kept open)
        except OSError as why:
            raise InputError(f"{path}: the capture cannot be begun: {reason(why)}") from why
        self.note("capture", {"format": FORMAT, **start})

    def write(self, data: bytes) -> None:
        """Bytes as they came from the rig, in pieces of any size."""
        *lines, rest = (self._rest + data).split(b"\n")
        out = [_kept(line + b"\n") for line in lines]
        while len(rest) >= LONGEST_LINE:
            out.append(_kept(rest[:LONGEST_LINE]))
            rest = rest[LONGEST_LINE:]
        self._rest = rest
        for piece in out:
            self._append(piece if isinstance(piece, bytes) else self._note_line("raw", piece))

    def note(self, name: str, value: dict[str, object]) -> None:
        """A line of the host's."""
        self._append(self._note_line(name, value))

    def sync(self) -> None:
        """Ask that all written so far reaches the disk. Raises InputError when it does not."""
        try:
            os.fsync(self._file.fileno())
        except OSError as why:
            raise InputError(f"{self.path}: the capture did not reach the disk: {reason(why)}"
                             ) from why  # fmt: skip

    def half_line(self) -> None:
        """The stream was interrupted: what is left of a line is kept as raw bytes."""
        if self._rest:
            self._append(self._note_line("raw", {"hex": self._rest.hex()}))
            self._rest = b""

    def close(self) -> None:
        """End the file. May be called twice."""
        if self._file.closed:
            return
        with contextlib.closing(self._file):
            self.half_line()
            self.note("end", {})
            self.sync()

    def _note_line(self, name: str, value: dict[str, object]) -> bytes:
        text = json.dumps(value, separators=(",", ":"), ensure_ascii=True)
        body = f"# {name} {text} {self._sum:08X}".encode("ascii")
        return b"%b %08X\n" % (body, zlib.crc32(body))

    def _append(self, data: bytes) -> None:
        view = memoryview(data)
        try:
            while view:
                view = view[self._file.write(view) or 0 :]
        except OSError as why:
            raise InputError(
                f"{self.path}: the capture could not be written on: {reason(why)};"
                " what stands in it so far is kept"
            ) from why
        self._sum = zlib.crc32(data, self._sum)


def _kept(line: bytes) -> bytes | dict[str, object]:
    """``line`` itself when it is a sound one, else its bytes for a raw note."""
    if line.endswith(b"\n") and not line.startswith(b"#") and len(line) <= LONGEST_LINE:
        body = line[:-1]
        shown = body.removesuffix(b"\r")
        if decode(body) is not None and body.isascii() and shown.decode("ascii").isprintable():
            return line
    return {"hex": line.hex()}


@dataclass(slots=True)
class CaptureFacts:
    """What a reading of a capture found out about the file itself."""

    start: dict[str, object]
    size: int = 0
    ended: bool = False  # the writer closed it in order
    altered: bool = False  # a sum or a CRC does not hold


class CaptureReader:
    """Plays a capture: the same batches as came live, with the host's notes in their places.

    Raises InputError for a file that is missing, empty, no capture, or of another format. A file
    cut off anywhere is read up to the cut; ``facts`` and a ``Trouble`` say so.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.facts = CaptureFacts({})
        self.lines = LineReader()
        try:
            with path.open("rb") as file:
                head = file.readline(LONGEST_NOTE)
        except OSError as why:
            raise InputError(f"{path}: the capture cannot be read: {reason(why)}") from why
        if not head:
            raise InputError(f"{path}: the capture is empty; nothing was recorded in it")
        first = _parsed(head)
        if first is None or first[0] != "capture":
            raise InputError(
                f"{path}: line 1 is not the head of a capture;"
                " give a capture or a pin recording (VCD)"
            )
        self.facts.start = first[1]
        if first[1].get("format") != FORMAT:
            raise InputError(
                f"{path}: line 1: this capture has format {first[1].get('format')!r},"
                f" this program reads format {FORMAT}; use the program that wrote it"
            )

    def batches(self) -> Iterator[Batch]:
        """All records in order of arrival."""
        sum_so_far = 0
        number = 0  # lines read
        with self.path.open("rb") as file:
            rest = b""
            while piece := file.read(PIECE):
                self.facts.size += len(piece)
                whole, end, rest = (rest + piece).rpartition(b"\n")
                whole += end
                plain: list[bytes] = []
                notes: list[tuple[int, Note]] = []
                done = lines = 0
                for start, stop in _notes_in(whole):
                    between, line = whole[done:start], whole[start:stop]
                    done = stop
                    sum_so_far = zlib.crc32(between, sum_so_far)
                    plain.append(between)
                    lines += between.count(b"\n")
                    note = self._passive(line, sum_so_far)
                    if note is not None:
                        notes.append((lines, note))
                    else:
                        yield from self.lines.play(b"".join(plain), notes)
                        plain, notes, lines = [], [], 0
                        at = number + whole.count(b"\n", 0, done)
                        yield from self._noted(line, at, sum_so_far)
                    sum_so_far = zlib.crc32(line, sum_so_far)
                number += whole.count(b"\n")
                plain.append(whole[done:])
                sum_so_far = zlib.crc32(plain[-1], sum_so_far)
                yield from self.lines.play(b"".join(plain), notes)
                if len(rest) > LONGEST_NOTE:
                    rest = b""
                    self.facts.altered = True
                    yield self._said(f"line {number + 1} is longer than any line of a capture")
        yield from self.lines.finish()
        if rest or not self.facts.ended:
            where = f"inside line {number + 1}" if rest else f"after line {number}"
            yield self._said(f"the capture was cut off {where}; it was read up to there")

    def _passive(self, line: bytes, sum_so_far: int) -> Note | None:
        """A sound note that changes nothing, so that records need not be parted at it."""
        if not line.startswith(_PASSIVE):
            return None
        note = _parsed(line)
        if note is None or note[2] != sum_so_far:
            return None
        self.facts.ended = False
        return Note(0.0, note[0], note[1])

    def _noted(self, line: bytes, number: int, sum_so_far: int) -> Iterator[Batch]:
        note = _parsed(line)
        if note is None:
            self.facts.altered = True
            yield self._said(f"line {number}: the checksum of a note does not hold")
            return
        name, value, total = note
        if total != sum_so_far and not self.facts.altered:
            self.facts.altered = True
            yield self._said(f"something before line {number} was changed after it was written")
        if name == "raw":
            try:
                yield from self.lines.feed(bytes.fromhex(str(value.get("hex", ""))))
            except ValueError:
                self.facts.altered = True
                yield self._said(f"line {number}: raw bytes that are not hexadecimal")
            return
        self.facts.ended = name == "end"
        if name == "gap":
            yield from self.lines.interrupted()
        yield Batch(others=[Note(self.lines.now_us, name, value)])

    def _said(self, detail: str) -> Batch:
        return Batch(others=[Trouble(self.lines.now_us, "capture", detail)])


def _notes_in(whole: bytes) -> Iterator[tuple[int, int]]:
    """Where lines that begin with ``#`` start and stop, LF included, in ``whole`` lines."""
    start = 0 if whole.startswith(b"#") else whole.find(b"\n#") + 1 or len(whole)
    while start < len(whole):
        stop = whole.index(b"\n", start) + 1
        yield start, stop
        start = whole.find(b"\n#", stop - 1) + 1 or len(whole)


def is_capture(path: Path) -> bool:
    """True when the file begins as a capture does. Raises OSError when it cannot be read."""
    with path.open("rb") as file:
        return file.read(10) == b"# capture "


def _parsed(line: bytes) -> tuple[str, dict[str, object], int] | None:
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

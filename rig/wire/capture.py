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

import hashlib
import json
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from rig.counted import many
from rig.faults import InputError, reason
from rig.files import open_file
from rig.wire.line import HEX_DIGITS
from rig.wire.reader import LineReader
from rig.wire.records import Batch, Note, Trouble

FORMAT = 1
SUFFIX = ".capture"
PIECE = 1 << 18
LONGEST_NOTE = 1 << 16
MOST_TOLD = 20
"""So many notes that are wrong are told one by one, the others as their number."""
_PASSIVE = b"# host "


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
        self._wrong_notes = self._last_wrong = 0
        self.facts.start = head_of(path).start

    def batches(self) -> Iterator[Batch]:
        """All records in order of arrival."""
        sum_so_far = 0
        number = noted = 0  # lines read, lines up to the last note
        with open_file(self.path) as file:
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
                    noted += between.count(b"\n") + 1
                    note = self._passive(line, sum_so_far)
                    if note is not None:
                        notes.append((lines, note))
                    else:
                        yield from self.lines.play(b"".join(plain), notes)
                        plain, notes, lines = [], [], 0
                        yield from self._noted(line, noted, sum_so_far)
                    sum_so_far = zlib.crc32(line, sum_so_far)
                number = noted = number + whole.count(b"\n")
                plain.append(whole[done:])
                sum_so_far = zlib.crc32(plain[-1], sum_so_far)
                yield from self.lines.play(b"".join(plain), notes)
                if len(rest) > LONGEST_NOTE:
                    rest = b""
                    self.facts.altered = True
                    yield self._said(f"line {number + 1} is longer than any line of a capture")
        yield from self.lines.finish()
        if self._wrong_notes > MOST_TOLD:
            more = self._wrong_notes - MOST_TOLD
            yield self._said(
                f"{many(more, 'more note')} are wrong, the last in line {self._last_wrong}"
            )
        if rest or not self.facts.ended:
            where = f"inside line {number + 1}" if rest else f"after line {number}"
            yield self._said(f"the capture was cut off {where}; it was read up to there")

    def _passive(self, line: bytes, sum_so_far: int) -> Note | None:
        """A sound note that changes nothing, so that records need not be parted at it."""
        if not line.startswith(_PASSIVE):
            return None
        note = parsed_note(line)
        if note is None or note[2] != sum_so_far:
            return None
        self.facts.ended = False
        return Note(0.0, note[0], note[1])

    def _noted(self, line: bytes, number: int, sum_so_far: int) -> Iterator[Batch]:
        note = parsed_note(line)
        if note is None:
            yield from self._wrong(number, "the checksum of a note does not hold")
            return
        name, value, total = note
        if total != sum_so_far and not self.facts.altered:
            self.facts.altered = True
            yield self._said(f"something before line {number} was changed after it was written")
        if name == "raw":
            try:
                yield from self.lines.feed(bytes.fromhex(str(value.get("hex", ""))))
            except ValueError:
                yield from self._wrong(number, "raw bytes that are not hexadecimal")
            return
        self.facts.ended = name == "end"
        if name == "gap":
            yield from self.lines.interrupted()
        yield Batch(others=[Note(self.lines.now_us, name, value)])

    def _wrong(self, number: int, what: str) -> Iterator[Batch]:
        """A note that cannot be as it was written."""
        self.facts.altered = True
        self._wrong_notes, self._last_wrong = self._wrong_notes + 1, number
        if self._wrong_notes <= MOST_TOLD:
            yield self._said(f"line {number}: {what}")

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
    with open_file(path) as file:
        return file.read(10) == b"# capture "


@dataclass(frozen=True, slots=True)
class Head:
    """The first line of a capture: what it states, and the digest that tells it from others."""

    digest: str
    start: dict[str, object]


def head_of(path: Path) -> Head:
    """Read the head. Raises InputError for no file, an empty one, no capture, another format."""
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
    return Head(head_digest(line), first[1])


def head_digest(line: bytes) -> str:
    """The first 32 digits of the SHA-256 of a capture's first line."""
    return hashlib.sha256(line).hexdigest()[:32]


def parsed_note(line: bytes) -> tuple[str, dict[str, object], int] | None:
    """Name, value and sum of a note; None when it is none or its CRC does not hold."""
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

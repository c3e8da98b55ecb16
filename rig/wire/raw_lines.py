"""Lines of a rig as a serial terminal saved them: a recording without notes of the host.

Line ends are those of any terminal (LF, CR and LF, CR alone, blank lines between). Saving begins
anywhere, so that the file's first line may be the end of one; what is left of it is no line error.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from pathlib import Path

from rig.base.files import open_file
from rig.wire.formats import HEAD_BYTES, Recording, RecordingFormat, reported_counts
from rig.wire.line import LONGEST_LINE, decode
from rig.wire.reader import LineReader
from rig.wire.records import Batch

PIECE = 1 << 18
FEW_LINES = 4  # a file shorter than its head is one of a rig's lines when one of these is
_ENDS = re.compile(rb"[\r\n]+")
_MARK = b"\xef\xbb\xbf"  # of UTF-8, which some programs put at the beginning
_OTHERS = (b"#", b"$")  # so begin a capture and a pin recording


def _recognises(head: bytes) -> bool:
    """Whether one of the first whole lines is a valid one: the very first may be cut."""
    head = head.removeprefix(_MARK)
    if head.lstrip().startswith(_OTHERS):
        return False
    lines = _ENDS.split(head)
    whole = lines if len(head) < HEAD_BYTES - len(_MARK) else lines[:-1]
    return any(decode(line) is not None for line in whole[:FEW_LINES])


def batches(path: Path) -> Iterator[Batch]:
    """All records in order of arrival. Raises OSError when the file cannot be read."""
    reader = LineReader()
    with open_file(path) as file:
        rest, first = b"", True
        while piece := file.read(PIECE):
            *lines, rest = _ENDS.split(rest + piece)
            if first and lines:
                lines[0] = lines[0].removeprefix(_MARK)
                lines = lines[decode(lines[0]) is None :]
                first = False
            yield from reader.feed(b"".join(line + b"\n" for line in lines if line))
            if len(rest) >= LONGEST_LINE and not first:  # no line, however long it becomes
                yield from reader.feed(rest)
                rest = b""
    if decode(rest) is not None:
        rest += b"\n"  # whole, but for its end
    yield from reader.feed(rest)
    yield from reader.finish()


def _recording(path: Path, counts_per_turn: int | None, names: Mapping[str, str]) -> Recording:
    """The lines as a recording; ``names`` are not used, as its inputs have numbers."""
    counts_per_turn = counts_per_turn or reported_counts(path, batches(path))
    return Recording(path, "lines", batches(path), {}, counts_per_turn)


RECORDING_FORMAT = RecordingFormat(
    "lines", "raw lines of a rig without time stamps", _recognises, _recording
)

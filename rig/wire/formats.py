"""The table of recording formats, and how a recording of any format is opened."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path

from rig.base.errors import InputError, reason
from rig.base.files import open_file
from rig.wire.records import Batch, Identity

FORMATS = ("rig.wire.capture", "rig.wire.raw_lines", "rig.pins.recording")
"""The modules of the recording formats, in the order in which they are tried.

Each has a ``RecordingFormat`` named ``RECORDING_FORMAT``. A module is loaded when a file is opened.
"""

HEAD_BYTES = 4096


@dataclass(slots=True)
class Recording:
    """Batches, and the names of the contact inputs by number; ``kind`` is that of its format.

    ``from_zero``: its own time 0 is the start, so times are shown as in the file; else the start
    is its first position.
    """

    path: Path
    kind: str
    batches: Iterator[Batch]
    inputs: Mapping[int, str]
    counts_per_turn: int
    from_zero: bool = False


@dataclass(frozen=True, slots=True)
class RecordingFormat:
    """What a format provides.

    ``recognises`` gets the first bytes of a file, at most ``HEAD_BYTES``. ``batches`` opens a file:
    path, counts per turn (None: not entered) and the names of its pins. It raises InputError when
    the file cannot be read, or has no counts per turn and none were entered.
    """

    kind: str  # in answers
    name: str  # in sentences
    recognises: Callable[[bytes], bool]
    batches: Callable[[Path, int | None, Mapping[str, str]], Recording]


def recording_formats() -> list[RecordingFormat]:
    """Every recording format, in the order in which they are tried."""
    return [import_module(name).RECORDING_FORMAT for name in FORMATS]


def open_recording(
    path: Path, counts_per_turn: int | None, names: Mapping[str, str] | None = None
) -> Recording:
    """Open a recording of any format.

    Raises InputError when no format recognises it, it cannot be read, or its counts per turn are
    not known.
    """
    return format_of(path).batches(path, counts_per_turn, names or {})


def reported_counts(path: Path, batches: Iterator[Batch]) -> int:
    """Counts per turn as the rig reported them. Raises InputError when it did not."""
    others = (other for batch in batches for other in batch.others)
    found = next((each for each in others if isinstance(each, Identity)), None)
    if found is None:
        raise InputError(
            f"{path}: the rig's identity line (I), which comes every 2 s, is not in it;"
            " give --counts-per-turn (four times the encoder's lines)"
        )
    return found.counts_per_turn


def format_of(path: Path) -> RecordingFormat:
    """The format of a recording. Raises InputError when none fits, or it cannot be read."""
    try:
        with open_file(path) as file:
            head = file.read(HEAD_BYTES)
    except OSError as why:
        raise InputError(f"{path}: the recording cannot be read: {reason(why)}") from why
    formats = recording_formats()
    for each in formats:
        if each.recognises(head):
            return each
    if not head.split():
        raise InputError(f"{path}: the file is empty; give a recording")
    begins = "".join(chr(c) if 32 < c < 127 else "?" for c in head.split()[0][:40])
    known = ", ".join(each.name for each in formats)
    raise InputError(f"{path}: no recording: it begins with '{begins}'; known are: {known}")

"""A recording, whatever it is, as batches of records."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from rig.base.errors import InputError, reason
from rig.pins.recording import PinRecording
from rig.pins.vcd_header import read_header
from rig.wire.capture import CaptureReader, is_capture
from rig.wire.records import Batch, Identity


@dataclass(slots=True)
class Recording:
    """Batches, and the names of the contact inputs by number. ``kind`` is capture or pins."""

    path: Path
    kind: str
    batches: Iterator[Batch]
    inputs: Mapping[int, str]
    counts_per_turn: int | None
    capture: CaptureReader | None = None


def open_recording(
    path: Path, counts_per_turn: int | None, names: Mapping[str, str] | None = None
) -> Recording:
    """Open a capture or a pin recording (VCD).

    Raises InputError when it is neither, cannot be read, or the counts a turn are not known.
    """
    try:
        capture = is_capture(path)
    except OSError as why:
        raise InputError(f"{path}: the recording cannot be read: {reason(why)}") from why
    if capture:
        reader = CaptureReader(path)
        said = _said_counts(path) if counts_per_turn is None else counts_per_turn
        return Recording(path, "capture", reader.batches(), {}, said, reader)
    if counts_per_turn is None:
        read_header(path)  # a file that is no recording at all is told first
        raise InputError(
            f"{path}: a pin recording does not say how many counts make a turn;"
            " give --counts-per-turn (four times the encoder's lines)"
        )
    pins = PinRecording(path, names, counts_per_turn)
    return Recording(path, "pins", pins.batches(), pins.inputs, counts_per_turn)


def _said_counts(path: Path) -> int:
    """Counts a turn as the rig stated them in a capture."""
    for batch in CaptureReader(path).batches():
        for other in batch.others:
            if isinstance(other, Identity):
                return other.counts_per_turn
    raise InputError(
        f"{path}: the rig does not say how many counts make a turn in this capture;"
        " give --counts-per-turn (four times the encoder's lines)"
    )

"""Pin recordings (VCD) to the records that a rig would have sent.

What the rig of ``firmware_notes/protocol.md`` would report of its pins is computed for one stretch
of the recording at a time. Stretches begin and end at fixed times of the recording, so the records
do not depend on how the file was cut into pieces.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from os import PathLike
from pathlib import Path

from rig.base.errors import InputError
from rig.pins.rig_records import Cutter, Known, Recorder
from rig.pins.vcd_body import CHUNK, BodyReader
from rig.pins.vcd_header import Header, Signal, read_header
from rig.wire.formats import Recording, RecordingFormat
from rig.wire.line import PROTOCOL
from rig.wire.records import INDEX_INPUT, MOST_CONTACTS, Batch, Identity, Other

_COARSEST_US = 10_000  # a recording in longer ticks is converted to these
_CONTACTS = {f"contact{number}": number for number in range(1, MOST_CONTACTS + 1)}


class PinRecording:
    """A recording of the rig's pins as a value change dump.

    ``names`` maps a, b, z, contact1, contact2 ... to the names in the file; the default is the same
    name. a, b and at least one contact are needed. Levels and counts are given raw, without
    assuming a direction or a polarity.

    ``inputs`` are the names of the contact inputs by number (the N of contactN), in order.
    ``end_us`` is the time of the last stamp, known once ``batches`` is exhausted.

    Raises InputError: no file, no dump, no such signal (the text lists those in it).
    """

    def __init__(
        self,
        path: str | PathLike[str],
        names: Mapping[str, str] | None,
        counts_per_turn: int,
        *,
        chunk_bytes: int = CHUNK,
    ) -> None:
        self._header = read_header(path)
        self._counts_per_turn = counts_per_turn
        self._chunk_bytes = chunk_bytes
        self._pins = _find_pins(self._header, names or {})
        self.inputs = {_CONTACTS[role]: role for role in self._pins if role in _CONTACTS}
        self.end_us = 0.0

    def batches(self) -> Iterator[Batch]:
        """All records, in order, a few minutes of them at a time.

        The last batch ends with a position record whose ``done_us`` is after everything else.
        Raises InputError when the file cannot be read to its end, or when a or b never has a level.
        """
        factor = max(1, int(self._header.tick_us / _COARSEST_US))
        tick_us = self._header.tick_us / factor
        counts, contacts = self._counts_per_turn, max(self.inputs)
        waiting: list[Other] = [Identity(0.0, PROTOCOL, counts, contacts, "pin-recording")]
        reader = BodyReader(
            self._header, list(self._pins.values()), waiting.append, self._chunk_bytes
        )
        known = Known(list(self._pins), tick_us, waiting.append)
        recorder = cutter = None
        bits = enumerate([INDEX_INPUT, *self.inputs] if "z" in self._pins else self.inputs, 2)

        def with_errors(batch: Batch, until_us: float) -> Batch:
            """The batch with the line errors up to then."""
            due = [other for other in waiting if other.t_us <= until_us]
            waiting[:] = [other for other in waiting if other.t_us > until_us]
            batch.others = sorted(due + batch.others, key=lambda other: other.t_us)
            return batch

        for rows in reader.rows():
            levels = known.settle(rows._replace(ticks=rows.ticks * factor))
            if known.start is None:
                continue
            if recorder is None or cutter is None:
                recorder = Recorder(tick_us, dict(bits), *known.start)
                cutter = Cutter(tick_us, known.start[0], waiting.append)
            for stretch in cutter.stretches(levels):
                yield with_errors(recorder.take(stretch), float(stretch.end * tick_us))
        self.end_us = float(reader.end_tick * self._header.tick_us)
        if recorder is None or cutter is None:
            raise InputError(
                f"{self._header.path}: {known.missing()} is never 0 or 1, so nothing can be "
                "counted; check that a and b are the right signals."
            )
        *most, last = cutter.finish(reader.end_tick * factor)
        known.finish(reader.end_tick * factor)
        for stretch in most:
            yield with_errors(recorder.take(stretch), float(stretch.end * tick_us))
        yield with_errors(recorder.take(last, last=True), math.inf)


def _recording(path: Path, counts_per_turn: int | None, names: Mapping[str, str]) -> Recording:
    """A dump as a recording. Raises InputError as ``PinRecording``, and without counts per turn."""
    if counts_per_turn is None:
        read_header(path)  # a file that is no dump at all is reported first
        raise InputError(
            f"{path}: a pin recording does not contain the counts per turn;"
            " give --counts-per-turn (four times the encoder's lines)"
        )
    pins = PinRecording(path, names, counts_per_turn)
    return Recording(path, "pins", pins.batches(), pins.inputs, counts_per_turn, from_zero=True)


RECORDING_FORMAT = RecordingFormat(
    "pins", "pin recording (VCD)", lambda head: head.lstrip().startswith(b"$"), _recording
)


def _find_pins(header: Header, names: Mapping[str, str]) -> dict[str, Signal]:
    """Role to signal, in the order a, b, z, contact1, contact2 ..."""
    for role, name in names.items():
        if role not in ("a", "b", "z", *_CONTACTS):
            raise InputError(
                f"'{role}={name}' names no pin: give names for a, b, z and contact1 to "
                f"contact{MOST_CONTACTS}."
            )
    pins = {role: header.pin(names.get(role, role)) for role in ("a", "b")}
    for role in ("z", *_CONTACTS):
        if role in names or header.has(role):
            pins[role] = header.pin(names.get(role, role))
    if not pins.keys() & _CONTACTS.keys():
        header.pin("contact1")  # raises with the names in the file
    if pins["a"].code == pins["b"].code:
        raise InputError(
            f"{header.path}: a and b are the same signal; nothing can be counted from it."
        )
    return pins

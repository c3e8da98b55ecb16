"""Bytes in pieces of any size; batches of records and line errors out. No input or output inside.

A port, a capture, a test and a fuzzer feed the same object. The records do not depend on how the
bytes were cut; only their division into batches does.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from typing import cast

import numpy as np
from numpy.typing import NDArray

from rig.base.rounding import many
from rig.wire.batch_parser import BatchParser
from rig.wire.line import (
    FOREIGN_IDENTITY,
    KINDS,
    LONGEST_LINE,
    NUMBER,
    PROTOCOL,
    RUNNING,
    WRAP,
    Carried,
    Clock,
    FieldError,
    decode,
    edge_rows,
    position_rows,
    width_rows,
)
from rig.wire.records import (
    INDEX_INPUT,
    Batch,
    Cut,
    Foot,
    Health,
    Identity,
    LineError,
    Note,
    Other,
    Restart,
)

AFTER_RESTART_US = 1_000_000
"""Added to the clock at a restart, as the time for which the rig was away is not known."""

FEW = 16  # fewer lines than this are as fast one by one
MANY = 2048  # lines parsed together at most: their arrays stay in the processor's cache


class LineReader:
    """Turns the bytes of a rig into batches of records.

    ``feed`` takes any piece of the stream; ``finish`` ends it. Neither raises, whatever a line
    contains.
    """

    def __init__(self) -> None:
        self._rest = b""
        self._overlong = False
        self._expected: int | None = None
        self._went_back = False  # the running number did: restarted, or very many lines are missing
        self._carried = Carried()
        self._protocol_ok = True
        self._out = BatchBuilder()
        self._due: deque[tuple[int, Note]] = deque()  # notes that are still to come
        self.lines = 0
        self._sure_us = 0.0
        self._kinds: dict[str, Callable[..., None]] = {
            "P": self._position,
            "C": self._edge,
            "Z": partial(self._edge, INDEX_INPUT),
            "W": self._width,
            "F": self._foot,
            "X": self._cut,
            "H": self._health,
            "I": self._identity,
            "R": self._restart,
        }

    # -- bytes to lines ---------------------------------------------------------------------

    def feed(self, data: bytes, notes: Sequence[tuple[int, Note]] = ()) -> list[Batch]:
        """Batches of the lines that ``data`` completes. Never returns an empty batch.

        The ``notes`` of the host are among the lines of a capture: each comes with the number of
        lines in ``data`` before it, and its time is filled in.
        """
        pieces = (self._rest + data).split(b"\n")
        self._rest = pieces.pop()
        self._all(pieces, notes)
        if len(self._rest) >= LONGEST_LINE:
            if not self._overlong:
                self._too_long()
            self._overlong = True
        if self._overlong:
            self._rest = b""
        return self._out.take()

    def finish(self) -> list[Batch]:
        """The end of the stream; half a line is a line error."""
        if self._rest and not self._overlong:
            self._line_error("half-line", f"the stream ended inside a line: {_shown(self._rest)}")
        self._rest = b""
        self._overlong = False
        return self._out.take()

    def interrupted(self) -> list[Batch]:
        """The stream was interrupted (cable out). The rig may have run on or have been
        restarted."""
        batches = self.finish()
        self._expected = None
        self._line_error("interrupted", "the line was interrupted")
        return batches + self._out.take()

    @property
    def now_us(self) -> float:
        """Latest unwrapped time of the rig's clock, microseconds; 0 before the first."""
        return float(self._carried.clock.latest_us or 0)

    def _too_long(self) -> None:
        self._line_error("long-line", f"a line of more than {LONGEST_LINE} bytes")

    # -- lines to records -------------------------------------------------------------------

    def _all(self, lines: Sequence[bytes], notes: Sequence[tuple[int, Note]]) -> None:
        self._due = deque(notes)
        for first in range(0, len(lines), MANY):
            piece = lines[first : first + MANY]
            if len(piece) <= FEW:
                self._one_by_one(piece, first)
            else:
                self._side_by_side(piece, first)
        self._note_down(len(lines))

    def _one_by_one(self, lines: Sequence[bytes], first: int) -> None:
        for at, line in enumerate(lines, first):
            if self._due:
                self._note_down(at)
            if self._overlong:
                self._overlong = False
            elif len(line) >= LONGEST_LINE:
                self._too_long()
            else:
                self._line(line)

    def _note_down(self, upto: int) -> None:
        while self._due and self._due[0][0] <= upto:
            self._out.others.append(replace(self._due.popleft()[1], t_us=self.now_us))

    def _side_by_side(self, lines: Sequence[bytes], first: int) -> None:
        """The same, with lines of the common kinds parsed together."""
        together = BatchParser(lines)
        at = 0
        for stop in [*np.flatnonzero(~together.common).tolist(), len(lines)]:
            while at < stop:
                self._note_down(first + at)
                if stop - at > FEW:
                    at += self._together(together, at, stop, first)
                # After an irregular line, go on one by one for a while: trying all of the rest
                # together after each of many would take a hundred times as long.
                upto = min(at + FEW, stop)
                self._one_by_one(lines[at:upto], first + at)
                at = upto
            self._one_by_one(lines[stop : stop + 1], first + stop)
            at = stop + 1

    def _together(self, parser: BatchParser, low: int, high: int, first: int) -> int:
        """Take the records of lines ``low`` to ``high`` as far as they are regular; how many."""
        if self._overlong or self._went_back or not self._protocol_ok:
            return 0
        expected = int(parser.numbers[low]) if self._expected is None else self._expected
        taken = parser.take(low, high, expected, self._carried)
        if taken is None:
            return 0
        self._expected = (expected + taken.lines) & RUNNING.high
        self.lines += taken.lines
        self._out.positions.extend(taken.positions)
        self._out.edges.extend(taken.edges)
        self._out.widths.extend(taken.widths)
        if len(taken.positions):
            self._sure_us = float(taken.positions["done_us"][-1])
        others: list[tuple[int, int, Other]] = [(at, 1, other) for at, other in taken.others]
        while self._due and (at := self._due[0][0] - first - low) < taken.lines:
            t_us = float(taken.latest_us[at - 1])
            others.append((at, 0, replace(self._due.popleft()[1], t_us=t_us)))
        self._out.others += [other for *_, other in sorted(others, key=lambda entry: entry[:2])]
        return taken.lines

    def _line(self, line: bytes) -> None:
        parts = decode(line)
        if parts is None:
            self._bad_frame(line.removesuffix(b"\r"))
            return
        self.lines += 1
        letter = parts[0].decode("ascii", "replace")
        kind = KINDS.get(letter)
        try:
            running = RUNNING.read(parts[1])
            if kind is None:
                self._line_error("unknown-kind", f"kind {_shown(parts[0])}, kept and skipped")
            if running != self._expected and not self._in_turn(letter, running):
                return
            self._expected = (running + 1) & RUNNING.high
            if kind is None or not (self._protocol_ok or letter in "IR"):
                return
            if letter == "I":
                self._protocol_ok = NUMBER.read(parts[2]) == PROTOCOL
                kind = kind if self._protocol_ok else FOREIGN_IDENTITY
            self._kinds[letter](*kind.values(parts[2:]))
        except (FieldError, IndexError) as why:
            self._line_error("field", f"{why}: {_shown(line)}")

    def _bad_frame(self, line: bytes) -> None:
        printable = b" " in line and line.isascii() and line.decode("ascii").isprintable()
        kind, words = "garbage", "bytes that make no line"
        if printable and len(line) > 9:
            kind, words = "checksum", "the checksum is wrong"
        self._out.line_error(self._sure_us, kind, lambda: f"{words}: {_shown(line)}")

    def _in_turn(self, kind: str, running: int) -> bool:
        """Handle an unexpected running number; False when the line is a repeat."""
        if self._expected is None or kind == "R":
            return True
        missing = (running - self._expected) & RUNNING.high
        if missing == RUNNING.high:
            self._line_error("repeat", f"running number {running} came twice")
            return False
        self._went_back = missing > RUNNING.high // 2
        self._line_error("gap", f"{many(missing, 'line')} missing before running number {running}")
        return True

    def _time(self, t32: int, *, position: bool = False) -> int:
        t_us = self._carried.clock.unwrap(t32, position=position, later=self._went_back)
        self._went_back = False
        if t_us is None:
            self._line_error("clock", "the clock of the rig ran backwards: taken for a restart")
            self._restarted(0)
            t_us = self._carried.clock.unwrap(t32, position=position)
            assert t_us is not None
        return t_us

    def _position(self, t: int, count: int, *rest: int) -> None:
        t_us = self._time(t, position=True)
        self._sure_us = float(t_us - rest[3])  # how long the oldest edge was held back
        totals = () if len(rest) > 4 else (-1, -1)
        self._out.positions.append((t_us, self._carried.count.unwrap(count), *rest, *totals))

    def _edge(self, which: int, level: int, t: int, count: int, *beside: int) -> None:
        t_us = self._time(t)
        at = self._carried.count.unwrap(count, keep=False)
        self._out.edges.append((which, level, t_us, at, *beside))

    def _width(self, t: int, count: int, *fields: int) -> None:
        t_us = self._time(t)
        at = self._carried.count.unwrap(count, keep=False)
        totals = zip((*self._carried.dwell, self._carried.breaks), fields, strict=True)
        self._out.widths.append((t_us, at, *(total.unwrap(field) for total, field in totals)))

    def _foot(self, level: int, t: int) -> None:
        self._out.others.append(Foot(float(self._time(t)), level))

    def _cut(self, which: int, edges: int, first: int, last: int, low: int, high: int) -> None:
        first_us, last_us = float(self._time(first)), float(self._time(last))
        self._out.others.append(
            Cut(first_us, which, edges, first_us, last_us, float(low), float(high))
        )

    def _health(self, t: int, uptime_s: int, *totals: int) -> None:
        t_us = self._time(t)
        unseen = self._carried.clock.uptime(t_us, uptime_s)
        if unseen:
            times = many(unseen, "time")
            self._line_error("clock", f"the clock of the rig wrapped {times} in silence")
        self._out.others.append(Health(float(t_us + unseen * WRAP), uptime_s, *totals))

    def _identity(self, protocol: int, counts: int, contacts: int, name: str) -> None:
        if not self._protocol_ok:
            self._line_error(
                "protocol",
                f"the rig uses version {protocol} of the line format, this program {PROTOCOL}:"
                " its fields are not checked",
            )
        self._out.others.append(Identity(self.now_us, protocol, counts, contacts, name))

    def _restart(self, cause: int) -> None:
        if self._expected != 1:
            raise FieldError("a restart whose running number is not 0")
        self._restarted(cause)

    def _restarted(self, cause: int) -> None:
        """The rig restarted: forget the old clock and counts."""
        latest_us = self._carried.clock.latest_us
        self._went_back = False
        self._out.close()
        self._out.others.append(Restart(self.now_us, cause))
        self._carried = Carried(Clock(0 if latest_us is None else latest_us + AFTER_RESTART_US))

    def _line_error(self, kind: str, detail: str) -> None:
        self._out.line_error(self._sure_us, kind, lambda: detail)


def _shown(line: bytes) -> str:
    """Bytes as harmless text, at most 60 characters."""
    text = "".join(chr(b) if 32 <= b < 127 else f"\\x{b:02x}" for b in line[:60])
    return text if len(line) <= 60 else text + "..."


MOST_REPORTED = 20
"""Line errors of one kind at one rig time that are reported one by one; further ones share a
record: each byte may be an error of its own, and a record takes far more memory than a byte."""


class Rows:
    """Rows of one dtype, collected as values of single lines and many at a time. ``made`` makes
    rows from columns."""

    def __init__(self, made: Callable[..., NDArray[np.void]], columns: int) -> None:
        self._made = made
        self._none = made(*np.empty((columns, 0), np.int64))
        self._single: list[tuple[int, ...]] = []
        self._done: list[NDArray[np.void]] = []
        self.append = self._single.append

    def __bool__(self) -> bool:
        return bool(self._single or self._done)

    def extend(self, rows: NDArray[np.void]) -> None:
        """Rows of this dtype, shape (n,)."""
        if len(rows):
            self._close()
            self._done.append(rows)

    def take(self) -> NDArray[np.void]:
        """All rows, shape (n,); none remain."""
        self._close()
        done, self._done = self._done, []
        if len(done) == 1:
            return done[0]
        return np.concatenate(done) if done else self._none

    def _close(self) -> None:
        if self._single:
            self._done.append(self._made(*np.array(self._single, np.int64).T))
            self._single.clear()


class BatchBuilder:
    """The batch being collected, and the finished ones."""

    def __init__(self) -> None:
        self.positions = Rows(position_rows, 8)
        self.edges = Rows(edge_rows, 8)
        self.widths = Rows(width_rows, 7)
        self.others: list[Other] = []
        self._done: list[Batch] = []
        self._error_us = 0.0
        self._reported: Counter[str] = Counter()  # records of each kind at ``_error_us``
        self._shared: dict[str, list[int]] = {}  # kind: the place of a record, errors that share it

    def line_error(self, t_us: float, kind: str, detail: Callable[[], str]) -> None:
        """A line error; ``t_us`` as in ``LineError``."""
        if t_us != self._error_us:
            self._share()
            self._error_us = t_us
            self._reported.clear()
        if kind in self._shared:
            self._shared[kind][1] += 1
            return
        self._reported[kind] += 1
        if self._reported[kind] > MOST_REPORTED:
            self._shared[kind] = [len(self.others), 1]
        self.others.append(LineError(t_us, kind, detail()))

    def _share(self) -> None:
        """Fill in how many errors share a record."""
        for at, times in self._shared.values():
            self.others[at] = replace(cast(LineError, self.others[at]), times=times)
        self._shared.clear()

    def close(self) -> None:
        """Finish the batch."""
        self._share()
        if self.positions or self.edges or self.widths or self.others:
            self._done.append(
                Batch(self.positions.take(), self.edges.take(), self.widths.take(), self.others)
            )
            self.others = []

    def take(self) -> list[Batch]:
        """All batches, none of them empty; none remain."""
        self.close()
        done, self._done = self._done, []
        return done

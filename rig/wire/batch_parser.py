"""Many lines of the common kinds at once.

A capture of a working day has a million lines. Here the lines of a piece are parsed side by side,
in 0.22 of the time that ``LineReader`` takes for one after another (measured by
``tests/bench/test_parser_speed.py``). Only ordinary lines are parsed here; every other line is left
to the reader, which knows what is wrong with it. A test compares the records of both over all kinds
of record with any fields.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.wire.line import (
    HEX_DIGITS,
    LONGEST_LINE,
    LONGEST_NAME,
    PROTOCOL,
    Clock,
    Count,
    Ints,
    name_text,
    signed_steps,
)
from rig.wire.records import EDGE, INDEX_INPUT, MOST_CONTACTS, POSITION, WIDTH, Health, Identity

_IDENTITY = re.compile(
    rb"I [0-9A-F]{1,4} (?P<protocol>[0-9A-F]{1,8}) [0-9A-F]{1,8} (?P<contacts>[0-9A-F]{1,8})"
    rb" (?P<name>[A-Za-z0-9._+-]+) [0-9A-F]{8}"
)

Flags = NDArray[np.bool_]

_PAD = 8  # bytes before the first digit, so that eight can always be read
_U = np.uint64
_STRANGER = np.ones(256, np.uint8)  # 1: not allowed; the sum over a line fits
_STRANGER[list(HEX_DIGITS + b" \n")] = 0
_PLUS, _MINUS, _DOT = b"+-."
_P, _C, _Z, _W, _H, _I = b"PCZWHI"
_FIELDS = np.zeros(256, np.int64)  # parts of a line of each kind, running number and CRC included
_WITH_TOTALS = 11  # of a position that has the rig's totals
_TIME_AT = np.zeros(256, np.int64)  # which of them is the time
_STRANGE = np.full(256, -1, np.int64)  # characters that are not hexadecimal digits


for _kind, _fields, _time_at, _strange in (
    (_P, 9, 2, 1), (_C, 11, 4, 4), (_Z, 10, 3, 5), (_W, 10, 2, 1), (_H, 9, 2, 1), (_I, 7, 0, -1)
):  # fmt: skip
    _FIELDS[_kind], _TIME_AT[_kind], _STRANGE[_kind] = _fields, _time_at, _strange


@dataclass(slots=True)
class Carried:
    """What is carried from one line to the next."""

    clock: Clock
    count: Count
    dwell: list[Count]
    breaks: Count


@dataclass(frozen=True, slots=True)
class ParsedLines:
    """Records of successive lines. ``others`` and ``latest_us`` with the line they belong to."""

    lines: int
    positions: NDArray[np.void]
    edges: NDArray[np.void]
    widths: NDArray[np.void]
    others: list[tuple[int, Health | Identity]]
    latest_us: Ints  # of the rig's clock after each line


class BatchParser:
    """Lines side by side. ``common``: shape (lines,), which of them can be parsed together."""

    def __init__(self, lines: Sequence[bytes]) -> None:
        self._lines = lines
        data = np.frombuffer(b" " * _PAD + b"\n".join(lines) + b"\n", np.uint8)
        ends = np.flatnonzero((data == 32) | (data == 10))[_PAD:]
        starts = np.concatenate(([_PAD], ends[:-1] + 1))
        self._last = np.flatnonzero(data[ends] == 10)
        self._first = np.concatenate(([0], self._last[:-1] + 1))
        opening = data[starts]
        self._sign = np.where(opening == _PLUS, 1, np.where(opening == _MINUS, -1, 0))
        digits = ends - starts - (self._sign != 0)
        strange = np.add.reduceat(_STRANGER[data], starts[self._first])
        self._value = _hexadecimal(data, ends, digits)
        self._kind = opening[self._first]
        self.common = self._are_common(opening, ends - starts, digits, strange)
        self.numbers = self._field(slice(None), 1)

    def _field(self, which: slice | Ints, nth: int | Ints) -> Ints:
        """Values of the ``nth`` part of these lines; 0 beyond the last part."""
        at = np.minimum(self._first[which] + nth, len(self._value) - 1)
        return self._value[at]

    def _are_common(
        self, opening: NDArray[np.uint8], length: Ints, digits: Ints, strange: NDArray[np.uint8]
    ) -> Flags:
        """Frame, CRC, number and kind of the parts: all that a line shows by itself."""
        first, last, kind = self._first, self._last, self._kind
        parts = last - first + 1
        crc = np.array([zlib.crc32(line[:-9]) for line in self._lines], np.int64)
        common: Flags = (
            ((parts == _FIELDS[kind]) | ((parts == _WITH_TOTALS) & (kind == _P)))
            & (length[first] == 1)
            & (np.add.reduceat(length + 1, first) <= LONGEST_LINE)
            & (self._value[last] == crc)
            & (length[last] == 8)
            & (self._field(slice(None), 1) <= 0xFFFF)
            & (np.maximum.reduceat(digits, first) <= 8)
            & (np.minimum.reduceat(digits, first) >= 1)
            & (strange == _STRANGE[kind])
        )
        for name, nth in ((_C, 3), (_Z, 2)):
            own = np.flatnonzero(common & (kind == name))
            level = first[own] + nth
            good = (length[level] == 1) & (self._value[level] <= 1)
            if name == _C:
                contact = self._value[level - 1]
                good &= (contact >= 1) & (contact <= MOST_CONTACTS)
            near = level[:, None] + np.arange(3, 7)
            given = self._sign[near] != 0
            good &= np.all(given | ((opening[near] == _DOT) & (length[near] == 1)), axis=1)
            good &= (given[:, 1] | ~given[:, 0]) & (given[:, 2] | ~given[:, 3])
            common[own] = good
        for line in np.flatnonzero(kind == _I).tolist():
            frame_holds = length[last[line]] == 8 and self._value[last[line]] == crc[line]
            common[line] = frame_holds and _is_common_identity(self._lines[line])
        return common

    def take(self, low: int, high: int, expected: int, carried: Carried) -> ParsedLines | None:
        """Records of the common lines from ``low`` up to the first irregular one, at most ``high``.

        The running number has to continue from ``expected``; ``carried`` is updated. None when not
        even the first line can be parsed.
        """
        before = carried.count.latest
        if carried.clock.latest_us is None or before is None:
            return None
        number = self.numbers[low:high]
        high = low + _until((expected + np.arange(len(number))) & 0xFFFF != number)
        kind = self._kind[low:high]
        if carried.breaks.latest is None:  # no width record yet
            kind = kind[: _until(kind == _W)]
        which = low + np.arange(len(kind))
        clock = carried.clock
        t_us, latest_us, good = clock.unwrap_many(self._field(which, _TIME_AT[kind]), kind != _I)
        for line in np.flatnonzero(kind[:good] == _H).tolist():
            if not clock.agrees(int(t_us[line]), int(self._value[self._first[low + line] + 3])):
                good = line
                break
        if good == 0:
            return None
        which, kind, t_us, latest_us = which[:good], kind[:good], t_us[:good], latest_us[:good]
        clock.latest_us = int(latest_us[-1])
        is_position = kind == _P
        counts = carried.count.unwrap_many(self._field(which[is_position], 3))
        # A line's count is carried on from the last position before it.
        base = np.concatenate(([before], counts))[np.cumsum(is_position)]
        return ParsedLines(
            good,
            self._positions(which[is_position], t_us[is_position], counts),
            self._edges(which, kind, t_us, base),
            self._widths(which, kind, t_us, base, carried),
            self._others(which, kind, t_us, latest_us),
            latest_us,
        )

    def _positions(self, which: Ints, t_us: Ints, counts: Ints) -> NDArray[np.void]:
        rows = np.empty(len(which), POSITION)
        rows["t_us"], rows["count"] = t_us, counts
        rows["low"] = counts - self._field(which, 4)
        rows["high"] = counts + self._field(which, 5)
        rows["levels"] = self._field(which, 6)
        rows["done_us"] = t_us - self._field(which, 7)
        given = self._last[which] - self._first[which] + 1 == _WITH_TOTALS
        for nth, name in enumerate(("illegal", "lost_edges"), 8):
            rows[name] = np.where(given, self._field(which, nth), -1)
        return rows

    def _edges(
        self, which: Ints, kind: NDArray[np.uint8], t_us: Ints, base: Ints
    ) -> NDArray[np.void]:
        own = np.flatnonzero((kind == _C) | (kind == _Z))
        rows = np.empty(len(own), EDGE)
        if not len(own):
            return rows
        contact = kind[own] == _C
        level = np.where(contact, 3, 2)
        of, t_us = which[own], t_us[own]
        count = _nearest(self._field(of, level + 2), base[own])
        rows["t_us"], rows["count"] = t_us, count
        rows["input"] = np.where(contact, self._field(of, 2), INDEX_INPUT)
        rows["level"] = self._field(of, level)
        near = (self._first[of] + level + 3)[:, None] + np.arange(4)
        step, distance = self._sign[near], self._value[near]
        rows["around_step"] = step
        given = step != 0
        distance = np.where(given, distance, 0) * np.array([-1, -1, 1, 1])
        rows["around_t_us"] = np.where(given, t_us[:, None] + distance, np.nan)
        # A step up crosses the boundary of the count that it reaches, a step down that of the count
        # that it leaves.
        older, newer, first, second = step.T
        before, after = count - newer, count + first
        at = np.stack(
            [
                np.maximum(before, before - older),
                np.maximum(count, before),
                np.maximum(count, after),
                np.maximum(after, after + second),
            ],
            axis=1,
        )
        rows["around_at"] = np.where(given, at, 0)
        return rows

    def _widths(
        self, which: Ints, kind: NDArray[np.uint8], t_us: Ints, base: Ints, carried: Carried
    ) -> NDArray[np.void]:
        own = np.flatnonzero(kind == _W)
        rows = np.empty(len(own), WIDTH)
        if len(own):
            of = which[own]
            rows["t_us"] = t_us[own]
            rows["count"] = _nearest(self._field(of, 3), base[own])
            for state, total in enumerate(carried.dwell):
                rows["dwell_us"][:, state] = total.unwrap_many(self._field(of, 4 + state))
            rows["breaks"] = carried.breaks.unwrap_many(self._field(of, 8))
        return rows

    def _others(
        self, which: Ints, kind: NDArray[np.uint8], t_us: Ints, latest_us: Ints
    ) -> list[tuple[int, Health | Identity]]:
        found: list[tuple[int, Health | Identity]] = []
        for line in np.flatnonzero((kind == _H) | (kind == _I)).tolist():
            first = int(self._first[which[line]])
            if kind[line] == _H:
                values = self._value[first + 3 : first + 8].tolist()
                found.append((line, Health(float(t_us[line]), *values)))
            else:
                protocol, counts, contacts = self._value[first + 2 : first + 5].tolist()
                name = name_text(self._lines[int(which[line])].split(b" ")[5])
                t = float(latest_us[line])
                found.append((line, Identity(t, protocol, counts, contacts, name)))
        return found


def _is_common_identity(line: bytes) -> bool:
    match = _IDENTITY.fullmatch(line)
    if match is None or int(match["protocol"], 16) != PROTOCOL or len(line) >= LONGEST_LINE:
        return False
    return len(match["name"]) <= LONGEST_NAME and int(match["contacts"], 16) <= MOST_CONTACTS


def _until(wrong: Flags) -> int:
    """How many come before the first that is wrong."""
    return int(np.argmax(wrong)) if wrong.any() else len(wrong)


def _nearest(c32: Ints, base: Ints) -> Ints:
    """Counts known modulo 2**32, each carried on from its own ``base``."""
    return base + signed_steps(c32, base)


def _hexadecimal(data: NDArray[np.uint8], ends: Ints, digits: Ints) -> Ints:
    """Values of one to eight digits before ``ends``; of any other text, nonsense."""
    words: NDArray[np.uint64] = np.ndarray((len(data) - 7,), "<u8", data, strides=(1,))
    digit = words[ends - 8].astype(_U, copy=False)
    spare = (np.clip(8 - digits, 0, 7) * 8).astype(_U)
    digit = digit >> spare << spare
    letter = (digit >> _U(6)) & _U(0x0101010101010101)
    digit = (digit & _U(0x0F0F0F0F0F0F0F0F)) + letter * _U(9)
    for shift, mask in (
        (_U(4), _U(0x00FF00FF00FF00FF)),
        (_U(8), _U(0x0000FFFF0000FFFF)),
        (_U(16), _U(0x00000000FFFFFFFF)),
    ):
        digit = ((digit << shift) | (digit >> (shift + shift))) & mask
    return digit.astype(np.int64)

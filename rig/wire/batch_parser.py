"""Many lines of the common kinds at once.

A capture of a working day has a million lines. Here the lines of a piece are parsed side by side,
in 0.15 of the time that ``LineReader`` takes for one after another (measured by
``tests/bench/test_parser_speed.py``). Only ordinary lines are parsed here; every other line is left
to the reader, which knows what is wrong with it. A test compares the records of both over all kinds
of record with any fields.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rig.wire.line import (
    BESIDE,
    HEX_DIGITS,
    KINDS,
    LONGEST_LINE,
    PROTOCOL,
    RUNNING,
    TIME,
    Carried,
    FieldError,
    Ints,
    decode,
    edge_rows,
    position_rows,
    signed_step,
    width_rows,
)
from rig.wire.records import INDEX_INPUT, Health, Identity

Flags = NDArray[np.bool_]

_PAD = 8  # bytes before the first digit, so that eight can always be read
_U = np.uint64
_STRANGER = np.ones(256, np.uint8)  # 1: not allowed; the sum over a line fits
_STRANGER[list(HEX_DIGITS + b" \n")] = 0
_PLUS, _MINUS, _DOT = b"+-."
_P, _C, _Z, _W, _H, _I = COMMON = b"PCZWHI"

_LINES = {kind: KINDS[chr(kind)] for kind in COMMON}
_LEAST, _MOST = np.zeros((2, 256), np.int64)  # parts of a line of each kind, CRC included
_TIME_AT = np.zeros(256, np.int64)  # which of them is the time
_STRANGE = np.full(256, -1, np.int64)  # characters that are not hexadecimal digits
for _kind, _line in _LINES.items():
    _LEAST[_kind], _MOST[_kind] = (3 + length for length in _line.lengths)
    _TIME_AT[_kind] = _line.at("t") if TIME in _line.forms else 0
    _STRANGE[_kind] = (_kind not in HEX_DIGITS) + _line.forms.count(BESIDE)


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
        self._identities: dict[int, list[Any] | None] = {}
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
            ((parts == _LEAST[kind]) | (parts == _MOST[kind]))
            & (length[first] == 1)
            & (np.add.reduceat(length + 1, first) <= LONGEST_LINE)
            & (self._value[last] == crc)
            & (length[last] == 8)
            & (self._field(slice(None), 1) <= RUNNING.high)
            & (np.maximum.reduceat(digits, first) <= 8)
            & (np.minimum.reduceat(digits, first) >= 1)
            & (strange == _STRANGE[kind])
        )
        for name in (_C, _Z):  # the rest has nothing but plain numbers
            own = np.flatnonzero(common & (kind == name))
            good = np.ones(len(own), np.bool_)
            for nth, form in enumerate(_LINES[name].forms, 2):
                at = first[own] + nth
                if form is BESIDE:
                    good &= (self._sign[at] != 0) | ((opening[at] == _DOT) & (length[at] == 1))
                else:
                    good &= (self._value[at] >= form.low) & (self._value[at] <= form.high)
                    good &= length[at] <= form.digits
            older, newer, soon, later = (self._sign[last[own] - 4 + nth] != 0 for nth in range(4))
            common[own] = good & (newer | ~older) & (soon | ~later)
        for line in np.flatnonzero(kind == _I).tolist():
            self._identities[line] = self._identity(line)
            common[line] = self._identities[line] is not None
        return common

    def _identity(self, line: int) -> list[Any] | None:
        """The fields of an identity line; None if it is irregular."""
        parts = decode(self._lines[line])
        if parts is None or len(self._lines[line]) >= LONGEST_LINE:
            return None
        try:
            RUNNING.read(parts[1])
            values = _LINES[_I].values(parts[2:])
        except (FieldError, IndexError):
            return None
        return values if values[0] == PROTOCOL else None

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
        t32 = self._field(which, _TIME_AT[kind])
        t_us, latest_us, good = clock.unwrap_many(t32, kind != _I, kind == _P)
        uptime_s = self._column(_H, "uptime", which)
        for line in np.flatnonzero(kind[:good] == _H).tolist():
            if not clock.agrees(int(t_us[line]), int(uptime_s[line])):
                good = line
                break
        if good == 0:
            return None
        which, kind, t_us, latest_us = which[:good], kind[:good], t_us[:good], latest_us[:good]
        clock.latest_us = int(latest_us[-1])
        is_position = kind == _P
        if is_position.any():
            clock.position_us = int(t_us[is_position][-1])
        counts = carried.count.unwrap_many(self._column(_P, "count", which[is_position]))
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

    def _column(self, kind: int, name: str, which: Ints) -> Ints:
        """A field of these lines, all of one kind."""
        return self._field(which, _LINES[kind].at(name))

    def _positions(self, which: Ints, t_us: Ints, counts: Ints) -> NDArray[np.void]:
        fields = [self._column(_P, name, which) for name in _LINES[_P].names[2:]]
        given = self._last[which] - self._first[which] + 1 == _MOST[_P]
        totals = (np.where(given, total, -1) for total in fields[-2:])
        return position_rows(t_us, counts, *fields[:-2], *totals)

    def _edges(
        self, which: Ints, kind: NDArray[np.uint8], t_us: Ints, base: Ints
    ) -> NDArray[np.void]:
        own = np.flatnonzero((kind == _C) | (kind == _Z))
        of, contact = which[own], kind[own] == _C
        level, count, near = (
            np.where(contact, _LINES[_C].at(name), _LINES[_Z].at(name))
            for name in ("level", "count", "before")
        )
        inputs = np.where(contact, self._column(_C, "input", of), INDEX_INPUT)
        at = _nearest(self._field(of, count), base[own])
        beside = (self._first[of] + near + nth for nth in range(4))
        steps = (self._sign[part] * (self._value[part] + 1) for part in beside)
        return edge_rows(inputs, self._field(of, level), t_us[own], at, *steps)

    def _widths(
        self, which: Ints, kind: NDArray[np.uint8], t_us: Ints, base: Ints, carried: Carried
    ) -> NDArray[np.void]:
        own = np.flatnonzero(kind == _W)
        count, *fields = (self._column(_W, name, which[own]) for name in _LINES[_W].names[1:])
        totals = (*carried.dwell, carried.breaks)
        unwrapped = (
            total.unwrap_many(field) if len(own) else field
            for total, field in zip(totals, fields, strict=True)
        )
        return width_rows(t_us[own], _nearest(count, base[own]), *unwrapped)

    def _others(
        self, which: Ints, kind: NDArray[np.uint8], t_us: Ints, latest_us: Ints
    ) -> list[tuple[int, Health | Identity]]:
        found: list[tuple[int, Health | Identity]] = []
        for line in np.flatnonzero((kind == _H) | (kind == _I)).tolist():
            if kind[line] == _H:
                at = int(self._first[which[line]]) + _LINES[_H].at("uptime")
                values = self._value[at : at + 5].tolist()
                found.append((line, Health(float(t_us[line]), *values)))
            elif (identity := self._identities[int(which[line])]) is not None:
                found.append((line, Identity(float(latest_us[line]), *identity)))
        return found


def _until(wrong: Flags) -> int:
    """How many come before the first that is wrong."""
    return int(np.argmax(wrong)) if wrong.any() else len(wrong)


def _nearest(c32: Ints, base: Ints) -> Ints:
    """Counts known modulo 2**32, each carried on from its own ``base``."""
    return base + signed_step(c32, base)


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

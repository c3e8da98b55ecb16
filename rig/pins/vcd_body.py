"""The body of a value change dump: levels of chosen pins over time, in bounded memory.

Whole pieces of the file are handled as arrays of bytes; no object is made for a change. White space
alone separates tokens, so any layout is read by the same code. Decimal numbers are converted many
at once.

The state at a time stamp is that after all changes at the stamp. Changes before the first stamp
belong to time 0. A pin that is x or z keeps its last level and is marked unknown. Source of the
format: IEEE Std 1364-2005 clause 18 (content from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator, Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from rig.base.errors import InputError, reason
from rig.pins.vcd_header import TOKEN, Header, Signal, excerpt
from rig.wire.records import LineError

Words = NDArray[np.unsignedinteger[Any]]  # bits of pins; as wide as needed

Ints = NDArray[np.int64]
Bytes = NDArray[np.uint8]

CHUNK = 1 << 19  # bytes read at a time; small enough for a processor's cache
_LONGEST = 1 << 24  # bytes; a longer token is nonsense
_LATEST_US = 10**15  # 31 years; a later time stamp is nonsense
_REPORTED = 10  # errors of a kind that are reported one by one

# What a token is, by its first byte.
_TIME, _LEVEL, _NO_LEVEL, _VECTOR, _OTHER_VALUE, _WORD, _NONSENSE = range(7)
_KIND = np.full(256, _NONSENSE, np.uint8)


for _chars, _kind in (
    (b"#", _TIME),
    (b"01", _LEVEL),
    (b"xXzZ", _NO_LEVEL),
    (b"bB", _VECTOR),
    (b"rRsS", _OTHER_VALUE),
    (b"$", _WORD),
):
    _KIND[list(_chars)] = _kind


_DUMPS = frozenset((b"$dumpvars", b"$dumpall", b"$dumpon", b"$dumpoff"))


class Rows(NamedTuple):
    """Pin levels after each time stamp at which one of them changed.

    ``ticks`` (n,) int64 in steps of the dump, increasing; ``levels`` and ``unknown`` (n,) unsigned,
    bit i for pin i.
    """

    ticks: Ints
    levels: Words
    unknown: Words


class _Tokens(NamedTuple):
    """Time stamps and changes of one bit, in order. ``at`` .. ``end``: digits or code."""

    value: Bytes  # "#" or the character of the level
    at: Ints
    end: Ints

    def part(self, low: int, high: int) -> _Tokens:
        return _Tokens(self.value[low:high], self.at[low:high], self.end[low:high])


class BodyReader:
    """Reads the body once. When ``rows`` is exhausted, ``end_tick`` is the last time stamp.

    ``report`` gets line errors.
    """

    def __init__(
        self,
        header: Header,
        pins: Sequence[Signal],
        report: Callable[[LineError], None],
        chunk_bytes: int = CHUNK,
    ) -> None:
        self._header = header
        self._chunk = chunk_bytes
        self._word = np.min_scalar_type((1 << len(pins)) - 1).type
        self._all = self._word((1 << len(pins)) - 1)
        self._pins = len(pins)
        masks: dict[bytes, int] = {}
        for number, pin in enumerate(pins):  # one code may be several pins
            masks[pin.code] = masks.get(pin.code, 0) | 1 << number
        self._short = np.zeros(256, self._word)
        for code, mask in masks.items():
            if len(code) == 1:
                self._short[code[0]] = mask
        self._long = [(code, self._word(mask)) for code, mask in masks.items() if len(code) > 1]
        self._latest = min(int(_LATEST_US / header.tick_us), 4 * 10**18)
        self._report = report
        self.end_tick = 0  # the present time stamp
        self._levels = self._word(0)
        self._unknown = self._all
        self._given = (self._word(0), self._all)  # levels and unknown of the last row
        self._section = b""  # the unknown section or comment being skipped
        self._dump = b""  # a $dumpvars or the like without its $end so far
        self._off = False  # between $dumpoff and $dumpon
        self._stopped = False
        self._nonsense = 0
        self._line = 1
        self._data: Bytes = np.empty(0, np.uint8)

    def rows(self) -> Iterator[Rows]:
        """Read the file. InputError when it cannot be read or has an endless word."""
        try:
            yield from self._read()
        except OSError as error:
            raise InputError(f"{self._header.path}: {reason(error)}.") from error
        if self._nonsense > _REPORTED:
            self._line_error(f"{self._nonsense - _REPORTED} more words that are not value changes")
        yield self._changed(
            np.array([self.end_tick]), np.array([self._levels]), np.array([self._unknown])
        )

    def _read(self) -> Iterator[Rows]:
        with open(self._header.path, "rb", buffering=0) as file:
            self._line += file.read(self._header.body_offset).count(b"\n")
            file.seek(self._header.body_offset)
            self._data = np.empty(self._chunk + 2 * PAD, np.uint8)
            rest = PAD  # the text before this is incomplete
            while not self._stopped:
                if len(self._data) < rest + self._chunk + PAD:
                    self._data = np.resize(self._data, 2 * rest + self._chunk + PAD)
                got = file.readinto(self._data.data[rest : rest + self._chunk])
                if not got:
                    break
                size = rest + got
                done = yield from self._piece(size)
                rest = PAD + size - done
                self._data[PAD:rest] = self._data[done:size].copy()
                if rest > _LONGEST:
                    raise InputError(
                        f"{self._header.path}: line {self._line} has a word of more than {_LONGEST}"
                        " bytes; the file is damaged."
                    )
            if not self._stopped:
                yield from self._end(rest)

    def _piece(self, size: int) -> Generator[Rows, None, int]:
        """Process the whole tokens in ``data[PAD:size]``; returns where the rest begins."""
        data = self._data[:size]
        ends = np.flatnonzero(data[PAD:] <= 32) + PAD
        if not len(ends):
            return PAD
        rest = int(ends[-1]) + 1
        starts = np.concatenate(([PAD], ends[:-1] + 1))
        lengths = ends - starts
        if lengths.min() == 0:
            full = lengths > 0
            starts, ends, lengths = starts[full], ends[full], lengths[full]
        if len(starts):
            first = data.take(starts)
            # Nearly always there are only "#" and "0" or "1" (which differ in one bit).
            plain = ((first == ord("#")) | (first | 1 == ord("1"))).all()
            if plain and lengths.min() > 1 and not self._section:
                yield self._apply(_Tokens(first, starts + 1, ends))
            else:
                rest = yield from self._sift(starts, ends, _KIND.take(first), rest)
        self._line += int(np.count_nonzero(data[PAD:rest] == 10))
        return rest

    def _sift(
        self, starts: Ints, ends: Ints, kinds: Bytes, rest: int
    ) -> Generator[Rows, None, int]:
        """Pick time stamps and changes of one bit out of everything else."""
        count, data = len(starts), self._data
        order = np.arange(count)
        has_code = (kinds == _VECTOR) | (kinds == _OTHER_VALUE)
        # Of successive words that look like values every second one is the code of the one before.
        before = np.maximum.accumulate(np.where(has_code, -1, order))
        has_code &= (order - before) % 2 == 1
        is_code = np.concatenate(([False], has_code[:-1]))
        kept, turns = self._pass_over(starts, ends, kinds, is_code)
        if has_code[-1] and kept[-1]:  # its code has not come yet
            rest, kept[-1] = int(starts[-1]), False
        kept &= ~is_code
        value = data[starts]
        at, end = starts + 1, ends.copy()
        vectors = np.flatnonzero(kept & (kinds == _VECTOR))
        value[vectors] = data[ends[vectors] - 1]  # the lowest bit
        at[vectors], end[vectors] = starts[vectors + 1], ends[vectors + 1]
        bad = (kinds == _NONSENSE) | ((ends - starts < 2) & (kinds != _WORD))
        bad[vectors] |= ~np.isin(_KIND[value[vectors]], (_LEVEL, _NO_LEVEL))
        chosen = np.flatnonzero(kept & ~bad & (kinds <= _VECTOR))
        tokens = _Tokens(value[chosen], at[chosen], end[chosen])
        wrong = np.flatnonzero(kept & bad).tolist()
        reported = wrong[: max(_REPORTED - self._nonsense, 0)]
        stops: list[tuple[int, bool | None]] = [*turns, *((token, None) for token in reported)]
        low = 0
        for token, off in sorted(stops):
            high = int(np.searchsorted(chosen, token))
            yield self._apply(tokens.part(low, high))
            if self._stopped:
                return rest
            low = high
            if off is None:
                self._no_change(int(starts[token]), int(ends[token]), self.end_tick)
            else:
                self._off = off
                if off:
                    self._unknown = self._all
        yield self._apply(tokens.part(low, len(chosen)))
        if not self._stopped:
            self._nonsense += len(wrong) - len(reported)
        return rest

    def _pass_over(
        self, starts: Ints, ends: Ints, kinds: Bytes, is_code: NDArray[np.bool_]
    ) -> tuple[NDArray[np.bool_], list[tuple[int, bool]]]:
        """Which tokens are outside comments and the like; where dumping goes off or on."""
        kept = np.ones(len(starts), np.bool_)
        turns: list[tuple[int, bool]] = []
        since = 0
        # In a comment any word may look like a code, including the "$end" that closes it.
        words = (kinds == _WORD) & (~is_code | (ends - starts == len(b"$end")))
        for token in np.flatnonzero(words).tolist():
            word = self._data[starts[token] : ends[token]].tobytes()
            if self._section:
                if word == b"$end":
                    kept[since : token + 1] = False
                    self._section = b""
            elif is_code[token]:
                continue
            elif word == b"$end":
                self._dump = b""
            elif word in _DUMPS:
                self._dump = word
                if word in (b"$dumpoff", b"$dumpon"):
                    turns.append((token, word == b"$dumpoff"))
            else:
                self._section, since = word, token
        if self._section:
            kept[since:] = False
        return kept, turns

    def _apply(self, tokens: _Tokens) -> Rows:
        """Apply ``tokens`` to the levels; rows for the stamps that they complete."""
        is_time = tokens.value == ord("#")
        stamps = np.flatnonzero(is_time)
        ticks, bad = np.empty(0, np.int64), None
        if len(stamps):
            ticks, bad = decimals(self._data, tokens.at.take(stamps), tokens.end.take(stamps))
        if bad is not None:  # no number: as if the stamp before came again
            latest = np.maximum.accumulate(np.where(bad, -1, np.arange(len(ticks))))
            ticks = np.where(latest < 0, self.end_tick, ticks[latest])
        before = np.concatenate(([self.end_tick], ticks))
        growing = bool((ticks > before[:-1]).all()) and before[-1] <= self._latest
        stop = len(stamps)
        if not growing:
            wrong = np.flatnonzero((ticks < before[:-1]) | (ticks > self._latest))
            stop = int(wrong[0]) if len(wrong) else stop
        if bad is not None:
            for nth in np.flatnonzero(bad[:stop]).tolist():
                at, end = int(tokens.at[stamps[nth]]) - 1, int(tokens.end[stamps[nth]])
                self._no_change(at, end, int(ticks[nth]))
        if stop < len(stamps):
            self._stop(int(ticks[stop]), int(before[stop]), int(tokens.at[stamps[stop]]))
            tokens = tokens.part(0, int(stamps[stop]))
            stamps, ticks, before = stamps[:stop], ticks[:stop], before[: stop + 1]
            is_time = is_time[: len(tokens.value)]
        levels, unknown = self._carry(tokens, np.flatnonzero(~is_time))
        closing = stamps - np.arange(len(stamps))  # changes before each stamp
        closed = before[:-1]
        if not growing:  # the same stamp again continues the one before
            over = ticks != closed
            closed, closing = closed[over], closing[over]
        self._levels, self.end_tick = levels[-1], int(before[-1])
        if unknown is None:
            unknown = np.full(len(closing), self._unknown)
        else:
            self._unknown, unknown = unknown[-1], unknown[closing]
        return self._changed(closed, levels.take(closing), unknown)

    def _changed(self, ticks: Ints, levels: Words, unknown: Words) -> Rows:
        """Only the rows that differ from the one before."""
        if not len(ticks):
            return Rows(ticks, levels, unknown)
        new = np.empty(len(ticks), np.bool_)
        new[0] = (levels[0], unknown[0]) != self._given
        new[1:] = (levels[1:] != levels[:-1]) | (unknown[1:] != unknown[:-1])
        self._given = (levels[-1], unknown[-1])
        if new.all():
            return Rows(ticks, levels, unknown)
        return Rows(ticks[new], levels[new], unknown[new])

    def _carry(self, tokens: _Tokens, changes: Ints) -> tuple[Words, Words | None]:
        """Levels and unknown bits before the first and after each of the ``changes``.

        None if the unknown bits do not change.
        """
        at, value = tokens.at.take(changes), tokens.value.take(changes)
        pins = self._short.take(self._data.take(at))
        length = tokens.end.take(changes) - at
        if length.max(initial=1) > 1:
            pins[length > 1] = 0
            self._find_long(at, length, pins)
        if self._off:
            pins[:] = 0
        no_level = value > ord("1")
        levels = _accumulated(self._levels, pins)
        if (
            np.array_equal(levels[1:] & pins, pins * (value & 1))
            and not np.any(pins & self._unknown)
            and not np.any(pins[no_level])
        ):
            return levels, None  # each change was from 0 to 1 or from 1 to 0
        flips, marks = np.zeros_like(pins), np.zeros_like(pins)
        for number in range(self._pins):
            pin = self._word(1 << number)
            own = np.flatnonzero(pins & pin)
            dark = no_level[own]
            marks[own[_differs(dark, self._unknown & pin)]] |= pin
            known = own[~dark]
            flips[known[_differs((value[known] & 1) != 0, self._levels & pin)]] |= pin
        return _accumulated(self._levels, flips), _accumulated(self._unknown, marks)

    def _find_long(self, at: Ints, length: Ints, pins: Words) -> None:
        """Mark the changes whose code is one of the pins' codes of several characters."""
        for code, mask in self._long:
            found = np.flatnonzero(length == len(code))
            for place, character in enumerate(code):
                found = found[self._data[at[found] + place] == character]
            pins[found] = mask

    def _end(self, rest: int) -> Generator[Rows, None, None]:
        """What follows the last white space may be whole or cut off."""
        left = self._data[PAD:rest].tobytes()
        words = TOKEN.findall(left)
        if words and not self._section and not self._is_whole(words, left):
            self._line_error(f"the file is cut off after '{excerpt(words[-1])}'; read up to there")
        elif words:
            self._data[rest] = ord("\n")
            yield from self._piece(rest + 1)
        if not self._stopped and (self._section or self._dump):
            word = excerpt(self._section or self._dump)
            self._line_error(f"the file is cut off within a {word} section; read up to there")

    def _is_whole(self, words: list[bytes], left: bytes) -> bool:
        *value, last = words
        kind = int(_KIND[last[0]])
        if value or kind in (_LEVEL, _NO_LEVEL):
            code = last if value else last[1:]
            codes = {signal.code for signal in self._header.signals}
            return code in codes and sum(other.startswith(code) for other in codes) == 1
        if kind == _TIME:  # a number cut short is not greater than the true one
            return last[1:].isdigit() and len(last) < 20 and int(last[1:]) >= self.end_tick
        return kind == _WORD and last == b"$end"

    def _stop(self, tick: int, before: int, at: int) -> None:
        self._stopped = True
        what = f"time runs backwards, from #{before} to #{tick}"
        if tick > before:
            what = f"the time stamp #{tick} is more than 31 years later"
        self._line_error(f"line {self._line_at(at)}: {what}; read up to there", before)

    def _no_change(self, start: int, end: int, tick: int) -> None:
        self._nonsense += 1
        if self._nonsense <= _REPORTED:
            word = excerpt(self._data[start:end].tobytes())
            self._line_error(
                f"line {self._line_at(start)}: '{word}' is no value change; skipped", tick
            )

    def _line_at(self, at: int) -> int:
        return self._line + int(np.count_nonzero(self._data[PAD:at] == 10))

    def _line_error(self, detail: str, tick: int | None = None) -> None:
        t_us = float((self.end_tick if tick is None else tick) * self._header.tick_us)
        self._report(LineError(t_us, "recording", detail))


def _accumulated(before: np.unsignedinteger[Any], flips: Words) -> Words:
    """``before``, and its value after each of ``flips``."""
    return np.bitwise_xor.accumulate(np.concatenate(([before], flips)))


def _differs(state: NDArray[np.bool_], before: np.unsignedinteger[Any]) -> NDArray[np.bool_]:
    """Where ``state`` differs from the one just before; ``before`` is before the first."""
    previous = np.concatenate((np.array([before != 0]), state[:-1]))
    return np.asarray(state != previous)


PAD = 32  # bytes in the buffer before the first digit and after the last
_DIGITS = 19  # always fit 64 bits
_LARGEST = 2**63 - 1


def decimals(
    buffer: Bytes, at: Ints, end: Ints
) -> tuple[NDArray[np.int64], NDArray[np.bool_] | None]:
    """The unsigned numbers in ``buffer[at[i]:end[i]]``, and which are invalid (None: none).

    ``at``, ``end``, result: shape (n,). No number may be empty; one beyond 63 bits gives the
    largest that fits.
    """
    length = end - at
    total = np.zeros(len(at), np.uint64)
    bad = np.zeros(len(at), np.bool_)
    shortest = int(length.min())
    for place in range(min(int(length.max()), _DIGITS)):
        digit = buffer.take(end - (place + 1)) - np.uint8(ord("0"))
        if place >= shortest:
            digit[length <= place] = 0
        bad |= digit > 9
        total += np.multiply(digit, 10**place, dtype=np.uint64)  # before numpy 2: 8 bits else
    for long in np.flatnonzero(length > _DIGITS).tolist():  # rare
        before = buffer[at[long] : end[long] - _DIGITS].tobytes().lstrip(b"0")
        bad[long] |= not (before.isdigit() or not before)
        total[long] = _LARGEST if before else total[long]
    values = np.minimum(total, np.uint64(_LARGEST)).view(np.int64)
    return values, bad if bad.any() else None

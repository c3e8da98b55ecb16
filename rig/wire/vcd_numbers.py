"""Many decimal numbers at once, out of bytes that lie in a buffer."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

PAD = 32  # bytes that the buffer has before the first digit and after the last
_DIGITS = 18  # always fit 63 bits
_U = np.uint64


def decimals(
    buffer: NDArray[np.uint8], at: NDArray[np.int64], end: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.bool_] | None]:
    """The unsigned numbers in ``buffer[at[i]:end[i]]`` and which are none (None: all are good).

    ``at``, ``end``, result: shape (n,). No number may be empty; one beyond 63 bits gives the
    largest that fits. Eight digits are taken at a time: neighbours are joined into pairs, pairs
    into fours, fours into eights.
    """
    length = end - at
    longest = int(length.max())
    if longest > _DIGITS:
        return _long_decimals(buffer, at, end)
    uneven = int(length.min()) < longest
    total, spoilt = _group(buffer, end, length, 0, uneven)
    for done in range(8, longest, 8):
        # Neighbours are nearly always alike in their leading digits.
        first = None if uneven else _first_of_each(buffer, end, longest, done)
        if first is None:
            more, wrong = _group(buffer, end, length, done, uneven)
        else:
            few, wrong_few = _group(buffer, end[first], length[first], done, uneven)
            often = np.diff(first, append=len(end))
            more, wrong = np.repeat(few, often), np.repeat(wrong_few, often)
        more *= 10**done
        total += more
        spoilt |= wrong
    return total, np.asarray(spoilt != 0) if spoilt.any() else None


def _first_of_each(
    buffer: NDArray[np.uint8], end: NDArray[np.int64], length: int, done: int
) -> NDArray[np.int64] | None:
    """Where the digits before the last ``done`` ones become others; None when that is often."""
    places = min(length - done, 8)
    if places > 4:
        return None
    other = np.zeros(len(end), np.bool_)
    other[0] = True
    for place in range(done + 1, done + places + 1):
        digit = buffer.take(end - place)
        other[1:] |= digit[1:] != digit[:-1]
    first = np.flatnonzero(other)
    return first if len(first) < len(end) // 8 else None


def _group(
    buffer: NDArray[np.uint8],
    end: NDArray[np.int64],
    length: NDArray[np.int64],
    done: int,
    uneven: bool,
) -> tuple[NDArray[np.int64], NDArray[np.uint64]]:
    """The eight digits before the last ``done`` ones, and not 0 where a byte is no digit."""
    words: NDArray[np.uint64] = np.ndarray(
        (len(buffer) - 7,), dtype="<u8", buffer=buffer, strides=(1,)
    )
    digits = words[end - (done + 8)].astype(_U, copy=False)
    digits ^= _U(0x3030303030303030)
    if uneven or length[0] < done + 8:  # blank out what stands before the number
        missing = np.clip(done + 8 - length, 0, 8).astype(_U)
        missing *= _U(8)
        digits >>= missing
        digits <<= missing
    spoilt = digits + _U(0x7676767676767676)
    spoilt |= digits
    spoilt &= _U(0x8080808080808080)
    for factor, shift, mask in (
        (_U(10), _U(8), _U(0x00FF00FF00FF00FF)),
        (_U(100), _U(16), _U(0x0000FFFF0000FFFF)),
        (_U(10000), _U(32), _U(0x00000000FFFFFFFF)),
    ):
        right = digits >> shift
        digits *= factor
        digits += right
        digits &= mask
    return digits.view(np.int64), spoilt


def _long_decimals(
    buffer: NDArray[np.uint8], at: NDArray[np.int64], end: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.bool_] | None]:
    """The same one by one: numbers of so many digits are rare."""
    total = np.zeros(len(at), np.int64)
    bad = np.zeros(len(at), np.bool_)
    largest = np.iinfo(np.int64).max
    for number, (low, high) in enumerate(zip(at.tolist(), end.tolist(), strict=True)):
        text = buffer[low:high].tobytes().lstrip(b"0") or b"0"
        if not text.isdigit():
            bad[number] = True
        else:
            total[number] = min(int(text), largest) if len(text) < 20 else largest
    return total, bad if bad.any() else None

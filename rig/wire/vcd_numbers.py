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
    words: NDArray[np.uint64] = np.ndarray(
        (len(buffer) - 7,), dtype="<u8", buffer=buffer, strides=(1,)
    )
    shortest = int(length.min())
    total = np.zeros(len(at), np.int64)
    spoilt = np.zeros(len(at), _U)
    for done in range(0, longest, 8):
        digits = words[end - (done + 8)].astype(_U, copy=False)
        digits ^= _U(0x3030303030303030)
        if shortest < done + 8:  # blank out what stands before the number
            missing = np.clip(done + 8 - length, 0, 8).astype(_U)
            digits = (digits >> (missing * _U(8))) << (missing * _U(8))
        spoilt |= ((digits + _U(0x7676767676767676)) | digits) & _U(0x8080808080808080)
        digits = (digits * _U(10) + (digits >> _U(8))) & _U(0x00FF00FF00FF00FF)
        digits = (digits * _U(100) + (digits >> _U(16))) & _U(0x0000FFFF0000FFFF)
        digits = (digits * _U(10000) + (digits >> _U(32))) & _U(0x00000000FFFFFFFF)
        total += digits.view(np.int64) * 10**done
    return total, np.asarray(spoilt != 0) if spoilt.any() else None


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

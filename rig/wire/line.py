"""One line of the format in ``firmware_notes/protocol.md``: encode, decode, fields, unwrapping.

The frame is kind, running number, fields and CRC-32; what the fields mean is left to the readers.
"""

from __future__ import annotations

import math
import zlib

import numpy as np
from numpy.typing import NDArray

from rig.base.rounding import many

PROTOCOL = 1
LONGEST_LINE = 96
"""Bytes of a line, LF included: ``W`` needs 79; the rest is reserved for later versions."""

HEX_DIGITS = b"0123456789ABCDEF"


def hexadecimal(value: int, bits: int = 32) -> str:
    """``value`` modulo 2**bits in upper-case hexadecimal (two's complement when negative)."""
    return f"{value & ((1 << bits) - 1):X}"


def encode(kind: str, number: int, *fields: str) -> bytes:
    """The whole line for ``kind`` with running number ``number`` and ``fields``, CRC and LF.

    Raises ValueError when the line would be longer than ``LONGEST_LINE`` bytes.
    Source of the CRC: CRC-32/ISO-HDLC, ITU-T V.42.
    """
    body = " ".join((kind, hexadecimal(number, 16), *fields)).encode("ascii")
    line = b"%b %08X\n" % (body, zlib.crc32(body))
    if len(line) > LONGEST_LINE:
        raise ValueError(f"a line of {many(len(line), 'byte')}; at most {LONGEST_LINE} are allowed")
    return line


def decode(line: bytes) -> list[bytes] | None:
    """Parts of a line (kind, number, fields) without CRC, or None when the CRC is wrong.

    ``line`` comes without its LF; one CR at its end is ignored.
    """
    if line.endswith(b"\r"):
        line = line[:-1]
    body, _, crc = line.rpartition(b" ")
    if len(crc) != 8 or crc.translate(None, HEX_DIGITS) or int(crc, 16) != zlib.crc32(body):
        return None
    return body.split(b" ")


LONGEST_NAME = 24
_NAME = frozenset(b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789._+-")


class FieldError(ValueError):
    """A field that the line format does not allow; the text says what is wrong with it."""


def number(field: bytes, bits: int = 32) -> int:
    """The unsigned hexadecimal ``field``. Raises FieldError if it is not one or too large."""
    if not field or field.translate(None, HEX_DIGITS):
        raise FieldError("a field that is not an upper-case hexadecimal number")
    value = int(field, 16)
    if value >> bits:
        raise FieldError(f"a number beyond {bits} bits")
    return value


def name_text(field: bytes) -> str:
    """The name of a rig. Raises FieldError if a character is not allowed."""
    if not 1 <= len(field) <= LONGEST_NAME or not _NAME.issuperset(field):
        raise FieldError(f"a name that is not 1 to {LONGEST_NAME} of A-Z a-z 0-9 . _ + -")
    return field.decode("ascii")


Around = tuple[tuple[float, ...], tuple[int, ...], tuple[int, ...]]


def around(near: list[bytes], t_us: int, count: int) -> Around:
    """Times, boundaries and steps of the two encoder edges before and the two after an event.

    ``near`` has the four fields in order of time. At the event the count is ``count``; the boundary
    of each neighbour follows from it: a step up crosses the boundary with the number of the count
    that it reaches, a step down that of the count that it leaves. Raises FieldError when there are
    not four, or when a farther one is given without the nearer.
    """
    if len(near) != 4:
        raise FieldError(f"{many(len(near), 'encoder edge')} beside an event; 4 fields are needed")
    older, newer, first, second = (_neighbour(field) for field in near)
    if (older and not newer) or (second and not first):
        raise FieldError("a far encoder edge is given without the near one")
    before, after = [], []
    at = count
    for edge in (newer, older):
        if edge:
            step, distance = edge
            before.append((t_us - distance, max(at, at - step), step))
            at -= step
    at = count
    for edge in (first, second):
        if edge:
            step, distance = edge
            after.append((t_us + distance, max(at, at + step), step))
            at += step
    missing = (math.nan, 0, 0)
    edges = [*reversed(before + [missing] * (2 - len(before)))]
    edges += after + [missing] * (2 - len(after))
    times, boundaries, steps = zip(*edges, strict=True)
    return times, boundaries, steps


def _neighbour(field: bytes) -> tuple[int, int] | None:
    if field == b".":
        return None
    sign = {43: 1, 45: -1}.get(field[0] if field else 0)
    if sign is None:
        raise FieldError("an encoder edge that is neither . nor + or - and a distance")
    return sign, number(field[1:])


Ints = NDArray[np.int64]

WRAP = 1 << 32
HALF = 1 << 31
LATEST_US = 2_000_000
"""An edge waits at most 250 ms for its neighbours; two seconds leave room for a full line."""


def signed_step(now: int, before: int) -> int:
    """The step from ``before`` to ``now``, both modulo 2**32, the shorter way round.

    Correct while the true step is below 2**31 (for a microsecond clock: 2147.48 s).
    """
    return ((now - before + HALF) & (WRAP - 1)) - HALF


def signed_steps(now: Ints, before: Ints | int) -> Ints:
    """``signed_step`` vectorised."""
    return ((now - before + HALF) & (WRAP - 1)) - HALF


class Clock:
    """The rig's 32-bit microseconds, unwrapped.

    A record may be older than the latest one by ``LATEST_US``. A larger step back cannot come from
    a running rig: ``unwrap`` returns None, and the caller concludes a restart. Assumption: silence
    is shorter than 2**31 us, or a health record gives the time since start.
    """

    def __init__(self, offset_us: int = 0) -> None:
        self.latest_us: int | None = None
        self._offset_us = offset_us
        self._uptime_known = False

    def unwrap(self, t32: int) -> int | None:
        """Unwrapped time for the 32-bit ``t32``; None when it ran backwards."""
        if self.latest_us is None:
            self.latest_us = t32 + self._offset_us
            return self.latest_us
        step = signed_step(t32, (self.latest_us - self._offset_us) & (WRAP - 1))
        if step < -LATEST_US:
            return None
        t_us = self.latest_us + step
        self.latest_us = max(t_us, self.latest_us)
        return t_us

    def unwrap_many(self, t32: Ints, timed: NDArray[np.bool_]) -> tuple[Ints, Ints, int]:
        """``unwrap`` of many in succession, ``latest_us`` after each, and how many are valid.

        Lines that are not ``timed`` have no time. Does not update ``latest_us``, which must be
        known: the caller may not use all of them.
        """
        assert self.latest_us is not None
        step = signed_steps(t32, self.latest_us - self._offset_us)
        step[~timed] = 0
        most = np.maximum.accumulate(np.maximum(step, 0))
        onward = step.copy()
        onward[1:] -= most[:-1]
        wrong = timed & ((onward < -LATEST_US) | (onward >= HALF))
        sound = int(np.argmax(wrong)) if wrong.any() else len(wrong)
        return self.latest_us + step, self.latest_us + most, sound

    def agrees(self, t_us: int, uptime_s: int) -> bool:
        """Whether ``uptime`` would change and report nothing."""
        return self._uptime_known and self._unseen(t_us, uptime_s) <= 0

    def _unseen(self, t_us: int, uptime_s: int) -> int:
        return round((uptime_s * 1_000_000 - (t_us - self._offset_us)) / WRAP)

    def uptime(self, t_us: int, uptime_s: int) -> int:
        """Turns of the clock during silence before ``t_us``, from the rig's own uptime.

        The first call only notes where the rig's clock began.
        """
        turns = self._unseen(t_us, uptime_s)
        if not self._uptime_known:
            self._uptime_known = True
            self._offset_us -= turns * WRAP
            return 0
        if turns > 0 and self.latest_us is not None:
            self.latest_us += turns * WRAP
        return max(turns, 0)


class Count:
    """The rig's 32-bit count, unwrapped. Correct while it moves by less than 2**31 at once."""

    def __init__(self) -> None:
        self._latest: int | None = None

    def unwrap(self, c32: int, *, keep: bool = True) -> int:
        """The unwrapped count for ``c32``; with ``keep`` the next one continues from it."""
        if self._latest is None:
            self._latest = signed_step(c32, 0)
        count = self._latest + signed_step(c32, self._latest & (WRAP - 1))
        if keep:
            self._latest = count
        return count

    @property
    def latest(self) -> int | None:
        """The count from which the next one continues; None before the first."""
        return self._latest

    def unwrap_many(self, c32: Ints) -> Ints:
        """``unwrap`` of many in succession; not for the first of all."""
        assert self._latest is not None
        if not len(c32):
            return c32
        before = np.concatenate(([self._latest], c32[:-1]))
        counts = self._latest + np.cumsum(signed_steps(c32, before))
        self._latest = int(counts[-1])
        return counts

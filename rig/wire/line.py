"""The line format of ``firmware_notes/protocol.md``, version 1: frame, fields, clock and counts.

``KINDS`` is the table of its records: which fields each has, in order, and what each may hold.
``LineReader`` reads a line at a time by it, ``BatchParser`` many side by side.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from rig.base.rounding import many
from rig.wire.records import EDGE, INDEX_INPUT, MOST_CONTACTS, POSITION, WIDTH

PROTOCOL = 1
LONGEST_LINE = 96
"""Bytes of a line, LF included: ``W`` needs 79; the rest is reserved for later versions."""

HEX_DIGITS = b"0123456789ABCDEF"
WRAP = 1 << 32


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


class FieldError(ValueError):
    """A field that the line format does not allow; the text says what is wrong with it."""


@dataclass(frozen=True, slots=True)
class Form:
    """What a field may hold: an unsigned hexadecimal number from ``low`` to ``high``."""

    low: int = 0
    high: int = WRAP - 1
    outside: str = "a number beyond 32 bits"  # what is wrong with another number
    digits: int = LONGEST_LINE  # at most so many

    def read(self, field: bytes) -> Any:
        """The value of a field. Raises FieldError."""
        if not field or field.translate(None, HEX_DIGITS):
            raise FieldError("a field that is not an upper-case hexadecimal number")
        if self.low <= (value := int(field, 16)) <= self.high and len(field) <= self.digits:
            return value
        raise FieldError(self.outside)


class _Beside(Form):
    """An encoder edge beside an event: its step times one more than its distance in us; 0: none."""

    def read(self, field: bytes) -> int:
        if field == b".":
            return 0
        sign = {43: 1, 45: -1}.get(field[0] if field else 0)
        if sign is None:
            raise FieldError("an encoder edge that is neither . nor + or - and a distance")
        return sign * (int(NUMBER.read(field[1:])) + 1)


LONGEST_NAME = 24
_NAME_SIGNS = frozenset(b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789._+-")


class _Name(Form):
    """The name of a rig."""

    def read(self, field: bytes) -> str:
        if not 1 <= len(field) <= LONGEST_NAME or not _NAME_SIGNS.issuperset(field):
            raise FieldError(f"a name that is not 1 to {LONGEST_NAME} of A-Z a-z 0-9 . _ + -")
        return field.decode("ascii")


NUMBER = Form()
RUNNING = Form(0, 0xFFFF, "a running number beyond 16 bits")
TIME = Form(0, WRAP - 1, "a time beyond 32 bits")
LEVEL = Form(0, 1, "a level that is neither 0 nor 1", digits=1)
_CONTACT = Form(1, MOST_CONTACTS, f"a contact input outside 1 to {MOST_CONTACTS}")
_INPUT = Form(INDEX_INPUT, MOST_CONTACTS, f"an input outside {INDEX_INPUT} to {MOST_CONTACTS}")
_CONTACTS = Form(0, MOST_CONTACTS, f"more than {MOST_CONTACTS} contact inputs")
BESIDE = _Beside()
_NAME = _Name()
_FORMS = {"t": TIME, "first": TIME, "last": TIME, "level": LEVEL, "contacts": _CONTACTS,
          "before": BESIDE, "after": BESIDE, "name": _NAME}  # fmt: skip


class LineKind:
    """A kind of record. ``names`` of its fields are those of the notes; ``forms`` in their order.

    The last ``spare`` fields may be left out together.
    """

    def __init__(self, names: str, spare: int = 0, **forms: Form) -> None:
        self.names = names.split()
        self.forms = [forms.get(name) or _FORMS.get(name, NUMBER) for name in self.names]
        self.lengths = (len(self.forms) - spare, len(self.forms))
        self._beside = BESIDE in self.forms

    def at(self, name: str) -> int:
        """Which part of a line a field is (the first of its name): kind and number are 0 and 1."""
        return 2 + self.names.index(name)

    def values(self, fields: Sequence[bytes]) -> list[Any]:
        """Values of the fields of a line. Raises FieldError for the first that is not allowed."""
        if len(fields) not in self.lengths:
            needed = " or ".join(map(str, sorted(set(self.lengths))))
            raise FieldError(f"{many(len(fields), 'field')} where {needed} are needed")
        values = [form.read(field) for form, field in zip(self.forms, fields, strict=False)]
        if self._beside:
            older, newer, first, second = values[-4:]
            if (older and not newer) or (second and not first):
                raise FieldError("a far encoder edge is given without the near one")
        return values


KINDS = {
    "P": LineKind("t count back ahead levels held illegal edges", spare=2),
    "C": LineKind("input level t count before before after after", input=_CONTACT),
    "Z": LineKind("level t count before before after after"),
    "W": LineKind("t count d0 d1 d2 d3 breaks"),
    "F": LineKind("level t"),
    "X": LineKind("input edges first last low high", input=_INPUT),
    "H": LineKind("t uptime illegal edges lines supply"),
    "I": LineKind("protocol counts contacts name"),
    "R": LineKind("cause"),
}
FOREIGN_IDENTITY = LineKind("protocol counts contacts name", contacts=NUMBER)
"""``I`` of another version of the format: its number of contacts means nothing here."""


Ints = NDArray[np.int64]


def position_rows(
    t_us: Ints, count: Ints, back: Ints, ahead: Ints, levels: Ints, held: Ints, *totals: Ints
) -> NDArray[np.void]:
    """Rows of dtype ``POSITION`` from unwrapped times and counts and the other fields, each (n,).
    ``totals``: illegal transitions and lost edges."""
    rows = np.empty(len(t_us), POSITION)
    rows["t_us"], rows["count"], rows["levels"] = t_us, count, levels
    rows["low"], rows["high"], rows["done_us"] = count - back, count + ahead, t_us - held
    rows["illegal"], rows["lost_edges"] = totals
    return rows


def edge_rows(which: Ints, level: Ints, t_us: Ints, count: Ints, *beside: Ints) -> NDArray[np.void]:
    """Rows of dtype ``EDGE`` from inputs, levels, unwrapped times and counts, each (n,), and the
    four encoder edges ``beside`` each, in order of time, as ``BESIDE`` reads them."""
    rows = np.empty(len(t_us), EDGE)
    rows["input"], rows["level"], rows["t_us"], rows["count"] = which, level, t_us, count
    near = np.stack(beside, axis=1)
    step = np.sign(near)
    distance = (np.abs(near) - 1) * np.array([-1, -1, 1, 1])
    rows["around_step"] = step
    rows["around_t_us"] = np.where(step != 0, t_us[:, None] + distance, np.nan)
    # A step up crosses the boundary of the count that it reaches, a step down that of the count
    # that it leaves.
    older, newer, first, second = step.T
    before, after = count - newer, count + first
    crossed = [(before, before - older), (count, before), (count, after), (after, after + second)]
    at = np.stack([np.maximum(*counts) for counts in crossed], axis=1)
    rows["around_at"] = np.where(step != 0, at, 0)
    return rows


def width_rows(t_us: Ints, count: Ints, *totals: Ints) -> NDArray[np.void]:
    """Rows of dtype ``WIDTH`` from unwrapped times, counts, and totals d0 to d3 and breaks."""
    rows = np.empty(len(t_us), WIDTH)
    rows["t_us"], rows["count"], rows["breaks"] = t_us, count, totals[4]
    rows["dwell_us"] = np.stack(totals[:4], axis=1)
    return rows


HALF = 1 << 31
LATEST_US = 2_000_000
"""An edge waits at most 250 ms for its neighbours; two seconds leave room for a full line."""


Whole = TypeVar("Whole", int, Ints)


def signed_step(now: Whole, before: Whole | int) -> Whole:
    """The step from ``before`` to ``now``, both modulo 2**32, the shorter way round; also of each
    of an array.

    Correct while the true step is below 2**31 (for a microsecond clock: 2147.48 s).
    """
    return ((now - before + HALF) & (WRAP - 1)) - HALF


class Clock:
    """The rig's 32-bit microseconds, unwrapped.

    A record may be older than the latest one by ``LATEST_US``, a position not older than the one
    before it. A larger step back cannot come from a running rig: ``unwrap`` returns None, and the
    caller concludes a restart. Assumption: silence is shorter than 2**31 us, or a health record
    gives the time since start.
    """

    def __init__(self, offset_us: int = 0) -> None:
        self.latest_us: int | None = None
        self.position_us: int | None = None  # of the latest position
        self._offset_us = offset_us
        self._uptime_known = False

    def unwrap(self, t32: int, *, position: bool = False, later: bool = False) -> int | None:
        """Unwrapped time for the 32-bit ``t32``; None when it ran backwards, or is to be ``later``
        than all before and is not."""
        if self.latest_us is None:
            self.latest_us = t32 + self._offset_us
            later = False
        step = signed_step(t32, (self.latest_us - self._offset_us) & (WRAP - 1))
        t_us = self.latest_us + step
        if step < -LATEST_US or (later and step <= 0):
            return None
        if position and self.position_us is not None and t_us < self.position_us:
            return None
        self.latest_us = max(t_us, self.latest_us)
        if position:
            self.position_us = t_us
        return t_us

    def unwrap_many(
        self, t32: Ints, timed: NDArray[np.bool_], position: NDArray[np.bool_]
    ) -> tuple[Ints, Ints, int]:
        """``unwrap`` of many in succession, ``latest_us`` after each, and how many are valid.

        Lines that are not ``timed`` have no time. Does not update ``latest_us``, which must be
        known, nor ``position_us``: the caller may not use all of them.
        """
        assert self.latest_us is not None
        step = signed_step(t32, self.latest_us - self._offset_us)
        step[~timed] = 0
        most = np.maximum.accumulate(np.maximum(step, 0))
        onward = step.copy()
        onward[1:] -= most[:-1]
        wrong = timed & ((onward < -LATEST_US) | (onward >= HALF))
        least = -HALF if self.position_us is None else self.position_us - self.latest_us
        before = np.concatenate(([least], np.where(position, step, -HALF)[:-1]))
        wrong |= position & (step < np.maximum.accumulate(before))
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
        counts = self._latest + np.cumsum(signed_step(c32, before))
        self._latest = int(counts[-1])
        return counts


@dataclass(slots=True)
class Carried:
    """What is carried from one line to the next."""

    clock: Clock = field(default_factory=Clock)
    count: Count = field(default_factory=Count)
    dwell: list[Count] = field(default_factory=lambda: [Count() for _ in range(4)])
    breaks: Count = field(default_factory=Count)

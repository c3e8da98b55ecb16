"""The fields of a line: numbers, names, and the encoder edges beside an event."""

from __future__ import annotations

import math

from rig.counted import many
from rig.wire.line import HEX_DIGITS

LONGEST_NAME = 24
_NAME = frozenset(b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789._+-")


class FieldError(ValueError):
    """A field that the line format does not allow; the text says what is wrong with it."""


def number(field: bytes, bits: int = 32) -> int:
    """The unsigned hexadecimal ``field``. Raises FieldError when it is none or too large."""
    if not field or field.translate(None, HEX_DIGITS):
        raise FieldError("a field that is not an upper-case hexadecimal number")
    value = int(field, 16)
    if value >> bits:
        raise FieldError(f"a number beyond {bits} bits")
    return value


def name_text(field: bytes) -> str:
    """The name of a rig. Raises FieldError when a character is not allowed."""
    if not 1 <= len(field) <= LONGEST_NAME or not _NAME.issuperset(field):
        raise FieldError(f"a name that is not 1 to {LONGEST_NAME} of A-Z a-z 0-9 . _ + -")
    return field.decode("ascii")


Around = tuple[tuple[float, ...], tuple[int, ...], tuple[int, ...]]


def around(near: list[bytes], t_us: int, count: int) -> Around:
    """Times, boundaries and steps of the two encoder edges before and the two after an event.

    ``near`` holds the four fields in order of time. At the event the count is ``count``; from it
    the boundary of each neighbour follows: going up, a step crosses the boundary with the number
    of the count that it reaches; going down, the number of the count that it leaves.
    Raises FieldError when there are not four, or when a farther one is told without the nearer.
    """
    if len(near) != 4:
        raise FieldError(f"{many(len(near), 'encoder edge')} beside an event; 4 fields are needed")
    older, newer, first, second = (_neighbour(field) for field in near)
    if (older and not newer) or (second and not first):
        raise FieldError("a far encoder edge is told, the near one is not")
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
    told = [*reversed(before + [missing] * (2 - len(before)))]
    told += after + [missing] * (2 - len(after))
    times, boundaries, steps = zip(*told, strict=True)
    return times, boundaries, steps


def _neighbour(field: bytes) -> tuple[int, int] | None:
    if field == b".":
        return None
    sign = {43: 1, 45: -1}.get(field[0] if field else 0)
    if sign is None:
        raise FieldError("an encoder edge that is neither . nor + or - and a distance")
    return sign, number(field[1:])

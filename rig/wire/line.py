"""One line of the format in ``firmware_notes/protocol.md``: put together, taken apart.

Knows the frame (kind, running number, fields, CRC-32) and nothing of what the fields mean.
"""

from __future__ import annotations

import zlib

from rig.counted import many

PROTOCOL = 1
LONGEST_LINE = 96
"""Bytes of a line, LF included: ``W`` needs 79; the rest is room for a later version."""

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
    """Parts of a line (kind, number, fields) without CRC, or None when the CRC does not hold.

    ``line`` is given without its LF; one CR at its end is passed over.
    """
    if line.endswith(b"\r"):
        line = line[:-1]
    body, _, crc = line.rpartition(b" ")
    if len(crc) != 8 or crc.translate(None, HEX_DIGITS) or int(crc, 16) != zlib.crc32(body):
        return None
    return body.split(b" ")

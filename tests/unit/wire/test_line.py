"""The frame of a line, against published check values and a CRC library."""

import re
import zlib
from pathlib import Path

import pytest
from crccheck.crc import Crc32, Crc32Bzip2, Crc32Mpeg2
from hypothesis import given
from hypothesis import strategies as st

from rig.wire.line import LONGEST_LINE, decode, encode, hexadecimal

NOTES = Path(__file__).parents[3] / "firmware_notes" / "protocol.md"

PUBLISHED = [
    # CRC RevEng, catalogue of parametrised CRC algorithms (parameters from memory); the check
    # value CBF43926 of CRC-32/ISO-HDLC stands in ITU-T V.42 material and many public sources.
    (b"123456789", 0xCBF43926),
    (b"", 0x00000000),
    (b"The quick brown fox jumps over the lazy dog", 0x414FA339),
    (b"a", 0xE8B7BE43),
    (b"\0\0\0\0", 0x2144DF1C),
    (b"\xff\xff\xff\xff", 0xFFFFFFFF),
]


@pytest.mark.parametrize(("message", "crc"), PUBLISHED)
def test_the_checksum_of_a_line_is_crc_32_iso_hdlc(message: bytes, crc: int) -> None:
    assert zlib.crc32(message) == crc
    assert Crc32.calc(message) == crc


def test_the_residue_of_a_message_with_its_own_crc_is_fixed() -> None:
    message = b"any message"
    assert zlib.crc32(message + zlib.crc32(message).to_bytes(4, "little")) == 0x2144DF1C


@given(st.binary(max_size=60))
def test_against_a_crc_library(message: bytes) -> None:
    assert zlib.crc32(message) == Crc32.calc(message)


@pytest.mark.parametrize(("wrong", "check"), [(Crc32Bzip2, 0xFC891918), (Crc32Mpeg2, 0x0376E6E7)])
def test_unreflected_checksums_are_refused(wrong: type[Crc32], check: int) -> None:
    assert wrong.calc(b"123456789") == check
    body = b"P 1 0 0 0 0 0 0"
    assert decode(b"%b %08X" % (body, wrong.calc(body))) is None
    assert decode(b"%b %08X" % (body, Crc32.calc(body))) is not None


def test_the_worked_example_of_the_notes_holds() -> None:
    example = re.search(r"^    (C 2F .*)$", NOTES.read_text("utf-8"), re.M)
    assert example is not None
    line = example[1].encode("ascii")
    body, _, crc = line.rpartition(b" ")
    assert int(crc, 16) == Crc32.calc(body)
    assert decode(line) == body.split(b" ")
    assert encode("C", 0x2F, "1", "1", "124F80", "1A2", "+BB8", "+1F4", "+7D0", ".") == line + b"\n"


def test_the_notes_and_the_code_agree_on_the_longest_line() -> None:
    stated = re.search(r"at most \*\*(\d+)\*\* bytes", NOTES.read_text("utf-8"))
    assert stated is not None
    assert int(stated[1]) == LONGEST_LINE
    with pytest.raises(ValueError, match="at most 96"):
        encode("I", 0, "A" * 96)


@given(st.integers(0, 0xFFFF), st.lists(st.integers(0, 2**32 - 1), max_size=6))
def test_what_is_put_together_comes_apart(number: int, values: list[int]) -> None:
    line = encode("P", number, *(hexadecimal(value) for value in values))
    parts = decode(line[:-1])
    assert parts is not None
    assert [int(part, 16) for part in parts[1:]] == [number, *values]


@given(st.integers(0, 40), st.integers(0, 7))
def test_one_flipped_bit_is_found(place: int, bit: int) -> None:
    line = bytearray(encode("P", 7, "1234", "5678", "0", "1", "F", "0")[:-1])
    line[place % len(line)] ^= 1 << bit
    assert decode(bytes(line)) is None


def test_a_carriage_return_belongs_to_neither_body_nor_checksum() -> None:
    line = encode("P", 7, "1234")[:-1]
    assert decode(line + b"\r") == decode(line)

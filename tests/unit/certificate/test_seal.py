"""The bytes of a record's file, and what its digests show."""

from __future__ import annotations

import hashlib
import json

import pytest
from fabricated_record import record
from hypothesis import given
from hypothesis import strategies as st

from rig.base.errors import InputError
from rig.certificate import seal

RECORD = record(cylinders=1, units=("rear",), n=3)
PAGE = b"<!DOCTYPE html>"
FILE = seal.file_bytes(RECORD, PAGE)


def test_the_file_is_plain_json() -> None:
    read = json.loads(FILE)
    assert list(read) == [*RECORD, "seals"]
    assert {name: read[name] for name in RECORD} == RECORD
    assert (json.dumps(read, indent=1) + "\n").encode("ascii") == FILE


def test_the_digest_is_that_of_all_lines_but_the_last_five() -> None:
    lines = FILE.splitlines(keepends=True)
    seals = json.loads(FILE)["seals"]
    assert seals["record_sha256"] == hashlib.sha256(b"".join(lines[:-5])).hexdigest()
    assert seals["record_sha256"] == seal.fingerprint(RECORD)
    assert seals["page_sha256"] == hashlib.sha256(PAGE).hexdigest()


def test_the_digest_of_a_sealed_record_is_that_of_the_unsealed_one() -> None:
    assert seal.fingerprint(seal.parse(FILE, "it")) == seal.fingerprint(RECORD)


def test_a_whole_file_holds() -> None:
    assert seal.look_at(FILE).holds


@given(st.integers(0, len(FILE) - 1), st.integers(1, 255))
def test_any_changed_byte_is_found(place: int, change: int) -> None:
    data = bytearray(FILE)
    data[place] ^= change
    looked = seal.look_at(bytes(data))
    # Within the digest of the page a changed digit is still a digest: the page then differs.
    assert not looked.holds or looked.page != hashlib.sha256(PAGE).hexdigest()


@given(st.integers(0, len(FILE) - 1))
def test_any_lost_end_is_found(length: int) -> None:
    assert not seal.look_at(FILE[:length]).holds


@given(st.integers(0, len(FILE)), st.binary(min_size=1, max_size=9))
def test_any_added_bytes_are_found(place: int, added: bytes) -> None:
    assert not seal.look_at(FILE[:place] + added + FILE[place:]).holds


def test_other_line_ends_are_found() -> None:
    assert not seal.look_at(FILE.replace(b"\n", b"\r\n")).holds


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", r"a\.json: line 1 is not JSON"),
        (b"{", r"a\.json: line 1 is not JSON"),
        (FILE[:2000], r"a\.json: line \d+ is not JSON"),
        (FILE.replace(b"rear", b"r\xe9r"), r"byte \d+ is not plain ASCII"),
        (b"[" * 100_000, "nested too deep"),
        (b'{"format": ' + b"9" * 5000 + b"}", "JSON cannot hold"),
        (b"[]", "JSON, but not a timing certificate"),
        (b'{"format": "something"}', "JSON, but not a timing certificate"),
        (FILE.replace(b'"version": 2,', b'"version": 3,', 1), "certificate version 3,"),
        (FILE.replace(b'"version": 2,', b'"version": true,', 1), "certificate version True"),
    ],
)  # fmt: skip
def test_what_is_no_certificate_is_said(data: bytes, said: str) -> None:
    with pytest.raises(InputError, match=said):
        seal.parse(data, "a.json")

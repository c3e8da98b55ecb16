"""A reference file as somebody may write it: references, or a refusal in printable words."""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from fuzzing import bounded, cases, spoilt, told, trees
from hypothesis import example, given
from hypothesis import strategies as st
from played import PROFILE
from recorded import turning

from rig.base.errors import InputError
from rig.base.uncertainty import Contribution, Source, combine
from rig.session.session import Session
from rig.tdc.reference import Method, TdcReference, moved, set_by_hand
from rig.tdc.reference_file import BadReferenceError, load_references, save_reference, to_plain
from rig.wire.reader import LineReader

STOP = TdcReference(
    tdc_deg=161.9238,
    uncertainty=combine(
        [
            Contribution(Source.REPEATABILITY, 0.0165, 4.0, "A", "of the touches"),
            Contribution(Source.OFFSET, 0.021, float("inf"), "B", "0.5 mm either way"),
        ]
    ),
    method=Method.STOP,
    how="touched from both sides",
    made_utc="2026-05-14T09:12:44Z",
    capture="20260514-090203.capture",
    forward_deg=(124.312, 124.388, 124.344),
    backward_deg=(199.512, 199.467, 199.529),
)
PLAIN = {
    "schema": "timing-rig reference",
    "version": 1,
    "current": to_plain(STOP),
    "earlier": [to_plain(set_by_hand(60.0, how="by hand", half_width_deg=0.1))] * 2,
}
TEXT = json.dumps(PLAIN, indent=1).encode()


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("job") / "reference.json"


def test_the_plain_file_is_a_good_one(path: Path) -> None:
    path.write_bytes(TEXT)
    assert load_references(path)[0] == STOP


def read(data: bytes, path: Path) -> None:
    """References that figures can be made with; what is no reference is kept when one is saved."""
    path.write_bytes(data)
    with bounded(data):
        try:
            found = load_references(path)
        except BadReferenceError as error:
            told(error)
            kept = save_reference(path, STOP)
            assert kept is not None
            assert kept.read_bytes() == data
            kept.unlink()
            return
    for reference in found:
        assert 0.0 <= reference.tdc_deg < 360.0
        with suppress(InputError):  # found at another cylinder
            moved(reference, STOP), moved(STOP, reference)
    session, reader = Session(PROFILE, found[0]), LineReader()
    for batch in [*reader.feed(turning()[0]), *reader.finish()]:
        session.take(batch)
    session.finish()
    session.assessments(), session.comparisons()
    try:
        save_reference(path, STOP)
    except InputError as error:
        told(error)
    else:
        assert load_references(path)[1:] == found


@cases(60)
@given(tree=spoilt(PLAIN))
def test_references_with_wrong_values(path: Path, tree: Any) -> None:
    read(json.dumps(tree).encode("ascii"), path)


@cases(30)
@given(tree=trees)
def test_any_json(path: Path, tree: Any) -> None:
    read(json.dumps(tree).encode("ascii"), path)
    read(json.dumps(PLAIN | {"current": tree}).encode("ascii"), path)


@cases(50)
@given(data=st.binary(max_size=60), at=st.integers(0, len(TEXT)), away=st.integers(0, 900))
@example(data=b"[" * 200_000, at=0, away=5000)
@example(data=b"[" * 900 + b"]" * 900, at=0, away=5000)
@example(data=b"9" * 100_000, at=0, away=5000)
@example(data=b"\xff\xfe{", at=0, away=0)
def test_any_bytes_in_it(path: Path, data: bytes, at: int, away: int) -> None:
    read(TEXT[:at] + data + TEXT[at + away :], path)


def guided(home: Path) -> tuple[st.SearchStrategy[bytes], Callable[[bytes], None]]:
    """For the long run by hand."""
    files = spoilt(PLAIN).map(lambda tree: json.dumps(tree).encode("ascii"))
    return files, lambda data: read(data, home / "reference.json")

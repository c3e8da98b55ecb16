"""A certificate that somebody wrote, seals and all: every command answers or says what is wrong."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from fuzzed_certificate import job, read, sealed, written
from fuzzing import cases, spoilt, trees
from hypothesis import example, given
from hypothesis import strategies as st


@cases(20)
@given(data=st.data())
def test_records_with_wrong_values(data: st.DataObject) -> None:
    read(data.draw(spoilt(job()[1])))


@cases(8)
@given(tree=trees)
def test_any_json(tree: Any) -> None:
    record = job()[1]
    read(tree)
    read(record | {"judgements": tree})
    read(record | {"stated": record["stated"] | {"units": tree}})


@cases(10)
@given(data=st.binary(max_size=60), at=st.floats(0, 1), away=st.integers(0, 900))
@example(data=b"[" * 200_000, at=0.0, away=10**7)
@example(data=b"9" * 100_000, at=0.5, away=0)
@example(data=b"\xff\xfe{", at=0.0, away=0)
def test_any_bytes_in_it(data: bytes, at: float, away: int) -> None:
    whole = sealed(job()[1])
    place = int(at * len(whole))
    written(whole[:place] + data + whole[place + away :], "")


def guided(_: Path) -> tuple[st.SearchStrategy[Any], Callable[[Any], None]]:
    """For the long run by hand."""
    return spoilt(job()[1]), read

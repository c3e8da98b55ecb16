"""Whatever stands in a record: an answer or one clear sentence, never anything else."""

from __future__ import annotations

import copy
import json
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from fabricated_record import CAPTURE, ENGINE_FILE, capture_facts, record
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from page_reader import PageReader

from rig.faults import InputError
from rig.record import certificate, page, seal
from rig.record.history import csv_text, history
from rig.record.verify import verify

MADE = record(cylinders=2, phases=("as found", "as left"), n=3)


def places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    if isinstance(value, dict):
        return [path] + [p for name, each in value.items() for p in places(each, (*path, name))]
    if isinstance(value, list):
        return [path] + [p for i, each in enumerate(value) for p in places(each, (*path, i))]
    return [path]


PLACES = [each for each in places(MADE) if each]

numbers = st.sampled_from([0.0, -0.0, 1e308, -1e308, 5e-324, 1e16, 180.0, -180.0, 0.1]) | st.floats(
    allow_nan=False, allow_infinity=False
)
leaves = (
    st.none()
    | st.booleans()
    | st.integers(-(10**30), 10**30)
    | numbers
    | st.sampled_from(["inf", "-inf", "nan", "", "\x00", "<b>", "\ud800", "../x", "as left"])
    | st.text(max_size=20)
)
values = st.recursive(
    leaves,
    lambda each: (
        st.lists(each, max_size=4) | st.dictionaries(st.text(max_size=5), each, max_size=3)
    ),
    max_leaves=6,
)


def altered(path: tuple[Any, ...], value: Any) -> dict[str, Any]:
    made = copy.deepcopy(MADE)
    place = made
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    return made


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    job = tmp_path_factory.mktemp("job")
    (job / "captures").mkdir()
    (job / "captures" / capture_facts().file).write_bytes(CAPTURE)
    (job / "engine.toml").write_bytes(ENGINE_FILE)
    (job / "certificates" / "a").mkdir(parents=True)
    return job


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=150)
@given(st.sampled_from(PLACES), values)
def test_any_value_in_any_place(folder: Path, path: tuple[Any, ...], value: Any) -> None:
    made = altered(path, value)
    file = folder / "certificates" / "a" / "a.json"
    file.write_bytes(seal.file_bytes(made, b""))
    for check in verify(file, lambda _job, _record: MADE):
        check.words.encode("utf-8")
    with suppress(InputError):
        csv_text(history([file]))
    with suppress(InputError):
        assert PageReader(page.render(certificate.load(file))).faults == []


@settings(max_examples=150)
@given(st.binary(max_size=200), st.integers(0, 2000), st.integers(0, 200))
def test_any_bytes_in_any_place(data: bytes, start: int, length: int) -> None:
    whole = seal.file_bytes(MADE, b"")
    spoilt = whole[:start] + data + whole[start + length :]
    if spoilt == whole:
        return
    assert not seal.look_at(spoilt).holds
    with suppress(InputError):
        certificate.as_certificate(seal.parse(spoilt, "a.json"))


@given(values)
def test_any_json_is_answered(value: Any) -> None:
    with pytest.raises(InputError, match=r"a\.json"):
        seal.parse(json.dumps(value).encode("ascii"), "a.json")

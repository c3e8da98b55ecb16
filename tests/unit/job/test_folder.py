"""Small plain files of a job: written whole or not at all, read with every step looked at."""

from __future__ import annotations

import errno
import json
import os
from pathlib import Path

import pytest

from rig.base.errors import InputError
from rig.job import folder


def test_what_is_written_is_read_again(tmp_path: Path) -> None:
    path = folder.free_path(tmp_path / "new", "one")
    folder.write(path, {"kind": "thing", "text": "grün", "none": float("nan"), "list": (1, 2)})
    assert folder.read(path, "thing") == {
        "kind": "thing", "text": "grün", "none": None, "list": [1, 2],
    }  # fmt: skip
    assert [each.name for each in path.parent.iterdir()] == ["one.json"]
    assert json.loads(path.read_text("utf-8"))["text"] == "grün"


def test_a_name_that_is_taken_is_not_written_over(tmp_path: Path) -> None:
    path = tmp_path / "one.json"
    folder.write(path, {"kind": "thing", "n": 1})
    assert folder.free_path(tmp_path, "one").name == "one-2.json"
    with pytest.raises(InputError, match="not overwritten"):
        folder.write(path, {"kind": "thing", "n": 2})
    assert folder.read(path, "thing")["n"] == 1
    folder.write(path, {"kind": "thing", "n": 3}, replace=True)
    assert folder.read(path, "thing")["n"] == 3
    assert [each.name for each in tmp_path.iterdir()] == ["one.json"]


def test_a_name_that_is_taken_at_the_last_moment_is_left_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "one.json"
    real = os.fsync

    def slower(handle: int) -> None:
        path.write_text("theirs")
        real(handle)

    monkeypatch.setattr("os.fsync", slower)
    with pytest.raises(InputError, match="not overwritten"):
        folder.write(path, {"kind": "thing"})
    assert [each.name for each in tmp_path.iterdir()] == ["one.json"]
    assert path.read_text() == "theirs"


def test_a_disk_without_links(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def no_links(*_: object) -> None:
        raise PermissionError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr("os.link", no_links)
    path = tmp_path / "one.json"
    folder.write(path, {"kind": "thing", "n": 1})
    with pytest.raises(InputError, match="not overwritten"):
        folder.write(path, {"kind": "thing", "n": 2})
    assert folder.read(path, "thing")["n"] == 1


def test_a_folder_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", "utf-8")
    with pytest.raises(InputError, match="cannot be saved"):
        folder.write(tmp_path / "file" / "one.json", {"kind": "thing"})


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"{", "line 1 is not JSON"),
        (b"\xff\xfe", "not UTF-8"),
        (b"[]", "this is not a thing"),
        (b'{"kind": "other"}', "this is not a thing"),
        (b"[" * 100_000, "thing"),
        (b" " * (folder.MOST_BYTES + 1), "bytes"),
    ],
)
def test_what_is_no_sheet(tmp_path: Path, data: bytes, said: str) -> None:
    path = tmp_path / "one.json"
    path.write_bytes(data)
    with pytest.raises(InputError, match=said):
        folder.read(path, "thing")


def test_a_missing_sheet(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        folder.read(tmp_path / "none.json", "thing")

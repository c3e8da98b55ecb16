"""A folder of files that comes whole or not at all: full disks, closed folders, sudden ends."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from fabricated_record import record

from rig.base import files
from rig.base.errors import InputError
from rig.certificate import record as certificate
from rig.certificate import seal

FILES = {"a.json": b"{}\n" * 400, "a.html": b"<p>" * 400}


def test_the_folder_holds_the_files(tmp_path: Path) -> None:
    made = files.place(tmp_path / "new" / "place", "a", FILES)
    assert {each.name: each.read_bytes() for each in made.iterdir()} == FILES
    assert [each.name for each in made.parent.iterdir()] == ["a"]


@pytest.mark.parametrize("kind", ["folder", "empty folder", "file", "dangling link"])
def test_a_taken_name_is_left_alone(tmp_path: Path, kind: str) -> None:
    target = tmp_path / "a"
    if kind == "file":
        target.write_text("mine")
    elif kind == "dangling link":
        target.symlink_to(tmp_path / "nowhere")
    else:
        target.mkdir()
    if kind == "folder":
        (target / "mine").write_text("mine")
    before = sorted(each.name for each in tmp_path.rglob("*"))
    with pytest.raises(files.TakenError):
        files.place(tmp_path, "a", FILES)
    assert sorted(each.name for each in tmp_path.rglob("*")) == before


def test_a_name_taken_at_the_last_moment_is_left_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rename = Path.rename

    def slower(self: Path, target: Path) -> Path:
        (tmp_path / "a").mkdir()
        (tmp_path / "a" / "theirs").write_text("theirs")
        return rename(self, target)

    monkeypatch.setattr(Path, "rename", slower)
    with pytest.raises(files.TakenError):
        files.place(tmp_path, "a", FILES)
    assert [each.name for each in tmp_path.rglob("*")] == ["a", "theirs"]


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EACCES, errno.EROFS, errno.EIO])
@pytest.mark.parametrize("nth", range(8))
def test_a_failure_at_any_step_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int, nth: int
) -> None:
    """The n-th call to the disk fails: make folder, open, sync, rename."""
    calls = 0

    def failing(real: Callable[..., Any]) -> Callable[..., Any]:
        def call(*args: Any, **more: Any) -> Any:
            nonlocal calls
            calls += 1
            if calls == nth + 1:
                raise OSError(code, os.strerror(code))
            return real(*args, **more)

        return call

    monkeypatch.setattr(os, "fsync", failing(os.fsync))
    monkeypatch.setattr(Path, "mkdir", failing(Path.mkdir))
    monkeypatch.setattr(Path, "open", failing(Path.open))
    monkeypatch.setattr(Path, "rename", failing(Path.rename))
    with pytest.raises(InputError, match=r"cannot be saved: .*\. Nothing was written"):
        files.place(tmp_path / "certificates", "a", FILES)
    assert [each.name for each in tmp_path.rglob("*") if each.name != "certificates"] == []


def test_a_disk_that_does_not_confirm_is_reported(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real, calls = os.fsync, 0

    def failing_at_last(handle: int) -> None:
        nonlocal calls
        calls += 1
        if calls == 4:
            raise OSError(errno.EIO, "input/output error")
        real(handle)

    monkeypatch.setattr(os, "fsync", failing_at_last)
    with pytest.raises(InputError, match="is saved, but the disk does not confirm it"):
        files.place(tmp_path, "a", FILES)
    assert {each.name: each.read_bytes() for each in (tmp_path / "a").iterdir()} == FILES


def test_steps_counted_above_are_all_there_are(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two folders made, two files opened and synced, the folder synced, the name given."""
    calls: list[str] = []

    def counted(name: str, real: Callable[..., Any]) -> Callable[..., Any]:
        def call(*args: Any, **more: Any) -> Any:
            calls.append(name)
            return real(*args, **more)

        return call

    monkeypatch.setattr(os, "fsync", counted("sync", os.fsync))
    for each in ("mkdir", "open", "rename"):
        monkeypatch.setattr(Path, each, counted(each, getattr(Path, each)))
    files.place(tmp_path / "certificates", "a", FILES)
    up_to_the_name = calls[: calls.index("rename") + 1]
    assert up_to_the_name == [
        *("mkdir", "mkdir", "open", "sync", "open", "sync", "sync", "rename")
    ]  # fmt: skip


@pytest.mark.skipif(sys.platform == "win32", reason="limits on file size are of POSIX systems")
@pytest.mark.parametrize(
    "files",
    [
        "{'a.json': b'x' * 200_000}",
        "{'a.json': b'x', 'a.html': b'x' * 50_001}",
        "{'a.json': b'x' * 50_000, 'a.html': b'x' * 50_000, 'more': b'x' * 90_000}",
    ],
)
def test_the_system_refusing_to_write_more(tmp_path: Path, files: str) -> None:
    """A real refusal by the system in mid-file: a limit on the size of files."""
    code = (
        "import resource, sys; from pathlib import Path\n"
        "from rig.base.errors import InputError\nfrom rig.base import files as store\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (50_000, 50_000))\n"
        f"try: store.place(Path(sys.argv[1]), 'a', {files})\n"
        "except InputError as error: print(error)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path)], capture_output=True, text=True, check=True
    )
    assert "cannot be saved" in done.stdout
    assert list(tmp_path.iterdir()) == []


def test_what_a_sudden_end_left_is_cleared_in_time(tmp_path: Path) -> None:
    """Not that of a program which is at it just now; and nothing that is not ours."""
    for name, hours in (("old", 2), ("young", 0)):
        making = tmp_path / f".making-{name}"
        making.mkdir()
        (making / "a.json").write_text("half")
        os.utime(making, (time.time() - 3600 * hours,) * 2)
    deep = tmp_path / ".making-deep" / "mine"
    deep.mkdir(parents=True)
    os.utime(deep.parent, (0, 0))
    files.place(tmp_path, "a", FILES)
    left = {each.name for each in tmp_path.iterdir()}
    assert left == {"a", ".making-young", ".making-deep"}


def test_a_file_where_the_folder_should_be(tmp_path: Path) -> None:
    (tmp_path / "certificates").write_text("mine")
    with pytest.raises(InputError, match="certificates"):
        files.place(tmp_path / "certificates", "a", FILES)
    assert (tmp_path / "certificates").read_text() == "mine"


SAVING = (
    "import json, sys\nfrom pathlib import Path\n"
    "from rig.certificate import record as certificate\n"
    "record = json.loads(Path(sys.argv[1]).read_text())\n"
    "print('ready', flush=True)\n"
    "while True: certificate.save(Path(sys.argv[2]), record)\n"
)


@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL is of POSIX systems")
@pytest.mark.parametrize("trial", range(3))
def test_killed_while_saving_no_certificate_is_half(tmp_path: Path, trial: int) -> None:
    (tmp_path / "record.json").write_text(json.dumps(record(cylinders=1, units=("rear",))))
    folder = tmp_path / "certificates"
    arguments = [sys.executable, "-c", SAVING, str(tmp_path / "record.json"), str(folder)]
    with subprocess.Popen(arguments, stdout=subprocess.PIPE) as saving:
        assert saving.stdout is not None
        saving.stdout.readline()
        while not certificate.find(folder):
            time.sleep(0.01)
        time.sleep(0.03 + 0.041 * trial)
        saving.send_signal(signal.SIGKILL)
    found = certificate.find(folder)
    assert found
    for each in found:
        certificate.load(each)
        page = each.with_suffix(".html").read_bytes()
        assert seal.look_at(each.read_bytes()).page == hashlib.sha256(page).hexdigest()
    certificate.save(folder, record(cylinders=1, units=("rear",)))  # and the work goes on


@pytest.mark.skipif(os.name == "nt", reason="links need a right there")
def test_a_link_with_the_name_of_a_folder_in_the_making_is_not_followed(tmp_path: Path) -> None:
    away, parent = tmp_path / "away", tmp_path / "certificates"
    away.mkdir()
    parent.mkdir()
    (away / "mine").write_bytes(b"kept")
    (parent / ".making-link").symlink_to(away, target_is_directory=True)
    os.utime(away, (0, 0))
    files.place(parent, "one", {"a": b"1"})
    assert (away / "mine").read_bytes() == b"kept"

"""The capture on its way to the disk: full at any byte, not confirmed, taken, growing."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Callable
from pathlib import Path
from typing import BinaryIO, cast

import pytest
from batches import batches_of, flat, position

from rig.base.errors import InputError
from rig.base.files import TakenError
from rig.wire.capture import GROWS_WITHIN_S, CaptureWriter, Fate, begin, is_growing
from rig.wire.records import LineError


class Disk:
    """A file on a disk that has room for so many bytes, and then refuses."""

    def __init__(self, file: BinaryIO, room: int) -> None:
        self.file, self.room, self.number = file, room, errno.ENOSPC
        self.fileno, self.close = file.fileno, file.close

    @property
    def closed(self) -> bool:
        return self.file.closed

    def write(self, data: bytes | bytearray) -> int:
        if not self.room:
            raise OSError(self.number, os.strerror(self.number))
        done = self.file.write(data[: self.room])
        self.room -= done
        return done


def on_a_disk(writer: CaptureWriter, room: int) -> Disk:
    """Have ``writer`` find so much room from now on."""
    disk = Disk(writer._file, room)
    writer._file = cast(BinaryIO, disk)
    return disk


STREAM = b"".join(position(n, 1000 * (n + 1), n) for n in range(12)) + b"dirt \xff\n"


@pytest.mark.parametrize("room", range(0, 1100, 7))
def test_a_disk_that_is_full_at_any_byte_and_has_room_again(tmp_path: Path, room: int) -> None:
    """Positions, a note, bytes that make no line: byte for byte as if nothing had happened."""
    files: list[bytes] = []
    for name, limit in (("whole", None), ("late", room)):
        writer = CaptureWriter(tmp_path / name, {"tool": "0"})
        disk = on_a_disk(writer, 10_000 if limit is None else limit)
        head = (tmp_path / name).read_bytes()
        for part in (STREAM[:300], STREAM[300:]):
            writer.write(part)
            writer.note("remark", {"text": "gap 0.4 mm"})
            writer.sync()
        if limit is not None:
            so_far = (tmp_path / name).read_bytes()
            assert so_far == files[0][: len(so_far)]
            full = len(head) + room < len(files[0]) - len(END)
            assert writer.refusal == ("the disk is full" if full else "")
            disk.room = 10_000
            writer.sync()
            assert writer.refusal == ""
        writer.close()
        files.append((tmp_path / name).read_bytes())
    assert files[0] == files[1]


END = b"# end {} 01234567 01234567\n"


@pytest.mark.parametrize("room", [0, 1, 20, 60, 200, 400])
def test_a_disk_that_stays_full(tmp_path: Path, room: int) -> None:
    """What was written reads up to there; how much is missing is reported."""
    path = tmp_path / "one.cap"
    writer = CaptureWriter(path, {"tool": "0"})
    head = path.stat().st_size
    on_a_disk(writer, room)
    writer.write(STREAM)
    with pytest.raises(InputError, match=r"the last \d+ bytes .*: the disk is full; the rest"):
        writer.close()
    writer.close()
    assert path.stat().st_size == head + room
    batches = batches_of(path)
    assert len(flat(batches)[0]) == min(STREAM[:room].count(b"\n"), 12)
    said = [
        each.detail for batch in batches for each in batch.others if isinstance(each, LineError)
    ]
    assert "the capture was cut off " in said[-1]


def test_a_disk_that_is_full_from_the_beginning(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing was read, so nothing is left."""
    real = open
    monkeypatch.setattr("builtins.open", lambda *args, **_: Disk(real(args[0], "xb"), 20))
    with pytest.raises(
        InputError, match=r"one\.cap: the capture cannot be created: the disk is full"
    ):
        CaptureWriter(tmp_path / "one.cap", {})
    monkeypatch.undo()
    assert list(tmp_path.iterdir()) == []


def test_no_more_waits_than_may(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("rig.wire.capture.MOST_WAITING", 500)
    writer = CaptureWriter(tmp_path / "one.cap", {})
    on_a_disk(writer, 0)
    with pytest.raises(InputError, match="the disk is full, and memory for waiting data is full"):
        writer.write(STREAM * 3)


def test_a_disk_that_does_not_confirm_is_reported_until_it_does(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(handle: int) -> None:
        raise OSError(errno.EIO, "Input/output error")

    writer = CaptureWriter(tmp_path / "one.cap", {})
    monkeypatch.setattr("os.fsync", broken)
    writer.sync()
    writer.write(STREAM)
    assert writer.refusal == "the disk reports a fault"
    monkeypatch.undo()
    writer.sync()
    assert writer.refusal == ""
    monkeypatch.setattr("os.fsync", broken)
    with pytest.raises(InputError, match="the disk does not confirm it: the disk reports a fault"):
        writer.close()


def test_file_and_its_name_reach_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    synced: list[str] = []
    real = os.fsync

    def kept(handle: int) -> None:
        synced.append("folder" if stat.S_ISDIR(os.fstat(handle).st_mode) else "file")
        real(handle)

    monkeypatch.setattr("os.fsync", kept)
    writer = CaptureWriter(tmp_path / "one.cap", {})
    writer.sync()
    writer.sync()
    writer.close()
    folder = [] if os.name == "nt" else ["folder"]
    assert synced == ["file", *folder, "file", "file"]


def test_each_program_gets_a_name_of_its_own(tmp_path: Path) -> None:
    names = [begin(tmp_path, "20260301-090000", {}).path.name for _ in range(3)]
    assert names == [f"20260301-090000{extra}.capture" for extra in ("", "-2", "-3")]


def test_a_capture_that_is_being_taken_is_distinguished_from_one_that_was_cut(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    waited: list[float] = []
    happens: dict[int, Callable[[], object]] = {}

    def pause(seconds: float) -> None:
        waited.append(seconds)
        happens.pop(len(waited), lambda: None)()

    monkeypatch.setattr("rig.wire.capture.pause", pause)
    writer = CaptureWriter(tmp_path / "one.cap", {})
    writer.write(STREAM)
    assert not is_growing(writer.path)  # as after a sudden end
    assert sum(waited) == pytest.approx(GROWS_WITHIN_S)
    waited.clear()
    happens[20] = lambda: writer.note("host", {})  # a second later
    assert is_growing(writer.path)
    assert len(waited) == 20
    writer.close()
    waited.clear()
    happens[2] = lambda: os.utime(writer.path)
    assert not is_growing(writer.path)
    with pytest.raises(InputError, match="no such file"):
        is_growing(tmp_path / "none.cap")


def test_a_capture_is_an_ordinary_file(tmp_path: Path) -> None:
    """Its permissions are those of any file made here."""
    (tmp_path / "other").write_bytes(b"")
    writer = CaptureWriter(tmp_path / "one.cap", {})
    assert writer.path.stat().st_mode == (tmp_path / "other").stat().st_mode
    writer.close()


def played_bytes(path: Path) -> bytes:
    """What the rig sent, as far as it stands in a capture as whole lines."""
    lines = path.read_bytes().splitlines(keepends=True)
    return b"".join(line for line in lines if not line.startswith(b"#"))


@pytest.mark.parametrize("readable", range(0, 900, 13))
@pytest.mark.parametrize("room", [10**9, 100])
def test_begun_again_from_what_can_be_read(tmp_path: Path, readable: int, room: int) -> None:
    """Any part of the old file can be read; nothing, or the last of it, waits in memory besides."""
    writer = CaptureWriter(tmp_path / "one.cap", {"tool": "0"})
    disk = on_a_disk(writer, room)
    writer.write(STREAM[:300])
    writer.note("remark", {"text": "gap 0.4 mm"})
    writer.write(STREAM[300:500])
    old = writer.path.read_bytes()
    writer._file = cast(BinaryIO, HalfRead(disk, readable))
    missing = writer.begin_anew(tmp_path / "two.cap", Fate.NO_ANSWER)
    kept = old[: old.rfind(b"\n", 0, readable) + 1]
    assert missing == (0 if readable >= len(old) else len(old) - len(kept))
    writer.write(STREAM[500:])
    writer.close()
    new = (tmp_path / "two.cap").read_bytes()
    assert new.startswith(kept)
    batches = batches_of(tmp_path / "two.cap")
    said = [each for batch in batches for each in batch.others if isinstance(each, LineError)]
    assert not [each.detail for each in said if each.kind == "capture"]
    if not missing:
        whole = STREAM[: STREAM.rindex(b"\n", 0, len(STREAM) - 1) + 1]
        assert played_bytes(tmp_path / "two.cap") == whole


class HalfRead:
    """A file of which no more than so many bytes can be read any more."""

    closed = False

    def __init__(self, disk: Disk, readable: int) -> None:
        self.file, self.readable = disk.file, readable
        self.fileno, self.seek, self.close = disk.fileno, disk.file.seek, disk.close

    def read(self, size: int) -> bytes:
        left = self.readable - self.file.tell()
        if left <= 0:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return self.file.read(min(size, left))


def test_a_name_that_is_taken_leaves_the_old_file_as_it_is(tmp_path: Path) -> None:
    writer = CaptureWriter(tmp_path / "one.cap", {"tool": "0"})
    (tmp_path / "two.cap").write_bytes(b"somebody else's")
    with pytest.raises(TakenError):
        writer.begin_anew(tmp_path / "two.cap", Fate.REPLACED)
    writer.write(STREAM)
    writer.close()
    assert (tmp_path / "two.cap").read_bytes() == b"somebody else's"
    assert len(flat(batches_of(tmp_path / "one.cap"))[0]) == 12

"""The capture on its way to the disk: full at any byte, not confirmed, taken, growing."""

from __future__ import annotations

import errno
import os
import stat
import threading
from pathlib import Path
from typing import BinaryIO, cast

import pytest
from test_capture import play
from test_reader import flat, position

from rig.faults import InputError
from rig.wire.capture_writer import CaptureWriter, begin, is_growing
from rig.wire.records import Trouble


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
    """What was written reads up to there; how much is missing is said."""
    path = tmp_path / "one.cap"
    writer = CaptureWriter(path, {"tool": "0"})
    head = path.stat().st_size
    on_a_disk(writer, room)
    writer.write(STREAM)
    with pytest.raises(InputError, match=r"the last \d+ bytes .*: the disk is full; what stands"):
        writer.close()
    writer.close()
    assert path.stat().st_size == head + room
    batches = play(path)
    assert len(flat(batches)[0]) == min(STREAM[:room].count(b"\n"), 12)
    said = [each.detail for batch in batches for each in batch.others if isinstance(each, Trouble)]
    assert "the capture was cut off " in said[-1]


def test_a_disk_that_is_full_from_the_beginning(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing was read, so nothing is left."""
    real = open
    monkeypatch.setattr("builtins.open", lambda *args, **_: Disk(real(args[0], "xb"), 20))
    with pytest.raises(
        InputError, match=r"one\.cap: the capture cannot be begun: the disk is full"
    ):
        CaptureWriter(tmp_path / "one.cap", {})
    monkeypatch.undo()
    assert list(tmp_path.iterdir()) == []


def test_no_more_waits_than_may(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("rig.wire.capture_writer.MOST_WAITING", 500)
    writer = CaptureWriter(tmp_path / "one.cap", {})
    on_a_disk(writer, 0)
    with pytest.raises(InputError, match="the disk is full, and no more can wait in memory"):
        writer.write(STREAM * 3)


def test_a_disk_that_does_not_confirm_is_said_until_it_does(
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


def test_a_capture_that_is_being_taken_is_told_from_one_that_was_cut(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rig.wire.capture_writer.GROWS_WITHIN_S", 0.3)
    writer = CaptureWriter(tmp_path / "one.cap", {})
    writer.write(STREAM)
    assert not is_growing(writer.path)  # as after a sudden end
    later = threading.Timer(0.1, writer.note, ("host", {}))
    later.start()
    assert is_growing(writer.path)
    later.join()
    writer.close()
    later = threading.Timer(0.1, os.utime, (writer.path,))
    later.start()
    assert not is_growing(writer.path)
    later.join()
    with pytest.raises(InputError, match="no such file"):
        is_growing(tmp_path / "none.cap")

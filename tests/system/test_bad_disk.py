"""Folders that cannot be written in and disks that fill up: said, and what was there is kept."""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
import sys
import textwrap
from pathlib import Path
from typing import Any, BinaryIO

import pytest
from device import Device
from made_job import MadeJob, certificate_in, copied, finished, refused, rig
from ordinary_user import ordinary_user

from rig.base.errors import InputError
from rig.virtual.rig import demo_profile, run
from rig.wire.capture import CaptureReader
from rig.wire.records import LineError

posix_only = pytest.mark.skipif(sys.platform == "win32", reason="limits of POSIX systems")
HERE = Path(__file__).parents[1] / "support"


def bytes_of(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


@pytest.fixture
def job(tmp_path: Path) -> Path:
    return copied(tmp_path)


# -- a file where a folder is wanted ----------------------------------------------------------


def test_no_folder_for_the_capture(job: Path) -> None:
    shutil.rmtree(job / "captures")
    (job / "captures").write_text("in the way")
    for command in ("live", "results"):
        said = refused(2, command, job)
        assert f"{job / 'captures'}: is a file, but should be a folder; move it away" in said
    assert (job / "captures").read_text() == "in the way"


def test_no_folder_for_the_certificate(job: Path) -> None:
    shutil.rmtree(job / "certificates")
    (job / "certificates").write_text("in the way")
    before = bytes_of(job)
    said = refused(2, "certify", job)
    assert f"{job / 'certificates'}" in said
    assert bytes_of(job) == before


def test_no_folder_for_a_new_job(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    said = refused(2, "new", tmp_path / "file" / "job", "--example")
    assert f"{tmp_path / 'file' / 'job'}: the job cannot be made: " in said
    assert "folder" in said


@posix_only
def test_a_folder_that_may_not_be_written_in(job: Path) -> None:
    assert rig("certify", job, "--json").status in (0, 1)  # all that is needed is loaded by now
    with ordinary_user(job):
        os.chmod(job / "certificates", 0o500)
        said = refused(2, "certify", job)
        os.chmod(job / "certificates", 0o700)
    assert "reading or writing there is not permitted" in said


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.EACCES, "reading or writing there is not permitted"),
        (errno.EROFS, "the disk is read-only"),
        (errno.ENOSPC, "the disk is full"),
    ],
)
def test_whatever_the_system_refuses_a_certificate_is_whole_or_not_there(
    job: Path, monkeypatch: pytest.MonkeyPatch, number: int, words: str
) -> None:
    before = bytes_of(job)

    def refuse(*_: object) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr("os.fsync", refuse)
    said = refused(2, "certify", job)
    assert f"cannot be saved: {words}. Nothing was written." in said
    monkeypatch.undo()
    assert bytes_of(job) == before
    assert not list((job / "certificates").glob(".*"))
    assert rig("verify", certificate_in(job)).status == 0


def test_a_reference_that_cannot_be_saved_leaves_the_old_one(
    job: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = bytes_of(job)

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    said = refused(2, "tdc", "set", job, "--tdc-deg", 12, "--within-deg", 1)
    assert f"{job / 'reference.json'}: the file cannot be saved: the disk is full" in said
    monkeypatch.undo()
    assert bytes_of(job) == before


# -- a disk that is really full ---------------------------------------------------------------


def limited(limit_bytes: int, code: str, *words: str | Path) -> subprocess.CompletedProcess[str]:
    """Run code in a process whose files may grow to so many bytes only."""
    head = f"""
        import resource, signal, sys
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)  # then writing fails, as on a full disk
        resource.setrlimit(resource.RLIMIT_FSIZE, ({limit_bytes}, {limit_bytes}))
        sys.path.insert(0, {str(HERE)!r})
    """
    return subprocess.run(
        [sys.executable, "-c", textwrap.dedent(head) + textwrap.dedent(code), *map(str, words)],
        capture_output=True,
        check=False,
        text=True,
        timeout=60,
    )


@posix_only
def test_a_disk_that_fills_up_while_the_capture_grows(tmp_path: Path) -> None:
    """What was written before is kept, and reads up to there; the session goes on meanwhile."""
    code = """
        from pathlib import Path
        from made_job import MadeJob
        from rig.base.errors import InputError
        made = MadeJob(Path(sys.argv[1]))
        made.do("turn 3000 at 110", "rest 1.5")
        print(len(made.live.session.openings), made.live.caution())
        try:
            made.end()
        except InputError as full:
            sys.exit(f"said: {full}")
    """
    done = limited(40_000, code, tmp_path / "job")
    assert done.returncode == 1
    (capture,) = (tmp_path / "job" / "captures").iterdir()
    read, _, caution = done.stdout.partition(" ")
    assert int(read) > 30
    assert caution.startswith("the capture cannot be written: the file may not grow any")
    assert f"said: {capture}: the last " in done.stderr
    assert "bytes of the capture could not be written: " in done.stderr
    assert "the rest is kept and can be read" in done.stderr
    assert "Traceback" not in done.stderr
    assert capture.stat().st_size == 40_000
    ran = rig("read", capture, "--json")
    assert ran.status == 0
    assert "the capture was cut off inside line " in ran.err
    assert len(ran.answer["openings"]) >= 4


@pytest.mark.slow
@posix_only
def test_a_disk_that_fills_up_under_the_live_command(job: Path) -> None:
    lines = [line for _, line in run("turn 800 at 110", demo_profile(), 7).lines]
    code = """
        from rig.cli.main import main
        sys.exit(main(["live", sys.argv[1], "--port", sys.argv[2], "--seconds", "2.5"]))
    """
    before = set((job / "captures").iterdir())
    with Device([b"".join(lines[i : i + 8]) for i in range(0, len(lines), 8)]) as device:
        done = limited(12_000, code, job, device.port)
    (capture,) = set((job / "captures").iterdir()) - before
    assert done.returncode == 2
    assert "the capture cannot be written: " in done.stdout
    assert f"rig live: {capture}: the last " in done.stderr
    assert "Traceback" not in done.stderr
    assert capture.stat().st_size == 12_000
    assert "the capture was cut off " in rig("read", capture).err


@pytest.mark.slow
@posix_only
def test_a_disk_too_full_for_a_certificate(job: Path) -> None:
    before = bytes_of(job)
    code = """
        from rig.cli.main import main
        sys.exit(main(["certify", sys.argv[1]]))
    """
    done = limited(20_000, code, job)
    assert (done.returncode, done.stdout) == (2, "")
    assert "cannot be saved: " in done.stderr
    assert "Nothing was written." in done.stderr
    assert bytes_of(job) == before
    assert not list((job / "certificates").glob(".*"))


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="there is no full device")
def test_a_capture_on_a_full_device(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = MadeJob(tmp_path / "job").do("turn 400 at 110")
    with open("/dev/full", "wb", buffering=0) as full:
        writer = made.live.recorder.writer
        monkeypatch.setattr(writer, "_file", NoRoom(writer._file, full))
        made.do("turn 400 at 110", "rest 1.5")
        assert "cannot be written: the disk is full. Make room" in made.live.caution()
        with pytest.raises(InputError, match="bytes of the capture could not be written: the disk"):
            made.end()
    monkeypatch.undo()
    troubles: list[Any] = [
        other for batch in CaptureReader(made.capture).batches() for other in batch.others
        if isinstance(other, LineError) and other.kind == "capture"
    ]  # fmt: skip
    assert len(troubles) == 1  # the end is missing, and nothing else
    assert "the capture was cut off after line " in troubles[0].detail


class NoRoom:
    """A file of which all else works, but whose writes go to a full device."""

    def __init__(self, file: BinaryIO, full: BinaryIO) -> None:
        self.file = file
        self.write = full.write

    def __getattr__(self, name: str) -> Any:
        return getattr(self.file, name)


def test_the_capture_is_on_the_disk_while_the_session_runs(tmp_path: Path) -> None:
    made = MadeJob(tmp_path / "job").find_tdc().do("turn 700 at 110")
    copy = tmp_path / "crashed.capture"
    shutil.copy(made.capture, copy)  # as a crash just now would leave it
    ran = rig("read", copy, "--json")
    live = [o for o in made.live.session.openings if o.direction >= 0]
    assert len(ran.answer["openings"]) == len(live)
    assert "the capture was cut off after line " in ran.err


def test_a_capture_never_takes_the_name_of_another(tmp_path: Path) -> None:
    first = MadeJob(tmp_path / "job").do("turn 90 at 110").end()
    data = first.capture.read_bytes()
    second = MadeJob(tmp_path / "job").do("turn 90 at 110").end()
    assert second.capture != first.capture
    assert first.capture.read_bytes() == data
    assert finished().capture.exists()

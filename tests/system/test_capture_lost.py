"""A capture that loses its name while it is taken: seen within a second, and nothing vanishes."""

from __future__ import annotations

import errno
import os
import shutil
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, BinaryIO, cast

import pytest
from made_job import MadeJob, finished, rig
from paced_rig import SLOW_S, PacedRig, speech, start, wait_for

from rig.base.errors import InputError
from rig.cli.live import conclude
from rig.job.results import results_of
from rig.live.layout import render
from rig.live.panels import ALARM
from rig.live.ui_state import UiState
from rig.wire.capture import Fate

pytestmark = pytest.mark.skipif(
    sys.platform == "win32", reason="there nobody takes the name of a file that is open"
)


def _deleted(capture: Path) -> None:
    capture.unlink()


def _renamed(capture: Path) -> None:
    capture.rename(capture.with_name("mine.capture"))


def _moved_away(capture: Path) -> None:
    capture.rename(capture.parents[2] / "elsewhere.capture")


def _folder_gone(capture: Path) -> None:
    shutil.rmtree(capture.parent)


def _folder_renamed(capture: Path) -> None:
    capture.parent.rename(capture.parent.with_name("old"))


def _job_gone(capture: Path) -> None:
    shutil.rmtree(capture.parents[1])


def _job_renamed(capture: Path) -> None:
    capture.parents[1].rename(capture.parents[1].with_name("other-name"))


def _replaced(capture: Path) -> None:
    other = capture.with_name("other")
    other.write_bytes(b"somebody else's")
    other.replace(capture)


def _replaced_by_a_copy(capture: Path) -> None:
    other = shutil.copy(capture, capture.with_name("other"))
    Path(other).replace(capture)


def _replaced_by_a_link(capture: Path) -> None:
    away = capture.with_name("away")
    capture.rename(away)
    capture.symlink_to(away)


def _folder_a_file(capture: Path) -> None:
    shutil.rmtree(capture.parent)
    capture.parent.write_bytes(b"in the way")


def _written_on(capture: Path) -> None:
    with capture.open("ab") as file:
        file.write(b"by another program\n")


def _cut(capture: Path) -> None:
    os.truncate(capture, 1500)


def _emptied(capture: Path) -> None:
    os.truncate(capture, 0)


WHOLE: dict[str, Callable[[Path], None]] = {
    "deleted": _deleted,
    "renamed": _renamed,
    "moved away": _moved_away,
    "folder gone": _folder_gone,
    "folder renamed": _folder_renamed,
    "job gone": _job_gone,
    "job renamed": _job_renamed,
    "replaced": _replaced,
    "replaced by a copy": _replaced_by_a_copy,
    "replaced by a link": _replaced_by_a_link,
    "written on": _written_on,
}
"""All of the capture can still be read, and the job takes it."""
IN_PART: dict[str, Callable[[Path], None]] = {"cut": _cut, "emptied": _emptied}
ELSEWHERE: dict[str, Callable[[Path], None]] = {"folder a file": _folder_a_file}


@pytest.fixture
def made(tmp_path: Path) -> MadeJob:
    return MadeJob(tmp_path / "home" / "job").find_tdc().state_stroke().do("turn 750 at 110")


def no_path_that_is_not(text: str) -> None:
    """Each line that names a file names one that is there."""
    for line in text.splitlines():
        label, _, path = line.partition(":")
        if label in ("job folder", "capture", "certificate", "page"):
            assert Path(path.strip()).exists(), line


def readings(made: MadeJob) -> list[Any]:
    return [each for each in made.live.session.readings() if each.valid]


@pytest.mark.parametrize(
    ("fault", "certificate"),
    [
        ("deleted", False),
        ("deleted", True),
        *(
            pytest.param(fault, n % 2 == 0, marks=pytest.mark.slow)
            for n, fault in enumerate(WHOLE)
            if fault != "deleted"
        ),
    ],
)
def test_all_of_it_goes_into_a_new_file(
    made: MadeJob, capsys: pytest.CaptureFixture[str], fault: str, certificate: bool
) -> None:
    so_far = made.capture.read_bytes()
    ui_state = UiState(made.live)
    assert ui_state.view().alarm == ""
    WHOLE[fault](made.capture)
    made.do("rest 0.5").do("rest 0.5")
    view = ui_state.view()
    assert made.capture.name in view.alarm
    assert "all of it is now in a new file" in view.alarm
    assert any(ALARM in line for line in render(view, 80, 24).plain())
    assert any(ALARM in line for line in render(view, 40, 12).plain())
    new = made.live.capture_path
    assert str(new) in view.caution
    assert new.parent == made.folder / "captures"
    assert new.read_bytes().startswith(so_far)
    made.do("turn 750 at 110")
    if certificate:
        record, _ = made.save()
    made.end()
    assert made.live.lacking() == []
    status = conclude(made.live)
    out, err = capsys.readouterr()
    no_path_that_is_not(out)
    assert str(new) in out
    assert "MISSING" not in err
    assert status in (0, 1)
    assert rig("read", new).err == ""  # neither cut off nor changed
    worked = results_of(made.job.profile, [new])
    assert [each for each in worked.readings if each.valid] == readings(made)
    if certificate:
        assert rig("verify", record).status == 0
    else:
        assert rig("certify", made.folder, new).status in (0, 1)


@pytest.mark.slow
@pytest.mark.parametrize("fault", [*WHOLE, *ELSEWHERE])
def test_at_the_very_end(made: MadeJob, capsys: pytest.CaptureFixture[str], fault: str) -> None:
    """Between the last look and the end: nobody looks at the screen any more."""
    (WHOLE | ELSEWHERE)[fault](made.capture)
    made.end()
    status = conclude(made.live)
    out, err = capsys.readouterr()
    no_path_that_is_not(out)
    assert rig("read", made.live.capture_path, "--counts-per-turn", 4096).err == ""
    assert (status, "MISSING" in err) == ((2, True) if fault in ELSEWHERE else (0, False))


@pytest.mark.slow
@pytest.mark.parametrize("fault", [*WHOLE, *IN_PART, *ELSEWHERE])
def test_after_the_end(made: MadeJob, capsys: pytest.CaptureFixture[str], fault: str) -> None:
    """Nothing is left to begin anew from; it is said, and the status is not that of success."""
    made.end()
    (WHOLE | IN_PART | ELSEWHERE)[fault](made.capture)
    status = conclude(made.live)
    out, err = capsys.readouterr()
    no_path_that_is_not(out)
    assert status == 2
    assert "MISSING: the capture is lost: " in err


@pytest.mark.slow
@pytest.mark.parametrize("lost", ["record", "page", "folder"])
def test_a_certificate_that_is_gone(
    made: MadeJob, capsys: pytest.CaptureFixture[str], lost: str
) -> None:
    record, page = made.save()
    made.end()
    if lost == "folder":
        shutil.rmtree(record.parent)
    else:
        (record if lost == "record" else page).unlink()
    assert conclude(made.live) == 2
    out, err = capsys.readouterr()
    no_path_that_is_not(out)
    assert "is gone since it was saved" in err


@pytest.mark.slow
@pytest.mark.parametrize("certificate", [False, True])
@pytest.mark.parametrize("fault", IN_PART)
def test_what_is_left_of_it(
    made: MadeJob, capsys: pytest.CaptureFixture[str], fault: str, certificate: bool
) -> None:
    so_far = made.capture.read_bytes()
    IN_PART[fault](made.capture)
    made.do("rest 0.5").do("rest 0.5")
    view = UiState(made.live).view()
    assert "bytes are lost" in view.alarm
    new = made.live.capture_path
    kept = new.read_bytes()
    if fault == "cut":
        whole = so_far[: so_far.rindex(b"\n", 0, 1500) + 1]
        assert kept.startswith(whole)
    made.find_tdc().state_stroke().do("turn 750 at 110", "rest 20")
    assert "bytes are lost" in UiState(made.live).view().alarm  # it stays
    if certificate:
        made.save()
    made.end()
    assert conclude(made.live) == 2
    out, err = capsys.readouterr()
    no_path_that_is_not(out)
    assert "bytes of the capture are lost" in err
    ran = rig("results", made.folder, new)
    assert "bytes of it were lost while it was taken" in ran.err
    assert "was changed after it was written" not in ran.err


def test_the_job_takes_no_new_file(made: MadeJob, capsys: pytest.CaptureFixture[str]) -> None:
    """It goes beside the job, which is said until the end; a certificate is refused till then."""
    _folder_a_file(made.capture)
    made.do("rest 0.5").do("rest 0.5")
    new = made.live.capture_path
    assert new.parent == made.folder.parent
    with pytest.raises(InputError, match="outside the job: copy it into"):
        made.save()
    made.do("rest 40")
    assert str(new) in UiState(made.live).view().alarm
    made.end()
    assert conclude(made.live) == 2
    assert f"capture:     {new}" in capsys.readouterr().out
    (made.folder / "captures").unlink()
    (made.folder / "captures").mkdir()
    shutil.copy(new, made.folder / "captures")
    assert rig("certify", made.folder).status in (0, 1)


def _full(*_: object, **__: object) -> None:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_no_new_file_anywhere_until_there_is_room(
    made: MadeJob, monkeypatch: pytest.MonkeyPatch
) -> None:
    so_far = made.capture.read_bytes()
    _deleted(made.capture)
    monkeypatch.setattr("builtins.open", _full)
    made.do("turn 90 at 110")
    alarm = UiState(made.live).view().alarm
    assert "no new file can be begun: make room" in alarm
    made.do("turn 300 at 110")
    assert UiState(made.live).view().alarm == alarm
    monkeypatch.undo()
    made.do("rest 1")
    assert made.live.capture_path.read_bytes().startswith(so_far)
    record, _ = made.save()
    assert rig("verify", record).status == 0
    assert made.live.lacking() == []


def test_no_new_file_anywhere_to_the_end(
    made: MadeJob, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    _deleted(made.capture)
    monkeypatch.setattr("builtins.open", _full)
    made.end()
    monkeypatch.undo()
    assert conclude(made.live) == 2
    out, err = capsys.readouterr()
    assert "capture:" not in out
    assert "MISSING: the capture is lost: " in err
    assert "no new file can be begun" in err


class NoDisk:
    """A file on a disk that was pulled out; the first ``room`` bytes are still in memory."""

    closed = False

    def __init__(self, file: BinaryIO, room: int) -> None:
        self.file, self.room = file, room
        self.fileno, self.seek = file.fileno, file.seek

    def read(self, size: int) -> bytes:
        if self.file.tell() >= self.room:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return self.file.read(min(size, self.room - self.file.tell()))

    def write(self, data: bytes) -> int:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    def close(self) -> None:
        self.file.close()
        raise OSError(errno.EIO, os.strerror(errno.EIO))


@pytest.mark.slow
@pytest.mark.parametrize("room", [0, 1, 200, 1500, 10**9])
def test_the_disk_is_pulled_out(
    made: MadeJob, capsys: pytest.CaptureFixture[str], room: int
) -> None:
    """Of what waits in memory nothing is lost; of the rest what the system still gives."""
    writer = made.live.recorder.writer
    so_far = made.capture.read_bytes()
    writer._file = cast(BinaryIO, NoDisk(writer._file, room))
    shutil.rmtree(made.folder)
    read = len(readings(made))
    made.do("rest 0.5").do("rest 0.5")
    new = made.live.capture_path
    kept = new.read_bytes()
    whole = so_far[: so_far.rfind(b"\n", 0, room) + 1]
    assert kept.startswith(whole)
    made.find_tdc().state_stroke().do("turn 750 at 110")
    assert len(readings(made)) > read  # the session goes on as it was
    made.end()
    status = conclude(made.live)
    out, err = capsys.readouterr()
    no_path_that_is_not(out)
    assert status == (0 if room > len(so_far) else 2)
    assert ("bytes of the capture are lost" in err) == (room <= len(so_far))
    ran = rig("results", made.folder, new)
    assert "was changed after it was written" not in ran.err
    assert "checksum" not in ran.err
    assert ran.status in (0, 1)


def test_a_reference_names_the_file_in_which_it_was_found(made: MadeJob) -> None:
    """The new file has another name, since somebody else's took the old one."""
    _replaced(made.capture)
    made.do("rest 1.5").end()
    new = made.live.capture_path
    assert new.name != made.capture.name
    made.capture.unlink()
    ran = rig("tdc", "show", made.folder, "--json")
    assert ran.answer["capture"] == new.name
    assert "stop" in ran.answer["method"]


def test_the_same_file_is_not_taken_for_another(made: MadeJob) -> None:
    """Read, linked to, touched, permissions changed: it is still there under its name."""
    capture = made.capture
    capture.read_bytes()
    os.link(capture, capture.with_name("link"))
    os.utime(capture)
    capture.chmod(0o400)
    made.do("rest 5")
    assert made.live.recorder.alarm == ""
    assert made.live.capture_path == capture
    assert made.live.recorder.writer.fate() is Fate.THERE


@pytest.mark.slow
@pytest.mark.parametrize(
    ("fault", "save"),
    [("deleted", True), ("job renamed", False), ("emptied", True), ("replaced", True)],
)
def test_a_live_program(tmp_path: Path, fault: str, save: bool) -> None:
    """As a process of its own; the fault comes from outside, in mid-session."""
    home = tmp_path / "home"
    home.mkdir()
    shutil.copytree(finished().folder, home / "job")
    job = home / "job"
    before = set((job / "captures").iterdir())
    said_path = tmp_path / "said"
    words: list[str | Path] = ["live", job, "--plain", *(["--save"] if save else [])]
    with PacedRig(speech()) as board:
        live = start(*words, "--port", board.port, out=said_path)
        wait_for(live, lambda: set((job / "captures").iterdir()) - before)
        (capture,) = set((job / "captures").iterdir()) - before
        board.begin()
        wait_for(live, lambda: said_path.read_text().count("° BTDC") > 2)
        (WHOLE | IN_PART)[fault](capture)
        wait_for(live, lambda: ALARM in said_path.read_text())
        read = said_path.read_text().count("° BTDC")
        wait_for(live, lambda: said_path.read_text().count("° BTDC") > read + 2)
        live.send_signal(signal.SIGINT)
        status = live.wait(SLOW_S)
    said = said_path.read_text()
    no_path_that_is_not(said)
    assert "Traceback" not in said
    assert status == 2 if fault == "emptied" else status in (0, 1), said
    if fault != "emptied":
        assert ("certificate: " in said) == save

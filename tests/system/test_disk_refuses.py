"""A disk that refuses in the middle of the work: each file that is written, and live sessions."""

from __future__ import annotations

import errno
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from made_job import MadeJob, copied, refused, rig
from ordinary_user import ordinary_user
from paced_rig import SLOW_S, PacedRig, speech, start, wait_for

from rig.base.errors import InputError
from rig.live.ui_state import UiState

posix_only = pytest.mark.skipif(sys.platform == "win32", reason="limits of POSIX systems")

WRITERS = {
    "certify": ["certify", "JOB"],
    "reference": ["tdc", "set", "JOB", "--tdc-deg", "12", "--within-deg", "1"],
    "table": ["trend", "JOB", "--csv", "JOB/table.csv"],
    "drawing of the drift": ["trend", "JOB", "--drawing", "JOB/drift.svg"],
    "drawing": ["plot", "readings", "JOB", "--out", "JOB/readings.png"],
    "rig check": ["check", "JOB"],
    "unit report": ["bench", "JOB", "--unit", "upper", "--lobes", "2"],
    "new job": ["new", "JOB/new", "--example"],
}

TRIES = """
import contextlib, io, json, resource, shutil, sys
from pathlib import Path
from rig.cli.main import main

master, work, words = Path(sys.argv[1]), Path(sys.argv[2]), json.loads(sys.argv[3])
hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]

def bytes_of(folder):
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}

def tried(limit, name, twice=False):
    job = work / name
    shutil.copytree(master, job)
    args = [word.replace("JOB", str(job)) for word in words]
    said = io.StringIO()
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(said):
        if twice:
            main(args)
        before = bytes_of(job)
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, hard))
        status = main(args)
        resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))
    after = bytes_of(job)
    new = {name: len(data) for name, data in after.items() if before.get(name) != data}
    lost = [name for name, data in before.items() if after.get(name) != data]
    return status, said.getvalue(), new, lost

status, _, new, _ = tried(hard, "whole")
found = {"status": status, "new": new, "limits": {}}
most = max(new.values())
for n, limit in enumerate(sorted({0, most - 1, *(size // 2 for size in new.values())})):
    found["limits"][limit] = tried(limit, f"{limit:05}", twice=n % 2 and words[0] != "new")
print(json.dumps(found))
"""


@posix_only
@pytest.mark.slow
@pytest.mark.parametrize("writer", WRITERS)
def test_every_file_is_whole_or_as_it_was(tmp_path: Path, writer: str) -> None:
    """Room for nothing, for half, for all but a byte; in turn with one there already, and none."""
    job = copied(tmp_path)
    words = json.dumps(WRITERS[writer])
    done = subprocess.run(
        [sys.executable, "-c", TRIES, str(job), str(tmp_path), words],
        capture_output=True, text=True, check=False, timeout=300,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    assert found["status"] in (0, 1)
    assert len(found["limits"]) >= 3
    for limit, (status, said, new, lost) in found["limits"].items():
        assert status == 2, (limit, said)
        assert "the file may not grow any larger there" in said
        assert (new, lost) == ({}, [])


@posix_only
def test_a_live_session_goes_on_while_the_disk_is_full(tmp_path: Path) -> None:
    """Said at once; openings go on; saving is refused; with room again nothing is missing."""
    made = MadeJob(tmp_path / "job").find_tdc().state_stroke()
    ui_state = UiState(made.live)
    import resource

    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    size = made.capture.stat().st_size
    resource.setrlimit(resource.RLIMIT_FSIZE, (size + 3000, hard))
    try:
        made.do("turn 1450 at 110")
        so_far = made.capture.read_bytes()
        ui_state.key("s")
        ui_state.key("y")
        view = ui_state.view()
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert len(so_far) == size + 3000
    assert "the capture cannot be written: the file may not grow" in view.caution
    assert view.message.startswith("the capture cannot be written: ")
    assert view.message.endswith("; then save")
    assert sum(unit.valid for unit in view.units) > 8
    assert made.live.saved is None
    made.do("rest 1.5")
    assert (
        "the disk accepts the capture again; all that waited is written" in ui_state.view().caution
    )
    assert made.capture.read_bytes().startswith(so_far)
    made.do("rest 31")
    assert "disk" not in ui_state.view().caution
    ui_state.key("s")
    ui_state.key("y")
    assert made.live.saved is not None
    assert rig("verify", made.live.saved.files[0]).status == 0
    assert rig("read", made.capture).err == ""


def test_a_reference_that_finds_no_room_is_written_as_soon_as_there_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = MadeJob(tmp_path / "job")

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("os.replace", full)
    with pytest.raises(
        InputError, match=r"reference\.json: the file cannot be saved: the disk is full"
    ):
        made.find_tdc()
    assert made.live.session.reference is not None
    made.do("rest 1.5")
    assert "reference.json: the file cannot be saved" in made.live.caution()
    monkeypatch.undo()
    made.do("rest 1.5")
    reference = json.loads((made.folder / "reference.json").read_text("utf-8"))
    assert reference["current"]["capture"] == made.capture.name
    assert made.live.caution() == "the disk accepts the capture again; all that waited is written"


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="limits of another process: Linux has them")
def test_a_live_program_whose_disk_fills_up_and_has_room_again(tmp_path: Path) -> None:
    """The program as a process of its own; the limit comes from outside, in mid-session."""
    import resource

    job = copied(tmp_path)
    before = set((job / "captures").iterdir())
    said_path = tmp_path / "said"
    with PacedRig(speech()) as board:
        live = start("live", job, "--port", board.port, "--plain", out=said_path)
        wait_for(live, lambda: set((job / "captures").iterdir()) - before)
        (capture,) = set((job / "captures").iterdir()) - before
        board.begin()
        wait_for(live, lambda: capture.stat().st_size > 6000)
        hard = resource.prlimit(live.pid, resource.RLIMIT_FSIZE)[1]
        resource.prlimit(live.pid, resource.RLIMIT_FSIZE, (capture.stat().st_size + 1000, hard))
        wait_for(live, lambda: "the capture cannot be written" in said_path.read_text())
        size, read = capture.stat().st_size, said_path.read_text().count("° BTDC")
        wait_for(live, lambda: said_path.read_text().count("° BTDC") > read + 2)
        assert capture.stat().st_size == size
        resource.prlimit(live.pid, resource.RLIMIT_FSIZE, (hard, hard))
        wait_for(live, lambda: "the disk accepts the capture again" in said_path.read_text())
        time.sleep(0.5)
        live.send_signal(signal.SIGINT)
        assert live.wait(SLOW_S) == 0
    lines = capture.read_bytes().splitlines(keepends=True)
    assert board.data.startswith(b"".join(line for line in lines if not line.startswith(b"#")))
    assert rig("read", capture).err == ""
    ended = rig("certify", job, capture, "--json")
    assert ended.status in (0, 1)
    assert rig("verify", ended.answer["certificate"]).status == 0


@posix_only
def test_a_job_that_becomes_read_only(tmp_path: Path) -> None:
    """The capture that was begun goes on; what needs a new file is refused, and says so."""
    made = MadeJob(tmp_path / "job").find_tdc().state_stroke().do("turn 700 at 110")
    folders = [made.folder, made.folder / "captures", made.folder / "certificates"]
    folders[2].mkdir(exist_ok=True)
    assert rig("tdc", "show", made.folder, "--json").status == 0  # all is loaded now
    with ordinary_user(made.folder):
        for folder in folders:
            folder.chmod(0o555)
        made.do("turn 700 at 110").end()
        certify = refused(2, "certify", made.folder)
        state = refused(2, "tdc", "set", made.folder, "--tdc-deg", 12, "--within-deg", 1)
        for folder in folders:
            folder.chmod(0o755)
    for said in (certify, state):
        assert "cannot be saved: reading or writing there is not permitted" in said
    assert rig("read", made.capture).err == ""
    assert rig("certify", made.folder).status in (0, 1)
    assert not list(made.folder.rglob(".*"))


def test_no_room_for_a_capture_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    job = copied(tmp_path)
    before = list((job / "captures").iterdir())

    real = open

    def full(path: Any, mode: str = "r", **how: Any) -> Any:
        if "x" in mode:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return real(path, mode, **how)

    with PacedRig(()) as board:
        monkeypatch.setattr("builtins.open", full)
        said = refused(2, "live", job, "--port", board.port)
    assert "the capture cannot be created: the disk is full" in said
    assert list((job / "captures").iterdir()) == before

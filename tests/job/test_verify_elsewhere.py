"""A job's folder is all that verifying needs: elsewhere, as another user, read-only, no network."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from made_job import certificate_in, copied, refused, rig
from ordinary_user import ordinary_user

posix_only = pytest.mark.skipif(sys.platform == "win32", reason="users and rights of POSIX systems")


@posix_only
def test_as_another_user_in_a_folder_that_may_only_be_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = copied(tmp_path)
    far = tmp_path / "a stick" / "job of somebody"
    shutil.copytree(home, far)
    shutil.rmtree(home)
    assert rig("verify", certificate_in(far)).status == 0  # all that is needed is loaded by now

    def no_network(*_: object, **__: object) -> None:
        raise AssertionError("verifying asks the network")

    monkeypatch.setattr("socket.socket", no_network)
    for name in ("HOME", "USER", "XDG_CONFIG_HOME"):
        monkeypatch.delenv(name, raising=False)
    before = {path: path.stat().st_mtime_ns for path in far.rglob("*")}
    with ordinary_user(far):
        for path in (far, *far.rglob("*")):
            path.chmod(0o555 if path.is_dir() else 0o444)
        ran = rig("verify", certificate_in(far))
        for path in (far, *far.rglob("*")):
            path.chmod(0o755 if path.is_dir() else 0o644)
    assert ran.status == 0, ran.out + ran.err
    assert "everything holds" in ran.out
    assert {path: path.stat().st_mtime_ns for path in far.rglob("*")} == before


@posix_only
def test_a_certificate_that_may_not_be_looked_at_is_named(tmp_path: Path) -> None:
    job = copied(tmp_path)
    record = certificate_in(job)
    assert rig("verify", record).status == 0
    with ordinary_user(job):
        (job / "certificates").chmod(0o000)
        said = refused(2, "verify", record)
        (job / "certificates").chmod(0o700)
    assert f"{record}: cannot be read (reading or writing there is not permitted)" in said


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="the paths of the system are those of Linux")
def test_it_opens_nothing_but_the_folder_and_python_itself(tmp_path: Path) -> None:
    """Every file that is opened, by Python's own audit (PEP 578): of the job, or of Python."""
    job = copied(tmp_path)
    code = """
import os, sys
opened = []
def hook(event, args):
    if event == "open" and isinstance(args[0], (str, bytes, os.PathLike)):
        opened.append(os.path.realpath(os.fsdecode(args[0])))
    elif event in ("socket.connect", "socket.getaddrinfo", "subprocess.Popen"):
        opened.append(event)
sys.addaudithook(hook)
from rig.cli.main import main
status = main(sys.argv[1:])
print("\\n".join(opened), file=sys.stderr)
sys.exit(status)
"""
    done = subprocess.run(
        [sys.executable, "-c", code, "verify", str(certificate_in(job))],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    ours = str(Path(__file__).resolve().parents[2])
    pythons = {os.path.realpath(each) for each in (sys.prefix, sys.base_prefix, ours)}
    opened = set(done.stderr.split("\n")) - {""}
    assert any(path.startswith(str(job.resolve())) for path in opened)
    others = {
        p for p in opened if not p.startswith((str(job.resolve()), *pythons, "/proc/", "/sys/"))
    }
    assert others <= {"/dev/null", "/etc/localtime", "/etc/os-release", "/usr/lib/os-release"}

"""The commands that the program prints for signing, run as they are printed."""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from rig.certificate import seal

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="printed for a POSIX shell")
NAME = "20260514-102512-9f2c01.json"


def shell(command: str, folder: Path, **more: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["sh", "-c", command],
        cwd=folder, env={**os.environ, **more}, capture_output=True, text=True, check=False,
    )  # fmt: skip


@pytest.fixture
def record(tmp_path: Path) -> Path:
    path = tmp_path / NAME
    path.write_text('{"format": "timing certificate"}\n')
    return path


@pytest.mark.skipif(shutil.which("ssh-keygen") is None, reason="OpenSSH is not installed")
def test_with_the_key_that_one_logs_in_with(record: Path) -> None:
    home = record.parent / "home"
    (home / ".ssh").mkdir(parents=True)
    key = home / ".ssh" / "id_ed25519"
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", str(key)], check=True)
    sign, _ = seal.to_sign(NAME)
    done = shell(sign, record.parent, HOME=str(home))
    assert done.returncode == 0, done.stderr
    assert seal.found(record) == [f"{NAME}.sig"]

    public = " ".join(key.with_suffix(".pub").read_text().split()[:2])
    (record.parent / seal.SIGNERS).write_text(f"NAME {public}\n")
    command = seal.to_check(NAME)[f"{NAME}.sig"]
    assert command in [line.strip() for line in seal.words(record)]
    assert shell(command, record.parent).returncode == 0
    record.write_text(record.read_text() + "\n")
    assert shell(command, record.parent).returncode != 0


@pytest.mark.skipif(shutil.which("gpg") is None, reason="GnuPG is not installed")
def test_with_an_openpgp_key(record: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    home = str(tmp_path_factory.mktemp("gpg"))
    os.chmod(home, 0o700)
    make = (
        "gpg --batch --quiet --passphrase '' --quick-generate-key nobody@example.org ed25519 sign"
    )
    assert shell(make, record.parent, GNUPGHOME=home).returncode == 0
    _, sign = seal.to_sign(NAME)
    done = shell(sign, record.parent, GNUPGHOME=home)
    assert done.returncode == 0, done.stderr
    assert seal.found(record) == [f"{NAME}.asc"]

    command = seal.to_check(NAME)[f"{NAME}.asc"]
    assert command in [line.strip() for line in seal.words(record)]
    assert shell(command, record.parent, GNUPGHOME=home).returncode == 0
    record.write_text(record.read_text() + "\n")
    assert shell(command, record.parent, GNUPGHOME=home).returncode != 0
    shell("gpgconf --kill gpg-agent", record.parent, GNUPGHOME=home)


def test_an_unsigned_record_is_told_how(record: Path) -> None:
    said = " ".join(seal.words(record))
    assert "show changes, not who made the record" in said
    assert all(command in said for command in seal.to_sign(NAME))


def test_a_name_is_no_command(tmp_path: Path) -> None:
    """What a stranger called a file is one word of the command that is printed."""
    evil = "a; rm -rf $HOME.json"
    for command in (*seal.to_sign(evil), *seal.to_check(evil).values()):
        words = shlex.split(command)
        assert ";" not in words
        assert evil in words

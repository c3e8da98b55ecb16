"""rig new where nobody can be asked: what is taken instead is said."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from rig.engine.engine_file import load_profile


def made(job: Path, piped: str, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "rig", "new", str(job), *words],
        input=piped,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )


def test_piped_answers_are_not_passed_over_in_silence(tmp_path: Path) -> None:
    ran = made(tmp_path / "job", "Pump engine\n2\n1\n")
    assert ran.returncode == 0
    assert "there is no terminal to ask at" in ran.stderr
    profile = load_profile(tmp_path / "job" / "engine.toml")
    assert f"cylinders={profile.engine.cylinders}" in ran.stderr
    assert f"strokes={profile.engine.strokes}" in ran.stderr


def test_answers_given_beforehand_are_taken(tmp_path: Path) -> None:
    ran = made(tmp_path / "job", "", "--answer", "cylinders=1", "--answer", "strokes=2")
    assert ran.returncode == 0, ran.stderr
    assert "cylinders=" not in ran.stderr
    profile = load_profile(tmp_path / "job" / "engine.toml")
    assert (profile.engine.cylinders, profile.engine.strokes) == (1, 2)

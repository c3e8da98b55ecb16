"""rig new where nobody can be asked: what is taken instead is said."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

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


@pytest.mark.skipif(sys.platform == "win32", reason="a pseudo-terminal is asked for")
def test_at_a_terminal_one_step_back_and_a_query(tmp_path: Path) -> None:
    """Typed ahead, as a person would: a slip is put right with <, a wide tolerance is queried."""
    import pty

    typed = [
        "Pump engine", "2", "<", "4", "1", "", "", "single", "coil", "", "", "lever",
        "28 deg", "26", "yes", "<", "1", "manual, page 3", "-2", "", "none", "A. Person",
    ]  # fmt: skip
    person, terminal = pty.openpty()
    try:
        asked = subprocess.Popen(
            [sys.executable, "-m", "rig", "new", str(tmp_path / "job")],
            stdin=terminal, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        os.write(person, "".join(f"{line}\n" for line in typed).encode())
        _, said = asked.communicate(timeout=120)
    finally:
        os.close(person)
        os.close(terminal)
    assert asked.returncode == 0, said
    assert "26° either way is a wide window" in said
    assert "< goes one question back" in said
    assert "What do you call the engine? [My engine]" in said
    profile = load_profile(tmp_path / "job" / "engine.toml")
    assert (profile.engine.strokes, profile.engine.cylinders) == (4, 1)
    (unit,) = profile.units
    assert unit.ignition == "coil"
    advance, retard = (each.window for each in unit.settings)
    assert advance is not None
    assert (advance.nominal_btdc, advance.earliest_btdc) == (28.0, 29.0)
    assert retard is not None
    assert retard.nominal_btdc == -2.0
    assert profile.person == "A. Person"

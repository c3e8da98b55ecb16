"""Whoever deletes a room of a bench need and its lines in the registries loses nothing else."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from made_job import finished

import rig

PACKAGE = Path(rig.__file__).parent
COARSE = PACKAGE.parent / "fixtures" / "pins" / "coarse.vcd"

CODE = """
import json, sys
from rig.cli.main import main

print(json.dumps([[words[0], main(words)] for words in json.loads(sys.argv[1])]), file=sys.stderr)
"""


def without(room: str, to: Path) -> Path:
    """A copy of the package without ``room``, and without the lines that name a module of it."""
    copy = to / "rig"
    shutil.copytree(PACKAGE, copy, ignore=shutil.ignore_patterns("*.pyc.*"))
    shutil.rmtree(copy / room)
    for path in copy.rglob("*.py"):
        lines = path.read_text("utf-8").splitlines(keepends=True)
        kept = [line for line in lines if f'"rig.{room}.' not in line or "(" in line]
        text = "".join(kept)
        for name in (each for each in text.split('"') if each.startswith(f"rig.{room}.")):
            text = text.replace(f'"{name}", ', "").replace(f', "{name}"', ",").replace(
                f'("{name}",)', "()"
            )  # fmt: skip
        path.write_text(text, "utf-8")
    return to


@pytest.mark.slow
@pytest.mark.parametrize("room", ["pins", "check", "adjust", "unit_bench", "history"])
def test_a_room_can_be_deleted_with_its_lines(room: str, tmp_path: Path) -> None:
    job = shutil.copytree(finished().folder, tmp_path / "job")
    capture = next((job / "captures").glob("*.capture"))
    commands = [
        ["read", str(capture), "--json"],
        ["results", str(job), "--json"],
        ["certify", str(job), "--json"],
        ["plot", "readings", str(job), "--out", str(tmp_path / "drawn.svg"), "--json"],
    ]
    if room != "pins":
        commands.append(["read", str(COARSE), "--counts-per-turn", "2400", "--json"])
    if room != "history":
        commands.append(["trend", str(job), "--json"])
    package = without(room, tmp_path / "package")
    ran = subprocess.run(
        [sys.executable, "-c", CODE, json.dumps(commands)],
        capture_output=True, text=True, check=False, cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(package), "RIG_SHOW_FAULTS": "1"},
    )  # fmt: skip
    assert ran.returncode == 0, ran.stderr
    done = json.loads(ran.stderr.splitlines()[-1])
    assert done == [[words[0], 0] for words in commands], ran.stderr

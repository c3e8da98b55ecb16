"""What is heavy is not loaded before it is used."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest
from slow_but import slow_but

import rig

HEAVY = ("numpy", "scipy", "rich", "matplotlib", "serial")
LOADED = """
import contextlib, io, json, sys
from rig.cli.main import main
with contextlib.redirect_stdout(io.StringIO()) as said:
    status = main(sys.argv[1:])
names = {name.partition(".")[0] for name in sys.modules}
print(json.dumps([status, said.getvalue(), sorted(names)]))
"""


def loaded(*words: str) -> tuple[int, str, set[str]]:
    """Exit status, text and top-level modules of a command in a Python of its own."""
    done = subprocess.run(
        [sys.executable, "-c", LOADED, *words], capture_output=True, text=True, check=True
    )
    status, said, names = json.loads(done.stdout)
    return status, said, set(names)


@pytest.mark.parametrize("words", [["--help"], ["--version"], []], ids=" ".join)
def test_help_loads_nothing_heavy(words: list[str]) -> None:
    status, said, names = loaded(*words)
    assert status == 0
    assert "rig" in said
    assert not names & set(HEAVY)


@pytest.mark.parametrize("command", slow_but(["read", "live", "demo"], "live"))
def test_help_of_a_command_draws_and_judges_nothing(command: str) -> None:
    status, said, names = loaded(command, "--help")
    assert status == 0
    assert f"rig {command}" in said
    assert not names & {"scipy", "matplotlib"}


def test_what_takes_over_a_second_to_import_is_not_used() -> None:
    """These two import most of scipy; each command that finds TDC took twice as long."""
    for module in Path(rig.__file__).parent.rglob("*.py"):
        assert not re.search(r"from scipy\.(signal|stats)\b", module.read_text("utf-8")), module

"""How long ``rig --help`` takes against Python itself. (What it loads: tests/system.)"""

from __future__ import annotations

import subprocess
import sys
import time

import pytest

pytestmark = pytest.mark.bench

TRIES = 15
BARE = [sys.executable, "-c", "pass"]
HELP = [sys.executable, "-m", "rig", "--help"]
NUMPY = [sys.executable, "-c", "import numpy"]


def least_s(command: list[str]) -> float:
    best = float("inf")
    for _ in range(TRIES):
        before = spent_s()
        subprocess.run(command, stdout=subprocess.DEVNULL, check=True)
        best = min(best, spent_s() - before)
    return best


def spent_s() -> float:
    """Processor time of ended children; where that is not told, the clock's."""
    if sys.platform == "win32":
        return time.monotonic()
    import resource

    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def test_help_against_bare_python() -> None:
    bare, help_s, numpy = (least_s(command) for command in (BARE, HELP, NUMPY))
    print(
        f"\nrig --help takes {help_s / bare:.2f} of bare Python, aim 2"
        f" (to import numpy alone: {numpy / bare:.2f})"
    )
    assert help_s <= 2.0 * bare

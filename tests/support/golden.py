"""The golden job: a small capture and engine file in ``fixtures/golden``, and its figures.

    python tests/support/golden.py        # makes the capture anew if it is not there, and writes
                                             # the figures that this version of the program computes

The capture is the virtual rig's (seed 11): dead centre by the stop, three cycles of two units. It
is not to be made anew without need; the figures are written when they are *meant* to change.
"""

from __future__ import annotations

import contextlib
import io
import json
import shutil
import sys
import tempfile
from pathlib import Path
from typing import Any

GOLDEN = Path(__file__).parents[2] / "fixtures" / "golden"
FIGURES = GOLDEN / "figures.json"
SEED = 11
COMPARED = ("reference", "rules", "judgements", "comparisons", "readings", "not_counted")


def copy_job(folder: Path) -> Path:
    """The golden job's engine file and capture in ``folder``, to work in."""
    shutil.copytree(GOLDEN, folder, ignore=shutil.ignore_patterns(FIGURES.name))
    return folder


def certify(folder: Path) -> Any:
    """``rig certify`` on a job folder; the record."""
    from rig.cli.main import main

    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        status = main(["certify", str(folder), "--json"])
    assert status in (0, 1), status
    return json.loads(Path(json.loads(out.getvalue())["certificate"]).read_bytes())


def make() -> None:
    """Make the capture where there is none, and write the figures."""
    if not (GOLDEN / "captures").exists():
        sys.path.insert(0, str(Path(__file__).parent))
        from virtual_job import VirtualJob

        VirtualJob(GOLDEN, SEED).whole(3, "turn 2200 at 250")
    with tempfile.TemporaryDirectory() as home:
        record = certify(copy_job(Path(home, "job")))
    kept = {name: record[name] for name in ("program", *COMPARED)}
    FIGURES.write_text(json.dumps(kept, indent=1, ensure_ascii=False) + "\n", "utf-8")


if __name__ == "__main__":
    make()

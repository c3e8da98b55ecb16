"""A job that wants a correction, and what the example could be corrected with."""

from __future__ import annotations

import atexit
import functools
import shutil
import tempfile
from datetime import UTC, datetime
from pathlib import Path

from made_job import MadeJob

BEFORE = datetime(2024, 5, 1, 9, tzinfo=UTC)

MEANS = """
[[adjustment.slot]]
unit = "upper"
radius_mm = 45.0
clockwise_mm = 5.0
anticlockwise_mm = 5.0

[[adjustment.slot]]
unit = "lower"
radius_mm = 45.0
clockwise_mm = 5.0
anticlockwise_mm = 5.0
"""
RECUT = """
[[adjustment.dog]]
unit = "lower"
recut = "unit half"
radius_mm = 18.0
"""


@functools.cache
def _made(means: str, upper_deg: float) -> MadeJob:
    home = tempfile.mkdtemp(prefix="wrong-job-")
    atexit.register(shutil.rmtree, home, ignore_errors=True)
    made = MadeJob(Path(home, "job"), 5, edit=lambda text: text + means, began=BEFORE)
    made.do(f"move upper {upper_deg}")
    return made.whole()


def wrong_job(folder: Path, means: str = MEANS, upper_deg: float = 2.0) -> MadeJob:
    """A job whose upper unit stands wrong by some degrees, read once; each kind is made once."""
    return _made(means, upper_deg).copied(folder)

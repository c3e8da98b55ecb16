"""A unit on the bench, the encoder on its own shaft, recorded once for all tests."""

from __future__ import annotations

import atexit
import functools
import shutil
import tempfile
from pathlib import Path

from made_job import MadeJob


@functools.cache
def bench() -> MadeJob:
    """Units at crank speed: the crank stands for the unit's own shaft."""
    home = tempfile.mkdtemp(prefix="unit-")
    atexit.register(shutil.rmtree, home, ignore_errors=True)
    made = MadeJob(Path(home, "job"), 5)
    made.do("turn 1500 at 120", "back 1100 at 120", "turn 400 at 120")
    for angle, way in ((370.2, 1), (369.8, 1), (368.1, -1), (368.5, -1)):
        made.live.annotate("neutral", {"crank_deg": angle, "direction": way})
    made.live.annotate("neutral", {"crank_deg": "somewhere"})
    return made.end()

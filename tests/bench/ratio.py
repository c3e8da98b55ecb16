"""Processor time of several pieces of work, in turn and as the least of several tries; memory.

Other people use the machine as well: what is compared runs in one process, one after the other,
and the least time is the one with the least disturbance.
"""

from __future__ import annotations

import gc
import time
from collections.abc import Callable
from pathlib import Path


def least_s(tries: int, **works: Callable[[], object]) -> dict[str, float]:
    """Least processor time of each work, seconds."""
    best = dict.fromkeys(works, float("inf"))
    gc.collect()
    gc.freeze()  # what the test suite itself holds is not walked over while work is timed
    try:
        for _ in range(tries):
            for name, work in works.items():
                began = time.process_time()
                work()
                best[name] = min(best[name], time.process_time() - began)
    finally:
        gc.unfreeze()
    return best


def most_mib() -> float:
    """The most memory that this process has held so far, MiB (Linux; since it was executed, while
    ``resource.getrusage`` counts that of the process that it was forked from as well).
    """
    status = Path("/proc/self/status").read_text(encoding="ascii")
    line = next(line for line in status.splitlines() if line.startswith("VmHWM:"))
    return int(line.split()[1]) / 1024

"""Processor time of several pieces of work, in turn and as the least of several tries.

Other people use the machine as well: what is compared runs in one process, one after the other,
and the least time is the one with the least disturbance.
"""

from __future__ import annotations

import gc
import time
from collections.abc import Callable


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

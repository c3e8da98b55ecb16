"""Rights of POSIX systems, tried as a user who has not all of them."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path

NOBODY = 65534
"""The user and group that own nothing."""


@contextlib.contextmanager
def ordinary_user(job: Path) -> Iterator[None]:
    """Root may write everywhere: where the tests run as root, put it aside for a while."""
    if os.geteuid() != 0:
        yield
        return
    for path in (job, *job.rglob("*")):
        os.chown(path, NOBODY, NOBODY)
    closed = [above for above in job.parents if above.stat().st_mode & 0o055 != 0o055]
    modes = {above: above.stat().st_mode for above in closed}
    for above in closed:
        above.chmod(modes[above] | 0o055)
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)
        for above, mode in modes.items():
            above.chmod(mode)

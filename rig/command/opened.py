"""A job opened for a command: what is odd in its folder, and which capture is taken, is said."""

from __future__ import annotations

from pathlib import Path

from rig.command.say import message
from rig.job.folder import Job


def open_job(folder: Path, command: str) -> Job:
    """The job in ``folder``; names what is left out of it. Raises InputError as ``Job`` does."""
    job = Job(folder)
    for each in job.left_out():
        message(f"rig {command}: {each.words}")
    return job


def newest_capture(job: Job, command: str) -> Path:
    """The job's newest capture. Raises InputError when it does not follow which one that is."""
    found = job.newest()
    for each in found.left:
        message(f"rig {command}: {each.words}")
    if found.by_clock:
        message(
            f"rig {command}: {found.known.path}: taken as the newest by the computer's clock;"
            " captures made before this version do not say which came first"
        )
    return found.known.path

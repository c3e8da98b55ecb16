"""Killed without warning (SIGKILL) at any instant, while capturing and while certifying.

What is asked: the capture holds all but the last moments, no certificate is half, the job opens
again, and work in the same job goes on. Two hundred trials of each are run by hand:

    pytest -m bench -s tests/system/test_killed.py
"""

from __future__ import annotations

import random
import shutil
import statistics
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import pytest
from made_job import MadeJob, copied, rig
from paced_rig import SLOW_S, PacedRig, speech, start, wait_for

from rig.certificate import record
from rig.job.folder import Job

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL is of POSIX systems")

AT_ONCE = 2
MOST_LOST_S = 1.0
"""A killed capture lacks at most this much of what the rig had sent: the program reads at least ten
times a second, and a busy machine may hold it up (measured: see the by-hand trials)."""


@dataclass(frozen=True, slots=True)
class Lost:
    """What the rig had sent when the program was killed, and the capture does not hold."""

    data_bytes: int
    data_s: float  # age of the oldest of them
    kept: int  # bytes of the rig that it holds


def kill_while_capturing(job: Path, chance: random.Random) -> Lost:
    """One trial. The job is left as the kill left it."""
    before = set((job / "captures").iterdir())
    with PacedRig(speech()) as board:
        running = start("live", job, "--port", board.port, "--plain")
        try:
            wait_for(running, lambda: set((job / "captures").iterdir()) - before)
            board.begin()
            time.sleep(chance.uniform(0.0, 2.5))
            killed_s = time.monotonic()
            running.kill()
            running.wait(SLOW_S)
        finally:
            running.kill()
            running.communicate()
        (capture,) = set((job / "captures").iterdir()) - before
        lines = [line for line in capture.read_bytes().splitlines(True) if line.endswith(b"\n")]
        kept = b"".join(line for line in lines if not line.startswith(b"#"))
        assert board.data.startswith(kept), "the capture holds what the rig did not say"
        sent = board.sent_by(killed_s)
        lost = max(sent - len(kept), 0)
        return Lost(lost, killed_s - board.sent_at(len(kept)) if lost else 0.0, len(kept))


def the_cut_capture_serves(job: Path) -> None:
    """It reads up to the cut, which is said; a certificate of it holds, if enough was read."""
    cut = Job(job).newest().known.path
    ran = rig("read", cut, "--counts-per-turn", 4096)
    assert "the capture was cut off" in ran.err
    if ran.status == 2:  # killed before a whole line had come
        assert "it has no position of a rig" in ran.err
    ran = rig("certify", job, cut)
    if ran.status == 2:
        assert "there is nothing to certify" in ran.err
    assert certificates_are_whole(job) == 1 + (ran.status != 2)


def work_goes_on(job: Path) -> None:
    """The job opens, and a new capture in it gives a certificate that holds; old ones are kept."""
    old = {path: path.read_bytes() for path in (job / "captures").iterdir()}
    made = MadeJob(job).do("turn 900 at 120")
    record, _ = made.save()
    assert rig("verify", record).status == 0
    assert {path: path.read_bytes() for path in old} == old


def certificates_are_whole(job: Path, but: int = 0) -> int:
    """Each certificate verifies, the first few ``but``; what else lies there is read by nobody."""
    there = sorted(p for p in (job / "certificates").iterdir() if p.name[0] != ".")
    assert [p.parent for p in record.find(job / "certificates")] == there
    for each in there[but:]:
        ran = rig("verify", each)
        assert ran.status == 0, ran.out + ran.err
    return len(there)


def kill_while_certifying(
    job: Path, chance: random.Random, whole_s: float, before: int
) -> tuple[bool, int]:
    """One trial: whether it was killed in the making of the folder, and how many there are now.

    Every other trial waits for the folder in the making, which is there for a few hundredths of a
    second, and kills then.
    """
    places = job / "certificates"
    running = start("certify", job, captures_of(job)[0])
    try:
        if chance.random() < 0.5:
            while running.poll() is None and not list(places.glob(".making-*")):
                time.sleep(0.001)  # it may come and go unseen; then it was done
            time.sleep(chance.uniform(0.0, 0.03))
        else:
            time.sleep(chance.uniform(0.0, 1.2 * whole_s))
        running.kill()
    finally:
        running.communicate()
    left = bool(list(places.glob(".making-*")))
    for each in places.glob(".making-*"):  # so that the next trial sees its own
        shutil.rmtree(each)
    return left, certificates_are_whole(job, before)


def captures_of(job: Path) -> list[Path]:
    return sorted((job / "captures").iterdir())


def certify_s(job: Path) -> float:
    """How long certifying takes."""
    began = time.monotonic()
    subprocess.run(
        [sys.executable, "-m", "rig", "certify", job, captures_of(job)[0]],
        capture_output=True,
        check=False,
    )
    return time.monotonic() - began


@pytest.mark.slow
@pytest.mark.parametrize("trial", range(2))
def test_killed_while_capturing(tmp_path: Path, trial: int) -> None:
    job = copied(tmp_path)
    lost = kill_while_capturing(job, random.Random(trial))
    assert lost.data_s <= MOST_LOST_S, lost
    the_cut_capture_serves(job)
    work_goes_on(job)


@pytest.mark.slow
def test_killed_while_certifying(tmp_path: Path) -> None:
    job = copied(tmp_path)
    chance = random.Random(5)
    whole_s = certify_s(job)
    there = certificates_are_whole(job)
    for _ in range(3):
        _, there = kill_while_certifying(job, chance, whole_s, there)
    ran = rig("certify", job, captures_of(job)[0])
    assert ran.status in (0, 1)
    certificates_are_whole(job)


@pytest.mark.bench
def test_killed_while_capturing_200_times(tmp_path: Path) -> None:
    def trial(n: int) -> Lost:
        (tmp_path / str(n)).mkdir()
        job = copied(tmp_path / str(n))
        return kill_while_capturing(job, random.Random(n))

    copied(tmp_path)  # the finished job is made once, before the threads
    lost = []
    with ThreadPoolExecutor(AT_ONCE) as trials:
        for n, each in enumerate(trials.map(trial, range(200))):
            lost.append(each)
            the_cut_capture_serves(tmp_path / str(n) / "job")
            work_goes_on(tmp_path / str(n) / "job")
            shutil.rmtree(tmp_path / str(n))
    ages_ms = [1e3 * each.data_s for each in lost]
    sizes = [each.data_bytes for each in lost]
    kept = [each.kept for each in lost]
    print(
        f"\n200 captures cut by SIGKILL, {min(kept)} to {max(kept)} bytes of the rig in each."
        f" Lost of what it had sent: median {statistics.median(ages_ms):.0f} ms and"
        f" {statistics.median(sizes):.0f} bytes, worst {max(ages_ms):.0f} ms and"
        f" {max(sizes)} bytes"
    )
    assert max(ages_ms) <= 1e3 * MOST_LOST_S


@pytest.mark.bench
def test_killed_while_certifying_200_times(tmp_path: Path) -> None:
    job = copied(tmp_path)
    chance = random.Random(1)
    whole_s = certify_s(job)
    there = before = certificates_are_whole(job)
    left = 0
    for _ in range(200):
        in_the_making, there = kill_while_certifying(job, chance, whole_s, there)
        left += in_the_making
    done = there - before
    print(
        f"\n200 times certifying cut by SIGKILL within {1.2 * whole_s:.1f} s: {left} in the making"
        f" of the folder, {done} after it was whole, {200 - left - done} before; none half"
    )
    assert left > 10
    assert done > 10
    work_goes_on(job)

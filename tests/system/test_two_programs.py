"""Two programs at work in one job, as processes of their own: nothing is lost or written over."""

from __future__ import annotations

import signal
import sys
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path

import pytest
from made_job import copied, process, rig
from paced_rig import SLOW_S, PacedRig, speech, start, wait_for

from rig.certificate import record

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are of POSIX systems"),
]


def captures(job: Path) -> list[Path]:
    return sorted((job / "captures").iterdir())


def rig_bytes(capture: Path) -> bytes:
    lines = capture.read_bytes().splitlines(keepends=True)
    return b"".join(line for line in lines if not line.startswith(b"#"))


def has_spoken(capture: Path) -> bool:
    return len(rig_bytes(capture)) > 2000


def test_two_live_sessions_keep_a_capture_each(tmp_path: Path) -> None:
    job = copied(tmp_path)
    before = set(captures(job))
    with PacedRig(speech()) as one, PacedRig(speech("turn 4000 at 150", 3)) as two:
        first = start("live", job, "--port", one.port, "--plain")
        wait_for(first, lambda: len(set(captures(job)) - before) == 1)
        one.begin()
        (begun,) = set(captures(job)) - before
        second = start("live", job, "--port", two.port, "--plain")
        wait_for(second, lambda: len(set(captures(job)) - before) == 2)
        two.begin()
        for capture in set(captures(job)) - before:
            wait_for(second, partial(has_spoken, capture))
        second.send_signal(signal.SIGINT)
        said, _ = second.communicate(timeout=SLOW_S)
        first.send_signal(signal.SIGINT)
        first.communicate(timeout=SLOW_S)
    assert (first.returncode, second.returncode) == (0, 0)
    assert f"another program is recording {begun.name} in this job: both are kept" in said
    for capture, board in ((begun, one), (captures(job)[-1], two)):
        assert rig("read", capture).err == ""  # neither cut off nor changed
        assert board.data.startswith(rig_bytes(capture))


def test_certifying_waits_for_the_end_of_the_capture(tmp_path: Path) -> None:
    """A growing file has no fingerprint that lasts; the capture before it is as good as ever."""
    job = copied(tmp_path)
    (old,) = captures(job)
    with PacedRig(speech()) as board:
        live = start("live", job, "--port", board.port, "--plain")
        wait_for(live, lambda: len(captures(job)) == 2)
        board.begin()
        wait_for(live, lambda: captures(job)[-1].stat().st_size > 8000)
        refused = process("certify", job)
        other = process("certify", job, old)
        live.send_signal(signal.SIGINT)
        live.communicate(timeout=SLOW_S)
    new = next(path for path in captures(job) if path != old)
    assert refused.status == 2
    assert f"{new}: a program is still recording this capture: end it there first" in refused.err
    assert other.status in (0, 1)
    assert rig("certify", job, new).status in (0, 1)
    for each in record.find(job / "certificates"):
        assert rig("verify", each).status == 0


def test_certificates_made_at_once_get_a_name_each(tmp_path: Path) -> None:
    job = copied(tmp_path)
    (first,) = record.find(job / "certificates")
    before = first.read_bytes()
    with ThreadPoolExecutor(4) as programs:
        ran = list(programs.map(lambda _: process("certify", job, "--json"), range(4)))
    assert {each.status for each in ran} <= {0, 1}
    paths = [Path(each.answer["certificate"]) for each in ran]
    assert len(set(paths)) == 4
    assert sorted([first, *paths]) == record.find(job / "certificates")
    for path in paths:
        assert record.load(path)["identification"] == path.stem
        assert rig("verify", path).status == 0
    assert first.read_bytes() == before
    assert not list((job / "certificates").glob(".*"))

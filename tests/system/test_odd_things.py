"""Odd things in a job's folder do no harm: each is named and left out, and the rest works."""

from __future__ import annotations

import functools
import shutil
import signal
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from how_many import how_many
from hypothesis import given, settings
from hypothesis import strategies as st
from made_job import MadeJob, certificate_in, copied, finished, rig
from odd_things import KINDS, PLACES, put

pytestmark = pytest.mark.skipif(
    sys.platform in ("win32", "darwin"), reason="names that are not UTF-8: where any byte may stand"
)

COMMANDS = {
    "results": "results JOB",
    "certify": "certify JOB",
    "check": "check JOB",
    "range": "range JOB",
    "tdc": "tdc show JOB",
    "gauge": "tdc gauge JOB CAPTURE",
    "adjust": "adjust JOB",
    "adjust and confirm": "adjust JOB --confirm",
    "convert": "convert JOB --btdc 36",
    "gears": "gears JOB",
    "bench": "bench JOB --unit upper --lobes 2",
    "read": "read CAPTURE --job JOB",
    "compare": "compare CAPTURE CAPTURE --job JOB",
    "verify": "verify RECORD",
    "trend": "trend JOB",
    "drift": "plot drift JOB --out OUT.svg",
    "readings": "plot readings JOB --out OUT.svg",
    "turn": "plot turn JOB --out OUT.svg",
    "signal": "plot signal JOB --out OUT.svg",
    "layout": "plot layout JOB --out OUT.svg",
}
"""Every command that reads a job."""
NAMES_NOTHING = {"compare", "verify"}
"""They look at the files that they are given, and at nothing else in the folder."""
OF_HISTORY = ("certificate", "record", "report")
LONGEST_S = 100
"""Nothing here takes a second; what waits for a pipe waits for ever."""


@pytest.fixture(autouse=True)
def _nothing_waits() -> Iterator[None]:
    def waited(*_: object) -> None:
        raise AssertionError("a command waits for something odd")

    before = signal.signal(signal.SIGALRM, waited)
    signal.alarm(LONGEST_S)
    yield
    signal.alarm(0)
    signal.signal(signal.SIGALRM, before)


def ran(command: str, job: Path) -> tuple[int, str]:
    """Status, and what was said on the way."""
    words = {
        "JOB": job,
        "CAPTURE": job / "captures" / finished().capture.name,
        "RECORD": certificate_in(finished().folder).relative_to(finished().folder),
        "OUT.svg": job.parent / "out.svg",
    }
    words["RECORD"] = job / words["RECORD"]
    found = rig(*(words.get(word, word) for word in COMMANDS[command].split()))
    assert "Traceback" not in found.err
    return found.status, found.err


@functools.cache
def status_without(command: str) -> int:
    with tempfile.TemporaryDirectory() as home:
        return ran(command, copied(Path(home)))[0]


def is_named(command: str, place: str) -> bool:
    if command in NAMES_NOTHING:
        return False
    return place in OF_HISTORY if command in ("trend", "drift") else place != "at the top"


@pytest.mark.slow
@pytest.mark.parametrize("command", COMMANDS)
def test_every_odd_thing_at_once(tmp_path: Path, command: str) -> None:
    job = copied(tmp_path)
    odd = [
        (place, put(job, kind, place, f"{first}{n}"))
        for place in PLACES
        for n, kind in enumerate(KINDS)
        for first in ("1", "9")  # it would come first, or last
    ]
    status, said = ran(command, job)
    assert status == status_without(command), said
    for place, name in odd:
        if is_named(command, place) and not (command == "drift" and place == "report"):
            assert f"left out: {name}: it" in said, (place, said)
            assert said.count(f": {name}: ") == 1


@pytest.mark.slow
@settings(max_examples=how_many(10), deadline=None)
@given(
    odd=st.lists(
        st.tuples(st.sampled_from(KINDS), st.sampled_from(sorted(PLACES)), st.integers(0, 99999)),
        min_size=1, max_size=12, unique_by=lambda each: each[2],
    ),
    commands=st.lists(st.sampled_from(sorted(COMMANDS)), min_size=1, max_size=4, unique=True),
)  # fmt: skip
def test_any_mixture(odd: list[tuple[str, str, int]], commands: list[str]) -> None:
    with tempfile.TemporaryDirectory() as home:
        job = copied(Path(home))
        names = [(place, put(job, kind, place, f"{n:05}")) for kind, place, n in odd]
        for command in commands:
            signal.alarm(LONGEST_S)
            status, said = ran(command, job)
            if command != "certify":  # each certificate is one more for what comes after it
                assert status == status_without(command), said
            for place, name in names:
                if is_named(command, place) and not (command == "drift" and place == "report"):
                    assert f"left out: {name}: it" in said


@pytest.mark.parametrize("kind", KINDS[:-1])
@pytest.mark.parametrize("command", ["results", "check", "certify", "read", "verify", "gauge"])
def test_in_the_place_of_the_capture_itself(tmp_path: Path, kind: str, command: str) -> None:
    """Asked for by name it is refused, with the reason; never waited for, never read on and on."""
    from odd_things import ODD

    job = copied(tmp_path)
    capture = job / "captures" / finished().capture.name
    capture.unlink()
    ODD[kind](capture)
    status, said = ran(command, job)
    assert status == (1 if command == "verify" else 2), said


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS[:-1])
def test_a_live_session_begins_beside_them(tmp_path: Path, kind: str) -> None:
    job = copied(tmp_path)
    for place in PLACES:
        put(job, kind, place, "99")
    made = MadeJob(job).whole()
    assert made.job.growing() == []
    assert made.job.newest().known.path == made.capture
    assert made.save()[0].exists()


@pytest.mark.parametrize("name", ["captures", "certificates", "predictions", "units"])
@pytest.mark.parametrize("kind", [kind for kind in KINDS[:-1] if kind != "folder"])
def test_in_the_place_of_a_folder(tmp_path: Path, name: str, kind: str) -> None:
    from odd_things import ODD

    job = copied(tmp_path)
    shutil.rmtree(job / name, ignore_errors=True)
    ODD[kind](job / name)
    status, said = ran("results", job)
    assert status == 2
    assert str(job / name) in said


@pytest.mark.parametrize("kind", KINDS[:-1])
def test_in_the_place_of_the_reference(tmp_path: Path, kind: str) -> None:
    """Refused: whoever chose that dead centre would not want another. A new one can be stated."""
    from odd_things import ODD

    job = copied(tmp_path)
    (job / "reference.json").unlink()
    ODD[kind](job / "reference.json")
    for command in ("results", "certify", "tdc"):
        status, said = ran(command, job)
        assert status == 2
        assert str(job / "reference.json") in said
    assert rig("tdc", "set", job, "--tdc-deg", 12, "--within-deg", 1).status == 0
    assert (job / "reference.json").is_file()
    assert ran("results", job)[0] in (0, 1)

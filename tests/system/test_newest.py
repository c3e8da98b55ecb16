"""Which capture is the newest: by what the captures know of one another, whatever the clock did."""

from __future__ import annotations

import contextlib
import json
import shutil
import zlib
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_job import BEGAN, MadeJob, copied, finished, refused, rig

from rig.base.errors import InputError
from rig.job import capture_order
from rig.job.folder import Job
from rig.wire.capture import parsed_note

EARLIER = datetime(2020, 1, 1, 0, 0, 12, tzinfo=UTC)  # a clock that begins anew at each start


def session(job: Path, began: datetime) -> Path:
    return MadeJob(job, began=began).do("turn 30 at 120").end().capture


def head(path: Path, **changes: object) -> None:
    """Write a capture's first line anew, with changes; None takes a name out of it."""
    lines = path.read_bytes().split(b"\n", 1)
    note = parsed_note(lines[0] + b"\n")
    assert note is not None
    start = {k: v for k, v in (note[1] | changes).items() if v is not None}
    body = f"# capture {json.dumps(start)} 00000000".encode()
    path.write_bytes(b"%b %08X\n" % (body, zlib.crc32(body)) + lines[1])


def without_place(path: Path) -> Path:
    """As captures were before they knew of one another."""
    head(path, number=None, after=None)
    return path


def test_the_newest_session_is_the_newest_though_the_clock_went_back(tmp_path: Path) -> None:
    job = tmp_path / "job"
    first = session(job, BEGAN)
    second = session(job, EARLIER)
    assert second.name < first.name
    assert Job(job).newest().known.path == second
    ran = rig("results", job, "--json")
    assert ran.answer["captures"] == [str(second)]
    assert "clock" not in ran.err
    third = session(job, BEGAN + timedelta(days=1))
    assert Job(job).newest().known.path == third
    fourth = session(job, EARLIER)
    assert Job(job).newest().known.path == fourth


def test_a_clock_that_went_back_is_said_at_the_beginning(tmp_path: Path) -> None:
    job = tmp_path / "job"
    assert MadeJob(job).end().live.caution() == ""
    said = MadeJob(job, began=EARLIER).end().live.caution()
    assert "the computer's clock shows 2020-01-01T00:00:12Z" in said
    assert "a capture of this job began at 2026-03-01T09:00:00Z: set the clock" in said
    assert MadeJob(job, began=BEGAN + timedelta(seconds=1)).end().live.caution() == ""


@pytest.mark.parametrize("words", [("certify",), ("check",), ("range",), ("adjust",)])
def test_every_command_takes_it(tmp_path: Path, words: tuple[str, ...]) -> None:
    """A clock that went back, an empty newest session: the good older one is not slipped in."""
    job = copied(tmp_path)
    newest = session(job, EARLIER)
    ran = rig(*words, job)
    assert Job(job).newest().known.path == newest
    if words == ("check",):
        assert newest.with_suffix(".check.json").exists()
    else:
        assert ran.status == 2, ran.err


@settings(max_examples=25, deadline=None)
@given(data=st.data())
def test_any_clock_at_all(data: st.DataObject, tmp_path_factory: pytest.TempPathFactory) -> None:
    """Heads with any times of day, begun one after another, some deleted: never an older one."""
    folder = tmp_path_factory.mktemp("any")
    made: list[Path] = []
    days = data.draw(st.lists(st.integers(-3, 3), min_size=1, max_size=6))
    for n, day in enumerate(days):
        begun = BEGAN + timedelta(days=day)
        path = folder / f"{begun:%Y%m%d}-{n}.capture"
        start = {
            "utc": begun.isoformat(),
            "port": "p",
            **capture_order.place_after(folder.iterdir()),
        }
        body = f"# capture {json.dumps({'format': 1, **start})} 00000000".encode()
        path.write_bytes(b"%b %08X\n" % (body, zlib.crc32(body)))
        made.append(path)
        if n and data.draw(st.booleans()):
            gone = data.draw(st.sampled_from(made[:-1]))
            gone.unlink()
            made.remove(gone)
    whole = len(made) == len(days)
    with contextlib.nullcontext() if whole else contextlib.suppress(capture_order.UncertainError):
        found = capture_order.newest(made)
        assert found is not None
        assert found.known.path == made[-1]


def test_captures_copied_together_are_asked_about(tmp_path: Path) -> None:
    """The same job carried on on two computers, one of them with a wrong clock."""
    one, two = tmp_path / "one", tmp_path / "two"
    session(one, BEGAN)
    shutil.copytree(one, two)
    session(one, BEGAN + timedelta(days=1))
    here = session(one, BEGAN + timedelta(days=2))
    there = session(two, BEGAN + timedelta(days=3))
    shutil.copy(there, one / "captures")
    said = refused(2, "results", one)
    assert f"name the one to use, {here} or {one / 'captures' / there.name}" in said
    assert rig("results", one, here).status == 0
    after = session(one, EARLIER)
    assert Job(one).newest().known.path == after


def test_captures_from_before_go_by_the_clock_which_is_said(tmp_path: Path) -> None:
    job = tmp_path / "job"
    without_place(session(job, BEGAN))
    newer = without_place(session(job, BEGAN + timedelta(days=1)))
    ran = rig("results", job)
    assert f"{newer}: taken as the newest by the computer's clock" in ran.err
    after = session(job, EARLIER)
    ran = rig("results", job, "--json")
    assert ran.answer["captures"] == [str(after)]
    assert "clock" not in ran.err
    old = without_place(session(tmp_path / "other", BEGAN + timedelta(days=9)))
    shutil.copy(old, job / "captures")  # by an older version of the program, when?
    assert "name the one to use" in refused(2, "results", job)


def test_one_whose_head_is_lost_is_never_passed_over_for_an_older_one(tmp_path: Path) -> None:
    job = tmp_path / "job"
    good = session(job, BEGAN)
    lost = session(job, BEGAN + timedelta(days=1))
    lost.write_bytes(b"")
    said = refused(2, "results", job)
    assert f"{lost}: the capture is empty" in said
    assert "name the capture to use" in said
    lost.rename(lost.with_name("20200101-000000.capture"))
    ran = rig("results", job, "--json")
    assert ran.answer["captures"] == [str(good)]
    assert "20200101-000000.capture: it does not begin as a capture" in ran.err
    after = session(job, EARLIER - timedelta(days=900))  # it began after all of them
    assert Job(job).newest().known.path == after


def test_copies_of_one_session_are_one(tmp_path: Path) -> None:
    """A copy that was taken while the session ran is shorter: the whole one is meant."""
    job = copied(tmp_path)
    capture = Job(job).newest().known.path
    part = capture.with_name("zz.capture")
    part.write_bytes(capture.read_bytes()[:5000])
    assert Job(job).newest().known.path == capture


def test_a_job_without_captures_says_so(tmp_path: Path) -> None:
    job = copied(tmp_path)
    shutil.rmtree(job / "captures")
    assert "there is no capture yet" in refused(2, "results", job)
    with pytest.raises(InputError, match="no capture yet"):
        Job(job).newest()


def test_the_head_says_what_it_comes_after(tmp_path: Path) -> None:
    first = capture_order.known(finished().capture)
    assert (first.number, first.after) == (1, ())
    job = copied(tmp_path)
    second = capture_order.known(session(job, BEGAN))
    assert (second.number, second.after) == (2, (first.digest,))
    assert second.after_files == (finished().capture.name,)

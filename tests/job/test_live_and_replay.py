"""A session live, and the same session played again from its capture: to the last digit alike."""

from __future__ import annotations

import functools
import json
import random
import time
from pathlib import Path
from typing import Any

import pytest
from device import Device
from hypothesis import given, settings
from hypothesis import strategies as st
from made_job import HandFeed, MadeJob, copied, rig

from rig.job.folder import Job
from rig.job.new import write_example
from rig.job.results import replay_capture
from rig.live.live_session import Bytes, LiveSession, PortReader
from rig.session.session import Session
from rig.virtual.rig import VirtualRig, demo_profile
from rig.wire.capture import CaptureReader
from rig.wire.ports import open_port
from rig.wire.records import Note
from rig.words.diagnostics import diagnostic_words

PLAN = (
    "turn 500 at 110", "fault corrupt 2", "turn 300 at 110", "fault lose 1", "fault counts 2",
    "turn 400 at 110", "fault reset in 1", "turn 500 at 110", "fault garbage 40", "turn 300 at 110",
    "rest 0.5",
)  # fmt: skip


@functools.cache
def stream() -> tuple[bytes, ...]:
    """What a rig with many faults says, command by command."""
    rig_ = VirtualRig(demo_profile(), 11)
    return tuple(b"".join(line for part in rig_.do(c) for _, line in part) for c in PLAN)


def said(session: Session) -> dict[str, Any]:
    """All that a session came to. As text, since not-a-number is not equal to itself."""
    return {
        "openings": repr(session.openings),
        "passes": session.index_passes,
        "readings": repr(session.readings()),
        "judgements": session.assessments(),
        "comparisons": session.comparisons(),
        "troubles": dict(session.line_errors),
        "findings": dict(session.findings),
        "doubts": session.doubts(),
        "restarts": session.restarts,
        "reference": session.reference,
    }


def replayed(capture: Path, job: Job) -> dict[str, Any]:
    return said(replay_capture(job.profile, capture).session)


def live(bench: LiveSession) -> dict[str, Any]:
    """What the live session came to, after its capture was ended."""
    bench.end()
    bench.session.finish()
    return said(bench.session)


def test_over_a_real_socket_and_again_from_the_capture(tmp_path: Path) -> None:
    write_example(tmp_path / "job")
    job = Job(tmp_path / "job")
    data = b"".join(stream())
    chance = random.Random(2)
    cuts = sorted(chance.randrange(len(data)) for _ in range(30))
    pieces = [data[a:b] for a, b in zip([0, *cuts], [*cuts, len(data)], strict=True)]
    with Device(pieces) as device:
        port = open_port(device.port)
        bench = LiveSession(job, PortReader(port, lambda: open_port(device.port)), device.port)
        until_s = time.monotonic() + 60.0
        received = 0
        while received < len(data) and time.monotonic() < until_s:
            bench.pump()
            received = bench_bytes(bench)
            time.sleep(0.01)
        lived = live(bench)
    assert received >= len(data)
    assert lived["restarts"] == 1
    assert len(bench.session.openings) > 15
    assert lived == replayed(bench.capture_path, job)


def bench_bytes(bench: LiveSession) -> int:
    """Bytes of the rig in the capture so far, raw ones included."""
    total = 0
    for line in bench.capture_path.read_bytes().splitlines(keepends=True):
        if line.startswith(b"# raw "):
            total += len(json.loads(line.split(b" ")[2])["hex"]) // 2
        elif not line.startswith(b"#"):
            total += len(line)
    return total


@settings(max_examples=12)
@given(data=st.data())
def test_however_it_was_cut_live_the_replay_is_the_same(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """Notes fall where the person made them; between them the bytes come in any pieces."""
    folder = tmp_path_factory.mktemp("cut") / "job"
    write_example(folder)
    job = Job(folder)
    feed = HandFeed()
    bench = LiveSession(job, feed, "virtual")
    for part in stream():
        at = 0
        for size in data.draw(st.lists(st.integers(1, 6000), max_size=6)):
            feed.put(Bytes(part[at : at + size], 0.0))
            at += size
            bench.pump()
        feed.put(Bytes(part[at:], 0.0))
        bench.pump()
        bench.annotate("setting", {"unit": "upper", "setting": "full advance"})
    lived = live(bench)
    assert lived == replayed(bench.capture_path, job)
    assert lived == whole()


@functools.cache
def whole() -> dict[str, Any]:
    """The same stream taken in one piece."""
    import tempfile

    with tempfile.TemporaryDirectory() as home:
        folder = Path(home, "job")
        write_example(folder)
        job = Job(folder)
        feed = HandFeed()
        bench = LiveSession(job, feed, "virtual")
        for part in stream():
            feed.put(Bytes(part, 0.0))
            bench.pump()
        return live(bench)


def test_a_whole_job_with_all_that_the_person_did(tmp_path: Path) -> None:
    made = MadeJob(tmp_path / "job", 5).find_tdc(touches=3).state_stroke()
    made.do("turn 800 at 110", "lever full retard")
    made.next_setting("upper")
    made.do("turn 500 at 110")
    made.as_left()
    made.do("turn 500 at 110")
    made.reject_last()
    made.do("turn 400 at 110")
    lived = live(made.live)
    assert lived["judgements"]
    assert lived == replayed(made.capture, made.job)
    shown = rig("results", made.folder, "--json").answer
    assert len(shown["judgements"]) == len(lived["judgements"])
    assert [j["mean_btdc"] for j in shown["judgements"]] == [
        j.mean_btdc for j in lived["judgements"]
    ]


def notes(capture: Path) -> list[Note]:
    return [
        other for batch in CaptureReader(capture).batches() for other in batch.others
        if isinstance(other, Note)
    ]  # fmt: skip


def test_a_port_that_goes_away_and_comes_back(tmp_path: Path) -> None:
    """The rig lost its power with the cable: it begins anew, and the session goes on."""
    made = MadeJob(tmp_path / "job").find_tdc().state_stroke().do("turn 800 at 110")
    before = len([r for r in made.live.session.readings() if r.valid])
    made.hear(b"P 1F 1A2B3C")  # half a line
    made.unplug("virtual: the rig went away: it was pulled out")
    made.do("fault reset", "rest 1", "turn 500 at 110")
    session = made.live.session
    assert made.live.lost == ""
    assert session.stroke_lost
    assert len([r for r in session.readings() if r.valid]) > before
    made.state_stroke().do("turn 800 at 110")
    lived = live(made.live)
    assert lived == replayed(made.capture, made.job)
    names = [note.name for note in notes(made.capture)]
    assert names.index("gap") < names.index("back") < names.index("end")
    (gap,) = [note for note in notes(made.capture) if note.name == "gap"]
    assert gap.value["why"] == "virtual: the rig went away: it was pulled out"
    assert str(gap.value["utc"]).startswith("2026-03-01T09:")
    assert b"P 1F 1A2B3C".hex().encode() in made.capture.read_bytes()  # the half line is kept
    ran = rig("results", made.folder, "--json")
    assert any("the rig restarted once" in text for text in ran.answer["said"])
    certified = rig("certify", made.folder, "--json")
    assert rig("verify", certified.answer["certificate"]).status == 0


def test_while_the_port_is_away_it_is_said_and_nothing_is_lost(tmp_path: Path) -> None:
    from rig.live.live_session import Back, Lost

    made = MadeJob(tmp_path / "job").find_tdc().do("turn 400 at 110")
    made.feed.put(Lost("virtual: the rig went away: it was pulled out"))
    made.live.pump()
    assert made.live.diagnosis() == "virtual: the rig went away: it was pulled out"
    copy = copied(tmp_path / "elsewhere") / "captures" / "now.capture"
    copy.write_bytes(made.capture.read_bytes())  # what a power cut of the computer would leave
    assert rig("read", copy).status == 0
    made.feed.put(Back("virtual"))
    made.live.pump()
    assert made.live.diagnosis() == ""


def test_a_reset_in_mid_turn_is_in_the_capture_and_on_the_certificate(tmp_path: Path) -> None:
    made = MadeJob(tmp_path / "job").find_tdc().state_stroke().do("turn 400 at 110")
    made.do("fault reset in 0.7", "turn 300 at 110")
    words = [diagnostic_words(doubt) for doubt in made.live.session.doubts()]
    assert "the rig restarted once" in words
    made.do("turn 1500 at 110")
    lived = live(made.live)
    assert lived == replayed(made.capture, made.job)
    later = [r for r in made.live.session.readings() if r.valid][-6:]
    assert {round(r.btdc_deg or 0.0) for r in later} <= {35, 36}
    record = json.loads(
        Path(rig("certify", made.folder, "--json").answer["certificate"]).read_bytes()
    )
    assert any("the rig restarted once" in text for text in record["deviations"])

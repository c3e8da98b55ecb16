"""The computer's clock jumps during a capture: durations hold, and the record says so."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_job import BEGAN, MadeJob, rig

from rig.job.clock import Clock, HostClock, moment
from rig.wire.records import Note


def jumped(folder: Path, by_s: float) -> tuple[MadeJob, dict[str, Any]]:
    """A job whose host's clock jumps between the stop and the readings, and its certificate."""
    made = MadeJob(folder).find_tdc()
    made.live.utc = lambda: BEGAN + timedelta(seconds=made.rig.now_s + by_s)
    made.do("rest 1.5").state_stroke().do("turn 1450 at 110").end()
    record, _ = made.save()
    ran = rig("verify", record)
    assert ran.status == 0, ran.out
    return made, json.loads(record.read_bytes())


def test_set_back_by_an_hour(tmp_path: Path) -> None:
    made, record = jumped(tmp_path / "back", -3600.0)
    _, plain = jumped(tmp_path / "plain", 0.0)
    assert "the computer's clock was set back by 3600 s after 2026-03-01T09:00" in str(
        record["deviations"]
    )
    assert plain["deviations"] == []
    for name in ("readings", "judgements", "comparisons"):
        assert record[name] == plain[name]
    since, until = (
        datetime.fromisoformat(record[f"measured_{end}_utc"]) for end in ("from", "until")
    )
    assert (until - since).total_seconds() == pytest.approx(made.rig.now_s, abs=2.0)
    clock = Clock(made.capture)
    times = [clock.utc(1e6 * t_s) for t_s in range(int(made.rig.now_s))]
    assert times == sorted(times, key=lambda each: each or BEGAN)


def test_set_forward_or_asleep(tmp_path: Path) -> None:
    made, record = jumped(tmp_path / "job", 3600.0)
    (said,) = record["deviations"]
    assert "the computer's clock advanced by 3600 s more than was measured after 2026-" in said
    assert "it was set, or the computer slept" in said
    until = datetime.fromisoformat(record["measured_until_utc"])
    assert (until - BEGAN).total_seconds() == pytest.approx(3600.0 + made.rig.now_s, abs=2.0)


def test_it_is_said_on_the_screen_for_a_while(tmp_path: Path) -> None:
    made = MadeJob(tmp_path / "job").do("turn 90 at 90")
    assert made.live.caution() == ""
    made.live.utc = lambda: BEGAN + timedelta(seconds=made.rig.now_s - 600)
    made.do("rest 1.5")
    assert made.live.caution().startswith("the computer's clock was set back by 600 s")
    made.do("rest 31")
    assert made.live.caution() == ""


def test_a_clock_that_is_trimmed_is_no_jump() -> None:
    """A clock that is held right over the network runs up to 500 ppm off (RFC 5905, 11.3)."""
    clock = HostClock("2026-03-01T09:00:00Z")
    for s in range(1, 8 * 3600):
        utc = BEGAN + timedelta(seconds=s * 1.0005)
        assert clock.take(Note(0.0, "host", {"utc": utc.isoformat(), "monotonic_s": s})) == utc
    assert clock.said == []


@pytest.mark.parametrize("value", [{}, {"utc": "noon"}, {"utc": 7}])
def test_notes_without_a_time_say_none(value: dict[str, object]) -> None:
    assert HostClock("").take(Note(0.0, "host", value)) is None


def unheard(made: MadeJob, *commands: str) -> None:
    """The hand and the rig go on while nothing comes through."""
    for command in commands:
        for _ in made.rig.do(command):
            pass


def agree(made: MadeJob) -> bool:
    """Whether readings that count agree, each unit's on each cylinder: none is a count off."""
    found: dict[object, list[float]] = {}
    for reading in made.live.session.readings():
        if reading.valid and reading.btdc_deg is not None:
            found.setdefault((reading.unit, reading.cylinder), []).append(reading.btdc_deg)
    assert found
    return all(max(each) - min(each) < 1.0 for each in found.values())


def test_a_long_silence_while_the_rig_goes_on(tmp_path: Path) -> None:
    """The computer slept for five minutes; the crank was turned meanwhile, two turns and a bit."""
    made = MadeJob(tmp_path / "job").find_tdc().state_stroke().do("turn 700 at 110")
    before = len(made.live.session.openings)
    unheard(made, "turn 765 at 110", "rest 300")
    made.do("turn 800 at 110")
    assert made.live.session.line_errors["gap"] == 1
    assert len(made.live.session.openings) > before
    assert agree(made)
    record, _ = made.save()
    assert rig("verify", record).status == 0


def test_a_long_silence_in_which_the_rig_was_reset(tmp_path: Path) -> None:
    """Not even the line that tells of the restart was heard: the index shows it."""
    made = MadeJob(tmp_path / "job").find_tdc().state_stroke().do("turn 700 at 110")
    before = len(made.live.session.openings)
    unheard(made, "fault reset", "rest 300")
    made.do("turn 1200 at 110")
    assert len(made.live.session.openings) > before
    assert made.live.session.restarts or made.live.session.hindsight.index.off_passes
    assert agree(made)
    record, _ = made.end().save()
    assert rig("verify", record).status == 0


TIMES = st.sampled_from(
    ["0001-01-01T00:00:00+14:00", "0001-01-01T00:00:00Z", "2026-03-01T09:00:00Z",
     "9999-12-31T23:59:59Z", "9999-12-31T23:59:59-14:00", "never"]
)  # fmt: skip
SECONDS = st.sampled_from([0, 1.0, -1e300, 1e300, 10**400, float("nan"), "7", None])


@given(st.lists(st.tuples(TIMES, SECONDS), max_size=30))
def test_no_time_of_day_ends_it_and_none_goes_back(notes: list[tuple[str, Any]]) -> None:
    clock = HostClock("2026-03-01T09:00:00Z")
    latest = moment("2026-03-01T09:00:00Z")
    for utc, seconds in notes:
        now = clock.take(Note(0.0, "host", {"utc": utc, "monotonic_s": seconds}))
        if now is not None:
            assert latest is not None
            assert now >= latest
            latest = now

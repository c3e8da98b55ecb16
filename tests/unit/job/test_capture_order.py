"""Which reference is the newest, though the clock went backwards."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from made_job import BEGAN, MadeJob

from rig.job.tdc import in_use
from rig.tdc.reference import GaugeWorking, Method, TdcReference, set_by_hand

EARLIER = datetime(2020, 1, 1, 0, 0, 12, tzinfo=UTC)  # a clock that begins anew at each start


def session(job: Path, began: datetime) -> Path:
    return MadeJob(job, began=began).do("turn 30 at 120").end().capture


def found(at_deg: float, capture: Path, made: datetime, *, by_gauge: bool = False) -> TdcReference:
    stated = set_by_hand(at_deg, how="touched", half_width_deg=0.1)
    return replace(
        stated,
        method=Method.FIT if by_gauge else Method.STOP,
        capture=capture.name,
        made_utc=made.isoformat(),
        gauge=GaugeWorking((), 0.01, 0.0, 0.0, "", False) if by_gauge else None,
    )


@pytest.mark.parametrize("began", [EARLIER, BEGAN + timedelta(days=1)])
def test_what_a_later_capture_found_is_later_whatever_the_clock_says(
    began: datetime, tmp_path: Path
) -> None:
    first, second = session(tmp_path / "job", BEGAN), session(tmp_path / "job", began)
    old, new = found(91.0, first, BEGAN), found(92.0, second, began)
    for of in ([(first, old), (second, new)], [(second, new), (first, old)]):
        assert in_use(of, None) == new
        assert in_use(of, old) == new
        assert in_use(of, new) == new
    assert in_use([(first, old), (second, None)], new) == new


def test_what_was_chosen_afterwards_comes_first_unless_the_clock_went_back(tmp_path: Path) -> None:
    job = tmp_path / "job"
    first, second = session(job, BEGAN), session(job, BEGAN + timedelta(days=1))
    of = [(first, found(91.0, first, BEGAN)), (second, found(92.0, second, BEGAN))]
    chosen = found(90.0, first, BEGAN + timedelta(days=2), by_gauge=True)
    assert in_use(of, chosen) == chosen
    third = session(job, EARLIER)  # the clock went back: when it was chosen does not say
    last = found(93.0, third, EARLIER)
    assert in_use([*of, (third, last)], chosen) == last


def test_what_the_gauge_gives_of_a_capture_is_later_than_what_was_found_in_it(
    tmp_path: Path,
) -> None:
    only = session(tmp_path / "job", BEGAN)
    stop = found(91.0, only, BEGAN)
    gauge = found(90.0, only, EARLIER, by_gauge=True)
    assert in_use([(only, stop)], gauge) == gauge

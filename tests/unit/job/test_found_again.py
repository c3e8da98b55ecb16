"""Which of a recording's TDCs a claim is about."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from made_job import MadeJob

from rig.job.results import replay_capture
from rig.job.tdc import found_again


def test_of_two_that_agree_it_is_the_one_of_the_claims_time(tmp_path: Path) -> None:
    """Touched again on the same counts, TDC is the same to the last digit; its touches are not."""
    made = MadeJob(tmp_path / "job").find_tdc(3).end()
    source = replay_capture(made.job.profile, made.capture)
    (first,) = source.session.found
    again = replace(first, forward_deg=first.forward_deg[:2], made_utc="2026-03-01T10:00:00.000Z")
    source.session.tdcs.came(again, 0.0)
    for claimed in (first, again):
        assert found_again(claimed, source, made.job.profile) == replace(
            claimed, capture=made.capture.name
        )

"""Dead centre that was only stated, the encoder geared: nobody said where on its disc it was found.

The intervals have to hold at each of the places, not on the average over them. The engine, the
encoder with its run-out and the openings are those of ``whole_job``; the person reads the encoder
with the piston at its top, on one or another turn of the crank, and states it.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from statistics import fmean

import numpy as np
import pytest
from whole_job import NOMINAL, Scenario, WholeJob

from rig.engine.profile import Encoder
from rig.tdc.reference import TdcReference, set_by_hand
from rig.tdc.reference_file import to_plain
from rig.timing import uncertainty_budget
from rig.timing.means import Seat, seat_of

WITHIN_DEG = 0.05
GEARED = Scenario(readings=3, spread=0.02, run_out=0.1, graduation=0.0)
RATIOS = {"1/2": range(2), "9/16": (0, 3, 7, 8, 12), "2/3": range(3)}


class StatedJob(WholeJob):
    """Dead centre was read off the encoder ``on_turn`` of the crank, and is stated."""

    on_turn = 0

    def _touch_stop(self) -> None:
        top_deg = self._top_deg + 360.0 * self.on_turn
        read_deg = float(self._encoder.shown(np.array([top_deg]))[0])
        read_deg += self._rng.uniform(-WITHIN_DEG, WITHIN_DEG)
        self.tdc_deg = read_deg % 360.0
        said = set_by_hand(read_deg, how="a test", half_width_deg=WITHIN_DEG)
        self._say("reference", **to_plain(said))


def held(ratio: str, on_turn: int, jobs: int) -> float:
    """How often the interval of the first cylinder's figure holds the truth."""
    kind = type("Job", (StatedJob,), {"on_turn": on_turn})
    scenario = replace(GEARED, encoder_turns=Fraction(ratio))
    rng = np.random.default_rng(7)
    found = []
    for _ in range(jobs):
        job = kind(scenario, rng, (NOMINAL, NOMINAL))
        for j in job.session.assessments():
            assert j.mean_btdc is not None
            assert j.uncertainty is not None
            found.append(abs(j.mean_btdc - job.btdc[j.unit][1]) <= j.uncertainty.U_deg)
    assert len(found) == 2 * jobs
    return fmean(found)


@pytest.mark.parametrize("ratio", RATIOS)
def test_the_interval_holds_wherever_on_the_disc_it_was_found(ratio: str) -> None:
    for on_turn in RATIOS[ratio]:
        assert held(ratio, on_turn, 40) >= 0.95, on_turn


def test_taken_at_its_first_place_it_would_not_hold(monkeypatch: pytest.MonkeyPatch) -> None:
    def first(reference: TdcReference, encoder: Encoder) -> Seat:
        return seat_of([[reference.tdc_deg]], encoder)

    monkeypatch.setattr(uncertainty_budget, "reference_seat", first)
    assert min(held("1/2", on_turn, 100) for on_turn in range(2)) < 0.8

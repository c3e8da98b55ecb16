"""What was read at a virtual bench, against what was really so."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from statistics import fmean
from typing import Any

from virtual_bench import VirtualBench

from rig.base.angles import wrap
from rig.engine.gear_train import index_places, places_apart_deg
from rig.timing.values import Assessment, Reading

PLACED_DEG = 0.1
"""A reading is placed as well as this on the encoder's own scale."""

SAME_S = 0.01
BOOT_S = 2.0
"""A board that restarts is silent for no longer than this."""


def check_against_truth(bench: VirtualBench) -> None:
    """Every valid reading is a true running opening, placed right; every verdict fits the truth."""
    session = bench.live.session
    assert session.reference is not None
    one_place = index_places(bench.job.profile.encoder) == 1
    valid = [r for r in session.readings() if r.valid and r.kind == "turned"]
    by_figure: dict[tuple[object, ...], list[float]] = defaultdict(list)
    for reading in valid:
        true = true_opening(bench, reading)
        assert true["kind"] == "running", (reading, true)
        assert reading.crank_deg is not None
        assert reading.btdc_deg is not None
        if one_place:
            placed = wrap(reading.crank_deg - true["shown_deg"])
            assert abs(placed) <= PLACED_DEG, (reading, true)
        off = wrap(reading.btdc_deg - true_btdc(bench, reading, true))
        assert abs(off) <= PLACED_DEG + session.reference.uncertainty.U_deg, (reading, true)
        figure = (reading.unit, reading.setting, reading.phase, reading.cylinder)
        by_figure[figure].append(true_btdc(bench, reading, true))
    for judged in session.assessments():
        if judged.kind == "turned" and judged.cylinder is not None:
            own = (judged.unit, judged.setting, judged.phase, judged.cylinder)
            _check_verdict(judged, fmean(by_figure[own]))


def true_opening(bench: VirtualBench, reading: Reading) -> dict[str, Any]:
    """What really happened when ``reading`` was taken."""
    number = next(u.input for u in bench.job.profile.units if u.name == reading.unit)
    unit = bench.rig.truth()["units"][str(number)]
    openings: Sequence[dict[str, Any]] = (*unit["openings"], *unit["others"])
    at_s = reading.t_s + bench.live.session.start_us * 1e-6
    # Over a restart the rig's clock begins anew, and nobody knows for how long it was silent.
    within_s = SAME_S + BOOT_S * len(bench.rig.truth().get("restarts", ()))
    assert reading.crank_deg is not None
    near = [o for o in openings if abs(o["t"] - at_s) <= within_s]
    assert near, reading
    at_deg = reading.crank_deg
    # A geared encoder's index may be at another place of the crank after a restart.
    apart_deg = places_apart_deg(bench.job.profile.encoder)
    return min(near, key=lambda each: abs(wrap(at_deg - each["shown_deg"], apart_deg)))


def true_btdc(bench: VirtualBench, reading: Reading, true: Mapping[str, Any]) -> float:
    """Where that was before the TDC of the reading's cylinder, by the truth, degrees."""
    truth = bench.rig.truth()
    tops = truth["tops_after_cylinder_1_deg"]
    found: list[float] = [
        wrap(float(truth["tdc_deg_after_index"]) + after - float(true["crank_deg"]))
        for cylinder, after in tops.items()
        if reading.cylinder in (None, cylinder)  # None: nothing tells its cylinder
    ]
    read_deg = reading.btdc_deg or 0.0
    return float(min(found, key=lambda each: abs(wrap(each - read_deg))))


def _check_verdict(judged: Assessment, true_deg: float) -> None:
    if judged.latest_btdc is None or judged.earliest_btdc is None or judged.uncertainty is None:
        return
    U_deg = judged.uncertainty.U_deg
    inside = min(wrap(true_deg - judged.latest_btdc), wrap(judged.earliest_btdc - true_deg))
    said = (judged, true_deg)
    if judged.verdict == "inside":
        assert inside >= 0.0, said
    elif judged.verdict == "outside":
        assert inside <= 0.0, said
    else:
        assert abs(inside) <= 2.0 * U_deg, said

"""Pin recordings: what is written is what happened, in a form that another library reads."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import pytest
from launch_engine import launch_engine
from vcdvcd import VCDVCD

from rig.virtual.ground_truth import draw
from rig.virtual.motion import Hand
from rig.virtual.rig import pin_recording, run

PROFILE = launch_engine()
PLAN = ["turn 500 at 90", "back 60", "turn 100", "foot"]


@pytest.mark.parametrize(("step_us", "per_s"), [(1.0, 1e6), (0.1, 1e7)])
def test_another_library_reads_the_same_levels(
    tmp_path: Path, step_us: float, per_s: float
) -> None:
    path = tmp_path / "pins.vcd"
    with path.open("w", encoding="ascii") as out:
        truth = pin_recording(PLAN, PROFILE, out, 4, vcd_step_us=step_us)
    vcd = VCDVCD(str(path))
    names = [name.split(".")[-1] for name in vcd.signals]
    assert names == ["a", "b", "z", "contact1", "contact2", "foot"]
    assert float(vcd.timescale["timescale"]) * per_s == pytest.approx(1)
    a, b = (dict(vcd[f"rig.{name}"].tv) for name in "ab")
    state = {"00": 0, "10": 1, "11": 2, "01": 3}
    now, count = [a[0], b[0]], 0
    last = state["".join(now)]
    for t in sorted({*a, *b} - {0}):
        now = [a.get(t, now[0]), b.get(t, now[1])]
        step = (state["".join(now)] - last + 1) % 4 - 1
        assert step in (1, -1)
        count, last = count + step, state["".join(now)]
    assert count == pytest.approx((500 - 60 + 100) * 4096 / 360, abs=1.5)
    rises = [t for t, value in vcd["rig.z"].tv if value == "1" and t > 0]
    leading = [entry["t"] for entry in truth["index"]]
    assert all(min(abs(t - edge * per_s) for edge in leading) < 2e6 for t in rises)
    for unit in ("1", "2"):
        changes = vcd[f"rig.contact{unit}"].tv
        parted = {t for t, value in changes if value == "1"}
        for opening in truth["units"][unit]["openings"] + truth["units"][unit]["others"]:
            assert int(opening["t"] * per_s) in parted
    assert [value for _, value in vcd["rig.foot"].tv] == ["0", "1", "0"]
    assert vcd.endtime == int(truth["seconds"] * per_s)


def test_pins_are_the_same_with_a_board_and_without() -> None:
    with_board, without = io.StringIO(), io.StringIO()
    hidden = draw(PROFILE, 9, noise="worst")
    hand = Hand(tremor_deg=0.4, regrip_deg=60.0)
    run(PLAN, PROFILE, hidden=hidden, hand=hand, vcd=with_board)
    truth = pin_recording(PLAN, PROFILE, without, hidden=hidden, hand=hand)
    assert with_board.getvalue() == without.getvalue()
    assert set(truth) >= {"case", "seed", "counts_per_rev", "tdc_deg_after_index", "units"}


@pytest.mark.parametrize("noise", ["usual", "dirty", "crowded", "gaps", "worst"])
def test_the_first_opening_of_each_transition_is_on_the_pin(tmp_path: Path, noise: str) -> None:
    path = tmp_path / "pins.vcd"
    hidden = draw(PROFILE, 6, noise=noise)
    with path.open("w", encoding="ascii") as out:
        truth = pin_recording("turn 3000 at 120", PROFILE, out, hidden=hidden)
    for unit in ("1", "2"):
        changes = VCDVCD(str(path))["rig.contact" + unit].tv
        parted = {t for t, value in changes if value == "1"}
        assert {int(o["t"] * 1e6) for o in truth["units"][unit]["openings"]} <= parted
        flaws = len(parted) - len(truth["units"][unit]["openings"])
        assert flaws > {"usual": 10, "dirty": 60, "crowded": 30, "gaps": 30, "worst": 90}[noise]


def test_clean_contacts_change_twice_a_lobe() -> None:
    hidden = draw(PROFILE, 6, noise="clean")
    out = io.StringIO()
    pin_recording(
        "turn 3600 at 120", PROFILE, out, hidden=replace(hidden, start_deg=hidden.tdc_deg)
    )
    lines = out.getvalue().splitlines()
    assert sum(line in ("0$", "1$") for line in lines) - 1 == pytest.approx(4 * 10, abs=1)

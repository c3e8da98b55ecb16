"""A tractor engine 24 degrees out, brought inside with a new slot laid out from the printed sheet.

The angle that the virtual magneto's shaft is moved by is measured on the paper, nothing else.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from made_job import MadeJob, rig
from paper_geometry import clockwise_deg, strokes

FIRST = datetime(2025, 4, 7, 9, tzinfo=UTC)

TRACTOR = """
[engine]
name = "Tractor engine with a gear made anew (example)"
strokes = 4
cylinders = 6
firing_order = [1, 5, 3, 6, 2, 4]
rotation = "clockwise"
seen_from = "fan end"
[engine.geometry]
stroke_mm = 127
rod_mm = 254
offset_mm = 0
[encoder]
counts_per_turn = 4096
[[unit]]
name = "magneto"
input = 1
turns_per_crank_turn = 1.5
lobes = 2
rotation = "anticlockwise"
seen_from = "drive end"
[[unit.setting]]
name = "full advance"
nominal_deg_btdc = 30
earliest_deg_btdc = 31
latest_deg_btdc = 29
source = "instruction book (invented for the example)"
[[adjustment.dog]]
unit = "magneto"
slots = 2
recut = "{half}"
radius_mm = 19
shape = "slot"
width_mm = 6
length_mm = 9
bore_mm = 16
outside_mm = 54
clear_mm = 8
face = "{face}"
"""
INTO_THE_UNIT = {("unit half", "mating face"): 1, ("unit half", "back face"): -1,
                 ("drive half", "mating face"): -1, ("drive half", "back face"): 1}  # fmt: skip
"""Whether one who looks at this face looks from the drive towards the unit: drawn by hand."""


@pytest.mark.parametrize(
    ("half", "face", "out_deg"),
    [
        ("unit half", "mating face", -24.0),
        pytest.param("unit half", "back face", 24.0, marks=pytest.mark.slow),
        pytest.param("drive half", "mating face", -24.0, marks=pytest.mark.slow),
        pytest.param("drive half", "back face", 24.0, marks=pytest.mark.slow),
    ],
)
def test_brought_inside_from_the_printed_sheet(
    tmp_path: Path, half: str, face: str, out_deg: float
) -> None:
    folder = tmp_path / "job"
    engine = TRACTOR.format(half=half, face=face)
    found = MadeJob(folder, 5, edit=lambda _: engine, began=FIRST)
    found.do(f"move magneto {out_deg}").whole()
    before = rig("results", folder, "--json").answer
    means = [a["mean_btdc"] for a in before["judgements"] if a["mean_btdc"] is not None]
    assert {a["verdict"] for a in before["judgements"]} == {"outside"}
    assert np.mean(means) == pytest.approx(30.0 + out_deg, abs=1.5)
    options = rig("adjust", folder, "--all-options", "--json").answer["options"]
    number = next(n for n, o in enumerate(options, 1) if [s["kind"] for s in o["steps"]]
                  == ["recut"] and o["inside"])  # fmt: skip
    assert rig("adjust", folder, "--take", number).status in (0, 1)
    sheet = tmp_path / "sheet.pdf"
    assert rig("plot", "layout", folder, "--out", sheet).status == 0

    lines = strokes(sheet)
    cross = [s for s in lines if s.straight and s.long_mm == pytest.approx(8.0, abs=1e-3)]
    centre = np.asarray(cross[0].points.mean(axis=0))
    (new,) = [s for s in lines if s.straight and s.colour == "#1f4e79"
              and np.allclose(s.points[0], centre, atol=1e-3)]  # fmt: skip
    # Angles in space, clockwise for one who looks from the drive towards the unit.
    cut_deg = INTO_THE_UNIT[half, face] * clockwise_deg(centre, new.points[1])
    # The dog of the half that is left as it is goes into the new slot: the unit's shaft turns back
    # by what its own half was cut ahead, or on by what the drive's half was.
    turned_deg = -cut_deg if half == "unit half" else cut_deg
    on_deg = -turned_deg  # in its rotation, which is anticlockwise
    earlier_deg = on_deg / 1.5
    assert abs(earlier_deg) == pytest.approx(24.0, abs=2.0)

    again = MadeJob(folder, 5, began=datetime.now(UTC) + timedelta(hours=1))
    again.do(f"move magneto {out_deg}", f"move magneto {earlier_deg}").whole()
    after = rig("results", folder, "--json").answer
    assert {a["verdict"] for a in after["judgements"]} == {"inside"}
    confirmed = rig("adjust", folder, "--confirm", "--json")
    assert confirmed.status == 0, confirmed
    assert {c["verdict"] for c in confirmed.answer["confirmations"]} == {"confirmed"}

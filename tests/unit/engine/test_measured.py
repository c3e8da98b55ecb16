"""An opening in the measure of the manual, and how well an entered TDC is known."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from engine_text import GOOD, only, read
from hypothesis import given
from hypothesis import strategies as st

from rig.base.uncertainty import Source
from rig.engine.profile import Engine, Geometry
from rig.engine.windows import FORMS, measured
from rig.timing.uncertainty_budget import entered_tdc

# 4.75 in stroke, 10 in rod: 6.35 mm of travel is 23.897701 degrees BTDC, by the slider-crank of
# Heywood, Internal Combustion Engine Fundamentals, ch. 2 (from memory), worked out at 50 digits.
CRANK = Geometry(120.65 / 2, 254.0, 0.0)


def engine(**more: object) -> Engine:
    base = Engine("e", 4, 1, (1,), (720.0,), "clockwise", "rear", geometry=CRANK)
    return replace(base, **more)  # type: ignore[arg-type]


def test_piston_drop() -> None:
    assert measured(23.897701, "mm_travel", engine()) == pytest.approx(6.35, abs=1e-6)
    assert measured(23.897701, "in_travel", engine()) == pytest.approx(0.25, abs=1e-7)
    assert measured(-23.897701, "mm_travel", engine()) == pytest.approx(-6.35, abs=1e-6)


def test_rim() -> None:
    # pi D b/360 and D sin(b/2) with D = 300 mm, b = 30 degrees (definitions).
    rim = engine(rim_diameter_mm=300.0)
    assert measured(30.0, "rim_tape_mm", rim) == pytest.approx(78.539816, abs=1e-6)
    assert measured(30.0, "rim_rule_mm", rim) == pytest.approx(77.645714, abs=1e-6)
    assert measured(30.0, "rim_tape_in", rim) == pytest.approx(78.539816 / 25.4, abs=1e-6)


def test_what_the_engine_file_does_not_give() -> None:
    assert measured(30.0, "", engine()) is None
    assert measured(30.0, "deg_btdc", engine()) is None
    assert measured(30.0, "rim_tape_mm", engine()) is None
    assert measured(30.0, "mm_travel", engine(geometry=None)) is None
    assert measured(30.0, "mm_travel", engine(cylinders=3, master_cylinder=1), 2) is None


@given(st.floats(-120.0, 120.0), st.sampled_from([f for f in FORMS if FORMS[f].of]))
def test_before_is_positive_and_after_negative(deg: float, measure: str) -> None:
    found = measured(deg, measure, engine(rim_diameter_mm=400.0))
    assert found is not None
    assert found == 0.0 or (found > 0) == (deg > 0)


def test_a_window_says_what_the_manual_measures_in() -> None:
    text = GOOD.replace("nominal_deg_btdc = 36\n  tolerance_deg = 1",
                        'nominal_in_travel = "5/16"\n  tolerance_deg = 1')  # fmt: skip
    text = text.replace("[encoder]", "[engine.geometry]\nstroke_mm = 88\nrod_mm = 176\n[encoder]")
    window = read(text).units[0].settings[0].window
    assert window is not None
    assert window.measure == "in_travel"
    plain = read(GOOD).units[0].settings[0].window
    assert plain is not None
    assert plain.measure == ""


ENTERED = "[engine.tdc_deg_after_cylinder_1]\n2 = 539.4\nwithin_deg = 0.3\n"
RADIAL = GOOD.replace("[encoder]", f"{ENTERED}[encoder]")


def test_entered_tdcs_are_known_within_a_limit() -> None:
    found = read(RADIAL).engine
    assert found.entered_tdc_deg == {2: 539.4}
    assert found.entered_tdc_within_deg == 0.3
    assert only(RADIAL.replace("within_deg = 0.3", "within_deg = -1")).wrong == "is -1"


def test_what_an_entered_tdc_adds() -> None:
    # Rectangular, a/sqrt 3: JCGM 100:2008, 4.3.7.
    radial = read(RADIAL).engine
    one = entered_tdc(radial, [2], 1)
    assert one is not None
    assert one.source is Source.ENTERED_TDC
    assert one.u_deg == pytest.approx(0.3 / math.sqrt(3.0))
    assert entered_tdc(radial, [1], 1) is None
    assert entered_tdc(radial, [3], 1) is None  # follows from the firing order
    assert entered_tdc(radial, [2], 2) is None
    found_in_2 = entered_tdc(radial, [1], 2)
    assert found_in_2 is not None
    assert found_in_2.u_deg == pytest.approx(0.3 / math.sqrt(3.0))
    mean = entered_tdc(radial, [1, 2, 3, 4], 1)
    assert mean is not None
    assert mean.u_deg == pytest.approx(0.3 / math.sqrt(3.0) / 4)
    assert entered_tdc(replace(radial, entered_tdc_within_deg=0.0), [2], 1) is None

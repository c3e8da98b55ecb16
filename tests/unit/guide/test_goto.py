"""Going to an angle from the right side.

R1 and R2, arcs on a rim: pi D b/360, computed.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.guide import approach
from rig.guide.approach import Target

TARGET = Target(btdc_deg=36.0, tdc_deg=161.9)  # 125.9 after the index


@pytest.mark.parametrize(
    ("crank_deg", "run_up", "where", "move", "words"),
    [
        (90.0, 0.0, "on", 35.9, "forward, 35.9 degrees to go"),
        (123.0, 30.0, "on", 2.9, "slowly forward, 2.9"),
        (125.95, 60.0, "there", 0.0, "0.05 past: hold it"),
        (125.9, 60.0, "there", 0.0, "there: hold it"),
        (125.9, 3.0, "wrong side", -25.0, "from the wrong side: go back 25"),
        (127.9, 60.0, "past", -27.0, "2.0 degrees past: go back 27"),
        (120.0, 2.0, "back", -19.1, "too near to come from the right side: go back 19"),
        (120.0, 15.0, "on", 5.9, "to go"),
        (845.9, 60.0, "there", 0.0, "hold"),  # two turns on
        (250.0, 0.0, "on", 235.9, "forward, 235.9"),
    ],
)
def test_what_to_do(
    *, crank_deg: float, run_up: float, where: str, move: float, words: str
) -> None:
    found = approach.approach_to(crank_deg, TARGET, run_up, 20.0)
    assert found.where == where
    assert found.move_deg == pytest.approx(move, abs=1e-9)
    assert words in found.words


def test_coming_backwards_is_the_wrong_side() -> None:
    assert approach.approach_to(125.9, TARGET, 25.0, 20.0, direction=-1).where == "wrong side"


def test_one_stroke_only() -> None:
    firing = replace(TARGET, period_deg=720.0)
    assert approach.approach_to(485.9, firing, 60.0, 20.0).where == "on"
    assert approach.approach_to(485.9, firing, 60.0, 20.0).move_deg == pytest.approx(360.0)
    assert approach.approach_to(845.9, firing, 60.0, 20.0).where == "there"


def test_length_round_the_rim() -> None:
    rim = replace(TARGET, rim_diameter_mm=300.0)
    assert rim.rim_mm(30.0) == pytest.approx(78.539816, abs=1e-6)  # R1
    assert "78.5 mm round the rim" in approach.approach_to(125.9 - 30.0, rim, 40.0, 20.0).words
    wide = replace(rim, rim_diameter_mm=412.0)
    assert wide.rim_mm(36.0) == pytest.approx(129.433617, abs=1e-6)  # R2
    assert TARGET.rim_mm(36.0) is None


@given(
    crank=st.floats(-2000.0, 2000.0),
    btdc=st.floats(-180.0, 180.0),
    tdc=st.floats(0.0, 360.0),
    run_up=st.floats(0.0, 100.0),
    needed=st.floats(0.0, 40.0),
)
def test_doing_as_told_gets_there(
    *, crank: float, btdc: float, tdc: float, run_up: float, needed: float
) -> None:
    target = Target(btdc, tdc)
    for _ in range(4):
        now = approach.approach_to(crank, target, run_up, needed)
        if now.where == "there":
            break
        crank += now.move_deg
        run_up = run_up + now.move_deg if now.move_deg > 0.0 else 0.0
    assert now.where == "there"
    assert run_up >= needed - 1e-6
    assert abs(approach.distance_deg(crank, target)) <= target.within_deg


def test_what_was_reached_is_recorded() -> None:
    good = approach.reached_words(125.95, TARGET, 60.0, 20.0)
    assert good == "wanted 36.00° BTDC, reached 35.95° BTDC from the right side"
    bad = approach.reached_words(126.9, TARGET, 5.0, 20.0)
    assert "do not rely on" in bad
    after = approach.reached_words(165.9, Target(-4.0, 161.9), 60.0, 20.0)
    assert "4.00° ATDC" in after

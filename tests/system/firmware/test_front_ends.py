"""The contact front ends in ngspice, from the netlist that everything else is made from.

What a unit may be like (winding, condenser, film, current, own voltage) is common practice, no
source; so are the models' figures, which are from memory. What is checked is the circuit's answer.
"""

from __future__ import annotations

import math
import shutil

import pytest
from catalogue import TYPES
from corners import (
    Corner,
    Outcome,
    all_corners,
    degrees,
    outcome,
    plain_corners,
    run_all,
    worst_stress,
)
from netlist import CIRCUITS, PLAIN, WINDING

pytestmark = pytest.mark.skipif(
    shutil.which("ngspice") is None, reason="no ngspice on this machine"
)
THRESHOLD_V = 0.105  # of the window comparators: R12 in the divider, at 12 V
LATEST_US = 40.0
SURE_LATE_US, SURE_WITHIN_US = 20.0, 20.0  # what wiring.md says to enter


def corner(words: str) -> Corner:
    (found,) = [one for one in all_corners() + plain_corners() if words in one.name]
    return found


def check(found: Outcome) -> None:
    assert found.follows, found
    assert found.opening_us
    assert max(found.opening_us) <= LATEST_US
    assert all(abs(us - SURE_LATE_US) <= SURE_WITHIN_US for us in found.opening_us)


LIMITS = {  # part: what it survives in one pulse; figures of data sheets, from memory
    "C1 V": TYPES["C_FILM_HV"].rating.volts,
    "C3 V": TYPES["C_HV"].rating.volts,
    "R1 V": TYPES["R_PULSE"].rating.volts,
    "R2 V": TYPES["R_PULSE"].rating.volts,
    "R3 V": TYPES["R_PULSE"].rating.volts,
    "R9 V": TYPES["R_HV"].rating.volts,
    "R1 J": TYPES["R_PULSE"].rating.joules,
    "R2 J": TYPES["R_PULSE"].rating.joules,
    "R3 J": TYPES["R_PULSE"].rating.joules,
    "R9 J": TYPES["R_HV"].rating.joules,
    "D1 A": TYPES["TVS"].rating.amps,
    "D1 J": TYPES["TVS"].rating.joules,
    "D2 D3 A": TYPES["D_SIGNAL"].rating.amps,
    "D2 V": TYPES["D_HV"].rating.volts,
    "D3 A": TYPES["TVS"].rating.amps,
    "Q1 Q2 A": TYPES["NPN"].rating.amps,
    "RV1 A": TYPES["MOV"].rating.amps,
    "RV1 J": TYPES["MOV"].rating.joules,
    "U2 LED A": 0.05,
}


def check_stress(found: list[Outcome], *, most: float = 0.75) -> None:
    """No part sees more than three quarters of what it survives."""
    worst = worst_stress(found)
    for name, value in worst.items():
        limit = LIMITS.get(name)
        if limit is not None:
            assert value <= most * limit, name
    assert worst.get("U1 least V", 0.0) >= 0.0  # inputs never below the chip's own 0 V


def test_a_condenser_of_four_tenths_does_not_look_closed() -> None:
    """At 20 kHz it is 20 ohm; film of 3 ohm and all the cable are below 3.4."""
    found = outcome(corner("parts that switch latest, 10 mH, 0.4 uF"))
    check(found)
    assert found.most_closed_v < THRESHOLD_V / 2


def test_four_amperes_broken_with_leads_reversed() -> None:
    found = outcome(corner("largest, 4 A, 10 mH, 0.4 uF, film 0.05 ohm, leads reversed"))
    check(found)
    assert found.stress["broken A"] == pytest.approx(4.0, rel=0.05)
    assert found.stress["kick V"] > 300.0
    check_stress([found])


@pytest.mark.slow
def test_every_corner_follows_and_nothing_is_overloaded() -> None:
    corners = all_corners()
    assert len(corners) > 60
    found = run_all(corners)
    for one in found:
        check(one)
    live = [one for one in found if one.corner.primary.broken_a]
    assert max(one.stress["kick V"] for one in live) > 400.0
    assert sum(one.stress["broken A"] > 3.8 for one in live) > 16
    assert {one.corner.primary.broken_a > 0 for one in live} == {True, False}
    check_stress(live)


def test_plain_sensing_breaks_the_current_that_it_says() -> None:
    """4 A in 5 mH; the kick is far beyond the clamp, in both directions."""
    found = [
        outcome(corner(f"winding left on by mistake, {sign}4 A, 5 mH, 0.2 uF"))
        for sign in ("", "-")
    ]
    for one in found:
        assert one.stress["broken A"] == pytest.approx(4.0, rel=0.02)
        assert one.stress["kick V"] > 450.0  # of 632 V without losses: 4 A root of 5 mH/0.2 uF
        assert one.stress["N V"] < 26.0
    check_stress(found)


@pytest.mark.parametrize(
    ("farad", "ma"), [(c, ma) for c in (0.1e-6, 0.2e-6, 0.4e-6) for ma in (1.0, 2.5, 4.0)]
)
def test_a_condenser_left_on_delays_plain_sensing_by_a_range(farad: float, ma: float) -> None:
    """Charged through R1, R2, R3 until the LED's current has fallen from what it is to where it
    switches: R C ln of their ratio (circuit theory); the LED's own voltage changes it somewhat."""
    found = outcome(corner(f"LED switches at {ma:g} mA, {farad * 1e6:g} uF"))
    (late,) = found.opening_us
    expected_us = 1270.0 * farad * math.log(7.75 / (0.9 * ma)) * 1e6
    assert late == pytest.approx(expected_us, rel=0.06)


@pytest.mark.parametrize("ma", [1.0, 2.5, 4.0])
def test_plain_sensing_alone_is_prompt(ma: float) -> None:
    found = outcome(corner(f"LED switches at {ma:g} mA, 0 uF"))
    assert found.follows
    assert max(*found.opening_us, *found.closing_us) < 1.5


def test_no_part_bridges_the_barrier() -> None:
    """Only converter and optocoupler have pins on both sides, so no front end shares its supply
    with another one: a pair joined the wrong way round cannot be a short through the engine."""
    board = {"5V", "0V", "OUT"}
    for circuit in (PLAIN, WINDING):
        assert sum(part.type_name == "DCDC" for part in circuit.parts) == 1
        both = [
            part.type_name
            for part in circuit.parts
            if set(part.nets) & board and set(part.nets) - board - {""}
        ]
        assert sorted(both) == ["DCDC", "OPTO"]


def test_every_net_joins_something() -> None:
    for circuit in CIRCUITS:
        refs = [part.ref for part in circuit.parts]
        assert len(refs) == len(set(refs))
        for net, pins in circuit.nets().items():
            assert len(pins) > 1, (circuit.name, net)


def test_degrees() -> None:
    """30 turns a minute are 180 degrees a second (arithmetic)."""
    assert degrees(1000.0, 30) == pytest.approx(0.18)

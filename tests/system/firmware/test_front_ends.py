"""The contact front ends in ngspice, from the netlist that everything else is made from.

What a unit may be like (winding, condenser, film, current, own voltage) is common practice, no
source; so are the models' figures, which are from memory. What is checked is the circuit's answer.
"""

from __future__ import annotations

import math
import re
import shutil

import numpy as np
import pytest
from catalogue import TYPES
from corners import (
    CARRIER_S,
    LATE,
    SOON,
    SPEEDS,
    Corner,
    Outcome,
    all_corners,
    degrees,
    judge,
    live_corners,
    other_corners,
    outcome,
    plain_corners,
    rest_corners,
    run_all,
    worst_stress,
)
from how_many import TIMES
from netlist import CIRCUITS, INPUTS, PLAIN, WINDING
from numpy.typing import NDArray
from scipy.integrate import trapezoid
from simulate import Build, Primary, Seen, Wave, deck, element, net_name, run
from simulated_chip import NOTES

pytestmark = pytest.mark.skipif(
    shutil.which("ngspice") is None, reason="no ngspice on this machine"
)
THRESHOLD_V = 0.079  # of the window comparators: R12 in the divider, at 12 V
LATEST_US = 31.0
SURE_LATE_US, SURE_WITHIN_US = 16.0, 15.0  # what wiring.md says to enter


def corner(words: str) -> Corner:
    (found,) = [one for one in all_corners() + plain_corners() if words in one.name]
    return found


def check(found: Outcome) -> None:
    assert found.follows, found
    assert found.opening_us
    assert max(found.opening_us) <= LATEST_US
    assert all(abs(us - SURE_LATE_US) <= SURE_WITHIN_US for us in found.opening_us)


def half(product: list[Corner]) -> list[Corner]:
    """Half of a product of two values each: those with an even number of second values."""
    return [one for n, one in enumerate(product) if n.bit_count() % 2 == 0]


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
    assert found.most_closed_v < 0.65 * THRESHOLD_V


def test_four_amperes_broken_with_leads_reversed() -> None:
    found = outcome(corner("largest, 4 A, 10 mH, 0.4 uF, film 0.05 ohm, leads reversed"))
    check(found)
    assert found.stress["broken A"] == pytest.approx(4.0, rel=0.05)
    assert found.stress["kick V"] > 300.0
    check_stress([found])


@pytest.mark.slow
def test_every_corner_follows_and_nothing_is_overloaded() -> None:
    """Every other corner: of any two values of a product at rest or of a turning magneto, each
    pair is among them. All of them with ``TIMES=2``."""
    corners = all_corners()
    assert len(corners) > 60
    if TIMES == 1:
        at_rest, turning = (half(part()) for part in (rest_corners, live_corners))
        corners = [*at_rest, *turning, *other_corners()]
    found = run_all(corners)
    for one in found:
        check(one)
    live = [one for one in found if one.corner.primary.broken_a]
    assert max(one.stress["kick V"] for one in live) > 400.0
    assert sum(one.stress["broken A"] > 3.8 for one in live) > 8
    assert {one.corner.primary.broken_a > 0 for one in live} == {True, False}
    check_stress(live)


@pytest.mark.slow
def test_finer_steps_of_time_change_nothing() -> None:
    """A quarter of the longest step: the same delay to 0.3 us, the same stress to 2 %."""
    one = corner("largest, 4 A, 10 mH, 0.4 uF, film 0.05 ohm, leads reversed")
    fine = deck(
        one.circuit, one.primary, one.build, one.toggles_s, one.end_s,
        reversed_leads=True, step_s=0.5e-6,
    )  # fmt: skip
    coarse, found = outcome(one), judge(one, run(fine))
    assert coarse.follows
    assert coarse.opening_us == pytest.approx(found.opening_us, abs=0.3)
    assert coarse.closing_us == pytest.approx(found.closing_us, abs=CARRIER_S * 1e6 / 2)
    for name in ("kick V", "broken A", "C1 V", "R1 V", "R1 J", "D1 J", "RV1 J"):
        assert coarse.stress[name] == pytest.approx(found.stress[name], rel=0.02), name


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


# -- what the notes say --------------------------------------------------------------------------


def entries() -> dict[str, tuple[float, float, list[float]]]:
    """What wiring.md says to enter: delay, its error, degrees at 5, 30 and 60 turns a minute."""
    page = (NOTES / "wiring.md").read_text("utf-8")
    rows = re.findall(
        r"^\| (sheet [34], [^|]+) \| (\d+) \| (\d+) \| ([\d., ]+)", page, re.MULTILINE
    )
    return {
        name: (float(us), float(error), [float(deg) for deg in degs.split(",")])
        for name, us, error, degs in rows
    }


def test_degrees_beside_what_is_entered_are_those_of_its_error() -> None:
    assert len(entries()) == 5
    for _, error_us, degs in entries().values():
        assert degs == [round(degrees(error_us, speed), 4) for speed in SPEEDS]


def test_late_closings_are_stated_where_the_delay_is_entered() -> None:
    """The largest of all corners, and its degrees."""
    corners = (NOTES / "wiring" / "corners.md").read_text("utf-8")
    late = [float(us) for us in re.findall(r"\d+ to (\d+) \| [\d.]+ \|", corners)]
    page = (NOTES / "wiring.md").read_text("utf-8")
    entry = " ".join(page.split("## What to enter")[1].split("\n## ")[0].split())
    assert "Openings are what is timed" in entry
    stated = re.search(
        r"up to ([\d.]+) ms late .*?: ([\d.]+) degrees at 5 turns a minute, "
        r"([\d.]+) at 30, ([\d.]+) at 60",
        entry,
    )
    assert stated
    worst_us = float(stated[1]) * 1e3
    assert 0.9 * worst_us <= max(late) <= worst_us
    for deg, speed in zip(stated.groups()[1:], SPEEDS, strict=True):
        assert float(deg) == pytest.approx(degrees(worst_us, speed), abs=0.006)


@pytest.mark.parametrize(
    ("name", "farad"),
    [
        ("condenser off", 0.0),
        ("0.1 uF left on", 0.1e-6),
        ("0.2 uF left on", 0.2e-6),
        ("0.4 uF left on", 0.4e-6),
    ],
)
def test_what_is_entered_for_plain_sensing_spans_the_range(name: str, farad: float) -> None:
    us, error_us, _ = entries()[f"sheet 3, {name}"]
    found = [
        late
        for ma in (1.0, 2.5, 4.0)
        for late in outcome(corner(f"LED switches at {ma:g} mA, {farad * 1e6:g} uF")).opening_us
    ]
    assert us - error_us <= min(found)
    assert max(found) <= us + error_us
    assert max(found) - min(found) > 0.5 * error_us  # and is no wider than need be


def test_table_of_corners_is_that_of_the_matrix() -> None:
    """The slow test runs them all; here, that the page lists each, followed, within the entry."""
    page = (NOTES / "wiring" / "corners.md").read_text("utf-8")
    lines = [line for line in page.splitlines() if line.startswith("| ")]
    rows = [line.split("|")[1:-1] for line in lines if not line.startswith(("| corner", "| ---"))]
    names = [row[0].strip() for row in rows]
    assert names == [one.name for one in all_corners() + plain_corners()]
    rows = rows[: len(all_corners())]
    us, error_us, _ = entries()["sheet 4, any unit"]
    for row in rows:
        assert row[1].strip() == "yes"
        for late in row[2].split(","):
            assert abs(float(late) - us) <= error_us


def mean(seen: Seen, wave: Wave) -> float:
    """Over eight periods of the carrier, once all has settled."""
    late: NDArray[np.bool_] = (seen.t_s > 0.8e-3) & (seen.t_s < 0.8e-3 + 8 * CARRIER_S)
    t = seen.t_s[late]
    return float(trapezoid(wave[late], t) / (t[-1] - t[0]))


@pytest.mark.parametrize(
    "volts",
    [pytest.param(11.0, marks=pytest.mark.slow), 12.0, pytest.param(14.5, marks=pytest.mark.slow)],
)
def test_meter_readings_of_the_winding_front_end_are_what_first_light_says(volts: float) -> None:
    for closed in (True, False):
        one = Primary(condenser_f=0.0, joined=False)
        text = deck(WINDING, one, Build(supply_v=volts), [] if closed else [20e-6], 1.25e-3)
        seen = run(text)
        v12, drive = seen.between("v12", "e"), seen.between("drv", "e")
        tp1, tp4 = mean(seen, v12), mean(seen, drive)
        assert 10.5 < tp1 < 15.0
        assert mean(seen, seen.between("mid", "e")) == pytest.approx(tp1 / 2, abs=0.2)
        assert 0.13 < mean(seen, seen.between("hi", "lo")) < 0.20
        assert tp4 == pytest.approx(tp1 / 2, abs=1.0)
        assert 3.0 < math.sqrt(mean(seen, (drive - tp4) ** 2)) < 6.5
        w = mean(seen, seen.between("w", "e"))
        assert (w > tp1 - 1.0) if closed else (w < 2.0)
        out = mean(seen, seen["out"])
        assert (out < 0.6) if closed else (out > 4.5)


def test_meter_readings_of_the_plain_front_end_are_what_first_light_says() -> None:
    one = Primary(condenser_f=0.0, joined=False)
    for closed in (True, False):
        seen = run(deck(PLAIN, one, Build(), [] if closed else [20e-6], 1e-3))
        drop = float((seen.between("v12", "e") - seen.between("lk", "e"))[-1])
        assert (4.0 < drop < 5.0) if closed else (drop < 1.5)


@pytest.mark.slow
@pytest.mark.parametrize("build", [SOON, LATE], ids=["soonest", "latest"])
def test_between_what_a_unit_reads_closed_and_open(build: Build) -> None:
    """Closed up to 6 ohm, open from 12 ohm and up to 0.57 uF, with parts at either end."""
    for ohm, level in ((3.3, 0), (6.0, 0), (12.0, 1)):
        one = Primary(condenser_f=0.0, film_ohm=ohm, joined=False)
        seen = run(deck(WINDING, one, build, [2e-3], 1.0e-3))
        assert (seen["out"][-1] > 3.0) == bool(level), ohm
    for farad, level in ((0.47e-6, 1), (0.57e-6, 1), (1.5e-6, 0)):
        one = Primary(0, 0, farad, 3.0, joined=False)
        seen = run(deck(WINDING, one, build, [0.3e-3], 1.0e-3))
        assert (seen["out"][-1] > 3.0) == bool(level), farad


def test_filter_of_the_encoder() -> None:
    """An open collector that closes and opens, 200 pF of cable; thresholds 0.3 and 0.6 of 5 V (of
    the ATmega328P, from memory). R C ln(1/0.3) and R C ln(1/0.4): circuit theory."""
    lines = ["encoder", "V_five five 0 5", "C_cable ea 0 200p"]
    lines += ["V_ctl ctl 0 pulse(0 1 10u 10n 10n 20u 100u)", "B_enc ea 0 i=v(ea)*v(ctl)/10"]
    wanted = [INPUTS.part(ref) for ref in ("R1", "R4", "C1")]
    for part in wanted:
        line = element(part, Build(), {"C1": 5.0})
        lines.append(" ".join(net_name(w) if w in ("5V", "0V") else w for w in line.split()))
    seen = run("\n".join([*lines, ".save v(d2)", ".tran 20n 60u 0 20n uic", ".end", ""]))
    d2, t = seen["d2"], seen.t_s
    falls = float(t[(d2 < 1.5) & (t > 10e-6)][0]) - 10e-6
    rises = float(t[(d2 > 3.0) & (t > 30e-6)][0]) - 30e-6
    assert falls == pytest.approx(0.13e-6, abs=0.05e-6)
    assert rises == pytest.approx(2.5e-6, abs=0.2e-6)

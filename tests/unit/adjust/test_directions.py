"""Each stated move, carried out on shafts that turn in space, moves the opening as it says.

Nothing here uses a formula of the program: shafts have angles, positive clockwise from one end of
the engine; contacts on a body open where a lobe meets them; the words and millimetres of a step are
carried out as a person would, from the end that they name.
"""

from __future__ import annotations

import math
import re
from fractions import Fraction
from typing import Literal

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from rig.adjust import kinds
from rig.adjust.moves import Fitted
from rig.adjust.plan import Step
from rig.engine.profile import (
    Coupling,
    DriveDog,
    Engine,
    Mesh,
    Planetary,
    Rotation,
    Slot,
    Stage,
    Train,
    Unit,
)

Member = Literal["sun", "ring", "carrier"]
SIGN = {"clockwise": 1, "anticlockwise": -1}
KINDS: tuple[Literal["gears", "internal", "chain"], ...] = ("gears", "internal", "chain")


@st.composite
def drives(draw: st.DrawFn) -> tuple[list[Stage], list[Fraction]]:
    """Stages one after the other, and the signed speed of each shaft at one turn of the crank."""
    stages: list[Stage] = []
    speeds = [Fraction(1)]
    count = draw(st.integers(1, 4))
    for i in range(count):
        driver = "crank" if i == 0 else f"shaft {i}"
        driven = "magneto" if i == count - 1 else f"shaft {i + 1}"
        if draw(st.booleans()):
            kind = draw(st.sampled_from(KINDS))
            one, two = draw(st.integers(8, 40)), draw(st.integers(8, 40))
            stages.append(Mesh(driver, one, driven, two, kind))
            # A point on the pitch circle has one speed in both.
            speeds.append(speeds[-1] * Fraction(one, two) * (-1 if kind == "gears" else 1))
            continue
        turned, held, out = draw(st.permutations(["sun", "ring", "carrier"]))
        sun, planet = draw(st.integers(12, 30)), draw(st.integers(10, 25))
        ring = sun + 2 * planet
        stages.append(
            Planetary(driver, turned, driven, held, sun, ring, planet, free=True)  # type: ignore[arg-type]
        )
        # Speeds of the rims where they touch the planet: its axis goes at their mean.
        rim = {"sun": Fraction(sun), "ring": Fraction(ring)}
        middle = Fraction(sun + ring)  # twice the radius of the carrier, in the same measure
        at = {held: Fraction(0), turned: speeds[-1]}
        if out == "carrier":
            found = (at["sun"] * rim["sun"] + at["ring"] * rim["ring"]) / middle
        else:
            other = "ring" if out == "sun" else "sun"
            found = (at["carrier"] * middle - at[other] * rim[other]) / rim[out]
        speeds.append(found)
    assume(all(speeds) and Fraction(1, 20) < abs(speeds[-1]) < 20)
    return stages, speeds


@st.composite
def engines(draw: st.DrawFn) -> tuple[Fitted, list[Fraction], int, int]:
    """An engine, speeds of its shafts, sign of its crank, and 1 if both are seen from one end."""
    stages, speeds = draw(drives())
    crank: Rotation = draw(st.sampled_from(["clockwise", "anticlockwise"]))
    same = draw(st.sampled_from([1, -1]))
    turns: Rotation = "clockwise" if speeds[-1] * SIGN[crank] * same > 0 else "anticlockwise"
    lobes = draw(st.integers(1, 6))
    unit = Unit("magneto", 1, abs(speeds[-1]), lobes, (), rotation=turns, seen_from="cap")
    engine = Engine("demo", 4, 4, (1, 3, 4, 2), (180.0,) * 4, crank, "flywheel")
    return Fitted((unit,), engine, Train(tuple(stages))), speeds, SIGN[crank], same


def earlier_deg(speed: Fraction, crank: int, lobe_deg: float = 0.0, body_deg: float = 0.0) -> float:
    """How much sooner the crank is where the lobe meets the contacts, once lobe and body were
    turned by angles clockwise from the engine's end: the lobe goes ``speed`` times as far."""
    return -crank * (body_deg - lobe_deg) / float(speed)


def way_in(words: str) -> int:
    (way,) = re.findall(r"\((clockwise|anticlockwise), seen from", words)
    return SIGN[way]


def shift_of(step: Step) -> float:
    return step.shift_deg["magneto"]


@settings(max_examples=20, deadline=None)
@given(engines(), st.floats(0.1, 20.0), st.sampled_from([1, -1]))
def test_a_body_along_its_slot(
    drawn: tuple[Fitted, list[Fraction], int, int], deg: float, side: int
) -> None:
    of, speeds, crank, same = drawn
    step = kinds.slot_step(of, Slot("magneto", 45.0, 99.0, 99.0), side * deg)
    way, arc_mm = str(step.figures["way"]), step.figures["slot_mm"]
    assert isinstance(arc_mm, float)
    assert f" {way}, seen from its cap" in step.do
    body_deg = same * SIGN[way] * 360.0 * arc_mm / (2.0 * math.pi * 45.0)
    assert shift_of(step) == pytest.approx(earlier_deg(speeds[-1], crank, body_deg=body_deg))
    assert shift_of(step) == pytest.approx(side * deg)


@settings(max_examples=20, deadline=None)
@given(engines(), st.integers(-3, 3).filter(bool))
def test_another_tooth_of_each_stage(
    drawn: tuple[Fitted, list[Fraction], int, int], teeth: int
) -> None:
    of, speeds, crank, _ = drawn
    assert of.train is not None
    for n, stage in enumerate(of.train.meshes, 1):
        step = kinds.mesh_step(of, stage, teeth)
        (count,) = re.findall(rf"put {stage.driven} (\d+) ", step.do)
        if isinstance(stage, Planetary):
            out = next(
                m for m in ("sun", "ring", "carrier") if m not in (stage.held, stage.driver_turns)
            )
            round_ = {"sun": stage.sun_teeth, "ring": stage.ring_teeth}.get(
                out, stage.sun_teeth + stage.ring_teeth
            )
        else:
            round_ = stage.driven_teeth
        assert "seen from the engine's flywheel" in step.do
        driven_deg = way_in(step.do) * int(count) * 360.0 / round_
        lobe_deg = driven_deg * float(speeds[-1] / speeds[n])
        assert shift_of(step) == pytest.approx(earlier_deg(speeds[-1], crank, lobe_deg=lobe_deg))


@settings(max_examples=20, deadline=None)
@given(engines(), st.integers(2, 8), st.integers(-3, 3).filter(bool))
def test_a_dog_in_another_slot(
    drawn: tuple[Fitted, list[Fraction], int, int], slots: int, on: int
) -> None:
    of, speeds, crank, same = drawn
    step = kinds.dog_step(of, DriveDog("magneto", slots), on)
    (count,) = re.findall(r"shaft (\d+) of", step.do)
    lobe_deg = same * way_in(step.do) * int(count) * 360.0 / slots
    assert shift_of(step) == pytest.approx(earlier_deg(speeds[-1], crank, lobe_deg=lobe_deg))


@settings(max_examples=20, deadline=None)
@given(engines(), st.floats(-60.0, 60.0).filter(lambda x: abs(x) > 1.0), st.booleans())
def test_a_new_place_in_a_drive(
    drawn: tuple[Fitted, list[Fraction], int, int], deg: float, in_unit: bool
) -> None:
    """The unit's half turns until its new place meets the pin; the pin of a unit goes to a new
    place of the drive."""
    of, speeds, crank, same = drawn
    half: Literal["unit half", "drive half"] = "unit half" if in_unit else "drive half"
    assume(abs(deg * float(speeds[-1])) < 170.0)
    step = kinds.recut_step(of, DriveDog("magneto", 1, half, 20.0, 4.0), deg)
    way, arc_mm = str(step.figures["way"]), step.figures["arc_mm"]
    assert isinstance(arc_mm, float)
    assert f" degrees {way} of the old one, seen from the unit's cap" in step.do
    place_deg = same * SIGN[way] * 360.0 * arc_mm / (2.0 * math.pi * 20.0)
    lobe_deg = -place_deg if in_unit else place_deg
    assert shift_of(step) == pytest.approx(earlier_deg(speeds[-1], crank, lobe_deg=lobe_deg))


@settings(max_examples=20, deadline=None)
@given(engines(), st.integers(2, 24), st.integers(2, 24), st.integers(-30, 30).filter(bool))
def test_a_toothed_coupling(
    drawn: tuple[Fitted, list[Fraction], int, int], n: int, m: int, steps: int
) -> None:
    """The middle piece goes round in the drive, and the unit's half in the middle piece."""
    of, speeds, crank, _ = drawn
    step = kinds.coupling_step(of, Coupling("magneto", n, m), steps)
    middle, half = step.do.split(", and the unit's half ")
    round_deg = 0.0
    for words, teeth in ((middle, n), (half, m)):
        if moved := re.search(r"(\d+) (?:tooth|teeth) (on|back), (in|against)", words):
            assert (moved[2] == "on") == (moved[3] == "in")
            round_deg += int(moved[1]) * 360.0 / teeth * (1.0 if moved[2] == "on" else -1.0)
    lobe_deg = round_deg * crank * (1.0 if speeds[-1] > 0 else -1.0)
    period_deg = 360.0 / abs(float(speeds[-1]))
    off = (shift_of(step) - earlier_deg(speeds[-1], crank, lobe_deg=lobe_deg)) / period_deg
    assert off == pytest.approx(round(off), abs=1e-9)

"""The delay of a unit's front end: removed from each reading, what is not known of it in U."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from statistics import fmean
from typing import Literal

import pytest
from engine_text import GOOD
from hypothesis import given
from hypothesis import strategies as st
from late_pins import shown_late
from made_job import MadeJob, rig
from sample_engines import ADVANCE, opening, reference, single, unit

from rig.base.angles import wrap
from rig.base.errors import ProfileError
from rig.base.uncertainty import Source
from rig.certificate import record
from rig.engine.engine_file import profile_from_bytes
from rig.engine.profile import Profile
from rig.pins.recording import PinRecording
from rig.signal.events import Opening, Settings
from rig.signal.openings import OpeningFinder, replay
from rig.timing.assess import assess
from rig.timing.compare import compare_units
from rig.timing.readings import FiringTdc, to_reading
from rig.timing.values import Reading

PINS = Path(__file__).parents[3] / "fixtures" / "pins"
STROKE = FiringTdc(1, 1)
KEYS = "sensing_delay_us = {}\nsensing_delay_error_us = {}\n"


def delayed(delay_us: float, error_us: float) -> Profile:
    return single(replace(unit(), sensing_delay_us=delay_us, sensing_delay_error_us=error_us))


def read(
    job: Profile, speed_deg_s: float, crank_deg: float, kind: Literal["turned", "set"] = "turned"
) -> Reading:
    seen = replace(opening(crank_deg), speed_deg_s=speed_deg_s)
    return to_reading(seen, job, reference(0.0), setting=ADVANCE.name, stroke=STROKE, kind=kind)


@given(st.floats(0.0, 2000.0), st.floats(0.0, 400.0), st.floats(-20.0, 20.0))
def test_the_way_during_the_delay_is_removed(delay: float, speed: float, early: float) -> None:
    """Seen ``delay`` late at ``speed``, contacts opened that way before (distance is speed times
    time), so earlier."""
    truly = 360.0 - 36.0 - early
    found = read(delayed(delay, 0.0), speed, truly + speed * delay * 1e-6)
    assert found.btdc_deg == pytest.approx(36.0 + early)
    assert found.crank_deg == pytest.approx(truly)


def test_a_held_crank_stands_during_the_delay() -> None:
    found = read(delayed(500.0, 100.0), 300.0, 324.0, "set")
    assert found.btdc_deg == pytest.approx(36.0)
    (assessed,) = assess([found, found], delayed(500.0, 100.0), reference(0.0))
    assert assessed.uncertainty
    assert Source.SENSING_DELAY not in [part.source for part in assessed.uncertainty.parts]


@pytest.mark.parametrize("delay_us", [0.0, 500.0])
def test_an_opening_that_was_not_seen_has_no_speed_and_keeps_its_angle(delay_us: float) -> None:
    """Where lines were lost there is no speed: not a number."""
    assert read(delayed(delay_us, 0.0), math.nan, 324.0).btdc_deg == pytest.approx(36.0)


def test_what_is_not_known_of_it_goes_into_u() -> None:
    """Half-width 100 us at 180 and 220 degrees a second, 0.02 degrees at their mean; rectangular:
    divided by the root of 3 (JCGM 100:2008, 4.3.7). As much with many readings as with few."""
    for times in (1, 30):
        job = delayed(500.0, 100.0)
        readings = [read(job, speed, 324.1) for speed in (180.0, 220.0)] * times
        (assessed,) = assess(readings, job, reference(0.0))
        assert assessed.uncertainty
        (part,) = [p for p in assessed.uncertainty.parts if p.source is Source.SENSING_DELAY]
        assert part.u_deg == pytest.approx(0.02 / math.sqrt(3.0))
        assert math.isinf(part.nu)


def test_without_an_entry_nothing_changes() -> None:
    readings = [read(single(), speed, 324.1) for speed in (180.0, 220.0)]
    assert [reading.btdc_deg for reading in readings] == pytest.approx([35.9] * 2)
    (assessed,) = assess(readings, single(), reference(0.0))
    assert assessed.uncertainty
    assert Source.SENSING_DELAY not in [part.source for part in assessed.uncertainty.parts]


def test_a_difference_has_the_part_of_each_unit() -> None:
    units = [
        replace(unit(name, n), sensing_delay_us=9.0, sensing_delay_error_us=error)
        for n, (name, error) in enumerate((("upper", 100.0), ("lower", 50.0)), 1)
    ]
    job = single(*units)
    seen = [
        replace(opening(324.0 + 0.01 * k), speed_deg_s=200.0, input=n)
        for n in (1, 2)
        for k in range(3)
    ]
    readings = [
        to_reading(each, job, reference(0.0), setting=ADVANCE.name, stroke=STROKE) for each in seen
    ]
    (compared, *_) = compare_units(readings, job, reference(0.0))
    assert compared.uncertainty
    parts = {p.of: p.u_deg for p in compared.uncertainty.parts if p.source is Source.SENSING_DELAY}
    assert parts == pytest.approx({"upper": 0.02 / math.sqrt(3.0), "lower": 0.01 / math.sqrt(3.0)})


# -- pins against truth --------------------------------------------------------------------------


def seen(path: Path, counts: int) -> list[Opening]:
    finder = OpeningFinder(Settings(counts))
    played = replay(finder, PinRecording(path, None, counts).batches())
    events = [event for _, found in played for event in found]
    return [e for e in events if isinstance(e, Opening) and e.valid and e.input == 1]


@pytest.mark.parametrize("late_us", [9, 300])
def test_pins_shown_late_are_read_as_they_were(tmp_path: Path, late_us: int) -> None:
    """Truth: the recording's own. What a delay leaves is no worse than what the recording has
    without one, and it would be plain if it were not removed."""
    truth = json.loads((PINS / "coarse.json").read_text("utf-8"))
    places = [each["crank_deg"] for each in truth["units"]["1"]["openings"]]
    (tmp_path / "late.vcd").write_text(shown_late((PINS / "coarse.vcd").read_text(), late_us))

    def off(path: Path, delay_us: float) -> float:
        job = delayed(delay_us, 0.0)
        found = seen(path, truth["counts_per_rev"])
        assert len(found) > 5
        errors: list[float] = []
        for one in found:
            reading = to_reading(one, job, reference(0.0), setting=ADVANCE.name, stroke=STROKE)
            assert reading.crank_deg is not None
            errors.append(min((wrap(reading.crank_deg - at) for at in places), key=abs))
        return fmean(errors)

    straight = off(PINS / "coarse.vcd", 0.0)
    assert off(tmp_path / "late.vcd", late_us) == pytest.approx(straight, abs=2e-4)
    slowest = 20.0  # degrees a second, below all of them
    assert off(tmp_path / "late.vcd", 0.0) - straight > slowest * late_us * 1e-6


# -- a whole job ---------------------------------------------------------------------------------


def test_a_job_states_removes_certifies_and_proves_it(tmp_path: Path) -> None:
    def edit(text: str) -> str:
        return text.replace(
            'opening_means = "lamp"\n', 'opening_means = "lamp"\n' + KEYS.format(500, 200)
        )

    made = MadeJob(tmp_path / "job", edit=edit).whole()
    file, page = made.save()
    found = record.as_certificate(record.load(file))
    parts = [
        part
        for each in found.judgements
        if each.uncertainty
        for part in each.uncertainty.parts
        if part.source is Source.SENSING_DELAY
    ]
    assert parts
    assert all("500 us corrected, known within 200" in part.how for part in parts)
    assert "delay of sensing" in page.read_text("utf-8").replace("&nbsp;", " ")
    assert rig("verify", file).status == 0

    plain = made.copied(tmp_path / "plain")
    text = plain.engine_file.read_text("utf-8")
    plain.engine_file.write_text(text.replace(KEYS.format(500, 200), ""), "utf-8")
    late, right = (rig("results", job.folder, "--json").answer for job in (plain, made))
    for one, two in zip(late["judgements"], right["judgements"], strict=True):
        if one["kind"] == "turned":
            assert two["mean_btdc"] - one["mean_btdc"] == pytest.approx(110 * 500e-6, rel=0.3)


# -- the engine file -----------------------------------------------------------------------------


def entered(lines: str) -> Profile:
    return profile_from_bytes(GOOD.replace("input = 1\n", f"input = 1\n{lines}").encode())


def test_it_is_entered_for_each_unit() -> None:
    upper, lower = entered(KEYS.format(9, 7.5)).units
    assert (upper.sensing_delay_us, upper.sensing_delay_error_us) == (9.0, 7.5)
    assert (lower.sensing_delay_us, lower.sensing_delay_error_us) == (0.0, 0.0)
    upper, _ = entered("sensing_delay_us = 9\n").units
    assert upper.sensing_delay_error_us == 9.0  # nothing known of it but its size


@pytest.mark.parametrize("key", ["sensing_delay_us", "sensing_delay_error_us"])
@pytest.mark.parametrize("value", ["-1", "2001", '"9 us"', "nan"])
def test_what_cannot_be_is_reported_with_its_line(key: str, value: str) -> None:
    with pytest.raises(ProfileError) as wrong:
        entered(f"{key} = {value}\n")
    (mistake,) = wrong.value.mistakes
    assert key in str(mistake)
    assert "line 13" in str(mistake)

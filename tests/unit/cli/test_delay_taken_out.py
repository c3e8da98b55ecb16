"""The delay of a unit's front end is taken out by ``rig read``, ``rig plot signal`` and
``rig bench``, as it is from readings: distance is speed times time."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest
from bench_unit import bench
from hypothesis import given, settings
from hypothesis import strategies as st
from late_pins import shown_late
from made_job import copied, finished, refused, rig

from rig.engine.profile import Encoder
from rig.signal.events import Closing, Opening
from rig.unit_bench.report import BenchSetUp, report, seen_from_events

COARSE = Path(__file__).parents[3] / "fixtures" / "pins" / "coarse.vcd"
KEYS = "sensing_delay_us = {}\nsensing_delay_error_us = {}\n"


def openings(path: Path, *options: str | Path | float) -> list[dict[str, Any]]:
    ran = rig("read", path, *options, "--json")
    assert ran.status == 0, ran.err
    return [one for one in ran.answer["openings"] if one["valid"]]


def with_delay(job: Path, us: float, error_us: float) -> Path:
    """Both units of the job's engine have this delay."""
    engine = job / "engine.toml"
    text = engine.read_text("utf-8")
    keyed = text.replace(
        'opening_means = "lamp"\n', 'opening_means = "lamp"\n' + KEYS.format(us, error_us)
    )
    assert keyed != text
    engine.write_text(keyed, "utf-8")
    return job


@pytest.mark.parametrize("late_us", [9, 300])
def test_pins_shown_late_are_read_as_they_were(tmp_path: Path, late_us: int) -> None:
    """Truth: the same recording without a delay."""
    late = tmp_path / "late.vcd"
    late.write_text(shown_late(COARSE.read_text(), late_us))
    true = openings(COARSE, "--counts-per-turn", 2400)
    read = openings(late, "--counts-per-turn", 2400, "--sensing-delay-us", late_us)
    assert len(read) == len(true) > 5
    for one, other in zip(read, true, strict=True):
        assert one["crank_deg"] == pytest.approx(other["crank_deg"], abs=0.01)


def test_of_all_inputs_or_of_one() -> None:
    capture = finished().capture
    before = openings(capture, "--tdc-deg", 277)
    every = openings(capture, "--tdc-deg", 277, "--sensing-delay-us", 500)
    alone = openings(capture, "--tdc-deg", 277, "--sensing-delay-us", "contact2=500")
    both = openings(
        capture, "--tdc-deg", 277, "--sensing-delay-us", 500, "--sensing-delay-us", "contact2=0"
    )
    assert {one["unit"] for one in before} == {"contact1", "contact2"}
    for was, all_, one, other in zip(before, every, alone, both, strict=True):
        went_deg = was["speed_deg_s"] * 500e-6
        assert was["crank_deg"] - all_["crank_deg"] == pytest.approx(went_deg)
        assert all_["btdc_deg"] - was["btdc_deg"] == pytest.approx(went_deg)
        second = was["unit"] == "contact2"
        assert one["crank_deg"] == (all_ if second else was)["crank_deg"]
        assert other["crank_deg"] == (was if second else all_)["crank_deg"]


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("soon", "give microseconds, or INPUT=MICROSECONDS"),
        ("contact1=soon", "give microseconds, or INPUT=MICROSECONDS"),
        ("-1", "sensing delay -1.0: enter a finite number, not below zero"),
        ("inf", "sensing delay inf: enter a finite number, not below zero"),
        ("hat=9", "sensing delay hat=9.0: give an input and microseconds"),
    ],
)
def test_a_delay_that_cannot_be(typed: str, said: str) -> None:
    assert said in refused(2, "read", finished().capture, f"--sensing-delay-us={typed}")


def test_that_of_the_engine_file(tmp_path: Path) -> None:
    job = with_delay(copied(tmp_path), 500, 100)
    capture = finished().capture
    here = openings(capture, "--job", job)
    assert here == openings(capture, "--job", finished().folder, "--sensing-delay-us", 500)
    other = openings(capture, "--job", job, "--sensing-delay-us", 0)
    assert other == openings(capture, "--job", finished().folder)
    drawn = rig("plot", "signal", job, capture, "--out", tmp_path / "s.svg", "--json").answer
    assert drawn["btdc_deg"] in [pytest.approx(one["btdc_deg"]) for one in here]
    read = rig("results", job, "--readings", "--json").answer["readings"]
    found = {round(one["crank_deg"], 6) for one in read if one["valid"]}
    assert found <= {round(one["crank_deg"], 6) for one in here}
    assert len(found) > 10


def test_a_unit_on_the_bench(tmp_path: Path) -> None:
    """Rectangular half-width at the mean speed (JCGM 100:2008, 4.3.7); what all openings share
    drops out of the intervals between them (5.2)."""
    job = bench().copied(tmp_path / "job").folder
    words = ("bench", job, "--unit", "upper", "--json")
    before = rig(*words).answer
    assert "sensing_delay_us" not in before["bench"]
    ran = rig(*(words := ("bench", with_delay(job, 800, 600), *words[2:])))
    assert ran.status == 0, ran.err
    after = ran.answer
    assert after["bench"]["sensing_delay_us"] == 800.0
    moved, half = [], []
    for was, now in zip(before["found"]["lobes"], after["found"]["lobes"], strict=True):
        moved.append((was["opening"]["deg"] - now["opening"]["deg"]) / 800e-6)
        both = now["opening"]["u_deg"], was["opening"]["u_deg"]
        half.append(math.sqrt(3.0 * (both[0] ** 2 - both[1] ** 2)) / 600e-6)
        assert now["interval"]["u_deg"] == pytest.approx(was["interval"]["u_deg"], rel=0.05)
        assert now["closed"]["u_deg"] > was["closed"]["u_deg"]
    # The virtual hand turned it at 120 degrees a second.
    assert moved == pytest.approx([120.0] * len(moved), rel=0.15)
    assert half == pytest.approx([120.0] * len(half), rel=0.15)
    assert rig("verify", after["saved"]).status == 0
    assert rig("verify", before["saved"]).status == 0  # made before the delay was entered


@settings(deadline=None)
@given(st.floats(0.0, 2000.0), st.floats(0.0, 2000.0), st.floats(5.0, 400.0))
def test_the_way_during_the_delay_is_removed(us: float, error_us: float, speed: float) -> None:
    """Each opening moves by the delay at its speed; closings stay."""
    deg = 40.0
    went = speed * us * 1e-6
    seen = Opening(1, 0.0, deg + went, 1, speed, 30.0, None, 1, 0.0, 1e5, 50.0)
    close = Closing(1, 0.0, 90.0, 1, 1e5, speed)
    found = seen_from_events(
        [seen, seen, close], BenchSetUp(1, sensing_delay_us=us, sensing_delay_error_us=error_us)
    )
    assert found.openings_deg == pytest.approx([deg] * 2)
    assert found.closings_deg == (90.0,)
    assert found.delay_half_deg == pytest.approx(error_us * 1e-6 * speed)
    one = report(found, 1, Encoder(4096))
    plain = report(seen_from_events([seen, seen, close], BenchSetUp(1)), 1, Encoder(4096))
    part = error_us * 1e-6 * speed / math.sqrt(3.0)
    assert one.lobes[0].opening.u_deg == pytest.approx(
        math.hypot(plain.lobes[0].opening.u_deg, part)
    )
    assert one.lobes[0].interval == plain.lobes[0].interval


def test_a_report_of_before_has_no_delay() -> None:
    """So it is the same, key by key, when it is computed again."""
    ran = rig("bench", bench().folder, "--unit", "upper", "--json")
    sheet = json.loads(Path(ran.answer["saved"]).read_text("utf-8"))
    assert list(sheet["bench"]) == [
        "input", "open_level", "direction", "index_level", "neutral_forward_deg",
        "neutral_backward_deg",
    ]  # fmt: skip

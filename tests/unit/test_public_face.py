"""``import rig``: what other programs use. Truth: of the pin recordings in ``fixtures/pins``."""

from __future__ import annotations

import dataclasses
import json
import math
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from made_job import finished
from made_job import rig as command
from played import PROFILE

import rig
from rig.base.angles import wrap
from rig.virtual.rig import VirtualRig

PINS = Path(__file__).parents[2] / "fixtures" / "pins"
RECORDINGS = ("backlash", "chatter", "coarse")


def truth_of(name: str) -> dict[str, Any]:
    truth: dict[str, Any] = json.loads((PINS / f"{name}.json").read_bytes())
    return truth


def read(name: str, **more: Any) -> rig.RecordingOpenings:
    truth = truth_of(name)
    return rig.read_openings(
        PINS / f"{name}.vcd",
        counts_per_turn=truth["counts_per_rev"],
        tdc_deg=truth["tdc_deg_after_index"],
        **more,
    )


@pytest.mark.parametrize("name", RECORDINGS)
def test_openings_of_a_recording_are_where_the_truth_has_them(name: str) -> None:
    """Every valid opening within the resolution of an ideal reader that rounds to a count:
    its greatest error is half a count, 180 / counts per turn (definition)."""
    truth, found = truth_of(name), read(name)
    for number, unit in truth["units"].items():
        valid = [one for one in found.valid if one.unit == f"contact{number}"]
        assert len(valid) >= 4
        for one in valid:
            true = min(unit["openings"], key=lambda each: abs(each["t"] - one.t_s))
            assert one.t_s == pytest.approx(true["t"], abs=0.001)
            assert one.crank_deg is not None
            assert abs(wrap(one.crank_deg - true["crank_deg"])) < 180.0 / found.counts_per_turn
            assert one.btdc_deg is not None
            off = wrap(truth["tdc_deg_after_index"] - true["crank_deg"] - one.btdc_deg)
            assert abs(off) < 180.0 / found.counts_per_turn


def test_invalid_openings_are_listed_with_the_reason() -> None:
    found = read("chatter", approach_deg=300.0)
    assert 0 < len(found.valid) < len(found.openings)
    assert all(one.valid == (rig.reason_words(one.rejection) == "") for one in found.openings)
    assert list(found.openings) == sorted(found.openings, key=lambda one: one.t_s)


def test_the_command_line_gives_the_same() -> None:
    truth, found = truth_of("chatter"), read("chatter")
    ran = command(
        *("read", PINS / "chatter.vcd", "--counts-per-turn", truth["counts_per_rev"]),
        *("--tdc-deg", truth["tdc_deg_after_index"], "--json"),
    ).answer
    same = [(o["unit"], o["t_s"], o["crank_deg"], o["btdc_deg"]) for o in ran["openings"]]
    assert same == [(o.unit, o.t_s, o.crank_deg, o.btdc_deg) for o in found.openings]
    assert ran["index_passes"] == found.index_passes > 0


def test_what_is_entered_changes_what_is_read() -> None:
    usual, strict = read("chatter"), read("chatter", approach_deg=10_000.0)
    assert usual.valid
    assert not strict.valid
    assert [o.t_s for o in strict.openings] == [o.t_s for o in usual.openings]
    closings = read("chatter", open_levels={"contact1": 0, "contact2": 0})
    assert [o.t_s for o in closings.openings] != [o.t_s for o in usual.openings]


@pytest.mark.parametrize(
    ("entered", "says"),
    [
        ({"counts_per_turn": 3}, "counts_per_turn 3: enter 4 to 1000000"),
        ({"counts_per_turn": None}, "does not contain the counts per turn"),
        ({"tdc_deg": math.nan}, "tdc_deg nan: enter a finite number"),
        ({"approach_deg": -1.0}, "approach_deg -1.0: enter a finite number, not below zero"),
        ({"direction": 2}, "direction 2: enter 1 or -1"),
        ({"index_level": 2}, "index_level 2: enter 0 or 1"),
        ({"open_levels": {"hat": 1}}, "open level hat=1"),
        ({"signals": {"a": "hat"}}, "no signal called 'hat'"),
    ],
)
def test_what_cannot_be_is_refused_by_name(entered: dict[str, Any], says: str) -> None:
    with pytest.raises(rig.InputError, match=says):
        rig.read_openings(PINS / "chatter.vcd", **{"counts_per_turn": 4096, **entered})


def test_tdc_from_touches_of_the_piston_stop() -> None:
    """Half-way between the two sides (trade practice); rounding to counts: JCGM 100, F.2.2.1."""
    found = rig.tdc_from_stop([320.0, 320.0], [40.5, 40.5], counts_per_turn=4096)
    assert found.tdc_deg == pytest.approx(0.25)
    q_deg = 360.0 / 4096
    rounding = q_deg / math.sqrt(12.0) / math.sqrt(2.0)
    assert [part for part in found.uncertainty.parts if part.u_deg == pytest.approx(rounding)]
    assert found.uncertainty.U_deg > rounding
    with pytest.raises(rig.InputError):
        rig.tdc_from_stop([], [40.5], counts_per_turn=4096)


def test_the_assessment_of_a_job_is_that_of_its_command() -> None:
    folder = finished().folder
    found, answer = rig.assess(folder), command("results", folder, "--json").answer
    assert [str(path) for path in found.captures] == answer["captures"]
    assert [(a.unit, a.cylinder, a.mean_btdc, a.verdict) for a in found.assessments] == [
        (a["unit"], a["cylinder"], a["mean_btdc"], a["verdict"]) for a in answer["judgements"]
    ]
    assert found.assessments
    assert found.reference is not None
    assert len(found.readings) == len(answer["readings"])
    named = rig.assess(str(folder), [str(finished().capture)])
    assert named == found


def test_a_session_takes_live_bytes_and_ends_by_itself() -> None:
    """Whoever leaves the context has every opening, also those that only the end decides."""
    made = VirtualRig(PROFILE, 7)
    data = b"".join(line for part in made.do("turn 900 at 110") for _, line in part)
    with rig.Session(PROFILE) as session:
        events = [event for at in range(0, len(data), 97) for event in session.feed(data[at:][:97])]
        before = len(session.openings)
    assert len(session.openings) >= before > 0
    assert len(events) > before
    assert session.is_anchored
    assert session.finish() == []
    named = [unit.name for unit in PROFILE.units]
    assert {reading.unit for reading in session.readings()} == set(named)


def test_a_job_gives_a_session_its_engine_and_reference() -> None:
    job = rig.Job(finished().folder)
    session = rig.Session(job.profile, job.reference())
    assert session.reference == job.reference()


# -- the names themselves ---------------------------------------------------------------------


def test_every_public_name_is_there_and_documented() -> None:
    assert set(rig.__all__) <= set(dir(rig))
    page = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text("utf-8")
    for name in rig.__all__:
        assert getattr(rig, name).__doc__, name
        assert re.search(rf"\brig\.{name}\b", page), f"DEVELOPERS.md does not explain rig.{name}"
    with pytest.raises(AttributeError, match="has no attribute 'openings'"):
        _ = rig.openings  # type: ignore[attr-defined, unused-ignore]


@pytest.mark.parametrize(
    "result", [rig.RecordedOpening, rig.RecordingOpenings, rig.JobAssessment, rig.TdcReference]
)
def test_results_cannot_be_altered(result: Any) -> None:
    assert result.__dataclass_params__.frozen
    (first, *_) = dataclasses.fields(result)
    made = object.__new__(result)
    with pytest.raises(dataclasses.FrozenInstanceError):
        setattr(made, first.name, 1)


def test_importing_the_package_loads_nothing_else() -> None:
    code = "import rig, sys; print([m for m in sys.modules if m.startswith(('rig.', 'numpy'))])"
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "[]"


def test_the_example_in_the_guide_runs() -> None:
    """The page's examples, as a reader would paste them."""
    page = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text("utf-8")
    text = page.split("## The public face", 1)[1].split("\n## ", 1)[0]
    blocks = [block.partition("\n")[2] for block in text.split("```")[1::2]]
    assert len(blocks) >= 3
    names = {
        "recording.vcd": str(PINS / "chatter.vcd"),
        "my-engine": str(finished().folder),
    }
    made = VirtualRig(PROFILE, 7)
    data = b"".join(line for part in made.do("turn 900 at 110") for _, line in part)
    given: dict[str, Any] = {"pieces": [data[at : at + 512] for at in range(0, len(data), 512)]}
    for block in blocks:
        for name, real in names.items():
            block = block.replace(f'"{name}"', repr(real))  # noqa: PLW2901
        exec(compile(block, "DEVELOPERS.md", "exec"), given)
    assert given["session"].readings()

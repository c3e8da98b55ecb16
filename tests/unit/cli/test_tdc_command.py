"""rig tdc: dead centre stated by hand, and the one in use shown."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path

import pytest
from made_job import MadeJob, copied, refused, rig

from rig.base.errors import InputError


@pytest.mark.parametrize(
    ("example", "cylinder", "why"),
    [("radial_nine", 3, "cylinder 3 is on a link rod"), ("example", 7, "has no cylinder 7")],
)
def test_a_top_that_does_not_follow_is_not_stated(
    tmp_path: Path, example: str, cylinder: int, why: str
) -> None:
    rig("new", tmp_path / "job", "--example", example)
    words = ("--tdc-deg", 20, "--within-deg", 1, "--cylinder", cylinder)
    assert why in refused(2, "tdc", "set", tmp_path / "job", *words)
    assert not (tmp_path / "job" / "reference.json").exists()


def test_a_reference_of_a_cylinder_that_is_not_there_is_told_with_its_file(tmp_path: Path) -> None:
    """As when the engine file was changed afterwards, or the reference edited."""
    job = copied(tmp_path)
    path = job / "reference.json"
    plain = json.loads(path.read_text("utf-8"))
    plain["current"]["cylinder"] = 9
    path.write_text(json.dumps(plain), "utf-8")
    said = refused(2, "results", job)
    assert "reference.json: the engine has no cylinder 9" in said
    with pytest.raises(InputError, match=r"reference\.json"):
        MadeJob(job, 5)


def test_without_its_uncertainty_nothing_is_stated(tmp_path: Path) -> None:
    rig("new", tmp_path / "job", "--example", "example")
    assert "needs its uncertainty" in refused(2, "tdc", "set", tmp_path / "job", "--tdc-deg", 20)
    assert "not known yet" in refused(2, "tdc", "show", tmp_path / "job")
    ran = rig("tdc", "set", tmp_path / "job", "--tdc-deg", 20, "--within-deg", 0.5, "--json")
    assert (ran.status, ran.answer["tdc_deg"], ran.answer["cylinder"]) == (0, 20.0, 1)
    # A limit of 0.5 either way, taken as rectangular: 0.5/sqrt(3) = 0.288675 (JCGM 100, 4.3.7).
    assert ran.answer["uncertainty"]["u_deg"] == pytest.approx(0.288675, abs=1e-6)


def test_an_unreadable_reference_is_moved_aside_and_told(tmp_path: Path) -> None:
    job = copied(tmp_path)
    path = job / "reference.json"
    path.write_bytes(b"{")
    ran = rig("tdc", "set", job, "--tdc-deg", 20, "--within-deg", 1)
    assert ran.status == 0
    (moved,) = job.glob("reference.unreadable-*.json")
    assert moved.read_bytes() == b"{"
    assert ran.err == f"rig tdc: the old reference could not be read and was moved to {moved}\n"


def test_a_limit_is_a_length_round_the_rim_too(tmp_path: Path) -> None:
    """1 mm round a rim of 412 mm is 360 / (pi 412) = 0.278135 degrees (the circumference)."""
    rig("new", tmp_path / "job", "--example", "example")
    ran = rig("tdc", "set", tmp_path / "job", "--tdc-deg", 20, "--within", "1 mm", "--json")
    assert ran.status == 0, ran.err
    half = ran.answer["uncertainty"]["u_deg"] * math.sqrt(3.0)
    assert half == pytest.approx(0.278135, abs=1e-6)
    assert ran.answer["how"] == "set by hand, within 0.278° (1 mm round a rim of 412 mm)"
    words = ("--tdc-deg", 20, "--within", "a bit")
    assert "enter degrees" in refused(2, "tdc", "set", tmp_path / "job", *words)


def test_on_a_geared_encoder_it_is_said_what_only_stating_costs(tmp_path: Path) -> None:
    job = tmp_path / "job"
    rig("new", job, "--example", "geared_propeller")
    words = ("--tdc-deg", 20, "--within", 0.5)
    assert "at any of 16 places of the geared encoder's disc" in rig("tdc", "set", job, *words).out
    text = (job / "engine.toml").read_text("utf-8")
    without = re.sub(r"(?m)^run_out_deg = .*$", "run_out_deg = 0", text)
    assert without != text
    (job / "engine.toml").write_text(without, "utf-8")
    assert "16 places" not in rig("tdc", "set", job, *words).out
    rig("new", tmp_path / "plain", "--example", "example")
    assert "disc" not in rig("tdc", "set", tmp_path / "plain", *words).out


def test_what_is_surely_within_a_limit_has_no_larger_uncertainty(tmp_path: Path) -> None:
    """Of a rectangle, 95 % are within 0.95 of its half-width (JCGM 100:2008, 4.3.7)."""
    out = rig("tdc", "set", copied(tmp_path), "--tdc-deg", 20, "--within", 0.3, "--json")
    found = json.loads(out.out)
    assert found["uncertainty"]["U_deg"] == pytest.approx(0.95 * 0.3)
    shown = rig("tdc", "show", tmp_path / "job").out
    assert "±0.29°" in shown or "±0.28°" in shown

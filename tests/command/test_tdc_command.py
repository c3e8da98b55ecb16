"""rig tdc: dead centre stated by hand, and the one in use shown."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from made_job import MadeJob, copied, refused, rig

from rig.faults import InputError


@pytest.mark.parametrize(
    ("example", "cylinder", "why"),
    [("radial_nine", 3, "cylinder 3 hangs on a link rod"), ("example", 7, "has no cylinder 7")],
)
def test_a_top_that_does_not_follow_is_not_stated(
    tmp_path: Path, example: str, cylinder: int, why: str
) -> None:
    rig("new", tmp_path / "job", "--example", example)
    words = ("--state-deg", 20, "--within-deg", 1, "--cylinder", cylinder)
    assert why in refused(2, "tdc", tmp_path / "job", *words)
    assert not (tmp_path / "job" / "reference.json").exists()


def test_a_reference_of_a_cylinder_that_is_not_there_is_told_with_its_file(tmp_path: Path) -> None:
    """As when the engine file was changed afterwards, or the reference edited."""
    job = copied(tmp_path)
    path = job / "reference.json"
    plain = json.loads(path.read_text("utf-8"))
    plain["current"]["cylinder"] = 9
    path.write_text(json.dumps(plain), "utf-8")
    said = refused(2, "figures", job)
    assert "reference.json: the engine has no cylinder 9" in said
    with pytest.raises(InputError, match=r"reference\.json"):
        MadeJob(job, 5)


def test_without_its_uncertainty_nothing_is_stated(tmp_path: Path) -> None:
    rig("new", tmp_path / "job", "--example", "example")
    assert "needs its uncertainty" in refused(2, "tdc", tmp_path / "job", "--state-deg", 20)
    assert "not known yet" in refused(2, "tdc", tmp_path / "job")
    ran = rig("tdc", tmp_path / "job", "--state-deg", 20, "--within-deg", 0.5, "--json")
    assert (ran.status, ran.answer["tdc_deg"], ran.answer["cylinder"]) == (0, 20.0, 1)
    # A limit of 0.5 either way, taken as rectangular: 0.5/sqrt(3) = 0.288675 (JCGM 100, 4.3.7).
    assert ran.answer["uncertainty"]["u_deg"] == pytest.approx(0.288675, abs=1e-6)

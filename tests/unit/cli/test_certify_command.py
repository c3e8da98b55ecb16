"""rig certify: changes of parts that the person tells afterwards, the capture left as it is."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest
from made_job import MadeJob, copied, finished, refused, rig

from rig import __version__
from rig.certificate import record as certificate
from rig.certificate import schema
from rig.certificate.seal import look_at


def test_changes_told_afterwards_stand_on_the_certificate_and_prove(tmp_path: Path) -> None:
    job = copied(tmp_path)
    capture = next((job / "captures").iterdir())
    before = capture.read_bytes()
    ran = rig(
        "certify", job, "--change", "points file bought new", "--change-of", "upper",
        " new contacts ", "--json",
    )  # fmt: skip
    assert ran.status < 2, ran.err
    record = certificate.load(Path(ran.answer["certificate"]))
    assert record["changes"] == [
        {"words": "points file bought new", "unit": "", "noted": False},
        {"words": "new contacts", "unit": "upper", "noted": False},
    ]
    assert capture.read_bytes() == before
    assert rig("verify", ran.answer["certificate"]).status == 0
    page = Path(ran.answer["page"]).read_text("utf-8")
    assert "new contacts" in page


def test_a_change_edited_afterwards_is_found(tmp_path: Path) -> None:
    job = copied(tmp_path)
    path = Path(rig("certify", job, "--change", "new contacts", "--json").answer["certificate"])
    path.write_text(path.read_text("ascii").replace("new contacts", "old contacts"), "ascii")
    assert not look_at(path.read_bytes()).holds
    assert rig("verify", path).status == 1


def test_a_change_is_a_step_of_the_units_it_is_of_and_of_no_other(tmp_path: Path) -> None:
    for year in (2020, 2021):
        began = datetime(year, 5, 1, 9, tzinfo=UTC)
        made = MadeJob(tmp_path / f"job-{year}", 5, began=began).whole()
        told = ("--change-of", "upper", "new contacts") if year == 2021 else ()
        assert rig("certify", made.folder, *told).status < 2
    found = rig("trend", tmp_path, "--json").answer["series"]
    steps = {s["unit"]: [p["step"] for p in s["points"]] for s in found if s["cylinder"] is None}
    assert steps == {"upper": ["", "new contacts"], "lower": ["", ""]}


def test_a_capture_that_a_newer_program_began_is_not_certified(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(schema, "FIXED", {})
    said = refused(2, "certify", finished().folder)
    assert f"was begun by version {__version__} of this program, which is newer" in said


def test_a_change_of_nobody_or_nothing_is_refused() -> None:
    job = finished().folder
    assert "the engine file has upper, lower" in refused(
        2, "certify", job, "--change-of", "nobody", "new contacts"
    )
    assert "needs words" in refused(2, "certify", job, "--change", "  ")
    assert json.loads(rig("results", job, "--json").out)["judgements"]

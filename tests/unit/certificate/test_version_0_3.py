"""A job kept by version 0.3.0: what later records have more is not missed in it."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from made_job import certificate_in, rig

from rig.certificate import record, seal

KEPT = Path(__file__).parents[3] / "fixtures" / "version_0_3"


@pytest.fixture
def job(tmp_path: Path) -> Path:
    return Path(shutil.copytree(KEPT, tmp_path / "job"))


def test_every_figure_is_computed_again_and_holds(job: Path) -> None:
    assert seal.look_at(certificate_in(KEPT).read_bytes()).holds
    assert record.load(certificate_in(KEPT))["program"]["version"] == "0.3.0"
    ran = rig("verify", certificate_in(job), "--json")
    assert ran.status == 0, ran.out
    assert any(each["what"].endswith(".mean_btdc") for each in ran.answer["checks"])
    (page,) = [each for each in ran.answer["checks"] if each["what"].endswith(".html")]
    assert page["words"].startswith("the page is as version 0.3.0 saved it")


def test_it_reads_by_the_fields_of_today(job: Path) -> None:
    whole = record.as_certificate(record.load(certificate_in(job)))
    assert whole.adjustments == ()
    assert {setting.window.measure for unit in whole.stated.units for setting in unit.settings
            if setting.window is not None} == {""}  # fmt: skip

"""Jobs kept by earlier versions: what later records have more is not missed in them."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from made_job import certificate_in, rig

from rig.certificate import record, seal

FIXTURES = Path(__file__).parents[3] / "fixtures"


@pytest.mark.parametrize("version", ["0.3.0", "0.4.0", "0.6.0"])
def test_every_figure_is_computed_again_and_holds(tmp_path: Path, version: str) -> None:
    kept = FIXTURES / f"version_{version[:3].replace('.', '_')}"
    job = Path(shutil.copytree(kept, tmp_path / "job"))
    assert seal.look_at(certificate_in(kept).read_bytes()).holds
    assert record.load(certificate_in(kept))["program"]["version"] == version
    ran = rig("verify", certificate_in(job), "--json")
    assert ran.status == 0, ran.out
    assert any(each["what"].endswith(".mean_btdc") for each in ran.answer["checks"])
    (page,) = [each for each in ran.answer["checks"] if each["what"].endswith(".html")]
    drawn_alike, saved = "the page is what the record draws", f"the page is as version {version} "
    assert page["words"] == drawn_alike or page["words"].startswith(saved)


def test_it_reads_by_the_fields_of_today() -> None:
    whole = record.as_certificate(record.load(certificate_in(FIXTURES / "version_0_3")))
    assert whole.adjustments == ()
    assert {setting.window.measure for unit in whole.stated.units for setting in unit.settings
            if setting.window is not None} == {""}  # fmt: skip

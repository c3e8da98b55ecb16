"""A job of version 0.1.0 as it was kept: its certificate reads, and its captures certify."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from made_job import rig

from rig.certificate import record, seal
from rig.certificate import record as certificate
from rig.history.series import history
from rig.history.visits import look

KEPT = Path(__file__).parents[3] / "fixtures" / "version_1"


@pytest.fixture
def job(tmp_path: Path) -> Path:
    return Path(shutil.copytree(KEPT, tmp_path / "job"))


def record_of(job: Path) -> Path:
    (found,) = record.find(job / "certificates")
    return found


def test_its_figures_are_computed_again(job: Path) -> None:
    ran = rig("verify", record_of(job))
    assert ran.status == 0, ran.out
    assert "everything holds" in ran.out
    assert "figures, computed again" in ran.out


def test_a_figure_altered_with_new_digests_is_named(job: Path) -> None:
    path = record_of(job)
    altered = json.loads(path.read_bytes())
    del altered["seals"]
    altered["judgements"][0]["mean_btdc"] += 0.25
    path.write_bytes(seal.file_bytes(altered, path.with_suffix(".html").read_bytes()))
    ran = rig("verify", path, "--json")
    assert [each["what"] for each in ran.answer["checks"] if not each["holds"]] == [
        "judgements[0].mean_btdc"
    ]


@pytest.mark.parametrize("name", ["engine.toml", "captures/20260301-090000.capture"])
def test_a_changed_file_is_named(job: Path, name: str) -> None:
    with (job / name).open("ab") as file:
        file.write(b"\n")
    ran = rig("verify", record_of(job))
    assert ran.status == 1
    assert Path(name).name in next(line for line in ran.out.splitlines() if "DOES NOT" in line)


def test_an_edited_record_is_named(job: Path) -> None:
    path = record_of(job)
    path.write_text(path.read_text("ascii").replace('"inside"', '"outside"', 1), "ascii")
    assert rig("verify", path).status == 1


def test_it_reads_as_any_other(job: Path) -> None:
    record = certificate.load(record_of(job))
    assert record["version"] == 1
    whole = certificate.as_certificate(record)
    assert whole.program.version == "0.1.0"
    assert whole.captures[0].engine_sha256 == ""
    found = history(look(job).files)
    assert found.certificates == (whole.identification,)
    assert not found.troubles


def test_its_captures_and_reference_give_a_certificate_of_today(job: Path) -> None:
    ran = rig("certify", job, "--json")
    assert ran.status < 2, ran.err
    path = Path(ran.answer["certificate"])
    made, kept = json.loads(path.read_bytes()), json.loads(record_of(KEPT).read_bytes())
    assert made["version"] == 2
    assert made["reference"]["tdc_deg"] == kept["reference"]["tdc_deg"]
    assert [j["n"] for j in made["judgements"]] == [j["n"] for j in kept["judgements"]]
    proved = rig("verify", path)
    assert proved.status == 0, proved.out


def test_the_kept_files_are_as_they_were() -> None:
    looked = seal.look_at(record_of(KEPT).read_bytes())
    assert looked.holds
    assert looked.page

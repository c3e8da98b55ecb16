"""A job kept by version 0.2.0: verdicts and phases by their earlier names still hold."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from made_job import certificate_in, rig

from rig.certificate import record, seal
from rig.history.series import history
from rig.history.visits import look

KEPT = Path(__file__).parents[3] / "fixtures" / "version_0_2"
EARLIER = ("not decidable", "being set")


@pytest.fixture
def job(tmp_path: Path) -> Path:
    return Path(shutil.copytree(KEPT, tmp_path / "job"))


def test_the_kept_record_has_the_earlier_names() -> None:
    data = certificate_in(KEPT).read_bytes()
    assert seal.look_at(data).holds
    assert all(f'"{name}"'.encode() in data for name in EARLIER)
    assert json.loads(data)["program"]["version"] == "0.2.0"


def test_every_figure_is_computed_again_and_holds(job: Path) -> None:
    ran = rig("verify", certificate_in(job), "--json")
    assert ran.status == 0, ran.out
    assert any(each["what"].endswith(".mean_btdc") for each in ran.answer["checks"])
    assert any(each["what"].endswith(".verdict") for each in ran.answer["checks"])


def test_an_altered_verdict_is_named(job: Path) -> None:
    file = certificate_in(job)
    made = json.loads(file.read_bytes())
    at = next(n for n, j in enumerate(made["judgements"]) if j["verdict"] == "not decidable")
    made["judgements"][at]["verdict"] = "inside"
    file.write_bytes(seal.file_bytes(made, file.with_suffix(".html").read_bytes()))
    ran = rig("verify", file, "--json")
    assert ran.status == 1
    failed = [each["what"] for each in ran.answer["checks"] if not each["holds"]]
    assert failed == [f"judgements[{at}].verdict"]


def test_it_reads_by_the_names_of_today(job: Path) -> None:
    whole = record.as_certificate(record.load(certificate_in(job)))
    found = {(j.phase, j.verdict) for j in whole.judgements}
    assert ("adjusting", "inconclusive") in found
    assert ("as found", "inside") in found
    assert not {name for pair in found for name in pair} & set(EARLIER)
    assert {group.phase for group in whole.readings} == {"as found", "adjusting"}
    series = history(look(job).files)
    assert series.certificates == (whole.identification,)
    assert not series.troubles


def test_its_capture_gives_the_same_figures_today(job: Path) -> None:
    kept = json.loads(certificate_in(KEPT).read_bytes())
    ran = rig("certify", job, "--json")
    assert ran.status < 2, ran.err
    made = json.loads(Path(ran.answer["certificate"]).read_bytes())
    assert [j["mean_btdc"] for j in made["judgements"]] == [
        j["mean_btdc"] for j in kept["judgements"]
    ]
    assert [seal.RENAMED.get(j["verdict"], j["verdict"]) for j in kept["judgements"]] == [
        j["verdict"] for j in made["judgements"]
    ]

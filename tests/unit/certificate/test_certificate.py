"""The certificate: what it holds, saved once for all, read again."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest
from fabricated_record import ENGINE_FILE, capture_facts, profile, readings, record, reference

from rig.base.errors import InputError
from rig.certificate import record as certificate
from rig.certificate import seal
from rig.timing.assess import assess


def test_it_holds_what_a_calibration_certificate_lists() -> None:
    """The list of ISO/IEC 17025:2017, 7.8.2.1 and 7.8.4.1, as far as it fits (from memory)."""
    made = certificate.as_certificate(record())
    assert made.title == "Ignition timing certificate"
    assert made.identification == f"20260514-102512-{made.captures[0].sha256[:6]}"
    assert made.issued_utc == "2026-05-14T10:25:12Z"
    assert made.measured_from_utc == "2026-05-14T09:02:03Z"
    assert made.measured_until_utc == "2026-05-14T10:21:40Z"
    assert (made.stated.person, made.stated.workshop) == ("A. Person", "The boat shed, slip 3")
    assert (made.stated.engine.name, made.stated.engine.serial) == ("Launch engine", "L-1047")
    assert [each.serial for each in made.stated.units] == ["M2210", "M2211"]
    assert made.method
    assert made.conditions
    assert all(each.uncertainty and each.uncertainty.parts for each in made.judgements)
    assert len(made.rules) == 1
    assert "relate only to the engine and units named here" in " ".join(made.this_is)
    assert any("running spark" in each for each in made.this_is_not)
    assert any("release to service" in each for each in made.this_is_not)
    assert made.program.version
    assert set(made.program.libraries) == {"numpy", "scipy"}
    assert made.engine_file.text.encode() == ENGINE_FILE


def test_the_same_work_gives_the_same_record() -> None:
    assert json.dumps(record()) == json.dumps(record())


def test_another_time_zone_gives_the_same_record() -> None:
    here = datetime(2026, 5, 14, 10, 25, 12, tzinfo=UTC)
    there = here.astimezone(timezone(timedelta(hours=-9, minutes=-30)))
    assert record(issued=here) == record(issued=there)


def test_figures_are_kept_as_computed() -> None:
    job = profile()
    judged = assess(readings(job), job, reference())
    kept = [each["mean_btdc"] for each in record()["judgements"]]
    assert kept == [each.mean_btdc for each in judged]


def test_readings_that_count_stand_apart_from_those_that_do_not() -> None:
    made = certificate.as_certificate(record(n=8))
    assert {len(each.btdc_deg) for each in made.readings} == {7}
    assert {(each.why, each.n) for each in made.not_counted} == {
        ("approach of 12.5° only; 20° needed", 4)
    }


def test_as_found_stands_apart_from_as_left() -> None:
    made = certificate.as_certificate(record(phases=("as found", "as left")))
    for of in (made.judgements, made.readings, made.comparisons):
        assert [each.phase for each in of].count("as found") == len(of) / 2


def test_judgements_come_back_with_their_contributions() -> None:
    job = profile()
    whole = certificate.as_certificate(record())
    judged = assess(readings(job), job, reference())
    assert whole.judgements == tuple(map(certificate.recorded, judged))
    assert whole.reference == reference()


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"captures": []}, "needs a capture"),
        ({"judgements": []}, "nothing to certify"),
        ({"engine_file": b"name = '\xff'"}, r"engine\.toml: byte 9 is not UTF-8"),
    ],
)
def test_what_cannot_be_certified(given: dict[str, Any], said: str) -> None:
    with pytest.raises(InputError, match=said):
        record(**given)


def test_saved_and_read_again(tmp_path: Path) -> None:
    made = record()
    file, drawn = certificate.save(tmp_path / "certificates", made)
    read = certificate.load(file)
    assert {name: value for name, value in read.items() if name != "seals"} == made
    assert file.parent.name == file.stem == drawn.stem == made["identification"]
    assert sorted(each.name for each in file.parent.iterdir()) == [drawn.name, file.name]
    assert certificate.load(drawn) == certificate.load(file.parent) == read


def test_nothing_is_written_over(tmp_path: Path) -> None:
    first = [each.read_bytes() for each in certificate.save(tmp_path, record())]
    again, _ = certificate.save(tmp_path, record(n=9))
    third, _ = certificate.save(tmp_path, record(n=9))
    name = record()["identification"]
    assert [each.stem for each in (again, third)] == [f"{name}-2", f"{name}-3"]
    assert certificate.load(third)["identification"] == f"{name}-3"
    assert [(tmp_path / name / f"{name}{end}").read_bytes() for end in (".json", ".html")] == first
    assert certificate.find(tmp_path) == [tmp_path / name / f"{name}.json", again, third]


def test_an_identification_leads_nowhere_else(tmp_path: Path) -> None:
    for name in ("../elsewhere", "/tmp/x", "", "a" * 81, "A b", "..", "a\n"):
        with pytest.raises(InputError, match=r"record\.identification"):
            certificate.save(tmp_path / "certificates", record() | {"identification": name})
    assert list(tmp_path.iterdir()) == []


def test_a_record_too_large_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file, _ = certificate.save(tmp_path, record())
    monkeypatch.setattr(seal, "LARGEST_BYTES", 1000)
    with pytest.raises(InputError, match="too large to save"):
        certificate.save(tmp_path, record())
    with pytest.raises(InputError, match="over 1000 bytes, so it is not a certificate"):
        certificate.load(file)


def test_an_edited_record_is_not_taken(tmp_path: Path) -> None:
    file, _ = certificate.save(tmp_path, record())
    text = file.read_text("ascii")
    file.write_text(text.replace('"inside"', '"outside"', 1), "ascii")
    with pytest.raises(InputError, match=r"\.json: has been edited since it was saved"):
        certificate.load(file)


@pytest.mark.parametrize("name", ["nothing.json", "nothing"])
def test_what_is_not_there_is_said(tmp_path: Path, name: str) -> None:
    with pytest.raises(InputError, match="no such certificate"):
        certificate.load(tmp_path / name)


def test_half_made_folders_and_strangers_are_no_certificates(tmp_path: Path) -> None:
    file, _ = certificate.save(tmp_path, record())
    (tmp_path / ".making-0123").mkdir()
    (tmp_path / ".making-0123" / ".making-0123.json").write_text("{")
    (tmp_path / "notes").mkdir()
    (tmp_path / "notes.txt").write_text("gap 0.40 mm")
    assert certificate.find(tmp_path) == [file]
    assert certificate.find(tmp_path / "none") == []


def test_readings_a_turn_out_stand_in_a_group_of_their_own() -> None:
    job = profile()
    read = readings(job)
    out = [replace(each, wrong_stroke=each.lobe == 0) for each in read]
    made = certificate.as_certificate(
        record(readings=out, judgements=assess(out, job, reference()))
    )
    assert {each.wrong_stroke for each in made.readings} == {False, True}
    assert sum(len(each.t_s) for each in made.readings) == sum(each.valid for each in read)


def test_two_captures_span_both(tmp_path: Path) -> None:
    later = replace(
        capture_facts("b.txt"), start_utc="2026-05-15T08:00:00Z", end_utc="2026-05-15T09:00:00Z"
    )
    made = record(captures=[capture_facts(), later])
    assert made["measured_from_utc"] == "2026-05-14T09:02:03Z"
    assert made["measured_until_utc"] == "2026-05-15T09:00:00Z"

"""Verification: each fingerprint and each figure holds or does not, and says so."""

from __future__ import annotations

import json
import math
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from fabricated_record import CAPTURE, ENGINE_FILE, capture_facts, record
from hypothesis import given
from hypothesis import strategies as st

from rig.faults import InputError
from rig.record import certificate, page, seal
from rig.record.certificate import find
from rig.record.verify import Check, compare, verify

MADE = record(cylinders=1, units=("rear",), n=4)


def recompute(_job: Path, _record: dict[str, Any]) -> dict[str, Any]:
    return json.loads(json.dumps(MADE))  # type: ignore[no-any-return]


@dataclass
class Job:
    folder: Path
    file: Path
    drawn: Path

    def failed(self) -> dict[str, Check]:
        return {each.what: each for each in verify(self.file, recompute) if not each.holds}

    def reseal(self, change: Callable[[dict[str, Any]], object]) -> None:
        """Alter the record as somebody would who knows how its digests are made."""
        made = json.loads(self.file.read_bytes())
        change(made)
        drawn = page.render(made).encode()
        self.drawn.write_bytes(drawn)
        self.file.write_bytes(seal.file_bytes(made, drawn))


@pytest.fixture
def job(tmp_path: Path) -> Job:
    folder = tmp_path / "job"
    (folder / "captures").mkdir(parents=True)
    (folder / "captures" / capture_facts().file).write_bytes(CAPTURE)
    (folder / "engine.toml").write_bytes(ENGINE_FILE)
    return Job(folder, *certificate.save(folder / "certificates", MADE))


def test_all_holds(job: Job) -> None:
    checks = verify(job.file, recompute)
    assert all(each.holds for each in checks)
    whats = [each.what for each in checks]
    assert whats[:2] == [job.file.name, job.drawn.name]
    assert {"engine.toml", "engine.toml, its text in the record", capture_facts().file} < set(whats)
    assert "judgements[0].mean_btdc" in whats
    assert "judgements[0].uncertainty.parts[0].u_deg" in whats
    assert "reference.tdc_deg" in whats
    assert "readings[0].btdc_deg" in whats


def test_each_figure_of_a_judgement_has_a_check(job: Job) -> None:
    whats = {each.what for each in verify(job.file, recompute)}
    for name, value in MADE["judgements"][0].items():
        if not isinstance(value, (dict, list)):
            assert f"judgements[0].{name}" in whats


@pytest.mark.parametrize("which", ["file", "page", "folder"])
def test_it_is_found_by_its_record_its_page_or_its_folder(job: Job, which: str) -> None:
    path = {"file": job.file, "page": job.drawn, "folder": job.file.parent}[which]
    assert all(each.holds for each in verify(path, recompute))


def test_a_job_moved_elsewhere_still_holds(job: Job, tmp_path: Path) -> None:
    moved = tmp_path / "another place"
    shutil.move(job.folder, moved)
    assert all(each.holds for each in verify(find(moved / "certificates")[0], recompute))


def test_a_certificate_apart_from_its_job_takes_the_job_as_given(job: Job, tmp_path: Path) -> None:
    apart = tmp_path / "post" / job.file.parent.name
    shutil.copytree(job.file.parent, apart)
    assert not all(each.holds for each in verify(apart, recompute))
    assert all(each.holds for each in verify(apart, recompute, job.folder))


def test_one_changed_byte_of_the_capture_is_found(job: Job) -> None:
    path = job.folder / "captures" / capture_facts().file
    path.write_bytes(CAPTURE[:-1] + b" ")
    failed = job.failed()
    assert set(failed) == {capture_facts().file}
    check = failed[capture_facts().file]
    assert check.stated == capture_facts().sha256 != check.found
    assert check.words == "has changed since the certificate was made"


def test_a_missing_capture_is_said_and_no_figure_is_claimed(job: Job) -> None:
    (job.folder / "captures" / capture_facts().file).unlink()
    failed = job.failed()
    assert set(failed) == {capture_facts().file, "figures"}
    assert "no such file" in failed[capture_facts().file].words
    assert "not computed anew" in failed["figures"].words


def test_a_folder_in_place_of_the_capture(job: Job) -> None:
    path = job.folder / "captures" / capture_facts().file
    path.unlink()
    path.mkdir()
    assert "no such file" in job.failed()[capture_facts().file].words


def test_an_edited_engine_file_is_found_and_the_figures_still_hold(job: Job) -> None:
    (job.folder / "engine.toml").write_bytes(ENGINE_FILE + b"# gap 0.40\n")
    assert set(job.failed()) == {"engine.toml"}


def test_the_engine_text_in_the_record_is_held_to_its_digest(job: Job) -> None:
    job.reseal(lambda made: made["engine_file"].update(text="[engine]\n"))
    assert set(job.failed()) == {"engine.toml, its text in the record"}


def test_an_edited_page_is_found(job: Job) -> None:
    job.drawn.write_text(job.drawn.read_text("utf-8").replace("36.", "35.", 1), "utf-8")
    assert set(job.failed()) == {job.drawn.name}


def test_a_missing_page_is_found(job: Job) -> None:
    job.drawn.unlink()
    assert job.failed()[job.drawn.name].words == "the page is missing"


def test_a_page_that_the_record_does_not_draw_is_found(job: Job) -> None:
    """Its digest holds, since it was put in the seals; but the record draws another."""
    made = json.loads(job.file.read_bytes())
    drawn = job.drawn.read_bytes().replace(b"inside", b"perfect")
    job.drawn.write_bytes(drawn)
    job.file.write_bytes(seal.file_bytes(made, drawn))
    failed = job.failed()
    assert set(failed) == {job.drawn.name}
    assert failed[job.drawn.name].words == "the page is not what the record draws"


def test_a_page_of_an_older_version_is_held_to_its_digest(job: Job) -> None:
    def older(made: dict[str, Any]) -> None:
        made["program"]["version"] = "0.0.1"

    job.reseal(older)
    drawn = job.drawn.read_bytes().replace(b"<h1>", b"<h1 >")
    job.drawn.write_bytes(drawn)
    job.file.write_bytes(seal.file_bytes(json.loads(job.file.read_bytes()), drawn))
    checks = {each.what: each for each in verify(job.file, recompute)}
    assert checks[job.drawn.name].holds
    assert "as it was saved by version 0.0.1" in checks[job.drawn.name].words


def test_a_figure_edited_by_hand_is_named_with_both_values(job: Job) -> None:
    text = job.file.read_text("ascii")
    mean = MADE["judgements"][0]["mean_btdc"]
    job.file.write_text(text.replace(repr(mean), "36.0", 1), "ascii")
    failed = job.failed()
    assert set(failed) == {job.file.name, job.drawn.name, "judgements[0].mean_btdc"}
    check = failed["judgements[0].mean_btdc"]
    assert (check.stated, check.found) == ("36.0", repr(mean))


def test_a_figure_altered_with_new_digests_is_named(job: Job) -> None:
    job.reseal(lambda made: made["judgements"][0].update(verdict="outside"))
    assert set(job.failed()) == {"judgements[0].verdict"}


def test_the_last_bit_counts(job: Job) -> None:
    mean = math.nextafter(MADE["judgements"][0]["mean_btdc"], math.inf)
    job.reseal(lambda made: made["judgements"][0].update(mean_btdc=mean))
    failed = job.failed()
    assert set(failed) == {"judgements[0].mean_btdc"}
    assert "last digits" in failed["judgements[0].mean_btdc"].words


def test_an_added_and_a_lost_judgement_are_found(job: Job) -> None:
    job.reseal(lambda made: made["judgements"].append(made["judgements"][0]))
    assert set(job.failed()) == {"judgements, how many"}
    job.reseal(lambda made: made["judgements"].clear())
    assert set(job.failed()) == {"judgements, how many"}


def test_one_altered_reading_is_named(job: Job) -> None:
    job.reseal(lambda made: made["readings"][0]["btdc_deg"].__setitem__(1, 36.0))
    assert set(job.failed()) == {"readings[0].btdc_deg[1]"}


def test_cut_off_edited_and_foreign_files_are_said(job: Job) -> None:
    data = job.file.read_bytes()
    for bad in (b"", data[:999], b"[]", data.replace(b'"version": 1', b'"version": 9', 1)):
        job.file.write_bytes(bad)
        assert {"record, its shape", job.file.name} <= set(job.failed())


@pytest.mark.parametrize("name", ["../engine.toml", "/etc/hostname", "..", "", "a\\b", "C:x", "\0"])
def test_a_name_that_leads_out_of_the_job_is_not_followed(job: Job, name: str) -> None:
    job.reseal(lambda made: made["captures"][0].update(file=name))
    failed = [each for each in verify(job.file, recompute) if not each.holds]
    assert any("cannot lie in the job" in each.words for each in failed)
    assert all(each.found == "" for each in failed if "cannot lie in the job" in each.words)


def test_a_capture_that_cannot_be_computed_from_is_said(job: Job) -> None:
    def refuse(_job: Path, _record: dict[str, Any]) -> dict[str, Any]:
        raise InputError("capture: line 3: version 9 is not known.")

    failed = {each.what: each for each in verify(job.file, refuse) if not each.holds}
    assert "line 3: version 9" in failed["figures"].words


def test_another_version_may_have_more_to_say_but_not_less() -> None:
    fresh = recompute(Path(), {})
    fresh["judgements"][0]["lately_thought_of"] = 1.0
    assert [each.what for each in compare(MADE, fresh) if not each.holds] == [
        "judgements[0].lately_thought_of"
    ]
    fresh["program"]["version"] = "9.9"
    assert all(each.holds for each in compare(MADE, fresh))
    del fresh["judgements"][0]["n"]
    assert [each.what for each in compare(MADE, fresh) if not each.holds] == ["judgements[0].n"]


def test_other_versions_may_differ_in_the_last_digits_and_in_no_more() -> None:
    fresh = recompute(Path(), {})
    mean = MADE["judgements"][0]["mean_btdc"]
    fresh["judgements"][0]["mean_btdc"] = math.nextafter(mean, math.inf)
    assert [each.what for each in compare(MADE, fresh) if not each.holds] == [
        "judgements[0].mean_btdc"
    ]
    fresh["program"]["numpy"] = "1.0"
    checks = compare(MADE, fresh)
    assert all(each.holds for each in checks)
    assert ["last digits" in each.words for each in checks].count(True) == 1
    fresh["judgements"][0]["mean_btdc"] = mean * (1.0 + 1e-8)
    assert [each.what for each in compare(MADE, fresh) if not each.holds] == [
        "judgements[0].mean_btdc"
    ]


def test_what_is_shown_is_harmless(job: Job) -> None:
    job.reseal(lambda made: made["judgements"][0].update(words="\x1b[2J\u202e"))
    check = job.failed()["judgements[0].words"]
    assert check.stated == "[U+001B][2J[U+202E]"


def test_no_such_certificate(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such certificate"):
        verify(tmp_path / "a.json", recompute)


leaf = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5)


@given(st.recursive(leaf, lambda each: st.lists(each) | st.dictionaries(st.text(), each)))
def test_anything_compares_with_itself(value: Any) -> None:
    made = MADE | {"judgements": value}
    assert all(each.holds for each in compare(made, made))

"""Verification: each fingerprint and each figure holds or does not, and says so."""

from __future__ import annotations

import json
import math
import shutil
from collections.abc import Callable
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import pytest
from fabricated_record import CAPTURE, ENGINE_FILE, capture_facts, record
from hypothesis import given
from hypothesis import strategies as st

from rig import __version__
from rig.base.errors import InputError
from rig.certificate import page, schema, seal
from rig.certificate import record as certificate
from rig.certificate.record import find
from rig.certificate.schema import Certificate
from rig.certificate.verify import FIXED_TEXT, PARTS, Check, compare, verify

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
    assert "not computed again" in failed["figures"].words


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


def older(made: dict[str, Any]) -> None:
    """As an earlier version of the program wrote it."""
    made["program"]["version"] = "0.0.1"


def test_a_page_of_an_older_version_is_held_to_its_digest(
    job: Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(schema, "FIXED", schema.FIXED | {"0.0.1": schema.FIXED[__version__]})
    job.reseal(older)
    drawn = job.drawn.read_bytes().replace(b"<h1>", b"<h1 >")
    job.drawn.write_bytes(drawn)
    job.file.write_bytes(seal.file_bytes(json.loads(job.file.read_bytes()), drawn))
    checks = {each.what: each for each in verify(job.file, recompute)}
    assert checks[job.drawn.name].holds
    assert "as version 0.0.1 saved it" in checks[job.drawn.name].words


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
    for bad in (b"", data[:999], b"[]", data.replace(b'"version": 2', b'"version": 9', 1)):
        job.file.write_bytes(bad)
        assert {"record, its shape", job.file.name} <= set(job.failed())


@pytest.mark.parametrize("name", ["../engine.toml", "/etc/hostname", "..", "", "a\\b", "C:x", "\0"])
def test_a_name_that_leads_out_of_the_job_is_not_followed(job: Job, name: str) -> None:
    job.reseal(lambda made: made["captures"][0].update(file=name))
    failed = [each for each in verify(job.file, recompute) if not each.holds]
    assert any("cannot be in the job" in each.words for each in failed)
    assert all(each.found == "" for each in failed if "cannot be in the job" in each.words)


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
    fresh["program"]["libraries"]["numpy"] = "1.0"
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
    fresh["program"]["libraries"]["numpy"] = "1.0"
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


@given(
    st.recursive(leaf, lambda each: st.lists(each) | st.dictionaries(st.text(), each), max_leaves=8)
)
def test_anything_compares_with_itself(value: Any) -> None:
    made = MADE | {"judgements": value}
    assert all(each.holds for each in compare(made, made))


# -- fixed text, dates and names --------------------------------------------------------------


def test_the_fixed_text_is_that_of_this_version() -> None:
    """Whoever rewords it gives the program a new version, or certificates made before fail."""
    found = {part: schema.digest_of(part, MADE[part]) for part in FIXED_TEXT}
    assert schema.FIXED[__version__] == found


def test_every_part_of_the_record_is_listed_with_what_it_is_made_from() -> None:
    assert set(PARTS) == {each.name for each in fields(Certificate)} - {"seals"}


FIXED: dict[str, Callable[[dict[str, Any]], object]] = {
    "title": lambda made: made.update(title="Release to service"),
    "this_is": lambda made: made["this_is"].append("It is fit to fly."),
    "this_is_not": lambda made: made["this_is_not"].pop(),
    "method": lambda made: made["method"].append("By the factory's method."),
    "cautions": lambda made: made["cautions"].pop(0),
    "closing": lambda made: made["closing"].pop(),
    "closing[2].done": lambda made: made["closing"][2].update(done=True),
    "program.version": lambda made: made["program"].update(name="another program"),
}


@pytest.mark.parametrize("part", FIXED)
def test_fixed_text_altered_with_new_digests_is_named(job: Job, part: str) -> None:
    job.reseal(FIXED[part])
    assert set(job.failed()) == {part}


def test_a_version_that_is_not_known_is_named_and_excuses_nothing(job: Job) -> None:
    def change(made: dict[str, Any]) -> None:
        older(made)
        made["cautions"].pop()

    job.reseal(change)
    assert {"program.version", "cautions"} <= set(job.failed())


def test_the_identification_is_the_files_name(job: Job) -> None:
    job.reseal(lambda made: made.update(identification=made["identification"] + "-2"))
    assert set(job.failed()) == {"identification"}


def test_a_record_given_another_name_and_number_is_named(job: Job) -> None:
    job.reseal(lambda made: made.update(identification="20270101-000000-abcdef"))
    for file in (job.file, job.drawn):
        file.rename(file.with_name(f"20270101-000000-abcdef{file.suffix}"))
    job.file = job.file.with_name("20270101-000000-abcdef.json")
    assert set(job.failed()) == {"identification, its form"}


@pytest.mark.parametrize(
    ("issued", "named"),
    [
        ("2026-05-14T10:21:39Z", {"issued_utc", "identification, its form"}),
        ("2199-01-01T00:00:00Z", {"issued_utc, by the clock", "identification, its form"}),
        ("yesterday", {"issued_utc"}),
        ("2026-05-14T10:25:12", {"issued_utc"}),
    ],
)
def test_a_time_of_issue_out_of_order_is_named(job: Job, issued: str, named: set[str]) -> None:
    job.reseal(lambda made: made.update(issued_utc=issued))
    assert set(job.failed()) == named


@pytest.mark.parametrize(
    ("name", "value"),
    [("name", "other.toml"), ("size_bytes", 1), ("sha256", 64 * "0")],
)
def test_what_the_record_says_of_the_engine_file_is_proved(
    job: Job, name: str, value: object
) -> None:
    job.reseal(lambda made: made["engine_file"].update({name: value}))
    assert job.failed()


# -- sentences that the program makes of figures ----------------------------------------------


SENTENCES: dict[str, Callable[[dict[str, Any]], object]] = {
    "judgements[0].words": lambda made: made["judgements"][0].update(words="as it should be"),
    "judgements[0].rule": lambda made: made["judgements"][0].update(rule="By eye."),
    "judgements[0].uncertainty.parts[0].how": lambda made: made["judgements"][0]["uncertainty"][
        "parts"
    ][0].update(how="by eye"),
    "reference.how": lambda made: made["reference"].update(how="by the factory"),
    "rules[0]": lambda made: made["rules"].__setitem__(0, "By eye."),
    "conditions[0]": lambda made: made["conditions"].__setitem__(0, "in the laboratory"),
    "rig_checks[0].words": lambda made: made["rig_checks"][0].update(words="calibrated"),
    "not_counted[0].why": lambda made: made["not_counted"][0].update(why="doubtful"),
}


@pytest.mark.parametrize("where", SENTENCES)
def test_a_sentence_altered_with_new_digests_is_named(job: Job, where: str) -> None:
    job.reseal(SENTENCES[where])
    assert set(job.failed()) == {where}


def test_a_sentence_reworded_later_fails_no_earlier_certificate(
    job: Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What this version words otherwise is shown beside what the certificate says."""
    monkeypatch.setattr(schema, "FIXED", schema.FIXED | {"0.0.1": schema.FIXED[__version__]})
    job.reseal(older)
    fresh = recompute(Path(), {})
    for change in SENTENCES.values():
        change(fresh)
    checks = verify(job.file, lambda *_: fresh)
    assert [each for each in checks if not each.holds] == []
    shown = {each.what: each.found for each in checks if "words it differently" in each.words}
    assert shown["judgements[0].words"] == "as it should be"
    assert set(shown) == {where.removesuffix("[0]") for where in SENTENCES}


def test_a_figure_or_code_of_an_earlier_version_is_compared_all_the_same(
    job: Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(schema, "FIXED", schema.FIXED | {"0.0.1": schema.FIXED[__version__]})

    def change(made: dict[str, Any]) -> None:
        older(made)
        made["judgements"][0].update(verdict="outside", words="outside")

    job.reseal(change)
    assert set(job.failed()) == {"judgements[0].verdict"}


def test_a_mark_left_out_is_named(job: Job) -> None:
    """Nothing in the record may be left out, also what has a usual value."""
    job.reseal(lambda made: made["judgements"][0].pop("marks"))
    assert set(job.failed()) == {"judgements[0].marks"}


def test_a_record_that_calls_itself_version_1_is_named(job: Job) -> None:
    job.reseal(lambda made: made.update(version=1))
    assert set(job.failed()) == {"version"}

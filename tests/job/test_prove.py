"""A certificate proved again: what holds, what was changed since, and what cannot be proved."""

from __future__ import annotations

import json
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_job import certificate_in, copied, finished, process, refused, rig


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy that tests change and put right again."""
    return copied(tmp_path_factory.mktemp("prove"))


def failed(job: Path) -> dict[str, str]:
    """What does not hold, and the words for it."""
    ran = rig("verify", certificate_in(job), "--json")
    answer = ran.answer
    bad = {check["what"]: check["words"] for check in answer["checks"] if not check["holds"]}
    assert answer["holds"] == (not bad)
    assert ran.status == (1 if bad else 0)
    assert ran.err == ""
    return bad


EDITED = "has been edited since; the recordings prove the text in the record"


def is_seen(job: Path, which: str) -> bool:
    """Whether a file is named as changed. The engine file may be edited for the next measurement,
    so that it is named but proves nothing wrong: the recordings have the digest of its text."""
    name = files(job)[which].name
    checks = rig("verify", certificate_in(job), "--json").answer["checks"]
    bad = {each["what"] for each in checks if not each["holds"]}
    if which != "engine file":
        return name in bad
    return not bad and (name, EDITED) in {(each["what"], each["words"]) for each in checks}


def files(job: Path) -> dict[str, Path]:
    record = certificate_in(job)
    return {
        "record": record,
        "page": record.with_suffix(".html"),
        "capture": job / "captures" / finished().capture.name,
        "engine file": job / "engine.toml",
    }


def test_a_certificate_just_made_holds(job: Path) -> None:
    assert failed(job) == {}
    ran = rig("verify", certificate_in(job))
    assert ran.status == 0
    assert "everything holds: " in ran.out
    assert "no byte of the record has changed since it was saved" in ran.out
    every = rig("verify", certificate_in(job), "--all-checks")
    assert len(every.out.splitlines()) > 300
    for each in (certificate_in(job).parent, certificate_in(job).with_suffix(".html")):
        assert rig("verify", each).status == 0


WHICH = ["record", "page", "capture", "engine file"]
PLACE, CHANGE = st.floats(0.0, 1.0, exclude_max=True), st.integers(1, 255)


@pytest.mark.parametrize("which", WHICH)
@settings(max_examples=3)
@given(place=PLACE, change=CHANGE)
def test_one_byte_changed_anywhere_is_found(
    job: Path, which: str, place: float, change: int
) -> None:
    assert is_seen_with_a_byte_changed(job, which, place, change)


@pytest.mark.slow
@pytest.mark.parametrize("which", WHICH)
@settings(max_examples=8)
@given(place=PLACE, change=CHANGE)
def test_one_byte_changed_is_found_and_once_restored_all_holds(
    job: Path, which: str, place: float, change: int
) -> None:
    assert is_seen_with_a_byte_changed(job, which, place, change)
    assert not is_seen(job, which)


def is_seen_with_a_byte_changed(job: Path, which: str, place: float, change: int) -> bool:
    path = files(job)[which]
    good = path.read_bytes()
    at = int(place * len(good))
    try:
        path.write_bytes(good[:at] + bytes([good[at] ^ change]) + good[at + 1 :])
        return is_seen(job, which)
    finally:
        path.write_bytes(good)


@pytest.mark.parametrize("which", ["record", "page", "capture", "engine file"])
def test_a_byte_added_or_lost_at_either_end_is_found(job: Path, which: str) -> None:
    path = files(job)[which]
    good = path.read_bytes()
    for data in (good + b"\n", good[:-1], b" " + good, good[1:]):
        path.write_bytes(data)
        assert is_seen(job, which)
    path.write_bytes(good)


def test_a_figure_changed_by_hand_is_named(job: Path) -> None:
    path = certificate_in(job)
    good = path.read_bytes()
    mean = json.loads(good)["judgements"][0]["mean_btdc"]
    try:
        path.write_bytes(good.replace(repr(mean).encode(), b"36.0", 1))
        bad = failed(job)
    finally:
        path.write_bytes(good)
    assert bad[path.name] == "the record was edited"
    assert bad["judgements[0].mean_btdc"] == "differs"


def test_the_engine_file_edited_for_the_next_job_leaves_the_figures_standing(job: Path) -> None:
    path = job / "engine.toml"
    good = path.read_text("utf-8")
    try:
        path.write_text(
            good.replace("nominal_deg_btdc = 36", "nominal_deg_btdc = 30")
            .replace("earliest_deg_btdc = 37", "earliest_deg_btdc = 31")
            .replace("latest_deg_btdc = 35", "latest_deg_btdc = 29")
            .replace("counts_per_turn = 4096", "counts_per_turn = 2400"),
            "utf-8",
        )
        assert is_seen(job, "engine file")
        path.write_text("no longer TOML [", "utf-8")
        assert is_seen(job, "engine file")
    finally:
        path.write_text(good, "utf-8")


def test_another_reference_in_the_job_changes_no_old_certificate(job: Path) -> None:
    before = (job / "reference.json").read_bytes()
    assert rig("tdc", "set", job, "--tdc-deg", 12, "--within-deg", 1).status == 0
    assert failed(job) == {}
    (job / "reference.json").unlink()
    assert failed(job) == {}
    (job / "reference.json").write_bytes(before)


def test_a_missing_capture_is_said_and_no_figure_claimed(job: Path) -> None:
    path = files(job)["capture"]
    aside = path.with_suffix(".aside")
    path.rename(aside)
    bad = failed(job)
    ran = rig("verify", certificate_in(job))
    aside.rename(path)
    assert set(bad) == {path.name, "figures"}
    assert f"there is no such file in {path.parent}" in bad[path.name]
    assert f"not computed again, without {path.name}" in bad["figures"]
    assert ran.status == 1
    assert "2 of " in ran.out


def test_a_missing_page_and_a_missing_record(job: Path) -> None:
    page = files(job)["page"]
    data = page.read_bytes()
    page.unlink()
    assert failed(job) == {page.name: "the page is missing"}
    page.write_bytes(data)
    said = refused(2, "verify", job / "certificates" / "none")
    assert "no such certificate. Name its .json file or its folder." in said
    assert "no such certificate" in refused(2, "verify", job / "engine.json")


@pytest.mark.parametrize(
    "data", [b"", b"{}", b"[1, 2]", b"\xff\xfe", b'{"format": "timing certificate", "version": 9}']
)
def test_what_is_no_certificate_does_not_hold(job: Path, tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "made.json"
    path.write_bytes(data)
    ran = rig("verify", path, "--json")
    assert ran.status == 1
    assert not ran.answer["holds"]
    said = refused(2, "compare", path, certificate_in(job))
    assert "made.json" in said


def test_an_edited_certificate_is_not_compared(job: Path, tmp_path: Path) -> None:
    path = tmp_path / "edited.json"
    data = certificate_in(job).read_bytes()
    path.write_bytes(data.replace(b'"as found"', b'"as left"', 1))
    said = refused(2, "compare", path, certificate_in(job))
    assert "has been edited since it was saved (its fingerprint does not hold)" in said


def test_a_certificate_that_was_moved_is_proved_with_its_job(job: Path, tmp_path: Path) -> None:
    moved = tmp_path / "drawer" / certificate_in(job).stem
    shutil.copytree(certificate_in(job).parent, moved)
    alone = rig("verify", moved, "--json")
    assert alone.status == 1
    with_job = rig("verify", moved, "--job", job, "--json")
    assert (with_job.status, with_job.answer["holds"]) == (0, True)


def test_a_whole_job_can_be_carried_elsewhere(job: Path, tmp_path: Path) -> None:
    shutil.copytree(job, tmp_path / "a drawer" / "Boot, läng's")
    assert failed(tmp_path / "a drawer" / "Boot, läng's") == {}


def test_a_certificate_is_never_overwritten(tmp_path: Path) -> None:
    job = copied(tmp_path)
    first = certificate_in(job)
    data = first.read_bytes()
    made = [Path(rig("certify", job, "--json").answer["certificate"]) for _ in range(3)]
    assert len({first, *made}) == 4
    assert first.read_bytes() == data
    for path in made:
        assert rig("verify", path).status == 0
    assert not list((job / "certificates").glob(".*"))  # nothing half made


def test_a_capture_outside_the_job_is_not_certified(job: Path, tmp_path: Path) -> None:
    elsewhere = tmp_path / finished().capture.name
    shutil.copy(finished().capture, elsewhere)
    said = refused(2, "certify", job, elsewhere)
    assert f"{elsewhere}: a certificate is made from captures in {job / 'captures'}" in said
    assert "copy the capture there first" in said
    empty = tmp_path / "empty"
    assert rig("new", empty, "--example").status == 0
    for command in ("certify", "results"):
        said = refused(2, command, empty)
        assert f"{empty / 'captures'}: there is no capture yet; rig live makes one" in said


@pytest.mark.slow
def test_figures_are_the_same_in_another_time_zone_and_locale(job: Path) -> None:
    german = {"LC_ALL": "de_DE.UTF-8", "LANG": "de_DE.UTF-8"}
    env = {"TZ": "America/St_Johns", "PYTHONHASHSEED": "5", **german}
    there = process("verify", certificate_in(job), "--json", env=env)
    assert (there.status, there.answer["holds"]) == (0, True)
    assert len(there.answer["checks"]) == len(
        rig("verify", certificate_in(job), "--json").answer["checks"]
    )


@pytest.mark.slow
def test_the_certificate_is_dated_in_utc_wherever_it_is_made(tmp_path: Path) -> None:
    job = copied(tmp_path)
    made = process("certify", job, "--json", env={"TZ": "Pacific/Kiritimati"})
    record = json.loads(Path(made.answer["certificate"]).read_bytes())
    issued = datetime.fromisoformat(record["issued_utc"])
    assert abs(issued - datetime.now(UTC)) < timedelta(hours=1)
    old = json.loads(certificate_in(finished().folder).read_bytes())
    for part in ("judgements", "readings", "comparisons", "captures", "reference"):
        assert record[part] == old[part]

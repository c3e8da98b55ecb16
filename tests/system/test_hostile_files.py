"""Files and folders that were made to do harm: links out of the job, pipes, sizes, nesting."""

from __future__ import annotations

import json
import os
import shutil
import sys
from pathlib import Path

import pytest
from made_job import MadeJob, certificate_in, copied, process, refused, rig

from rig.base.errors import InputError
from rig.certificate import seal
from rig.tdc.reference_file import load_reference, save_reference

MEANS = (
    '\n[[adjustment.slot]]\nunit = "upper"\nradius_mm = 40\n'
    "clockwise_mm = 9\nanticlockwise_mm = 9\n"
)

links = pytest.mark.skipif(sys.platform == "win32", reason="links need a right of their own there")


def everything_under(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@links
@pytest.mark.parametrize("name", ["captures", "certificates", "predictions", "units"])
@pytest.mark.parametrize("broken", [False, True])
def test_a_folder_of_the_job_that_leads_out_of_it(tmp_path: Path, name: str, broken: bool) -> None:
    job, away = copied(tmp_path), tmp_path / "away"
    if (job / name).exists():
        shutil.move(job / name, away)
    elif not broken:
        away.mkdir()
    if broken and away.exists():
        shutil.rmtree(away)
    (job / name).symlink_to(away, target_is_directory=True)
    before = everything_under(away)
    for words in (
        ("certify", job),
        ("results", job),
        ("tdc", "set", job, "--tdc-deg", 3, "--within-deg", 1),
        ("adjust", job, "--take", 1),
        ("bench", job, "--unit", "upper"),
        ("live", job, "--port", "socket://127.0.0.1:9"),
    ):
        said = refused(2, *words)
        assert name in said
        assert "link out of the job" in said
    with pytest.raises(InputError, match="link out of the job"):
        MadeJob(job)
    assert everything_under(away) == before
    assert away.exists() != broken


@links
def test_a_job_that_is_itself_reached_by_a_link(tmp_path: Path) -> None:
    job = copied(tmp_path)
    (tmp_path / "shortcut").symlink_to(job, target_is_directory=True)
    assert rig("results", tmp_path / "shortcut").status == rig("results", job).status
    assert rig("certify", tmp_path / "shortcut").status in (0, 1)


@links
def test_a_capture_that_lies_elsewhere_is_not_certified(tmp_path: Path) -> None:
    job = copied(tmp_path)
    (capture,) = (job / "captures").glob("*.capture")
    shutil.move(capture, tmp_path / "elsewhere.capture")
    capture.symlink_to(tmp_path / "elsewhere.capture")
    assert "copy the capture there first" in refused(2, "certify", job)


@links
def test_a_reference_that_is_a_link_is_replaced_not_followed(tmp_path: Path) -> None:
    job, outside = copied(tmp_path), tmp_path / "outside.json"
    (job / "reference.json").unlink(missing_ok=True)
    outside.write_bytes(b"somebody else's")
    (job / "reference.json").symlink_to(outside)
    assert rig("tdc", "set", job, "--tdc-deg", 3, "--within-deg", 1).status == 0
    assert outside.read_bytes() == b"somebody else's"
    assert not (job / "reference.json").is_symlink()
    found = load_reference(job)
    outside.unlink()
    (job / "reference.json").unlink()
    (job / "reference.json").symlink_to(outside)  # and leads nowhere
    save_reference(job, found)
    assert not outside.exists()
    assert load_reference(job) == found


@pytest.mark.slow
@pytest.mark.parametrize(
    "name", ["../../x", "/etc/x", "..", "a/../../b", "C:\\x", "con", ".hidden", "x" * 40, "~/x"]
)
def test_names_are_no_paths(tmp_path: Path, name: str) -> None:
    """A unit, an engine, a serial of such a name: every file lands in the job."""

    def edit(text: str) -> str:
        for old in ("upper", "Launch engine (example)"):
            text = text.replace(f'"{old}"', json.dumps(name))
        return text + MEANS.replace('"upper"', json.dumps(name))

    outer = tmp_path / "a" / "b"
    made = MadeJob(outer / "job", edit=edit).find_tdc().state_stroke()
    made.do("turn 800 at 110").end()
    assert rig("certify", made.folder).status in (0, 1)
    unit = ("bench", made.folder, "--unit", name, "--type", name, "--serial", name)
    assert rig(*unit).status == 0
    rig("adjust", made.folder, "--take", 1)
    assert [path.name for path in outer.iterdir()] == ["job"]
    assert [path.name for path in tmp_path.rglob("*") if path.is_file() and
            made.folder not in path.parents] == []  # fmt: skip
    assert len(list((made.folder / "units").glob("*.json"))) == 1


@pytest.mark.parametrize("name", ["../../x", "/etc/hostname", "..", "a\\b", "a:b", "", "."])
def test_a_certificate_that_names_files_outside(tmp_path: Path, name: str) -> None:
    """Sealed anew after it was edited: what it names is not even looked for."""
    job = copied(tmp_path)
    file = certificate_in(job)
    record = json.loads(file.read_bytes())
    record["captures"][0]["file"] = name
    record["engine_file"]["name"] = name
    file.write_bytes(seal.file_bytes(record, b""))
    ran = rig("verify", file, "--json")
    assert ran.status == 1
    engine, capture = [each for each in ran.answer["checks"] if each["what"] == name]
    assert not engine["holds"]
    assert engine["words"].startswith("an engine file is named engine.toml; ")
    assert not capture["holds"]
    assert "cannot be in the job" in capture["words"]
    assert (engine["found"], capture["found"]) == ("engine.toml", "")  # the name that it should be


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="there are no named pipes there")
@pytest.mark.parametrize(
    ("place", "commands"),
    [
        ("engine.toml", ["results"]),
        ("reference.json", ["tdc show", "certify"]),
        ("capture", ["results", "verify"]),
        ("page", ["verify"]),
        ("record", ["verify", "trend"]),
        ("report", ["trend"]),
    ],
)
def test_a_pipe_in_the_place_of_a_file_is_not_waited_for(
    tmp_path: Path, place: str, commands: list[str]
) -> None:
    """Nobody will ever write into it. The process is given a minute and needs a second."""
    job = copied(tmp_path)
    record = certificate_in(job)
    (capture,) = (job / "captures").glob("*.capture")
    places = {"capture": capture, "page": record.with_suffix(".html"), "record": record}
    places["report"] = job / "units" / "a.json"
    path = places.get(place, job / place)
    path.parent.mkdir(exist_ok=True)
    path.unlink(missing_ok=True)
    os.mkfifo(path)
    for command in commands:
        ran = process(*command.split(), record if command == "verify" else job)
        assert ran.status in ((0,) if place == "report" else (1, 2))


def large(path: Path, size: int) -> Path:
    """A file of that size that takes no room on the disk."""
    path.parent.mkdir(exist_ok=True)
    with path.open("wb") as file:
        file.truncate(size)
    return path


def test_sizes_have_limits(tmp_path: Path) -> None:
    """Those that the README states."""
    job = copied(tmp_path)
    record = certificate_in(job)
    large(record, 32 * 2**20 + 1)
    assert "over 33554432 bytes" in refused(2, "verify", record)
    large(job / "reference.json", 10_000_001)
    assert "over 10000000 bytes" in refused(2, "tdc", "show", job)
    (job / "reference.json").unlink()
    points = large(tmp_path / "points.txt", 1_000_001)
    assert "over 1000000 bytes" in refused(2, "tdc", "gauge", job, points)
    reports = [large(tmp_path / f"{name}.json", 10_000_001) for name in "ab"]
    assert "over 10000000 bytes" in refused(2, "bench", *reports)
    large(job / "engine.toml", 1_000_001)
    assert "longer than 1000000 bytes" in refused(2, "results", job)


@pytest.mark.parametrize("text", ["[" * 200_000, '{"a":' * 200_000, "[" * 900 + "]" * 900,
                                  '{"a":' * 900 + "1" + "}" * 900, "9" * 200_000, "NaN",
                                  "-Infinity", "1e999"])  # fmt: skip
def test_nesting_and_numbers_without_end(tmp_path: Path, text: str) -> None:
    """In the place of a file, and of a value within one that is sound otherwise."""
    job = copied(tmp_path)
    record = certificate_in(job)
    whole = record.read_bytes()
    for data in (
        text.encode(),
        whole.replace(b'"judgements": [', b'"judgements": [' + text.encode() + b",", 1),
    ):
        record.write_bytes(data)
        assert rig("verify", record).status == 1 or "certificate" in refused(2, "verify", record)
        refused(2, "compare", record, record)
        refused(2, "trend", job)
    (job / "reference.json").write_text(text)
    refused(2, "tdc", "show", job)
    sheet = tmp_path / "a.json"
    sheet.write_text(text)
    refused(2, "bench", sheet, sheet)
    toml = (job / "engine.toml").read_text("utf-8")
    (job / "engine.toml").write_text(f"{toml}\n[x]\ny = {text}\n", "utf-8")
    refused(2, "results", job)

"""The engine file is read once: figures, verdicts and certificate are of the same version of it."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import fields
from pathlib import Path

import pytest
from made_job import MadeJob, rig

from rig import job as rig_job
from rig.base.toml_file import parse
from rig.certificate import record as certificate
from rig.engine import engine_file
from rig.engine.engine_file import load_engine
from rig.job.folder import Job
from rig.live.ui_state import UiState

Edit = Callable[[Path], object]


def folder_in_its_place(file: Path) -> None:
    file.unlink()
    file.mkdir()


EDITS: dict[str, Edit] = {
    "edited": lambda file: file.write_text(file.read_text("utf-8") + "\n# gap 0.40\n", "utf-8"),
    "broken": lambda file: file.write_bytes(b"[engine\n"),
    "not text": lambda file: file.write_bytes(b"\xff\xfe\x00"),
    "gone": lambda file: file.unlink(),
    "a folder now": folder_in_its_place,
}


@pytest.mark.parametrize("what", EDITS)
def test_the_certificate_carries_the_version_of_the_verdicts(tmp_path: Path, what: str) -> None:
    made = MadeJob(tmp_path / "job")
    ui_state = UiState(made.live)
    before = made.engine_file.read_bytes()
    made.find_tdc().state_stroke().do("turn 800 at 200")
    assert "engine.toml" not in ui_state.view().caution
    EDITS[what](made.engine_file)
    made.do("rest 2")
    caution = ui_state.view().caution
    assert "engine.toml has changed" in caution
    assert "to load the new one, quit (q) and start rig live again" in caution
    assert ("cannot be used" in caution) == (what != "edited")
    on_screen = made.live.session.assessments()
    record, _ = made.save()
    saved = certificate.as_certificate(certificate.load(record))
    assert saved.engine_file.text.encode() == before
    for kept, shown in zip(saved.judgements, on_screen, strict=True):
        for each in fields(shown):
            assert each.name == "rule" or getattr(kept, each.name) == getattr(shown, each.name)


def test_the_screen_says_nothing_once_the_file_is_as_it_was(tmp_path: Path) -> None:
    made = MadeJob(tmp_path / "job").do("turn 90 at 90")
    text = made.engine_file.read_bytes()
    made.engine_file.write_bytes(text + b"#\n")
    assert "has changed" in made.do("rest 2").live.caution()
    made.engine_file.write_bytes(text)
    assert made.do("rest 2").live.caution() == ""


def test_a_certificate_afterwards_holds_the_bytes_that_were_read(tmp_path: Path) -> None:
    made = MadeJob(tmp_path / "job").whole()
    job = Job(made.folder)
    made.engine_file.write_bytes(b"nonsense")
    assert job.engine.profile == load_engine_of(job.engine.data, tmp_path)
    assert job.adjustments is not None  # of the same bytes
    assert rig("certify", made.folder).status == 2


def load_engine_of(data: bytes, folder: Path) -> object:
    (folder / "engine.toml").write_bytes(data)
    return load_engine(folder).profile


def test_a_reference_file_broken_meanwhile_does_not_keep_from_saving(tmp_path: Path) -> None:
    made = MadeJob(tmp_path / "job").find_tdc().state_stroke().do("turn 800 at 200")
    made.job.reference_file.write_bytes(b"nonsense")
    record, _ = made.save()
    assert certificate.load(record)["reference"]["method"] == "stop"


def test_profile_and_adjustments_are_of_one_parse(monkeypatch: pytest.MonkeyPatch) -> None:
    parses = []

    def counting(data: bytes, name: str, *whole: Collection[str]) -> object:
        parses.append(name)
        return parse(data, name, *whole)

    monkeypatch.setattr(engine_file, "parse", counting)
    example = Path(rig_job.__file__).with_name("example.toml")
    found = load_engine(example)
    assert (found.profile, found.adjustments) == engine_file.engine_from_bytes(found.data)
    assert len(parses) == 2  # one for each call

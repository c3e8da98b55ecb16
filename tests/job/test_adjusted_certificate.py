"""A unit that stood wrong is adjusted: the certificate has what was done, predicted and read, and
verifies from what it carries when the job's files have gone on to the next measurement."""

from __future__ import annotations

import json
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from made_job import MadeJob, certificate_in, rig
from wrong_job import wrong_job

from rig import __version__
from rig.base.earlier_rules import EARLIER_RULES
from rig.certificate import page, record, seal
from rig.job import results
from rig.live import live_session
from rig.session.annotations import Annotations


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Read, corrected as the program said, read again, certified by the second capture."""
    folder = wrong_job(tmp_path_factory.mktemp("adjusted")).folder
    taken = rig("adjust", folder, "--take", 1, "--json")
    assert taken.status == 0, taken.err
    steps = taken.answer["options"][0]["steps"]
    again = MadeJob(folder, 5, began=datetime.now(UTC) + timedelta(minutes=1))
    # The virtual engine is a new one: upper stands wrong as before, and each is moved as predicted.
    for unit, wrong in (("upper", 2.0), ("lower", 0.0)):
        shift = sum(step["shift_deg"].get(unit, 0.0) for step in steps)
        again.do(f"move {unit} {wrong + shift}")
    again.whole()
    assert rig("adjust", folder, "--confirm").status == 0
    assert rig("certify", folder).status < 2
    return folder


def test_it_says_what_was_done_and_that_it_was_confirmed(job: Path) -> None:
    made = json.loads(certificate_in(job).read_bytes())
    (adjustment,) = made["adjustments"]
    assert adjustment["steps"]
    verdicts = {each["verdict"] for each in adjustment["predictions"] if each["unit"] == "upper"}
    assert verdicts == {"confirmed"}
    drawn = certificate_in(job).with_suffix(".html").read_text("utf-8")
    assert "Adjusted on this job" in drawn


def failed(job: Path) -> list[str]:
    ran = rig("verify", certificate_in(job), "--json")
    return [each["what"] for each in ran.answer["checks"] if not each["holds"]]


def test_it_verifies_for_ever_from_what_it_carries(job: Path, tmp_path: Path) -> None:
    later = Path(shutil.copytree(job, tmp_path / "job"))
    assert failed(later) == []
    text = (later / "engine.toml").read_text("utf-8")
    changed = text.replace("earliest_deg_btdc = 37", "earliest_deg_btdc = 36.5")
    assert changed != text
    (later / "engine.toml").write_text(changed, "utf-8")
    assert failed(later) == []
    shutil.rmtree(later / "predictions")
    assert failed(later) == []
    (later / "engine.toml").unlink()
    assert failed(later) == []


@pytest.mark.parametrize("key", ["predicted_btdc", "read_btdc", "off_deg", "within_deg"])
def test_an_altered_figure_of_it_is_named(job: Path, tmp_path: Path, key: str) -> None:
    forged = Path(shutil.copytree(job, tmp_path / "job"))
    file = certificate_in(forged)
    made = json.loads(file.read_bytes())
    del made["seals"]
    made["adjustments"][0]["predictions"][0][key] += 0.25
    drawn = page.render(made).encode("utf-8")
    file.write_bytes(seal.file_bytes(made, drawn))
    file.with_suffix(".html").write_bytes(drawn)
    assert f"adjustments[0].predictions[0].{key}" in failed(forged)


def test_a_sheet_that_was_edited_is_named(job: Path, tmp_path: Path) -> None:
    edited = Path(shutil.copytree(job, tmp_path / "job"))
    made = json.loads(certificate_in(edited).read_bytes())
    name = made["adjustments"][0]["sheet"]
    with (edited / "predictions" / name).open("ab") as file:
        file.write(b"\n")
    assert failed(edited) == [f"predictions/{name}"]


@pytest.mark.slow
@pytest.mark.parametrize("years", [(2025, 1999, 2026), (2099, 2100, 1999)])
def test_which_certificate_an_adjustment_belongs_to_does_not_hang_on_the_clock(
    tmp_path: Path, years: tuple[int, ...]
) -> None:
    """The clock is set on and back by decades: the adjustment is on the certificate of the capture
    that came after it, and on no other."""
    folder = wrong_job(tmp_path).folder
    on = []
    for year in (None, *years):
        if year is not None:
            again = MadeJob(folder, 5, began=datetime(year, 1, 1, tzinfo=UTC))
            again.find_tdc().state_stroke().do("turn 800 at 110").end()
        ran = rig("certify", folder, "--json")
        assert ran.status < 2, ran.err
        saved = Path(ran.answer["certificate"])
        on.append([each["sheet"] for each in json.loads(saved.read_bytes())["adjustments"]])
        if max(years) < 2090:  # a certificate of the future does not verify
            assert rig("verify", saved).status == 0
        if len(on) == 2:
            taken = Path(rig("adjust", folder, "--take", 1, "--json").answer["saved"])
    assert on == [[], [], [taken.name], []]


@pytest.mark.slow
def test_a_mean_over_several_moves_by_an_earlier_version_still_verifies(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Until 0.3.0 all that was read while adjusting made one mean, however often it was moved."""
    monkeypatch.setattr(live_session, "__version__", "0.3.0")  # which began the capture
    made = MadeJob(tmp_path / "job", 5).find_tdc().state_stroke().do("turn 800 at 110", "rest 1")
    for deg in (3.0, -4.0):
        made.do(f"move upper {deg}")
        made.live.annotate("moved", {"unit": "upper"})
        made.do("rest 1", "turn 800 at 110", "rest 1")
    made.end()
    monkeypatch.setattr(Annotations, "moved_since", lambda *_: False)
    monkeypatch.setattr(record, "__version__", "0.3.0")
    assert rig("certify", made.folder).status < 2
    monkeypatch.undo()
    assert failed(made.folder) == []
    kept = json.loads(certificate_in(made.folder).read_bytes())
    del kept["seals"]
    kept["program"]["version"] = "0.4.0"  # whose rule is another
    file = certificate_in(made.folder)
    file.write_bytes(seal.file_bytes(kept, file.with_suffix(".html").read_bytes()))
    assert any(each.endswith(".mean_btdc") for each in failed(made.folder))


@pytest.mark.slow
def test_a_firing_tdc_entered_after_a_restart_is_computed_again_by_its_own_rule(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Until 0.4.0 it placed what was read before the restart, too."""
    monkeypatch.setattr(live_session, "__version__", "0.4.0")  # which began the capture
    made = MadeJob(tmp_path / "job", 5).find_tdc().do("turn 1450 at 110", "fault reset in 0.5")
    made.do("turn 900 at 110").state_stroke().do("turn 1450 at 110", "rest 1").end()
    monkeypatch.setattr(results, "EARLIER_RULES", {__version__: EARLIER_RULES["0.4.0"]})
    monkeypatch.setattr(record, "__version__", "0.4.0")
    assert rig("certify", made.folder).status < 2
    monkeypatch.undo()
    assert failed(made.folder) == []
    kept = json.loads(certificate_in(made.folder).read_bytes())
    del kept["seals"]
    kept["program"]["version"] = __version__  # whose rule is another
    file = certificate_in(made.folder)
    file.write_bytes(seal.file_bytes(kept, file.with_suffix(".html").read_bytes()))
    assert any(each.startswith("judgements") for each in failed(made.folder))

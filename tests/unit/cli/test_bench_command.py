"""rig bench: a unit on the bench, the encoder on its own shaft; its report, and two compared."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from bench_unit import bench
from made_job import MadeJob, on_terminal, refused, rig


def reported(*more: str | float | Path) -> dict[str, object]:
    ran = rig("bench", bench().folder, "--unit", "upper", *more, "--json")
    assert ran.status == 0, ran.err
    return ran.answer


def test_lobes_play_and_dwell_against_the_truth() -> None:
    found = reported("--serial", "A1")["found"]
    assert isinstance(found, dict)
    truth = bench().rig.hidden.units[0]
    assert found["backlash"]["deg"] == pytest.approx(truth.backlash_deg, abs=0.08)
    lobes = found["lobes"]
    assert len(lobes) == 2
    assert sum(lobe["interval"]["deg"] for lobe in lobes) == pytest.approx(360.0)
    uneven = abs(lobes[0]["interval"]["deg"] - 180.0)
    true_uneven = abs(truth.lobe_deg[0] - truth.lobe_deg[1])
    assert uneven == pytest.approx(true_uneven, abs=0.1)
    opened = sorted(lobe["opened"]["deg"] for lobe in lobes)
    assert opened == pytest.approx(sorted(truth.open_deg), abs=0.15)
    for lobe in lobes:
        assert lobe["closed"] is not None


def test_neutral_felt_from_both_sides_is_half_way() -> None:
    found = reported("--poles", 4)["found"]
    assert isinstance(found, dict)
    assert found["neutral"]["deg"] == pytest.approx((370.0 + 368.3) / 2 - 360, abs=0.02)
    assert found["neutral_sides_deg"] == pytest.approx(1.7, abs=0.02)
    assert all(lobe["neutral"]["deg"] < 90.0 for lobe in found["lobes"])
    ran = rig("bench", bench().folder, "--unit", "upper")
    assert "no angle" in ran.err
    assert "magnetic neutral at 9.1" in ran.out


def test_the_report_is_saved_with_its_serial_and_never_over_another() -> None:
    first = reported("--serial", "417-B")
    second = reported("--serial", "417-B")
    assert first["saved"] != second["saved"]
    path = Path(str(first["saved"]))
    assert path.parent == bench().folder / "units"
    assert path.name.startswith("upper-417-b-")
    sheet = json.loads(path.read_text("utf-8"))
    assert sheet["kind"] == "unit report"
    assert sheet["unit"]["serial"] == "417-B"
    assert len(sheet["recording_sha256"]) == 64
    listed = rig("trend", bench().folder)
    assert listed.status == 2  # reports alone make no history of certificates


def test_two_reports_are_compared(tmp_path: Path) -> None:
    first = Path(str(reported("--serial", "A1")["saved"]))
    ran = rig("bench", first, first, "--json")
    assert ran.status == 0
    assert not any(change["changed"] for change in ran.answer["changes"])
    sheet = json.loads(first.read_text("utf-8"))
    sheet["found"]["lobes"][0]["interval"]["deg"] += 1.5
    other = tmp_path / "later.json"
    other.write_text(json.dumps(sheet), "utf-8")
    ran = rig("bench", first, other, "--json")
    assert ran.status == 1
    changed = [change["figure"] for change in ran.answer["changes"] if change["changed"]]
    assert changed == ["interval from lobe 1"]
    out = on_terminal("bench", first, other).out
    assert out.startswith("upper A1 on ")
    assert all(len(line) <= 80 for line in out.splitlines())
    text = " ".join(out.split())
    assert ": changed: interval from lobe 1 +1.50°, U " in text
    assert "CHANGED" in text
    n = len(ran.answer["changes"])
    any_of_them = ran.answer["false_changed_any"]
    assert ran.answer["false_changed_each"] == pytest.approx(0.05)
    assert any_of_them == pytest.approx(1.0 - 0.95**n)
    assert "where nothing changed, at most 5 % of comparisons call a figure changed" in text
    assert f"about {100 * any_of_them:.0f} % one or more of these {n}" in text


def test_a_recording_without_a_job(tmp_path: Path) -> None:
    capture = bench().capture
    ran = rig("bench", capture, "--lobes", 2, "--type", "two lobe", "--save-in", tmp_path, "--json")
    assert ran.status == 0
    assert Path(ran.answer["saved"]).parent == tmp_path
    ran = rig("bench", capture, "--lobes", 2)
    assert ran.status == 0
    assert "not saved" in ran.err


def test_the_impulse_coupling_in_a_recording_of_its_own(tmp_path: Path) -> None:
    """Openings 12 degrees on, as with the coupling engaged: the same recording, seen later."""
    made = MadeJob(tmp_path / "job", 5)
    made.do("turn 800 at 120", "move upper -12", "turn 100 at 120")
    made.live.annotate("coupling", {"engaged": True})
    made.do("turn 900 at 120")
    made.end()
    ran = rig("bench", made.folder, "--unit", "upper", "--json")
    assert ran.status == 0, ran.err
    assert ran.answer["found"]["impulse_lag"]["deg"] == pytest.approx(12.0, abs=0.2)


def test_what_is_refused(tmp_path: Path) -> None:
    job, capture = bench().folder, bench().capture
    assert "has upper, lower" in refused(2, "bench", job)
    assert "--lobes" in refused(2, "bench", capture)
    assert "are not at" in refused(2, "bench", capture, "--lobes", 3)
    assert "five times if you can" in refused(2, "bench", capture, "--lobes", 2, "--input", 7)
    assert "--poles" in refused(2, "bench", capture, "--lobes", 2, "--poles", 99)
    assert "no such file" in refused(2, "bench", tmp_path / "none.capture", "--lobes", 2)
    report = Path(str(reported("--serial", "A1")["saved"]))
    assert "two reports" in refused(2, "bench", report)
    other = tmp_path / "other.json"
    other.write_text('{"kind": "prediction"}', "utf-8")
    assert "is not a unit report" in refused(2, "bench", report, other)


def test_reports_of_different_types_are_not_compared(tmp_path: Path) -> None:
    first = Path(str(reported("--serial", "A1")["saved"]))
    sheet = json.loads(first.read_text("utf-8"))
    sheet["unit"]["type"] = "another type"
    other = tmp_path / "other.json"
    other.write_text(json.dumps(sheet), "utf-8")
    assert "compare reports of the same type" in refused(2, "bench", first, other)
    del sheet["found"]["lobes"]
    sheet["unit"]["type"] = "upper"
    other.write_text(json.dumps(sheet), "utf-8")
    assert "incomplete" in refused(2, "bench", first, other)

"""rig trend: the certificates of an engine over several jobs."""

from __future__ import annotations

import atexit
import csv
import functools
import json
import shutil
import tempfile
from datetime import UTC, datetime
from pathlib import Path

import pytest
from made_job import MadeJob, certificate_in, copied, on_terminal, refused, rig

from rig.certificate import seal

YEARS = ((2016, 0.0), (2018, -0.35), (2020, -0.70), (2023, -1.22))


@functools.cache
def workshop() -> Path:
    """A folder of jobs: one engine over the years, its upper unit opening later each time."""
    home = Path(tempfile.mkdtemp(prefix="workshop-"))
    atexit.register(shutil.rmtree, home, ignore_errors=True)
    for year, moved in YEARS:
        made = MadeJob(
            home / f"job-{year}",
            9,
            began=datetime(year, 5, 3, 9, tzinfo=UTC),
            edit=lambda text: text.replace('serial = ""', 'serial = "417"'),
        )
        if moved:
            made.do(f"move upper {moved}")
        made.whole()
        made.save()
    return home


def test_drift_is_found_from_the_records_alone(tmp_path: Path) -> None:
    home = tmp_path / "years"
    shutil.copytree(workshop(), home)
    for capture in home.glob("*/captures/*.capture"):
        capture.unlink()  # no capture is read
    ran = rig("trend", home, "--json")
    assert ran.status == 0, ran.err
    upper = next(s for s in ran.answer["series"] if s["unit"] == "upper" and s["cylinder"] is None)
    assert len(upper["points"]) == len(YEARS)
    assert upper["line"]["per_year_deg"] == pytest.approx(-0.175, abs=0.02)
    lower = next(s for s in ran.answer["series"] if s["unit"] == "lower" and s["cylinder"] is None)
    assert abs(lower["line"]["per_year_deg"]) <= lower["line"]["U_per_year_deg"]
    assert ran.answer["engine"] == "Launch engine (example)"
    assert ran.answer["serial"] == "417"


def test_the_table_is_in_order_and_says_what_it_is_worth() -> None:
    ran = on_terminal("trend", workshop())
    dates = [line.split()[0] for line in ran.out.splitlines() if line.startswith("  20")]
    assert dates[: len(YEARS)] == sorted(dates[: len(YEARS)])
    assert "opens later by 0.1" in ran.out
    assert "First to leave its window: upper, full advance, cylinder " in ran.out
    assert "a hint, not a promise" in " ".join(ran.out.split())
    assert all(len(line) <= 80 for line in ran.out.splitlines())
    assert "\nupper, full advance, cylinder 3\n" not in ran.out
    assert "\nupper, full advance, cylinder 3\n" in rig("trend", workshop(), "--cylinders").out
    assert "lower" not in rig("trend", workshop(), "--unit", "upper").out


def test_csv_and_drawing_are_written(tmp_path: Path) -> None:
    table, drawing = tmp_path / "h.csv", tmp_path / "h.svg"
    ran = rig("trend", workshop(), "--csv", table, "--drawing", drawing, "--json")
    assert ran.status == 0
    assert ran.answer["written"] == [str(table), str(drawing)]
    rows = list(csv.DictReader(table.open(encoding="utf-8", newline="")))
    assert len({row["certificate"] for row in rows}) == len(YEARS)
    assert drawing.read_text("utf-8").startswith("<?xml")


def test_an_edited_certificate_is_left_out_and_told(tmp_path: Path) -> None:
    home = tmp_path / "years"
    shutil.copytree(workshop(), home)
    record = certificate_in(home / "job-2018")
    text = record.read_text("ascii")
    record.write_text(text.replace('"upper"', '"uppar"', 1), "ascii")
    ran = rig("trend", home)
    assert "edited" in ran.err
    assert ": 3 certificates" in ran.out


def test_a_certificate_without_a_true_uncertainty_is_named_and_nothing_is_lost(
    tmp_path: Path,
) -> None:
    home = tmp_path / "years"
    shutil.copytree(workshop(), home)
    record = certificate_in(home / "job-2020")
    made = json.loads(record.read_bytes())
    for judgement in made["judgements"]:
        for part in judgement["uncertainty"]["parts"]:
            part["u_deg"] = 0.0
    record.write_bytes(seal.file_bytes(made, b""))
    table, drawing = tmp_path / "h.csv", tmp_path / "h.svg"
    ran = rig("trend", home, "--csv", table, "--drawing", drawing)
    assert ran.status == 0
    (said,) = ran.err.splitlines()
    assert said.startswith(f"rig trend: {record.name}: upper, full advance, as found; lower")
    assert "its uncertainty is zero, or over 180°" in said
    assert ": 4 certificates" in ran.out
    shown = [line for line in ran.out.splitlines() if line.startswith("  2020-05-03")]
    assert shown
    assert " ".join(ran.out.split()).count("(no line goes through it)") == len(shown)
    assert "through 3 points, one more than it needs" in " ".join(ran.out.split())
    assert "2020-05-03" in table.read_text("utf-8")
    assert drawing.exists()


def test_no_certificate_is_of_use(tmp_path: Path) -> None:
    job = copied(tmp_path)
    record = certificate_in(job)
    made = json.loads(record.read_bytes())
    made["judgements"][0]["uncertainty"]["U_deg"] = "inf"
    record.write_bytes(seal.file_bytes(made, b""))
    said = refused(2, "trend", job)
    assert f"rig trend: left out: {record}.judgements[0].uncertainty.U_deg: must be " in said
    assert "no certificate that could be used has a figure to show" in said


def test_different_engines_are_not_mixed(tmp_path: Path) -> None:
    home = tmp_path / "years"
    shutil.copytree(workshop(), home)
    shutil.copytree(copied(tmp_path), home / "another")
    said = refused(2, "trend", home)
    assert "different engines" in said
    assert "417" in said
    ran = rig("trend", home, "--engine-serial", "417")
    assert ran.status == 0


def test_reports_of_units_stand_beside_them(tmp_path: Path) -> None:
    home = tmp_path / "years"
    shutil.copytree(workshop(), home)
    units = home / "job-2020" / "units"
    units.mkdir()
    sheet = {
        "kind": "unit report", "version": 1, "made_utc": "2020-05-04T10:00:00Z",
        "unit": {"type": "upper", "serial": "A1", "lobes": 2}, "found": {"lobes": []},
    }  # fmt: skip
    (units / "upper-a1.json").write_text(json.dumps(sheet), "utf-8")
    (units / "broken.json").write_text("{", "utf-8")
    ran = rig("trend", home, "--json")
    assert [each["serial"] for each in ran.answer["unit_reports"]] == ["A1"]
    assert ran.answer["unit_series"] == []
    assert "broken.json" in ran.err
    assert "upper A1" in rig("trend", home).out


def test_units_alone_are_followed_through_the_years(tmp_path: Path) -> None:
    home = tmp_path / "years"
    shutil.copytree(workshop(), home)
    for n, year in enumerate((2014, 2016, 2018, 2020)):
        folder = home / f"job-{year}" / "units"
        folder.mkdir(parents=True)
        sheet = {
            "kind": "unit report", "version": 1, "made_utc": f"{year}-06-01T10:00:00Z",
            "unit": {"type": "twin-spark", "serial": "A1", "lobes": 2, "name": "upper"},
            "changes": ["new cam"] if n == 1 else [],
            "found": {"lobes": [], "play": {"deg": 0.4 + 0.2 * n, "u_deg": 0.02, "n": 5}},
        }  # fmt: skip
        (folder / "a1.json").write_text(json.dumps(sheet), "utf-8")
    ran = rig("trend", home)
    _, _, told = ran.out.partition("twin-spark A1, backlash, degrees of its own shaft\n")
    lines = told.splitlines()
    # Student's factor for five readings is 2.78 (JCGM 100:2008, table G.2).
    value, _, U = lines[0].split()[1:]
    assert float(value.rstrip("°")) == pytest.approx(0.40)
    assert float(U.rstrip("°")) == pytest.approx(2.78 * 0.02, abs=0.005)
    assert lines[1].endswith("[new cam]")
    assert lines[4].strip().startswith("0.100° more each year, ± 0.0")
    assert "through 3 points, one more than it needs" in lines[4]  # since the new cam
    assert "a hint, not a promise" in told
    (play,) = rig("trend", home, "--json").answer["unit_series"]
    assert play["line"]["per_year_deg"] == pytest.approx(0.1, abs=1e-3)


def test_a_spare_on_the_shelf_is_followed_by_its_serial(tmp_path: Path) -> None:
    home = tmp_path / "years"
    shutil.copytree(workshop(), home)
    for n, year in enumerate((2016, 2018, 2020, 2023)):
        (home / f"job-{year}" / "units").mkdir(parents=True)
        for serial in ("S9", "T4"):
            sheet = {
                "kind": "unit report", "version": 1, "made_utc": f"{year}-06-01T10:00:00Z",
                "unit": {"type": "spare", "serial": serial, "lobes": 2},
                "found": {"lobes": [], "play": {"deg": 0.4 + 0.2 * n, "u_deg": 0.02, "n": 5}},
            }  # fmt: skip
            path = home / f"job-{year}" / "units" / f"{serial}.json"
            path.write_text(json.dumps(sheet), "utf-8")
    ran = rig("trend", home, "--unit-serial", "S9")
    assert ran.status == 0, ran.err
    assert ran.out.startswith("unit S9: on no certificate\n")
    assert "more each year" in " ".join(ran.out.split())
    assert "T4" not in ran.out
    answer = rig("trend", home, "--unit-serial", "S9", "--json").answer
    assert {each["serial"] for each in answer["unit_series"]} == {"S9"}
    assert "no unit with serial X1" in refused(2, "trend", home, "--unit-serial", "X1")


def test_what_is_refused(tmp_path: Path) -> None:
    assert "no such folder" in refused(2, "trend", tmp_path / "none")
    assert "no certificate" in refused(2, "trend", tmp_path)
    assert "have lower, upper" in refused(2, "trend", workshop(), "--unit", "middle")
    (tmp_path / "file").write_text("mine", "utf-8")
    csv_in_a_file = refused(2, "trend", workshop(), "--csv", tmp_path / "file" / "h.csv")
    assert "h.csv: cannot be saved: " in csv_in_a_file
    assert ".svg, .png, .pdf" in refused(2, "trend", workshop(), "--drawing", tmp_path / "h.docx")

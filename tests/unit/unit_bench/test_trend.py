"""Reports of a unit alone through the years: distinguished, fitted, changes as steps."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest

from rig.timing.drift import DatedChange
from rig.unit_bench.trend import UnitSeries, read, series


def mean(deg: float, u_deg: float = 0.05) -> dict[str, Any]:
    return {"deg": deg, "u_deg": u_deg, "n": 5}


def report(
    jobs: Path, year: int, interval: float, *, serial: str = "A1", changes: tuple[str, ...] = (),
    **unit: Any,
) -> None:  # fmt: skip
    """Save the report of a year: one lobe's interval to the next, and the backlash."""
    lobe = {"number": 1, "opening": mean(40.0), "interval": mean(interval),
            "closed": None, "opened": None, "neutral": None}  # fmt: skip
    sheet = {
        "kind": "unit report", "version": 1, "made_utc": f"{year}-05-14T10:00:00Z",
        "unit": {"type": "twin-spark", "serial": serial, "lobes": 2, "name": "upper",
                 "poles": None} | unit,
        "changes": list(changes),
        "found": {"lobes": [lobe], "play": mean(0.4), "neutral": None,
                  "neutral_sides_deg": None, "impulse_lag": None},
    }  # fmt: skip
    folder = jobs / f"job {year}" / "units"
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{serial or 'none'}.json").write_text(json.dumps(sheet), "utf-8")


def found(jobs: Path, changes: tuple[DatedChange, ...] = ()) -> dict[str, UnitSeries]:
    troubles: list[str] = []
    made = {each.figure: each for each in series(read(jobs, troubles), changes)}
    assert troubles == []
    return made


def test_a_figure_that_drifts(tmp_path: Path) -> None:
    """u(slope) of equal weights: u / sqrt(sum of squared distances from the middle); textbook.

    Five reports of five readings: Student's factor for 20 degrees of freedom is 2.086 (JCGM
    100:2008, table G.2: 2.09).
    """
    for n in range(5):
        report(tmp_path, 2020 + n, 180.0 - 0.2 * n)
    both = found(tmp_path)
    assert list(both) == ["interval from lobe 1", "backlash"]
    interval = both["interval from lobe 1"]
    assert interval.line is not None
    assert interval.line.per_year_deg == pytest.approx(-0.2, abs=1e-3)
    assert interval.line.U_per_year_deg == pytest.approx(2.086 * 0.05 / math.sqrt(10.0), rel=2e-3)
    assert interval.words == "0.200° less each year, ± 0.033°"
    assert [point.made_utc[:4] for point in interval.points] == [str(2020 + n) for n in range(5)]
    assert both["backlash"].words.startswith("no significant drift: 0.0000° each year, ± ")


def test_three_points_are_reported_to_be_few(tmp_path: Path) -> None:
    for n in range(3):
        report(tmp_path, 2020 + n, 180.0 - 0.2 * n)
    words = found(tmp_path)["interval from lobe 1"].words
    assert "through 3 points, one more than it needs: the next should confirm it" in words


def test_two_reports_bear_no_line(tmp_path: Path) -> None:
    report(tmp_path, 2020, 180.0)
    report(tmp_path, 2021, 179.0)
    interval = found(tmp_path)["interval from lobe 1"]
    assert interval.line is None
    assert interval.words.startswith("too few reports for a line")


@pytest.mark.parametrize("where", ["report", "certificate", "certificate of the whole engine"])
def test_a_changed_part_is_a_step(tmp_path: Path, where: str) -> None:
    noted = ("new contact set",) if where == "report" else ()
    unit = "" if "whole" in where else "upper"
    on_engine = DatedChange("2022-08-01T09:00:00Z", unit, "new contact set")
    other = DatedChange("2021-08-01T09:00:00Z", "lower", "new contact set")
    for n in range(6):
        late = n > 2
        report(tmp_path, 2020 + n, 180.0 - 0.1 * n + 3.0 * late, changes=noted if n == 3 else ())
    changes = (other, on_engine) if where != "report" else (other,)
    interval = found(tmp_path, changes)["interval from lobe 1"]
    steps = {point.made_utc[:4]: point.step for point in interval.points if point.step}
    assert steps == {"2023": "new contact set"}
    assert interval.line is not None
    assert interval.line.per_year_deg == pytest.approx(-0.1, abs=1e-3)


def test_units_are_distinguished(tmp_path: Path) -> None:
    """By serial; one without a serial might be any; poles entered again count neutral otherwise."""
    for n in range(3):
        report(tmp_path, 2020 + n, 180.0)
        report(tmp_path, 2020 + n, 179.0, serial="B2")
        report(tmp_path, 2020 + n, 178.0, serial="")
    report(tmp_path, 2024, 177.0, poles=4)
    troubles: list[str] = []
    reports = read(tmp_path, troubles)
    assert len(reports) == 10
    made = [each for each in series(reports) if each.figure == "interval from lobe 1"]
    assert [(each.serial, len(each.points)) for each in made] == [("A1", 3), ("B2", 3), ("A1", 1)]


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda sheet: sheet.pop("unit"), "incomplete: 'unit'"),
        (lambda sheet: sheet.update(made_utc="yesterday"), "'yesterday' is not a possible time"),
        (lambda sheet: sheet["found"].update(play=mean(float("nan"))), "JSON cannot hold"),
        (lambda sheet: sheet["found"].update(play=mean(1.0) | {"deg": "nan"}), "not an angle"),
        (lambda sheet: sheet["found"].update(play=7), "incomplete"),
        (lambda sheet: sheet["found"].update(play=mean(0.4, 0.0)), "an uncertainty of zero"),
        (lambda sheet: sheet.update(changes=3), "incomplete"),
        (lambda sheet: sheet.update(found=[1]), "incomplete"),
    ],
)
def test_a_report_that_was_edited_is_left_out_and_reported(
    tmp_path: Path, spoil: Any, said: str
) -> None:
    report(tmp_path, 2020, 180.0)
    path = tmp_path / "job 2020" / "units" / "A1.json"
    sheet = json.loads(path.read_text("utf-8"))
    spoil(sheet)
    path.write_text(json.dumps(sheet), "utf-8")
    troubles: list[str] = []
    assert read(tmp_path, troubles) == []
    assert len(troubles) == 1
    assert f"left out: {path}: " in troubles[0]
    assert said in troubles[0]


def test_a_unit_with_one_lobe_is_followed(tmp_path: Path) -> None:
    """The interval of its only lobe is a whole turn without an uncertainty, and no figure."""
    for n in range(4):
        report(tmp_path, 2020 + n, 360.0, lobes=1)
        path = tmp_path / f"job {2020 + n}" / "units" / "A1.json"
        sheet = json.loads(path.read_text("utf-8"))
        sheet["found"]["lobes"][0]["interval"]["u_deg"] = 0.0
        path.write_text(json.dumps(sheet), "utf-8")
    assert list(found(tmp_path)) == ["backlash"]


def test_what_was_read_once_is_shown_and_no_line_goes_through_it(tmp_path: Path) -> None:
    for n in range(4):
        report(tmp_path, 2020 + n, 180.0 - 0.2 * n)
    path = tmp_path / "job 2021" / "units" / "A1.json"
    sheet = json.loads(path.read_text("utf-8"))
    sheet["found"]["lobes"][0]["interval"] |= {"n": 1, "deg": 170.0}
    path.write_text(json.dumps(sheet), "utf-8")
    interval = found(tmp_path)["interval from lobe 1"]
    assert [point.weighs for point in interval.points] == [True, False, True, True]
    assert interval.line is not None
    assert interval.line.points == 3
    assert interval.line.per_year_deg == pytest.approx(-0.2, abs=1e-3)

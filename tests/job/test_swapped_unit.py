"""The history of an engine whose magneto was swapped, made at the bench: virtual rig to
certificates. It follows each unit by its serial, on this engine and on another."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import pytest
from made_job import on_terminal, rig
from swapped_unit import workshop


def series_of(answer: dict[str, Any], unit: str) -> dict[str, Any]:
    (found,) = [s for s in answer["series"] if s["unit"] == unit and s["cylinder"] is None]
    return dict(found)


def test_no_line_goes_through_two_magnetos() -> None:
    ran = rig("trend", workshop(), "--engine", "Launch engine", "--json")
    assert ran.status == 0, ran.err
    upper = series_of(ran.answer, "upper")
    assert [p["serial"] for p in upper["points"]] == ["A1"] * 3 + ["B2"] * 3
    assert [p["level"] for p in upper["points"]] == [0, 0, 0, 1, 1, 1]
    assert upper["points"][3]["reasons"] == ["serial"]
    assert upper["points"][3]["step"] == "serial B2 in place of A1"
    # The line is that of B2: 0.1 degrees later each year, not the rise of 1.1 at the swap.
    assert upper["line"]["points"] == 3
    assert upper["line"]["per_year_deg"] == pytest.approx(-0.1, abs=0.03)
    lower = series_of(ran.answer, "lower")
    assert [p["level"] for p in lower["points"]] == [0] * 6


def test_a_unit_is_followed_by_its_serial_to_another_engine() -> None:
    ran = rig("trend", workshop(), "--unit-serial", "A1", "--json")
    assert ran.status == 0, ran.err
    upper = series_of(ran.answer, "upper")
    assert [(p["engine"], p["measured_utc"][:4]) for p in upper["points"]] == [
        *(("Launch engine", str(year)) for year in (2018, 2019, 2020)),
        ("Saw bench engine", "2022"),
    ]
    assert upper["points"][3]["reasons"] == ["engine"]
    assert upper["points"][3]["step"] == "moved to Saw bench engine, upper"
    # The same contacts wear on from another height.
    assert upper["line"]["per_year_deg"] == pytest.approx(-0.3, abs=0.05)
    assert "opens later by 0.3" in upper["words"]
    assert {each["unit"] for each in ran.answer["series"]} == {"upper"}
    shown = rig("trend", workshop(), "--unit-serial", "A1").out
    assert shown.startswith("unit A1, on Launch engine, Saw bench engine: 4 certificates\n")


def test_a_unit_is_drawn_by_its_serial(tmp_path: Path) -> None:
    out = tmp_path / "drift.svg"
    ran = rig("plot", "drift", workshop(), "--unit-serial", "A1", "--out", out, "--json")
    assert ran.status == 0, ran.err
    assert len(ran.answer["certificates"]) == 4
    assert out.read_bytes()
    ran = rig("plot", "drift", workshop(), "--unit-serial", "C3", "--out", out)
    assert (ran.status, "no unit with serial C3" in ran.err) == (2, True)


def test_what_is_asked_for_wrongly() -> None:
    ran = rig("trend", workshop(), "--unit-serial", "C3")
    assert ran.status == 2
    assert "no unit with serial C3: the certificates have A1, B2" in ran.err
    ran = rig("trend", workshop())
    assert "Or follow one unit by its serial: A1, B2." in ran.err


def test_the_table_says_what_changed_and_fits() -> None:
    ran = on_terminal("trend", workshop(), "--engine", "Launch engine")
    assert "  -- serial B2 in place of A1\n  2021-05-03" in ran.out
    assert all(len(line) <= 80 for line in ran.out.splitlines())


def test_the_comma_separated_text_carries_it_all(tmp_path: Path) -> None:
    table = tmp_path / "h.csv"
    rig("trend", workshop(), "--engine", "Launch engine", "--csv", table)
    rows = list(csv.DictReader(table.open(encoding="utf-8", newline="")))
    upper = [row for row in rows if row["unit"] == "upper" and row["cylinder"] == ""]
    assert [(row["serial"], row["level"], row["phase"]) for row in upper] == [
        *((serial, level, "as found") for serial, level in [("A1", "0")] * 3 + [("B2", "1")] * 3),
    ]
    assert all(float(row["U_deg"]) > 0 and int(row["n"]) > 3 for row in upper)

"""rig compare: two certificates, the later against the earlier one."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from fabricated_record import capture_facts, record
from made_job import certificate_in, finished, on_terminal, refused, rig
from swapped_unit import workshop

from rig.certificate.record import save


def certificate(job: str) -> Path:
    return certificate_in(workshop() / job)


def summary(*words: str | Path, unit: str = "upper") -> dict[str, Any]:
    ran = rig("compare", *words, "--json")
    assert ran.status == 0, ran.err
    (found,) = [each for each in ran.answer["summary"] if each["unit"] == unit]
    return dict(found)


def test_first_a_sentence_then_the_figures() -> None:
    ran = on_terminal("compare", certificate("launch 2018"), certificate("launch 2020"))
    lines = ran.out.splitlines()
    assert lines[0].startswith("upper A1, full advance, as found: opens 0.6")
    said = " ".join(" ".join(lines[:2]).split())
    assert "° later than on 2018-05-03 (as found), U 0.1" in said
    assert said.endswith("°: changed.")
    table = lines.index("upper A1, full advance, degrees BTDC; + opens earlier than before")
    assert table > 3
    assert [line.split()[0] for line in lines[table + 2 : table + 7]] == ["all", *"1234"]
    assert all(len(line) <= 80 for line in lines)


def test_the_order_of_the_two_does_not_matter_to_the_sentence() -> None:
    one, two = certificate("launch 2018"), certificate("launch 2020")
    assert summary(one, two) == summary(two, one)
    found = summary(one, two)
    # The virtual unit was moved 0.6 degrees later in between.
    assert found["change_deg"] == pytest.approx(-0.6, abs=found["U_deg"])
    assert found["changed"] is True
    lower = summary(one, two, unit="lower")
    assert lower["changed"] is False
    assert lower["words"].endswith("no change detected")


def test_units_are_matched_by_their_serial() -> None:
    swapped = summary(certificate("launch 2020"), certificate("launch 2021"))
    assert (swapped["serial"], swapped["against"]) == ("B2", "upper A1")
    assert "upper B2, full advance" in swapped["words"]
    assert "earlier than upper A1 on 2020-05-03" in swapped["words"]
    moved = summary(certificate("launch 2020"), certificate("saw 2022"), "--unit-serial", "A1")
    assert (moved["serial"], moved["against"]) == ("A1", "")
    said = refused(2, "compare", certificate("launch 2018"), certificate("launch 2021"),
                   "--unit-serial", "B2")  # fmt: skip
    assert "no unit, setting and cylinder in common" in said


def test_a_setting_and_a_phase_alone() -> None:
    one, two = certificate("launch 2018"), certificate("launch 2020")
    ran = rig("compare", one, two, "--setting", "full advance", "--phase", "as found", "--json")
    assert {each["setting"] for each in ran.answer["comparisons"]} == {"full advance"}
    said = refused(2, "compare", one, two, "--phase", "as left")
    assert "nothing" in said or "no unit, setting and cylinder in common" in said


def test_a_certificate_with_itself_opens_as_before() -> None:
    path = certificate_in(finished().folder)
    ran = rig("compare", path, path)
    assert "opens as on 2026-03-01 (as found)" in " ".join(ran.out.split())
    assert "no change detected" in " ".join(ran.out.split())


def visit(folder: Path, year: int, seed: int) -> Path:
    """A certificate with as found and as left."""
    facts = replace(
        capture_facts(),
        start_utc=f"{year}-05-14T09:02:03Z",
        end_utc=f"{year}-05-14T10:21:40Z",
    )
    made = record(
        phases=("as found", "as left"), n=6, seed=seed, captures=[facts],
        issued=datetime(year, 5, 14, 11, tzinfo=UTC),
    )  # fmt: skip
    path, _ = save(folder / str(year), made)
    return path


ONE = ("--unit", "upper", "--setting", "full advance")


def test_within_one_visit_as_left_is_set_against_as_found(tmp_path: Path) -> None:
    path = visit(tmp_path, 2026, 1)
    ran = rig("compare", path, path, *ONE, "--json")
    (found,) = ran.answer["summary"]
    assert (found["phase_before"], found["phase"]) == ("as found", "as left")
    # Made 1.8 degrees later between the two.
    assert found["change_deg"] == pytest.approx(-1.8, abs=0.3)
    assert "later than on 2026-05-14 (as found)" in found["words"]


def test_of_two_visits_how_it_was_left_counts_and_how_it_was_found(tmp_path: Path) -> None:
    before, after = visit(tmp_path, 2026, 1), visit(tmp_path, 2027, 2)
    ran = rig("compare", after, before, *ONE, "--json")
    phases = [(each["phase_before"], each["phase"]) for each in ran.answer["summary"]]
    assert phases == [("as left", "as found"), ("as left", "as left")]
    words = ran.answer["summary"][1]["words"]
    assert words.endswith("no change detected; cylinders 2 and 3 changed")
    assert [c["changed"] for c in ran.answer["summary"]] == [True, False]

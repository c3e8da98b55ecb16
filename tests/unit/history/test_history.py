"""The certificates of one engine in order."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import math
import shutil
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from fabricated_record import capture_facts, profile, readings, record, reference

from rig.base.errors import InputError
from rig.base.rounding import rate
from rig.certificate import record as certificate
from rig.certificate import seal
from rig.certificate.schema import TdcMove
from rig.history.series import COLUMNS, SET_BETWEEN, Reason, chosen, csv_text, history
from rig.history.visits import look
from rig.job.results import Change, MadeAdjustment, PredictedOpening
from rig.timing.assess import assess
from rig.words.assessments import CAUTION


def find(folder: Path) -> list[Path]:
    return look(folder).files


def visit(
    jobs: Path,
    year: int,
    early_deg: float,
    *,
    name: str = "Launch engine",
    job_name: str = "",
    left_deg: float | None = None,
    changes: tuple[Change, ...] = (),
    serial: str = "",
    rig: str = "bench-rig-1.4",
    run_out_deg: float = 0.03,
    **more: Any,
) -> Path:
    """Save the certificate of a visit in that year: how early it was found, and left."""
    job = profile(1, ("rear",))
    job = replace(
        job,
        engine=replace(job.engine, name=name),
        encoder=replace(job.encoder, run_out_deg=run_out_deg),
        units=tuple(replace(unit, serial=serial) for unit in job.units),
    )
    # The same readings each year, so that the figures differ by what is asked alone.
    base = readings(job, ("as found",), n=6)
    read = [replace(each, btdc_deg=(each.btdc_deg or 0.0) + early_deg) for each in base]
    if left_deg is not None:
        read += [
            replace(each, btdc_deg=(each.btdc_deg or 0.0) + left_deg, phase="as left")
            for each in base
        ]
    found = replace(reference(), made_utc=f"{year}-05-14T09:12:44Z")
    facts = replace(
        capture_facts(),
        start_utc=f"{year}-05-14T09:02:03Z",
        end_utc=f"{year}-05-14T10:21:40Z",
        rig_name=rig,
    )
    made = record(
        profile=job,
        reference=found,
        readings=read,
        judgements=assess(read, job, found),
        comparisons=[],
        captures=[facts],
        changes=changes,
        issued=datetime(year, 5, 14, 10, 25, 12, tzinfo=UTC),
        **more,
    )
    file, _ = certificate.save(jobs / (job_name or f"job {year}") / "certificates", made)
    return file


def test_points_stand_in_order_of_their_time(tmp_path: Path) -> None:
    for year in (2024, 2021, 2023, 2022):
        visit(tmp_path, year, 0.0)
    found = history(find(tmp_path))
    assert (found.engine, found.serial, found.troubles) == ("Launch engine", "L-1047", ())
    assert [each.setting for each in found.series] == ["full advance", "full retard"]
    for series in found.series:
        assert (series.unit, series.cylinder, series.kind) == ("rear", 1, "turned")
        years = [each.measured_utc[:4] for each in series.points]
        assert years == ["2021", "2022", "2023", "2024"]


def test_drift_and_when_the_window_is_left(tmp_path: Path) -> None:
    """0.1 degree a year later; the figure stands 0.8 above the latest permitted after 4 years."""
    for year in range(2020, 2025):
        visit(tmp_path, year, -0.1 * (year - 2020))
    series = history(find(tmp_path)).series[0]
    assert series.line is not None
    last = series.points[-1].assessment
    assert last.mean_btdc is not None
    assert last.latest_btdc == 35.0
    assert series.line.per_year_deg == pytest.approx(-0.1, abs=1e-3)  # years of 365 and 366 days
    assert series.line.last_btdc == pytest.approx(last.mean_btdc, abs=2e-3)
    assert "opens later by 0.10" in series.words


def test_a_clear_drift_gives_a_date(tmp_path: Path) -> None:
    for year in range(2015, 2025):
        visit(tmp_path, year, -0.05 * (year - 2015))
    series = history(find(tmp_path)).series[0]
    assert series.line is not None
    assert series.line.distinguishable
    left = series.line.last_btdc - 35.0
    due = 2024 + 133 / 365 + left / 0.05
    assert series.leaves_utc is not None
    assert int(series.leaves_utc[:4]) == pytest.approx(due, abs=1.5)
    assert "would leave the window about" in series.words
    assert "as early as" in series.words


def test_what_was_read_in_groups_is_told_and_has_no_point(tmp_path: Path) -> None:
    job = profile(1, ("rear",))
    moved = [
        replace(each, btdc_deg=(each.btdc_deg or 0.0) + 4.0 * (i % 6 > 2))
        for i, each in enumerate(readings(job, ("as found",), n=6))
    ]
    judged = assess(moved, job, reference())
    made = record(profile=job, readings=moved, judgements=judged, comparisons=[])
    file, _ = certificate.save(tmp_path / "job 2026" / "certificates", made)
    visit(tmp_path, 2024, 0.0)
    found = history(find(tmp_path))
    assert {point.measured_utc[:4] for each in found.series for point in each.points} == {"2024"}
    (words,) = [each for each in found.troubles if "full advance" in each]
    assert words.startswith(f"{file.name}: rear, full advance, as found: no mean, it")


def test_it_says_with_what_caution() -> None:
    assert "a hint, not a promise" in CAUTION
    assert "maker's manual" in CAUTION


def test_too_few_certificates(tmp_path: Path) -> None:
    visit(tmp_path, 2023, 0.0)
    visit(tmp_path, 2024, -0.1)
    series = history(find(tmp_path)).series[0]
    assert series.line is None
    assert "too few certificates" in series.words


def test_a_change_noted_by_the_person_is_a_step(tmp_path: Path) -> None:
    for year in range(2015, 2020):
        visit(tmp_path, year, -0.05 * (year - 2015))
    visit(tmp_path, 2020, 0.5, changes=(Change("new contact set", "rear"),))
    for year in range(2021, 2025):
        visit(tmp_path, year, 0.5 - 0.05 * (year - 2020))
    series = history(find(tmp_path)).series[0]
    steps = {each.measured_utc[:4]: each.step for each in series.points if each.step}
    assert steps == {"2020": "new contact set"}
    assert series.line is not None
    assert series.line.per_year_deg == pytest.approx(-0.05, abs=1e-3)
    assert series.line.points == 5  # of 2020 to 2024: a line stays within its level
    assert [each.level for each in series.points] == [0] * 5 + [1] * 5


def test_a_change_of_another_unit_is_none_of_this_one(tmp_path: Path) -> None:
    for year in (2021, 2022, 2023):
        visit(tmp_path, year, 0.0, changes=(Change("new contact set", "front"),))
    assert not any(each.step for each in history(find(tmp_path)).series[0].points)


def test_setting_within_a_visit_is_a_step(tmp_path: Path) -> None:
    for year in range(2020, 2025):
        visit(tmp_path, year, -0.2 * (year > 2020), left_deg=0.0)
    series = history(find(tmp_path)).series[0]
    assert len(series.points) == 10
    assert [each.step for each in series.points] == ["", SET_BETWEEN] * 5
    assert [each.level for each in series.points] == [0, 1, 1, 2, 2, 3, 3, 4, 4, 5]
    assert series.line is not None
    assert series.line.per_year_deg == pytest.approx(-0.2, abs=2e-3)


MOVED = TdcMove("a.capture", 0.8, 0.1, "TDC lies 0.80 degrees later than it was found")
TURNED = MadeAdjustment(
    "2023-05-14T09:30:00Z", "body turned 1.2 mm clockwise", ("turn the body 1.2 mm clockwise",),
    "20230514-093000.json", 64 * "0",
    (PredictedOpening("rear", "full advance", 1, 35.0, 1.0, 36.0, 0.05, 36.02, 0.02, 0.1,
                      "confirmed"),),
)  # fmt: skip


@pytest.mark.parametrize(
    ("more", "reasons", "words"),
    [
        ({"serial": "B2"}, (Reason.SERIAL,), "serial B2 in place of A1"),
        ({"rig": "another-rig-1.4"}, (Reason.RIG,), "rig another-rig in place of bench-rig"),
        ({"rig": "bench-rig-1.5"}, (), ""),  # the same rig with newer firmware
        ({"run_out_deg": 0.05}, (Reason.RIG,), "encoder mounted differently, by the engine file"),
        ({"tdc_moves": (MOVED,)}, (Reason.TDC_MOVED,), "TDC moved during the visit"),
        ({"changes": (Change("new heel", "rear"),)}, (Reason.CHANGED,), "new heel"),
        ({"adjustments": (TURNED,)}, (Reason.ADJUSTED,), "body turned 1.2 mm clockwise"),
        ({"serial": ""}, (), ""),  # not stated, so nothing says that it is another
    ],
    ids=lambda each: str(each)[:24],
)
def test_a_new_level_begins_where_something_is_no_longer_the_same(
    tmp_path: Path, more: dict[str, Any], reasons: tuple[Reason, ...], words: str
) -> None:
    for year in range(2018, 2023):
        visit(tmp_path, year, 0.2 * (year - 2018), serial="A1")
    for year in range(2023, 2027):
        now = more if year == 2023 or "changes" not in more else {}
        once = ("tdc_moves", "adjustments")
        now = {k: v for k, v in now.items() if year == 2023 or k not in once}
        visit(tmp_path, year, 0.5 - 0.1 * (year - 2023), **({"serial": "A1"} | now))
    series = history(find(tmp_path)).series[0]
    point = series.points[5]
    assert (point.reasons, point.step) == (reasons, words)
    assert [each.level for each in series.points] == [0] * 5 + [1 if reasons else 0] * 4
    if reasons:  # the line is that of the second level, and no slope of the first is in it
        assert series.line is not None
        assert series.line.points == 4
        assert series.line.per_year_deg == pytest.approx(-0.1, abs=1e-3)


def test_what_was_noted_during_a_visit_came_after_what_was_found(tmp_path: Path) -> None:
    for year in range(2020, 2023):
        visit(tmp_path, year, -0.1 * (year - 2020))
    noted = (Change("gap set to 0.40 mm", "rear", noted=True),)
    visit(tmp_path, 2023, -0.3, left_deg=0.4, changes=noted)
    series = history(find(tmp_path)).series[0]
    assert [each.level for each in series.points] == [0, 0, 0, 0, 1]
    assert series.points[-1].step == "gap set to 0.40 mm"
    assert series.points[-1].phase == "as left"


def test_points_far_from_a_line_stop_the_outlook(tmp_path: Path) -> None:
    """A unit swapped that nobody noted: no line is drawn through the two."""
    for year in range(2016, 2024):
        visit(tmp_path, year, 0.0 if year < 2020 else -2.0)
    series = history(find(tmp_path)).series[0]
    assert series.line is None
    assert series.leaves_utc is None
    assert series.words.startswith("no outlook: its points lie up to 0.")
    assert "Something changed that was not noted" in series.words


def test_what_is_outside_has_no_day_to_leave(tmp_path: Path) -> None:
    for year in range(2015, 2025):
        visit(tmp_path, year, 1.5 - 0.05 * (year - 2015))
    series = history(find(tmp_path)).series[0]
    assert series.leaves_utc is None
    assert series.words.endswith("the line is outside the window now and nears it")


def test_the_cylinder_that_leaves_first_is_the_headline(tmp_path: Path) -> None:
    """Cylinder 2 opens later every year, cylinder 1 stays: the mean would leave much later."""
    two = profile(2, ("rear",))
    for year in range(2015, 2025):
        read = [
            replace(r, btdc_deg=(r.btdc_deg or 0.0) - 0.06 * (year - 2015) * (r.cylinder == 2))
            for r in readings(two, ("as found",), n=6)
        ]
        found = replace(reference(), made_utc=f"{year}-05-14T09:12:44Z")
        facts = replace(
            capture_facts(),
            start_utc=f"{year}-05-14T09:02:03Z",
            end_utc=f"{year}-05-14T10:21:40Z",
        )
        made = record(
            profile=two, reference=found, readings=read, judgements=assess(read, two, found),
            comparisons=[], captures=[facts],
            issued=datetime(year, 5, 14, 10, 25, 12, tzinfo=UTC),
        )  # fmt: skip
        certificate.save(tmp_path / f"job {year}" / "certificates", made)
    found_in = history(find(tmp_path))
    assert found_in.first_out is not None
    assert found_in.first_out.cylinder == 2
    mean = next(s for s in found_in.series if s.cylinder is None and s.setting == "full advance")
    assert (found_in.first_out.leaves_utc or "9") < (mean.leaves_utc or "9")


def test_small_drifts_have_digits_of_their_own() -> None:
    found = [rate(0.004, 0.15), rate(0.35, 0.08), rate(-0.01, 0.001)]
    assert found == ["0.004", "0.350", "0.0100"]


def test_without_the_cylinders_nothing_else_differs(tmp_path: Path) -> None:
    """What is over all cylinders stands for them; a unit with one cylinder keeps it."""
    two = profile(2, ("rear",))
    for year in (2021, 2022, 2023):
        read = readings(two, ("as found",), n=6)
        made = record(
            profile=two, readings=read, judgements=assess(read, two, reference()), comparisons=[],
            issued=datetime(year, 5, 14, tzinfo=UTC),
        )  # fmt: skip
        certificate.save(tmp_path / f"job {year}" / "certificates", made)
    every = history(find(tmp_path))
    short = history(find(tmp_path), cylinders=False)
    assert {each.cylinder for each in every.series} == {None, 1, 2}
    assert short.series == tuple(each for each in every.series if each.cylinder is None)
    visit(tmp_path / "one", 2023, 0.0)
    assert history(find(tmp_path / "one"), cylinders=False) == history(find(tmp_path / "one"))


def test_changes_are_told_with_their_dates(tmp_path: Path) -> None:
    visit(tmp_path, 2022, 0.0, changes=(Change("new contact set", "rear"),))
    visit(tmp_path, 2023, 0.0, changes=(Change("new bearings"),))
    told = [
        (each.measured_utc[:4], each.unit, each.words) for each in history(find(tmp_path)).changes
    ]
    assert told == [("2022", "rear", "new contact set"), ("2023", "", "new bearings")]


def test_a_line_through_three_certificates_is_told_to_rest_on_few(tmp_path: Path) -> None:
    for year in range(2018, 2024):
        visit(tmp_path, year, -0.1 * (year - 2018))
    assert "than it needs" not in history(find(tmp_path)).series[0].words
    few = [path for path in find(tmp_path) if "2021" not in str(path)][:3]
    assert "through 3 points, one more than it needs" in history(few).series[0].words


def test_different_engines_make_no_history(tmp_path: Path) -> None:
    visit(tmp_path, 2023, 0.0)
    visit(tmp_path, 2024, 0.0, name="Saw bench engine")
    with pytest.raises(InputError, match=r"different engines .*: Launch engine L-1047, Saw bench"):
        history(find(tmp_path))
    assert history(find(tmp_path), engine="Saw bench engine").engine == "Saw bench engine"
    with pytest.raises(InputError, match="no certificate is of that engine"):
        history(find(tmp_path), engine="Pump engine")
    with pytest.raises(InputError, match="different engines"):
        history(find(tmp_path), serial="L-1047")


def test_nothing_to_read(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such folder"):
        find(tmp_path / "nowhere")
    with pytest.raises(InputError, match="no certificate to read here"):
        history(find(tmp_path))


def test_one_job_or_a_folder_of_jobs(tmp_path: Path) -> None:
    first = visit(tmp_path, 2023, 0.0, job_name="b")
    second = visit(tmp_path, 2024, 0.0, job_name="a")
    assert find(tmp_path / "b") == [first]
    assert find(tmp_path) == [second, first]


def test_a_copy_counts_once(tmp_path: Path) -> None:
    for year in (2021, 2022, 2023):
        visit(tmp_path, year, 0.0)
    shutil.copytree(tmp_path / "job 2022", tmp_path / "copy of job 2022")
    assert len(find(tmp_path)) == 4
    assert len(history(find(tmp_path)).certificates) == 3


def test_what_was_certified_again_counts_once(tmp_path: Path) -> None:
    """The same readings, with a change told afterwards: one point, and the change."""
    visit(tmp_path, 2021, 0.0)
    visit(tmp_path, 2022, 0.1)
    again = visit(tmp_path, 2022, 0.1, job_name="again", changes=(Change("new contacts", "rear"),))
    found = history(find(tmp_path))
    assert [len(series.points) for series in found.series] == [2, 2]
    assert len(found.certificates) == 2
    assert [change.words for change in found.changes] == ["new contacts"]
    assert again.exists()


def test_an_edited_certificate_is_left_out_and_said(tmp_path: Path) -> None:
    for year in (2021, 2022, 2023):
        edited = visit(tmp_path, year, 0.0)
    edited.write_bytes(edited.read_bytes().replace(b"inside", b"INSIDE"))
    foreign = edited.parent.parent / "notes" / "notes.json"
    foreign.parent.mkdir()
    foreign.write_text("{}")
    found = history(find(tmp_path))
    assert len(found.certificates) == 2
    assert len(found.troubles) == 2
    assert "has been edited" in found.troubles[0]
    assert "not a timing certificate" in found.troubles[1]


def test_a_record_resealed_with_a_wrong_time_is_left_out_and_said(tmp_path: Path) -> None:
    for year in (2022, 2023):
        file = visit(tmp_path, year, 0.0)
    made = certificate.load(file) | {"measured_from_utc": "yesterday"}
    file.write_bytes(seal.file_bytes(made, b""))
    found = history(find(tmp_path))
    assert len(found.certificates) == 1
    assert "'yesterday' is not a possible time" in found.troubles[0]


def spoil(file: Path, change: Callable[[dict[str, Any]], object]) -> None:
    """Change what the record says of each uncertainty, and seal it anew."""
    made = json.loads(file.read_bytes())
    for assessment in made["judgements"]:
        change(assessment)
    body = {name: each for name, each in made.items() if name != "seals"}
    text = (json.dumps(body, indent=1).removesuffix("\n}") + ",\n").encode()
    digests = {"record_sha256": hashlib.sha256(text).hexdigest(), "page_sha256": "0" * 64}
    seals = json.dumps({"seals": digests}, indent=1)
    file.write_bytes(text + seals.removeprefix("{\n").encode() + b"\n")


def parts(u_deg: float) -> Callable[[dict[str, Any]], object]:
    return lambda j: [part.update(u_deg=u_deg) for part in j["uncertainty"]["parts"]]


@pytest.mark.parametrize(
    "change",
    [
        parts(0.0),
        parts(1e-170),
        lambda j: j["uncertainty"].update(parts=[]),
        lambda j: j["uncertainty"].update(U_deg=0.0),
        lambda j: j.update(uncertainty=None),
    ],
    ids=["0", "tiny", "no parts", "U of 0", "null"],
)
@pytest.mark.parametrize("at", [2020, 2023], ids=["in between", "the last"])
def test_one_that_states_no_true_uncertainty_is_shown_and_no_line_goes_through_it(
    tmp_path: Path, change: Callable[[dict[str, Any]], object], at: int
) -> None:
    files = {year: visit(tmp_path, year, -0.1 * (year - 2018)) for year in range(2018, 2024)}
    whole = history(find(tmp_path))
    without = history([file for year, file in files.items() if year != at])
    spoil(files[at], change)
    found = history(find(tmp_path))
    assert found.certificates == whole.certificates
    for series, before, fitted in zip(found.series, whole.series, without.series, strict=True):
        assert series.line == fitted.line
        assert (series.words, series.leaves_utc) == (fitted.words, fitted.leaves_utc)
        assert [(p.day, p.assessment.mean_btdc) for p in series.points] == [
            (p.day, p.assessment.mean_btdc) for p in before.points
        ]
        assert [p.measured_utc[:4] for p in series.points if not p.weighs] == [str(at)]
    (said,) = found.troubles
    which = "rear, full advance, as found; rear, full retard, as found"
    assert said.startswith(f"{files[at].name}: {which}: ")
    assert said.endswith(": shown, and no line goes through it")
    none = found.series[0].points[at - 2018].assessment.uncertainty is None
    assert ("it has no uncertainty" if none else "is zero, or over 180°") in said


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda j: j.pop("uncertainty"), ".judgements[0].uncertainty: is missing"),
        (
            lambda j: j["uncertainty"]["parts"][0].update(u_deg=math.nan),
            "a number that JSON cannot hold",
        ),
        (
            lambda j: j["uncertainty"]["parts"][0].update(u_deg="nan"),
            "parts[0].u_deg: must be a number from 0 to 360, not 'nan'",
        ),
        (parts(1e200), "parts[0].u_deg: must be a number from 0 to 360, not 1e+200"),
        (
            lambda j: j["uncertainty"]["parts"][0].update(u_deg=None),
            "a number from 0 to 360, not null",
        ),
        (
            lambda j: j["uncertainty"].update(U_deg="nan"),
            "U_deg: must be a number from 0 to 10000, not 'nan'",
        ),
        (
            lambda j: j["uncertainty"].update(U_deg="inf"),
            "U_deg: must be a number from 0 to 10000, not 'inf'",
        ),
        (
            lambda j: j["uncertainty"].update(U_deg=1e300),
            "U_deg: must be a number from 0 to 10000, not 1e+300",
        ),
        (
            lambda j: j["uncertainty"].update(U_deg=-1.0),
            "U_deg: must be a number from 0 to 10000, not -1.0",
        ),
        (lambda j: j.update(mean_btdc="nan"), "mean_btdc: must be a number from -360 to 360, not"),
        (lambda j: j.update(mean_btdc=1e300), "mean_btdc: must be a number from -360 to 360, not"),
    ],
)
def test_one_that_is_no_record_is_left_out_by_name_and_the_rest_is_shown(
    tmp_path: Path, change: Callable[[dict[str, Any]], object], said: str
) -> None:
    files = [visit(tmp_path, year, -0.1 * (year - 2018)) for year in range(2018, 2023)]
    without = history([*files[:2], *files[3:]])
    spoil(files[2], change)
    found = history(find(tmp_path))
    assert found.series == without.series
    (told,) = found.troubles
    assert told.startswith(f"left out: {files[2]}")
    assert said in told


def test_set_since_by_one_reading_there_is_no_line(tmp_path: Path) -> None:
    """What was before the step says nothing of how it goes on."""
    for year in range(2015, 2024):
        visit(tmp_path, year, -0.05 * (year - 2015))
    last = visit(tmp_path, 2024, 0.3, changes=(Change("new contact set", "rear"),))
    spoil(last, lambda assessment: assessment.update(uncertainty=None))
    series = history(find(tmp_path)).series[0]
    assert series.points[-1].step == "new contact set"
    assert series.leaves_utc is None
    assert series.line is None
    assert series.words.startswith("too few certificates for a line")
    assert series.words.endswith("; since 2024-05-14 (new contact set)")


def test_a_unit_a_turn_out_is_no_drift(tmp_path: Path) -> None:
    job = profile(1, ("rear",))
    read = [replace(each, wrong_stroke=True) for each in readings(job)]
    made = record(
        profile=job, readings=read, judgements=assess(read, job, reference()), comparisons=[]
    )
    certificate.save(tmp_path / "certificates", made)
    assert history(find(tmp_path)).series == ()


def test_as_comma_separated_text(tmp_path: Path) -> None:
    for year in (2021, 2022, 2023):
        visit(tmp_path, year, -0.1 * year)
    found = history(find(tmp_path))
    rows = list(csv.reader(io.StringIO(csv_text(found))))
    assert rows[0] == list(COLUMNS)
    assert len(rows) == 1 + 2 * 3
    first = dict(zip(rows[0], rows[1], strict=True))
    assert first["unit"] == "rear"
    mean = found.series[0].points[0].assessment.mean_btdc
    assert float(first["mean_btdc_deg"]) == mean  # in full


@pytest.mark.parametrize("evil", ["=1+1", "+cmd", "-2", "@x", "\x1b[2J=1", 'a",b\r\n'])
def test_text_is_no_formula_and_harmless_in_a_spreadsheet(tmp_path: Path, evil: str) -> None:
    for year in (2021, 2022):
        visit(tmp_path, year, 0.0, changes=(Change(evil),))
    text = csv_text(history(find(tmp_path)))
    rows = list(csv.DictReader(io.StringIO(text)))
    step = rows[1]["step"]
    assert step
    assert step[0] not in "=+-@"
    assert "\x1b" not in text
    assert len(rows) == 4


def test_what_one_cylinder_alone_was_found_at_is_shown(tmp_path: Path) -> None:
    """As found by one reading of cylinder 1, left by six of each: the first is not lost."""
    two = profile(2, ("rear",))
    found = [r for r in readings(two, ("as found",), n=6) if r.cylinder == 1]
    once = [r for r in found if r.setting == "full advance"][:1]
    left = [replace(r, phase="as left") for r in readings(two, ("as found",), n=6)]
    read = [*once, *left]
    made = record(
        profile=two, readings=read, judgements=assess(read, two, reference()), comparisons=[],
        issued=datetime(2024, 5, 14, tzinfo=UTC),
    )  # fmt: skip
    certificate.save(tmp_path / "job" / "certificates", made)
    for cylinders in (True, False):
        whole = history(find(tmp_path), cylinders=cylinders)
        shown = chosen(whole.series, None, cylinders=False)
        points = [(s.setting, s.cylinder, p.phase, p.assessment.n) for s in shown for p in s.points]
        assert points == [
            ("full advance", 1, "as found", 1),
            ("full advance", None, "as left", 10),
            ("full retard", None, "as left", 10),
        ]
        (said,) = whole.troubles
        assert said.endswith(
            "rear, full advance, as found: one reading, which has no uncertainty (take two or"
            " more): shown, and no line goes through it"
        )

"""rig tdc gauge: dead centre by a dial gauge on the virtual rig, against what is really so."""

from __future__ import annotations

import json
import math
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from made_job import MadeJob, certificate_in, copied, refused, rig
from scipy.optimize import brentq

from rig.job.folder import Job
from rig.tdc.gauge_points import gauge_note

BEFORE = (32, 26, 20, 14)


def series(
    folder: Path, example: str = "example", *, slip: float = 0.0, wrong_way: bool = False
) -> MadeJob:
    """A job in which the gauge was read on both sides, each point with the piston rising."""
    made = MadeJob(folder / "job", 11, example=example, began=datetime(2024, 3, 1, tzinfo=UTC))
    made.do("turn 700 at 150", "goto 40 at 120")
    for deg in BEFORE:
        made.do(f"goto {deg} at 20")
        read(made, 1)
    made.do("goto -45 at 60")
    for deg in BEFORE:
        made.do(f"goto {-deg} back at 20")
        read(made, 1 if wrong_way else -1)
    if slip:
        made.do(f"slip {slip}")
    made.do("goto 25 back at 60", "goto 20 at 20")
    read(made, 1, again=True)
    made.do("goto -30 at 60", "goto -20 back at 20")
    read(made, -1, again=True)
    return made


def read(made: MadeJob, direction: int, *, again: bool = False) -> None:
    made.do("gauge")
    drop = float(made.rig.reply["travel_mm"])
    made.live.annotate("gauge", gauge_note(drop, made.top_deg(), direction=direction, again=again))


def gauged(made: MadeJob, *more: str | float | Path, status: int = 0) -> dict[str, Any]:
    ran = rig("tdc", "gauge", made.folder, made.capture, *more, "--json")
    assert ran.status == status, ran.out + ran.err
    return ran.answer


def by(answer: dict[str, Any], method: str) -> dict[str, Any]:
    found = next(each for each in answer["references"] if each["method"] == method)
    assert isinstance(found, dict)
    return found


def off(answer: dict[str, Any], method: str, true_deg: float) -> float:
    return float((by(answer, method)["tdc_deg"] - true_deg + 180.0) % 360.0 - 180.0)


@pytest.mark.parametrize("example", ["example", "two_stroke_single", "radial_nine"])
def test_both_methods_lie_within_their_uncertainty_of_the_truth(
    tmp_path: Path, example: str
) -> None:
    """The encoder's run-out moves its own angle of dead centre: it is added to the bound."""
    made = series(tmp_path, example).end()
    answer = gauged(made)
    true_deg = made.rig.truth()["tdc_deg_after_index"]
    run_out = made.job.profile.encoder.run_out_deg
    for method in ("gauge, fit", "gauge, equal drops"):
        U = by(answer, method)["uncertainty"]["U_deg"]
        assert abs(off(answer, method, true_deg)) <= U + run_out
        assert U < 0.3
    assert answer["moved"]["moved"] is False
    assert answer["suspect"] is None
    assert [p["number"] for p in answer["points"]] == list(range(1, 9))
    assert max(abs(p["residual_mm"]) for p in answer["points"]) < 0.05


def test_an_unknown_offset_is_found_by_the_fit(tmp_path: Path) -> None:
    made = series(tmp_path, "two_stroke_single").end()
    answer = gauged(made)
    assert answer["fit"]["offset_fitted"]
    true_mm = made.rig.hidden.piston.offset_mm
    assert abs(answer["fit"]["offset_mm"] - true_mm) <= 3 * answer["fit"]["u_offset_mm"]


def test_methods_stand_beside_the_stop_and_the_engines_mark(tmp_path: Path) -> None:
    made = series(tmp_path)
    made.do("turn 200 at 100")
    made.find_tdc()
    mark = made.top_deg()
    made.live.annotate("mark", {"crank_deg": mark, "what": "flywheel mark"})
    made.end()
    answer = gauged(made, "--mark-deg", 200)
    names = {(each["first"], each["second"]) for each in answer["compared"]}
    fit = "dial gauge, curve fit"
    assert {(fit, "piston stop"), (fit, "flywheel mark"), (fit, "the engine's own mark")} <= names
    words = {each["second"]: each for each in answer["compared"] if each["first"] == fit}
    assert words["piston stop"]["agree"]
    assert not words["the engine's own mark"]["agree"]


def test_the_person_chooses_which_is_used(tmp_path: Path) -> None:
    made = series(tmp_path)
    made.do("turn 200 at 100")
    made.find_tdc().end()
    before = Job(made.folder).reference()
    assert before is not None
    assert before.method == "stop"
    assert gauged(made)["in_use"] is None  # nothing is changed unasked
    assert Job(made.folder).reference() == before
    answer = gauged(made, "--use", "equal-drops")
    now = Job(made.folder).reference()
    assert now is not None
    assert now.method == answer["in_use"] == "gauge, equal drops"
    assert now.capture == made.capture.name
    assert now.made_utc
    kept = json.loads((made.folder / "reference.json").read_text("utf-8"))["earlier"]
    assert [each["method"] for each in kept] == ["stop"]


def test_figures_and_certificate_rest_on_the_one_chosen_and_show_the_others(
    tmp_path: Path,
) -> None:
    made = series(tmp_path)
    made.do("turn 200 at 100")
    made.find_tdc().state_stroke().do("turn 1450 at 110").end()
    assert rig("results", made.folder, "--json").answer["reference"]["method"] == "stop"
    rig("certify", made.folder)
    stop = json.loads(certificate_in(made.folder).read_text("ascii"))
    shown = [each["method"] for each in stop["other_references"]]
    assert shown == ["gauge, fit", "gauge, equal drops"]
    gauged(made, "--use", "fit")
    assert rig("results", made.folder, "--json").answer["reference"]["method"] == "gauge, fit"
    ran = rig("certify", made.folder, "--json")
    assert ran.status in (0, 1), ran.err
    record = json.loads(Path(ran.answer["certificate"]).read_text("ascii"))
    assert record["reference"]["method"] == "gauge, fit"
    shown = [each["method"] for each in record["other_references"]]
    assert shown == ["stop", "gauge, equal drops"]
    proved = rig("verify", ran.answer["certificate"])
    assert proved.status == 0, proved.out


def test_a_reference_of_another_capture_does_not_come_before_its_own(tmp_path: Path) -> None:
    """The encoder may have been mounted anew in between."""
    made = series(tmp_path)
    made.do("turn 200 at 100")
    made.find_tdc().end()
    file = points_file(tmp_path, gauged(made))
    rig("tdc", "gauge", made.folder, file, "--use")  # of no capture in particular
    assert rig("results", made.folder, "--json").answer["reference"]["method"] == "stop"
    rig("tdc", "gauge", made.folder, file, "--capture", made.capture.name, "--use")
    assert rig("results", made.folder, "--json").answer["reference"]["method"] == "gauge, fit"


def points_file(folder: Path, answer: dict[str, Any], scale: float = 1.0, typo: int = 0) -> Path:
    rows = ["after_index_deg, lift_mm" if scale == 1.0 else "after_index_deg, lift_in"]
    for point in answer["points"]:
        drop = point["drop_mm"] * scale * (10.0 if point["number"] == typo else 1.0)
        rows.append(f"{point['after_index_deg']:.4f}, {drop:.5f}")
    file = folder / "points.csv"
    file.write_text("\n".join(rows) + "\n", "utf-8")
    return file


def test_a_file_of_points_in_millimetres_or_inches_says_the_same(tmp_path: Path) -> None:
    made = series(tmp_path).end()
    noted = gauged(made)
    for scale in (1.0, 1.0 / 25.4):
        file = points_file(tmp_path, noted, scale)
        answer = rig("tdc", "gauge", made.folder, file, "--json").answer
        assert by(answer, "gauge, fit")["tdc_deg"] == pytest.approx(
            by(noted, "gauge, fit")["tdc_deg"], abs=2e-3
        )


def test_a_mistyped_point_is_named_and_not_used(tmp_path: Path) -> None:
    made = series(tmp_path).end()
    file = points_file(tmp_path, gauged(made), typo=3)
    ran = rig("tdc", "gauge", made.folder, file, "--use", "--json")
    assert ran.status == 1
    assert ran.answer["suspect"]["number"] == 3
    assert "decimal point" in ran.answer["doubts"][0]
    assert "--leave-out 3" in ran.answer["doubts"][0]
    assert Job(made.folder).reference() is None
    again = rig("tdc", "gauge", made.folder, file, "--leave-out", 3, "--use", "--json")
    assert again.status == 0, again.err
    assert [p["number"] for p in again.answer["points"]] == [1, 2, 4, 5, 6, 7, 8]
    used = Job(made.folder).reference()
    assert used is not None
    assert "point 3 left out" in used.how


def test_lifts_a_hundredth_apart_are_used_and_it_is_said(tmp_path: Path) -> None:
    """Exact lifts of the example's crank (100 x 190 mm, no offset), the far side met a little off:
    8.00 and 3.80 mm before the top, 8.00 and 3.81 mm after it. Angles by root search."""
    points = tmp_path / "points.txt"
    points.write_text(
        "after_index_deg; lift_mm\n"
        + "".join(
            f"{(200.0 + side * angle_at(drop)) % 360.0:.6f}; {drop}\n"
            for side, drop in ((-1, 8.0), (-1, 3.80), (1, 3.81), (1, 8.0))
        ),
        "utf-8",
    )
    answer = rig("tdc", "gauge", copied(tmp_path), points, "--json").answer
    found = by(answer, "gauge, equal drops")
    assert found["tdc_deg"] == pytest.approx(200.0, abs=1e-3)
    assert "drop 3.8 mm before TDC and 3.81 mm after it" in found["warnings"][0]
    assert any(p["source"] == "unequal-drops" for p in found["uncertainty"]["parts"])
    plain = rig("tdc", "gauge", copied(tmp_path / "again"), points).out
    assert (
        "3.81 mm after it are corrected to their mean, which moves their middle by -0.01" in plain
    )


def angle_at(drop_mm: float) -> float:
    """Degrees from the top of a crank of 50 mm throw and 190 mm rod (Pythagoras)."""

    def off(deg: float) -> float:
        theta = math.radians(deg)
        height = 50.0 * math.cos(theta) + math.sqrt(190.0**2 - (50.0 * math.sin(theta)) ** 2)
        return 240.0 - height - drop_mm

    return float(brentq(off, 0.0, 90.0, xtol=1e-12))


def test_how_well_the_mark_is_read_is_said_in_degrees_or_round_the_rim(tmp_path: Path) -> None:
    """A limit either way, rectangular (JCGM 100, 4.3.7), and half a count of 4096 in which the
    crank stood; 1 mm round a rim of 412 mm is 360 / (pi 412) = 0.278135 degrees."""
    made = series(tmp_path)
    at = made.top_deg()
    made.live.annotate("mark", {"crank_deg": at, "what": "plain", "within_deg": 1.0})
    made.live.annotate(
        "mark", {"crank_deg": at, "what": "fine", "within_deg": 0.2, "within": "0.2°"}
    )
    made.end()

    def read(*more: str | float | Path) -> dict[str, float]:
        others = gauged(made, "--mark-deg", 200, *more)["others"]
        return {
            each["mark"]: each["uncertainty"]["u_deg"] * math.sqrt(3.0) - 180.0 / 4096
            for each in others
        }

    own = "the engine's own mark"
    assert read() == pytest.approx({"plain": 1.0, "fine": 0.2, own: 1.0})
    assert read("--mark-within", 0.5) == pytest.approx({"plain": 0.5, "fine": 0.2, own: 0.5})
    assert read("--mark-within-deg", 0.5)[own] == pytest.approx(0.5)
    for text, mm in (("1mm", 1.0), ("1 mm", 1.0), ("1/16 in", 1.5875)):
        assert read("--mark-within", text)[own] == pytest.approx(0.278135 * mm, abs=1e-6)
    points = (made.folder, made.capture, "--mark-deg", 200, "--mark-within")
    assert "enter degrees" in refused(2, "tdc", "gauge", *points, "a bit")


def test_points_written_down_within_a_turn_have_no_place_on_a_geared_disc(tmp_path: Path) -> None:
    job = copied(tmp_path)
    text = (job / "engine.toml").read_text("utf-8")
    geared = re.sub(r"(?m)^\[encoder\]$", '[encoder]\nturns_per_crank_turn = "1/2"', text)
    points = tmp_path / "points.txt"
    points.write_text("140 8\n150 4\n190 4\n200 8\n", "utf-8")
    plain = rig("tdc", "gauge", job, points, "--json").answer
    assert by(plain, "gauge, equal drops")["forward_deg"] == [140.0, 150.0]
    (job / "engine.toml").write_text(geared, "utf-8")
    ran = rig("tdc", "gauge", job, points, "--json")
    assert ran.status == 0, ran.err
    found = by(ran.answer, "gauge, equal drops")
    assert found["forward_deg"] == found["backward_deg"] == []


def test_a_reference_that_moved_is_said(tmp_path: Path) -> None:
    made = series(tmp_path, slip=0.6).end()
    answer = gauged(made, status=1)
    assert answer["moved"]["moved"]
    assert abs(abs(answer["moved"]["shift_deg"]) - 0.6) < 0.15
    assert any("moved" in doubt for doubt in answer["doubts"])


def test_points_taken_with_the_piston_falling_are_said(tmp_path: Path) -> None:
    made = series(tmp_path, wrong_way=True).end()
    answer = gauged(made, status=1)
    assert any(
        "points 5, 6, 7 and 8 were approached with the piston falling" in d
        for d in answer["doubts"]
    )


def test_plain_lines_hold_the_figures(tmp_path: Path) -> None:
    made = series(tmp_path).end()
    ran = rig("tdc", "gauge", made.folder, made.capture)
    assert ran.status == 0
    assert "dial gauge, curve fit: TDC of cylinder 1" in ran.out
    assert len([line for line in ran.out.splitlines() if line.strip().endswith(tuple("0123456789"))]
               ) >= 8  # fmt: skip
    assert "taken again: TDC is where it was" in ran.out


def test_what_is_refused(tmp_path: Path) -> None:
    job = copied(tmp_path)

    def file(text: str) -> Path:
        path = tmp_path / "points.csv"
        path.write_text(text, "utf-8")
        return path

    assert "too few" in refused(2, "tdc", "gauge", job, file("10 2\n20 3\n30 4\n"))
    one_side = file("10 8\n14 6\n18 4\n22 2.5\n26 1.5\n")
    assert "one side" in refused(2, "tdc", "gauge", job, one_side)
    assert "stroke" in refused(2, "tdc", "gauge", job, file("10 800\n20 2\n30 2\n40 8\n"))
    good = file("10 8\n20 4\n30 4\n40 8\n")
    assert "no cylinder 7" in refused(2, "tdc", "gauge", job, good, "--cylinder", 7)
    assert "sliding" in refused(2, "tdc", "gauge", job, good, "--inclined-deg", 25)
    assert "numbered 1 to 4" in refused(2, "tdc", "gauge", job, good, "--leave-out", 9)
    assert "no such file" in refused(2, "tdc", "gauge", job, tmp_path / "none.csv")
    assert "no gauge reading" in refused(2, "tdc", "gauge", job, Job(job).newest().known.path)


def test_a_rod_shorter_than_the_throw_is_refused_with_its_line(tmp_path: Path) -> None:
    job = copied(tmp_path)
    text = (job / "engine.toml").read_text("utf-8")
    (job / "engine.toml").write_text(text.replace("rod_mm = 190", "rod_mm = 40"), "utf-8")
    points = tmp_path / "points.csv"
    points.write_text("10 8\n20 4\n30 4\n40 8\n", "utf-8")
    said = refused(2, "tdc", "gauge", job, points)
    assert "line" in said
    assert "geometry" in said


def test_a_link_rod_cylinder_is_refused_unless_its_dead_centre_is_stated(tmp_path: Path) -> None:
    made = MadeJob(tmp_path / "job", 5, example="radial_nine")
    made.end()
    points = tmp_path / "points.csv"
    points.write_text("10 8\n20 4\n30 4\n40 8\n", "utf-8")
    assert "link rod" in refused(2, "tdc", "gauge", made.folder, points, "--cylinder", 5)


def test_points_that_lie_on_no_curve_at_all_are_in_doubt(tmp_path: Path) -> None:
    """A straight line of lifts is no slider-crank, and no single point of it is to blame."""
    points = tmp_path / "points.csv"
    points.write_text("after_index_deg, lift_mm\n10, 6\n20, 5\n30, 4\n40, 3\n50, 2\n", "utf-8")
    job = copied(tmp_path)
    before = (job / "reference.json").read_bytes()
    ran = rig("tdc", "gauge", job, points, "--use", "--json")
    assert ran.status == 1
    assert "no single one is to blame" in ran.answer["doubts"][0]
    assert ran.answer["in_use"] is None
    assert (job / "reference.json").read_bytes() == before

"""rig plot: every drawing as every kind of file, the same again for the same figures."""

from __future__ import annotations

import math
import re
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import pytest
from made_job import MadeJob, copied, finished, refused, rig
from slow_but import slow_but
from wrong_job import RECUT, wrong_job

from rig.job.folder import Job
from rig.plots.signal import taken_of, trace_of
from rig.session.session import signal_settings
from rig.signal.events import Opening
from rig.virtual.rig import pin_recording
from rig.wire.capture import CaptureReader

BEGINS = {".svg": b"<?xml", ".png": b"\x89PNG", ".pdf": b"%PDF"}


def drawn(out: Path, kind: str, *more: str | Path | float) -> dict[str, object]:
    ran = rig("plot", kind, *more, "--out", out, "--json")
    assert ran.status == 0, ran.err
    assert ran.answer["drawing"] == str(out)
    assert out.read_bytes().startswith(BEGINS[out.suffix])
    return ran.answer


def strokes(svg: Path) -> int:
    """How many paths a drawing has: a drawing that shows more has more of them."""
    return sum(1 for each in ElementTree.parse(svg).iter() if each.tag.endswith("}path"))


@pytest.mark.parametrize("ending", slow_but([".svg", ".png", ".pdf"], ".png"))
@pytest.mark.parametrize("kind", slow_but(["readings", "turn", "signal", "drift"], "readings"))
def test_each_drawing_as_each_kind_of_file(tmp_path: Path, kind: str, ending: str) -> None:
    drawn(tmp_path / f"d{ending}", kind, finished().folder)


@pytest.mark.parametrize("kind", slow_but(["readings", "turn", "signal", "drift"], "turn"))
def test_the_same_figures_give_the_same_file(tmp_path: Path, kind: str) -> None:
    first, second = tmp_path / "a.svg", tmp_path / "b.svg"
    drawn(first, kind, finished().folder)
    drawn(second, kind, finished().folder)
    assert first.read_bytes() == second.read_bytes()
    assert strokes(first) > 50


def test_the_turn_has_every_opening_where_it_is(tmp_path: Path) -> None:
    """Against the truth: openings after cylinder 1's firing dead centre, modulo the cycle."""
    made = finished()
    answer = drawn(tmp_path / "t.svg", "turn", made.folder)
    assert answer["cycle_deg"] == 720.0
    places = answer["opens_after_tdc_deg"]
    assert isinstance(places, dict)
    truth = made.rig.truth()
    for name, number in (("upper", "1"), ("lower", "2")):
        true = {
            round((o["crank_deg"] - truth["firing_tdc_crank_deg"]) % 720.0 / 180.0): (
                o["crank_deg"] - truth["firing_tdc_crank_deg"]
            )
            % 720.0
            for o in truth["units"][number]["openings"]
        }
        assert sorted(places[name]) == pytest.approx(sorted(true.values()), abs=0.3)


@pytest.mark.parametrize("example", ["two_stroke_single", "radial_nine", "geared_propeller"])
def test_the_turn_of_other_engines(tmp_path: Path, example: str) -> None:
    made = MadeJob(tmp_path / "job", 6, example=example)
    made.do("turn 700 at 150")
    made.find_tdc()
    if example != "two_stroke_single":
        made.state_stroke()
    made.do("turn 1500 at 110").end()
    answer = drawn(tmp_path / "t.svg", "turn", made.folder)
    assert answer["cycle_deg"] == (360.0 if example == "two_stroke_single" else 720.0)
    places = answer["opens_after_tdc_deg"]
    assert isinstance(places, dict)
    for unit in made.job.profile.units:
        ratio = float(unit.turns_per_crank_turn) * made.job.profile.cycle_deg / 360.0
        assert len(places[unit.name]) == unit.lobes * ratio
    drawn(tmp_path / "r.svg", "readings", made.folder)


def test_without_the_stroke_both_turns_lie_on_one_another(tmp_path: Path) -> None:
    made = MadeJob(tmp_path / "job", 7)
    made.find_tdc().do("turn 1450 at 110").end()
    assert drawn(tmp_path / "t.svg", "turn", made.folder)["cycle_deg"] == 360.0


def test_the_signal_is_of_the_opening_asked_for(tmp_path: Path) -> None:
    folder = finished().folder
    listed = rig("read", Job(folder).newest().known.path, "--job", folder, "--json").answer
    for number in (3, 12):
        wanted = listed["openings"][number - 1]
        answer = drawn(tmp_path / "s.svg", "signal", folder, "--opening", number)
        assert answer["btdc_deg"] == pytest.approx(wanted["btdc_deg"])
        assert answer["crank_deg"] == pytest.approx(wanted["crank_deg"])
        assert answer["times_opened"] == wanted["times_opened"]
    most = max(o["times_opened"] for o in listed["openings"] if o["valid"])
    assert drawn(tmp_path / "s.svg", "signal", folder)["times_opened"] == most
    assert drawn(tmp_path / "s.svg", "signal", folder, "--unit", "lower")["unit"] == "lower"


def test_the_signal_of_a_pin_recording_without_a_job(tmp_path: Path) -> None:
    recording = tmp_path / "pins.vcd"
    with recording.open("w", encoding="ascii") as out:
        pin_recording(["turn 900 at 110"], finished().job.profile, out, 7)
    answer = drawn(
        tmp_path / "s.png", "signal", recording, "--counts-per-turn", 4096, "--tdc-deg", 100
    )
    assert answer["unit"] in ("contact1", "contact2")
    assert isinstance(answer["btdc_deg"], float)


def test_signal_and_turn_run_over_the_crank_s_angle(tmp_path: Path) -> None:
    """The signal's places are those of the recording: from the opening to its last bounce."""
    made = finished()
    for kind, label in (
        ("signal", "crank, degrees "),
        ("turn", "degrees of crank after firing TDC of cylinder 1"),
    ):
        drawn(tmp_path / "p.svg", kind, made.folder)
        assert label in (tmp_path / "p.svg").read_text("utf-8")
    settings = signal_settings(made.job.profile)
    edges, events = taken_of(CaptureReader(made.capture).batches(), settings)
    openings = [e for e in events if isinstance(e, Opening) and e.valid and e.times_opened > 2]
    assert openings
    for opening in openings:
        trace = trace_of(edges, events, opening, settings, None)
        rises = [place for place, is_open in trace.changes if is_open and place > -1e-6]
        assert rises[0] == pytest.approx(0.0, abs=1e-6)
        assert trace.last_deg == pytest.approx(rises[opening.times_opened - 1])
        way = opening.speed_deg_s * opening.transition_us / 1e6
        assert trace.last_deg == pytest.approx(way, rel=0.5, abs=0.05)


def test_a_new_place_is_laid_out_with_its_dimensions(tmp_path: Path) -> None:
    """Chord 2 r sin(a/2), arc r a (geometry)."""
    made = wrong_job(tmp_path, RECUT.replace("lower", "upper"))
    options = rig("adjust", made.folder, "--all-options", "--json").answer["options"]
    number = next(
        n for n, o in enumerate(options, 1) if any(s["kind"] == "recut" for s in o["steps"])
    )
    assert "rig adjust --take" in refused(2, "plot", "layout", made.folder)
    assert rig("adjust", made.folder, "--take", number).status in (0, 1)
    answer = drawn(tmp_path / "l.svg", "layout", made.folder)
    angle = math.radians(float(str(answer["unit_deg"])))
    assert answer["radius_mm"] == 18.0
    assert answer["arc_mm"] == pytest.approx(18.0 * angle)
    assert answer["chord_mm"] == pytest.approx(36.0 * math.sin(angle / 2))


def test_both_faces_are_two_sheets(tmp_path: Path) -> None:
    made = wrong_job(tmp_path, RECUT.replace("lower", "upper"))
    options = rig("adjust", made.folder, "--all-options", "--json").answer["options"]
    number = next(
        n for n, o in enumerate(options, 1) if any(s["kind"] == "recut" for s in o["steps"])
    )
    assert rig("adjust", made.folder, "--take", number).status in (0, 1)
    answer = drawn(tmp_path / "l.pdf", "layout", made.folder, "--face", "both", "--paper", "Letter")
    sheets = answer["sheets"]
    assert isinstance(sheets, list)
    assert [(s["face"], s["mirrored"]) for s in sheets] == [
        ("mating face", False), ("back face", True),
    ]  # fmt: skip
    assert {s["way"] for s in sheets} == {"clockwise", "anticlockwise"}
    assert all(Path(s["drawing"]).read_bytes().startswith(b"%PDF") for s in sheets)
    other = drawn(tmp_path / "o.pdf", "layout", made.folder, "--face", "other")
    assert other["face"] == "back face"


def test_names_from_outside_do_no_harm(tmp_path: Path) -> None:
    job = copied(tmp_path)
    text = (job / "engine.toml").read_text("utf-8")
    hostile = text.replace(
        'name = "Launch engine (example)"', r'name = "a$\\nonsense{b}$ <b>&amp;"'
    )
    (job / "engine.toml").write_text(hostile, "utf-8")
    out = tmp_path / "r.svg"
    drawn(out, "readings", job)
    ElementTree.parse(out)


def test_what_is_refused(tmp_path: Path) -> None:
    folder, out = finished().folder, tmp_path / "d.svg"
    assert "one of .svg, .png, .pdf" in refused(2, "plot", "turn", folder, "--out", "d.docx")
    missing = refused(2, "plot", "turn", folder, tmp_path / "none.capture", "--out", out)
    assert "none.capture" in missing
    assert "there are 1 to" in refused(2, "plot", "signal", folder, "--opening", 999, "--out", out)
    assert "never opens" in refused(2, "plot", "signal", folder, "--unit", "x", "--out", out)
    made = MadeJob(tmp_path / "job", 3)
    made.do("turn 900 at 110").end()
    for kind in ("turn", "readings"):
        assert "TDC is not known" in refused(2, "plot", kind, made.folder, "--out", out)
    assert "no certificate" in refused(2, "plot", "drift", made.folder, "--out", out)
    assert not out.exists()
    blocked = tmp_path / "file"
    blocked.write_text("", "utf-8")
    assert "cannot be saved" in refused(2, "plot", "turn", folder, "--out", blocked / "d.svg")


def test_matplotlib_waits_until_something_is_drawn() -> None:
    code = (
        "import sys, rig.cli.plot, rig.cli.trend, rig.plots.turn;"
        "sys.exit('matplotlib' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_no_more_of_the_screen_than_lines(tmp_path: Path) -> None:
    ran = rig("plot", "turn", finished().folder, "--out", tmp_path / "t.svg")
    assert re.fullmatch(r"drawing: .*t\.svg\n", ran.out)


def test_each_setting_that_was_read_has_a_lane_of_its_own(tmp_path: Path) -> None:
    made = MadeJob(tmp_path / "job", 7).find_tdc().state_stroke().do("turn 800 at 110")
    made.do("lever full retard")
    made.next_setting("upper")
    made.do("turn 800 at 110").end()
    places = drawn(tmp_path / "t.svg", "turn", made.folder)["opens_after_tdc_deg"]
    assert isinstance(places, dict)
    assert list(places) == ["upper, full advance", "upper, full retard", "lower"]
    by_setting = made.rig.truth()["units"]["1"]["btdc_by_setting"]
    for setting in ("full advance", "full retard"):
        before = sorted(-deg % 180.0 for deg in places[f"upper, {setting}"])
        mean = sum(before) / len(before)
        assert mean == pytest.approx(sum(by_setting[setting]) / 2.0, abs=0.3)


def test_readings_as_found_and_as_left_are_in_lanes_of_their_own(tmp_path: Path) -> None:
    """Moved by 3 degrees between them: one lane would show a mean at which it never opened."""
    made = MadeJob(tmp_path / "job", 7).find_tdc().state_stroke().do("turn 800 at 110")
    made.do("move upper 3").as_left().do("turn 800 at 110").end()
    places = drawn(tmp_path / "t.svg", "turn", made.folder)["opens_after_tdc_deg"]
    assert isinstance(places, dict)
    lanes = [f"{unit}, {phase}" for unit in ("upper", "lower") for phase in ("as found", "as left")]
    assert list(places) == lanes
    for unit, moved in (("upper", 3.0), ("lower", 0.0)):
        found, left = (sorted(places[f"{unit}, {phase}"]) for phase in ("as found", "as left"))
        assert [f - moved for f in found] == pytest.approx(left, abs=0.3)

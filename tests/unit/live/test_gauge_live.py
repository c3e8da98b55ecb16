"""Gauge points and the engine's mark at a live bench, on the virtual rig; truth from it too."""

from __future__ import annotations

import json
import math
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_job import certificate_in, rig
from virtual_bench import VirtualBench

from rig.base.angles import wrap
from rig.base.errors import InputError
from rig.guide.procedure import Panel
from rig.guide.tdc import typed_drop
from rig.job.new import write_example
from rig.job.results import results_of
from rig.tdc.reference import SHOWN, Method

POINTS = (30, 22, 14)


def fitted(tmp_path: Path, engine: str = "example") -> VirtualBench:
    """A bench past its index, the gauge fitted."""
    bench = VirtualBench(tmp_path / "job", 11, engine)
    bench.do("turn 750 at 300")
    bench.press("d")
    return bench


def drop(bench: VirtualBench) -> str:
    bench.do("gauge")
    return f"{bench.rig.reply['travel_mm']:.2f}"


def typed(bench: VirtualBench, text: str) -> None:
    bench.press("space", *text, "enter")


def both_sides(bench: VirtualBench, *, wrong_way: bool = False) -> VirtualBench:
    """Each lift on either side, each point come to with the piston rising."""
    bench.do("goto 40 at 250")
    for deg in POINTS:
        bench.do(f"goto {deg} at 40")
        typed(bench, drop(bench))
    bench.do("goto -45 at 60")
    for deg in reversed(POINTS) if wrong_way else POINTS:
        if wrong_way:
            bench.do("goto 10 back at 90", f"goto {-deg} at 40")
        else:
            bench.do(f"goto {-deg} back at 40")
        typed(bench, drop(bench))
    return bench


def panel(bench: VirtualBench) -> Panel:
    found = bench.ui_state.view().panel
    assert found is not None
    return found


def screen(bench: VirtualBench) -> str:
    shown = panel(bench)
    return "\n".join(f"{line.label}: {line.text}" for line in (*shown.beside, *shown.lines))


def use(bench: VirtualBench, method: str) -> None:
    """Choose a dead centre by its line in the list."""
    bench.press("t")
    shown = SHOWN[Method(method)] if method in {*Method} else method
    (number,) = [line.label for line in panel(bench).lines if f"by {shown}" in line.text]
    bench.press(number, "y")


@pytest.mark.parametrize("engine", ["example", "two_stroke_single"])
def test_dead_centre_by_gauge_is_chosen_lives_and_is_found_again(
    tmp_path: Path, engine: str
) -> None:
    bench = both_sides(fitted(tmp_path, engine))
    shown = panel(bench)
    assert "3×" in screen(bench)
    assert "enough points" in bench.ui_state.view().next.lower()
    true_deg = bench.rig.truth()["tdc_deg_after_index"]
    run_out = bench.job.profile.encoder.run_out_deg
    assert abs(wrap(float(shown.figure) - true_deg)) < 0.3 + run_out
    bench.press("a")
    bench.do("goto 25 back at 60", "goto 20 at 40")
    typed(bench, drop(bench))
    bench.do("goto -30 at 60", "goto -20 back at 40")
    typed(bench, drop(bench))
    assert "TDC is where it was" in screen(bench)
    use(bench, "gauge, fit")
    session = bench.live.session
    assert session.reference is not None
    assert session.reference.method == "gauge, fit"
    assert abs(wrap(session.reference.tdc_deg - true_deg)) < (
        session.reference.uncertainty.U_deg + run_out
    )
    assert session.reference.capture == bench.live.capture_path.name
    assert bench.job.reference() == session.reference
    bench.press("esc")
    bench.do("turn 500 at 250")
    live = [repr(r) for r in session.readings()]
    assert any(r.valid for r in session.readings())
    bench.live.end()
    again = results_of(bench.job.profile, [bench.live.capture_path])
    assert again.reference == session.reference
    assert [repr(r) for r in again.readings] == live
    answer = rig("tdc", "gauge", bench.job.folder, bench.live.capture_path, "--json").answer
    (fit,) = [each for each in answer["references"] if each["method"] == "gauge, fit"]
    assert fit["tdc_deg"] == pytest.approx(session.reference.tdc_deg, abs=1e-9)
    assert answer["moved"]["moved"] is False
    figures = rig("results", bench.job.folder, "--json").answer
    assert figures["reference"]["method"] == "gauge, fit"


def test_methods_and_marks_stand_beside_one_another_on_the_certificate(tmp_path: Path) -> None:
    bench = both_sides(fitted(tmp_path))
    use(bench, "gauge, equal drops")
    bench.press("esc")
    assert panel(bench).title.startswith("TDC by dial gauge")  # from where it was opened
    bench.press("esc")
    bench.do("goto 40 at 60", "goto 1 at 20", "rest 1")
    bench.press("e", *"flywheel T", "enter", "enter")
    assert "flywheel T: 1.0" in bench.ui_state.view().message
    assert "before TDC of cylinder 1" in bench.ui_state.view().message
    bench.do("goto 30 at 60", "goto 25 at 20", "rest 1")
    bench.press("e", *"firing notch", "enter", "enter")
    bench.press("t")
    lines = [line.text for line in panel(bench).lines]
    assert "IN USE" in lines[0]
    assert any("dial gauge, curve fit" in text and "within the" in text for text in lines)
    assert any("by flywheel T" in text for text in lines)
    assert not any("by firing notch" in text for text in lines)  # it marks something else
    bench.press("esc")
    bench.do("turn 30 at 60", "goto 0 at 90", "rest 0.6")
    bench.press("f")
    bench.do("turn 900 at 250", "rest 0.4")
    bench.press("s", "y")
    assert bench.live.saved is not None, bench.ui_state.view().message
    record = json.loads(certificate_in(bench.job.folder).read_text("ascii"))
    assert record["reference"]["method"] == "gauge, equal drops"
    others = [(each["method"], each["mark"]) for each in record["other_references"]]
    assert others == [("gauge, fit", ""), ("mark", "flywheel T")]
    conditions = " ".join(record["conditions"])
    assert "flywheel T: 1.0" in conditions
    assert "firing notch: 25.0" in conditions
    proved = rig("verify", bench.live.saved.files[0])
    assert proved.status == 0, proved.out


def test_a_mark_that_was_chosen_does_not_stand_beside_itself(tmp_path: Path) -> None:
    bench = both_sides(fitted(tmp_path))
    bench.press("esc")
    bench.do("goto 40 at 60", "goto 1 at 20", "rest 1")
    bench.press("e", *"flywheel T", "enter", "enter")
    use(bench, "flywheel T")
    bench.press("esc")
    bench.do("turn 30 at 60", "goto 0 at 90", "rest 0.6")
    bench.press("f")
    bench.do("turn 900 at 250", "rest 0.4")
    bench.press("s", "y")
    record = json.loads(certificate_in(bench.job.folder).read_text("ascii"))
    assert record["reference"]["method"] == "mark"
    assert record["reference"]["mark"] == "flywheel T"
    others = [(each["method"], each["mark"]) for each in record["other_references"]]
    assert ("mark", "flywheel T") not in others
    assert ("gauge, fit", "") in others


def test_another_is_chosen_and_the_first_again(tmp_path: Path) -> None:
    bench = both_sides(fitted(tmp_path))
    use(bench, "gauge, fit")
    first = bench.live.session.reference
    use(bench, "gauge, equal drops")
    second = bench.live.session.reference
    assert second is not None
    assert second.method == "gauge, equal drops"
    use(bench, "gauge, fit")
    third = bench.live.session.reference
    assert third is not None
    assert first is not None
    assert third.tdc_deg == first.tdc_deg
    assert bench.job.reference() == third


def test_a_moving_crank_is_refused(tmp_path: Path) -> None:
    bench = fitted(tmp_path)
    bench.do("turn 60 at 20")
    bench.press("space")
    assert bench.ui_state.prompt.question is None
    assert "hold it still" in bench.ui_state.view().message
    bench.do("rest 1")
    bench.press("space", *"3.00")
    bench.do("turn 5 at 20", "rest 1")
    bench.press("enter")
    assert "moved while you typed" in bench.ui_state.view().message
    assert bench.live.session.gauge.readings == []


def test_a_mistyped_point_is_named_at_once_and_taken_back(tmp_path: Path) -> None:
    bench = fitted(tmp_path)
    bench.do("goto 40 at 250", "goto 30 at 20", "rest 0.6")
    typed(bench, "800")
    assert "stroke" in bench.ui_state.view().message
    assert bench.live.session.gauge.readings == []
    typed(bench, drop(bench))
    bench.do("goto 22 at 40")
    typed(bench, f"{10 * float(drop(bench)):.2f}")  # the decimal point in the wrong place
    assert "gauge point 2" in bench.ui_state.view().message
    assert bench.ui_state.view().next == "Undo the doubtful point and take it again"
    assert bench.ui_state.view().then == ": press backspace"
    bench.press("backspace", "enter")
    assert len(bench.live.session.gauge.readings) == 1
    typed(bench, drop(bench))
    assert "DOUBT" not in screen(bench)
    both_sides(bench)
    bench.do("goto -45 at 60", "goto -40 back at 40", "rest 0.6")
    typed(bench, "66.0")
    assert "does not fit" in screen(bench)
    assert panel(bench).figure == ""
    bench.press("t")
    doubtful = [line for line in panel(bench).lines if "IN DOUBT" in line.text]
    assert doubtful
    bench.press(doubtful[0].label)
    assert "not used" in bench.ui_state.view().message
    assert bench.live.session.reference is None


def test_points_come_to_with_the_piston_falling_are_told(tmp_path: Path) -> None:
    bench = both_sides(fitted(tmp_path), wrong_way=True)
    assert "piston falling" in screen(bench)


def test_an_inclined_gauge_is_corrected_once_its_case_is_said(tmp_path: Path) -> None:
    """Sliding on a flat crown it reads long by 1/cos: the piston moved less than it says."""
    bench = both_sides(fitted(tmp_path))
    straight = bench.live.session.gauge.gauge.mm_per_mm
    bench.press("i", *"25", "enter", "s", "enter")
    assert bench.live.session.gauge.gauge.mm_per_mm == pytest.approx(1.1034, abs=1e-4)
    bench.press("i", *"25", "enter", "x", "enter")
    assert "neither s nor p" in bench.ui_state.view().message
    bench.press("i", "0", "enter")
    assert bench.live.session.gauge.gauge.mm_per_mm == straight == 1.0


def asked(bench: VirtualBench) -> str:
    question = bench.ui_state.view().question
    assert question is not None
    return question.text


def test_the_unit_that_bare_numbers_are_taken_in_is_asked_for_and_said_back(
    tmp_path: Path,
) -> None:
    """1 in = 25.4 mm exactly (definition)."""
    bench = fitted(tmp_path)
    bench.do("goto 40 at 250", "goto 30 at 40", "rest 0.6")
    bench.press("space")
    assert "in mm (2.00, or 0.080 in)" in asked(bench)
    bench.press(*"0.25 in", "enter")
    assert "0.2500 in, which is 6.350 mm" in bench.ui_state.view().message
    bench.do("goto 22 at 40", "rest 0.6")
    bench.press("space")
    assert "in inches (0.080, or 2.00 mm)" in asked(bench)
    bench.press(*"0.125", "enter")
    assert "0.1250 in, which is 3.175 mm" in bench.ui_state.view().message
    bench.do("goto 14 at 40", "rest 0.6")
    bench.press("space", *"1.27mm", "enter")
    assert "noted: 1.270 mm" in bench.ui_state.view().message
    bench.press("space")
    assert "in mm" in asked(bench)


def test_points_on_both_sides_without_a_lift_on_both_are_not_said_to_lie_on_one(
    tmp_path: Path,
) -> None:
    bench = fitted(tmp_path)
    bench.do("goto 40 at 250")
    for deg in (30, 22, 14):
        bench.do(f"goto {deg} at 40")
        typed(bench, drop(bench))
    bench.do("goto -45 at 60")
    for deg in (26, 18):
        bench.do(f"goto {-deg} back at 40")
        typed(bench, drop(bench))
    assert "3×" in screen(bench)
    assert "2×" in screen(bench)
    assert "no drop was read on both sides" in screen(bench)
    assert "one side" not in screen(bench)


def test_one_point_is_said_of_one(tmp_path: Path) -> None:
    bench = fitted(tmp_path)
    bench.do("goto 40 at 250", "goto 30 at 40")
    typed(bench, drop(bench))
    assert "1 gauge points" not in screen(bench)
    assert "too few" in screen(bench)


def test_the_gauge_in_another_cylinder(tmp_path: Path) -> None:
    bench = fitted(tmp_path)
    bench.press("o", "9", "enter")
    assert "no cylinder 9" in bench.ui_state.view().message
    bench.press("o", "3", "enter")
    assert "cylinder 3" in panel(bench).title


def test_a_mark_is_kept_taken_back_and_is_behind_by_it(tmp_path: Path) -> None:
    bench = fitted(tmp_path)
    bench.press("esc")
    bench.do("rest 1")
    bench.press("e", *"pulley notch", "enter", "enter")
    assert "after the index" in bench.ui_state.view().message
    (mark,) = bench.live.session.gauge.marks
    assert (mark.what, mark.within_deg, mark.within) == ("pulley notch", 1.0, "")
    bench.press("e", "enter")
    assert "enter the name of the mark" in bench.ui_state.view().message
    bench.press("t", "backspace")
    assert bench.live.session.gauge.marks == []


def test_how_well_a_mark_is_read_is_typed_and_lives_in_the_capture(tmp_path: Path) -> None:
    """0.3 degrees either way, and 1 mm round the rim: arc = pi D b / 360 (checks R1)."""
    bench = fitted(tmp_path)
    bench.press("esc")
    rim_mm = bench.job.profile.engine.rim_diameter_mm
    assert rim_mm is not None
    bench.do("goto 40 at 60", "goto 1 at 20", "rest 1")
    bench.press("e", *"flywheel T", "enter")
    question = bench.ui_state.prompt.question
    assert question is not None
    assert "Empty: 1 degree" in question.text
    bench.press(*"0.3", "enter")
    assert bench.ui_state.view().message.endswith("read within 0.3°")
    bench.press("e", *"pulley notch", "enter", *"1 mm", "enter")
    assert f"(1 mm round a rim of {rim_mm:g} mm)" in bench.ui_state.view().message
    bench.press("e", *"third", "enter", *"some", "enter")
    assert "enter degrees" in bench.ui_state.view().message
    bench.press(*"2", "enter")  # it is asked again, and the mark's words are not lost
    assert bench.ui_state.view().message.endswith("read within 2°")
    assert [mark.what for mark in bench.live.session.gauge.marks][2:] == ["third"]
    use(bench, "pulley notch")
    used = bench.live.session.reference
    assert used is not None
    half_a_count = 360.0 / 4096 / 2.0
    half = 360.0 / (math.pi * rim_mm)
    assert used.uncertainty.u_deg == pytest.approx((half + half_a_count) / math.sqrt(3.0))
    use(bench, "flywheel T")
    used = bench.live.session.reference
    assert used is not None
    assert used.uncertainty.u_deg == pytest.approx((0.3 + half_a_count) / math.sqrt(3.0))
    bench.live.end()
    # The note alone: the engine file says nothing of a rim any more.
    plain = replace(bench.job.profile.engine, rim_diameter_mm=None)
    again = results_of(replace(bench.job.profile, engine=plain), [bench.live.capture_path])
    assert again.reference == used
    notch = next(m for m in again.played[0].gauge.marks if m.what == "pulley notch")
    assert notch.within_deg == pytest.approx(half)


def test_a_length_is_no_answer_where_no_rim_is_stated(tmp_path: Path) -> None:
    folder = tmp_path / "job"
    write_example(folder)
    text = (folder / "engine.toml").read_text("utf-8")
    (folder / "engine.toml").write_text(text.replace("rim_diameter_mm = 412\n", ""), "utf-8")
    bench = VirtualBench(folder, 11)
    bench.do("turn 750 at 300", "rest 1")
    bench.press("e", *"pulley notch", "enter")
    question = bench.ui_state.prompt.question
    assert question is not None
    assert "mm" not in question.text
    bench.press(*"1 mm", "enter")
    assert "rim_diameter_mm" in bench.ui_state.view().message
    assert bench.live.session.gauge.marks == []
    bench.press(*"0.5", "enter")
    assert [mark.within_deg for mark in bench.live.session.gauge.marks] == [0.5]


def test_nearly_equal_lifts_are_brought_together_and_said(tmp_path: Path) -> None:
    bench = fitted(tmp_path)
    bench.do("goto 40 at 250")
    for deg in POINTS:
        bench.do(f"goto {deg} at 40")
        typed(bench, drop(bench))
    assert "turn back to" in bench.ui_state.view().next.lower()
    bench.do("goto -45 at 60")
    for deg in POINTS:
        bench.do(f"goto {-deg - 0.06} back at 40")  # a few hundredths of a millimetre lower
        typed(bench, drop(bench))
    before, after = sorted(r.point.drop_mm for r in bench.live.session.gauge.readings)[4:]
    assert 0.0 < after - before < 0.05
    assert "3 of 3 nearly equal" in screen(bench)
    assert "enough points" in bench.ui_state.view().next.lower()
    true_deg = bench.rig.truth()["tdc_deg_after_index"]
    shown = next(line for line in panel(bench).beside if line.label == "equal drops")
    run_out = bench.job.profile.encoder.run_out_deg
    assert abs(wrap(float(shown.text.split("°")[0]) - true_deg)) < 0.2 + run_out


def test_nothing_is_asked_before_the_index_has_passed(tmp_path: Path) -> None:
    bench = VirtualBench(tmp_path / "job")
    bench.press("d")
    assert "index" in bench.ui_state.view().message
    bench.press("e")
    assert "index" in bench.ui_state.view().message


@pytest.mark.parametrize(
    ("text", "mm"),
    [("2.0", 2.0), ("2,05", 2.05), (" 2.0 mm", 2.0), ("0.080 in", 2.032), ('.08"', 2.032),
     ("0.08 inch", 2.032), ("2.", 2.0)],
)  # fmt: skip
def test_lifts_as_they_are_typed(text: str, mm: float) -> None:
    """1 in = 25.4 mm exactly (definition)."""
    assert typed_drop(text)[0] == pytest.approx(mm, abs=1e-12)


def test_the_unit_stays_as_it_was_typed_last() -> None:
    assert typed_drop("0.08", "inch")[0] == pytest.approx(2.032)


@given(st.text(max_size=12))
def test_any_typing_is_a_lift_or_is_refused(text: str) -> None:
    with suppress(InputError):
        assert typed_drop(text)[0] > 0.0


@pytest.mark.parametrize("text", ["", "0", "-2.0", "two", "2.0 cm", "2..0", "nan", "٢"])
def test_what_is_no_lift_is_refused_in_a_sentence(text: str) -> None:
    with pytest.raises(InputError, match="enter"):
        typed_drop(text)


def test_the_dial_is_set_to_zero_first(tmp_path: Path) -> None:
    bench = fitted(tmp_path)
    view = bench.ui_state.view()
    assert f"{view.next}{view.then}" == (
        "Bring the piston to TDC and set the dial to zero, then press enter"
    )
    bench.press("enter")
    assert bench.ui_state.view().next.startswith("Turn forward to some mm before TDC")
    bench.press("enter")
    assert bench.ui_state.view().message == "The dial is zero."
    bench.press("backspace")
    assert bench.ui_state.view().next.startswith("Bring the piston to TDC")

"""Gauge readings noted in a capture: what is kept, and what makes no sense."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.base.angles import wrap
from rig.engine.geometry import travel_mm
from rig.engine.profile import Geometry
from rig.tdc.dial_gauge import Gauge, coarse_top_deg
from rig.tdc.gauge_points import EngineMark, GaugeNotes, falling, gauge_note, out_of_order
from rig.wire.records import Note


def taken(*values: dict[str, object], name: str = "gauge") -> GaugeNotes:
    notes = GaugeNotes()
    for value in values:
        notes.take(Note(0.0, name, value))
    return notes


def test_readings_are_kept_by_cylinder_and_purpose() -> None:
    notes = taken(
        gauge_note(2.0, 523.4, direction=1),
        gauge_note(1.0, 530.0, cylinder=4),
        gauge_note(2.0, 523.5, direction=1, again=True),
    )
    assert [(p.angle_deg, p.drop_mm) for p in notes.points(1)] == [(523.4, 2.0)]
    assert [p.angle_deg for p in notes.points(1, again=True)] == [523.5]
    assert [p.angle_deg for p in notes.points(4)] == [530.0]


def test_the_last_one_can_be_undone() -> None:
    notes = taken(gauge_note(2.0, 523.4), gauge_note(20.0, 524.4), {"back": True})
    assert [p.drop_mm for p in notes.points(1)] == [2.0]
    assert taken({"back": True}).readings == []


@pytest.mark.parametrize(
    "value",
    [
        {},
        {"lift_mm": "2.0", "crank_deg": 1.0},
        {"lift_mm": float("nan"), "crank_deg": 1.0},
        {"lift_mm": 2.0, "crank_deg": True},
        {"lift_mm": 2.0, "crank_deg": 1.0, "cylinder": 0},
        {"lift_mm": 2.0, "crank_deg": 1.0, "direction": 2},
    ],
)
def test_a_note_without_sense_is_reported_and_loses_nothing(value: dict[str, object]) -> None:
    notes = taken(gauge_note(2.0, 523.4), value)
    assert len(notes.readings) == 1
    assert len(notes.wrong) == 1


def test_marks_of_the_engine() -> None:
    notes = taken({"crank_deg": 512.0, "what": "flywheel mark"}, {"crank_deg": 1.0}, name="mark")
    assert notes.marks == [
        EngineMark(512.0, 1, "flywheel mark"),
        EngineMark(1.0, 1, "the engine's own mark"),
    ]
    read = {"crank_deg": 512.0, "what": "T", "within_deg": 0.25, "within": "0.25°"}
    assert taken(read, name="mark").marks == [EngineMark(512.0, 1, "T", 0.25, "0.25°")]


@pytest.mark.parametrize(
    "more",
    [{"within_deg": "0.5"}, {"within_deg": 0.0}, {"within_deg": -1.0}, {"within_deg": 181.0},
     {"within_deg": True}, {"within_deg": 0.5, "within": 2}, {"within": "x" * 101}],
)  # fmt: skip
def test_a_mark_read_within_nonsense_is_reported(more: dict[str, object]) -> None:
    notes = taken({"crank_deg": 1.0} | more, name="mark")
    assert notes.marks == []
    assert "within" in notes.wrong[0]


def test_points_approached_with_the_piston_falling_are_reported() -> None:
    """Before the top the piston rises turning forward, after it turning back (definition)."""
    ways = [(-20.0, 1), (-10.0, -1), (10.0, 1), (20.0, -1), (15.0, 0)]
    notes = taken(*(gauge_note(2.0, 360.0 + at, direction=way) for at, way in ways))
    assert falling(notes.of(1), 0.0) == [2, 3]


def test_other_notes_are_skipped() -> None:
    assert taken({"crank_deg": 1.0}, name="stroke").wrong == []


def test_any_reading_can_be_undone_by_its_number() -> None:
    notes = taken(
        *(gauge_note(drop, 500.0 + drop) for drop in (1.0, 2.0, 3.0)), {"back": True, "reading": 2}
    )
    assert [p.drop_mm for p in notes.points(1)] == [1.0, 3.0]
    assert len(taken(gauge_note(1.0, 5.0), {"back": True, "reading": 2}).wrong) == 1
    assert len(taken(gauge_note(1.0, 5.0), {"back": True, "reading": "one"}).wrong) == 1


def test_a_mark_is_undone() -> None:
    assert taken({"crank_deg": 1.0}, {"back": True}, {"back": True}, name="mark").marks == []


def test_how_the_gauge_stands_is_noted() -> None:
    notes = taken({"inclined_deg": 60.0, "case": "sliding"}, name="gauge-inclined")
    assert notes.gauge.mm_per_mm == pytest.approx(2.0)  # 1 / cos 60
    notes = taken({"inclined_deg": 60.0, "case": "pinned"}, name="gauge-inclined")
    assert notes.gauge.mm_per_mm == pytest.approx(0.5)
    without: list[dict[str, object]] = [
        {"inclined_deg": 60.0}, {"inclined_deg": 90.0, "case": "pinned"}, {},
    ]  # fmt: skip
    for wrong in without:
        notes = taken(wrong, name="gauge-inclined")
        assert notes.gauge.mm_per_mm == 1.0
        assert len(notes.wrong) == 1


GOOD = [(-30.0, 8.0, 1), (-20.0, 3.6, 1), (-10.0, 0.9, 1), (10.0, 0.9, -1), (20.0, 3.6, -1)]
K1 = Geometry(throw_mm=44.0, rod_mm=176.0, offset_mm=0.0)


def test_a_point_that_contradicts_the_others_is_reported() -> None:
    """Nearer to the top the drop is smaller (definition)."""
    good = [gauge_note(drop, 360.0 + at, direction=way) for at, drop, way in GOOD]
    assert out_of_order(taken(*good).readings) is None
    bad = list(good)
    bad[1] = gauge_note(36.0, 340.0, direction=1)
    assert out_of_order(taken(*bad).readings) == 2
    # Two points may lie after the top as well; 28 mm in 10 degrees no such crank can make.
    assert out_of_order(taken(*bad[:2]).readings) is None
    assert out_of_order(taken(*bad[:2]).readings, K1) == 2  # of two the later one
    bad = [*good, gauge_note(0.1, 385.0, direction=-1)]
    assert out_of_order(taken(*bad).readings) == 6
    # Nobody noted from which side: its angle and its lift tell.
    assert out_of_order(taken(*bad[:5], gauge_note(9.0, 350.5, direction=0)).readings) == 6


def test_points_past_the_top_approached_forward_do_not_contradict_one_another() -> None:
    """12 degrees 1.90 mm and 20 degrees 5.24 mm after the top, with the piston falling."""
    crank = Geometry(throw_mm=70.0, rod_mm=280.0, offset_mm=0.0)
    past = [gauge_note(1.90, 12.0, direction=1), gauge_note(5.24, 20.0, direction=1)]
    readings = taken(*past).readings
    assert out_of_order(readings) is None
    assert out_of_order(readings, crank) is None
    assert falling(readings, 0.0) == [1, 2]
    top = coarse_top_deg([r.point for r in readings], Gauge(), crank)
    assert top is not None
    assert wrap(top) == pytest.approx(0.0, abs=1.0)
    before = [gauge_note(drop, -at, direction=1) for at, drop in ((20.0, 5.24), (12.0, 1.90))]
    assert out_of_order(taken(*before, *past).readings, crank) is None


@given(
    st.floats(0.0, 360.0),
    st.lists(st.floats(-70.0, 70.0), min_size=1, max_size=9, unique_by=round),
    st.lists(st.sampled_from([1, 0, -1]), min_size=9, max_size=9),
    st.floats(-6.0, 6.0),
)
def test_a_true_series_never_contradicts_itself_however_it_was_come_to(
    tdc_deg: float, at: list[float], ways: list[int], offset_mm: float
) -> None:
    crank = replace(K1, offset_mm=offset_mm)
    notes = [
        gauge_note(float(travel_mm(-a, crank)) + 0.01, tdc_deg + a, direction=way)
        for a, way in zip(at, ways, strict=False)
    ]
    readings = taken(*notes).readings
    assert out_of_order(readings) is None
    assert out_of_order(readings, K1) is None


@given(
    st.integers(0, 7), st.sampled_from([0.1, 10.0]), st.lists(st.sampled_from([1, 0, -1]),
    min_size=8, max_size=8),
)  # fmt: skip
def test_a_decimal_point_in_the_wrong_place_is_found(
    which: int, factor: float, ways: list[int]
) -> None:
    at = [-40.0, -32.0, -24.0, -16.0, 16.0, 24.0, 32.0, 40.0]
    drops = [float(travel_mm(-a, K1)) for a in at]
    drops[which] *= factor
    notes = [
        gauge_note(drop, 180.0 + a, direction=way)
        for a, drop, way in zip(at, drops, ways, strict=True)
    ]
    found = out_of_order(taken(*notes).readings, K1)
    if found is None:  # the outermost and more, the innermost and less: in order all the same
        assert factor == (10.0 if which in (0, 7) else 0.1)
        assert which in (0, 3, 4, 7)
    else:
        assert found == which + 1

"""The TDC that the person chose, from notes alone."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.base.earlier_rules import EARLIER_RULES
from rig.base.errors import InputError
from rig.engine.engine_file import load_profile
from rig.engine.geometry import travel_mm
from rig.tdc.gauge_points import (
    EngineMark,
    GaugeNotes,
    chosen,
    gauge_note,
    mark_reference,
    marks_tdc,
)
from rig.tdc.reference import Method, set_by_hand
from rig.wire.records import Note
from rig.words.diagnostics import mark_words

PROFILE = load_profile(Path(__file__).parents[3] / "rig" / "job" / "example.toml")
TOP_DEG = 200.0
STOP = set_by_hand(TOP_DEG, how="a test", half_width_deg=0.2)


def points() -> GaugeNotes:
    """Exact drops of the example's slider-crank either side of the top."""
    geometry = PROFILE.engine.geometry
    assert geometry is not None
    notes = GaugeNotes()
    for at in (-30.0, -20.0, -10.0, 10.0, 20.0, 30.0):
        drop = float(travel_mm(at, geometry))
        notes.take(
            Note(0.0, "gauge", gauge_note(drop, TOP_DEG + at, direction=1 if at < 0 else -1))
        )
    return notes


def test_by_the_gauge_from_the_points_noted() -> None:
    found = chosen({"method": "gauge, fit", "utc": "now", "capture": "a"}, [], points(), PROFILE)
    assert found.tdc_deg == pytest.approx(TOP_DEG, abs=0.01)
    assert (found.method, found.made_utc, found.capture) == ("gauge, fit", "now", "a")


def test_a_note_with_the_earlier_name_of_a_method() -> None:
    found = chosen({"method": "gauge, equal lifts"}, [], points(), PROFILE)
    assert found.method is Method.EQUAL_DROPS


def test_an_earlier_one_is_taken_as_it_was() -> None:
    other = set_by_hand(10.0, how="another", half_width_deg=1.0)
    assert chosen({"found": 1}, [other, STOP], GaugeNotes(), PROFILE) is STOP


def test_a_mark_of_the_engine() -> None:
    notes = GaugeNotes(marks=[EngineMark(921.5, 1, "flywheel T")])
    found = chosen({"mark": 0}, [], notes, PROFILE)
    assert found.tdc_deg == pytest.approx(201.5)
    assert found.way == (Method.MARK, "flywheel T")
    assert mark_words(notes.marks[0], STOP).startswith(
        "flywheel T: 1.50° after TDC of cylinder 1 set by hand "
    )
    assert "after the index" in mark_words(notes.marks[0], None)
    assert marks_tdc(notes.marks[0], STOP)
    assert not marks_tdc(EngineMark(TOP_DEG - 36.0, 1, "firing notch"), STOP)


def test_a_mark_is_as_good_as_its_note_says() -> None:
    """A limit either way, taken as rectangular: 0.3/sqrt(3) and 1/sqrt(3) (JCGM 100, 4.3.7), by the
    rule of versions until 0.6.0, without the count in which the crank stood."""
    notes = GaugeNotes(rules=EARLIER_RULES["0.6.0"])
    read = {"crank_deg": 201.5, "what": "flywheel T", "within_deg": 0.3}
    notes.take(Note(0.0, "mark", read | {"within": "1 mm round a rim of 382 mm"}))
    notes.take(Note(0.0, "mark", {"crank_deg": 201.5, "what": "as notes were"}))
    found = [chosen({"mark": n}, [], notes, PROFILE) for n in (0, 1)]
    assert found[0].uncertainty.u_deg == pytest.approx(0.173205, abs=1e-6)
    assert found[0].how == "the crank stood at flywheel T, read within 1 mm round a rim of 382 mm"
    assert found[1].uncertainty.u_deg == pytest.approx(0.577350, abs=1e-6)
    assert found[1].how == "the crank stood at as notes were"
    assert mark_words(notes.marks[0], STOP).endswith("read within 1 mm round a rim of 382 mm")
    # What is said afterwards stands for a note without anybody's word, not for one that has it.
    notes.take(Note(0.0, "mark", {"crank_deg": 201.5, "what": "enter alone", "within_deg": 1.0}))
    found = [mark_reference(mark, PROFILE.encoder, notes.rules, 0.5) for mark in notes.marks]
    assert [each.uncertainty.u_deg for each in found] == pytest.approx(
        [0.173205, 0.288675, 0.288675], abs=1e-6
    )


@given(st.integers(100, 8192), st.floats(0.1, 2.0))
def test_a_mark_covers_the_count_in_which_the_crank_stood(counts: int, within_deg: float) -> None:
    """Brute force: the mark is read anywhere within its limit, and the crank may be anywhere within
    the count that is shown. At 400 counts, four in ten were beyond the U of a limit of 0.3."""
    encoder = replace(PROFILE.encoder, counts_per_turn=counts)
    mark = EngineMark(201.5, 1, "flywheel T", within_deg)
    U_deg = mark_reference(mark, encoder).uncertainty.U_deg
    even = (np.arange(200) + 0.5) / 100.0 - 1.0
    off_deg = np.abs(within_deg * even[:, None] + encoder.count_deg / 2.0 * even)
    assert np.mean(off_deg <= U_deg) >= 0.95


def test_a_mark_keeps_its_place_on_the_disc_of_a_geared_encoder() -> None:
    """At half crank speed the disc is as it was after two turns of the crank, not after one."""
    encoder = replace(PROFILE.encoder, turns_per_crank_turn=Fraction(1, 2))
    geared = replace(PROFILE, encoder=encoder)
    notes = GaugeNotes(marks=[EngineMark(920.0, 1, "flywheel T")])
    found = chosen({"mark": 0}, [], notes, geared)
    assert found.tdc_deg == pytest.approx(200.0)
    assert found.forward_deg == pytest.approx((200.0,))
    notes = GaugeNotes(marks=[EngineMark(560.0, 1, "flywheel T")])
    assert chosen({"mark": 0}, [], notes, geared).forward_deg == pytest.approx((560.0,))


@pytest.mark.parametrize(
    "value",
    [{}, {"found": 1}, {"found": -1}, {"found": True}, {"mark": 0}, {"method": "by eye"},
     {"method": "gauge, fit", "cylinder": 4}],
)  # fmt: skip
def test_what_was_never_found_is_refused(value: dict[str, object]) -> None:
    with pytest.raises(InputError):
        chosen(value, [STOP], points(), PROFILE)

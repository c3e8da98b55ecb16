"""A propeller geared 9 to 16, the encoder on it: two captures of one job, and a power cut."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from made_job import BEGAN, MadeJob, certificate_in, refused, rig

from rig.base.errors import InputError
from rig.guide.advice import guidance
from rig.guide.state import stroke_state
from rig.live.view import view_of
from rig.signal.events import Reason
from rig.tdc.gauge_points import gauge_note

UNIT = "first"
FIRST = ("turn 700 at 150",)  # an index comes once in 640 degrees of crank


def readings_off(made: MadeJob, answer: dict[str, object]) -> list[float]:
    """By how much the counted readings of the unit miss the truth, an impulse lag included."""
    truth = made.rig.truth()["units"]["1"]
    true = sum(truth["btdc"]) / len(truth["btdc"])
    listed = answer["readings"]
    assert isinstance(listed, list)
    own = [r for r in listed if r["unit"] == UNIT and r["valid"]]
    return [abs(r["btdc_deg"] + (truth["lag_deg"] or 0.0) - true) for r in own]


def test_another_capture_waits_for_a_rough_word_and_then_reads_the_truth(tmp_path: Path) -> None:
    first = MadeJob(tmp_path / "job", 5, example="geared_propeller").do(*FIRST).find_tdc().end()
    assert first.live.session.reference is not None
    second = MadeJob(
        tmp_path / "job", 5, began=BEGAN + timedelta(hours=1), hidden=first.rig.hidden
    )  # fmt: skip
    second.do("turn 930 at 150", "turn 1500 at 110")
    assert second.live.session.here is None
    assert second.live.session.assessments() == []
    view = view_of(second.live, guidance(second.live), None)
    assert view.crank.btdc_deg is None
    assert "the index has 9 places on the crank, 40° apart" in view.crank.why_no_angle
    assert not view.reference.valid
    assert view.step == "stroke"
    with pytest.raises(InputError, match="no reading is valid yet"):
        second.save()
    second.do("goto 19.5 at 60")
    with pytest.raises(InputError, match="bring the piston nearer to TDC"):
        second.live.enter_firing_tdc()
    second.state_stroke().do("turn 1500 at 110").end()

    ran = rig("results", tmp_path / "job", "--json")
    off = readings_off(second, ran.answer)
    assert len(off) > 10
    assert max(off) < 1.0  # readings of an engaged impulse coupling scatter
    whole = rig("results", tmp_path / "job", first.capture, second.capture, "--json")
    assert len(readings_off(second, whole.answer)) >= len(off)
    assert rig("certify", tmp_path / "job", first.capture, second.capture, "--json").status < 2
    record = certificate_in(tmp_path / "job")
    assert rig("verify", record).status == 0
    drawn = rig("plot", "turn", tmp_path / "job", "--out", tmp_path / "t.svg", "--json")
    assert drawn.status == 0


def test_a_capture_whose_place_was_never_stated_certifies_nothing(tmp_path: Path) -> None:
    made = MadeJob(tmp_path / "job", 5, example="geared_propeller").do(*FIRST).find_tdc()
    made.end()
    later = MadeJob(
        tmp_path / "job", 5, began=BEGAN + timedelta(hours=1), hidden=made.rig.hidden
    )  # fmt: skip
    later.do("turn 930 at 150", "turn 1500 at 110").end()
    ran = rig("results", tmp_path / "job", "--json")
    assert ran.answer["judgements"] == []
    assert not any(r["valid"] for r in ran.answer["readings"])
    assert all(r["btdc_deg"] is None for r in ran.answer["readings"])
    assert "40° apart (within 16° is near enough" in ran.err
    assert "no reading" in refused(2, "certify", tmp_path / "job")
    assert "9 places" in refused(2, "plot", "turn", tmp_path / "job", "--out", tmp_path / "t.svg")
    shown = rig("tdc", "show", tmp_path / "job")
    assert "The index of the geared encoder comes at 9 places of the crank, 40° apart" in shown.out
    assert rig("tdc", "show", tmp_path / "job", "--json").answer["index_places"] == 9
    read = rig("read", later.capture, "--job", tmp_path / "job", "--json")
    assert {one["btdc_deg"] for one in read.answer["openings"]} == {None}
    assert "give --tdc-deg" in read.err


def test_dead_centre_by_gauge_holds_in_the_life_of_the_rig_that_it_is_of(tmp_path: Path) -> None:
    made = MadeJob(tmp_path / "job", 5, example="geared_propeller").do(*FIRST)
    for way, go in ((1, "goto {} at 20"), (-1, "goto -{} back at 20")):
        made.do(f"goto {45 * way} at 60")
        for at in (32, 26, 20, 14):
            made.do(go.format(at), "gauge")
            drop_mm = float(made.rig.reply["travel_mm"])
            made.live.annotate("gauge", gauge_note(drop_mm, made.top_deg(), direction=way))
    made.do("turn 1500 at 110", "fault reset in 1", "turn 1500 at 110").end()
    assert rig("tdc", "gauge", made.folder, made.capture, "--use").status == 0
    answer = rig("results", made.folder, "--json").answer
    off = readings_off(made, answer)
    assert len(off) > 5
    assert max(off) < 1.0
    counted = [r["t_s"] for r in answer["readings"] if r["valid"]]
    assert max(counted) < made.rig.now_s - 10.0  # after the power cut nothing holds
    late = [r for r in answer["readings"] if r["t_s"] > max(counted) + 3.0]
    assert Reason.INDEX_PLACE in {r["reason"] for r in late}


def test_on_a_two_stroke_the_same_statement_settles_the_place(tmp_path: Path) -> None:
    """It fires at every top, so that otherwise nothing would be asked for."""
    made = MadeJob(
        tmp_path / "job", 5, example="two_stroke_single",
        edit=lambda text: text.replace("[encoder]", '[encoder]\nturns_per_crank_turn = "3/2"'),
    )  # fmt: skip
    made.find_tdc().do("turn 800 at 110")
    assert stroke_state(made.live) == "not needed"
    made.do("fault reset in 1", "turn 1100 at 110")
    assert stroke_state(made.live) == "lost"
    assert view_of(made.live, guidance(made.live), None).step == "stroke"
    before = [r for r in made.live.session.readings() if r.valid]
    made.do("goto 12 at 60")  # a third of a turn lies between its places: roughly will do
    made.live.enter_firing_tdc()
    assert stroke_state(made.live) == "not needed"
    made.do("turn 1100 at 110").end()
    after = [r for r in made.live.session.readings() if r.valid]
    assert len(after) >= len(before) + 5
    truth = made.rig.truth()["units"]["1"]["btdc"]
    assert all(abs((r.btdc_deg or 0.0) - truth[0]) < 0.5 for r in after)
    assert rig("results", made.folder).status < 2

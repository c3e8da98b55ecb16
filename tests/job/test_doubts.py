"""A rig that is wired, set or mounted wrongly: said with the figures and on the certificate."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from made_job import MadeJob, Ran, certificate_in, finished, refused, rig

from rig.check.procedure import CheckRig
from rig.signal.events import Reason, Rejection
from rig.virtual.board import BoardSpec
from rig.virtual.ground_truth import GroundTruth, draw
from rig.virtual.rig import demo_profile
from rig.words.assessments import in_groups
from rig.words.diagnostics import diagnostic_words

PROFILE = demo_profile()
TWO = BoardSpec(4096, 2)


def hidden(**encoder: Any) -> GroundTruth:
    drawn = draw(PROFILE, 7)
    return replace(drawn, encoder=replace(drawn.encoder, **encoder))


def swap(old: str, new: str) -> Callable[[str], str]:
    return lambda text: text.replace(old, new)


def live_says(made: MadeJob) -> list[str]:
    return [diagnostic_words(doubt) for doubt in made.live.session.doubts(over=True)]


def said(made: MadeJob, status: int) -> tuple[str, Ran]:
    """What figures say of a job: units in groups, as on the panel, and what was said live."""
    live = live_says(made)
    moved = in_groups(made.live.session.assessments())
    ran = rig("results", made.end().folder, "--json")
    assert ran.status == status, ran
    assert ran.answer["said"] == [*moved, *(f"{made.capture}: {words}" for words in live)]
    for text in ran.answer["said"]:
        assert f"rig results: {text}\n" in ran.err
    return "\n".join([*moved, *live]), ran


def counted(ran: Ran, unit: str = "") -> int:
    return sum(r["valid"] and unit in ("", r["unit"]) for r in ran.answer["readings"])


def test_a_sound_job_raises_no_doubt() -> None:
    assert finished().live.session.doubts() == []
    ran = rig("results", finished().folder, "--json")
    assert (ran.answer["said"], ran.err) == ([], "")
    record = json.loads(certificate_in(finished().folder).read_bytes())
    assert record["deviations"] == []


# -- counts and index -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("stated", "real", "cause"),
    [
        (4096, 2400, "it is an encoder of 600 lines: enter 2400 counts"),
        (1024, 4096, "the lines were entered; a line has four counts: enter 4096"),
        (4096, 1024, "the entered figure was multiplied by four twice"),
    ],
)
def test_counts_a_turn_that_disagree_with_the_index(
    tmp_path: Path, stated: int, real: int, cause: str
) -> None:
    made = MadeJob(
        tmp_path / "job",
        edit=swap("counts_per_turn = 4096", f"counts_per_turn = {stated} # stated"),
        hidden=hidden(counts=real),
        board=BoardSpec(stated, 2),
    ).do("turn 1450 at 110")
    words, ran = said(made, 1)
    assert f"{real} counts from index to index, {stated} entered: all angles would be" in words
    assert cause in words
    assert len(ran.answer["readings"]) >= 14
    assert counted(ran) == 0
    assert {r["why"] for r in ran.answer["readings"]} != {""}
    read = rig("read", made.capture)
    assert f"{real} counts from index to index, {stated} entered" in read.err


def test_a_rig_that_misstates_its_counts_is_told_and_the_index_decides(tmp_path: Path) -> None:
    made = MadeJob(tmp_path / "job", board=BoardSpec(2400, 2)).do("turn 90 at 110")
    assert any(
        "the rig reports 2400 counts a turn, the engine file 4096" in s for s in live_says(made)
    )
    words, ran = said(made.do("turn 1450 at 110"), 0)
    assert "the rig reports 2400 counts a turn; the index confirms 4096, as entered" in words
    assert ran.answer["judgements"] == []  # top dead centre was not looked for
    assert len(ran.answer["readings"]) >= 14


def test_counts_lost_in_silence_take_the_readings_since_the_last_index_with_them(
    tmp_path: Path,
) -> None:
    """The encoder misses 120 counts, 10.5 degrees; nothing shows it until the index comes."""
    made = MadeJob(tmp_path / "job").find_tdc().state_stroke().do("turn 720 at 110")
    index = [event["t"] for event in made.rig.truth()["index"]]
    made.do("fault counts 30", "turn 300 at 110")
    at_s = made.rig.now_s
    made.do("turn 1900 at 110")
    words, ran = said(made, 0)
    assert "the index came " in words
    assert "at another count than expected: counts were lost" in words
    doubted = [r for r in ran.answer["readings"] if "the index then came" in r["why"]]
    assert doubted
    assert all(index[-1] < r["t_s"] < at_s + 4.0 for r in doubted)
    after = [r for r in ran.answer["readings"] if r["valid"] and r["t_s"] > at_s + 7.0]
    assert len(after) >= 8
    unconfirmed = [r for r in ran.answer["readings"] if "lost elsewhere" in r["why"]]
    last_s = made.rig.truth()["index"][-1]["t"]
    assert any(r["t_s"] > last_s for r in unconfirmed)
    assert not any(r["valid"] and r["t_s"] > last_s for r in ran.answer["readings"])
    truth = made.rig.truth()
    for r in (r for r in ran.answer["readings"] if r["valid"]):
        opened = truth["units"]["1" if r["unit"] == "upper" else "2"]["openings"]
        true = min(opened, key=lambda o: abs(o["t"] - r["t_s"]))
        true_btdc = (truth["tdc_deg_after_index"] - true["crank_deg"]) % 180.0  # any cylinder's
        assert r["btdc_deg"] == pytest.approx(true_btdc, abs=0.2)


def test_an_index_that_comes_twice_a_turn_lets_nothing_count(tmp_path: Path) -> None:
    made = MadeJob(tmp_path / "job").do("fault index double", "turn 2200 at 110")
    words, ran = said(made, 0)
    assert "the index came " in words
    assert sum(opening.valid for opening in made.live.session.openings) > 0  # when met
    assert counted(ran) == 0


def test_an_index_that_never_comes(tmp_path: Path) -> None:
    made = MadeJob(tmp_path / "job").do("fault index none", "turn 1450 at 110").end()
    ran = rig("results", made.folder, "--json")
    assert counted(ran) == 0
    assert {r["why"] for r in ran.answer["readings"]} == {"the index never passed"}
    read = rig("read", made.capture, "--tdc-deg", "10", "--json")
    assert read.status == 0
    assert "the index never passed: angles are not known" in read.err
    assert all(o["crank_deg"] is None and not o["valid"] for o in read.answer["openings"])


def test_a_jump_of_the_encoder_is_said_and_nothing_counts_until_the_index(tmp_path: Path) -> None:
    made = MadeJob(tmp_path / "job").find_tdc().do("turn 700 at 90", "goto 80 at 90")
    made.do("fault illegal 3", "turn 46 at 60")
    assert any(s.startswith("angles are not valid: the encoder jumped") for s in live_says(made))
    made.do("set upper", "rest 0.5")
    last = made.live.session.readings()[-1]
    assert (last.valid, last.kind) == (False, "turned")  # not even as a set reading
    assert last.rejection == Rejection(Reason.ENCODER_JUMPED)
    words, _ = said(made.do("turn 800 at 100"), 1)
    assert "upper, full advance, as found: no mean, it moved: " in words  # it was set, unsaid
    assert "the encoder jumped 3 times: check its plug and its disc" in words
    assert "angles are not valid" not in words


# -- contact inputs ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("way", "question"),
    [
        ("closed", "it stays closed: is it still earthed (switch at OFF), or its lead on another"),
        ("open", "it stays open: is its lead on, and on this input?"),
    ],
)
def test_a_contact_input_that_never_changes(tmp_path: Path, way: str, question: str) -> None:
    made = MadeJob(tmp_path / "job").do(f"fault stuck upper {way}").find_tdc()
    made.do("turn 360 at 110")
    assert live_says(made) == []  # too few turns to say
    words, ran = said(made.do("turn 1450 at 110"), 1)
    assert "upper: contact input 1 has n" in words
    assert "turns of the crank; " + question in words
    assert counted(ran, "upper") == 0
    assert counted(ran, "lower") >= 10
    certified = rig("certify", made.folder, "--json")
    assert certified.status == 1
    record = json.loads(Path(certified.answer["certificate"]).read_bytes())
    assert any(question in text for text in record["deviations"])
    assert question.partition(",")[0] in Path(certified.answer["page"]).read_text("utf-8")


def test_a_contact_that_works_again_is_forgiven(tmp_path: Path) -> None:
    made = MadeJob(tmp_path / "job").do("switch off", "turn 1450 at 110")
    assert len(live_says(made)) == 2
    made.do("switch on", "turn 400 at 110")
    assert live_says(made) == []


def test_a_unit_at_half_speed_is_given_twice_the_turns(tmp_path: Path) -> None:
    half = swap("turns_per_crank_turn = 1\nlobes = 2", 'turns_per_crank_turn = "1/2"\nlobes = 4')
    made = MadeJob(tmp_path / "job", edit=half).do("fault stuck upper closed", "turn 1300 at 200")
    assert live_says(made) == []
    (words,) = live_says(made.do("turn 500 at 200"))
    assert "upper: contact input 1 has never opened in 4 turns of the crank" in words


def test_contacts_that_part_while_the_crank_stands(tmp_path: Path) -> None:
    made = MadeJob(tmp_path / "job").find_tdc().do("turn 60 at 90", "rest 1")
    for _ in range(3):
        made.do("fault stuck upper open", "rest 0.5", "fault free upper", "rest 0.5")
    words, ran = said(made, 0)
    assert (
        "upper: contact input 1 opened 3 times while the crank was still:"
        " the unit was moved by hand, or its lead is loose"
    ) in words
    record = json.loads(
        Path(rig("certify", made.folder, "--json").answer["certificate"]).read_bytes()
    )
    assert any("opened 3 times while the crank was still" in t for t in record["deviations"])
    turned = [r for r in ran.answer["readings"] if r["kind"] == "turned" and r["valid"]]
    assert all(r["t_s"] < made.rig.now_s - 3.0 for r in turned)


def opened_by_hand(made: MadeJob) -> MadeJob:
    return made.do("fault stuck upper open", "rest 0.5", "fault free upper", "rest 0.5")


STILL = "upper: contact input 1 opened once while the crank was still"


def test_contacts_opened_by_hand_because_the_rig_check_asks_for_it(tmp_path: Path) -> None:
    made = MadeJob(tmp_path / "job").find_tdc().do("turn 60 at 90", "rest 1")
    made.live.annotate("rig-check", {"step": "by hand", "unit": "upper"})
    opened_by_hand(made)
    made.live.annotate("rig-check", {"step": "done"})
    made.do("rest 1")
    assert not any(STILL in words for words in live_says(made))
    assert not any(STILL in words for words in said(made, 0)[0].splitlines())


def test_contacts_of_another_unit_than_the_rig_check_asks_for(tmp_path: Path) -> None:
    made = MadeJob(tmp_path / "job").find_tdc().do("turn 60 at 90", "rest 1")
    made.live.annotate("rig-check", {"step": "by hand", "unit": "lower"})
    opened_by_hand(made)
    made.live.annotate("rig-check", {"step": "done"})
    assert any(STILL in words for words in live_says(made))


def test_nothing_is_said_of_what_the_program_asked_for(tmp_path: Path) -> None:
    """The guided rig check with a switch for each unit, contacts that stand open as a switch is
    turned or a lead comes off, more turns at OFF than were asked for; then gap, lever, setting."""
    made = MadeJob(tmp_path / "job").find_tdc()
    check, inputs = CheckRig(made.live), {unit.name: unit.input for unit in PROFILE.units}

    def stand(unit: str, *, is_open: bool) -> None:
        while made.live.session.contact_open(inputs[unit]) is not is_open:
            made.do("turn 10 at 60", "rest 0.5")

    while (step := check.step) is not None:
        if step.kind in ("switch off", "switch on"):
            if step.kind == "switch off":
                stand(step.unit, is_open=True)
            made.do(f"{step.kind} {step.unit}", "rest 1")
            check.begin()
            made.do("turn 1260 at 200", "rest 1")
        elif step.kind == "turn":
            stand("upper", is_open=True)
            made.do("switch off upper", "rest 1", "switch on upper", "rest 1")
            check.begin()
            made.do("rest 3", "turn 1300 at 200", "rest 1")
        else:
            stand(step.unit, is_open=False)
            check.begin()
            made.do(f"finger {step.unit}")
        check.end()
        assert live_says(made) == [], step
    stand("upper", is_open=False)
    opened_by_hand(made)
    made.live.annotate("said", {"step": "gap"})
    made.state_stroke().do("turn 800 at 200", "rest 1")
    stand("upper", is_open=False)
    opened_by_hand(made)
    made.next_setting("upper")
    made.do("lever full retard", "turn 400 at 200")
    assert live_says(made) == []
    ran = rig("results", made.end().folder, "--json")
    assert (ran.answer["said"], ran.err) == ([], "")
    assert counted(ran) > 8


def test_contacts_that_open_at_rest_later_than_the_switch_was_proved_are_said(
    tmp_path: Path,
) -> None:
    made = MadeJob(tmp_path / "job").find_tdc()
    made.live.annotate("rig-check", {"step": "switch off", "unit": "upper"})
    made.do("turn 400 at 200", "rest 1")
    made.live.annotate("rig-check", {"step": "done"})
    made.do("turn 420 at 200", "rest 1")
    while made.live.session.contact_open(1):
        made.do("turn 10 at 60", "rest 1")
    opened_by_hand(made)
    assert any(STILL in words for words in live_says(made))


@pytest.mark.parametrize("kind", ["moving", "moved", "setting", "setting first"])
def test_contacts_opened_by_a_move_that_is_noted(tmp_path: Path, kind: str) -> None:
    """The lever's key may be pressed before or after the lever is moved."""
    made = MadeJob(tmp_path / "job").find_tdc().do("turn 60 at 90", "rest 1")
    if kind == "moving":
        made.live.annotate("moving", {"unit": "upper"})
    if kind == "setting first":
        made.next_setting("upper")
    opened_by_hand(made)
    if kind == "setting":
        made.next_setting("upper")
    if kind == "moving":
        made.live.annotate("moving", {"unit": "upper", "end": True})
    if kind == "moved":
        at = [o for o in made.live.session.openings if o.direction == 0]
        made.live.annotate("moved", {"unit": "upper", "from_us": at[-1].t_us})
    made.do("turn 360 at 100")
    assert not any(STILL in words for words in live_says(made))
    opened_by_hand(made.do("rest 1.5"))
    assert any(STILL in words for words in live_says(made))


def test_both_contacts_wired_to_one_input(tmp_path: Path) -> None:
    """The input reads open only while both are open; the other input hangs in the air."""
    drawn = draw(PROFILE, 7)
    upper, lower = drawn.units
    wired = replace(drawn, units=(upper, replace(lower, input=1)))
    made = MadeJob(tmp_path / "job", hidden=wired, board=TWO).do("turn 1450 at 110")
    words, ran = said(made, 1)
    assert "lower: contact input 2 has never opened in 3 turns of the crank; " in words
    assert "its lead on another input?" in words
    assert counted(ran, "lower") == 0


def test_a_unit_on_an_input_that_the_rig_does_not_have(tmp_path: Path) -> None:
    made = MadeJob(tmp_path / "job", edit=swap("input = 2", "input = 5"), board=TWO)
    made.do("turn 1450 at 110")
    words, ran = said(made, 1)
    assert (
        "lower: contact input 5 is entered, but the rig has inputs 1 to 2;"
        " correct input in engine.toml"
    ) in words
    assert counted(ran, "lower") == 0
    assert len([r for r in ran.answer["readings"] if r["unit"] == "upper"]) >= 7  # nothing lost


# -- the line ---------------------------------------------------------------------------------


def test_another_protocol_version_is_said_and_nothing_is_judged(tmp_path: Path) -> None:
    made = MadeJob(tmp_path / "job", board=replace(TWO, protocol=2)).do("turn 800 at 110")
    words, ran = said(made, 1)
    assert words == (
        "the rig uses version 2 of the line format, this program 1:"
        " its readings are not used; update one of the two"
    )
    assert ran.answer["readings"] == []
    lines = made.capture.read_bytes().count(b"\nP ")
    assert lines > 100  # all is kept, for a program that understands it
    told = refused(2, "read", made.capture)
    assert "it has no position of a rig (protocol " in told
    assert "the rig uses version 2 of the line format, this program 1" in told


def test_a_rig_that_restarts_is_said(tmp_path: Path) -> None:
    made = MadeJob(tmp_path / "job").find_tdc().do("fault reset in 0.5", "turn 800 at 110")
    words, _ = said(made, 0)
    assert words == "the rig restarted once"


def test_garbage_alone_is_no_rig(tmp_path: Path) -> None:
    made = MadeJob(tmp_path / "job")
    assert made.live.session.doubts() == []  # it may still come
    made.hear(b"\xff\x00\x80 hum \n" * 50)
    words, ran = said(made, 1)
    assert words == (
        "no line from a rig: what came is not the line format (garbage 50);"
        " check port and baud rate"
    )
    assert ran.answer["readings"] == []

"""rig adjust: options, predictions kept in the job, and the next reading beside them."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from made_job import MadeJob, certificate_in, copied, finished, on_terminal, refused, rig
from wrong_job import BEFORE, MEANS, RECUT, wrong_job

from rig.adjust import plan, predictions
from rig.adjust.proposal_words import outcome_words
from rig.base.errors import InputError
from rig.job.folder import Job
from rig.signal.events import Reason
from rig.timing.values import ADJUSTING

AFTER = datetime(2090, 5, 1, 9, tzinfo=UTC)


def read_again(
    made: MadeJob, upper_deg: float, lower_deg: float = 0.0, began: datetime = AFTER
) -> MadeJob:
    """The same engine on another day, its units moved by so much against how they began."""
    later = MadeJob(made.folder, 5, began=began)
    later.do(f"move upper {upper_deg}", f"move lower {lower_deg}")
    return later.whole()


def shifts(option: dict[str, Any]) -> dict[str, float]:
    total: dict[str, float] = {}
    for step in option["steps"]:
        for unit, deg in step["shift_deg"].items():
            total[unit] = total.get(unit, 0.0) + deg
    return total


def test_options_are_ranked_and_add_up(tmp_path: Path) -> None:
    made = wrong_job(tmp_path)
    ran = rig("adjust", made.folder, "--json")
    assert ran.status == 0
    assert ran.answer["reached"]
    best = ran.answer["options"][0]
    assert best["inside"]
    for outcome in best["outcomes"]:
        moved = shifts(best).get(outcome["want"]["unit"], 0.0)
        assert outcome["predicted_btdc"] == pytest.approx(outcome["want"]["read_btdc"] + moved)
    # Turning the body against the shaft's rotation makes it earlier (geometry); this is too early.
    step = next(s for s in best["steps"] if s["part"] == "upper")
    assert step["shift_deg"]["upper"] < 0
    assert step["figures"]["way"] == "anticlockwise"
    assert "seen from its drive end" in step["words"]


def test_a_correction_that_was_made_is_confirmed(tmp_path: Path) -> None:
    made = wrong_job(tmp_path)
    taken = rig("adjust", made.folder, "--take", 1, "--json")
    assert taken.status == 0, taken.err
    option = taken.answer["options"][0]
    sheet = json.loads(Path(taken.answer["saved"]).read_text("utf-8"))
    assert sheet["kind"] == "prediction"
    assert sheet["predictions"] == option["predictions"]
    assert Path(taken.answer["saved"]).parent == made.folder / "predictions"
    moved = shifts(option)
    read_again(made, 2.0 + moved["upper"], moved.get("lower", 0.0))
    ran = rig("adjust", made.folder, "--confirm", "--json")
    assert ran.status == 0, ran.out
    verdicts = {c["verdict"] for c in ran.answer["confirmations"]}
    assert verdicts <= {"confirmed", "too small to tell"}
    assert "confirmed" in verdicts
    outcome = json.loads(Path(ran.answer["saved"]).read_text("utf-8"))
    assert outcome["prediction"] == Path(taken.answer["saved"]).name
    newest = predictions.newest(Job(made.folder))
    assert newest is not None
    assert newest.path == Path(taken.answer["saved"])  # the outcome is no prediction


def test_a_correction_made_the_wrong_way_round_is_recognised(tmp_path: Path) -> None:
    made = wrong_job(tmp_path)
    taken = rig("adjust", made.folder, "--take", 1, "--json").answer
    moved = shifts(taken["options"][0])
    read_again(made, 2.0 - moved["upper"], -moved.get("lower", 0.0))
    ran = rig("adjust", made.folder, "--confirm", "--json")
    assert ran.status == 1
    upper = [c for c in ran.answer["confirmations"] if c["prediction"]["unit"] == "upper"]
    assert {c["verdict"] for c in upper} == {"wrong way round"}
    assert "undo it" in upper[0]["words"]


def test_a_change_that_was_not_made_is_told(tmp_path: Path) -> None:
    made = wrong_job(tmp_path)
    rig("adjust", made.folder, "--take", 1)
    read_again(made, 2.0)
    ran = rig("adjust", made.folder, "--confirm", "--json")
    assert ran.status == 1
    upper = [c for c in ran.answer["confirmations"] if c["prediction"]["unit"] == "upper"]
    assert {c["verdict"] for c in upper} == {"not moved"}


LONG_AGO = datetime(1999, 5, 1, 9, tzinfo=UTC)


def test_the_order_of_sheets_and_readings_does_not_hang_on_the_clock(tmp_path: Path) -> None:
    """After each capture the computer's clock goes back by decades: what was read since a
    prediction is told from what was read before by what sheets and captures know of one another."""
    made = wrong_job(tmp_path)
    taken = rig("adjust", made.folder, "--take", 1, "--json").answer
    moved = shifts(taken["options"][0])
    upper, lower = 2.0 + moved["upper"], moved.get("lower", 0.0)
    read_again(made, upper + 1.5, lower, began=LONG_AGO)
    ran = rig("adjust", made.folder, "--confirm", "--json")
    assert ran.status == 1  # what was read since is 1.5 degrees off
    assert {c["verdict"] for c in ran.answer["confirmations"] if c["prediction"]["unit"] == "upper"
            } == {"not confirmed"}  # fmt: skip
    again = rig("adjust", made.folder, "--take", 1, "--json")
    assert again.status == 0, again.err
    first, second = (json.loads(Path(a["saved"]).read_text("utf-8"))
                     for a in (taken, again.answer))  # fmt: skip
    assert (first["number"], second["number"]) == (1, 2)
    assert second["after"]["file"] == Path(taken["saved"]).name
    assert "older than the last change" in refused(2, "adjust", made.folder)
    job = Job(made.folder)
    assert (sheet := predictions.newest(job)) is not None
    assert sheet.number == 2
    for path in (Path(taken["saved"]), Path(again.answer["saved"])):
        assert rig("verify", path).status == 0, rig("verify", path).out
    # Each prediction is set beside what was read between it and the next one.
    upper += shifts(again.answer["options"][0])["upper"] + 1.5
    read_again(made, upper, lower, began=LONG_AGO - timedelta(days=9000))
    assert rig("adjust", made.folder, "--confirm").status == 0
    earlier = rig("adjust", made.folder, *_captures(made), "--prediction", taken["saved"], "--json")
    verdicts = {c["verdict"] for c in earlier.answer["confirmations"]
                if c["prediction"]["unit"] == "upper"}  # fmt: skip
    assert verdicts == {"not confirmed"}
    for path in (Path(taken["saved"]), Path(again.answer["saved"])):
        assert rig("verify", path).status == 0, rig("verify", path).out  # also with later captures


def _captures(made: MadeJob) -> list[Path]:
    return sorted((made.folder / "captures").iterdir())


def test_of_several_moves_while_adjusting_the_last_place_counts(tmp_path: Path) -> None:
    """As found, moved, read, moved on, read: no mean spans the second move."""
    made = MadeJob(tmp_path / "job", 5, edit=lambda text: text + MEANS, began=BEFORE)
    made.find_tdc().state_stroke().do("turn 1450 at 110", "rest 1")
    for deg in (3.0, -4.0):
        made.do(f"move upper {deg}")
        made.live.annotate("moved", {"unit": "upper"})
        made.do("rest 1", "turn 1450 at 110", "rest 1")
    session = made.live.session
    own = [r for r in session.readings() if r.unit == "upper" and r.phase == ADJUSTING]
    again = [r for r in own if r.rejection and r.rejection.reason is Reason.MOVED_AGAIN]
    assert len(again) >= 6
    means = {
        phase: next(
            j.mean_btdc or 0.0 for j in session.assessments()
            if (j.unit, j.phase, j.kind, j.cylinder) == ("upper", phase, "turned", None)
        )
        for phase in ("as found", ADJUSTING)
    }  # fmt: skip
    assert means[ADJUSTING] - means["as found"] == pytest.approx(-1.0, abs=0.05)
    assert not any(r.rejection for r in session.readings() if r.unit == "lower" and r.btdc_deg)
    made.end()
    wants = rig("adjust", made.folder, "--json").answer["options"][0]["outcomes"]
    (read,) = [o["want"]["read_btdc"] for o in wants if o["want"]["unit"] == "upper"]
    assert read == pytest.approx(means[ADJUSTING])
    assert rig("certify", made.folder).status in (0, 1)
    assert rig("verify", certificate_in(made.folder)).status == 0


def test_confirm_says_when_tdc_has_moved(tmp_path: Path) -> None:
    """The encoder slips after the change: what was read since counts for nothing."""
    made = wrong_job(tmp_path)
    rig("adjust", made.folder, "--take", 1)
    later = MadeJob(made.folder, 5, began=AFTER).find_tdc(3).state_stroke()
    later.do("slip 3", "turn 1450 at 110")
    try:
        later.do("stop in")
    except InputError:  # the piston is in its way
        later.do("turn 180 at 120", "stop in")
    later.live.stop_in()
    for _ in range(3):
        later.do("touch forward at 120", "touch back at 120")
    later.do("turn 40 at 90", "stop out")
    later.live.stop_out()
    later.end()
    ran = rig("adjust", made.folder, "--confirm", "--json")
    assert ran.status == 1
    assert "TDC HAS MOVED by 3.0" in ran.err
    assert any("Find TDC again" in words for words in ran.answer["said"])


def test_two_tdcs_do_not_drop_out_of_what_is_compared(tmp_path: Path) -> None:
    """Another day's TDC has its own uncertainty; a shared one drops out (JCGM 100:2008, 5.1.2)."""
    made = wrong_job(tmp_path)
    taken = rig("adjust", made.folder, "--take", 1, "--json").answer
    moved = shifts(taken["options"][0])
    allowed = {}
    for own_tdc in (False, True):
        if own_tdc:
            (made.folder / "reference.json").unlink()
        later = MadeJob(made.folder, 5, began=AFTER + timedelta(days=own_tdc))
        later.do(f"move upper {2.0 + moved['upper']}", f"move lower {moved.get('lower', 0.0)}")
        if own_tdc:
            later.find_tdc()
        else:
            later.do("turn 400 at 200")
        later.state_stroke().do("turn 1450 at 110").end()
        ran = rig("adjust", made.folder, "--confirm", "--json")
        assert ran.status == 0, ran.out
        allowed[own_tdc] = ran.answer["confirmations"][0]["within_deg"]
    sheet = json.loads(Path(taken["saved"]).read_text("utf-8"))
    u_then = sheet["reference"]["uncertainty"]["u_deg"]
    # What a hand can set is in both: the rest is that of two TDCs.
    of_both = (allowed[True] ** 2 - allowed[False] ** 2) ** 0.5
    assert of_both == pytest.approx(2.0 * u_then * 2.0**0.5, rel=0.3)


def test_readings_older_than_the_change_are_refused(tmp_path: Path) -> None:
    made = wrong_job(tmp_path)
    assert "no prediction was saved" in refused(2, "adjust", made.folder, "--confirm")
    rig("adjust", made.folder, "--take", 1)
    assert "older than the last change" in refused(2, "adjust", made.folder, "--confirm")
    assert "older than the last change" in refused(2, "adjust", made.folder)
    assert rig("adjust", made.folder, "--change-not-made").status == 0


@pytest.mark.parametrize(("can_move", "upper_deg"), [(MEANS, 2.0), (RECUT, 24.0)])
def test_its_lines_fit_80_columns(tmp_path: Path, can_move: str, upper_deg: float) -> None:
    made = wrong_job(tmp_path, can_move, upper_deg)
    calls: list[tuple[str | int, ...]] = [("--all-options",), ("--take", 1)]
    rigs = [on_terminal("adjust", made.folder, *words) for words in calls]
    for ran in rigs[: 2 if can_move == MEANS else 1]:
        lines = [line for line in ran.out.splitlines() if "/" not in line]  # paths are not cut
        assert len(lines) > 8
        assert max(map(len, lines)) <= 80
    if can_move == MEANS:
        read_again(made, 0.0)
        ran = on_terminal("adjust", made.folder, "--confirm")
        assert max(map(len, ran.out.splitlines())) <= 80


def test_nothing_to_correct_is_said(tmp_path: Path) -> None:
    made = MadeJob(tmp_path / "job", 5, began=BEFORE, edit=lambda text: text + MEANS)
    off = {unit.name: 36.0 - unit.btdc_deg["full advance"] for unit in made.rig.hidden.units}
    made.do(*(f"move {name} {deg:.3f}" for name, deg in off.items())).whole()
    ran = rig("adjust", made.folder)
    assert ran.status == 0
    assert "nothing has to be moved" in ran.out
    assert "CANNOT be undone" not in ran.out


def test_a_slot_too_short_says_how_near_it_gets(tmp_path: Path) -> None:
    short = MEANS.replace("anticlockwise_mm = 5.0", "anticlockwise_mm = 0.5\nfile_mm = 0")
    made = wrong_job(tmp_path, short, upper_deg=4.0)
    ran = rig("adjust", made.folder, "--json")
    assert ran.status == 1
    assert not ran.answer["reached"]
    assert "brings upper inside: option 1 leaves" in ran.answer["words"]
    assert "beyond the early limit" in ran.answer["words"]
    # The slot is 0.5 mm at 45 mm: 0.5/45 rad = 0.636620 degrees (geometry).
    best = ran.answer["options"][0]
    assert shifts(best)["upper"] == pytest.approx(-0.636620, abs=1e-5)


def test_a_second_adjustment_knows_what_the_first_used_of_a_slot(tmp_path: Path) -> None:
    """0.5 mm of slot bring a unit back by 0.64 degrees: then it is at its end. It was offered once
    more."""
    short = MEANS.replace("anticlockwise_mm = 5.0", "anticlockwise_mm = 0.5\nfile_mm = 0")
    made = wrong_job(tmp_path, short, upper_deg=4.0)
    taken = rig("adjust", made.folder, "--take", 1, "--json")
    moved = shifts(taken.answer["options"][0])
    assert moved["upper"] == pytest.approx(-0.636620, abs=1e-5)
    read_again(made, 4.0 + moved["upper"], moved.get("lower", 0.0))
    again = rig("adjust", made.folder, "--json")
    assert not any(shifts(each).get("upper", 0.0) < -1e-9 for each in again.answer["options"])
    assert any("upper: after the adjustments so far" in each for each in again.answer["notes"])
    assert rig("verify", taken.answer["saved"]).status == 0
    # Of a change that was not made, nothing is used.
    other = rig("adjust", made.folder, "--change-not-made", "--json")
    assert shifts(other.answer["options"][0])["upper"] == pytest.approx(-0.636620, abs=1e-5)
    # The engine file brought up to date counts.
    text = made.job.engine_file.read_text("utf-8")
    text = text.replace("anticlockwise_mm = 0.5", "anticlockwise_mm = 0.3")
    made.job.engine_file.write_text(text, "utf-8")
    fresh = rig("adjust", made.folder, "--json")
    assert shifts(fresh.answer["options"][0])["upper"] == pytest.approx(-0.381972, abs=1e-5)
    assert not any("upper: after" in each for each in fresh.answer["notes"])


def test_no_means_at_all_is_refused() -> None:
    said = refused(2, "adjust", finished().folder)
    assert "names nothing that can be moved" in said
    assert "[adjustment]" in said


def test_gears_that_cannot_be_are_told_with_their_line(tmp_path: Path) -> None:
    job = copied(tmp_path)
    text = (job / "engine.toml").read_text("utf-8")

    def with_means(means: str) -> str:
        (job / "engine.toml").write_text(text + means, "utf-8")
        return refused(2, "adjust", job)

    mesh = (
        '\n[[adjustment.mesh]]\ndriver = "crank"\ndriver_teeth = {}\n'
        'driven = "{}"\ndriven_teeth = {}\n'
    )
    assert "driver_teeth" in with_means(mesh.format(0, "upper", 24))
    assert "does not end at a unit" in with_means(mesh.format(24, "idler", 37))
    assert "turns 'upper' 1/2 times" in with_means(mesh.format(24, "upper", 48))


def test_a_ratio_that_contradicts_lobes_and_cylinders_is_told(tmp_path: Path) -> None:
    job = copied(tmp_path)
    text = (job / "engine.toml").read_text("utf-8")
    (job / "engine.toml").write_text(
        text.replace(
            "turns_per_crank_turn = 1\nlobes = 2", "turns_per_crank_turn = 1\nlobes = 3", 1
        ),
        "utf-8",
    )
    said = refused(2, "adjust", job)
    assert "6 openings in a working cycle" in said
    assert "line" in said


def test_usage_that_makes_no_sense(tmp_path: Path) -> None:
    made = wrong_job(tmp_path)
    assert "there are options 1 to" in refused(2, "adjust", made.folder, "--take", 99)
    assert "cannot be read" in refused(
        2, "adjust", made.folder, "--prediction", tmp_path / "none.json"
    )
    other = tmp_path / "other.json"
    other.write_text('{"kind": "recipe"}', "utf-8")
    assert "is not a prediction" in refused(2, "adjust", made.folder, "--prediction", other)
    other.write_text('{"kind": "prediction", "version": 1, "made_utc": "2025-01-01"}', "utf-8")
    assert "no whole prediction" in refused(2, "adjust", made.folder, "--prediction", other)
    assert rig("verify", certificate_in(finished().folder)).status == 0  # nothing is disturbed


def test_what_cannot_be_undone_says_so(tmp_path: Path) -> None:
    means = MEANS.partition('[[adjustment.slot]]\nunit = "lower"')[0] + RECUT
    made = wrong_job(tmp_path, means)
    ran = rig("adjust", made.folder, "--all-options")
    assert "CANNOT be undone" in ran.out
    assert "straight across" in ran.out
    assert "licensed person decides" in ran.out


def test_after_a_change_noted_in_the_capture_only_what_was_read_since_counts(
    tmp_path: Path,
) -> None:
    """Without this the mean of before and after would be taken for how things stand now."""
    made = MadeJob(tmp_path / "job", 5, edit=lambda text: text + MEANS, began=BEFORE)
    made.do("move upper 3").find_tdc().state_stroke().do("turn 1450 at 110", "rest 2")
    made.do("move upper -1")
    made.live.annotate("change", {"words": "magneto turned back", "unit": "upper"})
    stale = made.capture.read_bytes()
    made.do("rest 2", "turn 1450 at 110").end()
    truth = made.rig.truth()["units"]["1"]
    wants = rig("adjust", made.folder, "--json").answer["options"][0]["outcomes"]
    read = [o["want"]["read_btdc"] for o in wants if o["want"]["unit"] == "upper"]
    opened = [o["crank_deg"] for o in truth["openings"] if o["t"] > made.rig.now_s - 13.0]
    top_deg = made.rig.truth()["firing_tdc_crank_deg"]
    true = sum((top_deg - deg + 90.0) % 180.0 - 90.0 for deg in opened) / len(opened)
    assert sum(read) / len(read) == pytest.approx(true, abs=0.15)
    # Cut off at the change: nothing was read since.
    made.capture.write_bytes(stale)
    said = refused(2, "adjust", made.folder)
    assert "the readings of upper are older than the last change (magneto turned back" in said


@pytest.mark.parametrize("clock_back", [timedelta(), timedelta(days=30000)])
def test_a_change_noted_in_a_later_capture_makes_an_earlier_one_old(
    tmp_path: Path, clock_back: timedelta
) -> None:
    """Whichever capture is asked for, and whatever the clock says: the note stands in the job."""
    made = wrong_job(tmp_path)
    first = made.capture
    assert rig("adjust", made.folder, first).status == 0
    later = MadeJob(made.folder, 5, began=AFTER - clock_back)
    later.do("turn 400 at 110")
    later.live.annotate("change", {"words": "slipped a mesh by a tooth", "unit": "upper"})
    later.live.annotate("change", {"words": "told by mistake", "unit": "lower"})
    later.live.annotate("change", {"back": True})
    later.do("rest 1").end()
    said = refused(2, "adjust", made.folder, first)
    assert "the readings of upper are older than the last change (slipped a mesh" in said
    assert f"in {later.capture.name}" in said
    later.capture.write_bytes(b"# capture spoilt")  # says nothing any more
    assert rig("adjust", made.folder, first).status == 0


def test_both_ends_of_a_lever_are_brought_inside_together(tmp_path: Path) -> None:
    """A retard that may lie anywhere within ten degrees does not outweigh an advance of one."""
    made = MadeJob(tmp_path / "job", 5, edit=lambda text: text + MEANS, began=BEFORE)
    made.find_tdc().state_stroke().do("turn 1450 at 110", "lever full retard")
    made.next_setting("upper")
    made.do("turn 1450 at 110").end()
    ran = rig("adjust", made.folder, "--json")
    best = ran.answer["options"][0]
    upper = {
        o["want"]["setting"]: (o["want"]["read_btdc"], o["predicted_btdc"], o["verdict"])
        for o in best["outcomes"]
        if o["want"]["unit"] == "upper"
    }
    assert not 35.0 <= upper["full advance"][0] <= 37.0  # as this engine was found
    assert all(verdict == "inside" for _, _, verdict in upper.values())


def test_options_are_numbered_in_the_order_shown_and_cuts_come_last(tmp_path: Path) -> None:
    short = MEANS.replace("anticlockwise_mm = 5.0", "anticlockwise_mm = 0.5")
    made = wrong_job(tmp_path, short, upper_deg=4.0)
    out = rig("adjust", made.folder).out
    heads = [line for line in out.splitlines() if line.startswith("option ")]
    assert [int(head.split()[1].rstrip(":")) for head in heads] == list(range(1, len(heads) + 1))
    undone = ["CANNOT be undone" in head for head in heads]
    assert any(undone)
    assert undone == sorted(undone)
    assert "mm longer" in out
    answer = rig("adjust", made.folder, "--json").answer
    offered = [o for o in answer["options"] if o["offered"]]
    assert len(offered) == len(heads)
    assert [o["number"] for o in answer["options"]] == list(range(1, len(answer["options"]) + 1))
    assert f"option {len(offered)}: " in heads[-1]
    assert not offered[-1]["reversible"]
    taken = rig("adjust", made.folder, "--take", len(offered), "--json").answer
    sheet = json.loads(Path(taken["saved"]).read_text("utf-8"))
    assert any(step["kind"] == "file" for step in sheet["steps"])


def test_the_present_state_has_the_verdicts_of_rig_figures(tmp_path: Path) -> None:
    made = wrong_job(tmp_path)
    judged = {
        (j["unit"], j["setting"], j["cylinder"]): j["verdict"]
        for j in rig("results", made.folder, "--json").answer["judgements"]
        if j["kind"] == "turned"
    }
    options = rig("adjust", made.folder, "--json").answer["options"]
    present = next(o for o in options if not o["steps"])
    for outcome in present["outcomes"]:
        want = outcome["want"]
        told = judged[want["unit"], want["setting"], want["cylinder"]]
        same = {"early": "outside", "late": "outside", "inconclusive": "inconclusive"}
        assert same.get(outcome["verdict"], outcome["verdict"]) == told


def test_the_headline_never_calls_what_cannot_be_undone_nothing(tmp_path: Path) -> None:
    """No room to turn it, half a millimetre to file: nearer, for good, and not inside."""
    stuck = MEANS.replace("anticlockwise_mm = 5.0", "anticlockwise_mm = 0\nfile_mm = 0.5")
    made = wrong_job(tmp_path, stuck, upper_deg=4.0)
    ran = rig("adjust", made.folder, "--json")
    assert ran.status == 1
    assert "option 2 brings nearer, and CANNOT be undone" in ran.answer["words"]
    first, second = ran.answer["options"][:2]
    assert first["steps"] == []
    assert [step["kind"] for step in second["steps"]] == ["file"]
    # 0.5 mm at 45 mm: 0.636620 degrees (geometry).
    assert shifts(second)["upper"] == pytest.approx(-0.636620, abs=1e-5)
    out = rig("adjust", made.folder).out
    assert "filing the slots of upper brings it nearer" in out
    assert "read again after tightening" in out


def test_an_error_that_no_tooth_explains_is_told_with_its_size(tmp_path: Path) -> None:
    """A tooth of 24 is 15 degrees; the unit turns as the crank does."""
    mesh = (
        '\n[[adjustment.mesh]]\ndriver = "crank"\ndriver_teeth = 24\ndriven = "upper"\n'
        "driven_teeth = 24\n"
    )
    made = wrong_job(tmp_path, mesh, upper_deg=6.0)
    ran = rig("adjust", made.folder, "--json")
    (misfit,) = ran.answer["misfits"]
    now = next(o for o in ran.answer["options"] if not o["steps"])["outcomes"][0]
    assert misfit["error_deg"] == pytest.approx(now["error_deg"])
    assert misfit["nearest_deg"] == 15.0
    assert "a key or a re-made gear that is out by" in rig("adjust", made.folder).out


@pytest.mark.parametrize("error_deg", [360.12, 359.22, -359.22])
def test_a_unit_one_crank_turn_out_is_neither_early_nor_late(error_deg: float) -> None:
    want = plan.Want("upper", "fixed", 27.0 + error_deg, 27.0, 29.0, 25.0, 0.1)
    left = plan.Outcome(want, 0.0, want.read_btdc, error_deg, 0.1, plan.Outlook.EARLY)
    assert outcome_words(left) == "OUTSIDE, one crank turn out"

"""Once top dead centre has moved, nothing is judged by where it was."""

from __future__ import annotations

import re
import shutil
from datetime import timedelta
from pathlib import Path

import pytest
from made_job import BEGAN, MadeJob, certificate_in, refused, rig

from rig.base.errors import InputError
from rig.certificate import record
from rig.tdc.gauge_points import gauge_note
from rig.words.diagnostics import diagnostic_words

SLIP_DEG = 6
MOVED = re.compile(r"TDC HA[SD] MOVED by (5\.9\d*|6\.0\d*)° \(± 0\.\d+°\)")


def touch_again(made: MadeJob, times: int = 2) -> None:
    """The stop once more, as ``c`` has it: a check of the reference in use."""
    try:
        made.do("stop in")
    except InputError:  # the piston is in its way
        made.do("turn 180 at 150", "stop in")
    made.live.stop_in()
    for _ in range(times):
        made.do("touch forward at 150", "touch back at 150")
    made.do("turn 40 at 90", "stop out")
    made.live.stop_out()


def go_by_last(made: MadeJob) -> None:
    made.live.use({"found": len(made.live.session.references) - 1})


@pytest.fixture(scope="module")
def slipped(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The encoder slips while the units are read; the touch at the end shows it."""
    made = MadeJob(tmp_path_factory.mktemp("slipped") / "job").find_tdc().state_stroke()
    made.do("turn 800 at 150", f"slip {SLIP_DEG}", "turn 800 at 150")
    assert made.live.session.assessments()
    touch_again(made)
    session = made.live.session
    counted = [session.t_us(each) for each in session.readings() if each.valid]
    first, _ = session.tdcs.touches()
    assert all(t_us < first.at[1] for t_us in counted)  # on the way to the first touch
    assert session.here is None
    doubt = session.first_doubt()
    assert doubt is not None
    assert MOVED.search(diagnostic_words(doubt))
    made.end()
    made.save()
    return made.folder


@pytest.fixture(scope="module")
def found_anew(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """As before; then the new dead centre is selected, and the units are read again."""
    made = MadeJob(tmp_path_factory.mktemp("anew") / "job").find_tdc().state_stroke()
    made.do("turn 800 at 150", f"slip {SLIP_DEG}", "turn 400 at 150")
    touch_again(made)
    go_by_last(made)
    made.state_stroke().do("turn 1450 at 150").end()
    made.save()
    return made.folder


COMMANDS = ("results", "range", "adjust")


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_on_it_says_so_at_the_top(slipped: Path, command: str) -> None:
    ran = rig(command, slipped)
    assert ran.status != 0
    first = ran.err.splitlines()[0]
    assert MOVED.search(first)


def test_no_reading_is_judged_by_the_old_one(slipped: Path) -> None:
    ran = rig("results", slipped, "--json")
    assert ran.status == 1
    moved = [each for each in ran.answer["readings"] if "TDC has moved by " in each["why"]]
    assert len(moved) > 10
    assert all(not each["valid"] and each["btdc_deg"] is None for each in moved)
    first = min(each["t_s"] for each in moved)
    assert all(each["t_s"] < first for each in ran.answer["readings"] if each["valid"])


def test_its_page_says_so_above_the_figures(slipped: Path) -> None:
    file = certificate_in(slipped)
    page = file.with_suffix(".html").read_text("utf-8")
    assert page.index("TDC HAS MOVED") < page.index("mean ± U")
    assert rig("verify", file).status == 0


def test_a_touch_that_agrees_is_a_check_and_no_deviation(tmp_path: Path) -> None:
    made = MadeJob(tmp_path / "job").find_tdc().state_stroke().do("turn 800 at 150")
    touch_again(made)
    made.end()
    made.save()
    file = certificate_in(made.folder)
    kept = record.as_certificate(record.load(file))
    said = re.compile(r"TDC is where it was: shift \d\.\d+° with U 0\.0*[1-9]\d°")
    assert sum(said.fullmatch(each) is not None for each in kept.conditions) == 1
    assert not any("TDC" in each for each in kept.deviations)
    assert not re.search(r"within 0\.0*°|± 0\.0*°", file.with_suffix(".html").read_text("utf-8"))


@pytest.mark.parametrize("kind", ["readings", "signal"])
def test_every_plot_of_it_says_so(slipped: Path, tmp_path: Path, kind: str) -> None:
    ran = rig("plot", kind, slipped, "--out", tmp_path / f"{kind}.svg", "--json")
    assert MOVED.search(ran.err.splitlines()[0])
    assert ran.answer.get("btdc_deg") is None


def test_no_turn_is_drawn_by_the_old_one(slipped: Path, tmp_path: Path) -> None:
    assert MOVED.search(refused(2, "plot", "turn", slipped, "--out", tmp_path / "turn.svg"))


def test_openings_alone_get_no_angle_by_the_old_one(slipped: Path) -> None:
    (capture,) = (slipped / "captures").iterdir()
    ran = rig("read", capture, "--job", slipped, "--json")
    assert MOVED.search(ran.err.splitlines()[0])
    assert len(ran.answer["openings"]) > 10
    assert all(each["btdc_deg"] is None for each in ran.answer["openings"])
    entered = rig("read", capture, "--job", slipped, "--tdc-deg", "90", "--json")
    assert entered.answer["tdc_deg"] == 90.0


KEPT = "Only a session of their own keeps them: touch the piston stop again and end the session"


def test_an_encoder_mounted_anew_within_a_session_is_explained(found_anew: Path) -> None:
    """Readings before have no as-found figures: on the screen's doubts, in results, on the page."""
    assert KEPT in rig("results", found_anew).err.splitlines()[0]
    page = certificate_in(found_anew).with_suffix(".html").read_text("utf-8")
    assert page.index(KEPT) < page.index("mean ± U")
    answer = rig("results", found_anew, "--json").answer
    before = [r for r in answer["readings"] if "TDC has moved by " in r["why"]]
    assert len(before) > 5
    assert not any(r["valid"] for r in before)


def test_what_is_read_after_it_was_found_anew_counts(found_anew: Path) -> None:
    ran = rig("results", found_anew, "--json")
    assert MOVED.search(ran.err.splitlines()[0])
    counted = [each for each in ran.answer["readings"] if each["valid"]]
    assert counted
    first = min(each["t_s"] for each in counted)
    assert all(not each["valid"] for each in ran.answer["readings"] if each["t_s"] < first)
    truth = MadeJob(found_anew.parent / "same").rig.truth()  # the same seed
    for unit in truth["units"].values():
        means = unit["btdc_by_setting"]["full advance"]
        for each in ran.answer["judgements"]:
            if each["unit"] == unit["name"] and each["cylinder"] is None:
                off = each["mean_btdc"] - sum(means) / len(means)
                assert abs(off) < 0.5


def test_certificate_page_and_history_mark_the_point(found_anew: Path) -> None:
    file = certificate_in(found_anew)
    saved = record.as_certificate(record.load(file))
    (move,) = saved.tdc_moves
    assert abs(move.shift_deg) == pytest.approx(SLIP_DEG, abs=3 * move.U_deg)
    page = file.with_suffix(".html").read_text("utf-8")
    assert page.index("TDC HAD MOVED") < page.index("mean ± U")  # above the figures
    history = rig("trend", found_anew, "--json")
    assert any("TDC HAD MOVED" in each["words"] for each in history.answer["changes"])
    assert MOVED.search(rig("trend", found_anew).err)
    assert rig("verify", file).status == 0


@pytest.fixture
def mounted_anew(tmp_path: Path) -> tuple[Path, Path, Path]:
    """Two sessions, the encoder off in between. In the second the stop is touched before anything
    is read, and what it shows is selected."""
    first = MadeJob(tmp_path / "job").whole()
    second = MadeJob(tmp_path / "job", began=BEGAN + timedelta(days=1))
    second.do("turn 400 at 150", f"slip {SLIP_DEG}", "turn 400 at 150")
    touch_again(second)
    go_by_last(second)
    second.state_stroke().do("turn 1450 at 150").end()
    return tmp_path / "job", first.capture, second.capture


def test_an_encoder_mounted_anew_is_not_judged_by_the_other_session(
    mounted_anew: tuple[Path, Path, Path],
) -> None:
    job, first, second = mounted_anew
    both = rig("results", job, first, second, "--json")
    alone = rig("results", job, second, "--json")
    assert MOVED.search(both.err.splitlines()[0])
    assert both.status == 1
    assert both.answer["judgements"] == alone.answer["judgements"]  # the first one's do not count
    own = rig("results", job, first, "--json")
    assert own.status in (0, 1)
    assert own.answer["judgements"]
    assert "MOVED" not in own.err


def test_a_session_that_went_by_an_older_touch_is_doubted_once_a_later_one_disagrees(
    tmp_path: Path,
) -> None:
    """Three sessions: touched, read only, touched again elsewhere. When it moved, nobody knows."""
    MadeJob(tmp_path / "job").whole()
    between = MadeJob(tmp_path / "job", began=BEGAN + timedelta(days=1))
    between.do("turn 400 at 150").state_stroke().do("turn 1000 at 150").end()
    before = rig("results", tmp_path / "job", between.capture, "--json")
    assert before.answer["judgements"]
    assert "MOVED" not in before.err
    between.save()
    saved = certificate_in(tmp_path / "job")
    kept = shutil.copytree(saved.parent, tmp_path / "kept")
    last = MadeJob(tmp_path / "job", began=BEGAN + timedelta(days=2))
    last.do("turn 400 at 150", f"slip {SLIP_DEG}", "turn 400 at 150")
    touch_again(last)
    go_by_last(last)
    last.end()
    after = rig("results", tmp_path / "job", between.capture, "--json")
    assert after.answer["judgements"] == []
    assert MOVED.search(after.err.splitlines()[0])
    assert "TDC HAS MOVED" in refused(2, "certify", tmp_path / "job", between.capture)
    # What was certified before anybody could know is still what its recordings give.
    assert rig("verify", kept / saved.name, "--job", tmp_path / "job").status == 0


def test_the_gauge_touched_once_more_shows_it_too(tmp_path: Path) -> None:
    """TDC by the dial gauge; the encoder slips while the units are read; the gauge at the end."""
    made = MadeJob(tmp_path / "job", 11).do("turn 700 at 150", "goto 40 at 120")
    for direction in (1, -1):
        for deg in (32, 26, 20, 14):
            made.do(f"goto {direction * deg}{'' if direction > 0 else ' back'} at 20")
            gauge_reading(made, direction)
        made.do("goto -45 at 60")
    made.live.use({"method": "gauge, fit", "cylinder": 1})
    found_s = made.rig.now_s
    made.state_stroke().do("turn 800 at 150", f"slip {SLIP_DEG}", "turn 800 at 150")
    made.do("goto 25 at 60", "goto 20 at 20")
    gauge_reading(made, 1, again=True)
    made.do("goto -30 at 60", "goto -20 back at 20")
    gauge_reading(made, -1, again=True)
    made.end()
    ran = rig("results", made.folder, made.capture, "--json")
    assert MOVED.search(ran.err.splitlines()[0])
    later = [each for each in ran.answer["readings"] if each["t_s"] > found_s]
    assert len(later) > 10
    assert not any(each["valid"] for each in later)  # when it slipped, nobody knows
    certified = rig("certify", made.folder, made.capture)
    assert MOVED.search(certified.err + certified.out)


def gauge_reading(made: MadeJob, direction: int, *, again: bool = False) -> None:
    made.do("gauge")
    drop_mm = float(made.rig.reply["travel_mm"])
    note = gauge_note(drop_mm, made.top_deg(), direction=direction, again=again)
    made.live.annotate("gauge", note)

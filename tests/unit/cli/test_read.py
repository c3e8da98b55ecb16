"""``rig read``: where do the contacts open in a recording, with a job and without one."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from made_job import MadeJob, copied, finished, refused, rig

from rig.signal.events import Reason
from rig.virtual.ground_truth import draw
from rig.virtual.rig import demo_profile, pin_recording

PINS = Path(__file__).parents[3] / "fixtures" / "pins"
CHATTER = PINS / "chatter.vcd"
WANTED = ("unit", "t_s", "crank_deg", "btdc_deg", "valid", "reason", "why")


def read(path: Path, *options: str | Path | float) -> dict[str, Any]:
    ran = rig("read", path, *options, "--json")
    assert ran.status == 0, ran.err
    return ran.answer


def test_one_command_answers_where_it_opens() -> None:
    answer = read(CHATTER, "--counts-per-turn", 4096, "--tdc-deg", 161.9)
    assert answer["tdc_deg"] == 161.9
    assert answer["counts_per_turn"] == 4096
    for opening in answer["openings"]:
        assert [type(opening[name]) for name in WANTED] == [
            str, float, float, float, bool, str, str,
        ]  # fmt: skip
        assert opening["unit"] in ("contact1", "contact2")
        assert -180.0 < opening["btdc_deg"] <= 180.0
        wrapped = (161.9 - opening["crank_deg"] - opening["btdc_deg"]) % 360.0
        assert wrapped == pytest.approx(0.0, abs=1e-9) or wrapped == pytest.approx(360.0)
        assert opening["valid"] == (opening["reason"] == "") == (opening["why"] == "")
        assert opening["reason"] in ("", *Reason)


def test_crank_degrees_are_a_whole_number_of_turns_at_the_index() -> None:
    truth = json.loads((PINS / "chatter.json").read_bytes())
    answer = read(CHATTER, "--counts-per-turn", 4096, "--tdc-deg", truth["tdc_deg_after_index"])
    for unit, wanted in truth["units"].items():
        found = [o for o in answer["openings"] if o["unit"] == f"contact{unit}"]
        turns = {
            round((one["crank_deg"] - true["crank_deg"]) / 360.0, 3)
            for one, true in zip(found, wanted["openings"], strict=True)
        }
        assert len(turns) == 1
        assert turns.pop() % 1.0 == pytest.approx(0.0, abs=0.001)


def test_without_a_dead_centre_there_is_no_btdc() -> None:
    answer = read(CHATTER, "--counts-per-turn", 4096)
    assert answer["tdc_deg"] is None
    assert {opening["btdc_deg"] for opening in answer["openings"]} == {None}
    assert all(opening["crank_deg"] is not None for opening in answer["openings"])


def test_a_job_gives_what_is_not_said(tmp_path: Path) -> None:
    job = copied(tmp_path)
    reference = json.loads((job / "reference.json").read_bytes())["current"]
    capture = finished().capture
    said = read(capture, "--counts-per-turn", 4096, "--tdc-deg", reference["tdc_deg"])
    for with_job, without in zip(
        read(capture, "--job", job)["openings"], said["openings"], strict=True
    ):
        # The job states the encoder's graduation error, and smaller widths are left in.
        assert with_job["crank_deg"] == pytest.approx(without["crank_deg"], abs=0.02)
    engine = job / "engine.toml"
    lines = engine.read_text("utf-8").splitlines(keepends=True)
    engine.write_text("".join(li for li in lines if "graduation_error_deg" not in li), "utf-8")
    assert read(capture, "--job", job) == said
    pins = read(CHATTER, "--job", job)
    assert pins == read(CHATTER, "--counts-per-turn", 4096, "--tdc-deg", reference["tdc_deg"])
    other = read(CHATTER, "--job", job, "--tdc-deg", 10)
    assert other["tdc_deg"] == 10.0
    (job / "reference.json").unlink()
    assert read(capture, "--job", job)["tdc_deg"] == reference["tdc_deg"]  # its own touches
    assert read(CHATTER, "--job", job)["tdc_deg"] is None
    said_so = refused(2, "read", capture, "--job", tmp_path / "none")
    assert f"{tmp_path / 'none'}: there is no such job folder" in said_so


def test_a_capture_says_itself_how_many_counts_make_a_turn() -> None:
    answer = read(finished().capture, "--tdc-deg", 277.25)
    assert answer["counts_per_turn"] == 4096
    assert answer["kind"] == "capture"
    assert len(answer["openings"]) >= 20


def test_a_capture_and_the_pins_of_the_same_turning_read_alike(tmp_path: Path) -> None:
    """The same crank, once by way of the line format and once by its pins."""
    profile, plan = demo_profile(), ["turn 1100 at 110"]
    path = tmp_path / "pins.vcd"
    with path.open("w", encoding="ascii") as file:
        pin_recording(plan, profile, file, 7)
    made = MadeJob(tmp_path / "job").do(*plan, "rest 0.5").end()
    from_pins = read(path, "--counts-per-turn", 4096, "--tdc-deg", 277)["openings"]
    from_lines = read(made.capture, "--tdc-deg", 277)["openings"]
    assert len(from_pins) == len(from_lines) >= 10
    for pin, line in zip(from_pins, from_lines, strict=True):
        assert pin["unit"] == line["unit"]
        assert pin["crank_deg"] == pytest.approx(line["crank_deg"], abs=0.02)
        assert pin["valid"] == line["valid"]


def test_signals_of_other_names(tmp_path: Path) -> None:
    text = CHATTER.read_text("ascii").replace(" contact1 $end", " breaker_front $end")
    path = tmp_path / "other.vcd"
    path.write_text(text.replace(" a $end", " enc_a $end"), "ascii")
    options = ("--counts-per-turn", "4096", "--signal", "a=enc_a")
    named = read(path, *options, "--signal", "contact1=breaker_front")
    assert named["openings"] == read(CHATTER, "--counts-per-turn", 4096)["openings"]
    left_out = read(path, *options)
    assert {opening["unit"] for opening in left_out["openings"]} == {"contact2"}


def swapped(text: str) -> str:
    return text.replace(" a $end", " x $end").replace(" b $end", " a $end").replace(" x $", " b $")


def test_an_encoder_that_counts_down_forward(tmp_path: Path) -> None:
    """With A and B exchanged and the direction said, every opening is the same again."""
    path = tmp_path / "down.vcd"
    path.write_text(swapped(CHATTER.read_text("ascii")), "ascii")
    plain = read(CHATTER, "--counts-per-turn", 4096)["openings"]
    down = read(path, "--counts-per-turn", 4096, "--direction", "-1")["openings"]
    assert [o["t_s"] for o in down] == [o["t_s"] for o in plain]
    for one, other in zip(down, plain, strict=True):
        assert one["crank_deg"] == pytest.approx(other["crank_deg"], abs=0.05)
    backwards = read(path, "--counts-per-turn", 4096)["openings"]
    assert not any(opening["valid"] for opening in backwards)


def test_contacts_that_read_0_when_open(tmp_path: Path) -> None:
    head, _, body = CHATTER.read_text("ascii").partition("$enddefinitions $end")
    code = next(line.split()[3] for line in head.splitlines() if line.endswith(" contact2 $end"))
    lines = [
        f"{1 - int(line[0])}{code}" if line in (f"0{code}", f"1{code}") else line
        for line in body.splitlines()
    ]
    path = tmp_path / "low.vcd"
    path.write_text(head + "$enddefinitions $end" + "\n".join(lines) + "\n", "ascii")
    plain = read(CHATTER, "--counts-per-turn", 4096)["openings"]
    low = read(path, "--counts-per-turn", 4096, "--open-level", "contact2=0")["openings"]
    assert low == plain
    wrong = read(path, "--counts-per-turn", 4096)["openings"]
    assert [o for o in wrong if o["unit"] == "contact2"] != [
        o for o in plain if o["unit"] == "contact2"
    ]


def test_the_run_up_can_be_set() -> None:
    every = read(finished().capture, "--approach-deg", 0)["openings"]
    strict = read(finished().capture, "--approach-deg", 300)["openings"]
    assert sum(o["valid"] for o in strict) < sum(o["valid"] for o in every)
    (why,) = {o["why"].partition(" of ")[0] for o in strict if "needed" in o["why"]}
    assert why == "approach"
    assert [o["t_s"] for o in strict] == [o["t_s"] for o in every]  # listed all the same


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (("--counts-per-turn", "0"), "counts_per_turn 0: enter 4 to 1000000"),
        (("--counts-per-turn", "-4096"), "counts_per_turn -4096: enter 4 to 1000000"),
        (("--counts-per-turn", "many"), "'many' is not a whole number"),
        (("--tdc-deg", "inf"), "is not a number"),
        (
            ("--approach-deg", "-1"),
            "approach_deg -1.0: enter a finite number, not below zero",
        ),
        (("--closed-end-ms", "nan"), "is not a number"),
        (("--open-level", "contact1=2"), "--open-level contact1=2: give an input and the level"),
        (("--open-level", "hat=1"), "open level hat=1: give an input and the level 0 or 1"),
        (("--direction", "2"), "invalid choice: "),
    ],
)
def test_options_that_cannot_be(options: tuple[str, ...], sentence: str) -> None:
    assert sentence in refused(2, "read", finished().capture, *options)


def test_plain_lines_say_the_same_as_the_figures() -> None:
    ran = rig("read", finished().capture, "--tdc-deg", 277.25)
    answer = read(finished().capture, "--tdc-deg", 277.25)
    lines = ran.out.splitlines()
    assert lines[0].split() == ["input", "time,", "s", "crank,", "°", "opens", "at", "valid"]
    units = {opening["unit"] for opening in answer["openings"]}
    rows = [line for line in lines[1:] if line.split()[0] in units]
    for opening, line in zip(answer["openings"], rows, strict=True):
        assert line.split()[0] == opening["unit"]
        assert f"{opening['t_s']:.6f}" in line
        assert f"{opening['crank_deg']:.4f}" in line
        side = "BTDC" if opening["btdc_deg"] >= 0 else "ATDC"
        assert f"{abs(opening['btdc_deg']):.3f}° {side}" in line
        assert ("yes" in line) == opening["valid"]
        assert f"      rejected: {opening['why']}" in lines or opening["valid"]
    count = sum(opening["valid"] for opening in answer["openings"])
    assert f"{len(answer['openings'])} openings, {count} of them valid" in ran.out


def test_passed_backwards_is_not_listed_and_a_turn_back_is_no_reading(tmp_path: Path) -> None:
    made = MadeJob(tmp_path / "job").do("turn 700 at 110", "back 400 at 110", "turn 30 at 60")
    made.do("turn 600 at 110").end()
    answer = read(made.capture)
    truth = made.rig.truth()["units"]
    true = sorted(o["t"] for unit in truth.values() for o in unit["openings"])
    first = true[0] - answer["openings"][0]["t_s"]  # the recording begins with a position record
    assert 0.0 <= first < 0.11
    assert [o["t_s"] + first for o in answer["openings"]] == pytest.approx(true, abs=1e-3)
    assert {o["why"].partition(" of ")[0] for o in answer["openings"]} <= {
        "", "approach", "turned back: backlash not taken up",
    }  # fmt: skip


@pytest.mark.parametrize("sort", ["clean", "usual", "dirty", "gaps"])
def test_noisy_contacts_neither_lose_nor_add_an_opening(tmp_path: Path, sort: str) -> None:
    profile = demo_profile()
    hidden = replace(draw(profile, 9, noise=sort), seed=9)
    made = MadeJob(tmp_path / "job", 9, hidden=hidden).do("turn 2500 at 110", "rest 0.5").end()
    answer = read(made.capture)
    truth = made.rig.truth()["units"]
    for number in ("1", "2"):
        found = [o["t_s"] for o in answer["openings"] if o["unit"] == f"contact{number}"]
        true = [o["t"] for o in truth[number]["openings"]]
        begins = true[0] - found[0]
        assert 0.0 <= begins < 0.11
        assert [t_s + begins for t_s in found] == pytest.approx(true, abs=3e-3)

"""A new job from a few answers, or from an example taken whole."""

from __future__ import annotations

import os
from collections.abc import Mapping
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.base.errors import InputError
from rig.engine.engine_file import engine_from_bytes, load_profile, profile_from_bytes
from rig.job.answers import BACK, Figure
from rig.job.new import example_names, job_text, write_example, write_job
from rig.job.questions import Interview, Question, checked, next_question, questions

ANSWERS = {
    "name": "Launch engine",
    "strokes": "4",
    "cylinders": "4",
    "firing_order": "1-2-4-3",
    "rotation": "anticlockwise",
    "counts_per_turn": "2400",
    "units": "upper, lower",
    "drive": "1",
    "unit_rotation": "clockwise",
    "advance": "lever",
    "figure": "36 1/2",
    "tolerance": "0.5",
    "source": 'manual "A", page 12',
}


def ask(key: str, answers: Mapping[str, str] | None = None) -> Question:
    return next(each for each in questions(answers) if each.key == key)


def test_a_job_from_answers(tmp_path: Path) -> None:
    path = write_job(tmp_path / "new" / "job", ANSWERS)
    assert path == tmp_path / "new" / "job" / "engine.toml"
    assert sorted(each.name for each in path.parent.iterdir()) == [
        "captures",
        "certificates",
        "engine.toml",
    ]
    profile = load_profile(path)
    assert profile.engine.name == "Launch engine"
    assert profile.engine.firing_order == (1, 2, 4, 3)
    assert profile.engine.rotation == "anticlockwise"
    assert [(unit.name, unit.input, unit.lobes) for unit in profile.units] == [
        ("upper", 1, 2),
        ("lower", 2, 2),
    ]
    window = profile.units[1].settings[0].window
    assert window is not None
    assert (window.earliest_btdc, window.nominal_btdc, window.latest_btdc) == (37.0, 36.5, 36.0)
    assert window.source == 'manual "A", page 12'
    assert (profile.synchronism[0].first, profile.synchronism[0].second) == ("upper", "lower")


def test_defaults_alone_make_a_job() -> None:
    profile = profile_from_bytes(job_text({}).encode())
    assert profile.units[0].settings[0].window is None


def test_questions_in_turn_take_their_defaults() -> None:
    answers: dict[str, str] = {}
    asked = []
    while (question := next_question(answers)) is not None:
        asked.append(question.key)
        answers[question.key] = question.check(question.default)
    assert "tolerance" not in asked  # without a figure
    assert asked == list(answers)
    assert checked(answers) == answers


def test_defaults_follow_the_answers() -> None:
    assert ask("firing_order", {"cylinders": "6"}).default == "1 5 3 6 2 4"
    assert ask("drive", {"strokes": "2"}).default == "1"
    assert ask("drive", {"strokes": "4"}).default == "1/2"


@pytest.mark.parametrize(
    ("key", "typed", "kept"),
    [
        ("strokes", " 2 ", "2"),
        ("firing_order", "1,3,4,2", "1 3 4 2"),
        ("rotation", "Anticlockwise", "anticlockwise"),
        ("units", " rear ", "rear"),
        ("units", "a,b , c", "a, b, c"),
        ("drive", "0.5", "1/2"),
        ("drive", "3/2", "3/2"),
        ("figure", "-4", "-4"),
        ("figure", " ", ""),
        ("figure", "1/3", "0.333333333"),
        ("figure", "28", "28"),
        ("figure", "28 deg", "28"),
        ("figure", "28°", "28"),
        ("figure", "28,5 degrees BTDC", "28.5"),
        ("figure", "4 ATDC", "-4"),
        ("figure", "4 deg after top dead centre", "-4"),
        ("figure", "8 mm travel", "8 mm travel"),
        ("figure", "8 mm of piston travel", "8 mm travel"),
        ("figure", "5/16 in travel before TDC", "5/16 in travel"),
        ("figure", '1 3/8" piston drop', "1_3/8 in travel"),
        ("figure", "110 mm rim", "110 mm tape"),
        ("figure", "110mm round the rim", "110 mm tape"),
        ("figure", "4 1/2 in rule across the rim after TDC", "-4_1/2 in rule"),
        ("ignition", "Coil", "coil"),
        ("ignition", "m, c", "magneto, coil"),
        ("advance", "lever, fixed", "lever, fixed"),
        ("coupling", "LOWER", "lower"),
        ("coupling", "all", "upper, lower"),
        ("coupling", "", "none"),
        ("adjustments", "gear, slot", "slot, gear"),
    ],
)
def test_answers_that_will_do(key: str, typed: str, kept: str) -> None:
    answers = {"cylinders": "6"} if typed == "3/2" else None
    assert ask(key, answers).check(typed) == kept
    assert ask(key, answers).check(kept) == kept


@pytest.mark.parametrize(
    ("key", "typed", "said"),
    [
        ("name", "  ", "is empty"),
        ("name", "a\x1b[2J", r"unprintable character \(U\+001B\)"),
        ("name", "x" * 41, "has 41 characters"),
        ("strokes", "3", "2 or 4, not '3'"),
        ("cylinders", "0", "from 1 to 36, not 0"),
        ("cylinders", "²", "a whole number"),
        ("cylinders", "9" * 5000, "a whole number"),
        ("firing_order", "1 3 4", "each of the 4 cylinders once"),
        ("firing_order", "1 3 4 4", "each of the 4 cylinders once"),
        ("counts_per_turn", "2401", "four times a number of lines"),
        ("units", "a, A", "different names"),
        ("units", "a, b, c, d, e", "one to 4"),
        ("units", "a,,b", "is empty"),
        ("drive", "1/0", "a number like 1.5 or a fraction"),
        ("drive", "3/4", "does not come out even"),
        ("units", "upper, none", "other names than"),
        ("figure", "nan", r"'nan': enter degrees \(28, 28°\), piston travel"),
        ("figure", "91", "degrees from -90 to 90, not '91'"),
        ("figure", "8 mm", "'8 mm' of what"),
        ("figure", "8 travel", "enter the length's unit"),
        ("figure", "-8 mm travel after", "a minus already means after"),
        ("figure", "0 mm travel", "a length above 0"),
        ("figure", "28 turns", "enter degrees"),
        ("figure", "28 28", "enter degrees"),
        ("ignition", "steam", "magneto or coil, not 'steam'"),
        ("ignition", "magneto, coil, coil", "one word for all, or 2"),
        ("advance", "", "fixed or lever or automatic"),
        ("coupling", "middle", "upper, lower, all or none; not 'middle'"),
        ("adjustments", "hammer", "slot, coupling, gear, all or none"),
    ],
)
def test_answers_that_will_not_do(key: str, typed: str, said: str) -> None:
    with pytest.raises(InputError, match=said):
        ask(key).check(typed)


def test_an_answer_to_no_question() -> None:
    with pytest.raises(InputError, match="'colour' is no question"):
        checked({"colour": "blue"})


FIGURED = {"figure": "36", "units": "upper", "advance": "lever", "drive": "1/2"}


@pytest.mark.parametrize(
    ("answers", "key", "typed", "said"),
    [
        (FIGURED, "tolerance", "0", "degrees from 0.01 to 30"),
        (FIGURED, "tolerance", "", "degrees from 0.01 to 30"),
        (FIGURED, "tolerance", "0.5 mm", "is a length, the figure an angle"),
        (FIGURED, "source", "", "is empty"),
        (FIGURED, "source", "x" * 301, "has 301 characters"),
        ({"figure": "120 mm travel"}, "stroke", "100", "more travel than that stroke"),
        ({"figure": "120 mm travel"}, "stroke", "wide", "a length in mm, or inches"),
        ({"figure": "8 mm travel", "stroke": "100"}, "rod", "40", "longer than the throw"),
        ({"figure": "110 mm rule"}, "rim_diameter", "100", "does not fit that rim"),
        ({"figure": "110 mm tape"}, "rim_diameter", "60", "does not fit that rim"),
        (
            {"adjustments": "gear", "drive": "1/2"},
            "gear_teeth",
            "24 24",
            "gears of 24 to 24",
        ),
        ({"adjustments": "coupling"}, "coupling_teeth", "19", "two whole numbers of teeth"),
        ({"adjustments": "slot"}, "slot_clockwise", "-1", "a length in mm"),
    ],
)
def test_answers_that_do_not_go_with_others(
    answers: Mapping[str, str], key: str, typed: str, said: str
) -> None:
    with pytest.raises(InputError, match=said):
        ask(key, answers).check(typed)


@pytest.mark.parametrize(
    ("answers", "key", "typed", "said"),
    [
        (FIGURED, "tolerance", "26", "26° either way is a wide window"),
        (FIGURED, "tolerance", "0.02", "narrower than most readings can decide"),
        (FIGURED, "figure", "80", "80° before top dead centre is unusual"),
        (FIGURED, "figure", "20 ATDC", "20° after top dead centre is unusual"),
        (FIGURED, "retard", "40", "Full retard is later than full advance, and this is not"),
        (FIGURED, "counts_per_turn", "100", "100 counts a turn is unusual"),
        ({"figure": "8 mm travel"}, "stroke", "8 in", ""),
        ({"figure": "8 mm travel"}, "stroke", "1000", "1000 mm of stroke is unusual"),
        ({"figure": "8 mm travel", "stroke": "100"}, "rod", "400", "is unusual with a stroke"),
        ({"adjustments": "slot", "slot_radius": "45"}, "slot_clockwise", "60", "76° of"),
        ({"adjustments": "coupling"}, "coupling_teeth", "19 19", "no finer step"),
        ({}, "adjustments", "slot", ""),
    ],
)
def test_an_unlikely_answer_is_asked_about(
    answers: Mapping[str, str], key: str, typed: str, said: str
) -> None:
    question = ask(key, answers)
    doubt = question.doubt(question.check(typed))
    assert (said in doubt) if said else not doubt


def test_a_tolerance_in_mm_is_queried_by_its_degrees() -> None:
    answers = {"figure": "1 mm travel", "stroke": "100", "rod": "190"}
    question = ask("tolerance", answers)
    assert "either way is a wide window" in question.doubt(question.check("0.9 mm"))
    assert question.doubt(question.check("0.1 mm")) == ""
    with pytest.raises(InputError, match="stroke"):
        question.check("99.5 mm")


def through(typed: Mapping[str, str]) -> Interview:
    """An interview in which every question that is named is answered as typed."""
    interview = Interview()
    while (question := interview.question) is not None:
        interview.take(typed.get(question.key, ""))
    return interview


def test_an_unlikely_answer_is_kept_only_after_a_yes() -> None:
    interview = Interview()
    while interview.question and interview.question.key != "tolerance":
        interview.take({"figure": "36"}.get(interview.question.key, ""))
    assert "wide window" in interview.take("26")
    assert interview.question is not None
    assert interview.question.key == "tolerance"
    assert interview.take("0.5") == ""  # another answer, in its place
    interview.take(BACK)
    assert interview.take("26") != ""
    assert interview.take("Yes") == ""
    assert interview.answers["tolerance"] == "26"
    interview.back()
    with pytest.raises(InputError):  # a yes that answers nothing
        interview.take("yes")


def test_a_step_back_at_any_time() -> None:
    interview = Interview()
    interview.take(BACK)  # at the first question there is none before it
    assert interview.question is not None
    assert interview.question.key == "name"
    interview.take("Pump")
    interview.take("2")
    interview.take(BACK)
    assert interview.question.key == "strokes"
    assert interview.default == "2"
    interview.take(BACK)
    assert interview.question.key == "name"
    assert interview.default == "Pump"
    interview.take("")
    interview.take("4")
    assert (interview.answers["name"], interview.answers["strokes"]) == ("Pump", "4")


def test_an_answer_from_before_a_step_back_is_offered_only_where_it_still_fits() -> None:
    interview = Interview()
    while interview.question and interview.question.key != "rotation":
        interview.take({"cylinders": "6"}.get(interview.question.key, ""))
    interview.take(BACK)
    interview.take(BACK)
    assert interview.question is not None
    assert interview.question.key == "cylinders"
    interview.take("4")
    assert interview.default == "1 3 4 2"


def test_a_launch_engine_with_everything(tmp_path: Path) -> None:
    """As a manual and a bench give it: rim length, lever, impulse coupling, slots and a coupling.

    110 mm round a rim of 412 mm is 360 x 110/(pi 412) = 30.595 degrees (circumference of a circle).
    """
    interview = through(
        {
            "units": "front, rear", "coupling": "rear", "advance": "lever",
            "drive": "1", "unit_rotation": "clockwise, anticlockwise", "figure": "110 mm rim",
            "rim_diameter": "412", "tolerance": "3 mm", "source": "manual, page 9",
            "retard": "4 ATDC", "retard_tolerance": "2 deg", "adjustments": "all",
            "slot_radius": "1 3/4 in", "slot_clockwise": "2.5", "slot_anticlockwise": "4",
            "coupling_teeth": "19 20", "gear_teeth": "32/32", "person": "A. Person",
        }
    )  # fmt: skip
    profile, can_move = engine_from_bytes(job_text(interview.answers).encode())
    front, rear = profile.units
    assert (front.coupling, rear.coupling) == ("none", "impulse")
    assert (front.rotation, rear.rotation) == ("clockwise", "anticlockwise")
    assert [each.name for each in rear.settings] == ["full advance", "full retard"]
    advance, retard = (each.window for each in rear.settings)
    assert advance is not None
    assert retard is not None
    assert advance.nominal_btdc == pytest.approx(30.595, abs=5e-4)
    assert advance.earliest_btdc - advance.nominal_btdc == pytest.approx(3 / 110 * 30.595, abs=1e-3)
    assert (retard.earliest_btdc, retard.nominal_btdc, retard.latest_btdc) == (-2.0, -4.0, -6.0)
    assert retard.source == "manual, page 9"
    assert [slot.unit for slot in can_move.slots] == ["front", "rear"]
    assert can_move.slots[0].radius_mm == pytest.approx(44.45)
    assert can_move.slots[0].file_mm == 0.0  # nothing is filed unless the person says so
    assert can_move.couplings[1].unit_teeth == 20
    assert can_move.train is not None
    assert profile.person == "A. Person"


def test_what_only_some_engines_have_is_asked_only_there() -> None:
    single = {"cylinders": "1", "ignition": "coil", "units": "points"}
    asked = list(through(single).answers)
    assert "firing_order" not in asked
    assert "coupling" not in asked  # a coil set has none
    assert "retard" not in asked
    assert not {"stroke", "rod", "rim_diameter", "slot_radius", "gear_teeth"} & set(asked)
    assert {"stroke", "rod"} <= set(through({**single, "figure": "5/16 in travel"}).answers)


NAMES = st.text(
    st.characters(exclude_categories=("C", "Z"), exclude_characters=","), min_size=1, max_size=20
).filter(lambda name: name.casefold() not in ("all", "none", "crank", "yes", "y", BACK))
WAYS = st.sampled_from(["clockwise", "anticlockwise"])
FIGURES = st.sampled_from(
    ["", "-4", "36", "24 1/2", "0.25", "28°", "3 ATDC", "8 mm travel", "5/16 in travel",
     "110 mm rim", "4 1/2 in rule", "-6 mm travel"]
)  # fmt: skip


@st.composite
def whole_answers(draw: st.DrawFn) -> dict[str, str]:
    cylinders = draw(st.integers(1, 12))
    order = draw(st.permutations(range(1, cylinders + 1)))
    units = draw(st.lists(NAMES, min_size=1, max_size=4, unique_by=str.casefold))

    def each(*words: str) -> str:
        every = draw(st.lists(st.sampled_from(words), min_size=len(units), max_size=len(units)))
        return ",".join(every)

    return {
        "name": draw(NAMES),
        "strokes": draw(st.sampled_from(["2", "4"])),
        "cylinders": str(cylinders),
        "firing_order": " ".join(map(str, order)),
        "rotation": draw(WAYS),
        "counts_per_turn": str(4 * draw(st.integers(2, 5000))),
        "units": ",".join(units),
        "ignition": each("magneto", "coil"),
        "unit_rotation": draw(WAYS),
        "coupling": draw(st.sampled_from(["none", "all", units[-1]])),
        "advance": each("fixed", "lever", "automatic"),
        "figure": draw(FIGURES),
        "tolerance": draw(st.sampled_from(["1", "1/4", "0.5°"])),
        "source": draw(NAMES),
        "retard": draw(FIGURES),
        "retard_tolerance": draw(st.sampled_from(["1", "2 deg", "0.5"])),
        "adjustments": draw(st.sampled_from(["none", "slot", "coupling, slot", "all"])),
        "slot_radius": draw(st.sampled_from(["45", "1 3/8 in", "30 mm"])),
        "coupling_teeth": draw(st.sampled_from(["19 20", "11 12"])),
        "person": draw(st.one_of(st.just(""), NAMES)),
    }


@settings(max_examples=60, deadline=None)
@given(whole_answers())
def test_whatever_is_answered_makes_a_file_that_says_just_that(answers: dict[str, str]) -> None:
    profile, can_move = engine_from_bytes(job_text(answers).encode())
    assert profile.engine.name == answers["name"]
    names = answers["units"].split(",")
    assert [unit.name for unit in profile.units] == names
    assert " ".join(map(str, profile.engine.firing_order)) == answers["firing_order"]
    assert profile.person == answers["person"]
    assert len(can_move.slots) == (len(names) if "slot" in checked(answers)["adjustments"] else 0)
    advance, ignition = answers["advance"].split(","), answers["ignition"].split(",")
    for unit, set_by, lit_by in zip(profile.units, advance, ignition, strict=True):
        assert unit.ignition == lit_by
        assert unit.automatic_advance == (set_by == "automatic")
        assert len(unit.settings) == (2 if set_by == "lever" else 1)
        assert (unit.settings[0].window is None) == (answers["figure"] == "")
        assert all(s.window is None or s.window.source == answers["source"] for s in unit.settings)
        if set_by == "lever":
            assert (unit.settings[1].window is None) == (answers["retard"] == "")


@settings(max_examples=25, deadline=None)
@given(
    st.sampled_from(["2", "4"]), st.integers(1, 36), st.integers(1, 36),
    st.sampled_from(["tape", "rule", "travel"]), st.floats(0.1, 1000.0),
)  # fmt: skip
def test_what_an_empty_answer_means_will_always_do(
    strokes: str, cylinders: int, lobes: int, of: str, size_mm: float
) -> None:
    answers = {
        "strokes": strokes, "cylinders": str(cylinders), "adjustments": "all",
        "drive": str(Fraction(cylinders, lobes * (int(strokes) // 2))),
        "figure": f"{size_mm:.3f} mm {of}", "tolerance": "1",
    }  # fmt: skip
    kept = checked(answers)
    assert {"slot_radius", "coupling_teeth", "gear_teeth", "person"} < kept.keys()
    assert checked(kept) == kept
    interview = through(answers)  # and it is not queried, or nobody at a terminal could answer
    assert interview.answers == kept


TYPED = st.one_of(
    st.just(""), st.just(BACK), st.just("yes"), st.text(max_size=12), NAMES, FIGURES, WAYS,
    st.sampled_from(["1", "2", "4", "26", "36", "lever", "all", "slot", "19 20", "1/2", "0.5 mm"]),
)  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(st.lists(TYPED, max_size=60))
def test_whatever_is_typed_the_questions_end_in_a_file(typed: list[str]) -> None:
    """Nonsense, steps back and doubts included: a file comes of it that says what was taken."""
    interview = Interview()
    for text in typed:
        before, asked = dict(interview.answers), interview.question
        try:
            doubt = interview.take(text)
        except InputError:
            assert interview.answers == before
            continue
        if text.strip() == BACK:
            assert len(interview.answers) == max(0, len(before) - 1)
        elif doubt:
            assert interview.answers == before
        elif asked is not None:
            assert list(interview.answers) == [*before, asked.key]
    while interview.question is not None:
        interview.take("")
    assert checked(interview.answers) == interview.answers
    profile = engine_from_bytes(job_text(interview.answers).encode())[0]
    window = profile.units[0].settings[0].window
    figure = interview.answers["figure"]
    assert (window is None) == (figure == "")
    if window is not None and not Figure.of_answer(figure).unit:
        assert window.nominal_btdc == pytest.approx(float(figure))


# --- on disk -------------------------------------------------------------------------------------


def test_examples_are_taken_whole(tmp_path: Path) -> None:
    assert example_names()[0] == "example"
    assert len(example_names()) == 4
    for name in example_names():
        path = write_example(tmp_path / name, name)
        assert "(example)" in load_profile(path).engine.name
    with pytest.raises(InputError, match=r"there is no example '\.\./secret'"):
        write_example(tmp_path / "x", "../secret")
    assert not (tmp_path / "x").exists()


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    path = write_job(tmp_path, ANSWERS)
    before = path.read_bytes()
    with pytest.raises(InputError, match="there is a job already"):
        write_example(tmp_path)
    assert path.read_bytes() == before


def test_a_file_in_the_way(tmp_path: Path) -> None:
    (tmp_path / "captures").write_text("mine")
    with pytest.raises(InputError, match="a file in the way"):
        write_job(tmp_path, ANSWERS)
    assert [each.name for each in tmp_path.iterdir()] == ["captures"]
    with pytest.raises(InputError, match=r"cannot be made|a file in the way"):
        write_job(tmp_path / "captures" / "job", ANSWERS)
    with pytest.raises(InputError, match="no folder can have such a name"):
        write_job(f"{tmp_path}/a\0b", ANSWERS)


def test_a_full_disk_leaves_no_half_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(InputError, match="the disk is full"):
        write_job(tmp_path, ANSWERS)
    assert not (tmp_path / "engine.toml").exists()
    monkeypatch.undo()
    write_job(tmp_path, ANSWERS)


def test_a_wrong_answer_makes_nothing(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="2 or 4"):
        write_job(tmp_path / "job", {**ANSWERS, "strokes": "6"})
    assert not (tmp_path / "job").exists()

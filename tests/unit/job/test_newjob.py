"""A new job from a few answers, or from an example taken whole."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.base.errors import InputError
from rig.engine.engine_file import load_profile, profile_from_bytes
from rig.job.new import (
    Question,
    checked,
    example_names,
    job_text,
    next_question,
    questions,
    write_example,
    write_job,
)

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
    "setting": "full advance",
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
    assert asked == [each.key for each in questions()][:-2]  # no figure: no tolerance, no source
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
    ],
)
def test_answers_that_will_do(key: str, typed: str, kept: str) -> None:
    answers = {"cylinders": "6"} if typed == "3/2" else None
    assert ask(key, answers).check(typed) == kept


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
        ("figure", "nan", "degrees from -90 to 90, not 'nan'"),
        ("tolerance", "0", "degrees from 0.01 to 30"),
        ("tolerance", "", "degrees from 0.01 to 30"),
        ("source", "", "is empty"),
        ("source", "x" * 301, "has 301 characters"),
    ],
)
def test_answers_that_will_not_do(key: str, typed: str, said: str) -> None:
    with pytest.raises(InputError, match=said):
        ask(key).check(typed)


def test_an_answer_to_no_question() -> None:
    with pytest.raises(InputError, match="'colour' is no question"):
        checked({"colour": "blue"})


NAMES = st.text(
    st.characters(exclude_categories=("C", "Z"), exclude_characters=","), min_size=1, max_size=20
)


@st.composite
def whole_answers(draw: st.DrawFn) -> dict[str, str]:
    cylinders = draw(st.integers(1, 12))
    order = draw(st.permutations(range(1, cylinders + 1)))
    units = draw(st.lists(NAMES, min_size=1, max_size=4, unique_by=str.casefold))
    return {
        "name": draw(NAMES),
        "strokes": draw(st.sampled_from(["2", "4"])),
        "cylinders": str(cylinders),
        "firing_order": " ".join(map(str, order)),
        "rotation": draw(st.sampled_from(["clockwise", "anticlockwise"])),
        "counts_per_turn": str(4 * draw(st.integers(2, 5000))),
        "units": ",".join(units),
        "unit_rotation": draw(st.sampled_from(["clockwise", "anticlockwise"])),
        "setting": draw(NAMES),
        "figure": draw(st.sampled_from(["", "-4", "36", "24 1/2", "0.25"])),
        "tolerance": draw(st.sampled_from(["1", "1/4", "0.5"])),
        "source": draw(NAMES),
    }


@settings(max_examples=60, deadline=None)
@given(whole_answers())
def test_whatever_is_answered_makes_a_file_that_says_just_that(answers: dict[str, str]) -> None:
    profile = profile_from_bytes(job_text(answers).encode())
    assert profile.engine.name == answers["name"]
    assert [unit.name for unit in profile.units] == answers["units"].split(",")
    assert " ".join(map(str, profile.engine.firing_order)) == answers["firing_order"]
    for unit in profile.units:
        setting = unit.settings[0]
        assert setting.name == answers["setting"]
        assert (setting.window is None) == (answers["figure"] == "")
        assert setting.window is None or setting.window.source == answers["source"]


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

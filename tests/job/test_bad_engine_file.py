"""A job whose engine file is wrong: every command that takes a job says so, and touches nothing."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path

import pytest
from made_job import copied, finished, refused, rig

COMMANDS = ("live", "results", "certify", "tdc show")


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return copied(tmp_path_factory.mktemp("wrong"))


@pytest.fixture(scope="module")
def good() -> str:
    return finished().engine_file.read_text("utf-8")


def said_of(job: Path, data: bytes) -> str:
    """The one sentence of all commands on an engine file of these bytes."""
    file = job / "engine.toml"
    if file.is_dir():
        file.rmdir()
    file.write_bytes(data)
    before = sorted(job.rglob("*"))
    told = {
        refused(2, *command.split(), job).removeprefix(f"rig {command.split()[0]}: ")
        for command in COMMANDS
    }
    assert len(told) == 1
    assert sorted(job.rglob("*")) == before
    (sentence,) = told
    assert str(file) in sentence
    return sentence


def test_missing(job: Path) -> None:
    (job / "engine.toml").unlink()
    said = refused(2, "results", job)
    assert f"{job / 'engine.toml'}: there is no such file. Make a new job first" in said
    said = refused(2, "results", job / "elsewhere")
    assert f"{job / 'elsewhere'}: there is no such job folder; rig new makes one" in said


def test_a_folder_in_its_place(job: Path) -> None:
    (job / "engine.toml").unlink(missing_ok=True)
    (job / "engine.toml").mkdir()
    said = refused(2, "results", job)
    assert f"{job / 'engine.toml'}: is a folder" in said


@pytest.mark.parametrize(
    ("data", "sentence"),
    [
        (b"", "it is empty. It states at least [engine], [encoder] and one [[unit]]."),
        (b"   \n\n", "it is empty"),
        (b"[engine\nname = 1\n", "line 1: is a header with one bracket before its name"),
        (b'[engine]\nname = "a\nc = 1\n', "line 2, engine, name: has a quote that is not closed"),
        (b"\x89PNG\r\n\x1a\n\x00\x00", "is not UTF-8. Save it as UTF-8."),
        ('[engine]\nname = "Zürich"\n'.encode("latin-1"), "line 2: byte "),
        ('[engine]\nname = "Zürich"\n'.encode("utf-16"), "it is in UTF-16"),
        (b"[engine]\nname = " + b"[" * 5000, "lie too deep within one another"),
    ],
    ids=["empty", "blank", "bracket", "string", "binary", "latin-1", "utf-16", "nested"],
)
def test_no_engine_file_at_all(job: Path, data: bytes, sentence: str) -> None:
    assert sentence in said_of(job, data)


Edit = Callable[[str], str]


def swap(old: str, new: str, times: int = 1) -> Edit:
    return lambda text: text.replace(old, new, times)


@pytest.mark.parametrize(
    ("edit", "parts"),
    [
        (
            swap("strokes = 4", "strokes = 4\nstorkes = 4"),
            ("engine, storkes: is not a known key; the nearest one is strokes",),
        ),
        (
            swap("\n[certificate]", "\n[certificates]"),
            ("certificates: is not a known key; the nearest one is certificate",),
        ),
        (
            swap("earliest_deg_btdc = 37", "earliest_deg_btdc = 33"),
            ("unit 1, setting 1", "earliest"),
        ),
        (swap("lobes = 2", "lobes = -2"), ("unit 1, lobes: is -2. A whole number from 1 to 36.",)),
        (swap("lobes = 2", "lobes = 0"), ("unit 1, lobes: is 0. A whole number from 1 to 36.",)),
        (
            swap("turns_per_crank_turn = 1", 'turns_per_crank_turn = "-24/24"'),
            ("unit 1, turns_per_crank_turn: is '-24/24'", "from 1/100 to 100"),
        ),
        (
            swap("turns_per_crank_turn = 1", 'turns_per_crank_turn = "24/0"'),
            ("unit 1, turns_per_crank_turn: is '24/0'",),
        ),
        (swap("input = 2", "input = 1"), ("unit 2, input: is 1, which 'upper' has already",)),
        (swap("input = 2", "input = 0"), ("unit 2, input: is 0. A whole number from 1 to 16.",)),
        (
            swap("counts_per_turn = 4096", "counts_per_turn = 4095"),
            ("encoder, counts_per_turn: is 4095. Four times the lines",),
        ),
        (swap("firing_order = [1, 3, 4, 2]", "firing_order = [1, 3, 3, 2]"), ("firing_order",)),
        (swap('name = "lower"', 'name = "upper"'), ("unit 2, name: is 'upper' a second time",)),
        (swap('name = "upper"', 'name = "up\\u001b[2Jper"'), ("unprintable character (U+001B)",)),
    ],
    ids=[
        "unknown key", "unknown table", "window upside down", "negative lobes", "no lobes",
        "negative teeth", "no teeth", "two units on one input", "input 0", "no whole lines",
        "firing order", "same name", "control codes",
    ],
)  # fmt: skip
def test_what_cannot_be(job: Path, good: str, edit: Edit, parts: tuple[str, ...]) -> None:
    changed = edit(good)
    assert changed != good
    said = said_of(job, changed.encode())
    assert "line " in said
    for part in parts:
        assert part in said


def test_every_mistake_is_told_at_once(job: Path, good: str) -> None:
    wrong = good.replace("lobes = 2", "lobes = -2").replace("strokes = 4", "strokes = 3")
    said = said_of(job, wrong.encode())
    assert "has " in said
    assert "unit 1, lobes: is -2" in said
    assert "unit 2, lobes: is -2" in said
    assert "engine, strokes: is 3" in said


def test_a_reference_file_that_is_no_reference(job: Path, good: str) -> None:
    (job / "engine.toml").write_text(good, "utf-8")
    for data in (b"", b"{}", b"[1", b"\xff\xfe", b'{"schema": "timing-rig reference"}'):
        (job / "reference.json").write_bytes(data)
        said = refused(2, "tdc", "show", job)
        assert f"{job / 'reference.json'}: " in said
        assert "Put back a copy" in said
    (job / "reference.json").unlink()
    said = refused(2, "tdc", "show", job)
    assert "TDC is not known yet: find it with the piston stop in rig live, or set it" in said


def test_a_new_job_is_never_made_over_an_old_one(job: Path, tmp_path: Path) -> None:
    before = (job / "engine.toml").read_bytes()
    said = refused(2, "new", job, "--example")
    assert f"{job}: there is a job already" in said
    assert (job / "engine.toml").read_bytes() == before
    (tmp_path / "file").write_text("mine")
    said = refused(2, "new", tmp_path / "file", "--example")
    assert str(tmp_path / "file") in said
    assert (tmp_path / "file").read_text() == "mine"


def test_new_says_what_it_made_and_takes_answers(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO())  # nobody there to ask
    made = rig("new", tmp_path / "a", "--example", "radial_nine", "--json")
    assert made.status == 0
    assert Path(made.answer["engine_file"]).is_file()
    asked = rig(
        "new", tmp_path / "b", "--answer", "cylinders=6", "--answer", "units=rear", "--json"
    )
    assert (asked.status, asked.answer["job"]) == (0, str(tmp_path / "b"))
    assert 'name = "rear"' in (tmp_path / "b" / "engine.toml").read_text("utf-8")
    assert "cylinders = 6" in (tmp_path / "b" / "engine.toml").read_text("utf-8")
    for wrong, sentence in (
        ("cylinders", "'cylinders' is not of the form NAME=VALUE"),
        ("cylinders=many", "cylinders: a whole number from 1 to 36, not 'many'"),
        ("hat=1", "'hat' is no question; they are name, strokes,"),
    ):
        assert sentence in refused(2, "new", tmp_path / "c", "--answer", wrong)
        assert not (tmp_path / "c").exists()
    said = refused(2, "new", tmp_path / "c", "--example", "teapot")
    assert "there is no example 'teapot'; there are example, " in said

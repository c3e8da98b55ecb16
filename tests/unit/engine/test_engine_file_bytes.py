"""The engine file as bytes and on disk: encodings, limits, and hostile text."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from engine_text import GOOD, only, read, swap

from rig.base.errors import ProfileError
from rig.engine.engine_file import load_profile, profile_bytes_digest, profile_from_bytes

# --- the file as bytes ---------------------------------------------------------------------------


def test_byte_order_mark_and_line_ends() -> None:
    assert profile_from_bytes(b"\xef\xbb\xbf" + GOOD.encode()) == read(GOOD)
    assert profile_from_bytes(GOOD.replace("\n", "\r\n").encode()) == read(GOOD)


@pytest.mark.parametrize("data", [b"", b"\n \n", b"# only a comment\n", b"\xef\xbb\xbf"])
def test_empty(data: bytes) -> None:
    assert only(data).wrong == "it is empty"


def test_another_encoding_says_which_byte() -> None:
    data = GOOD.encode().replace(b"Test engine", b"Test \xe9ngine")
    found = only(data)
    assert found.line == 2
    assert f"byte {data.index(0xE9)} (0xE9) is not UTF-8" in found.wrong
    marked = only(b"\xef\xbb\xbf" + data)
    assert f"byte {data.index(0xE9) + 3} (0xE9)" in marked.wrong


def test_utf_16() -> None:
    assert "UTF-16 (byte 0 is 0xFF)" in only(GOOD.encode("utf-16")).wrong


@pytest.mark.parametrize(
    ("text", "line", "wrong"),
    [
        ("[engine\nname = 1\n", 1, "is a header with one bracket"),
        ("[engine]\nname = upper\n", 2, "is a text without quotes"),
        ("[engine]\nname = 1\nname = 2\n", 3, "appears a second time, first in line 2"),
        ('[engine]\nname = "no end\n', 2, "has a quote that is not closed"),
        ("[engine]\nname = \x1b[31m\n", 2, "has an unprintable character (U+001B)"),
        ("\x00\x01\x02", 1, "has an unprintable character (U+0000)"),
        ("[engine]\n= 3\n", 2, "is neither a header nor a key"),
    ],
)
def test_not_toml(text: str, line: int, wrong: str) -> None:
    found = only(text)
    assert found.line == line
    assert found.wrong.startswith(wrong)
    assert str(found).isprintable()


@pytest.mark.parametrize(
    "text",
    [
        "a = " + "[" * 20_000,
        "a = " + "9" * 20_000,
        "a" + ".a" * 20_000 + " = 1",
        "[" + "a." * 200_000 + "a]",
        "a = {" + "b = {" * 5_000,
        "x = 1\n" * 2,
    ],
    ids=["nested lists", "long number", "long key", "long header", "nested tables", "twice"],
)
def test_hostile_text_is_refused_quickly(text: str) -> None:
    assert str(only(text)).isprintable()


def test_over_a_megabyte() -> None:
    assert "longer than 1000000 bytes" in only(b"#" * 1_000_001).wrong


def test_digest() -> None:
    # SHA-256 of "abc": FIPS 180-4 examples (from memory).
    assert profile_bytes_digest(b"abc") == (
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    )


# --- the file on disk ----------------------------------------------------------------------------


def test_a_file_or_its_folder(tmp_path: Path) -> None:
    path = tmp_path / "engine.toml"
    path.write_text(GOOD, "utf-8")
    assert load_profile(path) == load_profile(tmp_path) == load_profile(str(tmp_path)) == read(GOOD)


def test_messages_name_the_file(tmp_path: Path) -> None:
    path = tmp_path / "engine.toml"
    path.write_text(swap("lobes = 2", "lobes = 0"), "utf-8")
    with pytest.raises(ProfileError) as caught:
        load_profile(path)
    assert str(caught.value) == (
        f"{path}: line 14, unit 1, lobes: is 0. A whole number from 1 to 36."
    )
    assert caught.value.status == 2


def _missing(folder: Path) -> Path:
    return folder / "not_there"


def _folder(folder: Path) -> Path:
    (folder / "engine.toml").mkdir()
    return folder / "engine.toml" / ".."


def _null(folder: Path) -> Path:
    return Path(f"{folder}/a\0b")


@pytest.mark.parametrize(
    ("place", "said"),
    [
        (_missing, "there is no such file"),
        (_folder, "it is a folder, not a file. Name the engine file"),
        (_null, "no file can have this name"),
    ],
)
def test_no_file(tmp_path: Path, place: Callable[[Path], Path], said: str) -> None:
    with pytest.raises(ProfileError, match=said):
        load_profile(place(tmp_path))


# --- hostile names -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name",
    [
        "\\u001b[2J",
        "\\u0007",
        "two\\nlines",
        "\\u202eback to front",
        "\\u0085",
        "a\\u200bb",
        "\\ud7ff\\u0000",
    ],
)
def test_unprintable_names_are_refused_and_shown_harmless(name: str) -> None:
    found = only(swap('name = "upper"', f'name = "{name}"'))
    assert found.key == "unit 1, name"
    assert "unprintable character (U+" in found.wrong
    assert str(found).isprintable()


def test_markup_in_a_name_is_just_text() -> None:
    profile = read(GOOD.replace('"upper"', '"<b>[red]upper"'))
    assert profile.units[0].name == "<b>[red]upper"


def test_hostile_keys_are_shown_harmless() -> None:
    found = only(GOOD + '"\\u001b[2J\\u202e" = 1\n')
    assert str(found).isprintable()
    assert "\\x1b" in found.key


def test_names_have_a_longest() -> None:
    assert "has 41 characters" in only(GOOD.replace('"upper"', '"' + "x" * 41 + '"')).wrong

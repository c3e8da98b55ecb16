"""A TOML file as a person keeps it: read with limits, and with the line of every key.

The standard library reads the values but not the lines of the keys; a scan of the text finds these.
Limits keep a hostile file from costing more than a moment.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from typing import Any, NoReturn

from rig.base.errors import FieldPath, Mistake, ProfileError, place_name, shown
from rig.base.toml_slips import slip_in

MOST_BYTES = 1_000_000
MOST_SLIPS = 30  # lines that are not TOML; further ones are not looked for
LONG = 2000  # lines; in a longer file only the first such line is reported
MOST_DOTS = 30  # full stops in one line: a key of thousands of parts takes minutes to read

_PART = r"""(?:[A-Za-z0-9_-]+|"(?:[^"\\]|\\.)*"|'[^']*')"""
_DOTTED = rf"{_PART}(?:[ \t]*\.[ \t]*{_PART})*"
_KEY = re.compile(rf"[ \t]*({_DOTTED})[ \t]*=")
_HEADER = re.compile(rf"[ \t]*(\[\[?)[ \t]*({_DOTTED})[ \t]*\]")
_TOKEN = re.compile(r"""\"{3}|'{3}|"(?:[^"\\]|\\.)*"|'[^']*'|[\[\]{}#]""")
_UTF_16 = (b"\xff\xfe", b"\xfe\xff")
_BOM = b"\xef\xbb\xbf"
_LIKE_THIS = 'Lines like name = "upper" or lobes = 2, under headers like [engine]'


def parse(data: bytes, name: str) -> tuple[dict[str, Any], LineFinder]:
    """Values and line finder of a TOML file; raises ProfileError when it is not one."""
    if len(data) > MOST_BYTES:
        _refuse(name, 0, f"it is longer than {MOST_BYTES} bytes", "One is a few thousand")
    text = _one_line_end(_decoded(data, name), name)
    lines = text.split("\n")
    if all(not line.strip() or line.lstrip().startswith("#") for line in lines):
        _refuse(name, 0, "it is empty", "It states at least [engine], [encoder] and one [[unit]]")
    for number, line in enumerate(lines, 1):
        if line.count(".") > MOST_DOTS:
            _refuse(name, number, "too many full stops", f"At most {MOST_DOTS} in one line")
    return _read(lines, name), LineFinder(lines)


def _read(lines: list[str], name: str) -> dict[str, Any]:
    """The values of a file. Raises ProfileError with every line that is not TOML.

    A line with a known slip is read as probably meant, so that the next slip is found too.
    """
    lines = list(lines)
    mistakes: list[Mistake] = []
    while True:
        try:
            values = tomllib.loads("\n".join(lines))
        except tomllib.TOMLDecodeError as error:
            mistake, meant = _mistake(error, lines, name)
            mistakes.append(mistake)
            if meant is None or len(mistakes) >= (MOST_SLIPS if len(lines) < LONG else 1):
                raise ProfileError(mistakes) from None
            lines[mistake.line - 1] = meant
        except ValueError:  # a whole number of thousands of digits
            _refuse(name, 0, "a number in it has too many digits", "Numbers of at most 15 digits")
        except RecursionError:
            _refuse(name, 0, "lists or tables lie too deep within one another", "A few levels")
        else:
            if mistakes:
                raise ProfileError(mistakes)
            return values


class LineFinder:
    """Finds the line of a key: ``finder(("unit", 0, "lobes"))``.

    The answer is the line of the key, or of the nearest table around it, or 0. Counted from 1.
    """

    def __init__(self, lines: list[str]) -> None:
        self._at: dict[FieldPath, int] = {}
        for path, number in _statements(lines):
            self._at.setdefault(path, number)

    def __call__(self, path: FieldPath) -> int:
        for end in range(len(path), 0, -1):
            if path[:end] in self._at:
                return self._at[path[:end]]
        return 0


def _statements(lines: list[str]) -> Iterator[tuple[FieldPath, int]]:
    """Every key and table header with its line."""
    table: FieldPath = ()
    tables: dict[FieldPath, int] = {}  # list of tables -> how many so far
    inside = _Inside()
    for number, line in enumerate(lines, 1):
        if inside.value:
            inside.take(line)
        elif header := _HEADER.match(line):
            table = _resolved(_parts(header[2]), tables)
            if header[1] == "[[":
                yield table, number
                tables[table] = tables.get(table, 0) + 1
                table = (*table, tables[table] - 1)
            yield table, number
        elif key := _KEY.match(line):
            parts = _parts(key[1])
            for end in range(1, len(parts) + 1):
                yield (*table, *parts[:end]), number
            inside.take(line[key.end() :])


def _resolved(parts: tuple[str, ...], tables: dict[FieldPath, int]) -> FieldPath:
    """A header's path, with the number of the last table of each list in it."""
    path: FieldPath = ()
    for part in parts[:-1]:
        path = (*path, part)
        if path in tables:
            path = (*path, tables[path] - 1)
    return (*path, parts[-1])


def _parts(dotted: str) -> tuple[str, ...]:
    """The parts of a dotted key; the standard library resolves quotes and escapes."""
    if '"' not in dotted and "'" not in dotted:
        return tuple(part.strip() for part in dotted.split("."))
    try:
        inner: Any = tomllib.loads(f"{dotted} = 0")
    except tomllib.TOMLDecodeError:
        return (dotted,)
    parts: list[str] = []
    while isinstance(inner, dict):
        key, inner = next(iter(inner.items()))
        parts.append(key)
    return tuple(parts)


class _Inside:
    """Whether a value from an earlier line still continues."""

    def __init__(self) -> None:
        self._depth = 0
        self._quote = ""

    @property
    def value(self) -> bool:
        return self._depth > 0 or self._quote != ""

    def take(self, line: str) -> None:
        at = 0
        while True:
            if self._quote:
                end = line.find(self._quote, at)
                if end < 0:
                    return
                at, self._quote = end + 3, ""
            token = _TOKEN.search(line, at)
            if token is None or token[0] == "#":
                return
            at = token.end()
            if token[0] in ('"""', "'''"):
                self._quote = token[0]
            elif token[0] in "[{":
                self._depth += 1
            elif token[0] in "]}":
                self._depth = max(0, self._depth - 1)


def _one_line_end(text: str, name: str) -> str:
    """With one line feed at the end of each line; carriage returns of old files count too."""
    text = text.replace("\r\n", "\n")
    if "\r" in text and "\n" in text:
        line = text.count("\n", 0, text.index("\r")) + 1
        wrong = "has a carriage return where no line ends"
        _refuse(name, line, wrong, "Save the file with one kind of line end throughout")
    return text.replace("\r", "\n")


def _decoded(data: bytes, name: str) -> str:
    if data[:2] in _UTF_16:
        _refuse(name, 0, f"it is in UTF-16 (byte 0 is 0x{data[0]:02X})", "Save it as UTF-8")
    body = data.removeprefix(_BOM)
    try:
        return body.decode("utf-8")
    except UnicodeDecodeError as error:
        at = error.start + len(data) - len(body)
        line = data.count(b"\n", 0, at) + 1
        _refuse(name, line, f"byte {at} (0x{data[at]:02X}) is not UTF-8", "Save it as UTF-8")


def _mistake(
    error: tomllib.TOMLDecodeError, lines: list[str], name: str
) -> tuple[Mistake, str | None]:
    """The reader's complaint, and that line as probably meant (None: not known)."""
    said = re.fullmatch(r"(.*?) \(at (?:line (\d+), column (\d+)|end of document)\)", str(error))
    if said is None:
        return Mistake(name, 0, "", f"not TOML: {_harmless(str(error))}", _LIKE_THIS), None
    number = min(int(said[2] or len(lines)), len(lines))
    begun = _open_value(lines, number)
    at = begun or number
    between = lines[at : number - 1]
    if not any(each.split("#")[0].strip() for each in between):
        slip = slip_in(lines[at - 1])
        if slip is not None:
            return Mistake(name, at, _key_at(lines, at), slip.wrong, slip.allowed), slip.meant
    if begun:
        wrong = "begins a value over several lines that is not closed, or lacks a comma"
        allowed = "Commas between, and a bracket or quotes at its end"
        return Mistake(name, begun, _key_at(lines, begun), wrong, allowed), None
    if (before := _stands_before(lines, number)) is not None:
        header = lines[number - 1].lstrip().startswith("[")
        allowed = "One of the two; several tables of a kind have two brackets, like [[unit]]"
        wrong = f"appears a second time, first in line {before}"
        meant = None if header else f"# {lines[number - 1].strip()}"
        allowed = allowed if header else "One of the two lines"
        return Mistake(name, number, _key_at(lines, number), wrong, allowed), meant
    where = f" (column {said[3]})" if said[2] else " (at the end of the file)"
    wrong = f"not TOML: {_harmless(said[1])}{where}"
    return Mistake(name, number if said[2] else 0, "", wrong, _LIKE_THIS), None


def _key_at(lines: list[str], number: int) -> str:
    """The key or header of a line in words; "" if there is none."""
    at = [path for path, line in _statements(lines) if line == number]
    return place_name(at[-1]) if at else ""


def _open_value(lines: list[str], number: int) -> int:
    """The line in which the value begins that continues into line ``number``; 0 for none."""
    inside, begun = _Inside(), 0
    for each, line in enumerate(lines[:number], 1):
        if inside.value:
            inside.take(line)
        elif key := _KEY.match(line):
            begun = each
            inside.take(line[key.end() :])
        if not inside.value:
            begun = 0
    return begun


def _stands_before(lines: list[str], number: int) -> int | None:
    """The earlier line with the same key or header."""
    first: dict[FieldPath, int] = {}
    for path, line in _statements(lines):
        if line == number:
            same = first.get(path)
            if same is not None and same != number:
                return same
        first.setdefault(path, line)
    return None


def _harmless(text: str) -> str:
    return text if text.isprintable() and len(text) <= 120 else shown(text)


def _refuse(name: str, line: int, wrong: str, allowed: str) -> NoReturn:
    raise ProfileError([Mistake(name, line, "", wrong, allowed)])

"""A TOML file as a person keeps it: read with limits, and with the line of every key.

The standard library reads the values but not the lines of the keys; a scan of the text finds these.
Limits keep a hostile file from costing more than a moment.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Collection
from typing import Any, NamedTuple, NoReturn

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
_LONG_QUOTES = ('"""', "'''")
_UTF_16 = (b"\xff\xfe", b"\xfe\xff")
_BOM = b"\xef\xbb\xbf"
_LIKE_THIS = 'Lines like name = "upper" or lobes = 2, under headers like [engine]'


def parse(data: bytes, name: str, whole: Collection[str] = ()) -> tuple[dict[str, Any], LineFinder]:
    """Values and line finder of a TOML file; raises ProfileError when it is not one.

    ``whole`` are the keys of whole numbers: a comma in one is advised otherwise.
    """
    if len(data) > MOST_BYTES:
        _refuse(name, 0, f"it is longer than {MOST_BYTES} bytes", "One is a few thousand")
    text = _one_line_end(_decoded(data, name), name)
    lines = text.split("\n")
    if all(not line.strip() or line.lstrip().startswith("#") for line in lines):
        _refuse(name, 0, "it is empty", "It states at least [engine], [encoder] and one [[unit]]")
    for number, line in enumerate(lines, 1):
        if line.count(".") > MOST_DOTS:
            _refuse(name, number, "too many full stops", f"At most {MOST_DOTS} in one line")
    return _read(lines, name, whole), LineFinder(lines)


def _read(lines: list[str], name: str, whole: Collection[str]) -> dict[str, Any]:
    """The values of a file. Raises ProfileError with every line that is not TOML.

    A line with a known slip is read as probably meant, so that the next slip is found too.
    """
    lines = list(lines)
    mistakes: list[Mistake] = []
    while True:
        try:
            values = tomllib.loads("\n".join(lines))
        except tomllib.TOMLDecodeError as error:
            mistake, meant = _mistake(error, lines, name, whole)
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
        self._at = {each.path: each.line for each in reversed(_statements(lines))}

    def __call__(self, path: FieldPath) -> int:
        for end in range(len(path), 0, -1):
            if path[:end] in self._at:
                return self._at[path[:end]]
        return 0


class _Statement(NamedTuple):
    """A key or table header, its line, and where its value ends: there, or after all lines."""

    path: FieldPath
    line: int
    last: int


def _statements(lines: list[str]) -> list[_Statement]:
    """Every key and table header, in order."""
    found: list[_Statement] = []
    table: FieldPath = ()
    tables: dict[FieldPath, int] = {}  # list of tables -> how many so far
    depth, quote = 0, ""  # of a value from an earlier line that still continues
    own = 0  # the first of those in ``found`` that it belongs to
    for number, line in enumerate(lines, 1):
        rest = line
        if not depth and not quote:
            own = len(found)
            if header := _HEADER.match(line):
                table = _resolved(_parts(header[2]), tables)
                if header[1] == "[[":
                    found.append(_Statement(table, number, number))
                    tables[table] = tables.get(table, 0) + 1
                    table = (*table, tables[table] - 1)
                found.append(_Statement(table, number, number))
                continue
            if (key := _KEY.match(line)) is None:
                continue
            parts, rest = _parts(key[1]), line[key.end() :]
            found += [
                _Statement((*table, *parts[:end]), number, number)
                for end in range(1, len(parts) + 1)
            ]
        depth, quote = _continued(rest, depth, quote)
        last = number + bool(depth or quote)
        found[own:] = [each._replace(last=last) for each in found[own:]]
    return found


def _continued(line: str, depth: int, quote: str) -> tuple[int, str]:
    """Open brackets and the long quotes of a value after one more line of it."""
    at = 0
    while True:
        if quote:
            end = line.find(quote, at)
            if end < 0:
                return depth, quote
            at, quote = end + 3, ""
        token = _TOKEN.search(line, at)
        if token is None or token[0] == "#":
            return depth, quote
        at = token.end()
        if token[0] in _LONG_QUOTES:
            quote = token[0]
        elif token[0] in "[{":
            depth += 1
        elif token[0] in "]}":
            depth = max(0, depth - 1)


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
    error: tomllib.TOMLDecodeError, lines: list[str], name: str, whole: Collection[str]
) -> tuple[Mistake, str | None]:
    """The error that the library reports, and its line as probably meant (None: not known)."""
    found = re.fullmatch(r"(.*?) \(at (?:line (\d+), column (\d+)|end of document)\)", str(error))
    if found is None:
        return Mistake(name, 0, "", f"not TOML: {_harmless(str(error))}", _LIKE_THIS), None
    number = min(int(found[2] or len(lines)), len(lines))
    statements = _statements(lines)
    begun = next((each.line for each in statements if each.line <= number < each.last), 0)
    at = begun or number
    places = [each.path for each in statements if each.line == at]
    key = place_name(places[-1]) if places else ""
    if not any(each.split("#")[0].strip() for each in lines[at : number - 1]):
        slip = slip_in(lines[at - 1], whole)
        if slip is not None:
            return Mistake(name, at, key, slip.wrong, slip.allowed), slip.meant
    if begun:
        wrong = "begins a value over several lines that is not closed, or lacks a comma"
        allowed = "Commas between, and a bracket or quotes at its end"
        return Mistake(name, begun, key, wrong, allowed), None
    if before := [each.line for each in statements if each.line < at and each.path in places]:
        wrong = f"appears a second time, first in line {before[0]}"
        if lines[at - 1].lstrip().startswith("["):
            allowed = "One of the two; several tables of a kind have two brackets, like [[unit]]"
            return Mistake(name, at, key, wrong, allowed), None
        meant = f"# {lines[at - 1].strip()}"
        return Mistake(name, at, key, wrong, "One of the two lines"), meant
    where = f" (column {found[3]})" if found[2] else " (at the end of the file)"
    wrong = f"not TOML: {_harmless(found[1])}{where}"
    return Mistake(name, number if found[2] else 0, "", wrong, _LIKE_THIS), None


def _harmless(text: str) -> str:
    return text if text.isprintable() and len(text) <= 120 else shown(text)


def _refuse(name: str, line: int, wrong: str, allowed: str) -> NoReturn:
    raise ProfileError([Mistake(name, line, "", wrong, allowed)])

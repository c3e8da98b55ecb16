"""What people slip into a TOML file: curly quotes, decimal commas, missing quotes and the like.

A line that the reader refuses is checked for what was probably meant. Each kind of slip says what
was found and what to write; a slip is named only if the line as meant is TOML.
"""

from __future__ import annotations

import re
import tomllib
import unicodedata
from collections.abc import Callable, Collection
from dataclasses import dataclass
from functools import partial

from rig.base.errors import shown


@dataclass(frozen=True, slots=True)
class Slip:
    """What is wrong with a line, what to write, and the line as probably meant."""

    wrong: str
    allowed: str
    meant: str


Found = tuple[str, str, str]
"""What is wrong with a value, what to write instead, and the value as meant."""

_DOUBLE = "“”„‟«»″＂"
_QUOTES = dict.fromkeys(map(ord, _DOUBLE + "‘’‚‛′"), '"')
_DASHES = dict.fromkeys(map(ord, "−–—"), "-")
_SPACES = ("Zs", "Zl", "Zp")  # categories of Unicode
_STRING = re.compile(r'"(?:[^"\\]|\\.)*"|\'[^\']*\'')
_NUMBER = r"[+-]?[0-9]+(?:[.][0-9]+)?"
_WITH_COMMA = re.compile(r"([+-]?[0-9]+)((?:,[0-9]+)+)")
_COMMENT_SIGNS = re.compile(r"\s*(;|//|--|/\*|%|!)")
_ASSIGNMENT = re.compile(r"(\s*)([A-Za-z0-9_-]+|\"[^\"]+\")(\s*)(:=|=>|==|=|:)?(\s*)(.*?)\s*$")
_HEADER = re.compile(r"\s*(\[*)\s*([A-Za-z0-9_. \"-]*?)\s*(\]*)\s*(?:#.*)?$")
Rule = tuple[str, str, str, str | Callable[[re.Match[str]], str]]


def slip_in(line: str, whole: Collection[str] = ()) -> Slip | None:
    """The slip in a line; None if no known one. ``whole`` are the keys of whole numbers."""
    if _is_toml(line):
        return None
    statement = partial(_statement, whole=whole)
    for look in (_lookalikes, _unprintable, _header, _other_comment, statement):
        found = look(line)
        if found is not None and found.meant != line and _is_toml(found.meant):
            return found
    return None


def _is_toml(line: str) -> bool:
    try:
        tomllib.loads(line)
    except (tomllib.TOMLDecodeError, ValueError, RecursionError):
        return False
    return True


def _lookalikes(line: str) -> Slip | None:
    """Characters that only look like the plain ones, or are invisible."""
    outside = _STRING.sub("", line).partition("#")[0]
    if not _QUOTES.keys().isdisjoint(map(ord, outside)):
        meant = line.translate(_QUOTES)
        if not _is_toml(meant):  # an apostrophe inside the text
            meant = line.translate(dict.fromkeys(map(ord, _DOUBLE), '"'))
        return _better(Slip("has curly quotes", _as("Straight quotes", meant), meant))
    if not _DASHES.keys().isdisjoint(map(ord, outside)):
        meant = line.translate(_DASHES)
        instead = _as("The hyphen of the keyboard", meant)
        return _better(Slip("has a dash for a minus sign", instead, meant))
    for sign in outside:
        if sign != " " and unicodedata.category(sign) in (*_SPACES, "Cf"):
            name = unicodedata.name(sign, "a character that is not seen").lower()
            meant = "".join(
                " " if unicodedata.category(c) in _SPACES else c
                for c in line
                if unicodedata.category(c) != "Cf"
            )
            wrong = f"has a {name} (U+{ord(sign):04X}) in it"
            return _better(Slip(wrong, _as("A plain space, or none", meant), meant))
    return None


def _unprintable(line: str) -> Slip | None:
    """Control codes, as in a file that is not text."""
    for at, sign in enumerate(line):
        if unicodedata.category(sign) == "Cc" and sign != "\t":
            meant = "".join(c for c in line if unicodedata.category(c) != "Cc")
            wrong = f"has an unprintable character (U+{ord(sign):04X}) at column {at + 1}"
            if _is_toml(meant):
                return Slip(wrong, _as("The line without it", meant), meant)
            return Slip(wrong, "The line without it", f"# {meant}")
    return None


def _better(slip: Slip) -> Slip:
    """``slip``, or what remains after correcting it, with both described."""
    if _is_toml(slip.meant) or not slip.meant.strip():
        return slip
    for look in (_header, _other_comment, _statement):
        more = look(slip.meant)
        if more is not None and _is_toml(more.meant):
            return Slip(f"{slip.wrong}, and {more.wrong}", more.allowed, more.meant)
    return slip


def _header(line: str) -> Slip | None:
    """``[engine``, ``[[unit]``, ``[engine] main``."""
    if not line.strip().startswith("[") and not re.fullmatch(r"\s*[A-Za-z0-9_.-]+\s*\]+\s*", line):
        return None
    match = _HEADER.match(line)
    if match is None:
        whole = re.match(r"(\s*(\[\[?)[^\[\]#]+(\]\]?))\s*([^\]\s#].*)$", line)
        if whole is None or len(whole[2]) != len(whole[3]):
            return None
        meant = f"{whole[1]}  # {whole[4]}"
        return Slip("has text after a header", _as("A remark begins with #", meant), meant)
    begun, name, ended = match[1], match[2], match[3]
    if not name or len(begun) == len(ended):
        return None
    sides = min(max(len(begun), len(ended)), 2)
    meant = f"{'[' * sides}{name.strip()}{']' * sides}"
    wrong = f"is a header with {_brackets(len(begun))} before its name and {_brackets(len(ended))}"
    return Slip(f"{wrong} behind it", _as("As many on either side", meant), meant)


def _brackets(n: int) -> str:
    return {0: "no bracket", 1: "one bracket", 2: "two brackets"}.get(n, f"{n} brackets")


def _other_comment(line: str) -> Slip | None:
    sign = _COMMENT_SIGNS.match(line)
    if sign is None:
        return None
    meant = f"# {line[sign.end() :].strip()}"
    return Slip(f"begins with {sign[1]}", _as("A remark begins with #", meant), meant)


def _statement(line: str, whole: Collection[str] = ()) -> Slip | None:
    """A key with its value, and what is wrong with either."""
    match = _ASSIGNMENT.match(line)
    if match is None:
        return _remark(line)
    indent, key, _, sign, _, value = match.groups()
    prose = not value or (len(value.split()) > 1 and value[0] not in "\"'[0123456789")
    if sign is None and prose:
        return _remark(line)
    if sign == "=" and not value.split("#")[0].strip():
        allowed = f"A value after {key} =, or # before the line"
        return Slip("has no value", allowed, f"# {line.strip()}")
    head = f"{indent}{key} = "
    found = _value(value, whole=key in whole)
    if sign != "=":
        meant = head + (found[2] if found else value)
        wrong = f"has {sign or 'nothing'} between {key} and its value"
        return Slip(wrong, _as("An equals sign", meant), meant)
    if found is None:
        return None
    wrong, instead, meant = found
    return Slip(wrong, _as(instead, head + meant), head + meant)


def _remark(line: str) -> Slip | None:
    meant = f"# {line.strip()}"
    return Slip("is neither a header nor a key with its value",
                'Lines like name = "upper" under headers like [engine]; a remark begins with #',
                meant)  # fmt: skip


def _value(text: str, *, whole: bool) -> Found | None:
    """What is wrong with a value, what to write instead, and the value as meant."""
    if _is_toml(f"a = {text}"):
        return None
    if whole and (match := _WITH_COMMA.match(text)):
        sign_and_digits, rest = match.groups()
        thousands = re.fullmatch(r"(,[0-9]{3})+", rest)
        meant = sign_and_digits + (rest.replace(",", "") if thousands else "") + text[match.end() :]
        if _is_toml(f"a = {meant}"):
            return f"is {match[0]}", "A whole number, without a comma", meant
        text = meant
    plain = text.split("#", maxsplit=1)[0].strip()
    rules = ((*rule, text) for rule in _QUOTED)
    for pattern, wrong, instead, make, of in (*rules, *((*rule, plain) for rule in _PLAIN)):
        if (match := re.fullmatch(pattern, of)) is None:
            continue
        meant = make(match) if callable(make) else match.expand(make)
        if meant and _is_toml(f"a = {meant}"):
            groups = [shown((each or "").strip()) for each in (match[0], *match.groups())]
            bare = [each[1:-1] for each in groups]
            words = wrong.format(*bare, last=groups[-1])
            return words, instead.format(*bare, meant=meant), meant
    return None


def _in_quotes(text: str) -> str:
    body = text.strip()
    return f"'{body}'" if '"' in body or "\\" in body else f'"{body}"'


def _body(match: re.Match[str]) -> str:
    """What one of the groups has, in quotes."""
    return _in_quotes(next(each for each in match.groups() if each is not None))


def _list(match: re.Match[str]) -> str:
    """The numbers in square brackets."""
    bare = match[0]
    inner = bare.strip("[](){}").strip()
    items = [x for x in re.split(r"\s*[,;]\s*|\s+|(?<=[0-9])-(?=[0-9])", inner) if x]
    enclosed = bare[:1] in ("[", "(", "{")
    if len(items) <= (0 if enclosed else 1) or not all(re.fullmatch(_NUMBER, x) for x in items):
        return ""
    return f"[{', '.join(items)}]"


def _pair(match: re.Match[str]) -> str:
    """A list of two numbers, unless they may be one with a decimal comma."""
    one, comma, two = match.groups()
    is_list = "." in one + two or len(comma) > 1 or two[0] in "+-"
    return f"[{one}, {two}]" if is_list else ""


def _without_zeros(match: re.Match[str]) -> str:
    sign, digits = match.groups()
    digits = digits.lstrip("0")
    return sign + (f"0{digits}" if digits[:1] in ("", ".") else digits)


def _point(match: re.Match[str]) -> str:
    return match[1].replace(",", ".")


_TRUTH = "|".join(_TRUE := ("true", "yes", "on")) + "|false|no|off"
_FRACTION = r"(-?(?:[0-9]+[ -])?[0-9]+/[0-9]+)"
_LIST_SIGNS = r"[-+0-9.,;\s\[\](){}]+"
_ALONE = "The number alone"

_QUOTED: tuple[Rule, ...] = (
    (rf"(?!{_NUMBER})(?:([^'\"][^\"]*)\"|([^'\"][^']*)')",
     "has a quote at the end alone", "Quotes on both sides", _body),
    (r"""(?:"([^"]*)'|'([^']*)")\s*""",
     "begins and ends with different quotes", "The same on both sides", _body),
    (r"""(?:"((?:[^"\\]|\\.)*\\?)|'([^']*))""",
     "has a quote that is not closed", "Quotes on both sides", _body),
    (r'"((?=.*\\)(?:[^"\\]|\\.)*)"',
     "has a backslash inside double quotes", "Single quotes round it", r"'\1'"),
    (rf"({_STRING.pattern})\s*([,;.])",
     "has {2} after the value", "The value alone", r"\1"),
    (r'"(.*".*)"', "has double quotes inside double quotes", "Single quotes outside",
     lambda match: _in_quotes(match[1].replace("\\", ""))),
    (rf"({_STRING.pattern})\s*([^#\[=\s].*)",
     "has text after the value", "A remark begins with #", r"\1  # \2"),
)  # fmt: skip
"""Slips in and about quotes: pattern of a value, what is wrong, what to write, the value as meant.
In the words, {1} is the first group of the pattern, and so on; {0} is all of it."""

_PLAIN: tuple[Rule, ...] = (
    (rf"({_NUMBER})\s*(,\s*)({_NUMBER})",
     "is a list without brackets", "Square brackets round it", _pair),
    (r"([+-]?[1-9][0-9]{0,2}),([0-9]{3})", "is {0}",
     "{1}{2} where the comma is between thousands, [{1}, {2}] for a list, else a full stop",
     r"\1.\2"),
    (r"([+-]?[0-9]+)\s*,([0-9]+)", "is {0}",
     "A full stop, not a comma, in a number ([{1}, {2}] for a list)", r"\1.\2"),
    (r"([0-9]{1,3})\s([0-9]{3})", "has a space inside a number", "The digits alone", r"\1\2"),
    (_LIST_SIGNS, "is a list of another form", "Square brackets, and commas between", _list),
    (r"([+-]?)0+(?=[0-9])([0-9]+(?:\.[0-9]+)?)",
     "has a zero before the number", _ALONE, _without_zeros),
    (r"([+-]?)\.([0-9]+)", "has no figure before the full stop", "With a zero", r"\g<1>0.\2"),
    (r"([+-]?[0-9]+)\.", "has no figure after the full stop", _ALONE, r"\1"),
    (_FRACTION, "is a fraction without quotes", "In quotes", r'"\1"'),
    (rf"{_FRACTION}\s*(\S.*)", "is a fraction without quotes and text behind it", "In quotes",
     r'"\1"'),
    (r"([+-]?[0-9]+(?:[.,][0-9]+)?)\s*([,;.])\s*", "has {2} after the number", _ALONE, _point),
    (r"([+-]?[0-9]+(?:[.,][0-9]+)?)\s*([^0-9.,:=\[\]{}][^:=\[\]{}]*)",
     "has {last} after the number", "The number alone, its unit is in the key's name", _point),
    (rf"(?i:({_TRUTH}))[,;.]*", "is {0}", "{meant}, in small letters",
     lambda match: str(match[1].casefold() in _TRUE).lower()),
    (r"([^\W\d_][^\[\]{}=]*)", "is a text without quotes", "Quotes round it",
     lambda match: _in_quotes(match[1].rstrip(",;"))),
)  # fmt: skip
"""Slips in a value without its comment."""


def _as(instead: str, meant: str) -> str:
    line = meant.strip()
    fits = len(line) <= 100 and line.isprintable()
    return f"{instead}: {line}" if fits else instead

"""What people slip into a TOML file: curly quotes, decimal commas, missing quotes and the like.

A line that the reader refuses is checked for what was probably meant. Each kind of slip says what
was found and what to write; a slip is named only if the line as meant is TOML.
"""

from __future__ import annotations

import re
import tomllib
import unicodedata
from collections.abc import Callable, Iterator
from dataclasses import dataclass

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
_SINGLE = "‘’‚‛′"
_MINUS = "−–—"
_STRING = re.compile(r'"(?:[^"\\]|\\.)*"|\'[^\']*\'')
_NUMBER = r"[+-]?[0-9]+(?:[.][0-9]+)?"
_COMMENT_SIGNS = re.compile(r"\s*(;|//|--|/\*|%|!)")
_ASSIGNMENT = re.compile(r"(\s*)([A-Za-z0-9_-]+|\"[^\"]+\")(\s*)(:=|=>|==|=|:)?(\s*)(.*?)\s*$")
_HEADER = re.compile(r"\s*(\[*)\s*([A-Za-z0-9_. \"-]*?)\s*(\]*)\s*(?:#.*)?$")
_TRUTH = {"true": "true", "yes": "true", "on": "true", "false": "false", "no": "false",
          "off": "false"}  # fmt: skip


def slip_in(line: str) -> Slip | None:
    """The slip in a line; None if no known one."""
    if _is_toml(line):
        return None
    for look in (_lookalikes, _unprintable, _header, _other_comment, _statement):
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


def _outside_strings(line: str) -> Iterator[tuple[int, str]]:
    """Each character of a line outside strings and comments, with its place."""
    at = 0
    while at < len(line) and line[at] != "#":
        if (string := _STRING.match(line, at)) is not None:
            at = string.end()
            continue
        yield at, line[at]
        at += 1


def _lookalikes(line: str) -> Slip | None:
    """Characters that only look like the plain ones, or are invisible."""
    outside = list(_outside_strings(line))
    kinds: list[tuple[str, str, str, Callable[[str], str]]] = [
        ("curly quotes", "Straight quotes", _DOUBLE + _SINGLE, lambda _: '"'),
        ("a dash for a minus sign", "The hyphen of the keyboard", _MINUS, lambda _: "-"),
    ]
    for name, instead, signs, plain in kinds:
        if any(sign in signs for _, sign in outside):
            meant = "".join(plain(c) if c in signs else c for c in line)
            if name == "curly quotes" and not _is_toml(meant):  # an apostrophe inside the text
                meant = "".join('"' if c in _DOUBLE else c for c in line)
            return _better(Slip(f"has {name}", _as(instead, meant), meant), meant)
    for _, sign in outside:
        if sign != " " and unicodedata.category(sign) in ("Zs", "Zl", "Zp", "Cf"):
            name = unicodedata.name(sign, "a character that is not seen").lower()
            meant = "".join(
                " " if unicodedata.category(c) in ("Zs", "Zl", "Zp") else c
                for c in line
                if unicodedata.category(c) != "Cf"
            )
            wrong = f"has a {name} (U+{ord(sign):04X}) in it"
            return _better(Slip(wrong, _as("A plain space, or none", meant), meant), meant)
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


def _better(slip: Slip, mended: str) -> Slip:
    """``slip``, or what remains after correcting it, with both described."""
    if _is_toml(mended) or not mended.strip():
        return slip
    for look in (_header, _other_comment, _statement):
        more = look(mended)
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


def _statement(line: str) -> Slip | None:
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
    found = _value(value)
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


def _value(text: str) -> Found | None:
    """What is wrong with a value, what to write instead, and the value as meant."""
    if _is_toml(f"a = {text}"):
        return None
    for look in (_half_quoted, _quoted, _listed, _numeric, _worded):
        found = look(text)
        if found is not None and _is_toml(f"a = {found[2]}"):
            return found
    return None


def _half_quoted(text: str) -> Found | None:
    """A text with a quote on one side, or different ones."""
    if text[:1] not in ("'", '"'):
        if text[-1:] in ("'", '"') and text[-1] not in text[:-1] and not re.match(_NUMBER, text):
            return "has a quote at the end alone", "Quotes on both sides", _in_quotes(text[:-1])
        return None
    if _STRING.match(text) is not None:
        return None
    body = text[1:].rstrip()
    if body[-1:] in ("'", '"'):
        both = "begins and ends with different quotes"
        return both, "The same on both sides", _in_quotes(body[:-1])
    return "has a quote that is not closed", "Quotes on both sides", _in_quotes(body)


def _quoted(text: str) -> Found | None:
    """A text in quotes, with something inside or after it that does not belong there."""
    string = _STRING.match(text)
    if string is None:
        return None
    rest = text[string.end() :].strip()
    if not rest and "\\" in text and text[0] == '"':
        meant = f"'{text[1:-1]}'"
        return "has a backslash inside double quotes", "Single quotes round it", meant
    if rest in (",", ";", "."):
        return f"has {rest} after the value", "The value alone", string[0]
    if text[0] == '"' and text.count('"') > 2 and text.endswith('"'):
        meant = _in_quotes(text[1:-1].replace("\\", ""))
        return "has double quotes inside double quotes", "Single quotes outside", meant
    if not rest or rest.startswith(("#", "[", "=")):
        return None
    return "has text after the value", "A remark begins with #", f"{string[0]}  # {rest}"


def _in_quotes(text: str) -> str:
    body = text.strip()
    return f"'{body}'" if '"' in body or "\\" in body else f'"{body}"'


def _listed(text: str) -> Found | None:
    """A list with other signs than square brackets and commas, or with none."""
    bare = text.split("#", maxsplit=1)[0].strip()
    item = r"[+-]?[0-9]+(?:\.[0-9]+)?"
    if match := re.fullmatch(rf"({item})\s*,\s*({item})", bare):
        one, two = match.groups()
        meant = f"{one}.{two}"
        if "." in one + two or re.search(r",\s", bare) or two[0] in "+-":
            return "is a list without brackets", "Square brackets round it", f"[{one}, {two}]"
        also = f"A full stop, not a comma, in a number ([{one}, {two}] for a list)"
        return f"is {shown(bare)[1:-1]}", also, meant
    inner = bare.strip("[](){}").strip()
    items = re.split(r"\s*[,;]\s*|\s+|(?<=[0-9])-(?=[0-9])", inner)
    items = [each for each in items if each]
    enclosed = bare[:1] in ("[", "(", "{")
    if len(items) > (0 if enclosed else 1) and all(re.fullmatch(item, each) for each in items):
        meant = f"[{', '.join(items)}]"
        if not enclosed and len(items) == 2 and re.fullmatch(r"[0-9]{1,3}\s[0-9]{3}", bare):
            return "has a space inside a number", "The digits alone", "".join(items)
        return "is a list of another form", "Square brackets, and commas between", meant
    return None


def _numeric(text: str) -> Found | None:
    """A number of another form, or with something after it."""
    bare = text.split("#", maxsplit=1)[0].strip()
    if re.fullmatch(r"[+-]?0+[0-9]+(?:\.[0-9]+)?", bare):
        sign = bare[0] if bare[0] in "+-" else ""
        digits = bare.lstrip("+-").lstrip("0")
        digits = f"0{digits}" if digits[:1] in ("", ".") else digits
        return "has a nought before the number", "The number alone", sign + digits
    if match := re.fullmatch(r"([+-]?)\.([0-9]+)", bare):
        return "has no figure before the full stop", "With a nought", f"{match[1]}0.{match[2]}"
    if match := re.fullmatch(r"([+-]?[0-9]+)\.", bare):
        return "has no figure after the full stop", "The number alone", match[1]
    if match := re.fullmatch(r"(-?(?:[0-9]+[ -])?[0-9]+/[0-9]+)\s*(.*)", bare):
        more = " and text behind it" if match[2] else ""
        return f"is a fraction without quotes{more}", "In quotes", f'"{match[1]}"'
    if match := re.fullmatch(r"([+-]?[0-9]+)([.,])([0-9]+)\s*(\S.*)?", bare):
        number = f"{match[1]}.{match[3]}"
        if match[4] is None and match[2] == ",":
            return "has a decimal comma", "A full stop", number
        if match[4] is not None:
            return _with_unit(number, match[4])
    if match := re.fullmatch(r"([+-]?[0-9]+)\s*([^0-9.,].*|[.,]$)", bare):
        return _with_unit(match[1], match[2])
    return None


def _with_unit(number: str, behind: str) -> Found | None:
    if behind.rstrip() in (",", ";", "."):
        return f"has {behind.strip()} after the number", "The number alone", number
    if any(each in behind for each in ":=[]{}"):
        return None
    return (
        f"has {shown(behind.strip())} after the number",
        "The number alone, its unit is in the key's name",
        number,
    )


def _worded(text: str) -> Found | None:
    """A word without quotes."""
    bare = text.split("#", maxsplit=1)[0].strip()
    if (truth := _TRUTH.get(bare.casefold().rstrip(",;."))) is not None:
        return f"is {bare}", f"{truth}, in small letters", truth
    if not bare or not bare[0].isalpha() or any(each in bare for each in "[]{}="):
        return None
    return "is a text without quotes", "Quotes round it", _in_quotes(bare.rstrip(",;"))


def _as(instead: str, meant: str) -> str:
    line = meant.strip()
    fits = len(line) <= 100 and line.isprintable()
    return f"{instead}: {line}" if fits else instead

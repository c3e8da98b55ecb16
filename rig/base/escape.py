"""Safe text; messages; what a terminal can show."""

from __future__ import annotations

import os
import sys
import unicodedata
from functools import lru_cache
from html import escape
from typing import TextIO

LIMIT = 2000

_FIRST_MARK = "\u0300"

_PLAIN = {
    "°": " deg", "±": "+/-", "…": "~", "–": "-", "—": "-", "−": "-", "·": ".", "×": "x",
    "’": "'", "‘": "'", "“": '"', "”": '"', "→": "->", "µ": "u", "│": "|", "─": "-", "╌": ".",
    "━": "=", "┣": "[", "┫": "]", "┿": "+", "▒": "%", "█": "#", "░": ".", "▌": "[", "▐": "]",
    "▼": "v", "◀": "<", "▶": ">", "◆": "M", "●": "o", "■": "#", "□": ".", "▀": "#",
}  # fmt: skip


@lru_cache(maxsize=4096)
def clean(text: str, unicode: bool = True) -> str:
    """``text`` without anything that could steer a terminal, on one line.

    Control and format characters (escape sequences, reversed writing, joiners), private and
    unassigned ones become ``?``; more than two marks on one letter are dropped; white space
    becomes one space each. Without ``unicode`` only ASCII is left.
    """
    if len(text) > LIMIT:
        text = text[:LIMIT] + "…"
    if not (text.isprintable() and max(text, default="") < _FIRST_MARK):
        text = "".join(_harmless(text))
    if not unicode and not text.isascii():
        text = text.replace(" °", "°")
        text = "".join(_PLAIN.get(character) or _ascii(character) for character in text)
    return text


def _harmless(text: str) -> list[str]:
    kept: list[str] = []
    marks = 0
    for character in unicodedata.normalize("NFC", text):
        category = unicodedata.category(character)
        if "\ufe00" <= character <= "\ufe0f":  # variation selectors change widths
            continue
        marks = marks + 1 if category in ("Mn", "Me") else 0
        if character in "\t\n\r\v\f" or category in ("Zs", "Zl", "Zp"):
            kept.append(" ")
        elif category[0] == "C" or _joins(character):
            kept.append("?")
        elif category[0] != "M" or (kept and marks <= 2):
            kept.append(character)
    return kept


def _joins(character: str) -> bool:
    """Characters that melt with their neighbours: flag letters and skin tones."""
    return "\U0001f1e6" <= character <= "\U0001f1ff" or "\U0001f3fb" <= character <= "\U0001f3ff"


def _ascii(character: str) -> str:
    if character.isascii():
        return character
    bare = unicodedata.normalize("NFKD", character).encode("ascii", "ignore").decode()
    return bare if bare.isprintable() and bare else "?"


LONGEST_TEXT = 240

_UNSEEN = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}


LONGEST_TROUBLE = 10_000
"""Characters of a sentence on a file that was left out: its whole path has room in it."""


def visible(text: str, longest: int = LONGEST_TEXT) -> str:
    """Give ``text`` with every character that is not seen, or turns others round, spelt out.

    Control characters, overrides of the writing direction, surrogates, private and unassigned
    characters become e.g. ``[U+202E]``; every white space becomes a blank. Text longer than
    ``longest`` characters is cut.
    """
    cut = text if len(text) <= longest else text[: longest - 1] + "…"
    return "".join(_seen(each) for each in cut)


def _seen(character: str) -> str:
    if character in "\t\n\r" or unicodedata.category(character) == "Zs":
        return " "
    if unicodedata.category(character) in _UNSEEN:
        return f"[U+{ord(character):04X}]"
    return character


def ink(text: str) -> str:
    """Give foreign ``text`` for the page: visible, escaped, its writing direction its own."""
    return f"<bdi>{escape(visible(text))}</bdi>"


def harmless(text: str, stream: TextIO) -> str:
    """Each line of ``text`` without anything that could steer the terminal behind ``stream``."""
    unicode = shows_unicode(stream)
    return "\n".join(clean(line, unicode) for line in text.split("\n"))


def message(text: str) -> None:
    """One line on standard error."""
    sys.stderr.write(harmless(text, sys.stderr) + "\n")
    sys.stderr.flush()


def shows_colour(out: TextIO) -> bool:
    """Whether colours are wanted: a terminal that is not ``dumb``, and ``NO_COLOR`` not set."""
    return out.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


def shows_unicode(out: TextIO) -> bool:
    """Whether ``out`` can carry the characters that the screen draws with.

    A stream without an encoding keeps text as it is, so it can.
    """
    try:
        "█▀▄░▒─━┿◆▼▶■□│°±…".encode(out.encoding or "utf-8")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def is_screen(out: TextIO, keys: TextIO) -> bool:
    """Whether a dashboard can be shown: a terminal out and in, and not a ``dumb`` one."""
    return out.isatty() and keys.isatty() and os.environ.get("TERM") != "dumb"

"""Text made safe for a terminal or a page; messages; what a terminal can show."""

from __future__ import annotations

import os
import re
import sys
import unicodedata
from functools import lru_cache
from html import escape
from typing import TextIO

LIMIT = 2000

_FIRST_MARK = "\u0300"
_JOINING = re.compile("[\U0001f1e6-\U0001f1ff\U0001f3fb-\U0001f3ff]")  # flag letters, skin tones

_PLAIN = {
    "°": " deg", "±": "+/-", "…": "~", "–": "-", "—": "-", "−": "-", "·": ".", "×": "x",
    "’": "'", "‘": "'", "“": '"', "”": '"', "→": "->", "µ": "u", "│": "|", "─": "-", "╌": ".",
    "━": "=", "┣": "[", "┫": "]", "┿": "+", "▒": "%", "█": "#", "░": ".", "▌": "[", "▐": "]",
    "▼": "v", "◀": "<", "▶": ">", "◆": "M", "●": "o", "■": "#", "□": ".", "▀": "#",
}  # fmt: skip


@lru_cache(maxsize=4096)
def clean(text: str, unicode: bool = True) -> str:
    """``text`` on one line, without anything that could control a terminal.

    Control and format characters (escape sequences, reversed writing, joiners), private and
    unassigned ones become ``?``; further marks than two on a letter are dropped; white space
    becomes one space each. Without ``unicode`` the result is ASCII.
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
        elif category[0] == "C" or _JOINING.match(character):
            kept.append("?")
        elif category[0] != "M" or (kept and marks <= 2):
            kept.append(character)
    return kept


def _ascii(character: str) -> str:
    if character.isascii():
        return character
    bare = unicodedata.normalize("NFKD", character).encode("ascii", "ignore").decode()
    return bare if bare.isprintable() and bare else "?"


LONGEST_TEXT = 240

_UNSEEN = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}


LONGEST_TROUBLE = 10_000  # longest sentence about a file that was left out: its whole path fits


def visible(text: str, longest: int = LONGEST_TEXT) -> str:
    """``text`` with every character spelt out that is invisible or changes others' direction.

    Control characters, overrides of the writing direction, surrogates, private and unassigned
    characters become e.g. ``[U+202E]``; every white space becomes a blank. Text longer than
    ``longest`` characters is cut.
    """
    cut = text if len(text) <= longest else text[: longest - 1] + "…"
    return cut if cut.isprintable() else "".join(_seen(each) for each in cut)


def _seen(character: str) -> str:
    if character in "\t\n\r" or unicodedata.category(character) == "Zs":
        return " "
    if unicodedata.category(character) in _UNSEEN:
        return f"[U+{ord(character):04X}]"
    return character


def ink(text: str) -> str:
    """Foreign ``text`` for the page: visible, escaped, with a writing direction of its own."""
    return f"<bdi>{escape(visible(text))}</bdi>"


def harmless(text: str, stream: TextIO) -> str:
    """``text`` with each line safe for the terminal behind ``stream``."""
    unicode = shows_unicode(stream)
    return "\n".join(clean(line, unicode) for line in text.split("\n"))


def message(text: str) -> None:
    """One line on standard error."""
    sys.stderr.write(harmless(text, sys.stderr) + "\n")
    sys.stderr.flush()


def shows_colour(out: TextIO) -> bool:
    """Whether to use colours: on a terminal that is not ``dumb``, unless ``NO_COLOR`` is set."""
    return out.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


def shows_unicode(out: TextIO) -> bool:
    """Whether ``out`` can show the characters that the screen draws with.

    A stream without an encoding keeps text as it is, so it can.
    """
    try:
        "█▀▄░▒─━┿◆▼▶■□│°±…".encode(out.encoding or "utf-8")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def is_screen(out: TextIO, keys: TextIO) -> bool:
    """Whether a dashboard is possible: terminals in and out that are not ``dumb``."""
    return out.isatty() and keys.isatty() and os.environ.get("TERM") != "dumb"

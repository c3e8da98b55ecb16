"""Text for the screen: made harmless; plain numbers and times. Angles: ``rig.engine.stated``."""

from __future__ import annotations

import math
import unicodedata
from functools import lru_cache

from rig.engine import stated

LIMIT = 2000
"""Longest text taken over, in characters; what is longer is cut."""

_FIRST_MARK = "\u0300"
"""What is printable and comes before it is harmless; most lines are so (° and ± are)."""

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


def number(value: float | None, decimals: int = 1) -> str:
    """A figure with its decimals, or a dash where there is none."""
    if value is None or not math.isfinite(value):
        return "–"
    return stated.figure(value, decimals=decimals)


def degrees(value: float | None, decimals: int = 1) -> str:
    """``1.4°``, or a dash where there is no figure."""
    text = number(value, decimals)
    return text if text == "–" else text + "°"


def clock(seconds: float) -> str:
    """Elapsed time: ``4:07`` or ``1:04:07``."""
    whole = max(0, int(seconds)) if math.isfinite(seconds) else 0
    hours, rest = divmod(whole, 3600)
    minutes, left = divmod(rest, 60)
    return f"{hours}:{minutes:02d}:{left:02d}" if hours else f"{minutes}:{left:02d}"

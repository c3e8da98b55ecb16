"""Text for the screen: made harmless, and angles in the trade's words."""

from __future__ import annotations

import math
import unicodedata
from functools import lru_cache

from rig.engine.uncertainty import round_for_show

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


def decimals_for(U_deg: float | None) -> int:
    """Decimals that show two figures of an uncertainty, never finer than 0.01 degree.

    One decimal when the uncertainty is not known.
    """
    if U_deg is None or not 0.0 <= U_deg < math.inf:
        return 1
    return len(round_for_show(0.0, U_deg)[1].partition(".")[2])


def within(U_deg: float | None) -> str:
    """``±0.16°``, to two figures; empty when the uncertainty is not known."""
    if U_deg is None or not 0.0 <= U_deg < math.inf:
        return ""
    return f"±{round_for_show(0.0, U_deg)[1]}°"


def number(value: float | None, decimals: int = 1) -> str:
    """A figure with its decimals, or a dash where there is none."""
    if value is None or not math.isfinite(value):
        return "–"
    text = f"{value:.{decimals}f}"
    return text[1:] if text.startswith("-") and not text.strip("-0.") else text


def degrees(value: float | None, decimals: int = 1) -> str:
    """``1.4°``, or a dash where there is no figure."""
    text = number(value, decimals)
    return text if text == "–" else text + "°"


def figure_and_side(btdc_deg: float, decimals: int = 1) -> tuple[str, str]:
    """The figure without sign, and ``BTDC`` or ``ATDC``; what rounds to nothing is BTDC."""
    size = number(abs(btdc_deg), decimals)
    return size, "ATDC" if btdc_deg < 0.0 and size.strip("0.") else "BTDC"


def btdc(value: float | None, decimals: int = 1) -> str:
    """``36.2° BTDC``; after top dead centre ``4.0° ATDC``. ``value`` is degrees BTDC."""
    if value is None or not math.isfinite(value):
        return "–"
    return "° ".join(figure_and_side(value, decimals))


def clock(seconds: float) -> str:
    """Elapsed time: ``4:07`` or ``1:04:07``."""
    whole = max(0, int(seconds)) if math.isfinite(seconds) else 0
    hours, rest = divmod(whole, 3600)
    minutes, left = divmod(rest, 60)
    return f"{hours}:{minutes:02d}:{left:02d}" if hours else f"{minutes}:{left:02d}"

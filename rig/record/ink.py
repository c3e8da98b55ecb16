"""Text as it goes to paper: nothing in it can do harm. Figures: ``rig.engine.stated``."""

from __future__ import annotations

import unicodedata
from html import escape

from rig.engine import stated

LONGEST_TEXT = 240
"""Characters of one piece of foreign text that are shown; what follows becomes an ellipsis."""

_UNSEEN = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}


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


def entered(angle_deg: float) -> str:
    """Give an angle that somebody entered, as finely as it was: "36°", "35.25°"."""
    return f"{stated.entered(angle_deg)}°"


def grouped(digits: str, group: int = 8) -> str:
    """Give a row of digits in groups, so that an eye can follow them."""
    return " ".join(digits[i : i + group] for i in range(0, len(digits), group))

"""Text and figures as they go to paper: nothing in them can do harm, nothing is too fine."""

from __future__ import annotations

import math
import unicodedata
from html import escape

from rig.engine.uncertainty import round_for_show

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


def figure(value_deg: float, U_deg: float | None = None) -> str:
    """Give an angle as its digits, as finely as its expanded uncertainty warrants.

    Without an uncertainty to 0.01 degree; "?" for what is not a number.
    """
    if not math.isfinite(value_deg):
        return "?"
    known = U_deg is not None and math.isfinite(U_deg) and U_deg >= 0.0
    return round_for_show(value_deg, U_deg if known and U_deg is not None else 0.0)[0]


def spread(U_deg: float) -> str:
    """Give an expanded uncertainty as its digits; "∞" when nothing is known."""
    if not math.isfinite(U_deg) or U_deg < 0.0:
        return "∞"
    return round_for_show(0.0, U_deg)[1]


def difference(value_deg: float, U_deg: float | None = None) -> str:
    """Give a difference as its digits with its sign: "+0.17", "−0.16"."""
    digits = figure(value_deg, U_deg)
    return digits.replace("-", "−") if value_deg < 0 else f"+{digits}"


def stated(angle_deg: float) -> str:
    """Give an angle that somebody stated, as finely as it was stated: "36°", "35.25°"."""
    return f"{angle_deg:.4f}".rstrip("0").rstrip(".") + "°"


def opening(btdc_deg: float, U_deg: float | None = None) -> tuple[str, str]:
    """Give an opening as its digits and the side of top dead centre: "36.2", "BTDC"."""
    digits = figure(btdc_deg, U_deg)
    return (digits[1:], "ATDC") if digits.startswith("-") else (digits, "BTDC")


def grouped(digits: str, group: int = 8) -> str:
    """Give a row of digits in groups, so that an eye can follow them."""
    return " ".join(digits[i : i + group] for i in range(0, len(digits), group))

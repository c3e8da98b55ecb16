"""Figures as they are stated.

Figures as they are stated: to the digits that their uncertainty warrants, everywhere alike.

Screen, commands, page, drawings, speech and history take their digits from here, so that the same
figure has the same digits wherever it is read. The rules:

* An expanded uncertainty U has two significant figures, and the value is rounded to the last place
  of U (JCGM 100:2008, 7.2.6). Halves round away from zero, so that U never appears as more than a
  twentieth below what it is.
* A value whose uncertainty is not known, one reading for example, is stated to a hundredth of a
  degree. An uncertainty is never stated as zero: one of nothing is one that is not known.
* An angle is brought into its turn after it was rounded: 359.9996 to three decimals is 0.000.

What is computed and what ``--json`` prints keeps all its digits.

Numbers with their nouns, and lists: in one place, so that no sentence says "1 touches".
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from decimal import ROUND_HALF_UP, Decimal

from rig.base.angles import modulo, wrap

UNKNOWN_TO = 2
"""Decimals of an angle in degrees whose uncertainty is not known."""

LEAST_U = Decimal("0.000001")
"""A smaller uncertainty is stated as this: no rig comes near it, and digits have to end."""

AS_ENTERED = 4
"""Decimals at most of an angle that somebody entered."""

NOT_KNOWN = "not known"
FEW_FACTOR = 3.0
"""From this Student factor on (under 4 degrees of freedom) U says more of how few readings there
were than of how they scatter, and what it comes from is said."""


def is_known(U: float | None) -> bool:
    """Whether ``U`` is a size that can be stated: finite and above 0."""
    return U is not None and math.isfinite(U) and U > 0.0


def figure(value: float, U: float | None = None, *, decimals: int = UNKNOWN_TO) -> str:
    """``value`` rounded to the last place of its expanded uncertainty ``U``, in the same unit.

    To ``decimals`` where ``U`` is not known; "?" for what is no number. No sign on a zero.
    """
    if not math.isfinite(value):
        return "?"
    return _text(_rounded(value, _place(U, decimals)))


def size(value: float, U: float | None = None, *, decimals: int = UNKNOWN_TO) -> str:
    """The size of ``value``, without its sign; else as ``figure``."""
    return figure(abs(value), U, decimals=decimals)


def rate(value: float, U: float) -> str:
    """The size of a rate with its expanded uncertainty: as ``size``, and to one place more where it
    is smaller than ``U``, so that a small drift does not read as none."""
    return size(value, U if abs(value) >= U else U / 10.0)


def two_figures(U: float | None) -> str:
    """An expanded or standard uncertainty to two significant figures: "0.16", "0.023", "130".

    ``NOT_KNOWN`` where there is none, or one of nothing.
    """
    if U is None or not is_known(U):
        return NOT_KNOWN
    return _text(_to_place(max(Decimal(repr(float(U))), LEAST_U), _place(U, UNKNOWN_TO)))


def within(U: float | None) -> str:
    """``±0.16°``; empty where the uncertainty is not known."""
    return f"±{two_figures(U)}°" if is_known(U) else ""


def scatter(sd: float | None) -> str:
    """A standard deviation to two significant figures; "–" of one value, "0" of equal ones."""
    if sd is None or not math.isfinite(sd):
        return "–"
    return two_figures(sd) if sd > 0.0 else "0"


def u_part(u: float) -> str:
    """A contribution's standard uncertainty to two significant figures; "none" of nothing."""
    return two_figures(u) if u > 0.0 else "none"


def difference(value: float, U: float | None = None) -> str:
    """A difference with its sign: "+0.17", "−0.16"; zero has none."""
    digits = figure(value, U)
    if digits.startswith("-"):
        return "−" + digits[1:]
    return digits if _is_zero(digits) or digits == "?" else "+" + digits


def opening(
    btdc_deg: float, U: float | None = None, *, decimals: int = UNKNOWN_TO
) -> tuple[str, str]:
    """An angle against top dead centre as digits and "BTDC" or "ATDC"; in (-180, 180] as shown.

    What rounds to nothing, and to half a turn, is BTDC.
    """
    if not math.isfinite(btdc_deg):
        return "?", "BTDC"
    shown = _rounded(wrap(btdc_deg), _place(U, decimals))
    if shown <= -180:
        shown += 360
    elif shown > 180:
        shown -= 360
    return _text(abs(shown)), "ATDC" if shown < 0 else "BTDC"


def btdc(value: float | None, U: float | None = None, *, decimals: int = UNKNOWN_TO) -> str:
    """``36.23° BTDC``; after top dead centre ``4.00° ATDC``; a dash where there is no angle."""
    if value is None or not math.isfinite(value):
        return "–"
    return "° ".join(opening(value, U, decimals=decimals))


def btdc_with(value: float | None, U: float | None) -> str:
    """``36.23° BTDC ±0.16°``; without an uncertainty the angle alone."""
    return f"{btdc(value, U)} {within(U)}".rstrip()


def after_index(angle_deg: float, U: float | None = None, *, decimals: int = UNKNOWN_TO) -> str:
    """Digits of an angle after the index, in [0, 360) as they are shown."""
    if not math.isfinite(angle_deg):
        return "?"
    shown = _rounded(modulo(angle_deg), _place(U, decimals))
    return _text(shown - 360 if shown >= 360 else shown)


def after_index_with(angle_deg: float, U: float | None) -> str:
    """``12.34° after the index ±0.16°``; without an uncertainty the angle alone."""
    return f"{after_index(angle_deg, U)}° after the index {within(U)}".rstrip()


def entered(angle_deg: float) -> str:
    """Digits of an angle that somebody entered, as finely as that: "36", "35.25", "-4"."""
    text = _text(_rounded(angle_deg, Decimal(1).scaleb(-AS_ENTERED)))
    return text.rstrip("0").rstrip(".") if "." in text else text


def entered_btdc(btdc_deg: float) -> str:
    """``36.5° BTDC``, ``4° ATDC``: a limit or a nominal figure as it was entered."""
    digits = entered(wrap(btdc_deg))
    return f"{digits[1:]}° ATDC" if digits.startswith("-") else f"{digits}° BTDC"


def _place(U: float | None, decimals: int) -> Decimal:
    """The last place that is stated, as a power of ten."""
    if U is None or not is_known(U):
        return Decimal(1).scaleb(-decimals)
    of = max(Decimal(repr(float(U))), LEAST_U)
    # Rounding may carry into a new figure: 0.996 is stated as 1.0, not as 1.00.
    return _second_figure(_to_place(of, _second_figure(of)))


def _second_figure(of: Decimal) -> Decimal:
    return Decimal(1).scaleb(of.adjusted() - 1)


def _rounded(value: float, place: Decimal) -> Decimal:
    return _to_place(Decimal(repr(float(value))), place)


def _to_place(of: Decimal, place: Decimal) -> Decimal:
    """``of`` rounded to a multiple of ``place``; plain digits, also for tens and hundreds."""
    steps = (of / place).to_integral_value(ROUND_HALF_UP)
    return (steps * place).quantize(min(place, Decimal(1)))


def _text(of: Decimal) -> str:
    return f"{of or abs(of):f}"


def _is_zero(digits: str) -> bool:
    return not digits.strip("0.")


def many(n: object, one: str, several: str = "") -> str:
    """A number with its noun: "1 reading", "2 readings"; ``several`` where an s does not do."""
    return f"{n} {noun(n, one, several)}"


def noun(n: object, one: str, several: str = "") -> str:
    """The noun alone as it goes with ``n``: "reading" with 1, else "readings" or ``several``."""
    return one if str(n) == "1" else several or one + "s"


def listed(items: Iterable[object]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    *first, last = [str(each) for each in items] or [""]
    return f"{', '.join(first)} and {last}" if first else last

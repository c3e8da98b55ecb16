"""Figures rounded to the digits that their uncertainty warrants, the same everywhere.

Screen, commands, page, drawings, speech and history use these functions, so a figure has the same
digits wherever it is read. The rules:

* An expanded uncertainty U has two significant figures, and the value is rounded to the last place
  of U (JCGM 100:2008, 7.2.6). Halves round away from zero, so U is never shown more than a
  twentieth too small.
* A value whose uncertainty is not known, such as a single reading, is given to a hundredth of a
  degree. An uncertainty is never given as zero: zero means not known.
* An angle is wrapped after rounding: 359.9996 to three decimals is 0.000.

Computed values and ``--json`` keep all their digits.

Numbers with their nouns, and lists, are made here too, so that no sentence says "1 touches".
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from decimal import ROUND_HALF_UP, Decimal

from rig.base.angles import modulo, wrap

UNKNOWN_TO = 2  # decimals of an angle in degrees whose uncertainty is not known
LEAST_U = Decimal("0.000001")
"""Smallest uncertainty shown: no rig comes near it, and digits have to end."""

AS_ENTERED = 4  # most decimals of an angle that somebody entered
ENTERED_WITHIN_DEG = 1e-7  # what sums of entered angles are off by is far less
NOT_KNOWN = "not known"
FEW_FACTOR = 3.0
"""From this Student factor on (under 4 degrees of freedom) U reflects the small number of readings
more than their scatter, so its origin is shown."""


def is_known(U: float | None) -> bool:
    """Whether ``U`` can be shown: finite and above 0."""
    return U is not None and math.isfinite(U) and U > 0.0


def figure(value: float, U: float | None = None, *, decimals: int = UNKNOWN_TO) -> str:
    """``value`` rounded to the last place of its expanded uncertainty ``U``, in the same unit.

    To ``decimals`` if ``U`` is not known; "?" for what is not a number. No sign on a zero.
    """
    if not math.isfinite(value):
        return "?"
    return _text(_rounded(value, _place(U, decimals)))


def size(value: float, U: float | None = None, *, decimals: int = UNKNOWN_TO) -> str:
    """The size of ``value``, without its sign; else as ``figure``."""
    return figure(abs(value), U, decimals=decimals)


def rate(value: float, U: float) -> str:
    """The size of a rate with its expanded uncertainty: as ``size``, and to one place more if it is
    smaller than ``U``, so that a small drift does not look like none."""
    return size(value, U if abs(value) >= U else U / 10.0)


def two_figures(U: float | None) -> str:
    """An expanded or standard uncertainty to two significant figures: "0.16", "0.023", "130".

    ``NOT_KNOWN`` if there is none, or zero.
    """
    if U is None or not is_known(U):
        return NOT_KNOWN
    return _text(_to_place(max(Decimal(repr(float(U))), LEAST_U), _place(U, UNKNOWN_TO)))


def within(U: float | None) -> str:
    """``±0.16°``; empty if the uncertainty is not known."""
    return f"±{two_figures(U)}°" if is_known(U) else ""


def scatter(sd: float | None) -> str:
    """A standard deviation to two significant figures; "–" for one value, "0" for equal ones."""
    if sd is None or not math.isfinite(sd):
        return "–"
    return two_figures(sd) if sd > 0.0 else "0"


def u_part(u: float) -> str:
    """A contribution's standard uncertainty to two significant figures; "none" for zero."""
    return two_figures(u) if u > 0.0 else "none"


def difference(value: float, U: float | None = None) -> str:
    """A difference with its sign: "+0.17", "−0.16"; zero has none."""
    digits = figure(value, U)
    if digits.startswith("-"):
        return "−" + digits[1:]
    return digits if not digits.strip("0.") or digits == "?" else "+" + digits


def opening(
    btdc_deg: float, U: float | None = None, *, decimals: int = UNKNOWN_TO
) -> tuple[str, str]:
    """An angle relative to TDC as digits and "BTDC" or "ATDC"; in (-180, 180] as shown.

    What rounds to zero, or to half a turn, is BTDC.
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
    """``36.23° BTDC``; after TDC ``4.00° ATDC``; a dash without an angle."""
    if value is None or not math.isfinite(value):
        return "–"
    return "° ".join(opening(value, U, decimals=decimals))


def btdc_with(value: float | None, U: float | None) -> str:
    """``36.23° BTDC ±0.16°``; without an uncertainty just the angle."""
    return f"{btdc(value, U)} {within(U)}".rstrip()


def after_index(angle_deg: float, U: float | None = None, *, decimals: int = UNKNOWN_TO) -> str:
    """Digits of an angle after the index, in [0, 360) as shown."""
    if not math.isfinite(angle_deg):
        return "?"
    shown = _rounded(modulo(angle_deg), _place(U, decimals))
    return _text(shown - 360 if shown >= 360 else shown)


def after_index_with(angle_deg: float, U: float | None) -> str:
    """``12.34° after the index ±0.16°``; without an uncertainty just the angle."""
    return f"{after_index(angle_deg, U)}° after the index {within(U)}".rstrip()


def entered(angle_deg: float) -> str:
    """Digits of an entered angle, as finely as entered: "36", "35.25", "-4"; to hundredths where it
    was worked out from a length or the like and has no end."""
    text = _text(_rounded(angle_deg, Decimal(1).scaleb(-AS_ENTERED)))
    if abs(angle_deg - float(text)) > ENTERED_WITHIN_DEG:
        text = _text(_rounded(angle_deg, Decimal(1).scaleb(-2)))
    return text.rstrip("0").rstrip(".") if "." in text else text


def entered_btdc(btdc_deg: float) -> str:
    """``36.5° BTDC``, ``4° ATDC``: a limit or a nominal as entered."""
    digits = entered(wrap(btdc_deg))
    return f"{digits[1:]}° ATDC" if digits.startswith("-") else f"{digits}° BTDC"


def _place(U: float | None, decimals: int) -> Decimal:
    """The last place shown, as a power of ten."""
    if U is None or not is_known(U):
        return Decimal(1).scaleb(-decimals)
    of = max(Decimal(repr(float(U))), LEAST_U)
    # Rounding may carry into a new figure: 0.996 is shown as 1.0, not as 1.00.
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


def many(n: object, one: str, several: str = "") -> str:
    """A number with its noun: "1 reading", "2 readings"; ``several`` if the plural is irregular."""
    return f"{n} {noun(n, one, several)}"


def noun(n: object, one: str, several: str = "") -> str:
    """The noun alone as it goes with ``n``: "reading" with 1, else "readings" or ``several``."""
    return one if str(n) == "1" else several or one + "s"


def listed(items: Iterable[object]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    *first, last = [str(each) for each in items] or [""]
    return f"{', '.join(first)} and {last}" if first else last

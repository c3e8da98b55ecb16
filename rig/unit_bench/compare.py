"""Two reports of units off the engine compared: what changed, and by more than both allow.

Earlier versions of a report can be compared, too.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, NamedTuple

from rig.base.angles import wrap
from rig.base.errors import InputError
from rig.base.rounding import difference as signed
from rig.base.rounding import figure, many, two_figures
from rig.base.uncertainty import root_sum, student_t
from rig.unit_bench.report import KIND, VERSION, Mean, is_angle

COVERAGE = 0.95


class Quantity(StrEnum):
    """What a report has a mean of, by its key there."""

    INTERVAL = "interval"
    CLOSED = "closed"
    OPENED = "opened"
    NEUTRAL = "neutral"
    BACKLASH = "backlash"
    IMPULSE_LAG = "impulse_lag"


WORDS = {
    Quantity.INTERVAL: "interval from lobe {}",
    Quantity.CLOSED: "closed before lobe {}",
    Quantity.OPENED: "open after lobe {}",
    Quantity.NEUTRAL: "neutral to opening of lobe {}",
    Quantity.BACKLASH: "backlash",
    Quantity.IMPULSE_LAG: "impulse lag",
}


class Result(NamedTuple):
    """Which result of a report: of one lobe by its number, or of the whole unit."""

    quantity: Quantity
    lobe: str = ""

    def __str__(self) -> str:
        return WORDS[self.quantity].format(self.lobe)

    def period_deg(self, poles: int | None) -> float:
        """Angles that differ by this are the same: a pole pitch for neutral, else a turn."""
        return 360.0 / poles if poles and poles > 0 and self.quantity is Quantity.NEUTRAL else 360.0


@dataclass(frozen=True, slots=True)
class UnitChange:
    """One result in two reports, degrees of the unit's shaft. ``change_deg``: second minus first.

    ``nu`` are the degrees of freedom behind ``U_deg``; math.inf if assumed.
    """

    figure: str
    first_deg: float
    second_deg: float
    change_deg: float
    U_deg: float
    nu: float
    changed: bool
    words: str


@dataclass(frozen=True, slots=True)
class UnitComparison:
    """Two reports compared, with notes."""

    changes: tuple[UnitChange, ...]
    notes: tuple[str, ...]

    @property
    def false_each(self) -> float:
        """How often, at most, an unchanged result is reported as changed."""
        return 1.0 - COVERAGE

    @property
    def false_any(self) -> float:
        """How often at least one result is, if none changed; they are taken as independent."""
        return 1.0 - COVERAGE ** len(self.changes)


def compare_reports(first: Mapping[str, Any], second: Mapping[str, Any]) -> UnitComparison:
    """What changed from one plain report to another of the same type of unit.

    A result changed if its difference is more than the expanded uncertainty of both, with Student's
    factor for their degrees of freedom. Neutral is compared modulo its pole pitch, other angles
    modulo a turn. A single reading has no SD and is not compared. The index may be elsewhere on the
    shaft, so only intervals and widths are compared. Raises InputError for something that is not a
    unit report, a newer version, or another type of unit. Source: JCGM 100:2008, 5.1.2 and G.4.1.
    """
    for each in (first, second):
        _check(each)
    one, two = first["unit"], second["unit"]
    for key in ("type", "lobes"):
        if one[key] != two[key]:
            raise InputError(
                f"the reports are of different units, {key} {one[key]} and {two[key]}: compare "
                "reports of the same type"
            )
    notes = []
    if one["serial"] != two["serial"]:
        notes.append(f"two units: serial {one['serial'] or '?'} and {two['serial'] or '?'}")
    before, after = dict(means_of(first["found"])), dict(means_of(second["found"]))
    if one.get("poles") != two.get("poles"):  # neutral is then counted differently
        notes.append("the poles are entered differently, so neutral is not compared")
        before, after = (
            {of: mean for of, mean in means.items() if of.quantity is not Quantity.NEUTRAL}
            for means in (before, after)
        )
    one_only = sorted(str(of) for of in before.keys() ^ after.keys())
    notes += [f"{name} is in one of the reports only" for name in one_only]
    both = [of for of in before if of in after]
    once = [of for of in both if min(before[of].n, after[of].n) < 2]
    if once:
        names = ", ".join(map(str, once))
        notes.append(f"read once and not compared: {names}; turn it five times")
    changes = tuple(
        _change(str(of), before[of], after[of], of.period_deg(one.get("poles")))
        for of in both
        if of not in once
    )
    return UnitComparison(changes, tuple(notes))


def in_short(first: Mapping[str, Any], second: Mapping[str, Any], found: UnitComparison) -> str:
    """What changed from the first report to the second, in a sentence."""
    units = [each["unit"] for each in (first, second)]
    names = [f"{each['type']} {each['serial']}".strip() for each in units]
    days = [str(each.get("made_utc", ""))[:10] for each in (first, second)]
    against = f"{names[0]} on {days[0]}" if names[0] != names[1] else f"{days[0]}"
    changed = [
        f"{each.figure} {signed(each.change_deg, each.U_deg)}°, U {two_figures(each.U_deg)}°"
        for each in found.changes
        if each.changed
    ]
    said = "no change detected"
    if changed:
        of = many(len(found.changes), "figure")
        said = f"changed: {'; '.join(changed)} ({len(changed)} of {of})"
    return f"{names[1]} on {days[1]} against {against}: {said}"


def _check(plain: Mapping[str, Any]) -> None:
    if plain.get("kind") != KIND:
        raise InputError(f"this is not a unit report, but {plain.get('kind', 'something else')!r}")
    if not isinstance(plain.get("version"), int) or plain["version"] > VERSION:
        raise InputError(
            f"this unit report has version {plain.get('version')!r}, this program reads up to "
            f"{VERSION}: use a newer program"
        )
    if not {"unit", "found"} <= plain.keys():
        raise _not_whole("its unit or its figures are missing")


def _not_whole(what: str) -> InputError:
    return InputError(f"this unit report is incomplete: {what}")


def means_of(found: Mapping[str, Any]) -> Iterator[tuple[Result, Mean]]:
    """Each mean of a report, without places after the index and the interval of a single lobe,
    which is always a whole turn.

    Raises InputError for what is not a list of lobes, or not a mean.
    """
    lobes = found.get("lobes") if isinstance(found, Mapping) else None
    if not isinstance(lobes, list | tuple) or not all(isinstance(lobe, Mapping) for lobe in lobes):
        raise _not_whole("its lobes are missing")
    for lobe in lobes:
        for of in (Quantity.INTERVAL, Quantity.CLOSED, Quantity.OPENED, Quantity.NEUTRAL):
            mean = None if lobe.get(of) is None else _mean_of(lobe[of], of)
            if mean and not (of is Quantity.INTERVAL and (mean.deg, mean.u_deg) == (360.0, 0.0)):
                yield Result(of, str(lobe.get("number"))), mean
    of_all = {
        "play": Quantity.BACKLASH,  # as earlier versions call it
        "backlash": Quantity.BACKLASH,
        "impulse_lag": Quantity.IMPULSE_LAG,
    }
    for key, of in of_all.items():
        if found.get(key) is not None:
            yield Result(of), _mean_of(found[key], key)


def _mean_of(plain: Any, key: str) -> Mean:
    """A mean of a report; one from before ``nu`` was recorded has n - 1 degrees of freedom.

    Raises InputError if it is not one.
    """
    if isinstance(plain, Mapping):
        deg, u_deg, n = (plain.get(name) for name in ("deg", "u_deg", "n"))
        if is_angle(deg) and is_angle(u_deg) and u_deg >= 0.0 and is_angle(n) and n >= 1:
            nu = plain.get("nu", n - 1 if n > 1 else None)
            known = math.inf if nu is None else nu  # JSON has no infinity
            if isinstance(known, int | float) and known >= 1.0:
                return Mean(float(deg), float(u_deg), int(n), float(known))
    raise _not_whole(f"{key} is not an angle with its uncertainty")


def _change(name: str, before: Mean, after: Mean, period_deg: float) -> UnitChange:
    difference = wrap(after.deg - before.deg, period_deg)
    u_deg, nu = root_sum((before.u_deg, before.nu), (after.u_deg, after.nu))
    U = student_t(nu, COVERAGE) * u_deg
    changed = abs(difference) > U
    was, now = (f"{figure(mean.deg, mean.expanded_deg)}°" for mean in (before, after))
    verdict = f"changed by {signed(difference, U)}°" if changed else "the same"
    words = f"{name}: {was} to {now}, {verdict} (±{two_figures(U)}°)"
    return UnitChange(name, before.deg, after.deg, difference, U, nu, changed, words)

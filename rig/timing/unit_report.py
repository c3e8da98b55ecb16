"""The report of a unit alone as plain data, with its serial, and two of them compared."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from typing import Any, TypeGuard

from rig.engine.stated import difference as signed
from rig.engine.stated import figure, two_figures
from rig.engine.uncertainty import student_t
from rig.faults import InputError
from rig.timing.circular import wrap
from rig.timing.unit_alone import Mean, UnitReport, combined

KIND, VERSION = "unit report", 2
SAYS = "contacts and lobes of a unit on the bench, turned by hand; not a release to service"
COVERAGE = 0.95
NEUTRAL = "neutral"
MOST_DEG = 1e6
"""No angle of a unit is as large: it was edited."""


@dataclass(frozen=True, slots=True)
class UnitIdentity:
    """Which unit it is. Reports are compared with those of the same type."""

    type: str  # what it is: the maker's type, or the person's own name for it
    serial: str
    lobes: int
    name: str = ""
    poles: int | None = None  # of its magnet


@dataclass(frozen=True, slots=True)
class UnitChange:
    """One figure in two reports, degrees of the unit's shaft. ``change_deg``: second less first.

    ``nu`` are the degrees of freedom behind ``U_deg``; math.inf when taken as known.
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
    """Two reports side by side, and what is to be said of them."""

    changes: tuple[UnitChange, ...]
    notes: tuple[str, ...]

    @property
    def false_each(self) -> float:
        """How often, at most, a figure that did not change is called changed."""
        return 1.0 - COVERAGE

    @property
    def false_any(self) -> float:
        """How often at least one of the figures is, where none changed; taken as independent."""
        return 1.0 - COVERAGE ** len(self.changes)


def plain_report(
    report: UnitReport, identity: UnitIdentity, made_utc: str, **more: Any
) -> dict[str, Any]:
    """The report as plain data, fit for JSON. Angles are degrees of the unit's own shaft.

    ``more`` is kept as it is (rig, person, capture and its fingerprint). Source: the report.
    """
    return {
        "kind": KIND,
        "version": VERSION,
        "made_utc": made_utc,
        "unit": asdict(identity),
        "says": SAYS,
        **more,
        "found": asdict(report),
    }


def compare_reports(first: Mapping[str, Any], second: Mapping[str, Any]) -> UnitComparison:
    """What changed from one plain report to another of the same type of unit.

    A figure changed when its difference is more than the expanded uncertainty of both, with
    Student's factor for their degrees of freedom. Neutral is compared modulo its pole pitch, other
    angles modulo a turn. What was read once says nothing of its spread and is not compared.
    Where neither says the contrary the index may lie elsewhere on the shaft, so that only
    intervals and widths are compared. Raises InputError for something that is no unit report, a
    newer version, or another type of unit. Source: JCGM 100:2008, 5.1.2 and G.4.1.
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
    if one.get("poles") != two.get("poles"):  # then neutral is counted differently
        notes.append("the poles are stated differently, so neutral is not compared")
        for figures in (before, after):
            for name in [name for name in figures if name.startswith(NEUTRAL)]:
                del figures[name]
    for name in sorted(before.keys() ^ after.keys()):
        notes.append(f"{name} stands in one of the reports only")
    both = [name for name in before if name in after]
    once = [name for name in both if min(before[name].n, after[name].n) < 2]
    if once:
        notes.append(f"read once and not compared: {', '.join(once)}; turn it five times")
    changes = tuple(
        _change(name, before[name], after[name], period_of(name, one.get("poles")))
        for name in both
        if name not in once
    )
    return UnitComparison(changes, tuple(notes))


def period_of(figure: str, poles: int | None) -> float:
    """Angles of ``figure`` that differ by this are the same: a pole pitch for neutral, else a turn.

    Degrees of the unit's shaft; ``poles`` of its magnet.
    """
    return 360.0 / poles if poles and poles > 0 and figure.startswith(NEUTRAL) else 360.0


def _check(plain: Mapping[str, Any]) -> None:
    if plain.get("kind") != KIND:
        raise InputError(f"this is no unit report but {plain.get('kind', 'something else')!r}")
    if not isinstance(plain.get("version"), int) or plain["version"] > VERSION:
        raise InputError(
            f"this unit report has version {plain.get('version')!r}, this program knows up to "
            f"{VERSION}: use a newer program"
        )
    if not {"unit", "found"} <= plain.keys():
        raise InputError("this unit report is not whole: its unit or its figures are missing")


def means_of(found: Mapping[str, Any]) -> Iterator[tuple[str, Mean]]:
    """Each mean of a report with its name; places after the index are left out, and the interval of
    a single lobe, which is a whole turn whatever was read.

    Raises InputError for what is no list of lobes, or no mean.
    """
    names = {
        "interval": "interval from lobe {}",
        "closed": "closed before lobe {}",
        "opened": "open after lobe {}",
        "neutral": NEUTRAL + " to opening of lobe {}",
    }
    lobes = found.get("lobes") if isinstance(found, Mapping) else None
    if not isinstance(lobes, list | tuple) or not all(isinstance(lobe, Mapping) for lobe in lobes):
        raise InputError("this unit report is not whole: its lobes are missing")
    for lobe in lobes:
        for key, name in names.items():
            if lobe.get(key) is not None and not (key == "interval" and _whole_turn(lobe[key])):
                yield name.format(lobe.get("number")), _mean(lobe[key], key)
    for key, name in (("play", "play"), ("impulse_lag", "impulse lag")):
        if found.get(key) is not None:
            yield name, _mean(found[key], key)


def _whole_turn(plain: Any) -> bool:
    return isinstance(plain, Mapping) and plain.get("deg") == 360.0 and plain.get("u_deg") == 0.0


def _mean(plain: Any, key: str) -> Mean:
    """A mean as it stands in a report; one that is older than ``nu`` has n - 1 of freedom.

    Raises InputError when it is none.
    """
    if isinstance(plain, Mapping):
        deg, u_deg, n = (plain.get(name) for name in ("deg", "u_deg", "n"))
        if _size(deg) and _size(u_deg) and u_deg >= 0.0 and _size(n) and n >= 1:
            nu = plain.get("nu", n - 1 if n > 1 else None)
            known = math.inf if nu is None else nu  # JSON has no infinity
            if isinstance(known, int | float) and known >= 1.0:
                return Mean(float(deg), float(u_deg), int(n), float(known))
    raise InputError(f"this unit report is not whole: {key} is no angle with its uncertainty")


def _stated(mean: Mean) -> str:
    return figure(mean.deg, mean.expanded_deg)


def _size(value: Any) -> TypeGuard[float]:
    return isinstance(value, int | float) and abs(value) < MOST_DEG


def _change(name: str, before: Mean, after: Mean, period_deg: float) -> UnitChange:
    difference = wrap(after.deg - before.deg, period_deg)
    u_deg, nu = combined((before.u_deg, before.nu), (after.u_deg, after.nu))
    U = student_t(nu, COVERAGE) * u_deg
    changed = abs(difference) > U
    words = (
        f"{name}: {_stated(before)} to {_stated(after)} degrees, "
        + (f"changed by {signed(difference, U)}" if changed else "the same")
        + f" (±{two_figures(U)})"
    )
    return UnitChange(name, before.deg, after.deg, difference, U, nu, changed, words)

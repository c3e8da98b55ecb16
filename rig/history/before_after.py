"""Two visits compared, or two phases of one: what each unit's openings changed by.

Units are matched by serial number if both sides have it, else by name; figures of the same
setting, cylinder and kind are compared. How the earlier visit left a unit is compared with how the
later one found it, and with how it left it; within one visit, as found with as left.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from typing import Any

from rig.base import rounding
from rig.tdc.reference import TdcReference
from rig.timing.compare import compare_assessments, has_changed
from rig.timing.values import PHASES, Assessment, Comparison


@dataclass(frozen=True, slots=True)
class Side:
    """The figures of a certificate or capture. ``serials`` are those of its units, "" if none."""

    path: Path
    utc: str
    reference: TdcReference | None
    assessments: Sequence[Assessment]
    serials: Mapping[str, str]

    def name(self, of: Assessment) -> str:
        """Unit, serial, file and phase."""
        serial = f" {self.serials.get(of.unit, '')}".rstrip()
        return f"{of.unit}{serial} ({self.path.stem}, {of.phase})"


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is to be compared, as far as it is entered; units and phases of either side."""

    units: tuple[str | None, str | None] = (None, None)
    phases: tuple[str | None, str | None] = (None, None)
    serial: str | None = None
    setting: str | None = None
    nominal_deg: float | None = None
    tolerance_deg: float | None = None


@dataclass(frozen=True, slots=True)
class Pair:
    """A comparison, first minus second, and its two figures in order of time."""

    found: Comparison
    early: Assessment
    late: Assessment
    early_side: Side
    late_side: Side
    turned: bool  # the first is the later one

    @property
    def change_deg(self) -> float:
        """By how much it opens earlier than before."""
        return self.found.difference_deg * (1.0 if self.turned else -1.0)

    @property
    def changed(self) -> bool | None:
        """Whether it changed by more than its U; None if that is not known."""
        return has_changed(self.found)

    @property
    def phases(self) -> tuple[int, int]:
        """The earlier and the later phase, as their places in ``PHASES``."""
        return _nth(self.early), _nth(self.late)


def same_reference(first: Side, second: Side) -> bool:
    """Whether both are based on one TDC, which then drops out of the difference."""
    return first.reference is not None and first.reference == second.reference


def pairs(first: Side, second: Side, wanted: Wanted) -> list[Pair]:
    """All figures of the two that can be compared."""
    same, found = same_reference(first, second), []
    for one, other in product(first.assessments, second.assessments):
        if not _comparable(one, other, first, second, wanted):
            continue
        compared = compare_assessments(
            one, other, shared_reference=same,
            wanted_deg=wanted.nominal_deg, tolerance_deg=wanted.tolerance_deg,
            first_name=first.name(one), second_name=second.name(other),
        )  # fmt: skip
        if (first.utc, _nth(one)) > (second.utc, _nth(other)):
            found.append(Pair(compared, other, one, second, first, turned=True))
        else:
            found.append(Pair(compared, one, other, first, second, turned=False))
    return found


def _comparable(
    one: Assessment, other: Assessment, first: Side, second: Side, wanted: Wanted
) -> bool:
    phases = zip(wanted.phases, (one, other), strict=True)
    if any(asked not in (None, of.phase) for asked, of in phases):
        return False
    if None in (one.uncertainty, other.uncertainty) or wanted.setting not in (None, one.setting):
        return False
    if (one.setting, one.cylinder, one.kind) != (other.setting, other.cylinder, other.kind):
        return False
    # As asked for, by their serials, else by their names.
    serials = first.serials.get(one.unit, ""), second.serials.get(other.unit, "")
    if wanted.serial:
        return serials == (wanted.serial, wanted.serial)
    if any(wanted.units):
        mine, theirs = wanted.units
        return (one.unit, other.unit) == (mine or theirs, theirs or mine)
    elsewhere = serials[0] and serials[0] in second.serials.values()
    came = serials[1] and serials[1] in first.serials.values()
    return serials[0] == serials[1] if elsewhere or came else one.unit == other.unit


def groups(found: Sequence[Pair], *, all_phases: bool = False) -> list[list[Pair]]:
    """The comparisons to show, by unit, setting and phases; over all cylinders first.

    ``all_phases``: those of all phases, not only those that follow one another.
    """
    units: defaultdict[object, defaultdict[object, list[Pair]]]
    units = defaultdict(lambda: defaultdict(list))
    for each in found:
        unit = (each.early.unit, each.late.unit, each.late.setting, each.late.kind)
        units[unit][each.phases, each.turned].append(each)
    everything = [(group, of) for of in units.values() for group in of.values()]
    shown = [
        sorted(group, key=lambda each: each.late.cylinder or 0)
        for group, of in everything
        if all_phases or _follows(group[0], [other[0].phases for other in of.values()])
    ]
    return shown or [group for group, _ in everything]


def _follows(pair: Pair, beside: Sequence[tuple[int, int]]) -> bool:
    """Whether a pair's phases follow one another, among those of the same unit and setting."""
    early, late = pair.phases
    first, second = pair.early_side, pair.late_side
    if (first.utc, first.serials) == (second.utc, second.serials):  # one visit
        if len(set(beside)) == 1:
            return True
        most, least = max(late for _, late in beside), min(early for early, _ in beside)
        return pair.turned and (early, late) == (least, most)
    after = [late for _, late in beside]
    return early == max(early for early, _ in beside) and late in (min(after), max(after))


def change_of(group: Sequence[Pair]) -> dict[str, Any]:
    """A unit in one setting, the later against the earlier, over all cylinders or of the first.

    ``change_deg`` is positive when it opens earlier than before; ``changed`` is None if a figure
    has no uncertainty; ``against`` is unit and serial of the earlier one, if it is another.
    """
    pair = group[0]
    early, late, U = pair.early, pair.late, pair.found.U_deg
    before, now = pair.early_side, pair.late_side
    serials = before.serials.get(early.unit, ""), now.serials.get(late.unit, "")
    other = (early.unit, serials[0]) != (late.unit, serials[1])
    against = f"{early.unit} {serials[0]}".strip() if other else ""
    when = f"on {before.utc[:10]} ({early.phase})" if before.utc else early.phase
    words = ", ".join(filter(None, (
        f"{late.unit} {serials[1]}".strip(), late.setting,
        "" if late.cylinder is None else f"cylinder {late.cylinder}", late.phase,
    )))  # fmt: skip
    words += f": {changed_words(pair.change_deg, U, pair.changed, f'{against} {when}'.strip())}"
    own = [each.late.cylinder for each in group[1:] if each.changed]
    if own and not pair.changed:
        words += f"; {rounding.noun(len(own), 'cylinder')} {rounding.listed(own)} changed"
    return {
        "unit": late.unit, "serial": serials[1], "against": against, "setting": late.setting,
        "cylinder": late.cylinder, "phase": late.phase, "phase_before": early.phase,
        "utc": now.utc, "before_utc": before.utc, "change_deg": pair.change_deg, "U_deg": U,
        "changed": pair.changed, "words": words,
    }  # fmt: skip


def changed_words(change_deg: float, U_deg: float | None, changed: bool | None, before: str) -> str:
    """``opens 0.25° earlier than on 2024-05-01, U 0.05°: changed``; ``before`` is when."""
    size = rounding.size(change_deg, U_deg)
    opens = f"opens {size}° {'earlier' if change_deg > 0.0 else 'later'} than"
    if float(size) == 0.0:
        opens = "opens as"
    U = "" if U_deg is None else f", U {rounding.two_figures(U_deg)}°"
    verdict = {True: "changed", False: "no change detected", None: "U is not known"}
    return f"{opens} {before}{U}: {verdict[changed]}"


def _nth(of: Assessment) -> int:
    return PHASES.index(of.phase) if of.phase in PHASES else 0

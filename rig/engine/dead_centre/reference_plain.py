"""A reference as plain JSON values and back. Degrees of freedom without end are written as null."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from rig.engine.dead_centre.reference import BY_HAND, GaugeWorking, Reference
from rig.engine.firing import wrap_cycle
from rig.engine.mistakes import shown
from rig.engine.uncertainty import Contribution, Uncertainty
from rig.faults import InputError

LONGEST_TEXT = 1000
MOST_ITEMS = 1000
_METHODS = {"stated": BY_HAND}  # as version 0.1.0 called it


def to_plain(reference: Reference) -> dict[str, Any]:
    """The reference as plain JSON values: dicts, lists, strings, numbers and None."""
    values = asdict(reference)
    if reference.gauge is None:
        del values["gauge"]
    else:
        values["gauge"]["fit_offset"] = int(reference.gauge.fit_offset)
    uncertainty = values["uncertainty"]
    for table in (uncertainty, *uncertainty["parts"]):
        for key in ("nu", "nu_eff"):
            if key in table and math.isinf(table[key]):
                table[key] = None
    return values


def from_plain(value: object) -> Reference:
    """A reference from plain JSON values. Raises InputError naming what is missing or wrong."""
    values = Values(value, "reference")
    return Reference(
        tdc_deg=wrap_cycle(values.number("tdc_deg", 0.0, 360.0), 360.0),
        uncertainty=uncertainty_of(values.table("uncertainty")),
        method=_METHODS.get(method := values.text("method"), method),
        how=values.text("how"),
        made_utc=values.text("made_utc"),
        capture=values.text("capture"),
        forward_deg=values.numbers("forward_deg"),
        backward_deg=values.numbers("backward_deg"),
        cylinder=int(values.number("cylinder", 1, 36)),
        warnings=values.texts("warnings"),
        gauge=_gauge_working(values.table("gauge")) if values.has("gauge") else None,
    )


def _gauge_working(values: Values) -> GaugeWorking:
    case = values.text("case")
    if case not in ("", "sliding", "pinned"):
        raise InputError(f"the case of an inclined gauge is sliding or pinned, not {shown(case)}")
    return GaugeWorking(
        left_out=tuple(int(each) for each in values.numbers("left_out")),
        u_lift_mm=values.number("u_lift_mm", 0.0, 100.0),
        u_angle_deg=values.number("u_angle_deg", 0.0, 360.0),
        inclination_deg=values.number("inclination_deg", 0.0, 90.0),
        case="sliding" if case == "sliding" else "pinned" if case == "pinned" else "",
        fit_offset=bool(values.number("fit_offset", 0, 1)),
    )


class Values:
    """A table of plain values, read with every type looked at; ``where`` names its place.

    Every reader raises InputError naming the value that is missing or wrong.
    """

    def __init__(self, table: object, where: str) -> None:
        if not isinstance(table, Mapping):
            raise InputError(f"{where}: is {shown(table)}, not a table of named values")
        self._table = table
        self._where = where

    def has(self, key: str) -> bool:
        """Whether there is a value of that name."""
        return key in self._table

    def text(self, key: str) -> str:
        """Text of at most 1000 characters."""
        value = self._get(key)
        if not isinstance(value, str) or len(value) > LONGEST_TEXT:
            raise self._wrong(key, f"text of at most {LONGEST_TEXT} characters")
        return value

    def number(self, key: str, low: float, high: float) -> float:
        """A number from ``low`` to ``high``."""
        value = _number(self._get(key))
        if value is None or not low <= value <= high:
            raise self._wrong(key, f"a number from {low:g} to {high:g}")
        return value

    def freedom(self, key: str) -> float:
        """Degrees of freedom: 1 or more; null is without end."""
        return math.inf if self._get(key) is None else self.number(key, 1.0, math.inf)

    def numbers(self, key: str) -> tuple[float, ...]:
        """A list of finite numbers."""
        found = tuple(_number(each) for each in self._list(key))
        kept = tuple(each for each in found if each is not None and math.isfinite(each))
        if len(kept) < len(found):
            raise self._wrong(key, "a list of numbers")
        return kept

    def texts(self, key: str) -> tuple[str, ...]:
        """A list of texts."""
        found = self._list(key)
        kept = tuple(each for each in found if isinstance(each, str) and len(each) <= LONGEST_TEXT)
        if len(kept) < len(found):
            raise self._wrong(key, "a list of texts")
        return kept

    def tables(self, key: str) -> list[Values]:
        """A list of tables."""
        found = self._list(key)
        return [Values(each, f"{self._where}, {key} {n}") for n, each in enumerate(found, 1)]

    def table(self, key: str) -> Values:
        """A table."""
        return Values(self._get(key), f"{self._where}, {key}")

    def _get(self, key: str) -> object:
        if key not in self._table:
            raise InputError(f"{self._where}: {key} is missing")
        return self._table[key]

    def _list(self, key: str) -> list[object] | tuple[object, ...]:
        value = self._get(key)
        if not isinstance(value, (list, tuple)) or len(value) > MOST_ITEMS:
            raise self._wrong(key, f"a list of at most {MOST_ITEMS}")
        return value

    def _wrong(self, key: str, wanted: str) -> InputError:
        return InputError(f"{self._where}: {key} is {shown(self._table[key])}, not {wanted}")


def uncertainty_of(values: Values) -> Uncertainty:
    """An uncertainty with its parts. Raises InputError as ``Values`` does."""
    parts = []
    for each in values.tables("parts"):
        kind = each.text("kind")
        if kind not in ("A", "B"):
            raise InputError(f"the kind of a part of an uncertainty is A or B, not {shown(kind)}")
        parts.append(
            Contribution(
                each.text("name"),
                each.number("u_deg", 0.0, 360.0),
                each.freedom("nu"),
                "A" if kind == "A" else "B",
                each.text("how"),
            )
        )
    return Uncertainty(
        values.number("u_deg", 0.0, 360.0),
        values.freedom("nu_eff"),
        values.number("k", 0.0, 1000.0),
        values.number("U_deg", 0.0, 10_000.0),
        tuple(parts),
    )


def _number(value: object) -> float | None:
    """A plain number as float; None for anything else, and for a whole number beyond all bounds."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return None
    if isinstance(value, int) and value.bit_length() > 1000:
        return None
    return float(value)

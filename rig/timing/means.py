"""Mean openings: the readings of a unit by cylinder, and what can be averaged.

The mean over several cylinders is the mean of their means: lobes differ, and one that was read more
often is not to count for more. There is no mean where angles cancel out, nor where readings are in
groups apart (``rig.timing.groups``).
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

from rig.base.angles import circular_mean, is_defined, mean_and_spread, modulo, resultant
from rig.base.earlier_rules import EarlierRule, Rules
from rig.engine.profile import Encoder, Setting, Unit
from rig.timing.groups import GROSS_DEG, Split, explained_deg, split_into_groups
from rig.timing.values import Group, Reading

Cell = tuple[bool, int]
"""Whether the cylinder is not known; its number, or that of the lobe."""


@dataclass(frozen=True, slots=True)
class Spread:
    """Sum of squared deviations (degrees squared) and its degrees of freedom; both add up."""

    squares: float = 0.0
    nu: int = 0

    def __add__(self, other: Spread) -> Spread:
        return Spread(self.squares + other.squares, self.nu + other.nu)

    @property
    def sd_deg(self) -> float:
        """Pooled SD (JCGM 100:2008, 4.2.4); needs at least one degree of freedom."""
        return math.sqrt(self.squares / self.nu)


@dataclass(frozen=True, slots=True)
class Seat:
    """The encoder positions behind a figure.

    ``vector`` is the mean of the unit vectors at their angles on the encoder's own shaft, which is
    what a once-a-turn error sees; ``places`` is the number of different positions. If the position
    is not known, ``elsewhere`` has the vectors of the other possible ones.
    """

    vector: complex
    places: int
    elsewhere: tuple[complex, ...] = ()


def seat_of(cells: Sequence[Sequence[float]], encoder: Encoder) -> Seat:
    """The seat of the mean of the means of ``cells``, at these crank angles; angles within a degree
    share a place."""
    ratio = float(encoder.turns_per_crank_turn)
    turned = [[angle * ratio for angle in cell] for cell in cells]
    places = {modulo(round(angle)) for cell in turned for angle in cell}
    return Seat(sum(map(resultant, turned)) / len(turned), len(places))


@dataclass(frozen=True, slots=True)
class Figure:
    """A mean opening over one cylinder or several, and the data for its uncertainty.

    ``spreads`` and ``counts`` are those of each cylinder, ``pooled`` is the spread of the whole
    unit, ``together`` that of all readings about one mean.
    """

    cylinder: int | None
    readings: tuple[Reading, ...]
    mean_btdc: float
    sd_deg: float | None  # of all its readings, including differences between cylinders
    spreads: tuple[Spread, ...]
    counts: tuple[int, ...]
    pooled: Spread
    seat: Seat

    @property
    def n(self) -> int:
        """Number of readings."""
        return len(self.readings)

    @property
    def together(self) -> Spread:
        """Of all its readings about one mean."""
        return _spread(self.sd_deg, self.n)

    @property
    def with_drag(self) -> bool:
        """Whether a drag on the rotor took up the backlash at each reading."""
        return all(reading.drag for reading in self.readings)

    @property
    def is_set(self) -> bool:
        """Whether it is of readings with the crank held."""
        return self.readings[0].kind == "set"


def valid_readings(readings: Iterable[Reading]) -> list[Reading]:
    """The valid readings with an angle."""
    return [r for r in readings if r.valid and r.btdc_deg is not None and r.crank_deg is not None]


class Sample:
    """Valid readings of one unit in one setting, phase and kind, in order of time.

    ``cells`` has them by cylinder, in order of their numbers; by lobe where that is not known.
    Lobes keep apart what is meant to differ until firing TDC is entered.
    """

    def __init__(
        self, readings: Sequence[Reading], unit: Unit, encoder: Encoder, rules: Rules = ()
    ) -> None:
        self.readings = readings
        self._lobes_as_one = EarlierRule.LOBES_AS_ONE in rules
        self.unit, self._encoder = unit, encoder
        self._keys: list[Cell] = [
            (True, r.lobe or 0) if r.cylinder is None else (False, r.cylinder) for r in readings
        ]
        self.cells: dict[Cell, list[Reading]] = {key: [] for key in sorted(set(self._keys))}
        for key, reading in zip(self._keys, readings, strict=True):
            self.cells[key].append(reading)

    @cached_property
    def split(self) -> Split | None:
        """Its groups; None if it is one. Set readings are not split: each was put where it is on
        purpose. Where the lobes of a unit take turns at a cylinder, each is taken by itself."""
        if not self.readings or self.readings[0].kind == "set":
            return None
        explained = explained_deg(self._encoder, self.unit.backlash_deg)
        angles, cells = _btdcs(self.readings), _numbered(self._keys)
        lobes = _numbered([(key, r.lobe) for key, r in zip(self._keys, self.readings, strict=True)])
        if self._lobes_as_one or max(lobes) == max(cells):
            return split_into_groups(angles, cells, explained)
        # The lobes of one cam do not differ as much as that; a drive that slips does.
        apart = split_into_groups(angles, cells, max(explained, GROSS_DEG))
        return apart or split_into_groups(angles, lobes, explained)

    @property
    def has_means(self) -> bool:
        """Whether angles cancel out nowhere: on no lobe, among lobes, and in no group."""
        if not _is_defined(list(self.cells.values())):
            return False
        of = [self._grouped(key) for key in (None, *self.cells)] if self.split else []
        return all(is_defined(angles) for found in of for angles in found.values())

    def averaged(self, setting: Setting) -> list[int | None]:
        """What has a figure of its own: all cylinders together (None), if that makes sense, then
        each that is known."""
        known = [number for unknown, number in self.cells if not unknown]
        alone = len(known) == len(self.cells) and (len(known) == 1 or bool(setting.per_cylinder))
        return [*known] if alone else [None, *known]

    def groups(self, cylinder: int | None) -> tuple[Group, ...]:
        """The groups of a cylinder's readings, or of all, in their order; empty if they are one."""
        split, key = self.split, None if cylinder is None else (False, cylinder)
        if split is None or (key is not None and not self._is_split(key)):
            return ()
        return tuple(_group(angles) for _, angles in sorted(self._grouped(key).items()))

    def figure(self, cylinder: int | None = None, of: Iterable[int] | None = None) -> Figure | None:
        """The mean opening of a cylinder, or over several, ``of`` (default: all), equally weighted.

        None where openings cancel out, or are in groups apart.
        """
        numbers = of if cylinder is None else (cylinder,)
        keys = list(self.cells) if numbers is None else [(False, number) for number in numbers]
        cells = [self.cells[key] for key in keys]
        if any(map(self._is_split, keys)) or not _is_defined(cells):
            return None
        together = [reading for cell in cells for reading in cell]
        return Figure(
            cylinder=cylinder,
            readings=tuple(together),
            mean_btdc=circular_mean([circular_mean(_btdcs(cell)) for cell in cells]),
            sd_deg=mean_and_spread(_btdcs(together))[1],
            spreads=tuple(self._spreads[key] for key in keys),
            counts=tuple(map(len, cells)),
            pooled=sum(self._spreads.values(), Spread()),
            seat=seat_of(
                [[r.crank_deg for r in cell if r.crank_deg is not None] for cell in cells],
                self._encoder,
            ),
        )

    @cached_property
    def _spreads(self) -> dict[Cell, Spread]:
        return {key: _spread_of(cell) for key, cell in self.cells.items()}

    def _is_split(self, key: Cell) -> bool:
        split = self.split
        return split is not None and any(
            split.spoils(lobe)
            for lobe, own in zip(split.lobes, self._keys, strict=True)
            if own == key
        )

    def _grouped(self, key: Cell | None) -> dict[int, list[float]]:
        """The angles in each group, of one cell or of all."""
        found: dict[int, list[float]] = {}
        labels = self.split.labels if self.split else ()
        for reading, label, own in zip(self.readings, labels, self._keys, strict=True):
            if key in (None, own):
                found.setdefault(label, []).extend(_btdcs([reading]))
        return found


def _numbered(keys: Sequence[Hashable]) -> list[int]:
    """Each key's number, in order of their first appearance."""
    numbers = {key: n for n, key in enumerate(dict.fromkeys(keys))}
    return [numbers[key] for key in keys]


def _is_defined(cells: Sequence[Sequence[Reading]]) -> bool:
    """Whether openings do not cancel out, on one lobe or among lobes."""
    of = [_btdcs(cell) for cell in cells]
    if not all(map(is_defined, [*of, [angle for cell in of for angle in cell]])):
        return False
    return is_defined([circular_mean(angles) for angles in of])


def _group(angles: Sequence[float]) -> Group:
    mean, sd = mean_and_spread(angles)
    return Group(len(angles), mean, sd)


def _spread(sd: float | None, n: int) -> Spread:
    return Spread(0.0 if sd is None else sd * sd * (n - 1), n - 1)


def _spread_of(readings: Sequence[Reading]) -> Spread:
    """Squared deviations from the readings' own mean."""
    return _spread(mean_and_spread(_btdcs(readings))[1], len(readings))


def _btdcs(readings: Iterable[Reading]) -> list[float]:
    return [r.btdc_deg for r in readings if r.btdc_deg is not None]

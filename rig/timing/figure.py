"""Readings that belong together, and the mean opening that they make."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rig.engine.profile import Encoder
from rig.engine.uncertainty import Contribution
from rig.timing import budget
from rig.timing.circular import circular_mean, is_defined, mean_and_spread
from rig.timing.groups import Parting, explained_deg, parted
from rig.timing.results import Reading

Cell = list[Reading]
"""Counted readings of one unit, setting, phase and kind, on one lobe and cylinder."""


@dataclass(frozen=True, slots=True)
class Figure:
    """A mean opening, over one cylinder or several, and what its uncertainty is made from."""

    cylinder: int | None
    readings: tuple[Reading, ...]
    mean_btdc: float  # mean of the cells' means
    sd_deg: float | None  # of all its readings, differences between cylinders included
    repeatability: Contribution | None  # None: nothing was read twice
    seat: budget.Seat

    @property
    def n(self) -> int:
        """Number of readings."""
        return len(self.readings)


def counted(readings: Sequence[Reading]) -> list[Reading]:
    """The readings that count and have an angle."""
    return [r for r in readings if r.counts and r.btdc_deg is not None and r.crank_deg is not None]


def cells_of(group: Sequence[Reading]) -> list[Cell]:
    """``group`` by cylinder, in order of their numbers; where that is not known, by lobe.

    Lobes keep apart what is meant to differ while the stroke is not stated.
    """
    cells: dict[tuple[bool, int], Cell] = {}
    for reading in group:
        cells.setdefault(_cell_of(reading), []).append(reading)
    return [cells[key] for key in sorted(cells)]


def _cell_of(reading: Reading) -> tuple[bool, int]:
    unknown = reading.cylinder is None
    return unknown, (reading.lobe if unknown else reading.cylinder) or 0


def parting_of(
    group: Sequence[Reading], encoder: Encoder, play_deg: float | None
) -> Parting | None:
    """The groups apart that ``group``, in order of time, lies in; None where it is one.

    Lobes are numbered as ``cells_of`` has them. What was set with the crank held was put where it
    is on purpose, each time anew, and is not parted. Source: ``rig.timing.groups``.
    """
    if not group or group[0].kind == "set":
        return None
    keys = [_cell_of(reading) for reading in group]
    number = {key: n for n, key in enumerate(sorted(set(keys)))}
    return parted(group, [number[key] for key in keys], explained_deg(encoder, play_deg))


def has_mean(group: Sequence[Reading]) -> bool:
    """False where openings cancel out, on one lobe or among lobes, so that no mean is defined."""
    cells = [_btdcs(cell) for cell in cells_of(group)]
    if not all(is_defined(angles) for angles in [*cells, _btdcs(group)]):
        return False
    return is_defined([circular_mean(angles) for angles in cells])


def figure_over(
    cells: Sequence[Cell],
    encoder: Encoder,
    *,
    cylinder: int | None = None,
    unit: budget.Spread | None = None,
) -> Figure:
    """The mean opening over ``cells`` (at least one), each of the same weight.

    ``unit`` is the pooled spread of the whole unit, for a cylinder of its own with few readings.
    Raises ``ValueError`` when the openings have no mean (see ``has_mean``).
    """
    together = [reading for cell in cells for reading in cell]
    seats = [budget.seat(_crank_degs(cell), encoder) for cell in cells]
    spreads = [spread_of(cell) for cell in cells]
    if len(cells) == 1:
        repeatability = budget.repeatability(spreads[0], unit or budget.Spread(), len(together))
    else:
        repeatability = budget.mean_over_cylinders(spreads, [len(cell) for cell in cells])
    if repeatability is None:
        # Each lobe was read once: their differences have to stand for the spread.
        repeatability = budget.repeatability(spread_of(together), budget.Spread(), len(together))
    return Figure(
        cylinder=cylinder,
        readings=tuple(together),
        mean_btdc=circular_mean([circular_mean(_btdcs(cell)) for cell in cells]),
        sd_deg=mean_and_spread(_btdcs(together))[1],
        repeatability=repeatability,
        seat=budget.Seat(
            sum(seat.vector for seat in seats) / len(seats),
            budget.seat(_crank_degs(together), encoder).places,
        ),
    )


def spread_of(group: Sequence[Reading]) -> budget.Spread:
    """Squared deviations from the group's own mean, and their degrees of freedom."""
    _, sd = mean_and_spread(_btdcs(group))
    nu = len(group) - 1
    return budget.Spread(0.0 if sd is None else sd * sd * nu, nu)


def _btdcs(group: Sequence[Reading]) -> list[float]:
    return [r.btdc_deg for r in group if r.btdc_deg is not None]


def _crank_degs(group: Sequence[Reading]) -> list[float]:
    return [r.crank_deg for r in group if r.crank_deg is not None]

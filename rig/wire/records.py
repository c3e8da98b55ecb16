"""What the rig reports, in arrays: the one shape in which records leave the wire room.

Lines from a port, lines from a capture and pin recordings all become ``Batch`` objects. Times are
microseconds of the rig's clock, unwrapped beyond 32 bits (float64, since pin recordings may have
finer steps); counts are unwrapped as well (int64).

A *count* c means that the encoder is between boundary c and boundary c + 1. Going up,
the encoder crosses boundary c as the count becomes c; going down, it crosses boundary c + 1
as the count becomes c. ``count % 4`` is the quadrature state: 0 is AB = 00, 1 is 10, 2 is 11,
3 is 01.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

INDEX_INPUT = 0  # input number of the encoder's index; contacts are numbered from 1
MOST_CONTACTS = 16

POSITION = np.dtype(
    [
        ("t_us", "f8"),  # when the count was read
        ("count", "i8"),
        ("low", "i8"),  # lowest count since the last position record, this one included
        ("high", "i8"),  # highest count since then
        ("levels", "i8"),  # bit 0 A, 1 B, 2 index, 3 foot switch, 4 contact 1, 5 contact 2 ...
        ("done_us", "f8"),  # every edge before this time has been sent already
        # Running totals at ``t_us``, as in ``Health``; -1 from a rig that sends them only there.
        ("illegal", "i8"),
        ("lost_edges", "i8"),
    ]
)

EDGE = np.dtype(
    [
        ("t_us", "f8"),
        ("input", "i2"),  # 0 index, 1 first contact, ...
        ("level", "i1"),  # level after the edge: 0 or 1
        ("count", "i8"),
        # The encoder edges around it, in order of time: two before, two after.
        # ``around_t_us`` is NaN and ``around_step`` 0 where there was none.
        # An encoder edge at the same instant counts as "before".
        ("around_t_us", "f8", (4,)),
        ("around_at", "i8", (4,)),  # the boundary that was crossed
        ("around_step", "i1", (4,)),  # +1 going up, -1 going down, 0 none
    ]
)


class Edge(NamedTuple):
    """One row of ``EDGE`` in plain numbers."""

    t_us: float
    input: int
    level: int
    at_count: int
    around_t_us: list[float]
    around_at: list[int]
    around_step: list[int]


WIDTH = np.dtype(
    [
        ("t_us", "f8"),
        ("count", "i8"),
        # Running totals of the time spent in state 0..3, over visits entered on one side, left on
        # the other and shorter than 65.536 ms.
        ("dwell_us", "f8", (4,)),
        ("breaks", "i8"),  # other visits so far (turned round, or too long)
    ]
)


@dataclass(frozen=True, slots=True)
class Identity:
    """The rig's identity: protocol version, counts a turn, number of contact inputs, name."""

    t_us: float
    protocol: int
    counts_per_turn: int
    contacts: int
    name: str


@dataclass(frozen=True, slots=True)
class Restart:
    """The rig restarted: its clock, counts and running numbers begin at zero.

    ``cause`` is a set of bits: 1 power on, 2 reset line, 4 supply dip, 8 watchdog; 0 when the
    restart was inferred from the numbers.
    """

    t_us: float
    cause: int


@dataclass(frozen=True, slots=True)
class Health:
    """Running totals of what the rig itself knows to have gone wrong, and its supply."""

    t_us: float
    uptime_s: int
    illegal: int  # encoder transitions in which both channels changed
    lost_edges: int  # contact or index edges lost to a full buffer
    lost_lines: int  # lines dropped because the line was busy
    supply_mv: int


@dataclass(frozen=True, slots=True)
class Foot:
    """The foot switch: ``level`` 1 pressed, 0 released."""

    t_us: float
    level: int


@dataclass(frozen=True, slots=True)
class Cut:
    """A burst too long for the line: ``edges`` edges of ``input`` were left out.

    The first left out was at ``first_us``, the last at ``last_us``; ``longest_low_us`` and
    ``longest_high_us`` are the longest runs at each level between the edges sent before and after.
    """

    t_us: float
    input: int
    edges: int
    first_us: float
    last_us: float
    longest_low_us: float
    longest_high_us: float


OF_THE_FILE = ("capture", "recording", "unknown-level", "idle")
"""Kinds of line errors that a file has: a damaged capture or pin recording; a pin that is neither 0
nor 1, and a long time without a change, in a pin recording."""


@dataclass(frozen=True, slots=True)
class LineError:
    """Something was wrong on the line. Counted, shown and recorded.

    ``t_us`` is the time up to which every edge had arrived intact before it. ``kind`` is one of:
    garbage, half-line, long-line, checksum, gap, interrupted, repeat, unknown-kind, protocol,
    field, clock, encoder, or of ``OF_THE_FILE``. Frequent repetitions share one record with
    ``times`` and the detail of the first.
    """

    t_us: float
    kind: str
    detail: str
    times: int = 1


@dataclass(frozen=True, slots=True)
class Note:
    """A line of a capture that the host wrote: what the rig cannot know."""

    t_us: float
    name: str
    value: dict[str, object]


Other = Identity | Restart | Health | Foot | Cut | LineError | Note


@dataclass(slots=True)
class Batch:
    """Records in order of arrival. A ``Restart`` can only be first in ``others``."""

    positions: NDArray[np.void] = field(default_factory=lambda: np.empty(0, POSITION))
    edges: NDArray[np.void] = field(default_factory=lambda: np.empty(0, EDGE))
    widths: NDArray[np.void] = field(default_factory=lambda: np.empty(0, WIDTH))
    others: list[Other] = field(default_factory=list)

"""What the signal room reports (openings and other events) and the settings it needs.

Events are plain frozen values. The settings say how the rig is mounted and when an opening is
valid.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal


@dataclass(frozen=True, slots=True)
class Opening:
    """The instant at which contacts first part in the passage that ends with them staying open.

    ``crank_deg`` grows in the normal direction and is a whole number of turns at each leading edge
    of the index; None when no index was ever met. ``direction`` is +1 for movement in the normal
    direction, -1 backwards, 0 when the crank stood still.
    """

    input: int
    t_us: float
    crank_deg: float | None
    direction: int
    speed_deg_s: float
    run_up_deg: float  # movement in the normal direction since it began anew
    counts: bool
    why: str  # empty, or the reason that it does not count
    partings: int  # times that the contacts parted in the passage
    passage_us: float  # from the first parting to the last
    closed_us: float  # how long the contacts had been closed before
    closed_deg: float  # crank degrees passed since they closed (NaN: not seen)


@dataclass(frozen=True, slots=True)
class Closing:
    """The contacts came to rest closed; the instant is the first touch of that passage."""

    input: int
    t_us: float
    crank_deg: float | None
    direction: int
    open_us: float
    open_deg: float


@dataclass(frozen=True, slots=True)
class IndexPass:
    """The leading edge of the index pulse was passed.

    ``off_counts`` is how far the count stood from where the reference expected it; ``anchored``
    is true when this pass became the reference (the first, or the first after counts were lost).
    """

    t_us: float
    direction: int
    crank_deg: float
    off_counts: float
    anchored: bool


@dataclass(frozen=True, slots=True)
class ReferenceLost:
    """Angles no longer hold until the index has passed again."""

    t_us: float
    why: str


@dataclass(frozen=True, slots=True)
class Finding:
    """Something in the signal that the person should know; it ends nothing."""

    t_us: float
    kind: str  # "spike", "drop-out", "short opening", "late record", "index off", ...
    input: int  # contact input, 0 the encoder
    detail: str


Event = Opening | Closing | IndexPass | ReferenceLost | Finding


@dataclass(frozen=True, slots=True)
class Now:
    """The crank at the newest position record, for showing. ``crank_deg`` None: not known."""

    t_us: float
    crank_deg: float | None
    direction: Literal[1, 0, -1]
    speed_deg_s: float
    run_up_deg: float
    will_count: bool
    why_not: str


@dataclass(frozen=True, slots=True)
class Settings:
    """Settings of a ``Follower``. Angles are degrees of crank, times microseconds.

    ``direction`` is +1 when the encoder counts up in the normal direction. ``open_levels`` gives,
    for each contact input, the level when the contacts are open (1 when not given).
    ``widths_worth_counts``: unequal quadrature states are taken out of the places once the worst
    of the four boundaries lies further off than this, counts. 0: as soon as they are surely
    unequal.
    """

    counts_per_turn: int
    direction: int = 1
    index_level: int = 1
    encoder_turns_per_crank_turn: float = 1.0
    open_levels: Mapping[int, int] = field(default_factory=dict)
    closed_end_us: float = 2000.0
    longest_dropout_us: float = 1000.0
    least_open_us: float = 3000.0
    run_up_deg: float = 20.0
    forgiven_deg: float = 2.0
    widths_worth_counts: float = 0.0

    @property
    def count_deg(self) -> float:
        """Crank degrees of one count."""
        return 360.0 / self.counts_per_turn / self.encoder_turns_per_crank_turn

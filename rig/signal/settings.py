"""What the signal room has to be told: how the rig is mounted, and when an opening counts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


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

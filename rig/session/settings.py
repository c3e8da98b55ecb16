"""What the signal room is told of a job."""

from __future__ import annotations

from rig.engine.profile import Profile
from rig.signal.settings import Settings


def signal_settings(profile: Profile) -> Settings:
    """What the signal room is told of ``profile``.

    The run-up is never less than twice the largest play that was measured.
    """
    play = max((unit.play_deg or 0.0 for unit in profile.units), default=0.0)
    return Settings(
        counts_per_turn=profile.encoder.counts_per_turn,
        direction=profile.encoder.direction,
        index_level=profile.encoder.index_level,
        encoder_turns_per_crank_turn=float(profile.encoder.turns_per_crank_turn),
        open_levels={unit.input: unit.open_level for unit in profile.units},
        closed_end_us=profile.contacts.closed_end_ms * 1e3,
        longest_dropout_us=profile.contacts.longest_dropout_ms * 1e3,
        least_open_us=profile.contacts.least_open_ms * 1e3,
        run_up_deg=max(profile.run_up.needed_deg, 2.0 * play),
        forgiven_deg=profile.run_up.forgiven_deg,
    )

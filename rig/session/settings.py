"""What the signal room is told of a job."""

from __future__ import annotations

from rig.engine.profile import Profile
from rig.signal.settings import Settings


def signal_settings(profile: Profile) -> Settings:
    """What the signal room is told of ``profile``.

    The run-up is never less than twice the largest play that was measured. Unequal quadrature
    states are taken out where the worst boundary lies further off than the half-width stated for
    the encoder's graduation, which would cover it; where none is stated, wherever they are surely
    unequal, since then nothing covers them.
    """
    encoder = profile.encoder
    play = max((unit.play_deg or 0.0 for unit in profile.units), default=0.0)
    return Settings(
        counts_per_turn=encoder.counts_per_turn,
        direction=encoder.direction,
        index_level=encoder.index_level,
        encoder_turns_per_crank_turn=float(encoder.turns_per_crank_turn),
        open_levels={unit.input: unit.open_level for unit in profile.units},
        closed_end_us=profile.contacts.closed_end_ms * 1e3,
        longest_dropout_us=profile.contacts.longest_dropout_ms * 1e3,
        least_open_us=profile.contacts.least_open_ms * 1e3,
        run_up_deg=max(profile.run_up.needed_deg, 2.0 * play),
        forgiven_deg=profile.run_up.forgiven_deg,
        widths_worth_counts=encoder.graduation_error_deg * encoder.counts_per_turn / 360.0,
    )

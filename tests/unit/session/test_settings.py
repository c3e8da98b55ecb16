"""What a job tells the signal room: when unequal quadrature states are taken out of the angle."""

from dataclasses import replace

import numpy as np
import pytest
from launch_engine import launch_engine

from rig.check.checks import judged
from rig.engine.profile import Profile
from rig.session.session import Session, signal_settings
from rig.signal.rig_statistics import statistics_of
from rig.virtual.ground_truth import draw
from rig.virtual.rig import Run, run
from rig.wire.reader import LineReader

STATES = (0.0, 0.25, -0.1, 0.15)
"""How far the four boundaries lie above where they should, counts: 0.25 from 0.075 is 0.175."""
WORST_DEG = 0.175 * 360.0 / 4096


def profile(graduation_error_deg: float) -> Profile:
    usual = launch_engine()
    encoder = replace(
        usual.encoder, run_out_deg=0.0, graduation_error_deg=graduation_error_deg, direction=-1
    )
    return replace(usual, encoder=encoder)


@pytest.fixture(scope="module")
def turned() -> Run:
    """Eight turns with an encoder that is right but for its states."""
    drawn = draw(profile(0.0), 5, scatter_deg=0.0)
    encoder = replace(drawn.encoder, harmonics=(), line_counts=0.0, state_counts=STATES)
    return run(["turn 2900 at 90"], profile(0.0), 5, hidden=replace(drawn, encoder=encoder))


def errors_deg(done: Run, of: Profile, piece: int = 1 << 30) -> np.ndarray:
    """By how much each forward opening is off, after the first two turns."""
    session, reader = Session(of), LineReader()
    for at in range(0, len(done.data), piece):
        for batch in reader.feed(done.data[at : at + piece]):
            session.take(batch)
    session.finish()
    found = sorted((o.input, o.t_us, o.crank_deg) for o in session.openings if o.direction > 0)
    true = sorted(
        (int(unit), one["t"], one["crank_deg"])
        for unit in ("1", "2")
        for one in done.truth["units"][unit]["openings"]
    )
    assert len(found) == len(true)
    return np.array(
        [f[2] - t[2] for f, t in zip(found, true, strict=True) if t[2] > 720.0 and f[2] is not None]
    )


def test_states_are_taken_out_where_that_buys_more_than_the_entered_graduation(turned: Run) -> None:
    errors = {}
    for stated_deg, done in ((0.0, "corrected"), (0.013, "corrected"), (0.018, "not corrected")):
        of = profile(stated_deg)
        batches = LineReader().feed(turned.data)
        check = judged(statistics_of(batches, signal_settings(of)), of)
        found = next(c for c in check.checks if c.name == "widths")
        assert found.words.startswith(done), found
        errors[stated_deg] = errors_deg(turned, of)
    assert 0.013 < WORST_DEG < 0.018
    assert np.array_equal(errors[0.0], errors[0.013])
    assert np.ptp(errors[0.0]) < 0.1 * WORST_DEG < WORST_DEG < np.ptp(errors[0.018])


def test_pieces_do_not_matter_where_states_are_taken_out(turned: Run) -> None:
    of = profile(0.013)
    assert np.array_equal(errors_deg(turned, of), errors_deg(turned, of, 1000))


def test_the_graduation_is_that_of_the_encoder_s_own_turn() -> None:
    of = profile(0.09)
    assert signal_settings(of).widths_worth_counts == pytest.approx(0.09 / (360.0 / 4096))
    assert signal_settings(profile(0.0)).widths_worth_counts == 0.0

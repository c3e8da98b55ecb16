"""Whether the crank was held when contacts parted: then something else than turning parted them."""

from __future__ import annotations

from rig.signal.marks import Mark

HELD_US = 1e6
"""Without new ground for this long the crank is held. In one count of a fine encoder for so long,
it would turn by less than a sixth of a degree a second (common practice, no source)."""
HELD_DEG = 0.5
"""A held crank trembles by less than this (common practice, no source)."""
STOOD_STILL = "the crank stood still"
"""Why an opening does not count, when nothing else stands against it: the unit was moved."""
JUST_CLOSED = "the crank was held, and the contacts had only just closed"
"""Why it does not count, when a hand that trembles at the opening closes and parts them itself."""


def why_held(closed_us: float) -> str:
    """Why an opening with the crank held does not count; ``closed_us`` is how long the contacts had
    been closed. Nobody moves a unit to and fro in less than a second (common practice, no source).
    """
    return STOOD_STILL if closed_us >= HELD_US else JUST_CLOSED


def is_held(mark: Mark, direction: int, count_deg: float) -> bool:
    """Whether the crank was held at a mark, though it was not still: it gained no new ground for a
    second, moved little in that time, and the encoder edge that follows is not one onto new ground.

    ``direction`` is +1 where forward is the way in which the encoder counts up.
    """
    edge, furthest = mark.edge, mark.run_furthest
    here = (edge.at_count + 0.5) * direction
    if not edge.t_us - mark.lull_us >= HELD_US or here > furthest:
        return False
    if (furthest - min(mark.lull_low, here)) * count_deg >= HELD_DEG:
        return False
    for t_us, at, step in zip(edge.around_t_us, edge.around_at, edge.around_step, strict=True):
        if step and t_us > edge.t_us:
            return not (step == direction and (at + 0.5 * step) * direction > furthest)
    return True

"""Numbers that wrap, carried on beyond their 32 bits by modular difference."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]

WRAP = 1 << 32
HALF = 1 << 31
LATEST_US = 2_000_000
"""An edge waits at most 250 ms for its neighbours; two seconds leave room for a full line."""


def signed_step(now: int, before: int) -> int:
    """The step from ``before`` to ``now``, both modulo 2**32, taken as the shorter way round.

    Sound while the true step is below 2**31 (for a microsecond clock: 2147.48 s).
    """
    return ((now - before + HALF) & (WRAP - 1)) - HALF


def signed_steps(now: Ints, before: Ints | int) -> Ints:
    """``signed_step`` of many."""
    return ((now - before + HALF) & (WRAP - 1)) - HALF


class Clock:
    """The rig's 32-bit microseconds, carried on.

    A record may be older than the latest one by ``LATEST_US``. A larger step back cannot come
    from a running rig; ``stretch`` then returns None and the caller concludes a restart.
    Assumption: silence is shorter than 2**31 us, or a health record tells the time since start.
    """

    def __init__(self, offset_us: int = 0) -> None:
        self.latest_us: int | None = None
        self._offset_us = offset_us
        self._uptime_known = False

    def stretch(self, t32: int) -> int | None:
        """Time on the carried clock for the 32-bit ``t32``; None when it ran backwards."""
        if self.latest_us is None:
            self.latest_us = t32 + self._offset_us
            return self.latest_us
        step = signed_step(t32, (self.latest_us - self._offset_us) & (WRAP - 1))
        if step < -LATEST_US:
            return None
        t_us = self.latest_us + step
        self.latest_us = max(t_us, self.latest_us)
        return t_us

    def stretch_many(self, t32: Ints, timed: NDArray[np.bool_]) -> tuple[Ints, Ints, int]:
        """``stretch`` of many in succession, ``latest_us`` after each, how many are sound.

        Lines that are not ``timed`` hold no time. ``latest_us`` is left to the caller, who may
        not want all of them; it has to be known.
        """
        assert self.latest_us is not None
        step = signed_steps(t32, self.latest_us - self._offset_us)
        step[~timed] = 0
        most = np.maximum.accumulate(np.maximum(step, 0))
        onward = step.copy()
        onward[1:] -= most[:-1]
        wrong = timed & ((onward < -LATEST_US) | (onward >= HALF))
        sound = int(np.argmax(wrong)) if wrong.any() else len(wrong)
        return self.latest_us + step, self.latest_us + most, sound

    def agrees(self, t_us: int, uptime_s: int) -> bool:
        """True when ``uptime`` would have nothing to learn and nothing to say."""
        return self._uptime_known and self._unseen(t_us, uptime_s) <= 0

    def _unseen(self, t_us: int, uptime_s: int) -> int:
        return round((uptime_s * 1_000_000 - (t_us - self._offset_us)) / WRAP)

    def uptime(self, t_us: int, uptime_s: int) -> int:
        """Turns of the clock that went unseen before ``t_us``, by the rig's own uptime.

        The first call only learns where the rig's clock began.
        """
        turns = self._unseen(t_us, uptime_s)
        if not self._uptime_known:
            self._uptime_known = True
            self._offset_us -= turns * WRAP
            return 0
        if turns > 0 and self.latest_us is not None:
            self.latest_us += turns * WRAP
        return max(turns, 0)


class Count:
    """The rig's 32-bit count, carried on. Sound while it moves by less than 2**31 at once."""

    def __init__(self) -> None:
        self._latest: int | None = None

    def stretch(self, c32: int, *, keep: bool = True) -> int:
        """The carried count for ``c32``; ``keep`` makes it the one that the next is taken from."""
        if self._latest is None:
            self._latest = signed_step(c32, 0)
        count = self._latest + signed_step(c32, self._latest & (WRAP - 1))
        if keep:
            self._latest = count
        return count

    @property
    def latest(self) -> int | None:
        """The count that the next is taken from; None before the first."""
        return self._latest

    def stretch_many(self, c32: Ints) -> Ints:
        """``stretch`` of many in succession, the first of which is not the first of all."""
        assert self._latest is not None
        if not len(c32):
            return c32
        before = np.concatenate(([self._latest], c32[:-1]))
        counts = self._latest + np.cumsum(signed_steps(c32, before))
        self._latest = int(counts[-1])
        return counts

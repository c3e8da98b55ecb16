"""When each dead centre of a session came, which were touched in it, and how long one holds."""

from __future__ import annotations

import math
from collections.abc import Sequence

from rig.engine.dead_centre.holds import At, Holds, Touched, holds, size
from rig.engine.dead_centre.reference import Reference
from rig.engine.profile import Encoder


class Centres:
    """Times of the dead centres of a session, in the order of ``Session.references``.

    ``number`` is that of this recording in order of time, where several are worked through;
    ``held`` is how long the one in use holds, where other recordings tell it.
    """

    def __init__(self, encoder: Encoder) -> None:
        self._encoder = encoder
        self._us: list[float] = []
        self._touched: set[int] = set()
        self._found: tuple[tuple[int, int], Holds] | None = None
        self.number = 0.0
        self.held: Holds | None = None

    def came(self, t_us: float, *, touched: bool = False) -> None:
        """The next dead centre came at ``t_us``; ``touched`` when it was found in this session."""
        if touched:
            self._touched.add(len(self._us))
        self._us.append(t_us)

    def touches(self, references: Sequence[Reference]) -> list[Touched]:
        """Every dead centre that was touched in this recording, and when."""
        return [Touched((self.number, self._us[n]), references[n]) for n in sorted(self._touched)]

    def when(self, reference: Reference, references: Sequence[Reference]) -> At | None:
        """When a dead centre was found here, or brought along; None where it is of elsewhere."""
        for t_us, each in zip(self._us, references, strict=True):
            if each is reference or each == reference:
                return self.number, t_us
        return None

    def holds(self, used: Reference | None, references: Sequence[Reference]) -> Holds:
        """As long as the reference in use holds, by what was touched."""
        if self.held is not None or used is None:
            return self.held or Holds()
        key = id(used), len(references)
        if self._found is None or self._found[0] != key:
            at = self.when(used, references) or (self.number, -math.inf)
            self._found = key, holds(used, at, self.touches(references), self._encoder)
        return self._found[1]


def moved_words(found: Holds) -> tuple[str, ...]:
    """A sentence for each side on which dead centre is not where the reference has it."""
    said = []
    if found.after is not None:
        said.append(
            f"TDC HAS MOVED by {size(found.after)}, a later touch shows: readings since the last"
            " touch that agrees do not count. Find TDC anew, and read again"
        )
    if found.before is not None:
        said.append(
            f"TDC HAD MOVED by {size(found.before)} before the one in use was found: readings"
            " before that do not count"
        )
    return tuple(said)

"""What can happen to bytes between the board and the program: a cable in a workshop."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.virtual.board import Timed


@dataclass(slots=True)
class Cable:
    """Passes lines on. Faults are asked for by number of lines or up to a time."""

    rng: np.random.Generator
    corrupt: int = 0  # lines still to have one byte changed
    lose: int = 0  # lines still to lose one byte
    garbage: int = 0  # bytes of noise to come before the next line
    _out: tuple[float, float] = (0.0, 0.0)
    _cut: bool = False

    def pull_out(self, from_s: float, until_s: float) -> None:
        """Nothing comes through in this stretch; the lines at its ends are cut in half."""
        self._out = (from_s, until_s)

    def carry(self, lines: list[Timed]) -> list[Timed]:
        return [(due_s, data) for due_s, line in lines if (data := self._one(due_s, line))]

    def _one(self, due_s: float, line: bytes) -> bytes:
        from_s, until_s = self._out
        if from_s < due_s <= until_s:
            head, self._cut = (b"" if self._cut else line[: len(line) // 2]), True
            return head
        if self._cut:
            self._cut = False
            line = line[len(line) // 2 :]
        if self.garbage:
            line = self.rng.bytes(self.garbage) + line
            self.garbage = 0
        if self.corrupt:
            self.corrupt -= 1
            at = int(self.rng.integers(len(line)))
            line = line[:at] + bytes([line[at] ^ (1 << int(self.rng.integers(8)))]) + line[at + 1 :]
        if self.lose:
            self.lose -= 1
            at = int(self.rng.integers(len(line)))
            line = line[:at] + line[at + 1 :]
        return line

"""Runs of the virtual rig with an encoder and a drive that are right, so that only the reader errs.

Two units with four lobes each: eight openings a turn.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

from launch_engine import launch_engine
from openings_score import TrueOpening

from rig.engine.profile import Profile
from rig.pins.recording import PinRecording
from rig.virtual.contacts import NOISES, Bounces, Noise
from rig.virtual.ground_truth import GroundTruth, draw
from rig.virtual.motion import Hand
from rig.virtual.rig import pin_recording, run
from rig.wire.reader import LineReader
from rig.wire.records import Batch

STEADY = Hand(tremor_deg=0.002)
CHATTER = Noise(Bounces(8), Bounces(5))


def trembling(tremor_deg: float) -> Hand:
    """A hand that trembles at 5 to 12 Hz."""
    return Hand(tremor_deg=tremor_deg)


@dataclass(frozen=True, slots=True)
class Scenario:
    """What is turned, how, and with which contacts; ``aim``: RMS error from pins and by the line.

    Openings before ``from_s`` are left out.
    """

    name: str
    aim: float
    speed_deg_s: float = 45.0
    noise: Noise = NOISES["usual"]
    hand: Hand = STEADY
    counts: int = 4096
    direction: Literal[1, -1] = 1
    backlash_deg: float = 0.0
    states: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    backs: bool = False  # the crank is turned back now and then
    seeds: int = 7
    from_s: float = 0.0

    def profile(self) -> Profile:
        profile = launch_engine()
        encoder = replace(
            profile.encoder,
            counts_per_turn=self.counts,
            direction=self.direction,
            run_out_deg=0.0,
            graduation_error_deg=0.0,
        )
        units = tuple(replace(u, lobes=4, backlash_deg=self.backlash_deg) for u in profile.units)
        return replace(profile, encoder=encoder, units=units)

    def _hidden(self, seed: int) -> GroundTruth:
        drawn = draw(self.profile(), seed, scatter_deg=0.0)
        encoder = replace(
            drawn.encoder,
            harmonics=(),
            line_counts=0.0,
            state_counts=self.states,
            index_after_counts=(0.0, 0.31, 0.5, 0.77)[seed % 4],
        )
        units = tuple(replace(unit, noise=self.noise) for unit in drawn.units)
        return replace(drawn, encoder=encoder, units=units)

    def _plan(self) -> list[str]:
        at = f"at {self.speed_deg_s:g}"
        if not self.backs:
            return [f"turn 1800 {at}", "hold 0.5"]
        return [*[f"turn 510 {at}", f"back 150 {at}"] * 5, "hold 0.5"]

    def runs(self, way: str, folder: Path) -> Iterator[tuple[str, list[Batch], list[TrueOpening]]]:
        """Name, records and truth of a run for each seed, by ``way`` of "pins" or "line"."""
        for seed in range(self.seeds):
            if way == "pins":
                path, truth = self.recording(seed, folder)
                batches = list(PinRecording(path, None, self.counts).batches())
            else:
                done = run(self._plan(), self.profile(), seed, **self._options(seed))
                truth, reader = list(_true_openings(done.truth)), LineReader()
                batches = [*reader.feed(done.data), *reader.finish()]
            yield f"seed {seed}", batches, truth

    def recording(self, seed: int, folder: Path) -> tuple[Path, list[TrueOpening]]:
        """A value change dump of a run, written into ``folder``, and its truth."""
        path = folder / "run.vcd"
        with path.open("w", encoding="ascii") as out:
            truth = pin_recording(self._plan(), self.profile(), out, seed, **self._options(seed))
        return path, list(_true_openings(truth))

    def _options(self, seed: int) -> dict[str, Any]:
        return {"hidden": self._hidden(seed), "hand": self.hand}


def _true_openings(truth: dict[str, Any]) -> Iterator[TrueOpening]:
    """The forward openings of ``rig.virtual.rig``."""
    for unit in ("1", "2"):
        for one in truth["units"][unit]["openings"]:
            closed_s, open_s = one["closed_s"], one["open_s"]
            yield TrueOpening(
                int(unit),
                one["t"],
                one["crank_deg"],
                math.inf if closed_s is None else closed_s,
                math.inf if open_s is None else open_s,
            )

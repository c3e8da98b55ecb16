"""Runs of the virtual rig with an encoder and a drive that are right, so that only the reader errs.

Two units with four lobes each: eight openings a turn.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

from openings_score import Score, TrueOpening, openings_of

from rig.engine.profile import Profile
from rig.session import signal_settings
from rig.virtual.demo import launch_engine
from rig.virtual.hidden import Hidden, draw
from rig.virtual.motion import Hand
from rig.virtual.rig import pin_recording, run
from rig.wire.pins import PinRecording
from rig.wire.reader import LineReader

STEADY = Hand(tremor_deg=0.002)
PER_TURN = 8


@dataclass(frozen=True, slots=True)
class Scenario:
    """What is turned, how, and with which contacts. ``aim`` is the RMS error that has to be met."""

    name: str
    aim_pins: float
    aim_line: float = 0.1
    speed_deg_s: float = 45.0
    noise: str = "usual"
    hand: Hand = STEADY
    counts: int = 4096
    direction: Literal[1, -1] = 1
    play_deg: float = 0.0
    states: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    backs: bool = False  # the crank is turned back now and then
    seeds: int = 8
    turns: float = 5.0

    def profile(self) -> Profile:
        profile = launch_engine()
        encoder = replace(
            profile.encoder,
            counts_per_turn=self.counts,
            direction=self.direction,
            run_out_deg=0.0,
            graduation_error_deg=0.0,
        )
        units = tuple(replace(u, lobes=4, play_deg=self.play_deg) for u in profile.units)
        return replace(profile, encoder=encoder, units=units)

    def hidden(self, seed: int) -> Hidden:
        drawn = draw(self.profile(), seed, noise=self.noise, scatter_deg=0.0)
        encoder = replace(
            drawn.encoder,
            harmonics=(),
            line_counts=0.0,
            state_counts=self.states,
            index_after_counts=(0.0, 0.31, 0.5, 0.77)[seed % 4],
        )
        return replace(drawn, encoder=encoder)

    def plan(self) -> list[str]:
        turn = f"at {self.speed_deg_s:g}"
        if not self.backs:
            return [f"turn {360.0 * self.turns:g} {turn}", "hold 0.5"]
        part = 360.0 * self.turns / 5
        return [*[f"turn {part + 150:g} {turn}", f"back 150 {turn}"] * 5, "hold 0.5"]

    def score(self, way: str, folder: Path) -> Score:
        """All seeds, by ``way`` of "pins" or "line"."""
        score = Score(self.name)
        profile = self.profile()
        settings = signal_settings(profile)
        for seed in range(self.seeds):
            options: dict[str, Any] = {"hidden": self.hidden(seed), "hand": self.hand}
            if way == "pins":
                path = folder / "run.vcd"
                with path.open("w", encoding="ascii") as out:
                    truth = pin_recording(self.plan(), profile, out, seed, **options)
                batches = PinRecording(path, None, self.counts).batches()
                found = openings_of(batches, settings)
                path.unlink()
            else:
                done = run(self.plan(), profile, seed, **options)
                truth, reader = done.truth, LineReader()
                found = openings_of([*reader.feed(done.data), *reader.finish()], settings)
            score.add(f"seed {seed}", found, true_openings(truth), self.counts)
        return score


def true_openings(truth: dict[str, Any]) -> Iterator[TrueOpening]:
    """The forward openings of ``rig.virtual.truth``."""
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

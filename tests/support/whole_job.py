"""A whole job without bytes: what is really so, and a session that is told of it.

A job: the encoder is mounted with run-out and has errors of its own; dead centre is found by
touching a stop with a hand that wobbles; the stroke is stated; two units with a spread of their own
are read. What the rig would show is made here from what these things physically are, with the
virtual rig's piston and no formula of the program's. The session is the real one: it is handed the
touches, the openings and the person's notes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rig.engine.profile import (
    Encoder,
    Engine,
    Geometry,
    Profile,
    Setting,
    Synchronisation,
    Unit,
    Window,
)
from rig.session.session import Session
from rig.signal.events import Opening
from rig.tdc.piston_stop import StopTouches
from rig.tdc.touches import Touch
from rig.virtual.motion import Piston
from rig.wire.records import Batch, Note

NOMINAL, TOLERANCE, TOGETHER = 36.0, 1.0, 1.0
THROW_MM, ROD_MM = 50.0, 190.0
FIRES_AFTER_DEG = {1: {1: 0.0}, 4: {1: 0.0, 3: 180.0, 4: 360.0, 2: 540.0}}
UNITS = ("upper", "lower")


@dataclass(frozen=True)
class Scenario:
    """Sizes in degrees of crank unless said otherwise; the encoder's errors of its own shaft."""

    readings: int = 12  # of each cylinder
    cylinders: Literal[1, 4] = 1
    spread: float = 0.25  # standard deviation of the unit from one opening to the next
    lobes: float = 0.25  # standard deviation of the lobes' differences
    touches: int = 4  # of the stop, on each side
    touch_spread: float = 0.08
    lean: float = 0.0  # how far the hand gives way as it leans on the stop
    counts_per_turn: int = 4096
    encoder_turns: Fraction = Fraction(1)
    run_out: float = 0.02
    run_out_is: Literal["all that is stated", "up to what is stated"] = "all that is stated"
    graduation: float = 0.02
    offset: Literal["none", "stated", "limited", "not stated", "no geometry"] = "stated"
    offset_mm: float = 5.0  # the most that it is, either way
    stop_mm: float = 10.0  # how far below the top the piston meets the stop
    play: float = 0.0  # of each unit's drive
    encoder_play: float = 0.0  # between crank and encoder, known within a quarter of it


class MountedEncoder:
    """An encoder as it sits: what it shows for an angle of the crank."""

    def __init__(self, scenario: Scenario, rng: np.random.Generator) -> None:
        self._ratio = float(scenario.encoder_turns)
        share = rng.uniform() if scenario.run_out_is == "up to what is stated" else 1.0
        self._amplitude = share * scenario.run_out
        self._phase = rng.uniform(0.0, 360.0)
        self._lines = rng.uniform(-scenario.graduation, scenario.graduation, 360)
        self._begins = rng.uniform()
        self._at_index = self._error(np.zeros(1))[0]

    def _error(self, own_deg: NDArray[np.float64]) -> NDArray[np.float64]:
        """Run-out, and the graduation's error, which is its own in each degree."""
        run_out = self._amplitude * np.sin(np.radians(own_deg + self._phase))
        line = self._lines[np.floor(own_deg + self._begins).astype(int) % 360]
        return np.asarray(run_out + line)

    def shown(self, crank_deg: NDArray[np.float64]) -> NDArray[np.float64]:
        """Crank degrees after the index as this encoder tells them, shape of ``crank_deg``."""
        own = crank_deg * self._ratio
        return np.asarray((own + self._error(own) - self._at_index) / self._ratio)


class WholeJob:
    """One job: ``session`` has read it, the other attributes say what is really so.

    ``tdc_deg`` is where the encoder shows dead centre, the crank coming forward; ``btdc`` the true
    mean openings by unit and cylinder, degrees before top dead centre.
    """

    def __init__(
        self, scenario: Scenario, rng: np.random.Generator, means: tuple[float, float]
    ) -> None:
        s = self.scenario = scenario
        self._rng = rng
        self._offset_mm = 0.0 if s.offset == "none" else rng.uniform(-s.offset_mm, s.offset_mm)
        self.profile = self._profile()
        self._encoder = MountedEncoder(s, rng)
        self._q_deg = 360.0 / (s.counts_per_turn * float(s.encoder_turns))
        self._index_deg = rng.uniform(0.0, self._q_deg)  # where in a count the index lies
        self._top_deg = rng.uniform(0.0, 360.0)  # where the stop is touched
        self._firing_deg = self._top_deg + 360.0 * rng.integers(0, 2)
        self._encoder_play = s.encoder_play * rng.uniform(0.75, 1.25)
        self.session = Session(self.profile)
        self._t_us = 1e6
        shown = self._encoder.shown(np.array([self._top_deg]))[0] - self._encoder_play / 2.0
        self.tdc_deg = float(shown)
        self._touch_stop()
        self._say("stroke", cylinder=1, crank_deg=self._firing_deg + rng.uniform(-10.0, 10.0))
        self.btdc = {
            unit: self._openings(number, mean)
            for number, (unit, mean) in enumerate(zip(UNITS, means, strict=True), 1)
        }

    def _profile(self) -> Profile:
        s = self.scenario
        window = Window(NOMINAL + TOLERANCE, NOMINAL, NOMINAL - TOLERANCE, "manual, page 12")
        shaft = (Fraction(1), 2) if s.cylinders == 4 else (Fraction(1, 2), 1)
        units = tuple(
            Unit(
                name,
                number,
                *shaft,
                (Setting("full advance", window),),
                backlash_deg=s.play or None,
            )
            for number, name in enumerate(UNITS, 1)
        )
        offset_mm = {"none": 0.0, "stated": self._offset_mm}.get(s.offset)
        limit_mm = s.offset_mm if s.offset == "limited" else 0.0
        stated = Geometry(THROW_MM, ROD_MM, offset_mm, limit_mm)
        engine = Engine(
            name="test engine",
            strokes=4,
            cylinders=s.cylinders,
            firing_order=tuple(FIRES_AFTER_DEG[s.cylinders]),
            intervals_deg=(720.0 / s.cylinders,) * s.cylinders,
            rotation="clockwise",
            seen_from="flywheel end",
            geometry=None if s.offset == "no geometry" else stated,
        )
        encoder = Encoder(
            s.counts_per_turn,
            graduation_error_deg=s.graduation,
            run_out_deg=s.run_out,
            turns_per_crank_turn=s.encoder_turns,
            backlash_deg=s.encoder_play,
            backlash_error_deg=s.encoder_play / 4.0,
        )
        together = Synchronisation(*UNITS, 0.0, TOGETHER, "manual, page 13")
        return Profile(engine, encoder, units, synchronism=(together,))

    def _say(self, name: str, **value: object) -> None:
        self._t_us += 1e6
        self.session.take(Batch(others=[Note(self._t_us, name, value)]))

    def _touch_stop(self) -> None:
        """Touches from both sides, each read as the middle of the count that the crank stood in."""
        s, rng = self.scenario, self._rng
        piston = Piston(THROW_MM, ROD_MM, self._offset_mm)
        self._say("stop-in", cylinder=1)
        stop = self.session.stop
        assert isinstance(stop, StopTouches)
        for side in (1, -1):
            met = self._top_deg + piston.touch_deg(s.stop_mm, side)
            at = met + rng.normal(0.0, s.touch_spread, s.touches)
            at -= side * s.lean * np.abs(rng.normal(size=s.touches))
            shown = self._encoder.shown(at) - side * self._encoder_play / 2.0
            counts = np.floor((shown - self._index_deg) / self._q_deg) + 0.5
            for angle in counts * self._q_deg + self._index_deg:
                way: Literal[1, -1] = 1 if side > 0 else -1
                stop.touches.append(Touch(self._t_us, way, 0.0, 1.0, True, float(angle)))
        self._say("stop-out")

    def _openings(self, number: int, mean: float) -> dict[int, float]:
        """Turn the engine and let the unit open; what each cylinder's true mean is."""
        s, rng = self.scenario, self._rng
        lobes = rng.normal(0.0, s.lobes, 2)
        lobes -= lobes.mean()
        truth = {
            cylinder: mean + (float(lobes[int(after // 180) % 2]) if s.cylinders == 4 else 0.0)
            for cylinder, after in FIRES_AFTER_DEG[s.cylinders].items()
        }
        pulled = rng.uniform(0.0, s.play)
        found = []
        for cylinder, after in FIRES_AFTER_DEG[s.cylinders].items():
            turns = 720.0 * np.arange(1, s.readings + 1)
            opens = truth[cylinder] + pulled + s.spread * rng.normal(size=s.readings)
            shown = self._encoder.shown(self._firing_deg + after + turns - opens)
            # Placed between edges, to a tenth of what rounding to a count would cost.
            shown += 0.1 * self._q_deg / math.sqrt(12.0) * rng.normal(size=s.readings)
            found += (shown - self._encoder_play / 2.0).tolist()
        for angle in sorted(found):
            self.session.opened(self._opening(number, angle))
        return truth

    def _opening(self, number: int, crank_deg: float) -> Opening:
        return Opening(
            input=number,
            t_us=self._t_us + 1e5 * crank_deg,
            crank_deg=crank_deg,
            direction=1,
            speed_deg_s=40.0,
            approach_deg=90.0,
            rejection=None,
            times_opened=1,
            transition_us=900.0,
            closed_us=1e6,
            closed_deg=math.nan,
        )

"""The truth: drawn by the seed, near the engine file's values but never equal to them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import accumulate
from typing import Literal

import numpy as np

from rig.base.angles import modulo
from rig.engine.profile import Engine, Profile, Setting, Unit, Window
from rig.virtual.contacts import NOISES, Noise
from rig.virtual.drive import Coupling, Magnet
from rig.virtual.motion import Floats, Piston


@dataclass(frozen=True, slots=True)
class UnitTruth:
    """The truth about one unit. Degrees of crank."""

    name: str
    input: int
    btdc_deg: dict[str, float]  # by setting: mean over the lobes, before each firing top
    lobe_deg: tuple[float, ...]  # later (+) or earlier (-) than that, by lobe
    open_deg: tuple[float, ...]  # for how long each lobe keeps the contacts open
    backlash_deg: float = 0.0
    scatter_deg: float = 0.0  # standard deviation from one opening to the next
    crank_turns_out: int = 0  # coupled this many crank turns out
    magnet: Magnet | None = None
    coupling: Coupling | None = None
    noise: Noise = NOISES["usual"]


@dataclass(frozen=True, slots=True)
class StopTruth:
    """The piston stop and the hand that leans on it."""

    travel_mm: float = 10.0
    sd_mm: float = 0.015  # standard deviation of where the piston is stopped, by touch
    sway_deg: float = 0.04  # how far the crank sways away from the stop while pressed
    press_s: float = 0.9


@dataclass(frozen=True, slots=True)
class GroundTruth:
    """The whole truth of a virtual rig. ``tdc_deg``: cylinder 1, degrees of crank after the index
    (after one of them when the encoder is geared)."""

    tdc_deg: float
    firing_turn: int  # on a four-stroke: 0 if the first TDC after the index is the firing one
    start_deg: float  # the crank's angle at the beginning
    encoder: EncoderTruth
    encoder_backlash_deg: float
    piston: Piston
    stop: StopTruth
    units: tuple[UnitTruth, ...]
    seed: int = 0


def firing_tops_deg(engine: Engine) -> dict[int, float]:
    """Cylinder -> its firing TDC in crank degrees after cylinder 1's.

    An entered value has precedence over the one that follows from firing order and intervals.
    """
    cycle = 180.0 * engine.strokes
    at = accumulate(engine.intervals_deg[:-1], initial=0.0)
    tops = dict(zip(engine.firing_order, at, strict=True))
    first = tops[1]
    return {c: modulo(deg - first, cycle) for c, deg in tops.items()} | engine.entered_tdc_deg


def served(engine: Engine, unit: Unit) -> tuple[int, ...]:
    """The cylinders that a unit's openings of a cycle belong to, in order."""
    if unit.lobe_cylinders:
        return unit.lobe_cylinders
    start = engine.firing_order.index(1)
    return engine.firing_order[start:] + engine.firing_order[:start]


def lobe_places_deg(profile: Profile, unit: Unit) -> tuple[float, ...]:
    """Where each lobe would open at 0 degrees BTDC, in crank degrees after TDC of cylinder 1.

    A unit that opens once for each cylinder that it serves has its lobes at their firing TDCs; any
    other (one that sparks on both strokes) has them evenly round its shaft.
    """
    cylinders = served(profile.engine, unit)
    tops = firing_tops_deg(profile.engine)
    ratio = float(unit.turns_per_crank_turn)
    first = tops[cylinders[0]]
    if abs(unit.lobes * ratio * profile.cycle_deg / 360.0 - len(cylinders)) > 1e-9:
        return tuple(first + i * 360.0 / ratio / unit.lobes for i in range(unit.lobes))
    after_first = [modulo(tops[cylinder] - first, profile.cycle_deg) for cylinder in cylinders]
    return tuple(first + deg for deg in after_first[: unit.lobes])


def draw(
    profile: Profile,
    seed: int,
    *,
    noise: str = "usual",
    magnet: bool = False,
    scatter_deg: float = 0.03,
) -> GroundTruth:
    """The truth behind ``profile`` for this seed. Equal seeds give equal truths.

    ``noise`` is a name in ``rig.virtual.contacts.NOISES``; ``magnet``: the rotors are magnets that
    pull through the backlash.
    """
    rng = np.random.default_rng([seed, 1])

    def between(low: float, high: float) -> float:
        return float(rng.uniform(low, high))

    engine, encoder, geometry = profile.engine, profile.encoder, profile.engine.geometry
    tdc_deg = between(0.0, 360.0)
    piston = Piston(45.0, 172.0, 0.0, clearance_mm=0.02)
    unknown_mm, offset_mm = 6.0, None
    if geometry:
        piston = replace(piston, throw_mm=geometry.throw_mm, rod_mm=geometry.rod_mm)
        unknown_mm, offset_mm = geometry.offset_limit_mm, geometry.offset_mm
    offset_mm = between(-unknown_mm, unknown_mm) if offset_mm is None else offset_mm
    harmonics = [(1, encoder.run_out_deg, between(0.0, 360.0))]
    share = rng.uniform(0.2, 1.0, 3)
    worst = between(0.5, 1.0) * encoder.graduation_error_deg
    for times, part in zip((2, 3, 5), share / share.sum(), strict=True):
        harmonics.append((times, float(worst * part), between(0.0, 360.0)))
    widths = rng.normal(0.0, 0.08, 3).tolist()

    def one(unit: Unit) -> UnitTruth:
        btdc: dict[str, float] = {}
        for nth, setting in enumerate(unit.settings):
            window = _window(setting)
            middle, sd = 30.0 - 20.0 * nth, 1.0
            if window is not None:
                half = 0.5 * (window.earliest_btdc - window.latest_btdc)
                middle, sd = window.nominal_btdc, 0.6 * half
            btdc[setting.name] = middle + sd * float(rng.normal())
        lobes = rng.normal(0.0, 0.25, unit.lobes)
        lobes += _nominal_differences(profile, unit) - lobes.mean()
        apart = 360.0 / float(unit.turns_per_crank_turn)
        drawn = UnitTruth(
            unit.name,
            unit.input,
            btdc,
            tuple(lobes.tolist()),
            tuple((rng.uniform(0.38, 0.44, unit.lobes) * apart / unit.lobes).tolist()),
            between(0.2, 0.8) if unit.backlash_deg is None else unit.backlash_deg,
            scatter_deg,
            noise=NOISES[noise],
        )
        if magnet:
            drawn = replace(drawn, magnet=Magnet(before_deg=between(0.1, 1.0)))
        if unit.coupling == "impulse":
            drawn = replace(drawn, coupling=Coupling(lag_deg=between(20.0, 32.0)))
        return drawn

    return GroundTruth(
        tdc_deg=tdc_deg,
        firing_turn=int(rng.integers(0, 2)) if engine.strokes == 4 else 0,
        start_deg=between(0.0, 360.0),
        encoder=EncoderTruth(
            counts=encoder.counts_per_turn,
            direction=encoder.direction,
            ratio=float(encoder.turns_per_crank_turn),
            state_counts=(0.0, *widths),
            line_counts=0.01,
            harmonics=tuple(h for h in harmonics if h[1] > 0.0),
            index_level=encoder.index_level,
            seed=int(rng.integers(1 << 30)),
        ),
        encoder_backlash_deg=encoder.backlash_deg,
        piston=replace(piston, offset_mm=offset_mm),
        stop=StopTruth(round(between(0.16, 0.36) * piston.throw_mm, 2)),
        units=tuple(map(one, profile.units)),
        seed=seed,
    )


def _window(setting: Setting) -> Window | None:
    """That of a setting; of a compensated cam without a common one, the first cylinder's."""
    return setting.window or next(iter(setting.per_cylinder.values()), None)


def _nominal_differences(profile: Profile, unit: Unit) -> Floats:
    """By lobe: how much later it is meant to open than the first setting's window."""
    setting = unit.settings[0]
    window = _window(setting)
    own = [setting.per_cylinder.get(c) for c in served(profile.engine, unit)[: unit.lobes]]
    later = [window.nominal_btdc - each.nominal_btdc if window and each else 0.0 for each in own]
    return np.array(later + [0.0] * (unit.lobes - len(later)))


@dataclass(frozen=True, slots=True)
class EncoderTruth:
    """The encoder and its mounting. Angles of a harmonic are degrees of the encoder's shaft.

    The leading edge of the index, met going forward, is at 0.
    """

    counts: int
    direction: Literal[1, -1] = 1  # +1: counts up in the engine's normal direction
    ratio: float = 1.0  # turns of the encoder a crank turn
    state_counts: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    """How far boundary 0, 1, 2, 3 (modulo 4) lies after its even place, in counts."""
    line_counts: float = 0.0  # standard deviation of each boundary's own error, in counts
    harmonics: tuple[tuple[int, float, float], ...] = ()  # (times a turn, amplitude, phase)
    index_after_counts: float = 0.0  # leading edge of the index after the boundary beside it
    index_counts: float = 1.0  # length of the pulse
    index_level: Literal[0, 1] = 1  # level while active
    index_at_deg: tuple[float, ...] = (0.0,)  # one good index; () none; two: one too many
    seed: int = 0  # of the boundaries' own errors

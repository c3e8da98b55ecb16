"""The truth: drawn by the seed, near the engine file's values but never equal to them."""

from __future__ import annotations

from dataclasses import dataclass
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
    spread_mm: float = 0.015  # standard deviation of where the piston is stopped, by touch
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
    encoder_play_deg: float
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
    engine, encoder = profile.engine, profile.encoder
    tdc_deg = float(rng.uniform(0.0, 360.0))
    geometry = engine.geometry
    unknown = geometry.offset_limit_mm if geometry else 6.0
    offset = geometry.offset_mm if geometry and geometry.offset_mm is not None else None
    piston = Piston(
        geometry.throw_mm if geometry else 45.0,
        geometry.rod_mm if geometry else 172.0,
        float(rng.uniform(-unknown, unknown)) if offset is None else offset,
        slack_mm=0.02,
    )
    harmonics = [(1, encoder.run_out_deg, float(rng.uniform(0.0, 360.0)))]
    share = rng.uniform(0.2, 1.0, 3)
    worst = rng.uniform(0.5, 1.0) * encoder.graduation_error_deg
    for times, part in zip((2, 3, 5), share / share.sum(), strict=True):
        harmonics.append((times, float(worst * part), float(rng.uniform(0.0, 360.0))))
    widths = [float(width) for width in rng.normal(0.0, 0.08, 3)]
    return GroundTruth(
        tdc_deg=tdc_deg,
        firing_turn=int(rng.integers(0, 2)) if engine.strokes == 4 else 0,
        start_deg=float(rng.uniform(0.0, 360.0)),
        encoder=EncoderTruth(
            counts=encoder.counts_per_turn,
            direction=encoder.direction,
            ratio=float(encoder.turns_per_crank_turn),
            state_counts=(0.0, widths[0], widths[1], widths[2]),
            line_counts=0.01,
            harmonics=tuple(h for h in harmonics if h[1] > 0.0),
            index_level=encoder.index_level,
            seed=int(rng.integers(1 << 30)),
        ),
        encoder_play_deg=encoder.backlash_deg,
        piston=piston,
        stop=StopTruth(round(float(rng.uniform(0.16, 0.36)) * piston.throw_mm, 2)),
        units=tuple(
            _unit(profile, unit, rng, noise=noise, magnet=magnet, scatter_deg=scatter_deg)
            for unit in profile.units
        ),
        seed=seed,
    )


def _unit(
    profile: Profile,
    unit: Unit,
    rng: np.random.Generator,
    *,
    noise: str,
    magnet: bool,
    scatter_deg: float,
) -> UnitTruth:
    btdc: dict[str, float] = {}
    for nth, setting in enumerate(unit.settings):
        window = _stated(setting)
        if window is None:
            btdc[setting.name] = 30.0 - 20.0 * nth + float(rng.normal(0.0, 1.0))
        else:
            half = 0.5 * (window.earliest_btdc - window.latest_btdc)
            btdc[setting.name] = window.nominal_btdc + 0.6 * half * float(rng.normal())
    lobes = rng.normal(0.0, 0.25, unit.lobes)
    lobes += _nominal_differences(profile, unit) - lobes.mean()
    period = 360.0 / float(unit.turns_per_crank_turn)
    return UnitTruth(
        name=unit.name,
        input=unit.input,
        btdc_deg=btdc,
        lobe_deg=tuple(float(x) for x in lobes),
        open_deg=tuple(float(x) for x in rng.uniform(0.38, 0.44, unit.lobes) * period / unit.lobes),
        backlash_deg=float(rng.uniform(0.2, 0.8))
        if unit.backlash_deg is None
        else unit.backlash_deg,
        scatter_deg=scatter_deg,
        magnet=Magnet(before_deg=float(rng.uniform(0.1, 1.0))) if magnet else None,
        coupling=Coupling(lag_deg=float(rng.uniform(20.0, 32.0)))
        if unit.coupling == "impulse"
        else None,
        noise=NOISES[noise],
    )


def _stated(setting: Setting) -> Window | None:
    """The window of a setting; of a compensated cam without a common one, the first cylinder's."""
    return setting.window or next(iter(setting.per_cylinder.values()), None)


def _nominal_differences(profile: Profile, unit: Unit) -> Floats:
    """By lobe: how much later it is meant to open than the first setting's window."""
    setting = unit.settings[0]
    later = np.zeros(unit.lobes)
    window = _stated(setting)
    for lobe, cylinder in enumerate(served(profile.engine, unit)[: unit.lobes]):
        if window is not None and cylinder in setting.per_cylinder:
            later[lobe] = window.nominal_btdc - setting.per_cylinder[cylinder].nominal_btdc
    return later


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

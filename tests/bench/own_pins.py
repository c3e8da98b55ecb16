"""A second simulator of the rig's pins, which shares no line with ``rig.virtual`` or the reader.

Everything is worked out on a fine grid of time: the crank's angle is summed up from a speed that
wanders as filtered noise does, tremor is band-passed noise, the encoder's channels are two square
waves of the angle with a duty and a phase of their own, contacts are compared with cam angles.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from openings_score import TrueOpening
from scipy.signal import butter, lfilter, sosfilt

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_HEADER = (
    "$timescale 1 us $end\n$scope module rig $end\n"
    "$var wire 1 A a $end\n$var wire 1 B b $end\n$var wire 1 Z z $end\n"
    "$var wire 1 1 contact1 $end\n$var wire 1 2 contact2 $end\n"
    "$upscope $end\n$enddefinitions $end\n"
)
AFTER_US = 50_000.0
"""Chatter is over so long after an opening."""
CODES = {"a": "A", "b": "B", "z": "Z", "contact1": "1", "contact2": "2"}


@dataclass(frozen=True, slots=True)
class Pins:
    """What is simulated. Times in microseconds where a name says so, rates a second."""

    counts: int = 4096
    speed_deg_s: float = 40.0
    wander: float = 0.2  # standard deviation of the speed, as a share of it
    tremor_deg: float = 0.0  # root mean square, 5 to 12 Hz
    turns: float = 8.0
    openings_per_turn: int = 8  # on each input
    duty: tuple[float, float] = (0.5, 0.5)  # share of a line for which A and B are high
    phase: float = 0.25  # of B after A, in lines
    bounces: float = 6.0  # mean number, geometric
    bounce_open_us: float = 70.0  # mean open run of the chatter, exponential
    bounce_closed_us: float = 60.0  # mean closed gap, exponential
    longest_gap_us: float = 0.0  # not 0: gaps even between 20 us and this instead
    dropouts: float = 0.0  # of closed contacts
    dropout_us: tuple[float, float] = (30.0, 500.0)  # even on a logarithmic scale
    spikes: float = 0.0  # at any time
    spike_us: tuple[float, float] = (1.0, 10.0)
    crowd: float = 0.0  # mean number of drop-outs just before each parting
    crowd_us: float = 5000.0  # their mean distance from it, exponential


def write(path: Path, pins: Pins, seed: int) -> list[TrueOpening]:
    """Write a value change dump; give the true openings, from the index on."""
    random = np.random.default_rng([seed, 77])
    t_us, angle = _crank(pins, random)
    signals, zero = _encoder(pins, random, t_us, angle)
    truth: list[TrueOpening] = []
    for number in (1, 2):
        changes, firsts = _contact(pins, random, t_us, angle)
        signals[f"contact{number}"] = changes
        truth += [o._replace(input=number, crank_deg=o.crank_deg - zero) for o in firsts]
    _dump(path, signals, float(t_us[-1]))
    return truth


def _crank(pins: Pins, random: np.random.Generator) -> tuple[Floats, Floats]:
    """Times and angles on the grid: four steps a count at least, and 1 ms at most."""
    lasting_us = 360e6 * (pins.turns + 0.2) / pins.speed_deg_s
    step_us = min(1000.0, 1e6 * 360.0 / pins.counts / pins.speed_deg_s / 4.0)
    t_us = np.arange(0.0, lasting_us, step_us)
    per_s = 1e6 / step_us
    memory = np.exp(-1.0 / (0.4 * per_s))  # speed is remembered for about 0.4 s
    drive = random.standard_normal(len(t_us)) * np.sqrt(1.0 - memory**2)
    slow = lfilter([1.0], [1.0, -memory], drive)
    smooth = np.exp(-1.0 / (0.05 * per_s))  # and has no corners
    wander = lfilter([1.0 - smooth], [1.0, -smooth], slow)
    speed = pins.speed_deg_s * np.clip(1.0 + pins.wander * wander, 0.2, 2.0)
    angle = random.uniform(0.0, 360.0) + np.cumsum(speed) * step_us * 1e-6
    if pins.tremor_deg:
        shape = butter(2, [5.0, 12.0], "bandpass", fs=per_s, output="sos")
        shake = sosfilt(shape, random.standard_normal(len(t_us)))
        angle += pins.tremor_deg * shake / shake.std()
    return t_us, angle


def _crossings(t_us: Floats, angle: Floats, at: float, period: float) -> tuple[Floats, Ints]:
    """Times at which the angle passes ``at`` modulo ``period``, and +1 up or -1 down."""
    turns = np.floor((angle - at) / period)
    where = np.flatnonzero(np.diff(turns))
    way = np.diff(turns)[where].astype(np.int64)
    assert np.all(np.abs(way) == 1), "the grid is too coarse"
    level = at + period * np.maximum(turns[where], turns[where + 1])
    share = (level - angle[where]) / (angle[where + 1] - angle[where])
    return t_us[where] + share * (t_us[where + 1] - t_us[where]), way


def _window(
    t_us: Floats, angle: Floats, low: float, high: float, period: float
) -> tuple[Floats, bool]:
    """When a signal that is on from ``low`` to ``high`` toggles, and whether it begins on."""
    times = [_crossings(t_us, angle, edge, period)[0] for edge in (low, high)]
    begins_on = (float(angle[0]) - low) % period < high - low
    return np.sort(np.concatenate(times)), begins_on


def _encoder(
    pins: Pins, random: np.random.Generator, t_us: Floats, angle: Floats
) -> tuple[dict[str, tuple[Floats, bool]], float]:
    """Toggles of a, b and z; the angle at which the index leads."""
    line = 360.0 / (pins.counts // 4)
    start = random.uniform(0.0, line)
    b_at = start + pins.phase * line
    a = _window(t_us, angle, start, start + pins.duty[0] * line, line)
    b = _window(t_us, angle, b_at, b_at + pins.duty[1] * line, line)
    zero = start + line * float(random.integers(0, pins.counts // 4))
    if random.random() < 0.5:  # not gated with the channels: anywhere in the line
        zero += random.uniform(0.0, line)
    z = _window(t_us, angle, zero, zero + line / 4, 360.0)
    return {"a": a, "b": b, "z": z}, zero


def _contact(
    pins: Pins, random: np.random.Generator, t_us: Floats, angle: Floats
) -> tuple[tuple[Floats, bool], list[TrueOpening]]:
    """Toggles of one contact, and its forward openings."""
    spacing = 360.0 / pins.openings_per_turn
    first = random.uniform(0.0, spacing)
    toggles: list[Floats] = []
    ways: list[Ints] = []
    kinds: list[Ints] = []
    degs: list[Floats] = []
    for lobe in range(pins.openings_per_turn):
        at = first + spacing * lobe + random.uniform(-0.05, 0.05) * spacing
        for kind, edge in ((1, at), (0, at + 0.45 * spacing)):
            times, way = _crossings(t_us, angle, edge, 360.0)
            toggles.append(times)
            ways.append(way)
            kinds.append(np.full(len(times), kind))
            degs.append(edge + 360.0 * np.round((np.interp(times, t_us, angle) - edge) / 360.0))
    order = np.argsort(np.concatenate(toggles))
    times, way = np.concatenate(toggles)[order], np.concatenate(ways)[order]
    opens = (np.concatenate(kinds)[order] == 1) == (way > 0)
    deg = np.concatenate(degs)[order]
    ends = np.append(times[1:], t_us[-1])
    lasting_us = ends - times
    if lasting_us[-1] < AFTER_US:  # the recording ends too soon to see them stay
        lasting_us[-1] = 0.0
    truth = [
        TrueOpening(0, float(times[k]) * 1e-6, float(deg[k]),
                    float(times[k] - times[k - 1]) * 1e-6 if k else np.inf,
                    float(lasting_us[k]) * 1e-6)
        for k in np.flatnonzero(opens & (way > 0))
    ]  # fmt: skip
    starts_open = not opens[0]
    flips = _chatter(pins, random, times, ends, opens)
    true_state = (np.sort(np.concatenate([times, flips.reshape(-1)])), starts_open)
    dropouts = _dropouts(pins, random, float(t_us[-1]), times[opens])
    spikes = _flaws(random, pins.spikes, pins.spike_us, float(t_us[-1]))
    return _merged(true_state, dropouts, spikes), truth


def _chatter(
    pins: Pins, random: np.random.Generator, times: Floats, ends: Floats, opens: NDArray[np.bool_]
) -> Floats:
    """Intervals of the other level after each change, shape (n, 2), apart from one another."""
    flips = []
    for t, end, opened in zip(times, ends, opens, strict=True):
        now = t
        for _ in range(random.geometric(1.0 / (1.0 + pins.bounces)) - 1):
            now += 2.0 + random.exponential(pins.bounce_open_us)
            gap = 2.0 + random.exponential(pins.bounce_closed_us)
            if opened and pins.longest_gap_us:
                gap = random.uniform(20.0, pins.longest_gap_us)
            if now + gap > end - 1000.0:
                break
            flips.append((now, now + gap))
            now += gap
    return np.array(flips).reshape(-1, 2)


def _flaws(
    random: np.random.Generator, rate: float, size_us: tuple[float, float], end_us: float
) -> Floats:
    begins = random.uniform(0.0, end_us, random.poisson(rate * end_us * 1e-6))
    lasting = np.exp(random.uniform(math.log(size_us[0]), math.log(size_us[1]), len(begins)))
    return np.stack([begins, begins + lasting], axis=1)


def _dropouts(
    pins: Pins, random: np.random.Generator, end_us: float, times_opened: Floats
) -> Floats:
    some = [_flaws(random, pins.dropouts, pins.dropout_us, end_us)]
    for t in times_opened:
        begins = t - random.exponential(pins.crowd_us, random.poisson(pins.crowd))
        low, high = pins.dropout_us
        lasting = np.exp(random.uniform(math.log(low), math.log(high), len(begins)))
        some.append(np.stack([begins, np.minimum(begins + lasting, t - 5.0)], axis=1))
    flaws = np.concatenate(some)
    return flaws[flaws[:, 1] > flaws[:, 0]]


def _merged(
    true_state: tuple[Floats, bool], dropouts: Floats, spikes: Floats
) -> tuple[Floats, bool]:
    """Open where the contacts are open or drop out, turned over in a spike."""
    toggles, starts_open = true_state
    times = np.sort(np.concatenate([toggles, dropouts.reshape(-1), spikes.reshape(-1)]))
    opened = (np.searchsorted(toggles, times, side="right") % 2 == 1) ^ starts_open
    level = (opened | _within(dropouts, times)) ^ _within(spikes, times)
    keep = np.flatnonzero(np.diff(level.astype(int), prepend=int(starts_open)))
    return times[keep], starts_open


def _within(intervals: Floats, times: Floats) -> NDArray[np.bool_]:
    begun = np.searchsorted(np.sort(intervals[:, 0]), times, side="right")
    over = np.searchsorted(np.sort(intervals[:, 1]), times, side="right")
    return np.asarray(begun > over)


def _dump(path: Path, signals: dict[str, tuple[Floats, bool]], end_us: float) -> None:
    rows = []
    for name, (times, on) in signals.items():
        levels = (np.arange(len(times)) % 2 == 0) ^ on
        texts = [f"{int(level)}{CODES[name]}" for level in levels]
        rows += list(zip(np.floor(times).astype(int).tolist(), texts, strict=True))
    rows.sort(key=lambda row: row[0])
    text = [_HEADER, "#0\n$dumpvars\n"]
    text += [f"{int(on)}{CODES[name]}\n" for name, (_, on) in signals.items()]
    text.append("$end\n")
    last = 0
    for tick, change in rows:
        text.append(f"#{tick}\n{change}\n" if tick != last else f"{change}\n")
        last = tick
    path.write_text("".join([*text, f"#{int(end_us) + 1}\n"]), encoding="ascii")

"""The openings of one recording, with or without a job: ``rig.read_openings`` and ``rig read``."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, replace
from os import PathLike
from pathlib import Path
from types import MappingProxyType
from typing import Any, Literal

from rig.base.angles import wrap
from rig.base.errors import InputError
from rig.engine.profile import Profile
from rig.session.diagnostics import Counts, counts_of
from rig.session.hindsight import Hindsight
from rig.session.session import signal_settings
from rig.signal.events import Finding, IndexPass, Opening, Rejection, Settings
from rig.signal.openings import OpeningFinder, replay
from rig.timing.readings import before_delay_deg
from rig.wire.capture import RECORDING_FORMAT
from rig.wire.formats import Recording, open_recording
from rig.wire.records import OF_THE_FILE, Health, LineError

FEWEST_COUNTS, MOST_COUNTS = 4, 1_000_000
ALL_INPUTS = ""


@dataclass(frozen=True, slots=True)
class RecordedOpening:
    """One opening passed in the normal direction, or at rest.

    ``unit`` is the name of its contact input, ``t_s`` the time from the recording's start.
    ``crank_deg`` increases in the normal direction and is a whole number of turns at each leading
    edge of the index; None when the index was never met. ``btdc_deg`` is in (-180, 180]; None
    without TDC. ``rejection`` is why it is not a reading; None when it is one. ``approach_deg`` is
    the movement in the normal direction before it. ``times_opened``: how often they opened in
    the transition, which took ``transition_us``. Before it they were closed for ``closed_us`` and
    ``closed_deg`` (NaN: not seen).
    """

    unit: str
    t_s: float
    crank_deg: float | None
    btdc_deg: float | None
    rejection: Rejection | None
    approach_deg: float
    speed_deg_s: float
    times_opened: int
    transition_us: float
    closed_us: float
    closed_deg: float

    @property
    def valid(self) -> bool:
        """Whether it is a reading."""
        return self.rejection is None


@dataclass(frozen=True, slots=True)
class RecordingOpenings:
    """The openings of a recording in order of time, and what is in doubt about them.

    ``tdc_deg`` is TDC, degrees after the index, as entered. ``line_errors`` and ``findings`` are
    kinds and how many of each, ``file_errors`` sentences on damage in the file. ``counts`` are
    those from index to index, if they are wrong; ``off_passes`` is how often the
    index came at another count than expected. ``angles_lost`` is why angles were not valid at the
    end; ``never_open`` names the inputs without an opening.
    """

    path: Path
    kind: str
    counts_per_turn: int
    tdc_deg: float | None
    openings: tuple[RecordedOpening, ...]
    index_passes: int
    line_errors: Mapping[str, int]
    findings: Mapping[str, int]
    illegal_transitions: int
    state_widths_counts: tuple[float, ...]
    state_widths_corrected: bool
    file_errors: tuple[str, ...]
    is_anchored: bool  # the index was passed
    counts: Counts | None
    off_passes: int
    angles_lost: Rejection | None
    never_open: tuple[str, ...]

    @property
    def valid(self) -> tuple[RecordedOpening, ...]:
        """The openings that are readings."""
        return tuple(one for one in self.openings if one.valid)


def read_openings(
    path: str | PathLike[str],
    counts_per_turn: int | None = None,
    *,
    tdc_deg: float | None = None,
    engine: Profile | None = None,
    direction: Literal[1, -1] | None = None,
    index_level: Literal[0, 1] | None = None,
    open_levels: Mapping[str, int] | None = None,
    sensing_delays_us: Mapping[str, float] | None = None,
    signals: Mapping[str, str] | None = None,
    approach_deg: float | None = None,
    closed_end_ms: float | None = None,
    least_open_ms: float | None = None,
    longest_dropout_ms: float | None = None,
) -> RecordingOpenings:
    """Where the contacts open in a capture, in lines saved from a serial terminal, or in a pin
    recording (VCD), read to its end.

    ``counts_per_turn`` is four times the encoder's lines; most captures contain it. ``tdc_deg`` is
    TDC in degrees after the index, in the normal direction. ``engine`` says how the rig is mounted;
    other arguments override it. Without either, A leads B in the normal direction (``direction``
    1), the index is active at level 1 and contacts are open at level 1. ``open_levels`` maps a
    contact input (``contact2``) to its level when open, ``sensing_delays_us`` one ("": all) to how
    late its front end shows an opening: that movement is taken out of its angles, as in readings;
    ``signals`` maps a, b, z, contact1 ... to other names in a VCD. ``approach_deg`` is the least
    approach of a reading, crank degrees. ``closed_end_ms``, ``least_open_ms`` and
    ``longest_dropout_ms`` are the times that define an opening.

    Raises InputError for an impossible value, for a file that is not a recording, and for one
    without a single position.
    """
    if counts_per_turn is None and engine is not None:
        counts_per_turn = engine.encoder.counts_per_turn
    _check("counts_per_turn", counts_per_turn, FEWEST_COUNTS, MOST_COUNTS)
    _check("tdc_deg", tdc_deg, -math.inf)
    recording = open_recording(Path(path), counts_per_turn, signals)
    _check("counts_per_turn", recording.counts_per_turn, FEWEST_COUNTS, MOST_COUNTS)
    settings = Settings(recording.counts_per_turn)
    if engine is not None:
        settings = replace(signal_settings(engine), counts_per_turn=recording.counts_per_turn)
        if recording.kind != RECORDING_FORMAT.kind:  # pins may be of other contacts
            settings = replace(settings, most_closed_deg={})
    entered: dict[str, Any] = {
        "direction": direction,
        "index_level": index_level,
        "approach_deg": _check("approach_deg", approach_deg),
    }
    for name, allowed in (("direction", (1, -1)), ("index_level", (0, 1))):
        if entered[name] not in (None, *allowed):
            raise InputError(f"{name} {entered[name]}: enter {allowed[0]} or {allowed[1]}")
    times_ms = {"closed_end": closed_end_ms, "least_open": least_open_ms,
                "longest_dropout": longest_dropout_ms}  # fmt: skip
    for name, ms in times_ms.items():
        entered[f"{name}_us"] = None if _check(f"{name}_ms", ms) is None or ms is None else 1e3 * ms
    settings = replace(settings, **{k: v for k, v in entered.items() if v is not None})
    levels, delays_us = dict(settings.open_levels), dict(sensing_delays_us or {})
    for name, level in (open_levels or {}).items():
        number = _number(name, recording.inputs)
        if number is None or level not in (0, 1):
            raise InputError(f"open level {name}={level}: give an input and the level 0 or 1")
        levels[number] = level
    delay_us = defaultdict[int, float](lambda: delays_us.get(ALL_INPUTS, 0.0))  # of each input
    if engine is not None and ALL_INPUTS not in delays_us:
        delay_us |= {unit.input: unit.sensing_delay_us for unit in engine.units}
    for name, us in delays_us.items():
        number = _number(name, recording.inputs)
        if name != ALL_INPUTS and number is None:
            raise InputError(f"sensing delay {name}={us}: give an input and microseconds")
        _check("sensing delay", us)
        if number is not None:
            delay_us[number] = us
    return _read(recording, replace(settings, open_levels=levels), tdc_deg, delay_us)


def _check(
    name: str, value: float | None, least: float = 0.0, most: float = math.inf
) -> float | None:
    if value is None or (math.isfinite(value) and least <= value <= most):
        return value
    if math.isfinite(most):
        raise InputError(f"{name} {value}: enter {least} to {most}")
    below = "" if least < 0.0 else ", not below zero"
    raise InputError(f"{name} {value}: enter a finite number{below}")


def _number(name: str, inputs: Mapping[int, str]) -> int | None:
    """The input of that name in the recording, or contactN."""
    digits = name.removeprefix("contact")
    number = int(digits) if digits.isascii() and digits.isdigit() else None
    return {name: number for number, name in inputs.items()}.get(name, number)


def _read(
    recording: Recording,
    settings: Settings,
    tdc_deg: float | None,
    delays_us: Mapping[int, float],
) -> RecordingOpenings:
    finder = OpeningFinder(settings)
    hindsight = Hindsight(finder)
    openings: list[Opening] = []
    line_errors: Counter[str] = Counter()
    findings: Counter[str] = Counter()
    file_errors: list[str] = []
    index_passes = illegal = 0
    start_us = 0.0 if recording.from_zero else math.inf
    for batch, events in replay(finder, recording.batches):
        hindsight.take(batch, events)
        if len(batch.positions):
            start_us = min(start_us, float(batch.positions[0]["t_us"]))
        for other in batch.others:
            if isinstance(other, LineError):
                line_errors[other.kind] += other.times
                if other.kind in (*OF_THE_FILE, "protocol"):
                    file_errors.append(other.detail)
            elif isinstance(other, Health):
                illegal = other.illegal
        for event in events:
            if isinstance(event, Opening) and event.direction >= 0:
                openings.append(event)
            elif isinstance(event, IndexPass):
                index_passes += 1
            elif isinstance(event, Finding):
                findings[f"{event.kind}, {input_name(event.input, recording.inputs)}"] += 1
    if math.isinf(start_us):
        raise InputError(f"{recording.path}: {_nothing(file_errors, line_errors)}")
    check = hindsight.index
    met = {one.input for one in openings}
    # They come as they are decided.
    openings = sorted(map(hindsight.now, openings), key=lambda one: one.t_us)
    return RecordingOpenings(
        path=recording.path,
        kind=recording.kind,
        counts_per_turn=settings.counts_per_turn,
        tdc_deg=tdc_deg,
        openings=tuple(
            _recorded(one, start_us, tdc_deg, recording.inputs, delays_us[one.input])
            for one in openings
        ),
        index_passes=index_passes,
        line_errors=MappingProxyType(dict(line_errors)),
        findings=MappingProxyType(dict(findings)),
        illegal_transitions=illegal,
        state_widths_counts=tuple(round(float(width), 4) for width in finder.widths.shares[0]),
        state_widths_corrected=any(finder.widths.offsets),
        file_errors=tuple(dict.fromkeys(file_errors)),
        is_anchored=finder.track.anchor is not None,
        counts=counts_of(check.turns, settings.counts_per_turn) if check.counts_wrong else None,
        off_passes=check.off_passes,
        angles_lost=finder.track.lost,
        never_open=tuple(name for number, name in recording.inputs.items() if number not in met),
    )


def _nothing(file_errors: list[str], line_errors: Counter[str]) -> str:
    """Why there is nothing to read in a capture."""
    kinds = ", ".join(f"{kind} {n}" for kind, n in line_errors.items() if kind != "capture")
    heard = f" ({kinds})" if kinds else ""
    return "; ".join(dict.fromkeys([f"it has no position of a rig{heard}", *file_errors]))


def input_name(number: int, inputs: Mapping[int, str]) -> str:
    """The name of a contact input in a recording; 0 is the encoder."""
    return inputs.get(number, f"contact{number}" if number else "encoder")


def _recorded(
    one: Opening,
    start_us: float,
    tdc_deg: float | None,
    inputs: Mapping[int, str],
    delay_us: float,
) -> RecordedOpening:
    crank_deg, btdc_deg = before_delay_deg(one, delay_us), None
    if tdc_deg is not None and crank_deg is not None:
        btdc_deg = wrap(tdc_deg - crank_deg)
    return RecordedOpening(
        unit=input_name(one.input, inputs),
        t_s=(one.t_us - start_us) / 1e6,
        crank_deg=crank_deg,
        btdc_deg=btdc_deg,
        rejection=one.rejection,
        approach_deg=one.approach_deg,
        speed_deg_s=one.speed_deg_s,
        times_opened=one.times_opened,
        transition_us=one.transition_us,
        closed_us=one.closed_us,
        closed_deg=one.closed_deg,
    )

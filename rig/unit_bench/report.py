"""A unit off the engine, the encoder on its own shaft: lobes, backlash, neutral.

All angles are degrees of the unit's own shaft, increasing in its normal direction, whole turns at
the index. Turned backwards, a lobe *closes* the contacts at the edge where it opens them turned
forwards; the two differ by the backlash between encoder and cam. The delay of the unit's front end
is taken out of each opening; all openings share it, so it drops out of the intervals between them.

Annotations: ``NEUTRAL`` with ``{"crank_deg": 12.3, "direction": 1}`` where the rotor settles by
feel, approached forwards (1) or backwards (-1), ``{"back": true}`` to undo the last one;
``COUPLING`` with ``{"engaged": true}`` while the impulse coupling is engaged: openings from then on
are trips. A report contains everything needed to compute its results again.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, Literal, TypeGuard

import numpy as np

from rig import __version__
from rig.base.angles import is_defined, mean_and_spread, modulo, wrap
from rig.base.codec import from_plain, number, to_plain, whole
from rig.base.earlier_rules import EARLIER_RULES, EarlierRule, Rules
from rig.base.errors import InputError
from rig.base.files import digest
from rig.base.rounding import figure, many, two_figures
from rig.base.uncertainty import quantisation, rectangular, root_sum, student_t
from rig.engine.profile import Encoder, Unit
from rig.job.folder import Job, SheetKind, recording_at
from rig.session.annotations import Timeline
from rig.session.hindsight import Hindsight
from rig.signal.events import Closing, Event, Opening, Settings
from rig.signal.openings import OpeningFinder, replay
from rig.timing.readings import before_delay_deg
from rig.wire.formats import open_recording
from rig.wire.records import Batch, Note

SINGLE_U_DEG = 0.1  # standard uncertainty of a single reading (common practice, no source)
KIND, VERSION, FOLDER = "unit report", 3, "units"
NAMED_PLAY = 2  # its name for backlash is play; version 1 does not say how the unit was set up
SAYS = "contacts and lobes of a unit on the bench, turned by hand; not a release to service"
NEUTRAL, COUPLING = "neutral", "coupling"  # annotations
MOST_DEG = 1e6  # a larger angle of a unit was edited


@dataclass(frozen=True, slots=True)
class UnitIdentity:
    """Which unit it is. Reports of the same type are compared."""

    type: str  # the maker's type, or the person's own name for it
    serial: str
    lobes: Annotated[int, whole(1, 36)]
    name: str = ""
    poles: int | None = None  # of its magnet


@dataclass(frozen=True, slots=True)
class BenchSetUp:
    """How the unit is set up on the bench: its input and how to read it, neutral places beside
    those in notes, and how late its front end shows an opening, with the half-width of that."""

    input: int
    open_level: Literal[0, 1] = 1
    direction: Literal[1, -1] = 1
    index_level: Literal[0, 1] = 1
    neutral_forward_deg: tuple[float, ...] = ()
    neutral_backward_deg: tuple[float, ...] = ()
    sensing_delay_us: Annotated[float, number(0.0, 1e6)] = 0.0
    sensing_delay_error_us: Annotated[float, number(0.0, 1e6)] = 0.0

    def settings(self, counts_per_turn: int) -> Settings:
        """How to read a recording."""
        levels = {self.input: self.open_level}
        return Settings(counts_per_turn, self.direction, self.index_level, open_levels=levels)


@dataclass(frozen=True, slots=True)
class BenchEvidence:
    """The openings and closings of a unit on the bench. Only ``openings_deg`` is needed.

    ``back_closings_deg`` were met turning backwards. ``neutral_*`` is where the rotor settles by
    feel, approached from either side. ``impulse_deg`` are openings with the coupling engaged.
    Openings are known within ``delay_half_deg`` for the delay of the front end.
    """

    openings_deg: tuple[float, ...]
    closings_deg: tuple[float, ...] = ()
    back_closings_deg: tuple[float, ...] = ()
    neutral_forward_deg: tuple[float, ...] = ()
    neutral_backward_deg: tuple[float, ...] = ()
    impulse_deg: tuple[float, ...] = ()
    delay_half_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class Mean:
    """A mean in degrees of the unit's shaft, its standard uncertainty, and its number of readings.

    ``nu`` are the degrees of freedom of ``u_deg``; math.inf if it is assumed, as for a single
    reading. For a difference, ``n`` is the smaller of the two.
    """

    deg: float
    u_deg: float
    n: int
    nu: float = math.inf

    @property
    def expanded_deg(self) -> float:
        """Expanded uncertainty at about 95 % (JCGM 100:2008, G.3)."""
        return student_t(self.nu) * self.u_deg

    @staticmethod
    def of(deg: float, n: int, *parts: tuple[float, float]) -> Mean:
        """With independent contributions (u_deg, nu)."""
        u_deg, nu = root_sum(*parts)
        return Mean(deg, u_deg, n, nu)

    def plus(self, u_deg: float) -> Mean:
        """The same, uncertain by an independent ``u_deg`` as well."""
        parts = (self.u_deg, self.nu), (u_deg, math.inf)
        return Mean.of(self.deg, self.n, *parts) if u_deg else self

    def __str__(self) -> str:
        """``12.34° ± 0.10°``, at about 95 %."""
        return f"{figure(self.deg, self.expanded_deg)}° ± {two_figures(self.expanded_deg)}°"


@dataclass(frozen=True, slots=True)
class Lobe:
    """One lobe, numbered from the index. What was not read is None."""

    number: int
    opening: Mean  # after the index, in [0, 360)
    interval: Mean  # to the next lobe's opening
    closed: Mean | None  # from the closing before to the opening
    opened: Mean | None  # from the opening to the closing after
    neutral: Mean | None  # from magnetic neutral to the opening


@dataclass(frozen=True, slots=True)
class UnitReport:
    """All results. ``backlash`` and ``impulse_lag`` are means over the lobes."""

    lobes: tuple[Lobe, ...]
    backlash: Mean | None
    neutral: Mean | None  # where it is, after the index, in [0, 360)
    neutral_sides_deg: float | None  # forward minus backward: friction, and how well it is felt
    impulse_lag: Mean | None


def seen_from_events(events: Iterable[Event], of: BenchSetUp | Unit) -> BenchEvidence:
    """Openings and closings of one unit from the signal room's events.

    Only valid openings are used, and closings with a known angle and direction, not at rest. The
    delay's uncertainty is that at the mean speed of the openings (JCGM 100:2008, 4.3.7).
    """
    opened: list[float] = []
    closed: dict[int, list[float]] = {1: [], 0: [], -1: []}  # by direction
    speeds: list[float] = []
    for event in events:
        if not isinstance(event, Opening | Closing) or event.input != of.input:
            continue
        if isinstance(event, Closing):
            closed[event.direction] += [] if event.crank_deg is None else [event.crank_deg]
        elif event.valid and (deg := before_delay_deg(event, of.sensing_delay_us)) is not None:
            opened.append(deg)
            speeds += [event.speed_deg_s] if math.isfinite(event.speed_deg_s) else []
    mean_deg_s = abs(math.fsum(speeds)) / len(speeds) if speeds else 0.0
    half_deg = of.sensing_delay_error_us * 1e-6 * mean_deg_s
    return BenchEvidence(
        tuple(opened), tuple(closed[1]), tuple(closed[-1]), delay_half_deg=half_deg
    )


def report(
    seen: BenchEvidence, lobes: int, encoder: Encoder, poles: int | None = None
) -> UnitReport:
    """The results of the readings of a unit by itself.

    ``poles`` of the magnet give the number of neutrals in a turn; without them only the felt place
    is used. Raises InputError when the openings are not at ``lobes`` places. Source: JCGM 100:2008,
    4.2.3 and 5.1.2, for the means and their differences.
    """
    q = 360.0 / encoder.counts_per_turn / float(encoder.turns_per_crank_turn)
    u_delay = rectangular(seen.delay_half_deg)
    places = _gather(seen.openings_deg, lobes, "openings", q)
    closings = _gather(seen.closings_deg, lobes, "closings", q) if seen.closings_deg else []
    neutral, sides = _neutral(seen, q)
    pole_deg = 360.0 / poles if poles else 360.0

    def delayed(mean: Mean | None) -> Mean | None:
        return mean and mean.plus(u_delay)

    return UnitReport(
        lobes=tuple(
            Lobe(
                number=number,
                opening=place.plus(u_delay),
                interval=_from(place, after) if lobes > 1 else Mean(360.0, 0.0, place.n),
                closed=delayed(_least(_from(closing, place) for closing in closings)),
                opened=delayed(_least(_from(place, closing) for closing in closings)),
                neutral=delayed(neutral and _from(neutral, place, pole_deg)),
            )
            for number, (place, after) in enumerate(
                zip(places, [*places[1:], places[0]], strict=True), 1
            )
        ),
        backlash=delayed(_offset(places, seen.back_closings_deg, q, sign=-1.0)),
        neutral=neutral,
        neutral_sides_deg=sides,
        impulse_lag=delayed(_offset(places, seen.impulse_deg, q, sign=1.0)),
    )


def _mean(angles: Sequence[float], q_deg: float) -> Mean:
    """Mean in [0, 360) with its repeatability and the rounding to a count."""
    if not is_defined(angles):
        raise InputError("the angles of one place are spread all round the turn: enter them again")
    mean, sd = mean_and_spread(angles)
    n = len(angles)
    own = (SINGLE_U_DEG, math.inf) if sd is None else (sd / math.sqrt(n), n - 1.0)
    return Mean.of(modulo(mean), n, own, (quantisation(q_deg), math.inf))


def _gather(angles: Sequence[float], lobes: int, what: str, q_deg: float) -> list[Mean]:
    """The angles in ``lobes`` groups, split at the widest gaps, in order from the index."""
    if lobes < 1:
        raise InputError(f"a unit with {many(lobes, 'lobe')} never opens: enter 1 lobe or more")
    if len(angles) < lobes:
        raise InputError(
            f"{len(angles)} {what} for {many(lobes, 'lobe')}: turn on until each lobe has passed,"
            " five times if you can"
        )
    around = np.sort([modulo(angle) for angle in angles])
    gaps = np.diff(around, prepend=around[-1] - 360.0)  # before each
    widest = np.argsort(-gaps, kind="stable")
    cuts = np.sort(widest[:lobes])
    if gaps[widest[lobes:]].max(initial=0.0) > 0.25 * gaps[cuts].min():
        raise InputError(
            f"the {what} are not at {many(lobes, 'place')} of the turn: another number of lobes,"
            " dirty contacts, or an encoder that slips on the shaft"
        )
    groups = np.split(np.roll(around, -cuts[0]), cuts[1:] - cuts[0])
    return sorted((_mean(group.tolist(), q_deg) for group in groups), key=lambda m: m.deg)


def _from(one: Mean, two: Mean, period_deg: float = 360.0) -> Mean:
    """From one place forward to another, in [0, period)."""
    parts = ((one.u_deg, one.nu), (two.u_deg, two.nu))
    return Mean.of(modulo(two.deg - one.deg, period_deg), min(one.n, two.n), *parts)


def _least(means: Iterable[Mean]) -> Mean | None:
    return min(means, key=lambda mean: mean.deg, default=None)


def _neutral(seen: BenchEvidence, q_deg: float) -> tuple[Mean | None, float | None]:
    """Neutral half-way between the places felt from either side, and their distance."""
    if not (seen.neutral_forward_deg and seen.neutral_backward_deg):
        return None, None
    forward = _mean(seen.neutral_forward_deg, q_deg)
    backward = _mean(seen.neutral_backward_deg, q_deg)
    apart = wrap(forward.deg - backward.deg)
    parts = ((each.u_deg / 2.0, each.nu) for each in (forward, backward))
    middle = modulo(backward.deg + apart / 2.0)
    return Mean.of(middle, min(forward.n, backward.n), *parts), apart


def _offset(
    places: Sequence[Mean], angles: Sequence[float], q_deg: float, sign: float
) -> Mean | None:
    """How far ``angles`` are past (``sign`` 1) or before the nearest openings, mean over all."""
    if not angles:
        return None
    off = [sign * min((wrap(a - p.deg) for p in places), key=abs) for a in angles]
    n = len(off)
    mean = math.fsum(off) / n
    own = (SINGLE_U_DEG, math.inf)
    if n > 1:
        own = (math.sqrt(math.fsum((x - mean) ** 2 for x in off) / (n - 1) / n), n - 1.0)
    each = [(p.u_deg / len(places), p.nu) for p in places]
    return Mean.of(mean, n, own, (quantisation(q_deg), math.inf), *each)


def plain_report(
    report: UnitReport, identity: UnitIdentity, made_utc: str, **more: Any
) -> dict[str, Any]:
    """The report as plain data for JSON; ``more`` is kept as it is (recording, set-up)."""
    head = {"kind": KIND, "version": VERSION, "made_utc": made_utc, "unit": asdict(identity)}
    return head | {"says": SAYS} | more | {"found": asdict(report)}


def is_angle(value: Any) -> TypeGuard[float]:
    """Whether a plain value is a number of a possible size."""
    return isinstance(value, int | float) and abs(value) < MOST_DEG


class Alone:
    """The events and notes of a unit in order. ``wrong`` notes make no sense. ``hindsight`` knows
    what rejects an opening later; None by the rule of earlier versions.

    ``{"back": true}`` undoes the last neutral place.
    """

    def __init__(self, of: BenchSetUp | Unit, hindsight: Hindsight | None) -> None:
        self._of, self._hindsight = of, hindsight
        self._engaged = Timeline(False)
        self._events: list[Event] = []
        self.felt: list[tuple[int, float]] = []  # direction and angle, in order
        self.wrong: list[str] = []

    @property
    def engaged(self) -> bool:
        """Whether the coupling is engaged now."""
        return self._engaged.now

    def note(self, note: Note) -> None:
        """Take a note; others are skipped."""
        if note.name == COUPLING:
            self._engaged.set(note.t_us, bool(note.value.get("engaged")))
        elif note.name == NEUTRAL and note.value.get("back"):
            del self.felt[-1:]
        elif note.name == NEUTRAL:
            deg, way = note.value.get("crank_deg"), note.value.get("direction")
            if is_angle(deg) and not isinstance(deg, bool) and way in (1, -1):
                self.felt.append((1 if way == 1 else -1, float(deg)))
            else:
                self.wrong.append(f"a note named {NEUTRAL!r} has no angle, or no direction 1 or -1")

    def add(self, events: Iterable[Event]) -> None:
        """Further events."""
        self._events += events

    def seen(self) -> BenchEvidence:
        """What was seen so far."""
        by_coupling: dict[bool, list[Event]] = {False: [], True: []}
        known = self._hindsight.all_now(self._events) if self._hindsight else self._events
        for event in known:
            by_coupling[self._engaged.at(event.t_us)].append(event)
        return replace(
            seen_from_events(by_coupling[False], self._of),
            neutral_forward_deg=tuple(deg for way, deg in self.felt if way > 0),
            neutral_backward_deg=tuple(deg for way, deg in self.felt if way < 0),
            impulse_deg=seen_from_events(by_coupling[True], self._of).openings_deg,
        )


def alone_seen(
    batches: Iterable[Batch], settings: Settings, of: BenchSetUp, rules: Rules = ()
) -> tuple[BenchEvidence, list[str]]:
    """What a recording shows of a unit, and the notes that make no sense; by the ``rules`` of an
    earlier version."""
    finder = OpeningFinder(settings)
    hindsight = Hindsight(finder)
    alone = Alone(of, None if EarlierRule.UNIT_AS_FOUND in rules else hindsight)
    for batch, events in replay(finder, batches):
        hindsight.take(batch, events)
        alone.add(events)
        for note in batch.others:
            if isinstance(note, Note):
                alone.note(note)
    return alone.seen(), alone.wrong


def sheet(
    identity: UnitIdentity,
    bench: BenchSetUp,
    counts_per_turn: int,
    recording: Path,
    made_utc: str,
    *,
    impulse: Path | None = None,
    changes: Sequence[str] = (),
    rules: Rules = (),
) -> tuple[dict[str, Any], UnitReport, list[str]]:
    """The report as plain data and as values, and the notes that make no sense.

    ``impulse`` is a recording with the coupling engaged, ``rules`` are those of an earlier version.
    Raises InputError when a recording cannot be read.
    """
    settings = bench.settings(counts_per_turn)
    batches = open_recording(recording, counts_per_turn).batches
    seen, wrong = alone_seen(batches, settings, bench, rules)
    held, named = seen.impulse_deg, None
    if impulse is not None:
        batches = open_recording(impulse, counts_per_turn).batches
        other, _ = alone_seen(batches, settings, bench, rules)
        held = (*held, *other.openings_deg, *other.impulse_deg)
        named = {"recording": impulse.name, "sha256": digest(impulse)}
    seen = replace(
        seen,
        impulse_deg=held,
        neutral_forward_deg=(*seen.neutral_forward_deg, *bench.neutral_forward_deg),
        neutral_backward_deg=(*seen.neutral_backward_deg, *bench.neutral_backward_deg),
    )
    found = report(seen, identity.lobes, Encoder(counts_per_turn), identity.poles)
    set_up = to_plain(bench)
    if not (bench.sensing_delay_us or bench.sensing_delay_error_us):  # earlier sheets have none
        del set_up["sensing_delay_us"], set_up["sensing_delay_error_us"]
    plain = plain_report(
        found, identity, made_utc,
        program=__version__, recording=recording.name, recording_sha256=digest(recording),
        counts_per_turn=counts_per_turn, changes=list(changes), impulse=named, bench=set_up,
    )  # fmt: skip
    return plain, found, wrong


def stem(identity: UnitIdentity, made: datetime) -> str:
    """The name of a report's file: its unit, and when it was made."""
    who = "-".join(_slug(part) for part in (identity.type, identity.serial) if part)
    return f"{who}-{made:%Y%m%d-%H%M%S}"


def _slug(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", text.casefold()).strip("-") or "unit"


def _recordings(plain: Mapping[str, Any]) -> list[tuple[str, str, int | None]]:
    found = [(plain["recording"], plain["recording_sha256"])]
    if (impulse := plain["impulse"]) is not None:
        found.append((impulse["recording"], impulse["sha256"]))
    return [(str(name), str(sha256), None) for name, sha256 in found]


def _stem(plain: Mapping[str, Any], made: datetime) -> str:
    return stem(from_plain(UnitIdentity, plain["unit"], "unit"), made)


def _recompute(job: Job, plain: Mapping[str, Any]) -> dict[str, Any]:
    """The report of a unit, computed again from its recordings. Raises InputError for a sheet of
    version 1, which does not say how the unit was set up."""
    version = plain["version"]
    if version not in (NAMED_PLAY, VERSION):
        raise InputError(
            f"version {version!r} does not say how the unit was set up; report the unit again"
        )
    identity = from_plain(UnitIdentity, plain["unit"], "unit")
    bench = from_plain(BenchSetUp, plain["bench"], "bench")
    counts, impulse = int(plain["counts_per_turn"]), plain["impulse"]
    if not 4 <= counts <= 1_000_000:
        raise ValueError("impossible counts per turn")
    if identity.name not in ["", *(unit.name for unit in job.profile.units)]:
        raise InputError(f"the engine file has no unit {identity.name!r}; it was edited")

    def at(name: object) -> Path:
        return recording_at(job.folder, FOLDER, str(name))

    fresh, _, _ = sheet(
        identity, bench, counts, at(plain["recording"]), str(plain["made_utc"]),
        impulse=None if impulse is None else at(impulse["recording"]), changes=plain["changes"],
        rules=EARLIER_RULES.get(str(plain["program"]), ()),
    )  # fmt: skip
    if version == NAMED_PLAY:
        fresh["version"], found = NAMED_PLAY, fresh["found"]
        found["play"] = found.pop("backlash")
    return fresh


SHEET = SheetKind(KIND, FOLDER, _recordings, _stem, _recompute)

"""A unit off the engine, the encoder on its own shaft: lobes, backlash, neutral; reports compared.

All angles are degrees of the unit's own shaft, increasing in its normal direction, whole turns at
the index. Turned backwards, a lobe *closes* the contacts at the edge where it opens them turned
forwards; the two differ by the backlash between encoder and cam.

Annotations: ``NEUTRAL`` with ``{"crank_deg": 12.3, "direction": 1}`` where the rotor settles by
feel, approached forwards (1) or backwards (-1), ``{"back": true}`` to undo the last one;
``COUPLING`` with ``{"engaged": true}`` while the impulse coupling is engaged: openings from then on
are trips. A report contains everything needed to compute its results again.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any, TypeGuard

from rig import __version__
from rig.base.angles import is_defined, mean_and_spread, modulo, wrap
from rig.base.errors import InputError
from rig.base.files import digest
from rig.base.rounding import difference as signed
from rig.base.rounding import figure, many, two_figures
from rig.base.uncertainty import quantisation, student_t
from rig.engine.profile import Encoder
from rig.job.folder import Job, SheetKind
from rig.session.annotations import Timeline
from rig.signal.events import Closing, Event, Opening, Settings
from rig.signal.openings import OpeningFinder, replay
from rig.wire.formats import open_recording
from rig.wire.records import Batch, Note

SINGLE_U_DEG = 0.1
"""Standard uncertainty assumed for a single reading (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class BenchEvidence:
    """The openings and closings of a unit on the bench. Only ``openings_deg`` is needed.

    ``back_closings_deg`` were met turning backwards. ``neutral_*`` is where the rotor settles by
    feel, approached from either side. ``impulse_deg`` are openings with the coupling engaged.
    """

    openings_deg: tuple[float, ...]
    closings_deg: tuple[float, ...] = ()
    back_closings_deg: tuple[float, ...] = ()
    neutral_forward_deg: tuple[float, ...] = ()
    neutral_backward_deg: tuple[float, ...] = ()
    impulse_deg: tuple[float, ...] = ()


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


def combined(*parts: tuple[float, float]) -> tuple[float, float]:
    """Standard uncertainty and degrees of freedom of a sum of independent (u_deg, nu).

    Source: JCGM 100:2008, 5.1.2 and G.4.1.
    """
    u_deg = math.hypot(*(u for u, _ in parts))
    inverse = math.fsum((u / u_deg) ** 4 / nu for u, nu in parts) if u_deg > 0.0 else 0.0
    return u_deg, 1.0 / inverse if inverse > 0.0 else math.inf


@dataclass(frozen=True, slots=True)
class Lobe:
    """One lobe, numbered from the index. Angles that were not read are None."""

    number: int
    opening: Mean  # after the index, in [0, 360)
    interval: Mean  # to the next lobe's opening
    closed: Mean | None  # from the closing before to the opening
    opened: Mean | None  # from the opening to the closing after
    neutral: Mean | None  # from magnetic neutral to the opening


@dataclass(frozen=True, slots=True)
class UnitReport:
    """All results. ``play`` (backlash) and ``impulse_lag`` are means over the lobes."""

    lobes: tuple[Lobe, ...]
    play: Mean | None
    neutral: Mean | None  # where it is, after the index, in [0, 360)
    neutral_sides_deg: float | None  # forward minus backward: friction and play of the feel
    impulse_lag: Mean | None


def seen_from_events(events: Iterable[Event], contact: int) -> BenchEvidence:
    """Openings and closings of one input from the signal room's events.

    Only valid openings are used, and closings with a known angle and direction, not at rest.
    Source: definition.
    """
    openings, closings, back = [], [], []
    for event in events:
        if not isinstance(event, (Opening, Closing)) or event.input != contact:
            continue
        if event.crank_deg is None:
            continue
        if isinstance(event, Opening):
            if event.valid:
                openings.append(event.crank_deg)
        elif event.direction > 0:
            closings.append(event.crank_deg)
        elif event.direction < 0:
            back.append(event.crank_deg)
    return BenchEvidence(tuple(openings), tuple(closings), tuple(back))


def report(
    seen: BenchEvidence, lobes: int, encoder: Encoder, poles: int | None = None
) -> UnitReport:
    """The results of the readings of a unit by itself.

    ``poles`` of the magnet say how often neutral comes in a turn; without it only the felt place is
    used. Raises InputError when the openings are not at ``lobes`` places. Source: JCGM 100:2008,
    4.2.3 and 5.1.2, for the means and their differences.
    """
    q = 360.0 / encoder.counts_per_turn / float(encoder.turns_per_crank_turn)
    places = _gather(seen.openings_deg, lobes, "openings", q)
    closings = _gather(seen.closings_deg, lobes, "closings", q) if seen.closings_deg else None
    neutral, sides = _neutral(seen, q)
    pole_deg = 360.0 / poles if poles else 360.0
    found = []
    for i, place in enumerate(places):
        after = places[(i + 1) % lobes]
        found.append(
            Lobe(
                number=i + 1,
                opening=place,
                interval=_from(place, after) if lobes > 1 else Mean(360.0, 0.0, place.n),
                closed=_nearest(place, closings, ahead=False),
                opened=_nearest(place, closings, ahead=True),
                neutral=_from(neutral, place, pole_deg) if neutral else None,
            )
        )
    return UnitReport(
        lobes=tuple(found),
        play=_offset(places, seen.back_closings_deg, q, sign=-1.0),
        neutral=neutral,
        neutral_sides_deg=sides,
        impulse_lag=_offset(places, seen.impulse_deg, q, sign=1.0),
    )


def _mean(angles: Sequence[float], q_deg: float) -> Mean:
    """Mean in [0, 360) with its repeatability and the rounding to a count."""
    if not is_defined(angles):
        raise InputError("angles of one place are all round the turn: enter them again")
    mean, sd = mean_and_spread(angles)
    n = len(angles)
    own = (SINGLE_U_DEG, math.inf) if sd is None else (sd / math.sqrt(n), n - 1.0)
    u_deg, nu = combined(own, (quantisation(q_deg), math.inf))
    return Mean(modulo(mean), u_deg, n, nu)


def _gather(angles: Sequence[float], lobes: int, what: str, q_deg: float) -> list[Mean]:
    """The angles in ``lobes`` groups, split at the widest gaps, in order from the index."""
    if lobes < 1:
        raise InputError(f"a unit with {many(lobes, 'lobe')} never opens: enter 1 lobe or more")
    around = sorted(modulo(angle) for angle in angles)
    if len(around) < lobes:
        raise InputError(
            f"{len(around)} {what} for {many(lobes, 'lobe')}: turn on until each lobe has passed,"
            " better five times"
        )
    gaps = [modulo(around[i] - around[i - 1]) for i in range(len(around))]  # before each
    if len(around) == 1:
        gaps = [360.0]
    widest = sorted(range(len(gaps)), key=gaps.__getitem__, reverse=True)
    cuts, within = sorted(widest[:lobes]), [gaps[i] for i in widest[lobes:]]
    if within and max(within) > 0.25 * min(gaps[i] for i in cuts):
        raise InputError(
            f"the {what} are not at {many(lobes, 'place')} of the turn: another number of lobes,"
            " dirty contacts, or an encoder that slips on the shaft"
        )
    ends = [*cuts[1:], cuts[0] + len(around)]
    rolled = around + around
    groups = [rolled[a:b] for a, b in zip(cuts, ends, strict=True)]
    return sorted((_mean(group, q_deg) for group in groups), key=lambda m: m.deg)


def _from(one: Mean, two: Mean, period_deg: float = 360.0) -> Mean:
    """From one place forward to another, in [0, period)."""
    u_deg, nu = combined((one.u_deg, one.nu), (two.u_deg, two.nu))
    return Mean(modulo(two.deg - one.deg, period_deg), u_deg, min(one.n, two.n), nu)


def _nearest(place: Mean, closings: Sequence[Mean] | None, *, ahead: bool) -> Mean | None:
    if closings is None:
        return None
    ways = (_from(place, c) if ahead else _from(c, place) for c in closings)
    return min(ways, key=lambda m: m.deg)


def _neutral(seen: BenchEvidence, q_deg: float) -> tuple[Mean | None, float | None]:
    """Neutral half-way between the places felt from either side, and their distance."""
    if not (seen.neutral_forward_deg and seen.neutral_backward_deg):
        return None, None
    forward = _mean(seen.neutral_forward_deg, q_deg)
    backward = _mean(seen.neutral_backward_deg, q_deg)
    apart = wrap(forward.deg - backward.deg)
    u_deg, nu = combined((forward.u_deg, forward.nu), (backward.u_deg, backward.nu))
    middle = modulo(backward.deg + apart / 2.0)
    return Mean(middle, u_deg / 2.0, min(forward.n, backward.n), nu), apart


def _offset(
    places: Sequence[Mean], angles: Sequence[float], q_deg: float, sign: float
) -> Mean | None:
    """How far ``angles`` are past (``sign`` 1) or before the nearest openings, mean over all."""
    if not angles:
        return None
    off = [sign * min((wrap(a - p.deg) for p in places), key=abs) for a in angles]
    mean = math.fsum(off) / len(off)
    n = len(off)
    own = (SINGLE_U_DEG, math.inf)
    if n > 1:
        own = (math.sqrt(math.fsum((x - mean) ** 2 for x in off) / (n - 1) / n), n - 1.0)
    each = [(p.u_deg / len(places), p.nu) for p in places]
    u_deg, nu = combined(own, (quantisation(q_deg), math.inf), *each)
    return Mean(mean, u_deg, n, nu)


KIND, VERSION = "unit report", 2
SAYS = "contacts and lobes of a unit on the bench, turned by hand; not a release to service"
COVERAGE = 0.95
NEUTRAL_FIGURE = "neutral"
MOST_DEG = 1e6
"""No angle of a unit is as large; a larger one was edited."""


@dataclass(frozen=True, slots=True)
class UnitIdentity:
    """Which unit it is. Reports of the same type are compared."""

    type: str  # the maker's type, or the person's own name for it
    serial: str
    lobes: int
    name: str = ""
    poles: int | None = None  # of its magnet


@dataclass(frozen=True, slots=True)
class UnitChange:
    """One result in two reports, degrees of the unit's shaft. ``change_deg``: second minus first.

    ``nu`` are the degrees of freedom behind ``U_deg``; math.inf if assumed.
    """

    figure: str
    first_deg: float
    second_deg: float
    change_deg: float
    U_deg: float
    nu: float
    changed: bool
    words: str


@dataclass(frozen=True, slots=True)
class UnitComparison:
    """Two reports compared, with notes."""

    changes: tuple[UnitChange, ...]
    notes: tuple[str, ...]

    @property
    def false_each(self) -> float:
        """How often, at most, an unchanged result is reported as changed."""
        return 1.0 - COVERAGE

    @property
    def false_any(self) -> float:
        """How often at least one result is, if none changed; they are taken as independent."""
        return 1.0 - COVERAGE ** len(self.changes)


def plain_report(
    report: UnitReport, identity: UnitIdentity, made_utc: str, **more: Any
) -> dict[str, Any]:
    """The report as plain data for JSON. Angles are degrees of the unit's own shaft.

    ``more`` is kept as it is (rig, person, capture and its fingerprint). Source: the report.
    """
    return {
        "kind": KIND,
        "version": VERSION,
        "made_utc": made_utc,
        "unit": asdict(identity),
        "says": SAYS,
        **more,
        "found": asdict(report),
    }


def compare_reports(first: Mapping[str, Any], second: Mapping[str, Any]) -> UnitComparison:
    """What changed from one plain report to another of the same type of unit.

    A result changed if its difference is more than the expanded uncertainty of both, with Student's
    factor for their degrees of freedom. Neutral is compared modulo its pole pitch, other angles
    modulo a turn. A single reading has no SD and is not compared. The index may be elsewhere on the
    shaft, so only intervals and widths are compared. Raises InputError for something that is not a
    unit report, a newer version, or another type of unit. Source: JCGM 100:2008, 5.1.2 and G.4.1.
    """
    for each in (first, second):
        _check(each)
    one, two = first["unit"], second["unit"]
    for key in ("type", "lobes"):
        if one[key] != two[key]:
            raise InputError(
                f"the reports are of different units, {key} {one[key]} and {two[key]}: compare "
                "reports of the same type"
            )
    notes = []
    if one["serial"] != two["serial"]:
        notes.append(f"two units: serial {one['serial'] or '?'} and {two['serial'] or '?'}")
    before, after = dict(means_of(first["found"])), dict(means_of(second["found"]))
    if one.get("poles") != two.get("poles"):  # neutral is then counted differently
        notes.append("the poles are entered differently, so neutral is not compared")
        for figures in (before, after):
            for name in [name for name in figures if name.startswith(NEUTRAL_FIGURE)]:
                del figures[name]
    for name in sorted(before.keys() ^ after.keys()):
        notes.append(f"{name} is in one of the reports only")
    both = [name for name in before if name in after]
    once = [name for name in both if min(before[name].n, after[name].n) < 2]
    if once:
        notes.append(f"read once and not compared: {', '.join(once)}; turn it five times")
    changes = tuple(
        _change(name, before[name], after[name], period_of(name, one.get("poles")))
        for name in both
        if name not in once
    )
    return UnitComparison(changes, tuple(notes))


def period_of(figure: str, poles: int | None) -> float:
    """Angles of ``figure`` that differ by this are the same: a pole pitch for neutral, else a turn.

    Degrees of the unit's shaft; ``poles`` of its magnet.
    """
    return 360.0 / poles if poles and poles > 0 and figure.startswith(NEUTRAL_FIGURE) else 360.0


def _check(plain: Mapping[str, Any]) -> None:
    if plain.get("kind") != KIND:
        raise InputError(f"this is no unit report but {plain.get('kind', 'something else')!r}")
    if not isinstance(plain.get("version"), int) or plain["version"] > VERSION:
        raise InputError(
            f"this unit report has version {plain.get('version')!r}, this program reads up to "
            f"{VERSION}: use a newer program"
        )
    if not {"unit", "found"} <= plain.keys():
        raise InputError("this unit report is not whole: its unit or its figures are missing")


def means_of(found: Mapping[str, Any]) -> Iterator[tuple[str, Mean]]:
    """Each mean of a report with its name, without places after the index and the interval of a
    single lobe, which is always a whole turn.

    Raises InputError for what is not a list of lobes, or not a mean.
    """
    names = {
        "interval": "interval from lobe {}",
        "closed": "closed before lobe {}",
        "opened": "open after lobe {}",
        "neutral": NEUTRAL_FIGURE + " to opening of lobe {}",
    }
    lobes = found.get("lobes") if isinstance(found, Mapping) else None
    if not isinstance(lobes, list | tuple) or not all(isinstance(lobe, Mapping) for lobe in lobes):
        raise InputError("this unit report is not whole: its lobes are missing")
    for lobe in lobes:
        for key, name in names.items():
            if lobe.get(key) is not None and not (key == "interval" and _whole_turn(lobe[key])):
                yield name.format(lobe.get("number")), _mean_of(lobe[key], key)
    for key, name in (("play", "backlash"), ("impulse_lag", "impulse lag")):
        if found.get(key) is not None:
            yield name, _mean_of(found[key], key)


def _whole_turn(plain: Any) -> bool:
    return isinstance(plain, Mapping) and plain.get("deg") == 360.0 and plain.get("u_deg") == 0.0


def _mean_of(plain: Any, key: str) -> Mean:
    """A mean of a report; one from before ``nu`` was recorded has n - 1 degrees of freedom.

    Raises InputError if it is not one.
    """
    if isinstance(plain, Mapping):
        deg, u_deg, n = (plain.get(name) for name in ("deg", "u_deg", "n"))
        if _size(deg) and _size(u_deg) and u_deg >= 0.0 and _size(n) and n >= 1:
            nu = plain.get("nu", n - 1 if n > 1 else None)
            known = math.inf if nu is None else nu  # JSON has no infinity
            if isinstance(known, int | float) and known >= 1.0:
                return Mean(float(deg), float(u_deg), int(n), float(known))
    raise InputError(f"this unit report is not whole: {key} is no angle with its uncertainty")


def _stated(mean: Mean) -> str:
    return figure(mean.deg, mean.expanded_deg)


def _size(value: Any) -> TypeGuard[float]:
    return isinstance(value, int | float) and abs(value) < MOST_DEG


def _change(name: str, before: Mean, after: Mean, period_deg: float) -> UnitChange:
    difference = wrap(after.deg - before.deg, period_deg)
    u_deg, nu = combined((before.u_deg, before.nu), (after.u_deg, after.nu))
    U = student_t(nu, COVERAGE) * u_deg
    changed = abs(difference) > U
    words = (
        f"{name}: {_stated(before)} to {_stated(after)} degrees, "
        + (f"changed by {signed(difference, U)}" if changed else "the same")
        + f" (±{two_figures(U)})"
    )
    return UnitChange(name, before.deg, after.deg, difference, U, nu, changed, words)


NEUTRAL, COUPLING = "neutral", "coupling"


class Alone:
    """The events and notes of a unit on input ``contact``, in order. ``wrong`` notes make no sense.

    ``{"back": true}`` undoes the last neutral place.
    """

    def __init__(self, contact: int) -> None:
        self._contact = contact
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
        elif note.name == NEUTRAL and not _felt(note, self.felt):
            self.wrong.append(f"a note named {NEUTRAL!r} has no angle, or no direction 1 or -1")

    def add(self, events: Iterable[Event]) -> None:
        """Further events."""
        self._events += events

    def seen(self) -> BenchEvidence:
        """What was seen so far."""
        at = self._engaged.at
        seen = seen_from_events((e for e in self._events if not at(e.t_us)), self._contact)
        held = seen_from_events((e for e in self._events if at(e.t_us)), self._contact)
        return replace(
            seen,
            neutral_forward_deg=tuple(deg for way, deg in self.felt if way > 0),
            neutral_backward_deg=tuple(deg for way, deg in self.felt if way < 0),
            impulse_deg=held.openings_deg,
        )


def alone_seen(
    batches: Iterable[Batch], settings: Settings, contact: int
) -> tuple[BenchEvidence, list[str]]:
    """What a recording shows of the unit on input ``contact``, and the notes that make no sense."""
    alone = Alone(contact)
    for batch, events in replay(OpeningFinder(settings), batches):
        alone.add(events)
        for note in batch.others:
            if isinstance(note, Note):
                alone.note(note)
    return alone.seen(), alone.wrong


def _felt(note: Note, felt: list[tuple[int, float]]) -> bool:
    """Take a neutral place; False if the note makes no sense."""
    angle, said = note.value.get("crank_deg"), note.value.get("direction")
    if isinstance(angle, bool) or not isinstance(angle, int | float) or not math.isfinite(angle):
        return False
    way = next((each for each in (1, -1) if each == said), None)
    if way is None:
        return False
    felt.append((way, float(angle)))
    return True


__all__ = ["FOLDER", "KIND", "BenchSetUp", "UnitIdentity", "bench_from", "sheet", "stem"]

FOLDER = "units"


@dataclass(frozen=True, slots=True)
class BenchSetUp:
    """How the unit is set up on the bench, and neutral places beside those in notes."""

    identity: UnitIdentity
    settings: Settings
    contact: int
    neutral_forward_deg: tuple[float, ...] = ()
    neutral_backward_deg: tuple[float, ...] = ()


def sheet(
    bench: BenchSetUp,
    recording: Path,
    made_utc: str,
    impulse: Path | None = None,
    changes: Sequence[str] = (),
) -> tuple[dict[str, Any], UnitReport, list[str]]:
    """The report as plain data and as values, and the notes that make no sense.

    ``impulse`` is a recording with the coupling engaged. Raises InputError when one cannot be read.
    """
    settings, counts = bench.settings, bench.settings.counts_per_turn
    seen, wrong = alone_seen(open_recording(recording, counts).batches, settings, bench.contact)
    held = seen.impulse_deg
    if impulse is not None:
        other, _ = alone_seen(open_recording(impulse, counts).batches, settings, bench.contact)
        held = (*held, *other.openings_deg, *other.impulse_deg)
    seen = replace(
        seen,
        impulse_deg=held,
        neutral_forward_deg=(*seen.neutral_forward_deg, *bench.neutral_forward_deg),
        neutral_backward_deg=(*seen.neutral_backward_deg, *bench.neutral_backward_deg),
    )
    found = report(seen, bench.identity.lobes, Encoder(counts), bench.identity.poles)
    named = None
    if impulse is not None:
        named = {"recording": impulse.name, "sha256": digest(impulse)}
    plain = plain_report(
        found, bench.identity, made_utc,
        program=__version__, recording=recording.name, recording_sha256=digest(recording),
        counts_per_turn=counts, changes=list(changes), impulse=named,
        bench={
            "input": bench.contact,
            "open_level": settings.open_levels[bench.contact],
            "direction": settings.direction,
            "index_level": settings.index_level,
            "neutral_forward_deg": list(bench.neutral_forward_deg),
            "neutral_backward_deg": list(bench.neutral_backward_deg),
        },
    )  # fmt: skip
    return plain, found, wrong


def stem(identity: UnitIdentity, made: datetime) -> str:
    """The name of a report's file: its unit, and when it was made."""
    who = "-".join(_slug(part) for part in (identity.type, identity.serial) if part)
    return f"{who}-{made:%Y%m%d-%H%M%S}"


def _slug(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", text.casefold()).strip("-") or "unit"


def bench_from(plain: Mapping[str, Any]) -> BenchSetUp:
    """The set-up in a sheet. Raises InputError for a sheet of version 1, which has none; KeyError,
    TypeError or ValueError for an incomplete one."""
    if plain["version"] != VERSION:
        raise InputError(
            f"version {plain['version']!r} does not say how the unit was set up; report the unit"
            " again"
        )
    unit, bench = plain["unit"], plain["bench"]
    counts, contact = int(plain["counts_per_turn"]), int(bench["input"])
    if not 4 <= counts <= 1_000_000 or not 1 <= int(unit["lobes"]) <= 36:
        raise ValueError("impossible counts per turn or lobes")
    return BenchSetUp(
        UnitIdentity(**unit),
        Settings(
            counts,
            1 if bench["direction"] == 1 else -1,
            1 if bench["index_level"] == 1 else 0,
            open_levels={contact: 1 if bench["open_level"] == 1 else 0},
        ),
        contact,
        tuple(map(float, bench["neutral_forward_deg"])),
        tuple(map(float, bench["neutral_backward_deg"])),
    )


def _recordings(plain: Mapping[str, Any]) -> list[tuple[str, str, int | None]]:
    found: list[tuple[str, str, int | None]] = [
        (str(plain["recording"]), str(plain["recording_sha256"]), None)
    ]
    if plain["impulse"] is not None:
        found.append((str(plain["impulse"]["recording"]), str(plain["impulse"]["sha256"]), None))
    return found


def _stem(plain: Mapping[str, Any], made: datetime) -> str:
    return stem(UnitIdentity(**plain["unit"]), made)


def _recompute(job: Job, plain: Mapping[str, Any]) -> dict[str, Any]:
    """The report of a unit, computed again from its recordings."""
    bench = bench_from(plain)
    if bench.identity.name not in ["", *(unit.name for unit in job.profile.units)]:
        raise InputError(f"the engine file has no unit {bench.identity.name!r}; it was edited")
    impulse = plain["impulse"]
    return sheet(
        bench,
        job.captures / str(plain["recording"]),
        str(plain["made_utc"]),
        None if impulse is None else job.captures / str(impulse["recording"]),
        plain["changes"],
    )[0]


SHEET = SheetKind(KIND, FOLDER, _recordings, _stem, _recompute)

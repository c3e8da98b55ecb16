"""The contacts' signal around one opening, over the crank's angle."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from rig.base.angles import wrap
from rig.base.errors import InputError
from rig.base.rounding import many
from rig.plots import sheet
from rig.plots.axis import Axis
from rig.plots.sheet import Drawn, PlotRequest
from rig.session.session import signal_settings
from rig.signal.events import JUST_BEFORE, Event, Finding, Opening, Settings
from rig.signal.interpolate import interpolate
from rig.signal.openings import OpeningFinder, replay
from rig.timing.readings import before_delay_deg
from rig.wire.formats import open_recording
from rig.wire.records import Batch, Edge
from rig.words.diagnostics import reason_words, tdc_deg_in
from rig.words.figures import angle

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH_IN, HIGH_IN = 8.3, 3.9
LEFT_IN, RIGHT_IN = 1.0, 0.4
LEAST_DEG = 0.1
CLOSED, OPEN, ENCODER = 0.0, 1.0, -0.42
AROUND_US = 200_000.0  # edges this near to the opening are drawn


@dataclass(frozen=True, slots=True)
class Trace:
    """The signal of one input around an opening. Places are degrees of crank after the opening, in
    the normal direction.

    ``changes`` are pairs of place and whether the contacts are open after it; ``encoder_deg`` the
    encoder's edges that the rig reported with them; ``noise_deg`` openings just before that were
    taken for noise.
    """

    opening: Opening
    btdc_deg: float | None  # None where TDC is not known
    changes: Sequence[tuple[float, bool]]
    encoder_deg: Sequence[float]
    noise_deg: Sequence[float]
    last_deg: float  # the last opening of the transition
    stays_deg: float  # open without a pause from there to here, they stay open
    least_open_ms: float


def sheet_of(title: str, under: str, trace: Trace) -> Figure:
    figure, opening = sheet.paper(WIDTH_IN, HIGH_IN, title, under), trace.opening
    _signal(sheet.axes(figure, LEFT_IN, 0.95, WIDTH_IN - LEFT_IN - RIGHT_IN, 1.95), trace)
    bounced = noise = ""
    if opening.times_opened > 1:
        lasting_ms = opening.transition_us / 1e3
        bounced = f"opened {many(opening.times_opened, 'time')} in {lasting_ms:.2f} ms; "
    if trace.noise_deg:
        noise = "; triangles: openings taken for noise"
    sheet.note(
        figure,
        f"hairline: the opening; closed for {opening.closed_us / 1e3:.0f} ms before it; {bounced}"
        f"then open for {trace.least_open_ms:g} ms without a pause (bar): they stay open. Strokes"
        f" below: edges of the encoder, reported with those of the contacts{noise}",
    )
    return figure


def _signal(at: Axes, trace: Trace) -> None:
    end = 1.3 * max(trace.last_deg, trace.stays_deg, LEAST_DEG)
    begin = -0.8 * end
    origin, way, label = 0.0, 1.0, "degrees of crank from the opening"
    both = False  # sides of TDC
    if trace.btdc_deg is not None:
        origin, way = trace.btdc_deg, -1.0
        both = origin - end <= 0.0 < origin - begin
        side = "BTDC or ATDC" if both else "BTDC" if origin > 0.0 else "ATDC"
        label = f"crank, degrees {side}"
    elif trace.opening.crank_deg is not None:
        origin, label = trace.opening.crank_deg, "crank, degrees after the index"

    def crank(places: Iterable[float]) -> list[float]:
        return [origin + way * place for place in places]

    def shown(places: Iterable[float]) -> list[float]:
        return crank(place for place in places if begin <= place <= end)

    ends = crank((begin, end))
    at.set_xlim(*ends)
    at.set_ylim(-0.65, 1.45)
    before = [is_open for place, is_open in trace.changes if place <= begin]
    steps = [(begin, before[-1] if before else False)]
    steps += [change for change in trace.changes if begin < change[0] < end]
    steps.append((end, steps[-1][1]))
    levels = [OPEN if is_open else CLOSED for _, is_open in steps]
    at.plot(crank(place for place, _ in steps), levels, color=sheet.INK, lw=1.1,
            drawstyle="steps-post", zorder=3)  # fmt: skip
    at.axvline(origin, color=sheet.ALERT, lw=0.6, zorder=4)
    at.vlines(shown(trace.encoder_deg), ENCODER - 0.11, ENCODER + 0.11, color=sheet.SOFT, lw=1.0)
    noise = shown(trace.noise_deg)
    at.plot(noise, [1.1] * len(noise), marker="v", ms=5.0, ls="", color=sheet.SOFT)
    if trace.stays_deg > trace.last_deg:
        at.plot(crank((trace.last_deg, trace.stays_deg)), [1.22, 1.22], color=sheet.INK, lw=1.6)
    at.set_yticks([ENCODER, CLOSED, OPEN], ["encoder", "closed", "open"])
    at.spines["left"].set_visible(False)
    at.set_xticks(Axis(max(ends), min(ends)).ticks())
    at.xaxis.set_major_formatter(sheet.degrees if both else _unsigned)
    at.set_xlabel(label)


def _unsigned(value: float, _: object = None) -> str:
    return sheet.degrees(abs(value))


def taken_of(batches: Iterable[Batch], settings: Settings) -> tuple[NDArray[np.void], list[Event]]:
    """The edges of a recording, and what is found in it with ``settings``."""
    edges: list[NDArray[np.void]] = []
    events: list[Event] = []
    for batch, decided in replay(OpeningFinder(settings), batches):
        edges.append(batch.edges)
        events += decided
    return np.concatenate(edges), events


def trace_of(
    edges: NDArray[np.void],
    events: Iterable[Event],
    opening: Opening,
    settings: Settings,
    btdc_deg: float | None,
) -> Trace:
    """The signal around ``opening``, placed by the encoder's edges."""
    near = edges[
        (edges["input"] == opening.input) & (np.abs(edges["t_us"] - opening.t_us) < AROUND_US)
    ]
    own = [Edge(*(each.tolist() for each in row)) for row in np.sort(near, order="t_us")]
    counts, times = [interpolate(edge).at for edge in own], [edge.t_us for edge in own]
    a_count = settings.direction * settings.count_deg
    origin = float(np.interp(opening.t_us, times, counts))

    def place(count: float) -> float:
        return (count - origin) * a_count

    def place_at(t_us: float) -> float:
        return place(float(np.interp(t_us, times, counts)))

    open_level = settings.open_levels.get(opening.input, 1)
    around = {
        at
        for edge in own
        for at, step in zip(edge.around_at, edge.around_step, strict=True)
        if step
    }
    last_deg = place_at(opening.t_us + opening.transition_us)
    return Trace(
        opening,
        btdc_deg,
        changes=[(place(at), e.level == open_level) for at, e in zip(counts, own, strict=True)],
        encoder_deg=sorted(map(place, around)),
        noise_deg=[
            place_at(e.t_us)
            for e in events
            if isinstance(e, Finding) and e.kind == JUST_BEFORE and e.input == opening.input
            and abs(e.t_us - opening.t_us) < AROUND_US
        ],
        last_deg=last_deg,
        stays_deg=last_deg + abs(opening.speed_deg_s) * settings.least_open_us / 1e6,
        least_open_ms=settings.least_open_us / 1e3,
    )  # fmt: skip


def plot(asked: PlotRequest, out: Path) -> Drawn:
    """Draw the contacts' signal at one opening.

    Raises InputError when there is nothing to draw.
    """
    job = asked.open_job(asked.what[0]) if asked.what[0].is_dir() else None
    rest = asked.what[1:] if job else asked.what
    if len(rest) > 1:
        raise InputError("one recording at a time")
    path = rest[0] if rest else asked.newest_capture(job) if job else asked.what[0]
    counts = asked.counts_per_turn or (job.profile.encoder.counts_per_turn if job else None)
    recording = open_recording(path, counts)
    settings = signal_settings(job.profile) if job else Settings(recording.counts_per_turn)
    units = {unit.input: unit for unit in job.profile.units} if job else {}
    names = {**recording.inputs, **{number: unit.name for number, unit in units.items()}}
    edges, events = taken_of(recording.batches, settings)
    openings = [e for e in events if isinstance(e, Opening) and e.direction >= 0]
    number, chosen = _chosen(openings, names, asked, path)
    if chosen.input in units:  # as in readings
        delay_us = units[chosen.input].sensing_delay_us
        chosen = replace(chosen, crank_deg=before_delay_deg(chosen, delay_us))
    tdc_deg, said = asked.tdc_deg, list[str]()
    if job and tdc_deg is None:
        tdc_deg, said = tdc_deg_in(job, path)
    for text in said:
        asked.tell(text)
    btdc, where = None, "angle not known"
    if chosen.crank_deg is not None:
        btdc = None if tdc_deg is None else wrap(tdc_deg - chosen.crank_deg)
        where = f"{chosen.crank_deg:.3f}° of crank" if btdc is None else angle(btdc, 3)
    name = names.get(chosen.input, f"contact{chosen.input}")
    valid = "valid" if chosen.valid else f"rejected: {reason_words(chosen.rejection)}"
    under = (
        f"opening {number} of {path.name}: {where}, at {abs(chosen.speed_deg_s):.0f}° a second;"
        f" {valid}"
    )
    trace = trace_of(edges, events, chosen, settings, btdc)
    with sheet.styled():
        sheet.write(sheet_of(f"{name}: the contacts open", under, trace), out)
    facts = {
        "recording": str(path),
        "unit": name,
        "opening": number,
        "t_us": chosen.t_us,
        "crank_deg": chosen.crank_deg,
        "btdc_deg": btdc,
        "times_opened": chosen.times_opened,
        "transition_us": chosen.transition_us,
    }
    return Drawn(out, facts)


def _chosen(
    openings: Sequence[Opening], names: Mapping[int, str], asked: PlotRequest, path: Path
) -> tuple[int, Opening]:
    """The opening asked for; else the valid one that opened most often."""
    if not openings:
        raise InputError(f"{path}: no contacts open in it")
    if asked.opening is not None:
        if not 1 <= asked.opening <= len(openings):
            raise InputError(f"--opening {asked.opening}: there are 1 to {len(openings)}")
        return asked.opening, openings[asked.opening - 1]
    own = [
        (n, each)
        for n, each in enumerate(openings, 1)
        if asked.unit in (None, names.get(each.input, f"contact{each.input}"))
    ]
    if not own:
        raise InputError(f"--unit {asked.unit}: it never opens; there are {sorted(names.values())}")
    return max(own, key=lambda pair: (pair[1].valid, pair[1].times_opened))

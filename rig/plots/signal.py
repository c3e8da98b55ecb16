"""The contact signal around one opening, with the instant that was chosen and the reason."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from rig.base.angles import wrap
from rig.base.errors import InputError
from rig.base.rounding import many
from rig.engine.gear_train import index_places
from rig.job.results import job_reference
from rig.plots import sheet
from rig.plots.sheet import Drawn, PlotRequest
from rig.session.session import signal_settings
from rig.signal.events import Event, Finding, Opening, Settings
from rig.signal.openings import OpeningFinder, replay
from rig.signal.rig_statistics import JUST_BEFORE
from rig.wire.formats import open_recording
from rig.wire.records import EDGE, Batch
from rig.words.diagnostics import not_carried_over, reason_words
from rig.words.figures import angle

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WIDTH_IN, HIGH_IN = 8.3, 5.6
LEFT_IN, RIGHT_IN = 1.0, 0.4
LEAST_MS = 0.25
CLOSED, OPEN = 0.0, 1.0
ENCODER = -0.42


@dataclass(frozen=True, slots=True)
class Trace:
    """The signal of one input. Times are milliseconds from the chosen instant.

    ``changes`` are pairs of time and whether the contacts are open after it; ``encoder_ms`` the
    encoder's edges that the rig told; ``noise_ms`` openings just before that were taken for noise.
    """

    changes: Sequence[tuple[float, bool]]
    encoder_ms: Sequence[float]
    noise_ms: Sequence[float]
    last_ms: float  # the last parting of the passage
    partings: int
    closed_ms: float  # how long they had been closed before
    least_open_ms: float  # open for so long without a pause, they stay open
    deg_per_ms: float
    words: str  # the reading in words


@sheet.styled
def draw(title: str, trace: Trace, path: Path) -> Path:
    """Draw the signal twice: the way from closed to open, and the parting itself, larger."""
    figure = sheet.paper(WIDTH_IN, HIGH_IN, title, trace.words)
    wide = WIDTH_IN - LEFT_IN - RIGHT_IN
    end = trace.last_ms + trace.least_open_ms
    before = max(min(trace.closed_ms, 2.0 * end), 3.0)
    near = max(0.35 * trace.last_ms, LEAST_MS)
    _panel(
        sheet.axes(figure, LEFT_IN, 3.3, wide, 1.2), trace, -before, end + 0.35 * before, whole=True
    )
    _panel(
        sheet.axes(figure, LEFT_IN, 0.82, wide, 1.3),
        trace,
        -near,
        trace.last_ms + near,
        whole=False,
    )
    sheet.note(
        figure,
        "milliseconds from the chosen instant; above each panel: degrees of crank from there; "
        "strokes below: edges of the encoder that were told with the contact's edges",
    )
    return sheet.write(figure, path)


def _panel(at: Axes, trace: Trace, begin: float, end: float, *, whole: bool) -> None:
    at.set_xlim(begin, end)
    at.set_ylim(-0.65, 1.75)
    times, levels = _steps(trace.changes, begin, end)
    at.axvspan(0.0, max(trace.last_ms, 0.0), color=sheet.LINE, alpha=0.35, lw=0.0, zorder=0.5)
    at.plot(times, levels, color=sheet.INK, lw=1.1, drawstyle="steps-post", zorder=3)
    at.fill_between(times, levels, CLOSED, step="post", color=sheet.BLUE, alpha=0.14, lw=0.0)
    at.axvline(0.0, color=sheet.ALERT, lw=1.3, zorder=4)
    at.plot([0.0], [1.28], marker="v", ms=7, color=sheet.ALERT, zorder=5, clip_on=False)
    inside = [t for t in trace.encoder_ms if begin <= t <= end]
    at.vlines(inside, ENCODER - 0.11, ENCODER + 0.11, color=sheet.SOFT, lw=1.0)
    for t in trace.noise_ms:
        if begin <= t <= end:
            at.text(t, 1.08, "taken for noise", fontsize=6.2, ha="center", color=sheet.SOFT)
    if whole:
        _decided(at, trace)
    else:
        at.text(0.0, 1.42, " the opening: contacts first open in this transition", fontsize=7.0,
                color=sheet.ALERT, va="bottom", ha="left")  # fmt: skip
    at.set_yticks([ENCODER, CLOSED, OPEN], ["encoder", "closed", "open"])
    at.tick_params(axis="y", length=0)
    at.spines["left"].set_visible(False)
    at.set_xlabel("ms", loc="right", labelpad=-1.0)
    _degrees_above(at, trace.deg_per_ms)


def _decided(at: Axes, trace: Trace) -> None:
    """Why this is an opening: open without a pause from the last parting on."""
    end = trace.last_ms + trace.least_open_ms
    at.annotate("", (end, 1.3), (trace.last_ms, 1.3),
                arrowprops={"arrowstyle": "|-|", "mutation_scale": 3.0, "lw": 0.9,
                            "color": sheet.INK})  # fmt: skip
    at.text(trace.last_ms, 1.42, f"  open for {trace.least_open_ms:g} ms without a pause: they stay"
            " open", fontsize=7.0, ha="left", va="bottom")  # fmt: skip
    bounces = (
        ""
        if trace.partings < 2
        else f", opened {many(trace.partings, 'time')} in {trace.last_ms:.2f} ms"
    )
    at.text(at.get_xlim()[0], 0.09, f" closed for {trace.closed_ms:.0f} ms before{bounces}",
            fontsize=7.0, va="bottom")  # fmt: skip


def _steps(
    changes: Sequence[tuple[float, bool]], begin: float, end: float
) -> tuple[list[float], list[float]]:
    """Times and levels of the signal from ``begin`` to ``end``."""
    level = CLOSED
    for t, is_open in changes:
        if t <= begin:
            level = OPEN if is_open else CLOSED
    times, levels = [begin], [level]
    for t, is_open in changes:
        if begin < t < end:
            times.append(t)
            levels.append(OPEN if is_open else CLOSED)
    return [*times, end], [*levels, levels[-1]]


def _degrees_above(at: Axes, deg_per_ms: float) -> None:
    """The same scale in degrees of crank, while the crank turned steadily enough."""
    if abs(deg_per_ms) < 1e-6:
        return

    def degrees(ms: Any) -> Any:
        return ms * deg_per_ms

    def back(deg: Any) -> Any:
        return deg / deg_per_ms

    above = at.secondary_xaxis("top", functions=(degrees, back))
    above.spines["top"].set_visible(True)
    above.spines["top"].set_color(sheet.LINE)
    above.tick_params(labelsize=6.5, color=sheet.LINE, labelcolor=sheet.SOFT)
    above.xaxis.set_major_formatter(lambda value, _: f"{value:.4g}°")


AROUND_US = 200_000.0


"""Edges this near to the opening are drawn."""


@dataclass(slots=True)
class Taken:
    """The edges of a recording, and what was found in it."""

    edges: NDArray[np.void]
    events: list[Event]


def taken_of(batches: Iterable[Batch], settings: Settings) -> Taken:
    """What a recording holds, read with ``settings``."""
    edges: list[NDArray[np.void]] = []
    events: list[Event] = []
    for batch, decided in replay(OpeningFinder(settings), batches):
        edges.append(batch.edges)
        events += decided
    return Taken(np.concatenate(edges), events)


def trace_of(taken: Taken, opening: Opening, settings: Settings, words: str) -> Trace:
    """The signal around ``opening``, in milliseconds from its instant."""
    rows = taken.edges[taken.edges["input"] == opening.input] if len(taken.edges) else (
        np.empty(0, EDGE)
    )  # fmt: skip
    near = rows[np.abs(rows["t_us"] - opening.t_us) < AROUND_US]
    open_level = settings.open_levels.get(opening.input, 1)
    after = near["around_t_us"].ravel()
    encoder = np.unique(after[np.isfinite(after)])
    noise = [
        event.t_us
        for event in taken.events
        if isinstance(event, Finding) and event.kind == JUST_BEFORE
        and event.input == opening.input and abs(event.t_us - opening.t_us) < AROUND_US
    ]  # fmt: skip
    return Trace(
        changes=[
            ((float(t) - opening.t_us) / 1e3, int(level) == open_level)
            for t, level in sorted(zip(near["t_us"], near["level"], strict=True))
        ],
        encoder_ms=[(float(t) - opening.t_us) / 1e3 for t in encoder],
        noise_ms=[(t - opening.t_us) / 1e3 for t in noise],
        last_ms=opening.passage_us / 1e3,
        partings=opening.partings,
        closed_ms=opening.closed_us / 1e3,
        least_open_ms=settings.least_open_us / 1e3,
        deg_per_ms=opening.speed_deg_s / 1e3,
        words=words,
    )


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
    names = dict(recording.inputs)
    if job:
        names.update({unit.input: unit.name for unit in job.profile.units})
    taken = taken_of(recording.batches, settings)
    openings = [e for e in taken.events if isinstance(e, Opening) and e.direction >= 0]
    number, chosen = _chosen(openings, names, asked, path)
    tdc_deg, reference = asked.tdc_deg, job_reference(job)[0] if job else None
    if tdc_deg is None and reference is not None and job is not None:
        if index_places(job.profile.encoder) == 1:
            tdc_deg = reference.tdc_deg
        else:
            asked.tell(not_carried_over(job.profile.encoder))
    btdc = None
    if tdc_deg is not None and chosen.crank_deg is not None:
        btdc = wrap(tdc_deg - chosen.crank_deg)
    name = names.get(chosen.input, f"contact{chosen.input}")
    where = "angle not known" if chosen.crank_deg is None else f"{chosen.crank_deg:.3f}° of crank"
    where = where if btdc is None else angle(btdc, 3)
    valid_words = "valid" if chosen.valid else f"rejected: {reason_words(chosen.rejection)}"
    words = (
        f"opening {number} of {path.name}: {where}, at {abs(chosen.speed_deg_s):.0f}° a second; "
        f"{valid_words}"
    )
    draw(f"{name}: the contacts open", trace_of(taken, chosen, settings, words), out)
    facts = {
        "recording": str(path),
        "unit": name,
        "opening": number,
        "t_us": chosen.t_us,
        "crank_deg": chosen.crank_deg,
        "btdc_deg": btdc,
        "partings": chosen.partings,
        "passage_us": chosen.passage_us,
    }
    return Drawn(out, facts)


def _chosen(
    openings: list[Any], names: Mapping[int, str], asked: PlotRequest, path: Path
) -> tuple[int, Any]:
    """The opening asked for; else the one that parted most often among those that count."""
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
    return max(own, key=lambda pair: (pair[1].valid, pair[1].partings))

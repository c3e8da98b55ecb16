"""The turn, or the working cycle: each unit a straight lane with a bar while closed, a bold stroke
where the contacts open.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING, NamedTuple

from rig.base.angles import circular_mean, modulo, wrap
from rig.base.errors import InputError
from rig.base.escape import visible
from rig.engine.geometry import datum_after_first_deg, tdc_after_first_deg
from rig.engine.profile import Unit
from rig.job.results import resolve_place, tdc_in
from rig.plots import sheet
from rig.plots.axis import Rows
from rig.plots.sheet import Drawn, PlotRequest
from rig.session.session import Session
from rig.signal.events import Closing, Event, IndexPass
from rig.tdc.gauge_points import GaugeNotes
from rig.timing.readings import tdc_after_reference_deg
from rig.timing.values import PHASES, Phase, Reading
from rig.wire.capture import CaptureReader
from rig.words.diagnostics import diagnostic_words, reason_words
from rig.words.figures import angle

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH_IN, LEFT_IN, RIGHT_IN = 8.3, 1.45, 0.35
INNER_IN = WIDTH_IN - LEFT_IN - RIGHT_IN
HEAD_IN, LANE_IN, SCALE_IN, LINE_IN, FOOT_IN = 0.95, 0.46, 0.55, 0.135, 0.3
CLOSED_HIGH, NAME_WIDE, LINE_WIDE = 0.36, 20, 58
SMALL = 6.2  # points, of figures on a lane
APART_DEG = 6.0  # events further apart are of different lobes, or of an impulse coupling


class Happens(NamedTuple):
    """Something at a place of the cycle, degrees after cylinder 1's firing TDC."""

    at_deg: float
    words: str = ""


@dataclass(frozen=True, slots=True)
class Lane:
    """One unit: where its contacts open and close, as means over the turns; and a line each."""

    name: str
    openings: tuple[Happens, ...]
    closings_deg: tuple[float, ...]
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Turn:
    """All of it, over ``cycle_deg``; ``others``: what passes beside the units, by name."""

    cycle_deg: float
    tops: tuple[Happens, ...]  # firing TDCs
    other_tops: tuple[Happens, ...]  # cylinder 1 at TDC on the other stroke
    lanes: tuple[Lane, ...]
    others: Mapping[str, Sequence[float]]
    remark: str = ""


def sheet_of(title: str, turn: Turn) -> Figure:
    """The sheet. A figure that has no room on its lane is in the list below alone."""
    lanes_in = (len(turn.lanes) + 0.6 * len(turn.others)) * LANE_IN
    lists = [  # two columns: each lane's name, its lines and an empty one
        [(line, not n) for lane in turn.lanes[side::2]
         for n, line in enumerate((lane.name, *lane.lines, ""))]
        for side in (0, 1)
    ]  # fmt: skip
    longest = max(map(len, lists))
    high = HEAD_IN + lanes_in + SCALE_IN + longest * LINE_IN + FOOT_IN
    whole = "one turn" if turn.cycle_deg == 360.0 else "two turns, one working cycle"
    figure = sheet.paper(WIDTH_IN, high, title, "; ".join(filter(None, (whole, turn.remark))))
    at = sheet.axes(figure, LEFT_IN, high - HEAD_IN - lanes_in, INNER_IN, lanes_in)
    _lanes(at, turn)
    for side, lines in enumerate(lists):
        for row, (line, bold) in enumerate(lines):
            figure.text(
                (0.35 + side * (WIDTH_IN - 0.7) / 2.0) / WIDTH_IN,
                1.0 - (HEAD_IN + lanes_in + SCALE_IN + row * LINE_IN) / high,
                textwrap.shorten(visible(line), LINE_WIDE, placeholder=" …"),
                va="top", fontsize=6.6, fontweight="bold" if bold else "normal",
            )  # fmt: skip
    sheet.note(figure, "bar: contacts closed; stroke: opening, degrees BTDC, after TDC where so "
               "marked; all figures are in the lists")  # fmt: skip
    return figure


def _lanes(at: Axes, turn: Turn) -> None:
    cycle, lanes = turn.cycle_deg, len(turn.lanes)
    at.set_xlim(0.0, cycle)
    at.set_ylim(lanes + 0.6 * len(turn.others) - 0.5, -0.5)
    ticks = {}
    for row, lane in enumerate(turn.lanes):
        _lane(at, lane, row, cycle)
        ticks[float(row)] = textwrap.fill(visible(lane.name), NAME_WIDE)
    for n, (name, places) in enumerate(turn.others.items()):
        row_at = lanes - 0.2 + 0.6 * n
        at.vlines(places, row_at - 0.2, row_at + 0.2, color=sheet.SOFT, lw=1.0)
        ticks[row_at] = name
    rows = Rows(2)
    tops = [(*top, "-") for top in turn.tops] + [(*top, ":") for top in turn.other_tops]
    for deg, name, line in sorted(tops, key=lambda top: top[0]):
        at.axvline(deg, color=sheet.SOFT, lw=0.6, ls=line, zorder=1)
        words = f"TDC {name}"
        half = _wide_deg(words, cycle) / 2.0
        row_of = rows.take(deg - half, deg + half)
        if row_of is not None:
            at.annotate(words, (deg, 1.0), (0.0, 3.0 + 9.0 * row_of),
                        xycoords=at.get_xaxis_transform(), textcoords="offset points",
                        fontsize=SMALL, ha="center", color=sheet.SOFT)  # fmt: skip
    at.set_yticks(list(ticks), list(ticks.values()))
    at.spines["left"].set_visible(False)
    at.set_xticks(range(0, round(cycle) + 1, 30 if cycle == 360.0 else 60))
    at.set_xlabel("degrees of crank after firing TDC of cylinder 1")


def _lane(at: Axes, lane: Lane, row: float, cycle_deg: float) -> None:
    at.axhline(row, color=sheet.LINE, lw=0.6, zorder=0.5)
    opens = sorted(lane.openings, key=lambda each: each.at_deg)
    for closing in lane.closings_deg:
        until = min((modulo(each.at_deg - closing, cycle_deg) for each in opens), default=0.0)
        spans = [(closing, until), (closing - cycle_deg, until)]
        at.broken_barh(spans, (row - CLOSED_HIGH / 2, CLOSED_HIGH), facecolor=sheet.BLUE, alpha=0.3,
                       lw=0.0)  # fmt: skip
    at.vlines([deg for deg, _ in opens], row - 0.3, row + 0.3, color=sheet.INK, lw=1.4, zorder=3)
    rows = Rows(2)  # above and below the lane
    for deg, words in opens:
        wide = _wide_deg(words, cycle_deg)
        late = deg + wide > cycle_deg
        begins = deg - wide if late else deg
        side = rows.take(begins, begins + wide)
        if side is not None:
            at.annotate(words, (deg, row + (-0.3, 0.3)[side]), (-2.5 if late else 2.5, 0.0),
                        textcoords="offset points", fontsize=SMALL,
                        ha="right" if late else "left", va="center",
                        bbox={"boxstyle": "square,pad=0.05", "fc": sheet.PAPER, "ec": "none"},
                        )  # fmt: skip


def _wide_deg(words: str, cycle_deg: float) -> float:
    """How many degrees of the scale a figure covers, with a gap."""
    return (sheet.width_in(words, SMALL) + 0.06) / INNER_IN * cycle_deg


def turn_of(session: Session, events: Iterable[Event]) -> Turn:
    """The turn of a session that is over. Raises InputError while TDC is not known."""
    reference = session.reference
    if reference is None:
        raise InputError("TDC is not known yet, so there is no turn to draw")
    if not session.places.known:
        raise InputError(f"no turn to draw yet: {reason_words(session.places.why_not)}")
    engine = session.profile.engine
    known = engine.strokes == 2 or session.stroke is not None
    cycle = session.profile.cycle_deg if known else 360.0
    forward = [e for e in events if isinstance(e, Closing | IndexPass) and e.direction > 0]
    readings = session.readings()
    lanes = []
    for unit in session.profile.units:
        read = {(r.setting, r.phase) for r in readings if r.unit == unit.name and r.valid}
        every = [(each.name, phase) for each in unit.settings for phase in PHASES]
        own = [each for each in every if each in read]
        for setting, phase in own or [(unit.settings[0].name, PHASES[0])]:  # if nothing was read
            openings = _openings(unit, setting, phase, session, readings, cycle)
            closings = [
                _after(session, e.t_us, e.crank_deg)
                for e in forward
                if isinstance(e, Closing) and e.input == unit.input
                and session.annotations.of[unit.name].setting.at(e.t_us) == setting
                and session.phase_of(unit.name, e.t_us) == phase
            ]  # fmt: skip
            settings, phases = ({each[n] for each in own} for n in (0, 1))
            parts = (unit.name, setting * (len(settings) > 1), phase * (len(phases) > 1))
            lanes.append(Lane(
                ", ".join(filter(None, parts)),
                tuple(happens for happens, _ in openings), _means(closings, cycle),
                tuple(words for _, words in openings),
            ))  # fmt: skip
    after_first = tdc_after_first_deg(engine, reference.cylinder)
    tops = {c: modulo(deg, cycle) for c, deg in after_first.items() if known or c == 1}
    beside = any(abs(wrap(deg - 360.0, cycle)) < APART_DEG for deg in after_first.values())
    index = [_after(session, e.t_us, e.crank_deg) for e in forward if isinstance(e, IndexPass)]
    stop = session.stops[-1] if session.stops else None
    touches = [_after(session, stop.t_us, each.crank_deg) for each in stop.touches] if stop else []
    others = {
        "index": _means(index, cycle),
        "piston stop": [modulo(deg, cycle) for deg in touches if deg is not None],
    }
    return Turn(
        cycle,
        tuple(Happens(deg, str(cylinder)) for cylinder, deg in tops.items()),
        () if cycle == 360.0 or beside else (Happens(360.0, "1 again"),),
        tuple(lanes),
        {name: places for name, places in others.items() if places},
        "" if known else "firing TDC is not entered: the two turns are drawn on one another",
    )


def _after(session: Session, t_us: float, crank_deg: float | None) -> float | None:
    """Crank degrees after a firing TDC of cylinder 1, as far as firing TDC is entered.

    None if the angle or the place of the index is not known, or the stroke was lost.
    """
    reference, stroke = session.reference_at(t_us), session.stroke_at(t_us)
    if crank_deg is None or reference is None or (stroke is None and session.stroke is not None):
        return None
    engine = session.profile.engine
    cylinder, turn = (stroke.cylinder, stroke.turn) if stroke else (reference.cylinder, 0)
    after = tdc_after_reference_deg(engine, reference, cylinder)
    top = reference.tdc_deg + 360.0 * turn + after - datum_after_first_deg(engine)[cylinder]
    return crank_deg - top


def _openings(
    unit: Unit,
    setting: str,
    phase: Phase,
    session: Session,
    readings: Sequence[Reading],
    cycle: float,
) -> list[tuple[Happens, str]]:
    """Each place where a unit opens in a setting and a phase, and a line about it."""
    own = [
        (r, place)
        for r in readings
        if (r.unit, r.setting, r.phase) == (unit.name, setting, phase) and r.valid
        and (place := _after(session, session.t_us(r), r.crank_deg)) is not None
    ]  # fmt: skip
    found = []
    for kind in ("turned", "set", "impulse"):
        mine = [each for each in own if each[0].kind == kind]
        for place, members in _gathered([place for _, place in mine], cycle):
            at = [mine[i][0] for i in members]
            btdcs = [r.btdc_deg for r in at if r.btdc_deg is not None]
            mean = circular_mean(btdcs) if btdcs else None
            names = sorted({r.cylinder for r in at if r.cylinder is not None})
            who = f"cylinder {' and '.join(map(str, names))}: " if names else ""
            more = "" if kind == "turned" else f", {kind}"
            short = "" if mean is None else f"{abs(mean):.1f}" + (" ATDC" if mean < -0.05 else "")
            closed = [r.closed_deg for r in at if r.closed_deg is not None]
            dwell = f", closed {median(closed):.0f}°" if closed else ""
            line = f"{who}{angle(mean)}, {len(at)} x{dwell}{more}"
            found.append((Happens(place, short), line))
    return sorted(found, key=lambda each: each[0].at_deg)


def _means(places: Iterable[float | None], cycle: float) -> tuple[float, ...]:
    """The means of places that are close together."""
    known = [place for place in places if place is not None]
    return tuple(mean for mean, _ in _gathered(known, cycle))


def _gathered(places: Sequence[float], cycle: float) -> list[tuple[float, list[int]]]:
    """Places in groups, as the mean of each in [0, cycle) and who is in it."""

    def near(one: int, other: int) -> bool:
        return abs(wrap(places[one] - places[other], cycle)) < APART_DEG

    groups: list[list[int]] = []
    for i in sorted(range(len(places)), key=lambda i: modulo(places[i], cycle)):
        if groups and near(i, groups[-1][-1]):
            groups[-1].append(i)
        else:
            groups.append([i])
    if len(groups) > 1 and near(groups[0][0], groups[-1][-1]):
        groups[0] = groups.pop() + groups[0]
    means = (circular_mean([places[i] for i in group], cycle) for group in groups)
    return [(modulo(mean, cycle), group) for mean, group in zip(means, groups, strict=True)]


def plot(asked: PlotRequest, out: Path) -> Drawn:
    """Draw the turn or cycle of a capture.

    Raises InputError when there is nothing to draw.
    """
    job, capture = asked.job_and_capture()
    session = Session(job.profile)
    played = session.replay(CaptureReader(capture).batches())
    events = [event for _, decided in played for event in decided]
    session.reference, moved = tdc_in(job, capture)
    if moved:  # which of its openings belong to which turn is not known
        raise InputError(diagnostic_words(moved[0]))
    resolve_place(session, GaugeNotes(), capture.name, session.reference)
    found = turn_of(session, events)
    with sheet.styled():
        sheet.write(sheet_of(f"{job.profile.engine.name}, {capture.stem}", found), out)
    units = {lane.name: [each.at_deg for each in lane.openings] for lane in found.lanes}
    return Drawn(
        out, {"capture": str(capture), "cycle_deg": found.cycle_deg, "opens_after_tdc_deg": units}
    )

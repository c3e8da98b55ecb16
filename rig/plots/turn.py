"""One turn, or the working cycle of a four-stroke, with everything that happens on it.

Firing TDC of cylinder 1 is at the top, in the engine's own direction. Each unit has a ring: filled
where its contacts are closed, hollow where they are open, a bold stroke where they open.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING, cast

from rig.base.angles import circular_mean, modulo, wrap
from rig.base.errors import InputError
from rig.base.escape import visible
from rig.engine.geometry import datum_after_first_deg, tdc_after_first_deg
from rig.engine.profile import Unit
from rig.job.results import job_reference, settle_place
from rig.plots import sheet
from rig.plots.sheet import Drawn, PlotRequest
from rig.session.session import Session
from rig.signal.events import Closing, Event, IndexPass
from rig.tdc.gauge_points import GaugeNotes
from rig.timing.firing_tdc import tdc_after_reference_deg
from rig.timing.values import Reading
from rig.wire.capture import CaptureReader
from rig.words.diagnostics import reason_words
from rig.words.figures import angle

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.projections.polar import PolarAxes

WIDTH_IN, HIGH_IN, DISC_IN = 8.3, 6.7, 5.35
RING, APART, FIRST, TOP_WIDE = 0.075, 0.15, 0.79, 0.022
ROOM = 0.50  # for the rings, from the middle of the first one inwards
MOST_LINES, HEAD_WIDE, LINE_WIDE = 44, 44, 52


@dataclass(frozen=True, slots=True)
class Happens:
    """Something at a place of the cycle, degrees after cylinder 1's firing dead centre."""

    at_deg: float
    words: str = ""


@dataclass(frozen=True, slots=True)
class Ring:
    """One unit: where its contacts open and close, as means over the turns."""

    name: str
    openings: tuple[Happens, ...]
    closings: tuple[Happens, ...]


@dataclass(frozen=True, slots=True)
class Turn:
    """All of it. ``cycle_deg`` is what once round stands for; ``lines`` are listed beside it."""

    cycle_deg: float
    clockwise: bool
    seen_from: str
    tops: tuple[Happens, ...]  # firing dead centres
    other_tops: tuple[Happens, ...]  # cylinder 1 at the top on the other stroke
    rings: tuple[Ring, ...]
    index: tuple[Happens, ...]
    touches: tuple[Happens, ...]
    lines: tuple[str, ...]
    remark: str = ""


@sheet.styled
def draw(title: str, turn: Turn, path: Path) -> Path:
    """Draw the turn. Raises InputError when the file cannot be written."""
    round_is = "one turn" if turn.cycle_deg == 360.0 else "two turns, one working cycle"
    figure = sheet.paper(
        WIDTH_IN, HIGH_IN, title, f"once round is {round_is}; {turn.remark}".rstrip("; ")
    )
    at = sheet.axes(figure, 0.2, 0.52, DISC_IN, DISC_IN, projection="polar")
    _disc(cast("PolarAxes", at), turn)
    beside = sheet.axes(figure, DISC_IN + 0.25, 0.45, WIDTH_IN - DISC_IN - 0.4, HIGH_IN - 1.35)
    beside.set_axis_off()
    _beside(beside, turn.lines)
    sheet.note(
        figure,
        "ring filled: contacts closed; hollow: open; bold stroke: opening, in degrees BTDC (minus: "
        "after). Triangles: TDC; arrow: index; crosses: touches of the piston stop",
    )
    return sheet.write(figure, path)


def _disc(at: PolarAxes, turn: Turn) -> None:
    at.set_theta_zero_location("N")
    at.set_theta_direction(-1 if turn.clockwise else 1)
    at.set_ylim(0.0, 1.13)
    at.set_axis_off()
    _scale(at, turn.cycle_deg)
    apart = min(APART, ROOM / max(len(turn.rings), 1))
    for n, ring in enumerate(turn.rings):
        _ring(at, ring, FIRST - n * apart, min(RING, 0.7 * apart), turn.cycle_deg)
    for tops, filled in ((turn.tops, True), (turn.other_tops, False)):
        for top in tops:
            angle = _angle(top.at_deg, turn.cycle_deg)
            at.fill(
                [angle, angle - TOP_WIDE, angle + TOP_WIDE],
                [0.975, 1.03, 1.03],
                facecolor=sheet.INK if filled else sheet.PAPER,
                edgecolor=sheet.INK,
                lw=0.8,
            )
            at.text(angle, 1.085, top.words, ha="center", va="center", fontsize=9 if filled else 7,
                    fontweight="bold" if filled else "normal")  # fmt: skip
    inner = FIRST - (len(turn.rings) - 0.5) * apart
    for index in turn.index:
        angle = _angle(index.at_deg, turn.cycle_deg)
        at.annotate(
            "", (angle, 0.872), (angle, inner - 0.06),
            arrowprops={"arrowstyle": "-|>,head_length=0.25,head_width=0.14", "lw": 0.8,
                        "color": sheet.SOFT, "shrinkA": 0, "shrinkB": 0}, zorder=5,
        )  # fmt: skip
        at.text(angle, inner - 0.1, index.words, fontsize=6.5, ha="center", va="center",
                color=sheet.SOFT)  # fmt: skip
    for touch in turn.touches:
        angle = _angle(touch.at_deg, turn.cycle_deg)
        at.plot([angle], [0.985], marker="x", ms=5, color=sheet.ALERT, mew=1.2)
    way = "clockwise" if turn.clockwise else "anticlockwise"
    at.text(0.0, 0.0, f"{way}\nseen from the\n{visible(turn.seen_from)}", ha="center", va="center",
            fontsize=7, color=sheet.SOFT, linespacing=1.4)  # fmt: skip


def _angle(at_deg: float, cycle_deg: float) -> float:
    return 2.0 * math.pi * at_deg / cycle_deg


def _scale(at: PolarAxes | Axes, cycle_deg: float) -> None:
    """A degree disc: a stroke every 5 degrees, figures every 30 or 60."""
    around = [2.0 * math.pi * i / 720 for i in range(721)]
    at.plot(around, [0.96] * len(around), color=sheet.INK, lw=0.8)
    figures = 30 if cycle_deg == 360.0 else 60
    for deg in range(0, round(cycle_deg), 5):
        long = 0.024 if deg % 10 == 0 else 0.012
        angle = _angle(deg, cycle_deg)
        at.plot([angle, angle], [0.96 - long, 0.96], color=sheet.INK, lw=0.5)
        if deg % figures == 0:
            at.text(angle, 0.895, f"{deg}°", ha="center", va="center", fontsize=6.2,
                    color=sheet.SOFT)  # fmt: skip


def _ring(at: PolarAxes | Axes, ring: Ring, middle: float, wide: float, cycle_deg: float) -> None:
    around = [2.0 * math.pi * i / 720 for i in range(721)]
    for edge in (middle - wide / 2, middle + wide / 2):
        at.plot(around, [edge] * len(around), color=sheet.LINE, lw=0.5)
    opens = sorted(each.at_deg for each in ring.openings)
    for closing in ring.closings:
        until = min((modulo(o - closing.at_deg, cycle_deg) for o in opens), default=0.0)
        start = _angle(closing.at_deg, cycle_deg)
        width = _angle(until, cycle_deg)
        at.bar(start, wide, width=width, bottom=middle - wide / 2, align="edge", color=sheet.BLUE,
               alpha=0.85, lw=0.0)  # fmt: skip
    for opening in ring.openings:
        angle = _angle(opening.at_deg, cycle_deg)
        at.plot([angle, angle], [middle - wide * 0.62, middle + wide * 0.62], color=sheet.INK,
                lw=2.2, solid_capstyle="butt")  # fmt: skip
        # In the hollow part that begins here.
        past = (modulo(c.at_deg - opening.at_deg, cycle_deg) for c in ring.closings)
        hollow = min(past, default=90.0)
        room = _angle(hollow, cycle_deg) * middle
        narrow = room < 0.15
        beside = angle + min(0.095, room / 2.0) / middle
        away = middle - 0.66 * wide - 0.03 if narrow else middle  # inside the ring: no room in it
        at.text(beside, away, opening.words, fontsize=5.4 if narrow else 5.8, ha="center",
                va="center",
                bbox={"boxstyle": "square,pad=0.05", "fc": sheet.PAPER, "ec": "none"})  # fmt: skip


def _beside(at: Axes, lines: Sequence[str]) -> None:
    shown: list[str] = []
    for line in lines:
        indent = "  " if line.startswith(" ") else ""
        wrapped = textwrap.wrap(visible(line.strip()), LINE_WIDE if indent else HEAD_WIDE)
        shown += [indent + wrapped[0], *("    " + rest for rest in wrapped[1:])]
    if len(shown) > MOST_LINES:
        shown = [*shown[:MOST_LINES], "…"]
    step = 1.0 / max(len(shown), 30)
    for n, line in enumerate(shown):
        under = line.startswith(" ")
        at.text(
            0.03 if under else 0.0,
            1.0 - n * step,
            line.strip(),
            va="top",
            transform=at.transAxes,
            fontsize=6.6,
            fontweight="normal" if under else "bold",
        )


APART_DEG = 6.0


"""Events further apart than this are of different lobes, or of an impulse coupling."""


RINGS = ("outermost ring", "second ring", "third ring", "ring {n} from outside")


def turn_of(session: Session, events: Iterable[Event]) -> Turn:
    """The turn of a session that is over. Raises InputError while dead centre is not known."""
    if session.reference is None:
        raise InputError("TDC is not known yet, so there is no turn to draw")
    if not session.places.known:
        raise InputError(f"no turn to draw yet: {reason_words(session.places.why_not)}")
    engine = session.profile.engine
    known = engine.strokes == 2 or session.stroke is not None
    cycle = session.profile.cycle_deg if known else 360.0
    taken = list(events)
    readings = session.readings()
    rings, lines = [], []
    seen = _seen(session, readings)
    for unit, setting in seen:
        openings = _openings(unit, setting, session, readings, cycle)
        places = [
            _after(session, each.t_us, each.crank_deg)
            for each in taken
            if isinstance(each, Closing) and each.input == unit.input
            and each.direction > 0 and each.crank_deg is not None
            and session.told.setting_at(unit.name, each.t_us) == setting
        ]  # fmt: skip
        closings = [Happens(place) for place, _ in _gathered(_known(places), cycle)]
        several = sum(each is unit for each, _ in seen) > 1
        name = f"{unit.name}, {setting}" if several else unit.name
        rings.append(Ring(name, tuple(h for h, _ in openings), tuple(closings)))
        where = RINGS[min(len(rings), len(RINGS)) - 1].format(n=len(rings))
        lines += [f"{name} ({where})", *(f"  {words}" for _, words in openings)]
    reference = session.reference
    tops = tdc_after_first_deg(engine, reference.cylinder if reference else 1)
    index = [
        _after(session, each.t_us, each.crank_deg)
        for each in taken
        if isinstance(each, IndexPass) and each.direction > 0
    ]
    stop = session.stops[-1] if session.stops else None
    touches = [_after(session, stop.t_us, deg) for deg in stop.crank_deg] if stop else []
    return Turn(
        cycle_deg=cycle,
        clockwise=engine.rotation == "clockwise",
        seen_from=engine.seen_from,
        tops=tuple(
            Happens(modulo(deg, cycle), str(cylinder))
            for cylinder, deg in tops.items()
            if known or cylinder == 1
        ),
        other_tops=_other_top(tops, cycle),
        rings=tuple(rings),
        index=tuple(Happens(place, "index") for place, _ in _gathered(_known(index), cycle)),
        touches=tuple(Happens(modulo(deg, cycle)) for deg in _known(touches)),
        lines=tuple(lines),
        remark="" if known else "firing TDC is not entered: the two turns are drawn on one another",
    )


def _other_top(tops: Mapping[int, float], cycle: float) -> tuple[Happens, ...]:
    """Cylinder 1 at the top on the other stroke, unless another cylinder's mark stands there."""
    if cycle == 360.0 or any(abs(wrap(deg - 360.0, cycle)) < APART_DEG for deg in tops.values()):
        return ()
    return (Happens(360.0, "1 again"),)


def _after(session: Session, t_us: float, crank_deg: float) -> float | None:
    """Crank degrees after a firing dead centre of cylinder 1, as far as the stroke is stated.

    None where that does not hold: the place of the index is not known, or the stroke was lost.
    """
    reference, stroke = session.reference_at(t_us), session.stroke_at(t_us)
    if reference is None or (stroke is None and session.stroke is not None):
        return None
    engine = session.profile.engine
    cylinder = stroke.cylinder if stroke else reference.cylinder
    after = tdc_after_reference_deg(engine, reference, cylinder)
    turn = stroke.turn if stroke else 0
    top = reference.tdc_deg + 360.0 * turn + after - datum_after_first_deg(engine)[cylinder]
    return crank_deg - top


def _known(places: Iterable[float | None]) -> list[float]:
    return [place for place in places if place is not None]


def _seen(session: Session, readings: Sequence[Reading]) -> list[tuple[Unit, str]]:
    """Every unit in each setting in which it was read; in its first, where it was not read."""
    found = []
    for unit in session.profile.units:
        read = {r.setting for r in readings if r.unit == unit.name and r.valid}
        names = [setting.name for setting in unit.settings]
        found += [(unit, name) for name in names if name in read] or [(unit, names[0])]
    return found


def _openings(
    unit: Unit, setting: str, session: Session, readings: Sequence[Reading], cycle: float
) -> list[tuple[Happens, str]]:
    """Each place where a unit opens in a setting, and a line about it."""
    own = [
        (r, place)
        for r in readings
        if (r.unit, r.setting) == (unit.name, setting) and r.valid and r.crank_deg is not None
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
            short = "" if mean is None else f"{mean:.1f}".replace("-", "−")
            closed = [r.closed_deg for r in at if r.closed_deg is not None]
            dwell = f", closed {median(closed):.0f}°" if closed else ""
            line = f"{who}{angle(mean)}, {len(at)} x{dwell}{more}"
            found.append((Happens(place, short), line))
    return sorted(found, key=lambda each: each[0].at_deg)


def _gathered(places: Sequence[float], cycle: float) -> list[tuple[float, list[int]]]:
    """Places in groups, as the mean of each in [0, cycle) and who is in it."""
    order = sorted(range(len(places)), key=lambda i: modulo(places[i], cycle))
    groups: list[list[int]] = []
    for i in order:
        near = groups and abs(wrap(places[i] - places[groups[-1][-1]], cycle)) < APART_DEG
        if near:
            groups[-1].append(i)
        else:
            groups.append([i])
    if len(groups) > 1 and abs(wrap(places[groups[0][0]] - places[groups[-1][-1]], cycle)) < (
        APART_DEG
    ):
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
    session.reference = session.reference or job_reference(job)[0]
    settle_place(session, GaugeNotes(), capture.name, session.reference)
    found = turn_of(session, events)
    path = draw(f"{job.profile.engine.name}, {capture.stem}", found, out)
    units = {ring.name: [each.at_deg for each in ring.openings] for ring in found.rings}
    return Drawn(
        path, {"capture": str(capture), "cycle_deg": found.cycle_deg, "opens_after_tdc_deg": units}
    )

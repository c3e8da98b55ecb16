"""Where everything lies on the turn: openings, closings, dead centres, index, stop touches."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from statistics import median

from rig.command.say import angle
from rig.engine.firing import datum_after_first_deg, tdc_after_first_deg
from rig.engine.profile import Unit
from rig.faults import InputError
from rig.record.plots.turn import Happens, Ring, Turn
from rig.session import Session
from rig.signal.events import Closing, Event, IndexPass
from rig.timing.circular import circular_mean, wrap
from rig.timing.results import Reading
from rig.timing.tie import tdc_after_reference_deg

APART_DEG = 6.0
"""Events further apart than this are of different lobes, or of an impulse coupling."""
RINGS = ("outermost ring", "second ring", "third ring", "ring {n} from outside")


def turn_of(session: Session, events: Iterable[Event]) -> Turn:
    """The turn of a session that is over. Raises InputError while dead centre is not known."""
    if session.reference is None:
        raise InputError("top dead centre is not known yet, so there is no turn to draw")
    engine = session.profile.engine
    known = engine.strokes == 2 or session.stroke is not None
    cycle = session.profile.cycle_deg if known else 360.0
    origin = _origin(session)
    taken = list(events)
    readings = session.readings()
    rings, lines = [], []
    for unit in session.profile.units:
        openings = _openings(unit, readings, origin, cycle)
        closings = [
            Happens(place)
            for place, _ in _gathered(
                [
                    each.crank_deg - origin
                    for each in taken
                    if isinstance(each, Closing) and each.input == unit.input
                    and each.direction > 0 and each.crank_deg is not None
                ],
                cycle,
            )
        ]  # fmt: skip
        rings.append(Ring(unit.name, tuple(h for h, _ in openings), tuple(closings)))
        where = RINGS[min(len(rings), len(RINGS)) - 1].format(n=len(rings))
        lines += [f"{unit.name} ({where})", *(f"  {words}" for _, words in openings)]
    tops = tdc_after_first_deg(engine)
    index = [
        each.crank_deg - origin
        for each in taken
        if isinstance(each, IndexPass) and each.direction > 0
    ]
    stop = session.stops[-1].crank_deg if session.stops else []
    return Turn(
        cycle_deg=cycle,
        clockwise=engine.rotation == "clockwise",
        seen_from=engine.seen_from,
        tops=tuple(
            Happens(deg % cycle, str(cylinder))
            for cylinder, deg in tops.items()
            if known or cylinder == 1
        ),
        other_tops=_other_top(tops, cycle),
        rings=tuple(rings),
        index=tuple(Happens(place, "index") for place, _ in _gathered(index, cycle)),
        touches=tuple(Happens((deg - origin) % cycle) for deg in stop),
        lines=tuple(lines),
        remark="" if known else "the firing stroke is not stated, so both turns lie on one another",
    )


def _other_top(tops: Mapping[int, float], cycle: float) -> tuple[Happens, ...]:
    """Cylinder 1 at the top on the other stroke, unless another cylinder's mark stands there."""
    if cycle == 360.0 or any(abs(wrap(deg - 360.0, cycle)) < APART_DEG for deg in tops.values()):
        return ()
    return (Happens(360.0, "1 again"),)


def _origin(session: Session) -> float:
    """Crank degrees of a firing dead centre of cylinder 1, as far as the stroke is stated."""
    reference, stroke = session.reference, session.stroke
    assert reference is not None
    engine = session.profile.engine
    cylinder = stroke.cylinder if stroke else reference.cylinder
    after = tdc_after_reference_deg(engine, reference, cylinder)
    turn = stroke.turn if stroke else 0
    return reference.tdc_deg + 360.0 * turn + after - datum_after_first_deg(engine)[cylinder]


def _openings(
    unit: Unit, readings: Sequence[Reading], origin: float, cycle: float
) -> list[tuple[Happens, str]]:
    """Each place where a unit opens, and a line about it."""
    own = [r for r in readings if r.unit == unit.name and r.counts and r.crank_deg is not None]
    settings = list(dict.fromkeys(r.setting for r in own))
    found = []
    for setting in settings:
        for kind in ("turned", "set", "impulse"):
            mine = [r for r in own if (r.setting, r.kind) == (setting, kind)]
            places = [r.crank_deg - origin for r in mine if r.crank_deg is not None]
            for place, members in _gathered(places, cycle):
                at = [mine[i] for i in members]
                btdcs = [r.btdc_deg for r in at if r.btdc_deg is not None]
                mean = circular_mean(btdcs) if btdcs else None
                names = sorted({r.cylinder for r in at if r.cylinder is not None})
                who = f"cylinder {' and '.join(map(str, names))}: " if names else ""
                more = "" if kind == "turned" else f", {kind}"
                more += f", {setting}" if len(settings) > 1 else ""
                short = "" if mean is None else f"{mean:.1f}".replace("-", "−")
                closed = [r.closed_deg for r in at if r.closed_deg is not None]
                dwell = f", closed {median(closed):.0f}°" if closed else ""
                line = f"{who}{angle(mean)}, {len(at)} x{dwell}{more}"
                found.append((Happens(place, short), line))
    return sorted(found, key=lambda each: each[0].at_deg)


def _gathered(places: Sequence[float], cycle: float) -> list[tuple[float, list[int]]]:
    """Places in groups, as the mean of each in [0, cycle) and who is in it."""
    order = sorted(range(len(places)), key=lambda i: places[i] % cycle)
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
    return [(circular_mean([places[i] for i in group], cycle) % cycle, group) for group in groups]

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
    if not session.places.known:
        raise InputError(f"no turn to draw yet: {session.places.why}")
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
            Happens(deg % cycle, str(cylinder))
            for cylinder, deg in tops.items()
            if known or cylinder == 1
        ),
        other_tops=_other_top(tops, cycle),
        rings=tuple(rings),
        index=tuple(Happens(place, "index") for place, _ in _gathered(_known(index), cycle)),
        touches=tuple(Happens(deg % cycle) for deg in _known(touches)),
        lines=tuple(lines),
        remark="" if known else "the firing stroke is not stated, so both turns lie on one another",
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
        read = {r.setting for r in readings if r.unit == unit.name and r.counts}
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
        if (r.unit, r.setting) == (unit.name, setting) and r.counts and r.crank_deg is not None
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

"""A gauge series worked through: both methods, a mistyped point, the encoder's own errors.

Points before the top are approached turning forward, those after it turning back, so that the
piston rises each time. With play between crank and encoder the two directions read differently;
they are brought to the side of forward movement, where readings are taken.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from rig.counted import many
from rig.engine.dead_centre import gauge_check
from rig.engine.dead_centre.equal_lifts import EqualLifts, equal_lifts
from rig.engine.dead_centre.gauge import Fit, Gauge, GaugePoint, fit, within_stroke
from rig.engine.dead_centre.gauge_check import Moved, Suspect
from rig.engine.dead_centre.index_places import around_deg, disc_places
from rig.engine.dead_centre.reference import GRADUATION, PLAY, RUN_OUT, Reference
from rig.engine.profile import Encoder, Geometry
from rig.engine.uncertainty import Contribution, quantisation, rectangular, u_shaped
from rig.faults import InputError


@dataclass(frozen=True, slots=True)
class Series:
    """What a series says. Where a method could not be used, ``fit_why`` or ``lifts_why`` says why,
    and ``moved_why`` where the touches at the end cannot tell yet.

    ``points`` are those used, in the order of the series, as they were carried to forward movement.
    """

    points: tuple[GaugePoint, ...]
    fit: Fit | None
    fit_why: str
    lifts: EqualLifts | None
    lifts_why: str
    suspect: Suspect | None
    moved: Moved | None
    moved_why: str = ""

    @property
    def references(self) -> tuple[Reference, ...]:
        """The dead centres found, the fit first."""
        found = (self.fit, self.lifts)
        return tuple(each.reference for each in found if each is not None)


def with_encoder(gauge: Gauge, encoder: Encoder) -> Gauge:
    """The gauge with the angle read no finer than the encoder's count (JCGM 100, F.2.2.1)."""
    q_deg = 360.0 / encoder.counts_per_turn / float(encoder.turns_per_crank_turn)
    return replace(gauge, u_angle_deg=max(gauge.u_angle_deg, quantisation(q_deg)))


def work_through(
    points: Sequence[GaugePoint],
    gauge: Gauge,
    geometry: Geometry | None,
    encoder: Encoder,
    *,
    cylinder: int = 1,
    again: Sequence[GaugePoint] = (),
    turn_known: bool = True,
) -> Series:
    """Dead centre of ``cylinder`` by both methods; ``again`` are touches made at the end.

    Without ``turn_known`` the angles were written down within one turn of the crank: where on the
    disc of a geared encoder dead centre was found is then not known, and the references keep none.
    ``geometry`` is the cylinder's own; None leaves the equal lifts alone. Raises InputError when
    neither method can be used. Source: ``gauge``, ``equal_lifts``.
    """
    gauge = with_encoder(gauge, encoder)
    _ = gauge.mm_per_mm  # an inclined gauge says first which case holds
    if geometry is not None:
        within_stroke(points, gauge, geometry)
    points = [replace(each, angle_deg=around_deg(each.angle_deg, encoder)) for each in points]
    carried = list(points)
    found, lifts, whys = _both(carried, gauge, geometry, cylinder, ())
    if found is None and geometry is not None:
        suspect = gauge_check.mistyped(carried, gauge, geometry)
        if suspect is not None:
            raise InputError(f"{suspect.words}; correct it, or leave it out")
    if found is None and lifts is None:
        raise InputError(whys[0])
    top = found.tdc_deg if found else lifts.reference.tdc_deg if lifts else 0.0
    if encoder.play_deg:
        carried = [_carried(point, top, encoder) for point in points]
        again = [_carried(point, top, encoder) for point in again]
    parts = _encoder_parts(carried, top, encoder)
    found, lifts, whys = _both(carried, gauge, geometry, cylinder, parts)
    if turn_known or disc_places(encoder) == 1:
        if found is not None:
            found = replace(found, reference=_seated(found.reference, carried, encoder))
        if lifts is not None:
            lifts = replace(lifts, reference=_seated(lifts.reference, carried, encoder))
    suspect = None
    if found is not None and geometry is not None:
        suspect = gauge_check.mistyped(carried, gauge, geometry)
    moved, moved_why = None, ""
    if again and suspect is None and found is not None and geometry is not None:
        try:
            moved = gauge_check.moved(found, again, gauge, geometry)
        except InputError as why:  # the dead centre that was found stands all the same
            moved_why = str(why)
    return Series(tuple(carried), found, whys[0], lifts, whys[1], suspect, moved, moved_why)


def _both(
    points: Sequence[GaugePoint],
    gauge: Gauge,
    geometry: Geometry | None,
    cylinder: int,
    parts: Sequence[Contribution],
) -> tuple[Fit | None, EqualLifts | None, tuple[str, str]]:
    found = lifts = None
    fit_why = lifts_why = ""
    if geometry is None:
        fit_why = (
            "no stroke and rod are stated for this cylinder, so no curve can be laid through the"
            " points: state them under [engine.geometry]"
        )
    else:
        try:
            found = fit(points, gauge, geometry, cylinder=cylinder, parts=parts)
        except InputError as why:
            fit_why = str(why)
    try:
        lifts = equal_lifts(points, gauge, geometry, cylinder=cylinder, parts=parts)
    except InputError as why:
        lifts_why = str(why)
    return found, lifts, (fit_why, lifts_why)


def _past_top(angle_deg: float, top_deg: float) -> float:
    """Degrees past the top, in [-180, 180)."""
    return (angle_deg - top_deg + 180.0) % 360.0 - 180.0


def _carried(point: GaugePoint, top_deg: float, encoder: Encoder) -> GaugePoint:
    """A point after the top, read turning back, as it would read turning forward.

    Turned at its own end the encoder leads the crank by half the play forward and lags it by half
    turning back; turned at the crank it is the other way round. Source: geometry of the play.
    """
    if _past_top(point.angle_deg, top_deg) < 0.0:
        return point
    lead = encoder.play_deg if encoder.turned_at == "encoder" else -encoder.play_deg
    return replace(point, angle_deg=point.angle_deg + lead)


def _seated(reference: Reference, points: Sequence[GaugePoint], encoder: Encoder) -> Reference:
    """The reference with the places of the encoder that it rests on, as the touches of a stop."""
    sides: tuple[list[float], list[float]] = ([], [])
    for point in points:
        past = _past_top(point.angle_deg, reference.tdc_deg)
        sides[past >= 0.0].append(around_deg(point.angle_deg, encoder))
    return replace(reference, forward_deg=tuple(sides[0]), backward_deg=tuple(sides[1]))


def _encoder_parts(
    points: Sequence[GaugePoint], top_deg: float, encoder: Encoder
) -> list[Contribution]:
    """What the encoder and its mounting add to the middle between the two sides.

    As for a stop, with the mean distance from the top: see ``rig.engine.dead_centre.reference``.
    """
    ratio = float(encoder.turns_per_crank_turn)
    half = math.fsum(abs(_past_top(p.angle_deg, top_deg)) for p in points) / len(points)
    places = max(len({round(p.angle_deg) % 360 for p in points}), 2)
    parts = []
    if encoder.graduation_error_deg > 0.0:
        u_deg = rectangular(encoder.graduation_error_deg / ratio) / math.sqrt(places)
        how = f"rectangular at each of {many(places, 'place')}, their mean (JCGM 100, 4.3.7)"
        parts.append(Contribution(GRADUATION, u_deg, math.inf, "B", how))
    if encoder.run_out_deg > 0.0:
        left = encoder.run_out_deg / ratio * (1.0 - math.cos(math.radians(half * ratio)))
        how = f"U-shaped, amplitude {left:.3f} between sides {2.0 * half:.0f} apart (H.1.3.4)"
        parts.append(Contribution(RUN_OUT, u_shaped(left), math.inf, "B", how))
    if encoder.play_deg > 0.0:
        how = f"rectangular, half of a play of {encoder.play_deg:g} (JCGM 100, 4.3.7)"
        u_deg = rectangular(encoder.play_error_deg / 2.0)
        parts.append(Contribution(PLAY, u_deg, math.inf, "B", how))
    return [part for part in parts if part.u_deg > 0.0]

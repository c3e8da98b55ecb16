"""A gauge series worked through: both methods, play, the encoder's errors, a mistyped point."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from rig.base.errors import InputError
from rig.base.uncertainty import Source
from rig.engine.geometry import travel_mm
from rig.engine.profile import Encoder, Geometry
from rig.tdc.dial_gauge import Gauge, GaugePoint
from rig.tdc.gauge_series import Series, SuspectError, with_encoder, work_through

ENGINE = Geometry(50.0, 190.0, 0.0)
ENCODER = Encoder(4096)
TDC = 353.2
AT = (-32.0, -26.0, -20.0, -14.0, 14.0, 20.0, 26.0, 32.0)


def points(geometry: Geometry = ENGINE, lead_deg: float = 0.0, back_deg: float = 0.0
           ) -> list[GaugePoint]:  # fmt: skip
    """Exact readings at ``AT`` after the top; the encoder leads by so much forward, back."""
    return [
        GaugePoint(
            TDC + at + (lead_deg if at < 0 else back_deg), float(travel_mm(np.array(at), geometry))
        )
        for at in AT
    ]


def middle(series: Series) -> tuple[float, float]:
    assert series.fit is not None
    assert series.drops is not None
    return series.fit.reference.tdc_deg, series.drops.reference.tdc_deg


def test_both_methods_find_an_exact_series() -> None:
    fit, drops = middle(work_through(points(), Gauge(), ENGINE, ENCODER))
    assert fit == pytest.approx(TDC, abs=1e-6)
    assert drops == pytest.approx(TDC, abs=1e-3)


def test_a_reference_keeps_the_places_that_it_rests_on() -> None:
    found = work_through(points(), Gauge(), ENGINE, ENCODER)
    for reference in found.references:
        assert sorted(reference.forward_deg) == pytest.approx(
            sorted((TDC + at) % 360.0 for at in AT if at < 0)
        )
        assert len(reference.backward_deg) == 4


def test_on_a_geared_encoder_the_turn_of_the_crank_is_part_of_the_place() -> None:
    """At half crank speed it comes round after two turns: 359.2 and 719.2 are two places of it."""
    geared = replace(ENCODER, turns_per_crank_turn=Fraction(1, 2))
    for turns in (0, 1, 2):
        later = [replace(p, angle_deg=p.angle_deg + 360.0 * turns) for p in points()]
        for reference in work_through(later, Gauge(), ENGINE, geared).references:
            kept = sorted((*reference.forward_deg, *reference.backward_deg))
            assert kept == pytest.approx(sorted((TDC + at + 360.0 * turns) % 720.0 for at in AT))
        for reference in work_through(later, Gauge(), ENGINE, geared, turn_known=False).references:
            assert reference.forward_deg == reference.backward_deg == ()
            assert reference.tdc_deg == pytest.approx(TDC, abs=1e-3)


@pytest.mark.parametrize("turned_at", ["encoder", "crank"])
def test_backlash_is_carried_to_the_side_of_forward_movement(turned_at: str) -> None:
    """Turned at its own end the encoder leads the crank by half the backlash forward (geometry)."""
    play = 0.6
    lead = play / 2.0 if turned_at == "encoder" else -play / 2.0
    encoder = replace(ENCODER, backlash_deg=play, backlash_error_deg=0.1, turned_at=turned_at)  # type: ignore[arg-type]
    found = work_through(points(lead_deg=lead, back_deg=-lead), Gauge(), ENGINE, encoder)
    assert middle(found) == pytest.approx((TDC + lead, TDC + lead), abs=2e-3)
    assert {p.source for p in found.references[0].uncertainty.parts} >= {Source.ENCODER_BACKLASH}


def test_the_encoders_errors_are_carried() -> None:
    encoder = replace(ENCODER, graduation_error_deg=0.02, run_out_deg=0.05)
    plain = work_through(points(), Gauge(), ENGINE, ENCODER).references[0]
    found = work_through(points(), Gauge(), ENGINE, encoder).references[0]
    assert {p.source for p in found.uncertainty.parts} >= {Source.GRADUATION, Source.RUN_OUT}
    assert found.uncertainty.U_deg > plain.uncertainty.U_deg


def test_the_angle_is_read_no_finer_than_a_count() -> None:
    """q/sqrt(12) = 0.043301 for 2400 counts (JCGM 100, F.2.2.1; D2)."""
    assert with_encoder(Gauge(), Encoder(2400)).u_angle_deg == pytest.approx(0.043301, abs=1e-6)
    geared = Encoder(4096, turns_per_crank_turn=Fraction(1, 2))
    assert with_encoder(Gauge(), geared).u_angle_deg == pytest.approx(2 * 0.025372, abs=1e-6)
    assert with_encoder(Gauge(u_angle_deg=0.2), ENCODER).u_angle_deg == 0.2


def test_without_an_engine_equal_drops_stand_alone() -> None:
    found = work_through(points(), Gauge(), None, ENCODER)
    assert found.fit is None
    assert "stroke and rod" in found.fit_why
    assert found.drops is not None


@pytest.mark.parametrize("factor", [10.0, 0.1, 1.0 / 25.4])
@pytest.mark.parametrize("which", [0, 3, 6])
def test_a_mistyped_point_is_reported_however_far_off(factor: float, which: int) -> None:
    typed = points()
    typed[which] = replace(typed[which], drop_mm=typed[which].drop_mm * factor)
    try:
        suspect = work_through(typed, Gauge(), ENGINE, ENCODER).suspect
        number = suspect.number if suspect else 0
    except SuspectError as why:  # so far off that no curve can be laid through them all
        number = why.suspect.number
    assert number == which + 1


def test_touches_at_the_end_are_held_against_the_series() -> None:
    found = work_through(points(), Gauge(), ENGINE, ENCODER, again=points()[2:6])
    assert found.again is not None
    assert not found.again.move.has_moved
    slipped = [replace(p, angle_deg=p.angle_deg + 0.8) for p in points()[2:6]]
    found = work_through(points(), Gauge(), ENGINE, ENCODER, again=slipped)
    assert found.again is not None
    assert found.again.move.has_moved
    assert found.again.move.shift_deg == pytest.approx(0.8, abs=0.01)


def test_a_touch_at_the_end_on_one_side_takes_no_tdc_away() -> None:
    whole = work_through(points(), Gauge(), ENGINE, ENCODER)
    begun = work_through(points(), Gauge(), ENGINE, ENCODER, again=points()[:1])
    assert begun.references == whole.references
    assert begun.again is None
    assert "one side is not enough" in begun.moved_why


def test_a_series_that_nothing_can_be_made_of() -> None:
    with pytest.raises(InputError, match="too few"):
        work_through(points()[:2], Gauge(), ENGINE, ENCODER)
    with pytest.raises(InputError, match="one side"):
        work_through(points()[:4] + points()[:1], Gauge(), ENGINE, ENCODER)
    with pytest.raises(InputError, match="sliding"):
        work_through(points(), Gauge(inclination_deg=20.0), ENGINE, ENCODER)
    grown = [replace(p, drop_mm=20.0 - p.drop_mm) for p in points()]
    with pytest.raises(InputError, match="below TDC"):
        work_through(grown, Gauge(), ENGINE, ENCODER)

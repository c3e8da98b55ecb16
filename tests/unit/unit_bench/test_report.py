"""The unit alone: lobes, angles, play, neutral, lag; its report and two compared."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from played import PROFILE

from rig.base.angles import wrap
from rig.base.earlier_rules import EARLIER_RULES
from rig.base.errors import InputError
from rig.engine.profile import Encoder
from rig.session.session import signal_settings
from rig.signal.events import Closing, Event, Finding, Opening, Reason, Rejection
from rig.unit_bench.compare import compare_reports
from rig.unit_bench.report import (
    VERSION,
    BenchEvidence,
    BenchSetUp,
    UnitIdentity,
    alone_seen,
    plain_report,
    report,
    seen_from_events,
)
from rig.virtual.rig import VirtualRig
from rig.wire.reader import LineReader

ENCODER = Encoder(4096)
TRUE = (357.0, 90.5, 178.0, 271.0)  # one of them at the index, so across zero
OPEN_DEG, PLAY_DEG = 38.0, 0.8
IDENTITY = UnitIdentity("demo type", "A123", 4)
MADE = "2025-03-01T10:00:00+00:00"


def bench(turns: int = 6, noise: float = 0.05, seed: int = 2) -> BenchEvidence:
    rng = np.random.default_rng(seed)

    def at(offset: float) -> tuple[float, ...]:
        return tuple(
            360.0 * turn + lobe + offset + float(rng.normal(0.0, noise))
            for turn in range(turns)
            for lobe in TRUE
        )

    return BenchEvidence(
        openings_deg=at(0.0),
        closings_deg=at(OPEN_DEG),
        back_closings_deg=at(-PLAY_DEG),
        neutral_forward_deg=(349.0, 349.4, 348.8),
        neutral_backward_deg=(346.0, 345.8, 346.2),
        impulse_deg=at(15.0),
    )


def test_all_that_a_unit_shows() -> None:
    found = report(bench(), 4, ENCODER, poles=4)
    assert [lobe.opening.deg for lobe in found.lobes] == pytest.approx(
        [90.5, 178.0, 271.0, 357.0], abs=0.1
    )
    intervals = [lobe.interval.deg for lobe in found.lobes]
    assert intervals == pytest.approx([87.5, 93.0, 86.0, 93.5], abs=0.15)
    assert sum(intervals) == pytest.approx(360.0)
    for lobe in found.lobes:
        assert lobe.opened is not None
        assert lobe.closed is not None
        assert lobe.opened.deg == pytest.approx(OPEN_DEG, abs=0.15)
    assert [lobe.closed.deg for lobe in found.lobes if lobe.closed] == pytest.approx(
        [90.5 + 3.0 - 38.0, 87.5 - 38.0, 93.0 - 38.0, 86.0 - 38.0], abs=0.15
    )
    assert found.backlash is not None
    assert found.backlash.deg == pytest.approx(PLAY_DEG, abs=0.1)
    assert found.impulse_lag is not None
    assert found.impulse_lag.deg == pytest.approx(15.0, abs=0.1)


def test_neutral_is_half_way_between_the_sides() -> None:
    found = report(bench(), 4, ENCODER, poles=4)
    assert found.neutral is not None
    assert found.neutral.deg == pytest.approx((349.0667 + 346.0) / 2.0, abs=1e-3)
    assert found.neutral_sides_deg == pytest.approx(3.0667, abs=1e-3)
    # Neutral comes every 90 degrees with four poles (FAA-H-8083-32 ch. 4, The Magnetic Circuit);
    # one worked procedure there uses 10 degrees from neutral to opening.
    assert [lobe.neutral.deg for lobe in found.lobes if lobe.neutral] == pytest.approx(
        [12.97, 10.47, 13.47, 9.47], abs=0.15
    )


def test_only_what_was_read_is_reported() -> None:
    found = report(BenchEvidence(bench().openings_deg), 4, ENCODER)
    assert found.backlash is None
    assert found.neutral is None
    assert found.impulse_lag is None
    assert {(x.closed, x.opened, x.neutral) for x in found.lobes} == {(None, None, None)}


def test_a_single_lobe_and_single_readings() -> None:
    found = report(BenchEvidence((45.0,), (200.0,), neutral_forward_deg=(1.0,)), 1, ENCODER)
    assert found.lobes[0].interval.deg == 360.0
    assert found.lobes[0].opened is not None
    assert found.lobes[0].opened.deg == pytest.approx(155.0)
    assert found.lobes[0].closed is not None
    assert found.lobes[0].closed.deg == pytest.approx(205.0)
    assert found.lobes[0].opening.u_deg > 0.1  # read once
    assert found.neutral is None  # from one side only


def test_entered_uncertainty_against_scatter() -> None:
    errors, us = [], []
    for seed in range(150):
        found = report(bench(turns=5, noise=0.2, seed=seed), 4, ENCODER)
        errors.append(found.lobes[0].interval.deg - 87.5)
        us.append(found.lobes[0].interval.u_deg)
    assert 0.8 < math.sqrt(np.mean(np.square(us))) / np.std(errors) < 1.25


@pytest.mark.parametrize(
    ("openings", "lobes", "words"),
    [
        ((10.0, 100.0), 4, "2 openings for 4 lobes"),
        ((10.0, 100.0, 190.0, 280.0) * 2, 2, "are not at 2 places"),
        ((10.0, 100.0, 190.0, 280.0) * 2, 0, "0 lobes never opens"),
        ((0.0, 120.0, 240.0, 1.0, 121.0, 241.0), 4, "are not at 4 places"),
    ],
)
def test_bad_benches(openings: tuple[float, ...], lobes: int, words: str) -> None:
    with pytest.raises(InputError, match=words):
        report(BenchEvidence(openings), lobes, ENCODER)


def test_from_events() -> None:
    opening = Opening(1, 0.0, 10.0, 1, 60.0, 30.0, None, 1, 0.0, 1e5, 50.0)
    events: list[Event] = [
        opening,
        replace(opening, crank_deg=20.0, rejection=Rejection(Reason.SHORT_APPROACH, (8.0, 20.0))),
        replace(opening, crank_deg=None),
        replace(opening, input=2),
        Closing(1, 0.0, 40.0, 1, 1e5, 30.0),
        Closing(1, 0.0, 9.2, -1, 1e5, 30.0),
        Closing(1, 0.0, 9.2, 0, 1e5, 30.0),
        Finding(0.0, "spike", 1, ""),
    ]
    assert seen_from_events(events, BenchSetUp(1)) == BenchEvidence((10.0,), (40.0,), (9.2,))


@pytest.mark.parametrize("earlier", [False, True])
def test_no_opening_is_used_where_counts_were_lost_in_silence(earlier: bool) -> None:
    """The index shows it later. Reports of version 0.6.0 and before used such openings."""
    rig, reader = VirtualRig(PROFILE, 7), LineReader()
    commands = "turn 900 at 110", "fault counts 30", "turn 900 at 110"
    data = b"".join(line for each in commands for part in rig.do(each) for _, line in part)
    batches = [*reader.feed(data), *reader.finish()]
    truth = [float(each["crank_deg"]) for each in rig.truth()["units"]["1"]["openings"]]
    rules = EARLIER_RULES["0.6.0"] if earlier else ()
    seen, _ = alone_seen(batches, signal_settings(PROFILE), BenchSetUp(1), rules)
    off = [min(abs(wrap(deg - true)) for true in truth) for deg in seen.openings_deg]
    assert len(off) > 3
    assert (max(off) > 1.0) == earlier


def test_a_report_goes_through_json_and_is_compared() -> None:
    plain = plain_report(report(bench(), 4, ENCODER, poles=4), IDENTITY, MADE)
    again = json.loads(json.dumps(plain))
    assert again["unit"]["serial"] == "A123"
    same = compare_reports(again, again)
    assert not any(change.changed for change in same.changes)
    assert same.notes == ()
    worn = replace(bench(seed=9), back_closings_deg=tuple(a - 2.3 for a in bench().openings_deg))
    worn = replace(worn, neutral_forward_deg=())
    later = plain_report(
        report(worn, 4, ENCODER), replace(IDENTITY, serial="B7"), "2026-03-01T10:00:00+00:00"
    )
    found = compare_reports(plain, later)
    by_name = {change.figure: change for change in found.changes}
    assert by_name["backlash"].changed
    assert by_name["backlash"].change_deg == pytest.approx(1.5, abs=0.1)
    assert "changed by +1.5" in by_name["backlash"].words
    assert not by_name["interval from lobe 1"].changed
    assert "serial A123 and B7" in found.notes[0]
    assert any("neutral to opening of lobe 1 is in one" in note for note in found.notes)
    other_poles = {**plain, "unit": {**plain["unit"], "poles": 2}}
    found = compare_reports(plain, other_poles)
    assert "neutral is not compared" in found.notes[0]
    assert not any("neutral" in change.figure for change in found.changes)


def test_reports_that_do_not_belong_together() -> None:
    plain = plain_report(report(bench(), 4, ENCODER), IDENTITY, "2025-03-01T10:00:00+00:00")
    other = plain_report(
        report(bench(), 4, ENCODER), replace(IDENTITY, type="other"), "2025-03-01T10:00:00+00:00"
    )
    with pytest.raises(InputError, match="different units, type demo type and other"):
        compare_reports(plain, other)
    with pytest.raises(InputError, match="not a unit report, but 'certificate'"):
        compare_reports(plain, {"kind": "certificate"})
    with pytest.raises(InputError, match="newer program"):
        compare_reports(plain, {**plain, "version": VERSION + 1})
    with pytest.raises(InputError, match="incomplete"):
        compare_reports(plain, {"kind": "unit report", "version": 1})


def plain_figure(key: str, deg: float, n: int = 5, u_deg: float = 0.05, **more: Any) -> Any:
    """A report with one lobe of four, and one figure on it."""
    found = report(BenchEvidence(bench().openings_deg), 4, ENCODER, poles=4)
    made = plain_report(found, replace(IDENTITY, poles=4), MADE)
    lobe = {"number": 1, key: {"deg": deg, "u_deg": u_deg, "n": n} | more}
    return json.loads(json.dumps(made | {"found": {"lobes": [lobe]}}))


def test_angles_are_compared_modulo_their_pole_pitch() -> None:
    """Neutral comes every 90 degrees with four poles: 0.06 and 89.94 lie 0.12 apart."""
    one, two = plain_figure("neutral", 89.94), plain_figure("neutral", 0.06)
    (change,) = compare_reports(one, two).changes
    assert change.change_deg == pytest.approx(0.12)
    assert not change.changed
    (back,) = compare_reports(two, one).changes
    assert back.change_deg == pytest.approx(-0.12)
    (turn,) = compare_reports(
        plain_figure("closed", 359.9, 5), plain_figure("closed", 0.3, 5, u_deg=0.01)
    ).changes
    assert turn.change_deg == pytest.approx(0.4)


@given(st.floats(0.0, 90.0, exclude_max=True), st.floats(-1.0, 1.0), st.sampled_from([2, 4, 6, 8]))
def test_a_difference_is_the_same_wherever_the_angle_lies(
    deg: float, apart: float, poles: int
) -> None:
    pitch = 360.0 / poles
    one, two = plain_figure("neutral", deg % pitch), plain_figure("neutral", (deg + apart) % pitch)
    for each in (one, two):
        each["unit"]["poles"] = poles
    (change,) = compare_reports(one, two).changes
    assert change.change_deg == pytest.approx(apart, abs=1e-9)


@pytest.mark.parametrize(("n", "k"), [(2, 4.303), (5, 2.306), (50, 1.984)])
def test_a_change_has_students_factor(n: int, k: float) -> None:
    """Equal spreads of n readings each: 2 (n - 1) degrees of freedom (JCGM 100:2008, G.4.1 and
    table G.2; 98 from any textbook's table)."""
    (change,) = compare_reports(
        plain_figure("closed", 50.0, n), plain_figure("closed", 50.1, n)
    ).changes
    assert change.nu == pytest.approx(2 * (n - 1))
    assert change.U_deg == pytest.approx(k * math.hypot(0.05, 0.05), rel=1e-3)


def test_what_was_read_once_is_not_compared() -> None:
    found = compare_reports(plain_figure("closed", 50.0, 1), plain_figure("closed", 60.0, 5))
    assert found.changes == ()
    assert found.notes == ("read once and not compared: closed before lobe 1; turn it five times",)


def test_how_often_a_comparison_is_wrong_is_stated() -> None:
    whole = plain_report(report(bench(), 4, ENCODER, poles=4), IDENTITY, MADE)
    found = compare_reports(whole, whole)
    assert len(found.changes) == 18  # four figures a lobe, play and lag
    assert found.false_each == pytest.approx(0.05)
    assert found.false_any == pytest.approx(1.0 - 0.95**18)


def test_the_interval_of_a_single_lobe_is_no_figure() -> None:
    """It is a whole turn, whatever was read, and has no uncertainty."""
    one = report(BenchEvidence((45.0, 405.1), (200.0, 560.1)), 1, ENCODER)
    plain = json.loads(json.dumps(plain_report(one, replace(IDENTITY, lobes=1), MADE)))
    names = [change.figure for change in compare_reports(plain, plain).changes]
    assert names == ["closed before lobe 1", "open after lobe 1"]


def test_an_older_report_has_one_freedom_less_than_readings() -> None:
    (old,) = compare_reports(plain_figure("closed", 50.0), plain_figure("closed", 50.0)).changes
    (new,) = compare_reports(
        plain_figure("closed", 50.0, nu=4.0), plain_figure("closed", 50.0, nu=4.0)
    ).changes
    assert (old.nu, old.U_deg) == (new.nu, new.U_deg)

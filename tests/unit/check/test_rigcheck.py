"""The rig check: each verdict, and the probable cause of each bad one."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from rig.base.errors import InputError
from rig.check import checks as rigcheck
from rig.check.checks import (
    ContactEvidence,
    RigEvidence,
    SwitchEvidence,
    check_rig,
    contact_checks,
    propose_contacts,
    switch_check,
    width_check,
    wiring_checks,
)
from rig.engine.profile import Contacts, Encoder, Unit
from rig.session import diagnostics

UPPER = Unit("upper", 1, Fraction(1, 2), 4, ())
LOWER = Unit("lower", 2, Fraction(1, 2), 4, ())
ENCODER = Encoder(2400, graduation_error_deg=0.02)


def contact(number: int = 1, *, turns: float = 3.0, first_us: float = 0.0) -> ContactEvidence:
    times = tuple(first_us + 5e5 * i for i in range(round(2 * turns)))
    return ContactEvidence(
        number,
        turned_deg=360.0 * turns,
        opened_at_us=times,
        closings=len(times),
        chatter_us=(120.0, 400.0),
        dropouts_us=(80.0,),
        closed_us=(2.5e5,),
        open_us=(2.4e5,),
    )


GOOD = RigEvidence(
    counts_between=(2400.0, 2400.0, -2400.0),
    forward_counts=7200.0,
    identity_counts=2400,
    index_off_counts=(0.0, 0.5),
    still_counts=1,
    widths=(1.002, 0.998, 1.001, 0.999),
    width_errors=(0.002,) * 4,
    contacts=(contact(1), contact(2, first_us=1000.0)),
    switches=(SwitchEvidence("upper", 400.0, 0, 400.0, 2),),
    opened_by_hand={"upper": (1,), "lower": (2,)},
)


def test_a_sound_rig() -> None:
    found = check_rig(GOOD, ENCODER, (UPPER, LOWER), Contacts())
    assert {c.name: c.verdict for c in found.checks if c.verdict != "good"} == {}
    assert found.verdict == "good"
    assert found.contacts == Contacts()


def test_what_was_not_seen_is_not_good() -> None:
    found = check_rig(RigEvidence(), ENCODER, (UPPER,), Contacts())
    assert found.verdict == "not complete"
    assert {c.verdict for c in found.checks} == {"good", "not seen"}  # good: nothing was lost
    assert check_rig(replace(GOOD, illegal=1), ENCODER, (UPPER,), Contacts()).verdict == "bad"


@pytest.mark.parametrize(
    ("measured", "stated", "cause"),
    [
        (2400.0, 600, "enter 2400"),  # 4 times: lines for counts
        (2400.0, 9600, "multiplied by four twice"),  # a quarter
        (2400.0, 1200, "two edges of a line where four"),
        (1200.0, 2400, "two edges of a line and not four"),
        (4096.0, 2400, "encoder of 1024 lines: enter 4096"),
        (2400.0, 4096, "encoder of 600 lines"),
        (7203.0, 2401, "2 of every 3 index passes"),
        (2377.0, 2400, "counts are lost"),
    ],
)
def test_wrong_counts_and_what_they_probably_are(measured: float, stated: int, cause: str) -> None:
    found = diagnostics.counts_check([measured] * 3, stated)
    assert found.verdict == "bad"
    assert cause in found.cause


def test_counts_that_vary() -> None:
    # 4096 counts between two index passes, not 4095 or 4097: the index marks one place a turn.
    assert diagnostics.counts_check([4096.0, -4096.0], 4096).verdict == "good"
    found = diagnostics.counts_check([4096.0, 4094.0, 4097.0], 4096)
    assert found.verdict == "bad"
    assert "vary by 3" in found.words
    assert diagnostics.counts_check([0.0], 4096).verdict == "not seen"


def test_identity_and_direction() -> None:
    assert diagnostics.identity_check(600, 2400).verdict == "bad"
    assert rigcheck.direction_check(500.0, 1).verdict == "good"
    assert rigcheck.direction_check(-500.0, -1).verdict == "good"
    wrong = rigcheck.direction_check(-500.0, 1)
    assert wrong.verdict == "bad"
    assert "early and late" in wrong.words
    assert rigcheck.direction_check(0.0, 1).verdict == "not seen"


def test_illegal_transitions_that_crowd() -> None:
    rng = np.random.default_rng(5)
    near = tuple(float(x) for x in (358.0 + rng.normal(0.0, 6.0, 12)) % 360.0)
    found = rigcheck.illegal_check(12, near)
    assert found.verdict == "bad"
    at = int(found.cause.split("about ")[1].split("°")[0])
    assert min(abs(at - 358), 360 - abs(at - 358)) <= 5  # across zero
    everywhere = tuple(np.arange(0.0, 360.0, 30.0))
    assert "all round" in rigcheck.illegal_check(12, everywhere).cause
    assert "too few" in rigcheck.illegal_check(2, (1.0, 2.0)).cause


def test_the_test_for_crowding_seldom_cries_wolf() -> None:
    rng = np.random.default_rng(8)
    crowded = sum(
        "crowd" in rigcheck.illegal_check(10, tuple(rng.uniform(0.0, 360.0, 10))).cause
        for _ in range(1000)
    )
    assert crowded <= 25  # one in a hundred by its own statement


def test_losses_index_and_rest() -> None:
    assert rigcheck.losses_check(2, 0).verdict == "bad"
    assert rigcheck.index_check((0.0, -3.0)).verdict == "bad"
    assert "3.0 counts off" in rigcheck.index_check((0.0, -3.0)).words
    assert rigcheck.jitter_check(0).verdict == "good"
    assert rigcheck.jitter_check(4).verdict == "bad"
    assert rigcheck.jitter_check(None).verdict == "not seen"


def test_widths_are_said_with_what_taking_them_out_buys() -> None:
    errors = (0.005,) * 4
    unequal = width_check((1.3, 0.7, 1.25, 0.75), errors, ENCODER, taken_out=True)
    # Edges at 0, +0.3, 0, +0.25 counts of 0.15 degrees, less their mean.
    off = np.array([0.0, 0.3, 0.0, 0.25]) - 0.1375
    assert unequal.rms_deg == pytest.approx(0.15 * np.sqrt(np.mean(off**2)))
    assert unequal.largest_deg == pytest.approx(0.15 * 0.1625)
    assert "taken out, which buys 0.02" in unequal.words
    coarse = Encoder(2400, graduation_error_deg=0.1, turns_per_crank_turn=Fraction(2))
    left = width_check((1.3, 0.7, 1.25, 0.75), errors, coarse, taken_out=False)
    assert left.words.startswith("left in: taking them out would buy 0.010")
    assert "graduation of 0.05 either way" in left.words
    vague = width_check((1.3, 0.7, 1.25, 0.75), (0.2,) * 4, ENCODER, taken_out=False)
    assert not vague.sure
    assert "equal, as far as can be seen" in vague.words
    geared = width_check(
        (1.3, 0.7, 1.25, 0.75), errors, replace(ENCODER, turns_per_crank_turn=Fraction(1, 2)),
        taken_out=True,
    )  # fmt: skip
    assert geared.rms_deg == pytest.approx(2.0 * unequal.rms_deg)
    with pytest.raises(InputError, match="four states"):
        width_check((1.0, 1.0), (0.1, 0.1), ENCODER, taken_out=True)


def test_the_switch() -> None:
    # Switch OFF earths the primary; an open earthing lead leaves the magneto live
    # (FAA-H-8083-32 ch. 4, Ignition Switches).
    live = switch_check(SwitchEvidence("upper", 200.0, 1, 0.0, 0))
    assert live.verdict == "bad"
    assert "LIVE with the switch off" in live.words
    assert switch_check(SwitchEvidence("upper", 200.0, 0, 0.0, 0)).verdict == "not seen"
    assert switch_check(SwitchEvidence("upper", 360.0, 0, 100.0, 0)).verdict == "not seen"
    dead = switch_check(SwitchEvidence("upper", 360.0, 0, 400.0, 0))
    assert dead.verdict == "bad"
    assert "does not open at ON" in dead.words


@pytest.mark.parametrize(
    ("seen", "verdict", "word"),
    [
        (None, "not seen", "input 1"),
        (replace(contact(), opened_at_us=(), closings=0), "bad", "never opened"),
        (
            replace(contact(), opened_at_us=(), closings=0, changes_at_rest=4),
            "bad",
            "only while the crank stands",
        ),
        (replace(contact(), opened_at_us=(1.0,) * 12), "bad", "about 6 times"),
        (contact(turns=0.5), "not seen", "turn on"),
        (contact(), "good", "follows the crank"),
    ],
)
def test_contacts_with_the_crank(seen: ContactEvidence | None, verdict: str, word: str) -> None:
    found = contact_checks([seen] if seen else [], [UPPER])
    assert found[0].verdict == verdict
    assert word in found[0].words


def test_two_inputs_on_one_pair_of_contacts() -> None:
    found = contact_checks([contact(1), contact(2, first_us=20.0)], [UPPER, LOWER])
    assert [c.verdict for c in found] == ["good", "good", "bad"]
    assert "both leads are on one unit" in found[2].cause


def test_which_unit_is_on_which_input() -> None:
    units = [UPPER, LOWER]
    found = wiring_checks({"upper": (2, 2), "lower": (1,)}, units)
    assert [c.verdict for c in found] == ["bad", "bad"]
    assert "it is on input 2, the engine file says 1" in found[0].words
    assert "exchanged" in found[0].cause
    found = wiring_checks({"upper": (1,), "lower": (1,)}, units)
    assert [c.verdict for c in found] == ["good", "bad"]
    assert found[1].cause == "upper was opened again in its place: open lower"
    assert wiring_checks({"upper": ()}, units)[0].words == "no input changed as it was opened"
    assert "more than one" in wiring_checks({"upper": (1, 2)}, units)[0].words
    assert wiring_checks({}, units) == []


def test_debouncing_is_proposed_from_what_was_seen() -> None:
    rough = replace(contact(), chatter_us=(2900.0,), dropouts_us=(1500.0,))
    proposed, checks = propose_contacts([rough], Contacts())
    assert proposed.closed_end_ms == pytest.approx(4.4)  # 1.5 times 2.9, rounded up
    assert proposed.longest_dropout_ms == pytest.approx(2.3)
    assert proposed.least_open_ms == pytest.approx(3.4)
    assert "closed_end_ms = 4.4" in checks[0].words
    assert propose_contacts([contact()], Contacts())[0] == Contacts()
    fast = replace(rough, closed_us=(6000.0,))
    kept, checks = propose_contacts([fast], Contacts())
    assert kept == Contacts()
    assert checks[0].verdict == "bad"
    assert "turn slower" in checks[0].cause
    assert propose_contacts([], Contacts())[1][0].verdict == "not seen"

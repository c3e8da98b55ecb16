"""The rig check: each verdict, and the probable cause of each bad one."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from rig.check import checks as rigcheck
from rig.check.checks import (
    RigCheck,
    Untried,
    contact_checks,
    judged,
    not_tried,
    propose_contacts,
    switch_check,
    verdict_of,
    width_check,
    wiring_checks,
)
from rig.check.procedure import steps_for
from rig.engine.engine_file import load_profile
from rig.engine.profile import Contacts, Encoder, Unit
from rig.session.session import signal_settings
from rig.signal.rig_statistics import (
    BY_HAND,
    OFF,
    ON,
    InputSeen,
    LevelRuns,
    RigStatistics,
    Stretch,
    statistics_of,
)
from rig.words import counts
from rig.words.counts import Check

UPPER = Unit("upper", 1, Fraction(1, 2), 4, ())
LOWER = Unit("lower", 2, Fraction(1, 2), 4, ())
ENCODER = Encoder(2400, graduation_error_deg=0.02)
EXAMPLE = load_profile(Path(rigcheck.__file__).parents[1] / "job" / "example.toml")
PROFILE = replace(EXAMPLE, encoder=ENCODER, units=(UPPER, LOWER), contacts=Contacts())
NOTHING = statistics_of((), signal_settings(PROFILE))


def contact(number: int = 1, *, turns: float = 3.0, first_us: float = 0.0) -> InputSeen:
    times = tuple(first_us + 5e5 * i for i in range(round(2 * turns)))
    runs = LevelRuns(400.0, 80.0, 2.5e5, 2.4e5)
    return InputSeen(number, 360.0 * turns, times, len(times), 0, runs)


def tried(
    step: str, unit: str, turned_deg: float, *opened: int, moved: tuple[int, ...] = ()
) -> Stretch:
    return Stretch(step, unit, turned_deg, opened, moved, done=True)


def opened_by_hand(**moved: tuple[int, ...]) -> RigStatistics:
    stretches = tuple(tried(BY_HAND, unit, 0.0, moved=inputs) for unit, inputs in moved.items())
    return replace(NOTHING, stretches=stretches)


GOOD = replace(
    NOTHING,
    heard=True,
    counts_between=(2400.0, 2400.0, -2400.0),
    net_counts=7200.0,
    identity_counts=2400,
    index_off_counts=(0.0, 0.5),
    still_counts=1,
    widths=(1.002, 0.998, 1.001, 0.999),
    width_errors=(0.002,) * 4,
    inputs=(contact(1), contact(2, first_us=1000.0)),
    stretches=(
        tried(OFF, "upper", 400.0),
        tried(ON, "upper", 400.0, 1, 1),
        *opened_by_hand(upper=(1,), lower=(2,)).stretches,
    ),
)


def test_a_sound_rig() -> None:
    found = judged(GOOD, PROFILE)
    assert {c.name: c.verdict for c in found.checks if c.verdict != "good"} == {}
    assert found.verdict == "good"
    assert found.contacts == Contacts()


def test_what_was_not_seen_is_not_good() -> None:
    found = judged(NOTHING, PROFILE)
    assert found.verdict == "not complete"
    assert {c.verdict for c in found.checks} == {"good", "not seen"}  # good: nothing was lost
    assert judged(replace(GOOD, illegal=1), PROFILE).verdict == "bad"


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
    found = counts.counts_check([measured] * 3, stated)
    assert found.verdict == "bad"
    assert cause in found.cause


def test_counts_that_vary() -> None:
    # 4096 counts between two index passes, not 4095 or 4097: the index marks one place a turn.
    assert counts.counts_check([4096.0, -4096.0], 4096).verdict == "good"
    found = counts.counts_check([4096.0, 4094.0, 4097.0], 4096)
    assert found.verdict == "bad"
    assert "vary by 3" in found.words
    assert counts.counts_check([0.0], 4096).verdict == "not seen"


def of(name: str, **seen: object) -> Check:
    """That check of a rig of which so much was seen."""
    found = judged(replace(NOTHING, **seen), PROFILE)  # type: ignore[arg-type]
    return next(check for check in found.checks if check.name == name)


def test_identity_and_direction() -> None:
    assert of("identity", identity_counts=600).verdict == "bad"
    backwards = replace(PROFILE, encoder=replace(ENCODER, direction=-1))
    assert of("direction", net_counts=500.0).verdict == "good"
    found = judged(replace(NOTHING, net_counts=-500.0), backwards)
    assert next(c for c in found.checks if c.name == "direction").verdict == "good"
    wrong = of("direction", net_counts=-500.0)
    assert wrong.verdict == "bad"
    assert "early and late" in wrong.words
    assert of("direction", net_counts=0.0).verdict == "not seen"


def crowding(*at_deg: float) -> Check:
    return of("illegal transitions", illegal=max(1, len(at_deg)), illegal_at_deg=at_deg)


def test_illegal_transitions_that_crowd() -> None:
    rng = np.random.default_rng(5)
    found = crowding(*(float(x) for x in (358.0 + rng.normal(0.0, 6.0, 12)) % 360.0))
    assert found.verdict == "bad"
    at = int(found.cause.split("about ")[1].split("°")[0])
    assert min(abs(at - 358), 360 - abs(at - 358)) <= 5  # across zero
    assert "all round" in crowding(*np.arange(0.0, 360.0, 30.0)).cause
    assert "too few" in crowding(1.0, 2.0).cause


def test_the_test_for_crowding_seldom_cries_wolf() -> None:
    rng = np.random.default_rng(8)
    crowded = sum("crowd" in crowding(*rng.uniform(0.0, 360.0, 10)).cause for _ in range(1000))
    assert crowded <= 25  # one in a hundred by its own statement


def test_losses_index_and_rest() -> None:
    assert of("losses", lost_edges=2).verdict == "bad"
    assert of("losses").verdict == "good"
    missing = of("losses", gaps=3)
    assert missing.verdict == "bad"
    assert missing.words == "lines missing in 3 places: openings may be missing"
    both = of("losses", gaps=1, lost_lines=4).words
    assert both.startswith("0 edges and 4 lines dropped by the rig, lines missing in 1 place:")
    assert of("index", index_off_counts=(0.0, -3.0)).verdict == "bad"
    assert "3.0 counts off" in of("index", index_off_counts=(0.0, -3.0)).words
    assert of("at rest", still_counts=0).verdict == "good"
    assert of("at rest", still_counts=4).verdict == "bad"
    assert of("at rest", still_counts=None).verdict == "not seen"


def test_widths_are_said_with_what_taking_them_out_buys() -> None:
    wide = replace(NOTHING, widths=(1.3, 0.7, 1.25, 0.75), width_errors=(0.005,) * 4)
    assert width_check(NOTHING, ENCODER) is None
    unequal = width_check(replace(wide, widths_taken_out=True), ENCODER)
    assert unequal is not None
    # Edges at 0, +0.3, 0, +0.25 counts of 0.15 degrees, less their mean.
    off = np.array([0.0, 0.3, 0.0, 0.25]) - 0.1375
    assert unequal.rms_deg == pytest.approx(0.15 * np.sqrt(np.mean(off**2)))
    assert unequal.largest_deg == pytest.approx(0.15 * 0.1625)
    assert "corrected, which gains 0.02" in unequal.words
    coarse = Encoder(2400, graduation_error_deg=0.1, turns_per_crank_turn=Fraction(2))
    left = width_check(wide, coarse)
    assert left is not None
    assert left.words.startswith("not corrected: that would gain 0.010")
    assert "graduation of 0.05 either way" in left.words
    vague = width_check(replace(wide, width_errors=(0.2,) * 4), ENCODER)
    assert vague is not None
    assert not vague.sure
    assert "equal, as far as can be seen" in vague.words
    geared = width_check(wide, replace(ENCODER, turns_per_crank_turn=Fraction(1, 2)))
    assert geared is not None
    assert geared.rms_deg == pytest.approx(2.0 * unequal.rms_deg)


def switch(*stretches: Stretch) -> Check:
    found = switch_check(replace(NOTHING, stretches=stretches), UPPER)
    assert found is not None
    return found


def test_the_switch() -> None:
    # Switch OFF earths the primary; an open earthing lead leaves the magneto live
    # (FAA-H-8083-32 ch. 4, Ignition Switches).
    live = switch(tried(OFF, "upper", 200.0, 1))
    assert live.verdict == "bad"
    assert "LIVE with the switch off" in live.words
    assert switch(tried(OFF, "upper", 200.0)).verdict == "not seen"
    whole = tried(OFF, "upper", 360.0)
    assert switch(whole, tried(ON, "upper", 100.0)).verdict == "not seen"
    dead = switch(whole, tried(ON, "upper", 400.0))
    assert dead.verdict == "bad"
    assert "does not open at ON" in dead.words
    assert switch(whole, tried(ON, "upper", 400.0, 1)).verdict == "good"
    assert switch_check(NOTHING, UPPER) is None


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
def test_contacts_with_the_crank(seen: InputSeen | None, verdict: str, word: str) -> None:
    found = contact_checks([seen] if seen else [], [UPPER])
    assert found[0].verdict == verdict
    assert word in found[0].words


def test_two_inputs_on_one_pair_of_contacts() -> None:
    found = contact_checks([contact(1), contact(2, first_us=20.0)], [UPPER, LOWER])
    assert [c.verdict for c in found] == ["good", "good", "bad"]
    assert "both leads are on one unit" in found[2].cause


def test_which_unit_is_on_which_input() -> None:
    units = [UPPER, LOWER]
    found = wiring_checks(opened_by_hand(upper=(2, 2), lower=(1,)), units)
    assert [c.verdict for c in found] == ["bad", "bad"]
    assert "it is on input 2, the engine file says 1" in found[0].words
    assert "exchanged" in found[0].cause
    found = wiring_checks(opened_by_hand(upper=(1,), lower=(1,)), units)
    assert [c.verdict for c in found] == ["good", "bad"]
    assert found[1].cause == "upper was opened again in its place: open lower"
    none = wiring_checks(opened_by_hand(upper=()), units)
    assert none[0].words == "no input changed as it was opened"
    assert "more than one" in wiring_checks(opened_by_hand(upper=(1, 2)), units)[0].words
    assert wiring_checks(NOTHING, units) == []


def test_debouncing_is_proposed_from_what_was_seen() -> None:
    rough = replace(contact(), runs=replace(contact().runs, bounce_us=2900.0, dropout_us=1500.0))
    proposed, check = propose_contacts([rough], Contacts())
    assert proposed.closed_end_ms == pytest.approx(4.4)  # 1.5 times 2.9, rounded up
    assert proposed.longest_dropout_ms == pytest.approx(2.3)
    assert proposed.least_open_ms == pytest.approx(3.4)
    assert "closed_end_ms = 4.4" in check.words
    assert propose_contacts([contact()], Contacts())[0] == Contacts()
    fast = replace(rough, runs=replace(rough.runs, closed_us=6000.0))
    kept, check = propose_contacts([fast], Contacts())
    assert kept == Contacts()
    assert check.verdict == "bad"
    assert "turn slower" in check.cause
    assert propose_contacts([], Contacts())[1].verdict == "not seen"


@pytest.mark.parametrize("step", ["switches", "inputs"])
def test_a_good_check_names_what_was_not_tried(step: Untried) -> None:
    good = RigCheck((Check("counts a turn", "good", "", ""),), Contacts(), None)
    assert verdict_of(good, []) == "the rig can be trusted"
    assert verdict_of(good, [step]).endswith(f" good; not tried, so not proved: {step}")
    seen = replace(good, checks=(*good.checks, Check("widths", "not seen", "", "")))
    assert verdict_of(seen, [step]).endswith(f"not proved; not tried, so not proved: {step}")


def test_the_switch_of_a_coil_set_earths_nothing_and_is_not_tried() -> None:
    coils = replace(UPPER, ignition="coil"), replace(LOWER, ignition="coil")
    asked = {step.kind for step in steps_for(replace(PROFILE, units=coils))}
    assert asked == {step.kind for step in steps_for(PROFILE)} - {OFF, ON}
    assert not_tried(NOTHING, coils) == ["inputs"]
    mixed = steps_for(replace(PROFILE, units=(UPPER, coils[1])))
    assert {step.unit for step in mixed if step.kind in (OFF, ON)} == {"upper"}

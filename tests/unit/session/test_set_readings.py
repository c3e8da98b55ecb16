"""Set and turned readings distinguished by the crank alone, on the virtual rig."""

from dataclasses import replace

import pytest
from played import PROFILE, Played

from rig.signal import rig_statistics
from rig.signal.events import Reason, Rejection
from rig.virtual.ground_truth import draw


@pytest.mark.parametrize("grip_deg", [0.0, 0.05, 0.1, 0.2])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_unit_moved_with_the_crank_held_in_a_trembling_hand(grip_deg: float, seed: int) -> None:
    played = Played(seed=seed).know_tdc().do("turn 700 at 90", "goto 33 at 30")
    before = len(played.session.readings())
    played.do(f"hand grip_deg {grip_deg}", "set upper", "rest 0.5")
    (parted,) = played.session.readings()[before:]
    assert (parted.unit, parted.kind, parted.valid) == ("upper", "set", True)
    assert parted.btdc_deg == pytest.approx(33.0, abs=0.3 + 2.0 * grip_deg)


@pytest.mark.parametrize("seed", [1, 2, 3, 4, 5])
@pytest.mark.parametrize("tremor_deg", [0.0, 0.05])
def test_small_pushes_with_rests_between_are_turning(seed: int, tremor_deg: float) -> None:
    """A person who feels for the opening pushes on a few counts and rests; it comes in a push."""
    played = Played(seed=seed).know_tdc().do("turn 700 at 90", "goto 25 at 20")
    at = played.counted(unit="upper")[-1].btdc_deg
    assert at is not None
    played.do("back 60 at 60", f"goto {at + 1.1} at 20")
    before = len(played.session.readings())
    played.do(f"hand tremor_deg {tremor_deg}", "hand hold_tremor 1")
    for _ in range(5):
        played.do("turn 0.4 at 2", "hold 1.3")
    true = played.rig.truth()["units"]["1"]["openings"][-1]
    (opened,) = [r for r in played.session.readings()[before:] if r.unit == "upper" and r.valid]
    assert (opened.kind, opened.rejection) == ("turned", None)
    assert opened.btdc_deg == pytest.approx(_btdc(played, true["crank_deg"]), abs=0.15)


def _btdc(played: Played, crank_deg: float) -> float:
    ahead: float = played.rig.truth()["tdc_deg_after_index"] - crank_deg
    return (ahead + 180.0) % 360.0 - 180.0


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_hand_that_trembles_over_the_opening_sets_nothing(seed: int) -> None:
    """With no play in the drive, a trembling hand parts and closes the contacts again and again."""
    drawn = draw(PROFILE, seed)
    units = tuple(replace(unit, backlash_deg=0.0) for unit in drawn.units)
    played = Played(seed=seed, hidden=replace(drawn, units=units)).know_tdc().do("turn 700 at 90")
    played.do("goto 25 at 20")
    at = next(r.btdc_deg for r in reversed(played.counted(unit="upper")))
    played.do("back 60 at 60", f"goto {at} at 20")
    before = len(played.session.openings)
    played.do("hand tremor_deg 0.2", "hand hold_tremor 1", "hold 6")
    openings = [o for o in played.session.openings[before:] if o.input == 1]
    later = [o for o in openings if o.t_us > openings[0].t_us + 2e6]
    assert len(later) > 3
    assert not any(o.valid for o in later)
    assert Rejection(Reason.JUST_CLOSED) in {o.rejection for o in later}
    assert "set" not in {r.kind for r in played.session.readings()}


@pytest.mark.parametrize("seed", [1, 2])
def test_a_lever_that_parts_the_contacts_with_the_crank_held_sets_nothing(seed: int) -> None:
    """The crank stands between its two ends, far from both, when the lever goes."""
    played = Played(seed=seed).know_tdc().do("turn 700 at 90", "goto 12 at 60", "rest 1.5")
    played.note("setting", unit="upper", setting="full retard").do("lever full retard", "rest 1.5")
    played.note("setting", unit="upper", setting="full advance").do("lever full advance", "rest 1")
    kinds = [(r.kind, r.valid, r.rejection) for r in played.session.readings() if r.unit == "upper"]
    assert ("set", False, Rejection(Reason.FAR_FROM_NOMINAL)) in kinds
    assert ("set", True, None) not in kinds
    assert "set" not in {j.kind for j in played.session.assessments()}


@pytest.mark.parametrize("checking", [True, False])
def test_contacts_opened_by_hand_in_the_rig_check_set_nothing(checking: bool) -> None:
    """However near its nominal figure the crank stands; without the check, that is what setting
    looks like."""
    played = Played(seed=1).know_tdc().do("turn 700 at 90", "goto 40 at 60", "rest 1.5")
    if checking:
        played.note(rig_statistics.NOTE, step=rig_statistics.BY_HAND, unit="upper")
    played.do("finger upper 1", "rest 0.5")
    kinds = {r.kind for r in played.session.readings() if r.unit == "upper" and r.valid}
    assert ("set" in kinds) is not checking

"""Drives, magnets, couplings, levers: the facts of the trade that the rig is to show."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import tiny_parser as wire
from hypothesis import given, settings
from hypothesis import strategies as st
from quiet_rig import PROFILE, SMOOTH, openings, quiet, wrapped

import rig.job
from rig.engine.engine_file import load_profile
from rig.engine.profile import Encoder, Engine, Profile, Setting, Unit, Window
from rig.virtual.drive import Coupling, Magnet
from rig.virtual.ground_truth import draw
from rig.virtual.rig import VirtualRig, run


def test_backlash_delays_what_is_passed_going_back() -> None:
    hidden = quiet(backlash_deg=1.2)
    truth = run(["turn 800 at 60", "back 700 at 60", "turn 60"], PROFILE, hidden=hidden).truth
    unit = truth["units"]["1"]
    forward = {o["lobe"]: o["crank_deg"] for o in openings(truth)}
    assert unit["others"]
    for opening in unit["others"]:
        # Going back the contacts part on the flank where they close going forward.
        closes = forward[opening["lobe"]] + unit["open_deg"][opening["lobe"]]
        assert opening["direction"] == -1
        assert wrapped(opening["crank_deg"] - (closes - 1.2)) == pytest.approx(0.0, abs=1e-6)


def test_the_magnet_pulls_the_contacts_open_early_by_up_to_the_backlash() -> None:
    magnet = Magnet(before_deg=0.3)
    hidden = quiet(backlash_deg=0.9, magnet=magnet)
    pulled = openings(run("turn 1000 at 20", PROFILE, hidden=hidden, hand=SMOOTH).truth)
    held = openings(
        run("turn 1000 at 20", PROFILE, hidden=quiet(backlash_deg=0.9), hand=SMOOTH).truth
    )
    assert all(o["pulled"] for o in pulled[1:])
    assert not any(o["pulled"] for o in held)
    for early, driven in zip(pulled[1:], held[1:], strict=True):
        # 0.3 degrees before the opening the rotor leaps 0.9 ahead: the contacts part in the leap.
        assert driven["crank_deg"] - early["crank_deg"] == pytest.approx(0.3, abs=0.25)
    far = quiet(backlash_deg=0.9, magnet=Magnet(before_deg=2.0))
    riding = openings(run("turn 1000 at 20", PROFILE, hidden=far, hand=SMOOTH).truth)
    for early, driven in zip(riding[1:], held[1:], strict=True):
        assert driven["crank_deg"] - early["crank_deg"] == pytest.approx(0.9, abs=1e-6)


@settings(max_examples=8, deadline=None)
@given(st.floats(5.0, 900.0), st.floats(0.05, 3.0), st.floats(0.05, 4.0))
def test_the_rotor_never_falls_behind_its_drive(
    speed_deg_s: float, before_deg: float, backlash_deg: float
) -> None:
    """However fast it is turned, the magnet opens the contacts early, by the backlash at most:
    the drive pushes the rotor, and holds it back at the other end of the backlash."""
    hidden = quiet(backlash_deg=backlash_deg, magnet=Magnet(before_deg=before_deg))
    plan = f"turn 900 at {speed_deg_s:.3f}"
    truth = run(plan, PROFILE, hidden=hidden, hand=SMOOTH, lines=False).truth
    btdc = truth["units"]["1"]["btdc"]
    for opening in openings(truth)[1:]:
        top = truth["tdc_deg_after_index"] + 180.0 * opening["lobe"]
        early = wrapped(top - btdc[opening["lobe"]] - opening["crank_deg"])
        assert -0.002 < early < backlash_deg + 0.002


def test_a_drag_on_the_rotor_keeps_the_magnet_from_pulling_it() -> None:
    hidden = quiet(backlash_deg=0.9, magnet=Magnet(before_deg=0.3))
    name = hidden.units[0].name
    plan = [f"drag on {name}", "turn 1000 at 20", f"drag off {name}", "turn 720 at 20"]
    pulled = [o["pulled"] for o in openings(run(plan, PROFILE, hidden=hidden, hand=SMOOTH).truth)]
    turned_free = len(openings(run(plan[:2], PROFILE, hidden=hidden, hand=SMOOTH).truth))
    assert not any(pulled[:turned_free])
    assert all(pulled[turned_free:])


@pytest.mark.parametrize("earlier_deg", [4.0, -6.5])
def test_the_trip_moves_with_the_unit(earlier_deg: float) -> None:
    """Its catch is in the body: the lag stays, and the contacts open earlier by the move."""
    hidden = quiet(coupling=Coupling(lag_deg=26.0, catch_deg=9.0))
    name = hidden.units[0].name
    for first in ("turn 730 at 40", "turn 815 at 40"):  # somewhere; perhaps held by the coupling
        moved = run([first, f"move {name} {earlier_deg}", "turn 800 at 40"], PROFILE,
                    hidden=hidden, hand=SMOOTH).truth  # fmt: skip
        plain = run([first, "turn 800 at 40"], PROFILE, hidden=hidden, hand=SMOOTH).truth
        later = {o["crank_deg"] for o in openings(plain) if o["kind"] == "impulse"}
        assert len(later) > 2
        ends = [o for o in openings(moved) if o["kind"] == "impulse"][-3:]
        for opening in ends:
            at = opening["crank_deg"] + earlier_deg
            # The contacts open within the 8 ms of the leap, in which the crank turns on.
            assert min(abs(at - each) for each in later) < 0.32


def test_an_impulse_coupling_opens_late_by_its_lag_and_shortens_the_opening() -> None:
    hidden = quiet(coupling=Coupling(lag_deg=26.0, catch_deg=9.0))
    truth = run("turn 1500 at 40", PROFILE, hidden=hidden, hand=SMOOTH).truth
    unit = truth["units"]["1"]
    snaps = openings(truth)[2:]
    assert snaps
    assert all(o["kind"] == "impulse" for o in snaps)
    for opening in snaps:
        running = (
            truth["tdc_deg_after_index"] + 180.0 * opening["lobe"] - unit["btdc"][opening["lobe"]]
        )
        # The crank hardly moves in the few milliseconds of the leap.
        assert 26.0 <= wrapped(opening["crank_deg"] - running) < 26.6


def test_past_the_click_back_and_gently_forward_gives_the_running_reading() -> None:
    hidden = quiet(coupling=Coupling(lag_deg=26.0, catch_deg=9.0, rearm_deg=20.0))
    to_click = ["turn 720 at 60", "goto 0 at 30"]  # top of cylinder 1: the click came before it
    gentle = run([*to_click, "back 45 at 30", "turn 40 at 10"], PROFILE, hidden=hidden).truth
    far = run([*to_click, "back 90 at 30", "turn 90 at 10"], PROFILE, hidden=hidden).truth
    assert openings(gentle)[-1]["kind"] == "running"
    running = gentle["units"]["1"]["btdc"][0]
    got = gentle["tdc_deg_after_index"] - openings(gentle)[-1]["crank_deg"]
    assert wrapped(got) == pytest.approx(running, abs=1e-6)
    assert openings(far)[-1]["kind"] == "impulse"


def test_the_lever_shifts_the_opening_by_the_difference_of_its_settings() -> None:
    hidden = quiet()
    plan = ["turn 720 at 90", "lever full retard", "turn 720 at 90"]
    truth = run(plan, PROFILE, hidden=hidden, hand=SMOOTH).truth
    unit = truth["units"]["1"]
    late = openings(truth, kind="running")[-1]
    top = truth["tdc_deg_after_index"] + 180.0 * late["lobe"]
    assert wrapped(top - late["crank_deg"]) == pytest.approx(
        unit["btdc_by_setting"]["full retard"][late["lobe"]], abs=1e-6
    )
    assert unit["setting"] == "full retard"


@settings(max_examples=10)
@given(st.lists(st.floats(0, 1), min_size=1, max_size=3))
def test_a_lever_between_its_settings_opens_between_what_they_give(parts: list[float]) -> None:
    """Linear between both ends, wherever it was before; it goes back to what it was."""
    moves = [f"lever {part:.4f} from full advance to full retard" for part in parts]
    rig = VirtualRig(PROFILE, hidden=quiet(), hand=SMOOTH, lines=False)
    for text in ("turn 720 at 90", *moves, "turn 720 at 90"):
        list(rig.do(text))
    between = rig.truth()
    for text in ("lever full advance", "turn 720 at 90"):
        list(rig.do(text))
    for truth, part in ((between, round(parts[-1], 4)), (rig.truth(), 0.0)):
        for unit in truth["units"].values():
            last = unit["openings"][-1]
            ends = (unit["btdc_by_setting"][f"full {end}"] for end in ("advance", "retard"))
            advanced, retarded = (btdc[last["lobe"]] for btdc in ends)
            wanted = advanced + part * (retarded - advanced)
            top = truth["tdc_deg_after_index"] + 180.0 * last["lobe"]
            assert wrapped(top - last["crank_deg"]) == pytest.approx(wanted, abs=1e-6)
            assert unit["setting"] == {0.0: "full advance", 1.0: "full retard"}.get(part)


def test_setting_a_unit_parts_its_contacts_with_the_crank_held() -> None:
    hidden = quiet()
    plan = ["turn 800 at 90", "goto 34 at 30", "set upper", "back 40", "turn 60"]
    truth = run(plan, PROFILE, hidden=hidden, hand=SMOOTH).truth
    unit = truth["units"]["1"]
    parted = [o for o in unit["others"] if o["kind"] == "set"]
    assert len(parted) == 1
    at = truth["tdc_deg_after_index"] - parted[0]["crank_deg"]
    assert wrapped(at, 180.0) == pytest.approx(34.0, abs=1e-6)
    # Confirmed by turning: it opens where it was set, or as little before as it was moved on.
    confirmed = truth["tdc_deg_after_index"] - openings(truth, kind="running")[-1]["crank_deg"]
    assert 34.0 <= wrapped(confirmed, 180.0) < 34.2


def test_units_in_one_body_move_together() -> None:
    profile = replace(PROFILE, units=tuple(replace(u, body="double") for u in PROFILE.units))
    truth = run(["move lower 1.5", "turn 720"], profile, hidden=quiet(profile)).truth
    assert [truth["units"][u]["moved_deg"] for u in ("1", "2")] == [1.5, 1.5]


def test_backlash_between_crank_and_encoder() -> None:
    encoder = replace(PROFILE.encoder, backlash_deg=0.8)
    profile = replace(PROFILE, encoder=encoder)
    hidden = quiet(profile)
    plan = ["turn 400 at 90", "back 200 at 90", "turn 300 at 90", "rest 0.3"]
    result = run(plan, profile, hidden=hidden, hand=SMOOTH)
    lines = wire.edges(wire.parse(result.data))
    zero = next(e for e in lines if e.input == 0).count
    shown = {e.t_us: (e.count - zero + 0.5) * 360.0 / 4096 for e in lines if e.input and e.level}
    unit = result.truth["units"]["1"]
    for opening in unit["openings"][:1] + unit["openings"][-1:]:
        off = shown[int(opening["t"] * 1e6)] - opening["crank_deg"]
        assert off == pytest.approx(0.0, abs=0.05)
    for opening in unit["others"]:
        off = shown[int(opening["t"] * 1e6)] - opening["crank_deg"]
        assert off == pytest.approx(0.8, abs=0.05)


def test_a_geared_propeller_turns_the_crank_by_the_ratio() -> None:
    # B2: a propeller at 9/16 of crank speed turns 14.0625 degrees to 25 of crank.
    encoder = Encoder(
        4096, turns_per_crank_turn=Fraction(9, 16), backlash_deg=0.5, turned_at="encoder"
    )
    profile = replace(PROFILE, encoder=encoder)
    hidden = quiet(profile)
    result = run(["turn 2000 at 90", "rest 0.3"], profile, hidden=hidden, hand=SMOOTH)
    places = [entry["crank_deg"] for entry in result.truth["index"]]
    assert np.diff(places) == pytest.approx(360.0 * 16 / 9)
    first, last = _first_and_last(result.data)
    turned = openings(result.truth)[-1]["crank_deg"] - openings(result.truth)[0]["crank_deg"]
    assert (last - first) * 360.0 / 4096 == pytest.approx(turned * 14.0625 / 25.0, abs=0.2)


def _first_and_last(data: bytes) -> tuple[int, int]:
    counts = [e.count for e in wire.edges(wire.parse(data)) if e.input == 1 and e.level]
    return counts[0], counts[-1]


def test_a_compensated_cam_opens_each_cylinder_at_its_own_figure() -> None:
    order = (1, 3, 5, 2, 4)
    windows = {
        c: Window(26.0 + d, 25.0 + d, 24.0 + d, "table")
        for c, d in zip(order, (0, 2, -1, 3, 1), strict=True)
    }
    setting = Setting("fixed", Window(26.0, 25.0, 24.0, "table"), per_cylinder=windows)
    unit = Unit("rear", 1, Fraction(1, 2), 5, (setting,))
    engine = Engine(
        "radial", 4, 5, order, (144.0,) * 5, "clockwise", "rear", entered_tdc_deg={3: 145.0}
    )
    profile = Profile(engine, Encoder(4096), (unit,))
    hidden = quiet(profile)
    off = {  # what the seed draws beside the figures
        c: hidden.units[0].lobe_deg[i] - (25.0 - windows[c].nominal_btdc)
        for i, c in enumerate(order)
    }
    assert max(abs(x) for x in off.values()) < 1.0
    truth = run("turn 1440 at 200", profile, hidden=hidden, hand=SMOOTH).truth
    btdc = hidden.units[0].btdc_deg["fixed"]
    for opening in openings(truth):
        cylinder = order[opening["lobe"]]
        top = truth["firing_tdc_crank_deg"] + (
            145.0 if cylinder == 3 else order.index(cylinder) * 144.0
        )
        wanted = btdc - hidden.units[0].lobe_deg[opening["lobe"]]
        assert wrapped(top - opening["crank_deg"] - wanted, 720.0) == pytest.approx(0.0, abs=1e-6)


def test_coupled_a_crank_turn_out_it_opens_on_the_other_stroke() -> None:
    unit = replace(
        PROFILE.units[0], turns_per_crank_turn=Fraction(1, 2), lobes=1, lobe_cylinders=(1,)
    )
    profile = replace(PROFILE, units=(unit,))
    right = run("turn 1500 at 200", profile, hidden=quiet(profile), hand=SMOOTH).truth
    wrong = run(
        "turn 1500 at 200", profile, hidden=quiet(profile, crank_turns_out=1), hand=SMOOTH
    ).truth
    a, b = openings(right)[0]["crank_deg"], openings(wrong)[0]["crank_deg"]
    assert abs(wrapped(a - b, 720.0)) == pytest.approx(360.0, abs=1e-6)
    top = right["firing_tdc_crank_deg"]
    assert wrapped(top - a, 720.0) == pytest.approx(right["units"]["1"]["btdc"][0], abs=1e-6)


FOLDER = Path(rig.job.__file__).parent
EXAMPLES = sorted(set(FOLDER.glob("**/*.toml")) - {FOLDER / "new_engine.toml"})  # parts of files


@pytest.mark.parametrize("path", EXAMPLES, ids=[path.stem for path in EXAMPLES])
def test_every_example_engine_can_be_turned_and_opens_near_its_figures(path: Path) -> None:
    profile = load_profile(path)
    hidden = draw(profile, 5)
    plan = [
        "turn 1900 at 150",
        "goto 170",
        "stop in",
        "touch forward",
        "touch back",
        "stop out",
        "turn 90",
    ]
    result = run(plan, profile, hidden=hidden)
    truth = result.truth
    tops = truth["tops_after_cylinder_1_deg"]
    assert [touch["direction"] for touch in truth["touches"]] == [1, -1]
    wire.parse(result.data)
    for unit, stated in zip(hidden.units, profile.units, strict=True):
        setting = stated.settings[0]
        figures = {c: w.nominal_btdc for c, w in setting.per_cylinder.items()}
        if setting.window:
            figures = dict.fromkeys(tops, setting.window.nominal_btdc) | figures
        found = openings(truth, str(unit.input), kind="running", pulled=False)
        assert len(found) >= 4 or unit.coupling or unit.magnet
        for opening in found:
            ahead = [
                abs(wrapped(truth["firing_tdc_crank_deg"] + tops[c] - deg - opening["crank_deg"]))
                for c, deg in figures.items()
            ]
            assert min(ahead) < 4.0

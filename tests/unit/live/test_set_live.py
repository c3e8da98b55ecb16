"""Setting a unit with the crank held, on a virtual rig, by the advice alone."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from test_adjust_live import bench_with
from virtual_bench import VirtualBench

from rig.adjust.set_by_moving import SetUnit
from rig.base.errors import InputError
from rig.guide.procedure import Advice, GoToView, Hand


def setting(folder: Path) -> tuple[VirtualBench, SetUnit]:
    bench = bench_with(folder, "", 2.5)
    bench.press("m", "1", "enter")
    procedure = bench.ui_state.bench.dashboard.procedure
    assert isinstance(procedure, SetUnit)
    return bench, procedure


def advice(bench: VirtualBench) -> Advice:
    bench.ui_state.view()
    return bench.ui_state.bench.advice


def obey(bench: VirtualBench, procedure: SetUnit, until: str = "at the end") -> list[Advice]:
    done: list[Advice] = []
    for _ in range(30):
        if bench.ui_state.bench.dashboard.procedure is not procedure:
            return done
        now = advice(bench)
        if done and done[-1].press == "step_done" and now.next.startswith(until):
            return done
        done.append(now)
        if now.hand is Hand.GO_TO:
            bench.do(f"goto {now.deg} at 60", "hold 1.5")
        elif now.hand is Hand.TURN_BACK:
            bench.do(f"back {now.deg} at 60")
        elif now.hand is Hand.TURN_FORWARD and now.deg is None:
            while advice(bench) == now:
                bench.do("turn 10 at 40")
        elif now.hand is Hand.TURN_FORWARD:
            bench.do(f"turn {now.deg} at 40")
        elif now.hand is Hand.MOVE_UNIT and now.deg is not None:
            bench.do(f"move {now.unit} {now.deg}", "hold 1")
        elif now.hand is Hand.MOVE_UNIT:
            bench.do(f"set {now.unit}", "hold 1")
        if now.press:
            action = next(a for a, _ in bench.ui_state.actions() if a.id == now.press)
            bench.ui_state.act(action)
    raise AssertionError([each.next for each in done])


def test_an_obedient_hand_sets_it_and_turning_confirms(tmp_path: Path) -> None:
    bench, procedure = setting(tmp_path / "job")
    steps = [each.next for each in obey(bench, procedure)]
    assert any(each.startswith("Opened: stop, tighten upper") for each in steps)
    assert steps[-1] == "Keep the setting of upper"
    remark = bench.live.session.annotations.remarks[-1]
    at = re.match(r"upper: set with the crank held at ([0-9.]+)° BTDC", remark)
    assert at is not None
    assert float(at[1]) == pytest.approx(36.0, abs=0.1)  # a tenth of the window's half width
    assert "confirmed by turning" in remark
    kinds = [r.kind for r in bench.live.session.readings() if r.unit == "upper" and r.valid]
    assert "set" in kinds
    truth = bench.rig.truth()["units"]["1"]
    lobes = [each + truth["moved_deg"] for each in truth["btdc_by_setting"]["full advance"]]
    assert min(abs(each - 36.0) for each in lobes) < 0.2


@pytest.mark.slow
@pytest.mark.parametrize("upper_deg", [2.5, -2.0])
def test_a_coupling_that_has_caught_is_passed_before_the_unit_is_set(
    tmp_path: Path, upper_deg: float
) -> None:
    """Held back by it, the rotor would be set wrong by the angle since it caught; the virtual hand
    refuses to set a unit so."""
    folder = tmp_path / "job"
    bench = bench_with(
        folder, "", upper_deg, edit=("input = 1\n", 'input = 1\ncoupling = "impulse"\n')
    )
    bench.press("m", "1", "enter")
    procedure = bench.ui_state.bench.dashboard.procedure
    assert isinstance(procedure, SetUnit)
    bench.do("goto 60 at 90", "goto 36 at 60", "hold 1.5")
    with pytest.raises(InputError, match="holds the rotor"):
        bench.do("set upper")
    assert "trip" in advice(bench).next
    done = obey(bench, procedure)
    assert any(each.hand is Hand.MOVE_UNIT for each in done)
    truth = bench.rig.truth()["units"]["1"]
    lobes = [each + truth["moved_deg"] for each in truth["btdc_by_setting"]["full advance"]]
    assert min(abs(each - 36.0) for each in lobes) < 0.2


@pytest.mark.slow
def test_the_trip_of_a_coupling_that_caught_again_confirms_nothing(tmp_path: Path) -> None:
    """Turned back too far after it was set, the unit trips late: that is no reading of it."""
    folder = tmp_path / "job"
    bench = bench_with(folder, "", 2.0, edit=("input = 1\n", 'input = 1\ncoupling = "impulse"\n'))
    bench.press("m", "1", "enter")
    procedure = bench.ui_state.bench.dashboard.procedure
    assert isinstance(procedure, SetUnit)
    obey(bench, procedure, until="Turn back")
    bench.do("back 70 at 40")
    assert advice(bench).hand is Hand.TURN_FORWARD
    bench.do("turn 110 at 40")
    assert advice(bench).hand is Hand.TURN_BACK
    assert advice(bench).why.startswith("Caught again")
    steps = obey(bench, procedure)
    assert steps[-1].next == "Keep the setting of upper"
    off = re.search(
        r"confirmed by turning, .?([0-9.]+) degrees", bench.live.session.annotations.remarks[-1]
    )
    assert off is not None
    assert float(off[1]) < 0.3


def test_the_distance_is_counted_down_and_a_crank_off_the_target_is_said(tmp_path: Path) -> None:
    bench, _ = setting(tmp_path / "job")
    bench.do("goto 60 at 90")
    to_go = []
    for _ in range(4):
        now = advice(bench)
        assert now.why.endswith("° to go.")
        to_go.append(float(now.why.split("°")[0]))
        bench.do("turn 5 at 30")
    assert to_go == sorted(to_go, reverse=True)
    assert to_go[0] - to_go[-1] == pytest.approx(15.0, abs=1.0)
    bench.do("goto 35.7 at 60", "hold 1.5")  # past it by 0.3: the window is 1 degree either way
    assert "0.3" in advice(bench).why
    assert "past the target" in advice(bench).why
    assert advice(bench).hand is Hand.TURN_BACK
    bench.do(f"back {advice(bench).deg} at 60", "goto 36 at 60", "hold 1.5")
    assert advice(bench).hand is Hand.MOVE_UNIT
    bench.do("turn 0.6 at 5", "hold 1.5")
    assert "NOT AT THE TARGET" in advice(bench).why
    shown = bench.ui_state.view().goto
    assert isinstance(shown, GoToView)
    assert shown.words == advice(bench).why

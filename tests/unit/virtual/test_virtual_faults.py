"""Every fault that can be asked for shows on the line as the real one would."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import tiny_parser as wire
from launch_engine import launch_engine

from rig.virtual.board import BoardSpec
from rig.virtual.ground_truth import draw
from rig.virtual.rig import Run, VirtualRig, run

PROFILE = launch_engine()


def with_fault(fault: str, *plan: str, seed: int = 5) -> Run:
    return run([fault, *(plan or ("turn 400 at 90", "rest 0.6"))], PROFILE, seed)


def contacts(run_: Run, number: int) -> list[wire.Edge]:
    return [e for e in wire.edges(wire.good_lines(run_.data)[0]) if e.input == number]


def test_a_cable_out_is_silence_with_a_half_line_at_each_end() -> None:
    result = with_fault("fault cable 1.5 in 1")
    times = [due_s for due_s, _ in result.lines]
    assert max(np.diff(times)) > 1.4
    good, bad = wire.good_lines(result.data)
    assert bad == 1  # the two halves run together
    numbers = [line.number for line in good]
    assert max(np.diff(numbers)) > 15
    assert min(np.diff(numbers)) == 1


@pytest.mark.parametrize("fault", ["corrupt", "lose"])
def test_spoilt_lines_do_not_hold(fault: str) -> None:
    good, bad = wire.good_lines(with_fault(f"fault {fault} 7 in 1").data)
    # A spoilt line end spoils two lines at once or makes two of one.
    assert 4 <= bad <= 8
    assert 7 <= good[-1].number + 1 - len(good) <= 14


def test_garbage_stands_between_lines() -> None:
    clean = run(["turn 400 at 90", "rest 0.6"], PROFILE, 5).data
    spoilt = with_fault("fault garbage 300 in 1").data
    assert len(spoilt) == len(clean) + 300


def test_a_board_that_drops_its_lines_says_so_afterwards() -> None:
    good, bad = wire.good_lines(with_fault("fault overflow 1 in 1").data)
    assert bad == 0
    gaps = np.diff([line.number for line in good]) - 1
    dropped = int(gaps.sum())
    assert dropped > 10
    assert wire.of_kind(good, "H")[-1].hex(4) == dropped


def test_lost_edges_are_counted() -> None:
    clean, short = with_fault("fault edges 0"), with_fault("fault edges 5")
    assert len(wire.edges(wire.parse(clean.data))) - len(wire.edges(wire.parse(short.data))) == 5
    assert wire.of_kind(wire.parse(short.data), "H")[-1].hex(3) == 5


@pytest.mark.parametrize(("fault", "cause"), [("reset", 2), ("dip", 4), ("watchdog", 8)])
def test_a_reset_in_mid_turn_begins_everything_again(fault: str, cause: int) -> None:
    result = with_fault(f"fault {fault} in 2")
    lines = wire.parse(result.data)
    at = [k for k, line in enumerate(lines) if line.kind == "R"]
    assert len(at) == 2
    assert lines[at[1]].fields == [f"{cause:X}"]
    assert [line.number for line in lines[at[1] :]] == list(range(len(lines) - at[1]))
    positions = wire.of_kind(lines[at[1] :], "P")
    assert positions[0].hex(0) <= 100_000
    assert abs(positions[0].signed(1)) < 100
    assert all(line.signed(1) % 4 == [0, 1, 3, 2][line.hex(4) & 3] for line in positions)
    (restart,) = result.truth["restarts"]
    assert restart["t"] == pytest.approx(2.3)
    assert restart["cause"] == cause
    # The index still lies where it lay: a turn from pulse to pulse.
    index = [e.count for e in contacts(result, 0) if e.level]
    assert len(index) >= 1


def test_another_protocol() -> None:
    lines = wire.parse(with_fault("fault protocol 2 in 1").data)
    assert wire.of_kind(lines, "I")[0].hex(0) == 1
    assert wire.of_kind(lines, "I")[-1].hex(0) == 2


@pytest.mark.parametrize("way", ["open", "closed"])
def test_a_stuck_contact_stays_and_the_other_does_not(way: str) -> None:
    result = with_fault(f"fault stuck upper {way}")
    assert len(contacts(result, 1)) <= 1  # the jump to where it sticks, if it was not there
    assert contacts(result, 2)
    last = wire.of_kind(wire.parse(result.data), "P")[-1]
    assert last.hex(4) >> 4 & 1 == (way == "open")
    freed = with_fault("fault stuck upper closed", "turn 400", "fault free upper", "turn 400")
    assert len(contacts(freed, 1)) > 4


def test_a_switch_at_off_reads_closed_for_a_whole_turn() -> None:
    result = run(["switch off", "turn 400 at 90", "switch on", "turn 400 at 90"], PROFILE, 5)
    before = int(400 / 90 * 1e6)
    assert not [e for e in contacts(result, 1) + contacts(result, 2) if e.level and e.t_us < before]
    assert [e for e in contacts(result, 1) if e.level]


@pytest.mark.parametrize("channel", ["a", "b"])
def test_a_dead_channel_makes_the_count_go_to_and_fro(channel: str) -> None:
    lines = wire.parse(with_fault(f"fault channel {channel}").data)
    counts = {line.signed(1) for line in wire.of_kind(lines, "P")}
    assert max(counts) - min(counts) <= 2
    healed = with_fault(f"fault channel {channel}", "turn 90", "fault channel good", "turn 90")
    positions = wire.of_kind(wire.parse(healed.data), "P")
    assert positions[-1].signed(1) - positions[0].signed(1) == pytest.approx(1024, abs=6)
    assert positions[-1].signed(1) % 4 == [0, 1, 3, 2][positions[-1].hex(4) & 3]


def test_an_index_that_is_missing_or_comes_twice() -> None:
    plan = ("turn 1100 at 120", "rest 0.3")
    rises = {
        sort: sum(e.level for e in contacts(with_fault(f"fault index {sort}", *plan), 0))
        for sort in ("good", "none", "double")
    }
    assert rises["good"] in (3, 4)
    assert rises["none"] == 0
    assert rises["double"] in (2 * rises["good"], 2 * rises["good"] - 1, 2 * rises["good"] + 1)


def test_unseen_steps_show_at_the_index() -> None:
    plan = ("turn 500 at 90", "fault counts 3", "turn 500 at 90", "rest 0.3")
    lines = wire.parse(with_fault("rest 0.1", *plan).data)
    index = [e.count for e in wire.edges(lines) if e.input == 0 and e.level]
    assert sorted(set(np.diff(index).tolist())) in ([4096 - 12], [4096 - 12, 4096])
    assert wire.of_kind(lines, "H")[-1].hex(2) == 0
    positions = wire.of_kind(lines, "P")
    assert all(line.signed(1) % 4 == [0, 1, 3, 2][line.hex(4) & 3] for line in positions)


def test_illegal_transitions_are_counted_and_hide_their_neighbours() -> None:
    lines = wire.parse(with_fault("fault illegal 40").data)
    assert wire.of_kind(lines, "H")[-1].hex(2) == 40
    count = wire.of_kind(lines, "P")[-1].signed(1) - wire.of_kind(lines, "P")[0].signed(1)
    assert count == pytest.approx(400 * 4096 / 360, abs=4)


def test_counts_that_disagree_with_the_claim() -> None:
    hidden = draw(PROFILE, 5)
    other = replace(hidden, encoder=replace(hidden.encoder, counts=2400))
    lines = wire.parse(run("turn 1100 at 90", PROFILE, hidden=other).data)
    assert wire.of_kind(lines, "I")[0].hex(1) == 4096
    index = [e.count for e in wire.edges(lines) if e.input == 0 and e.level]
    assert set(np.diff(index).tolist()) == {2400}


def test_the_foot_switch_is_reported_after_its_last_bounce() -> None:
    lines = wire.parse(run(["foot", "rest 0.2"], PROFILE, 1).data)
    feet = wire.of_kind(lines, "F")
    assert [line.fields[0] for line in feet] == ["1", "0"]
    assert [line.hex(1) for line in feet] == [100_000, 400_000]
    levels = {line.hex(0): line.hex(4) >> 3 & 1 for line in wire.of_kind(lines, "P")}
    assert levels[220_000] == 1
    assert levels[520_000] == 0


def test_contacts_opened_by_a_finger_with_the_crank_still() -> None:
    rig = VirtualRig(PROFILE, 2)
    truth_open = rig._world.units[0].contacts.is_open
    plan = ["turn 90 at 90"] if truth_open else []
    result = run([*plan, "finger upper 0.5", "rest 0.5"], PROFILE, 2)
    rises = [e for e in contacts(result, 1) if e.level == 1]
    falls = [e for e in contacts(result, 1) if e.level == 0]
    assert falls[-1].t_us - rises[-1].t_us == pytest.approx(500_000, abs=2)
    assert result.truth["fingers"][0]["unit"] == "upper"


def test_a_full_line_drops_positions_and_counts_them() -> None:
    spec = BoardSpec(4096, 2, baud=9600, line_room=200)
    lines = wire.parse(run("turn 400 at 90", PROFILE, 1, board=spec).data)
    assert lines[-1].number + 1 - len(lines) > 20
    told = [(line.hex(4), line.number - k) for k, line in enumerate(lines) if line.kind == "H"]
    assert len(told) >= 2
    assert all(said == dropped for said, dropped in told)

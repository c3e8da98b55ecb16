"""Each kind of record, when nothing goes wrong."""

from __future__ import annotations

import subprocess
from itertools import pairwise

import pytest
from agree import check, check_held
from crccheck.crc import Crc32Mpeg2
from said import Around, edges, lines, of, signed, truth
from simulated_chip import NOTES, START_US, Chip, chip, first_chip, second_chip, turning

__all__ = ["chip", "first_chip", "second_chip"]

pytestmark = pytest.mark.slow


@pytest.mark.parametrize("counts", [2400, 4096, 16384])
def test_builds_by_the_command_of_the_notes(chip: Chip, counts: int) -> None:
    """Warnings are errors; the identity says the encoder that it was built for."""
    command = ["make", "-C", str(NOTES / "firmware"), f"CHIP={chip.board}", f"COUNTS={counts}"]
    subprocess.run(command, check=True, capture_output=True)
    elf = chip.elf(counts)
    assert elf.with_suffix(chip.image).stat().st_size > 4000
    run = [*chip.command, "--seconds", "0.05", str(elf)]
    said = subprocess.run(run, input=b"", capture_output=True, check=True).stdout
    identity = lines(said)[1]
    assert identity.fields[:3] == ["1", f"{counts:X}", "2"]
    assert 1 <= len(identity.fields[3]) <= 24


def test_the_second_board_s_first_block_has_the_sum_that_its_chip_asks_for(
    second_chip: Chip,
) -> None:
    """CRC-32/MPEG-2 over 252 bytes, low byte first (RP2040 data sheet, 2.8.1.3, from memory); the
    sum by crccheck."""
    block = second_chip.elf().with_suffix(".bin").read_bytes()[:256]
    assert int.from_bytes(block[252:], "little") == Crc32Mpeg2.calc(block[:252])


def test_at_rest(chip: Chip) -> None:
    found = lines(chip.run([(0, "a", 1), (0, "index", 1)], seconds=4.05).said)
    assert (found[0].kind, found[0].number, found[0].fields) == ("R", 0, ["1"])
    assert found[1].kind == "I"
    assert [line.number for line in found] == list(range(len(found)))
    positions = of(found, "P")
    for before, after in pairwise(positions):
        assert 99_000 < after[0] - before[0] < 102_000
    assert all(line.fields[1:] == ["1", "0", "0", "5", "0", "0", "0"] for line in positions)
    assert len(of(found, "I")) == 3  # every 2 s
    health = of(found, "H")
    assert [line[1] for line in health] == pytest.approx([1, 2, 3, 4], abs=1)
    assert all(line.fields[2:5] == ["0", "0", "0"] for line in health)
    supply_mv = 5000 if chip.measures_supply else 0  # 0: the board cannot tell
    assert [line[5] for line in health] == pytest.approx([supply_mv] * 4, rel=0.01)
    assert not of(found, "W", "F", "C", "Z", "X")


@pytest.mark.parametrize("step", [1, -1])
def test_positions_while_turning(chip: Chip, step: int) -> None:
    turn = list(turning(4096, START_US, 1.0e6, step=step))
    found = lines(chip.run(turn).said)
    true = truth(turn)
    positions = of(found, "P")
    moving = [line for line in positions if START_US + 30_000 < line[0] < 990_000]
    assert all(19_900 < b[0] - a[0] < 23_000 for a, b in pairwise(moving))
    first_us = chip.clock_begins_us  # after power on
    assert any(
        all(signed(line[1]) == true.count_at(line[0] + late_us) for line in moving)
        for late_us in range(first_us - 10, first_us + 10)
    )
    for before, after in pairwise(moving):
        moved = signed(after[1]) - signed(before[1])
        back, ahead = after[2], after[3]
        assert (back, ahead) == ((moved, 0) if step > 0 else (0, -moved))


def test_back_and_ahead_of_a_trembling_hand(chip: Chip) -> None:
    """Seven up and seven down between two position records: both extremes are told."""
    there = list(turning(2000, 4.000e5, 4.035e5))
    home = list(turning(2000, 4.040e5, 4.075e5, first=len(there) % 4, step=-1))
    found = lines(chip.run([*there, *home], seconds=0.7).said)
    spans = [(line[2], line[3]) for line in of(found, "P") if line[2] or line[3]]
    assert signed(of(found, "P")[-1][1]) == 0
    assert max(ahead for _, ahead in spans) == len(there) == len(home)


def test_widths(chip: Chip) -> None:
    """States of 120, 80, 110 and 90 of a hundred: their totals are in that proportion."""
    shares = [1.2, 0.8, 1.1, 0.9]
    even = list(turning(4000, START_US, 2.0e6))
    uneven, t_us = [], float(START_US)
    for place, (_, pin, level) in enumerate(even):
        uneven.append((t_us, pin, level))
        t_us += 250 * shares[(place + 1) % 4]
    widths = of(lines(chip.run(uneven).said), "W")
    assert all(249_000 < b[0] - a[0] < 260_000 for a, b in pairwise(widths[:-1]))
    gained = [widths[-1][i] - widths[0][i] for i in range(2, 6)]
    total = sum(gained)
    assert [4 * part / total for part in gained] == pytest.approx(shares, abs=0.003)
    assert widths[0][6] == widths[-1][6] <= 1


def test_widths_leave_out_slow_and_turned_visits(chip: Chip) -> None:
    slow = list(turning(10, START_US, 1.0e6))  # 100 ms a count
    turned = list(turning(500, 1.5e6, 1.6e6, first=len(slow) % 4))
    home = list(turning(500, 1.65e6, 1.75e6, first=(len(slow) + len(turned)) % 4, step=-1))
    last = of(lines(chip.run([*slow, *turned, *home]).said), "W")[-1]
    visits = len(slow) + len(turned) + len(home)
    told = round(sum(last[i] for i in range(2, 6)) / 2000)
    assert last[6] + told == pytest.approx(visits, abs=1)
    assert last[6] == len(slow) + 2  # all slow ones, and where it went on and turned round


def test_edge_while_the_crank_stands(chip: Chip) -> None:
    """It is sent after 250 ms, and says that no encoder edge followed."""
    turn = list(turning(1000, START_US, 1e5))
    found = lines(chip.run([*turn, (5e5, "contact2", 1)], seconds=1.2).said)
    (edge,) = edges(found, 2)
    assert edge.after == (Around(0, 0), Around(0, 0))
    age_us = 5e5 - turn[-1][0]
    assert [near.distance_us for near in edge.before] == pytest.approx(
        [age_us + 1000, age_us], abs=5
    )
    place = found.index(of(found, "C")[0])
    sent_after = [line[0] for line in found[:place] if line.kind == "P"][-1]
    assert sent_after - edge.t_us <= 250_000 + 100_000
    held = [line[5] for line in of(found, "P") if edge.t_us < line[0] <= sent_after]
    assert held == [line[0] - edge.t_us for line in of(found, "P") if line[5] > 0]
    assert 0 < max(held) < 260_000
    check_held(found)


def test_encoder_edge_later_than_250_ms_is_not_told(chip: Chip) -> None:
    changes = [(4e5, "contact1", 1), (4e5 + 249_900, "a", 1), (4e5 + 250_100, "b", 1)]
    (edge,) = edges(lines(chip.run(changes).said), 1)
    assert edge.after[0].step == 1
    assert edge.after[0].distance_us == pytest.approx(249_900, abs=5)
    assert edge.after[1] == Around(0, 0)


def test_encoder_edge_at_the_same_instant_counts_as_before(chip: Chip) -> None:
    changes = [(3e5, "a", 1), (3.01e5, "b", 1), (3.01e5, "contact1", 1), (3.02e5, "a", 0)]
    (edge,) = edges(lines(chip.run(changes).said), 1)
    assert edge.count == 2
    assert edge.before[1] == Around(1, 0)
    assert edge.before[0].distance_us == pytest.approx(1000, abs=2)
    assert edge.after[0].distance_us == pytest.approx(1000, abs=2)


def test_foot_switch(chip: Chip) -> None:
    """Low is pressed. One record for a press with bounce, none for a spike."""
    bounce = [(4e5 + i * 1500.0, "foot", i % 2) for i in range(9)]
    release = [(8e5, "foot", 1)]
    spike = [(1.0e6, "foot", 0), (1.0e6 + 50, "foot", 1)]
    found = lines(chip.run([*bounce, *release, *spike]).said)
    feet = of(found, "F")
    assert [line[0] for line in feet] == [1, 0]
    assert feet[1][1] - feet[0][1] == pytest.approx(4e5, abs=5)
    down = [line for line in of(found, "P") if line[4] & 8]
    assert all(4e5 < line[0] + 1000 < 8e5 for line in down)
    assert len(down) >= 3


def test_forty_edges_in_three_milliseconds_at_20000_counts_a_second(chip: Chip) -> None:
    """Both contacts together, every fifth of a second: no count and no edge lost."""
    turn = turning(20_000, START_US, 1.0e6)
    chatter = [
        (begin + i * 75.3, f"contact{1 + i % 2}", 1 - i // 2 % 2)
        for begin in (2.0e5, 4.0e5, 6.0e5, 8.0e5)
        for i in range(40)
    ]
    changes = sorted([*turn, *chatter])
    ran = chip.run(changes)
    errors = check(lines(ran.said), truth(changes))
    assert errors.edges == 160
    assert errors.worst_us <= 20
    assert ran.stack_used_bytes * 2 < ran.stack_room_bytes


def test_turning_by_hand_takes_little_of_the_line(chip: Chip) -> None:
    """30 turns a minute of 4096 counts, both contacts chattering: under half of 50,000 bytes/s."""
    turn = turning(2048, START_US, 2.0e6)
    chatter = [
        (begin + i * 75.3, f"contact{1 + i % 2}", 1 - i // 2 % 2)
        for begin in (5.0e5, 1.5e6)
        for i in range(40)
    ]
    changes = sorted([*turn, *chatter])
    said = chip.run(changes, seconds=2.1).said
    check(lines(said), truth(changes))
    assert len(said) / 2.1 < 0.5 * 50_000

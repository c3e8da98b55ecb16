"""What goes wrong at the pins, the supply and the host, and what the firmware says of it."""

from __future__ import annotations

import itertools
import random
import re
from bisect import bisect_left
from collections.abc import Iterator

import pytest
from agree import check, check_held
from said import WRAP, Line, dropped, edges, lines, of, signed, truth
from simulated_chip import START_US, Change, Chip, chip, first_chip, second_chip, turning

__all__ = ["chip", "first_chip", "second_chip"]

pytestmark = pytest.mark.slow


def pulses(pin: str, begin_us: float, count: int, every_us: float) -> Iterator[Change]:
    """So many changes of a pin that was low."""
    for place in range(count):
        yield begin_us + place * every_us, pin, 1 - place % 2


def index_pulses(begin_us: float, every_us: float, count: int) -> Iterator[Change]:
    for place in range(count):
        yield begin_us + place * every_us, "index", 1
        yield begin_us + place * every_us + 400, "index", 0


def in_order(*streams: Iterator[Change]) -> list[Change]:
    return sorted(itertools.chain(*streams), key=lambda change: change[0])


def last_count(found: list[Line]) -> int:
    return signed(of(found, "P")[-1][1])


@pytest.mark.parametrize("stuck", ["a", "b"])
def test_cut_encoder_line(chip: Chip, stuck: str) -> None:
    """The count goes to and fro within one state; the level that never moves is on the line."""
    moving = "a" if stuck == "b" else "b"
    turn = [c for c in turning(3000, START_US, 1.0e6) if c[1] == moving]
    changes = in_order(iter(turn), index_pulses(1e5, 2e5, 4))
    found = lines(chip.run(changes).said)
    counts = {signed(line[1]) for line in of(found, "P")}
    assert max(counts) - min(counts) <= 1
    bit = 1 if stuck == "a" else 2
    assert all(line[4] & bit == 0 for line in of(found, "P"))
    assert len(edges(found, 0)) == 8
    assert len({edge.count for edge in edges(found, 0)}) <= 2  # the index comes, the count stays
    widths = of(found, "W")[-1]
    assert widths[6] > 1000  # no state is passed through
    assert [widths[i] for i in range(2, 6)] == [0, 0, 0, 0]


def test_missing_index(chip: Chip) -> None:
    found = lines(chip.run(turning(4000, START_US, 1.3e6)).said)
    assert not of(found, "Z")
    assert of(found, "P")[-1][4] & 4 == 0
    assert last_count(found) == truth(turning(4000, START_US, 1.3e6)).counts[-1]


def test_index_twice_in_a_turn(chip: Chip) -> None:
    changes = in_order(turning(4000, START_US, 1.5e6), index_pulses(1e5, 3e5, 4))
    check(lines(chip.run(changes).said), truth(changes))


@pytest.mark.parametrize("speed", [0, 3000])
def test_burst_longer_than_the_line(chip: Chip, speed: int) -> None:
    """Every edge is either told or counted as cut, with first, last and longest runs right."""
    noise = list(pulses("contact1", 3e5, 1001, 45))
    gap_us = 900
    noise = [(t if t < 3.2e5 else t + gap_us, pin, level) for t, pin, level in noise]
    turn = turning(speed, START_US, 6e5) if speed else iter(())
    changes = in_order(turn, iter(noise))
    found = lines(chip.run(changes, seconds=1.4).said)
    told, cuts = edges(found, 1), of(found, "X")
    assert cuts
    assert sum(cut[1] for cut in cuts) + len(told) == len(noise)
    late_us = told[0].t_us - noise[0][0]
    true_us = [t_us + late_us for t_us, _, _ in noise]
    for cut in cuts:
        first, last = (bisect_left(true_us, cut[i] - 10) for i in (2, 3))
        assert cut[0] == 1
        assert cut[1] == last - first + 1
        assert [cut[2], cut[3]] == pytest.approx([true_us[first], true_us[last]], abs=5)
        runs: tuple[list[float], list[float]] = ([], [])  # from the edge before to the one after
        for i in range(first - 1, last + 1):
            runs[noise[i][2]].append(true_us[i + 1] - true_us[i])
        assert [cut[4], cut[5]] == pytest.approx([max(run) for run in runs], abs=6)
    assert told[-1].t_us == pytest.approx(true_us[-1], abs=5)  # what ends the burst is sent
    assert told[-1].level == noise[-1][2]
    assert of(found, "H")[-1].fields[2:5] == ["0", "0", "0"]
    check_held(found)
    if speed:
        assert last_count(found) == truth(changes).counts[-1]


@pytest.mark.parametrize("every_us", [2, 7, 12])
def test_noise_faster_than_the_chip(chip: Chip, every_us: int) -> None:
    """Contacts go unwatched for moments; that is said, and no encoder count is lost. A chip that
    keeps up loses nothing."""
    count = 60_000 // every_us + 1
    changes = in_order(turning(5000, START_US, 6e5), pulses("contact1", 3e5, count, every_us))
    found = lines(chip.run(changes, seconds=1.6).said)
    assert last_count(found) == truth(changes).counts[-1]
    health = of(found, "H")[-1]
    assert health[2] == 0
    check_held(found)
    told = sum(cut[1] for cut in of(found, "X")) + len(edges(found, 1))
    if every_us >= chip.keeps_up_us:
        assert (health[3], told) == (0, count)
        return
    assert health[3] > 0
    first = next(line for line in of(found, "H") if line[3])
    assert first[0] - (3e5 - START_US) < 220_000 + START_US  # said at once, at most 5 a second
    assert told < count
    assert edges(found, 1)[-1].level == changes[-1][2] or edges(found, 1)[-1].level == 1
    assert of(found, "P")[-1][4] >> 4 & 1 == edges(found, 1)[-1].level


def test_the_second_board_follows_a_short_burst(second_chip: Chip) -> None:
    """200,000 edges a second for 1.6 ms while the crank turns, as the page of limits has it."""
    noise = list(pulses("contact1", 3e5, 320, 5))
    assert noise[-1][0] - noise[0][0] == pytest.approx(1.6e3, abs=6.0)
    changes = in_order(turning(5000, START_US, 6e5), iter(noise))
    found = lines(second_chip.run(changes, seconds=1.6).said)
    told = len(edges(found, 1)) + sum(cut[1] for cut in of(found, "X"))
    assert told == len(noise)
    assert last_count(found) == truth(changes).counts[-1]
    assert of(found, "H")[-1].fields[2:5] == ["0", "0", "0"]
    check_held(found)


def test_noise_on_every_input_at_once(chip: Chip) -> None:
    pins = ("index", "contact1", "contact2", "a", "b")
    noise = [pulses(pin, 3e5 + i * 1.3, 8001, 5 + i) for i, pin in enumerate(pins)]
    ran = chip.run(in_order(*noise), seconds=2)
    found = lines(ran.said)
    assert [line.number for line in of(found, "R")] == [0]  # no watchdog, no reset
    health = of(found, "H")[-1]
    assert health[2] > 0
    assert health[3] > 0
    assert of(found, "P")[-1][4] == 0b110111
    assert last_count(found) % 4 == 2
    check_held(found)


def test_noise_on_an_encoder_line_is_never_silent(chip: Chip) -> None:
    """Faster than the chip sees: illegal steps are told, as counts may have been lost."""
    changes = in_order(turning(4000, START_US, 2.5e5), pulses("a", 3e5, 6001, 4))
    assert of(lines(chip.run(changes).said), "H")[-1][2] > 0


def test_encoder_faster_than_the_chip(chip: Chip) -> None:
    changes = list(turning(chip.too_fast, START_US, 2.2e5))
    found = lines(chip.run(changes, seconds=1.5).said)
    assert last_count(found) != truth(changes).counts[-1]
    assert of(found, "H")[-1][2] > 0
    assert last_count(found) % 4 == truth(changes).counts[-1] % 4


@pytest.mark.parametrize("step", [1, -1])
def test_both_channels_at_once(chip: Chip, step: int) -> None:
    """Illegal: two counts on, the way of the last step; no neighbour is told across it."""
    turn = list(turning(2000, START_US, 3e5, step=step))
    level = {"a": 0, "b": 0}
    level.update({pin: value for _, pin, value in turn})
    both = [(3.1e5, pin, 1 - value) for pin, value in level.items()]
    contact = [(3.099e5, "contact1", 1), (3.101e5, "contact1", 0)]
    found = lines(chip.run(sorted([*turn, *both, *contact])).said)
    assert last_count(found) == len(turn) * step + 2 * step
    assert of(found, "H")[-1].fields[2:] == ["1", "0", "0", of(found, "H")[-1].fields[5]]
    before, after = edges(found, 1)
    assert [near.step for near in (*before.before, *before.after)] == [step, step, 0, 0]
    assert [near.step for near in (*after.before, *after.after)] == [0, 0, 0, 0]
    assert after.count - before.count == 2 * step


def test_supply_dip_with_reset_in_mid_turn(chip: Chip) -> None:
    turn = list(turning(4000, START_US, 1.6e6))
    dip = [(6e5, "supply 4300"), (6.2e5, "supply 5000")]
    fall = [(9e5, "supply 2500"), (9.01e5, "reset 4"), (9.2e5, "supply 5000")]
    said = chip.run(turn, [*dip, *fall]).said
    start = re.search(rb"(?<=\n)R 0 %d [0-9A-F]{8}\n" % chip.dip_cause, said)
    assert start is not None
    old, new = lines(said[: start.start()]), lines(said[start.start() :])
    assert of(old, "R")[0].fields == ["1"]
    assert [line.kind for line in new[:2]] == ["R", "I"]
    assert [line.number for line in new] == list(range(len(new)))
    assert of(new, "P")[0][0] < 200_000  # clock and count begin anew
    true = truth(turn)
    down_us = 9.01e5
    assert last_count(new) == pytest.approx(true.counts[-1] - true.count_at(down_us), abs=16)
    assert last_count(new) % 4 == true.counts[-1] % 4


def test_supply_dip_without_reset(first_chip: Chip) -> None:
    dip = [(1.2e6, "supply 4300"), (1.21e6, "supply 5000")]
    health = of(lines(first_chip.run([], dip, seconds=3.5).said), "H")
    assert [line[5] for line in health] == pytest.approx([5000, 4300, 5000], rel=0.01)


def test_hang(chip: Chip) -> None:
    said = chip.run([], [(5e5, "hang")], seconds=1.5).said
    start = re.search(rb"R 0 8 [0-9A-F]{8}\n", said)
    assert start is not None
    assert of(lines(said[start.start() :]), "P")


def test_question_is_answered_and_garbage_is_not(chip: Chip) -> None:
    def identities(*heard: bytes) -> int:
        events = [(2e5 + 1e5 * n, f"host {each.hex()}") for n, each in enumerate(heard)]
        return len(of(lines(chip.run([], events, seconds=1.0).said), "I"))

    at_start = 1
    assert identities(b"?\n", b"?\r\n", b"\n\n?\n") == at_start + 3
    assert identities(b"\n", b"??\n", b"I\n", b"a?\n", b"?a\n", b"?") == at_start


def test_host_sends_garbage(chip: Chip) -> None:
    dice = random.Random(4)
    garbage = [(3e5 + i * 2000, f"host {dice.randbytes(99).hex()}") for i in range(300)]
    questions = [(9.5e5 + i * 100, "host 0A3F0A") for i in range(300)]
    changes = in_order(turning(4000, START_US, 1.0e6), pulses("contact1", 5e5, 21, 150))
    found = lines(chip.run(changes, [*garbage, *questions]).said)
    check(found, truth(changes))
    assert len(of(found, "I")) <= 12  # however often it is asked


def test_clock_goes_round(chip: Chip) -> None:
    """2^32 us after the start (71 min 34.967296 s) it is 0 again."""
    ahead = [(1000.0, f"poke {name} 4 {WRAP - 600_000 // 32768 * 32768}") for name in chip.clocks]
    changes = in_order(
        turning(4000, START_US, 1.2e6),
        pulses("contact1", 5.0e5, 1001, 200),
        index_pulses(3e5, 1.2e5, 5),
    )
    # As many edges as the line can carry: five thousand a second are not.
    changes = [c for c in changes if c[1] != "contact1" or int(c[0] / 1000) % 20 < 2]
    found = lines(chip.run(changes, ahead).said)
    times = [line[0] for line in of(found, "P")]
    assert times[0] > WRAP // 2 > times[-1]
    check(found, truth(changes))


@pytest.mark.parametrize(
    ("beyond", "step"),
    [(1 << 15, -1), (1 << 16, 1), (1 << 31, 1), (1 << 31, -1), (1 << 32, 1), (1 << 32, -1)],
)
def test_counts_beyond_16_and_32_bits(chip: Chip, beyond: int, step: int) -> None:
    begin = (beyond if step > 0 else -beyond) - 2000 * step
    changes = in_order(
        turning(4000, START_US, 1.1e6, step=step), pulses("contact1", 2e5, 81, 10_000)
    )
    found = lines(chip.run(changes, [(10_000, f"poke encoder 4 {begin % WRAP}")]).said)
    true = truth(changes)
    assert of(found, "P")[-1][1] == (begin + true.counts[-1]) % WRAP
    told = edges(found, 1)
    assert len(told) == 81
    for edge, (t_us, _) in zip(told, true.inputs["contact1"], strict=True):
        assert (edge.count - begin - true.count_at(t_us)) % WRAP == 0
    assert len({edge.count > 0 for edge in told}) == (2 if beyond == 1 << 31 else 1) or (
        beyond == 1 << 32
    )
    assert dropped(found) == 0

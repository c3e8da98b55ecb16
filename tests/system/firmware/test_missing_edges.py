"""Edges that the firmware cuts short or cannot see: what is read from its bytes, against the truth
and against what is read straight from the same pins.

The rule: no valid reading is over a tenth of a degree wrong, none is invented, and every opening
that is no reading says why. Chatter that the line can carry costs next to no reading.
"""

from __future__ import annotations

import random
from collections.abc import Iterable
from pathlib import Path

import pytest
from how_many import how_many
from rough_pins import Held, Story, by_pins, chatter, found_in, held
from said import lines, of
from simulated_chip import START_US, Chip, chip, first_chip, second_chip

from rig.wire.reader import LineReader

__all__ = ["chip", "first_chip", "second_chip"]

pytestmark = pytest.mark.slow


def cases(name: str, first: Iterable[float], second: Iterable[float]) -> pytest.MarkDecorator:
    """A test's cases on the first board's chip, and on the second's: few, as its emulator is
    slow."""
    both = [("first_chip", case) for case in first] + [("second_chip", case) for case in second]
    return pytest.mark.parametrize(("chip", name), both, indirect=["chip"])


def compared(story: Story, chip: Chip, folder: Path, burst_ms: float) -> tuple[Held, Held]:
    """The story by pins and by the chip, both held to the rule. The longest burst lasts so long."""
    reader = LineReader()
    said = chip.run(story.in_order()).said
    blurred_deg = 4.0 + burst_ms * 1e-3 * story.speed_deg_s
    pins = held(story, by_pins(story, folder), blurred_deg)
    through = held(story, found_in([*reader.feed(said), *reader.finish()]), blurred_deg)
    for one in (pins, through):
        assert one.wrong == []
        assert one.invented == []
        assert one.silent == []
    return pins, through


def chattering(seed: int, lasting_ms: float) -> Story:
    """Both contacts chatter for so long each time they open."""
    dice = random.Random(seed)
    story = Story(speed_deg_s=dice.choice([60.0, 90.0, 120.0]))
    story.turn()
    for contact in (1, 2):
        for deg in story.openings(contact):
            story.opens(contact, deg, chatter(dice, 1e3 * lasting_ms))
    return story


def flooded(seed: int, edges_per_s: float, most_ms: float) -> Story:
    """Noise on contact 2 for a moment over each opening of contact 1."""
    dice = random.Random(seed)
    story = Story(speed_deg_s=90.0)
    story.turn()
    for deg in story.openings(1):
        story.opens(1, deg, chatter(dice, 500.0) if dice.random() < 0.7 else [])
        lasting_us = 1e3 * most_ms * dice.uniform(0.625, 1.0)
        story.flood(2, story.t_us(deg) - dice.random() * lasting_us, lasting_us, edges_per_s)
    return story


def endless(seed: int, edges_per_s: float, turned_deg: float = 200.0) -> Story:
    """Contact 2 chatters all the time."""
    dice = random.Random(seed)
    story = Story(speed_deg_s=90.0, turned_deg=turned_deg)
    story.turn()
    for deg in story.openings(1):
        story.opens(1, deg, chatter(dice, dice.choice([0.0, 300.0, 1500.0])))
    lasting_us = story.t_us(story.turned_deg) - START_US
    story.flood(2, START_US + 1000.0, lasting_us, edges_per_s)
    return story


def mixed(seed: int) -> tuple[Story, float]:
    """Something else at each opening; and how long the longest burst lasts, milliseconds."""
    dice = random.Random(seed)
    story = Story(speed_deg_s=dice.uniform(40.0, 200.0))
    story.turn()
    longest_ms = 0.0
    for contact in (1, 2):
        for deg in story.openings(contact):
            lasting_ms = dice.choice([0.0, 0.5, 2.0, 5.0, 8.0, 20.0, 50.0])
            longest_ms = max(longest_ms, lasting_ms)
            story.opens(contact, deg, chatter(dice, 1e3 * lasting_ms))
            # The other contact is closed now, and for so long after the noise.
            before_us = dice.uniform(-3000.0, 2500.0)
            if dice.random() < 0.5:
                rate = dice.choice([20e3, 70e3, 120e3, 200e3])
                lasting_us = dice.uniform(300.0, 6000.0)
                story.flood(3 - contact, story.t_us(deg) + before_us, lasting_us, rate)
    return story, longest_ms


@cases("lasting_ms", [2.0, 5.0, 20.0, 50.0], [2.0, 50.0])
def test_chatter_that_is_cut_keeps_the_first_parting(
    chip: Chip, tmp_path: Path, lasting_ms: float
) -> None:
    """The cut tells its longest runs, so that even a long burst is read as exactly as a short."""
    pins, through = compared(chattering(int(lasting_ms), lasting_ms), chip, tmp_path, lasting_ms)
    assert len(pins.right) == 8
    assert through.right == pins.right


@cases("which", [0, 1], [0])
def test_an_edge_that_nobody_watched_is_not_dated(chip: Chip, tmp_path: Path, which: int) -> None:
    rate = chip.floods_per_s[which]
    story = flooded(int(rate), rate, chip.flood_ms)
    pins, through = compared(story, chip, tmp_path, chip.flood_ms + 0.4)
    assert len(pins.right) == 4
    assert through.with_reason  # at least one opening lay in the dark


@cases("turned_deg", [200.0], [120.0])
def test_the_other_contact_stays_exact_beside_endless_chatter(
    chip: Chip, tmp_path: Path, turned_deg: float
) -> None:
    story = endless(1, 10e3, turned_deg)
    pins, through = compared(story, chip, tmp_path, 2.0)
    assert len(pins.right) == len(list(story.openings(1))) >= 2
    assert through.right == pins.right


def test_mixtures(chip: Chip, tmp_path: Path) -> None:
    story, longest_ms = mixed(4)
    compared(story, chip, tmp_path, longest_ms)


def test_totals_stand_in_every_position(chip: Chip) -> None:
    """A position covers what was lost before it; with the contacts shut off none is sent."""
    story = flooded(3, chip.floods_per_s[1], chip.flood_ms)
    found = lines(chip.run(story.in_order()).said)
    totals = [(line[6], line[7]) for line in of(found, "P")]
    assert totals == sorted(totals)
    assert totals[0] == (0, 0)
    assert totals[-1] == (0, of(found, "H")[-1][3])
    assert totals[-1][1] > 0


@cases("stories", [8], [4])
def test_chatter_costs_next_to_no_reading(chip: Chip, tmp_path: Path, stories: int) -> None:
    """Up to 5 ms, nine tenths of what the pins can resolve are valid from the bytes."""
    resolved = valid = 0
    for seed in range(stories):
        lasting_ms = (0.5, 2.0, 3.5, 5.0)[seed % 4]
        pins, through = compared(chattering(100 + seed, lasting_ms), chip, tmp_path, lasting_ms)
        resolved += len(pins.right)
        valid += len(set(through.right) & set(pins.right))
    assert resolved >= 7.5 * stories
    assert valid >= 0.9 * resolved


@cases("seed", range(10, 10 + how_many(8)), (10,))
def test_many_mixtures(chip: Chip, tmp_path: Path, seed: int) -> None:
    story, longest_ms = mixed(seed)
    compared(story, chip, tmp_path, longest_ms)


@cases("seed", range(how_many(4)), ())
def test_many_floods_and_endless_chatter(chip: Chip, tmp_path: Path, seed: int) -> None:
    slowest, fastest = chip.floods_per_s
    rate = slowest + seed % 4 * (fastest - slowest) / 3
    compared(flooded(seed, rate, chip.flood_ms), chip, tmp_path, chip.flood_ms + 0.4)
    pins, through = compared(endless(seed, (5e3, 10e3, 20e3)[seed % 3]), chip, tmp_path, 2.0)
    assert through.right == pins.right
    assert pins.right

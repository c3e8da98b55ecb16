"""Pins of a crank turned by hand with contacts in a bad state, and what is truly so.

The same pins go straight to the reader and through the firmware, so that both can be held against
the truth and against each other.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from run_pins import START_US

from rig.pins.recording import PinRecording
from rig.signal.events import Opening, Settings
from rig.signal.openings import OpeningFinder
from rig.wire.records import Batch

Change = tuple[float, str, int]  # time, pin, level

COUNTS = 2400
WRONG_DEG = 0.1
"""A valid reading further off than this is wrong."""
INDEX_DEG = 12.0  # where the index is, after the start
FIRST_DEG = 50.0  # the first opening: the approach is long enough by then
EVERY_DEG, OPEN_DEG = 30.0, 13.0
APART_DEG = 15.0  # contact 2 opens so much after contact 1, which is closed again by then
NAMES = {1: "contact1", 2: "contact2"}
CODES = {"a": "!", "b": '"', "index": "#", "contact1": "$", "contact2": "%"}


@dataclass
class Story:
    """What the pins do. ``true_deg`` by contact: where it opens, degrees from the start."""

    speed_deg_s: float
    turned_deg: float = 200.0
    changes: list[Change] = field(default_factory=list)
    true_deg: dict[int, list[float]] = field(default_factory=lambda: {1: [], 2: []})

    def t_us(self, deg: float) -> float:
        """When the crank is at ``deg``: it speeds up and slows down by a tenth, twice a second."""
        even_s = t_s = deg / self.speed_deg_s
        for _ in range(14):  # each time the error is a tenth of what it was
            t_s = even_s + 0.1 / (4 * math.pi) * math.sin(4 * math.pi * t_s)
        return START_US + 1e6 * t_s

    def turn(self) -> None:
        """A and B, and a pulse of the index a count long."""
        states = [(0, 0), (1, 0), (1, 1), (0, 1)]
        for count in range(int(self.turned_deg / 360.0 * COUNTS)):
            old, new = states[count % 4], states[(count + 1) % 4]
            pin = "a" if old[0] != new[0] else "b"
            at_us = self.t_us((count + 0.5) * 360.0 / COUNTS)
            self.changes.append((at_us, pin, new[pin == "b"]))
        for level, deg in ((1, INDEX_DEG), (0, INDEX_DEG + 360.0 / COUNTS)):
            self.changes.append((self.t_us(deg), "index", level))

    def openings(self, contact: int) -> Iterator[float]:
        """Where a contact opens."""
        deg = FIRST_DEG + APART_DEG * (contact - 1)
        while deg + EVERY_DEG < self.turned_deg:
            yield deg
            deg += EVERY_DEG

    def opens(self, contact: int, deg: float, bounces_us: list[float]) -> None:
        """The contact opens at ``deg`` with runs of these lengths (an even number), and closes."""
        t_us = self.t_us(deg)
        self.true_deg[contact].append(deg)
        level = 1
        for run_us in [*bounces_us, 0.0]:
            self.changes.append((t_us, NAMES[contact], level))
            t_us, level = t_us + run_us, 1 - level
        self.changes.append((self.t_us(deg + OPEN_DEG), NAMES[contact], 0))

    def flood(self, contact: int, from_us: float, lasting_us: float, edges_per_s: float) -> None:
        """Noise on a contact that begins and ends closed."""
        for nth in range(int(lasting_us * edges_per_s * 1e-6) // 2 * 2):
            self.changes.append((from_us + nth * 1e6 / edges_per_s, NAMES[contact], 1 - nth % 2))

    def in_order(self) -> list[Change]:
        return sorted(self.changes, key=lambda change: change[0])


def chatter(dice: random.Random, lasting_us: float) -> list[float]:
    """Runs of 40 to 160 us, an even number, of about ``lasting_us`` together."""
    runs: list[float] = []
    while sum(runs) < lasting_us or len(runs) % 2:
        runs.append(dice.uniform(40.0, 160.0))
    return runs


def write_dump(changes: list[Change], path: Path) -> Path:
    """The changes as a value change dump with steps of 0.1 us."""
    lines = ["$timescale 100 ns $end"]
    lines += [f"$var wire 1 {c} {'z' if n == 'index' else n} $end" for n, c in CODES.items()]
    lines += ["$enddefinitions $end", "#0", "$dumpvars", *(f"0{c}" for c in CODES.values()), "$end"]
    lines += [f"#{round(t_us * 10)}\n{level}{CODES[pin]}" for t_us, pin, level in changes]
    lines.append(f"#{round((changes[-1][0] + 5e5) * 10)}")
    path.write_text("\n".join([*lines, ""]))
    return path


def found_in(batches: list[Batch]) -> list[Opening]:
    """Forward openings."""
    follower = OpeningFinder(Settings(COUNTS))
    events = [event for batch in batches for event in follower.take(batch)] + follower.finish()
    return [e for e in events if isinstance(e, Opening) and e.direction >= 0]


def by_pins(story: Story, folder: Path) -> list[Opening]:
    path = write_dump(story.in_order(), folder / "pins.vcd")
    return found_in(list(PinRecording(path, None, COUNTS).batches()))


@dataclass
class Held:
    """Openings held against the truth."""

    right: list[tuple[int, float]] = field(default_factory=list)  # contact, true place: valid
    wrong: list[tuple[int, float, float]] = field(default_factory=list)  # and how far off
    invented: list[Opening] = field(default_factory=list)  # valid, and none opened there
    with_reason: list[tuple[int, float]] = field(default_factory=list)
    silent: list[tuple[int, float]] = field(default_factory=list)  # nothing was said of it


def held(story: Story, found: list[Opening], blurred_deg: float) -> Held:
    """An opening that is given within ``blurred_deg`` after a true one, or a degree before it, is
    that one: so far the burst lasts in which it lies."""
    result = Held()
    left = list(found)

    def near(contact: int, deg: float, valid: bool) -> Opening | None:
        own = [
            o for o in left
            if o.input == contact and o.valid is valid and o.crank_deg is not None
            and -1.0 < o.crank_deg - 360.0 + INDEX_DEG - deg < blurred_deg
        ]  # fmt: skip
        return min(
            own, key=lambda o: abs((o.crank_deg or 0) - 360.0 + INDEX_DEG - deg), default=None
        )

    for contact, places in story.true_deg.items():
        for deg in places:
            valid, other = near(contact, deg, True), near(contact, deg, False)
            if valid is not None:
                left.remove(valid)
                off = (valid.crank_deg or 0) - 360.0 + INDEX_DEG - deg
                if abs(off) > WRONG_DEG:
                    result.wrong.append((contact, deg, off))
                else:
                    result.right.append((contact, deg))
            elif other is not None:
                assert not other.valid
                result.with_reason.append((contact, deg))
            elif nowhere := [o for o in left if o.input == contact and o.crank_deg is None]:
                assert not nowhere[0].valid  # the index was not met, or not again
                left.remove(nowhere[0])
                result.with_reason.append((contact, deg))
            else:
                result.silent.append((contact, deg))
    result.invented = [o for o in left if o.valid]
    return result

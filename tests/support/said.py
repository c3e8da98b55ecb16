"""What the firmware said, read by a parser of its own, and what the pins truly did.

Written from the page on the line format alone; shares no code with the program, so that the two
check each other.
"""

from __future__ import annotations

import re
import zlib
from bisect import bisect_left, bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

STATE = {(0, 0): 0, (1, 0): 1, (1, 1): 2, (0, 1): 3}  # (A, B): count modulo 4
WRAP = 1 << 32
AFTER_LIMIT_US = 250_000


@dataclass(frozen=True)
class Line:
    kind: str
    number: int
    fields: list[str]

    def __getitem__(self, place: int) -> int:
        return int(self.fields[place], 16)


def lines(said: bytes) -> list[Line]:
    """All whole lines; each must be well formed, its CRC right, and numbers without a jump.

    A half line at the end is left out. A restart line (R) begins the numbers anew.
    """
    found: list[Line] = []
    for raw in said.split(b"\n")[:-1]:
        assert len(raw) + 1 <= 96, raw
        assert re.fullmatch(rb"[A-Z] [0-9A-F]{1,4}( [!-~]+)* [0-9A-F]{8}", raw), raw
        body, crc = raw.rsplit(b" ", 1)
        assert int(crc, 16) == zlib.crc32(body), raw
        kind, number, *fields = body.decode().split(" ")
        found.append(Line(kind, int(number, 16), fields))
    return found


def dropped(found: list[Line]) -> int:
    """How many running numbers were left out."""
    return sum((after.number - before.number - 1) % 65536 for before, after in pairwise(found))


def of(found: list[Line], *kinds: str) -> list[Line]:
    return [line for line in found if line.kind in kinds]


@dataclass(frozen=True)
class Around:
    """An encoder edge beside another event: its way (+1, -1; 0 none) and its distance."""

    step: int
    distance_us: int

    @classmethod
    def read(cls, field: str) -> Around:
        if field == ".":
            return cls(0, 0)
        assert re.fullmatch(r"[+-][0-9A-F]{1,8}", field), field
        return cls(1 if field[0] == "+" else -1, int(field[1:], 16))


@dataclass(frozen=True)
class Edge:
    input: int  # 0 the index
    level: int
    t_us: int
    count: int
    before: tuple[Around, Around]  # the older first
    after: tuple[Around, Around]


def signed(value: int) -> int:
    return value - WRAP if value >= WRAP // 2 else value


def edges(found: list[Line], number: int) -> list[Edge]:
    """The edges of one input as they were sent."""
    told = []
    for line in of(found, "C" if number else "Z"):
        fields = line.fields
        if number:
            if int(fields[0], 16) != number:
                continue
            fields = fields[1:]
        around = [Around.read(field) for field in fields[3:7]]
        assert len(fields) == 7
        told.append(
            Edge(
                number,
                int(fields[0], 16),
                int(fields[1], 16),
                signed(int(fields[2], 16)),
                (around[0], around[1]),
                (around[2], around[3]),
            )
        )
    return told


@dataclass(frozen=True)
class Truth:
    """What the pins did: changes in order of time, all of one time stamp together."""

    encoder_us: list[float]  # when the count stepped
    steps: list[int]
    counts: list[int]  # after each step; counts[-1 + i] before step i, first state given below
    first_count: int
    inputs: dict[str, list[tuple[float, int]]]  # changes of index, contact1, contact2

    def count_at(self, t_us: float) -> int:
        place = bisect_right(self.encoder_us, t_us)
        return self.counts[place - 1] if place else self.first_count

    def around(self, t_us: float) -> tuple[list[Around], list[Around]]:
        """Two encoder edges before and two after, padded with none."""
        place = bisect_right(self.encoder_us, t_us)
        before = [
            Around(self.steps[i], round(t_us - self.encoder_us[i]))
            for i in range(max(0, place - 2), place)
        ]
        last = bisect_left(self.encoder_us, t_us + AFTER_LIMIT_US)
        after = [
            Around(self.steps[i], round(self.encoder_us[i] - t_us))
            for i in range(place, min(place + 2, last))
        ]
        none = Around(0, 0)
        return [none] * (2 - len(before)) + before, after + [none] * (2 - len(after))


def truth(changes: Iterable[tuple[float, str, int]]) -> Truth:
    """From (time, pin, level), in order of time; levels at time 0 are those at power on."""
    level = {"a": 0, "b": 0, "index": 0, "contact1": 0, "contact2": 0}
    stamps: dict[float, dict[str, int]] = {}
    for t_us, pin, value in changes:
        stamps.setdefault(t_us, {})[pin] = value
    level.update(stamps.pop(0, {}))
    first = count = STATE[level["a"], level["b"]]
    true = Truth([], [], [], first, {"index": [], "contact1": [], "contact2": []})
    for t_us, new in stamps.items():
        before = dict(level)
        level.update(new)
        way = (STATE[level["a"], level["b"]] - count) % 4
        if way:
            assert way != 2, f"both channels change at {t_us}"
            step = 1 if way == 1 else -1
            count += step
            true.encoder_us.append(t_us)
            true.steps.append(step)
            true.counts.append(count)
        for pin, told in true.inputs.items():
            if level[pin] != before[pin]:
                told.append((t_us, level[pin]))
    return true


def read_dump(path: Path, start_us: float) -> list[tuple[float, str, int]]:
    """The changes in one of the recordings beside the tests: 1 us steps, one change a line."""
    names = {"a": "a", "b": "b", "z": "index", "contact1": "contact1", "contact2": "contact2"}
    codes: dict[str, str] = {}
    changes: list[tuple[float, str, int]] = []
    t_us = 0.0
    for text in path.read_text().splitlines():
        words = text.split()
        if words[:1] == ["$timescale"]:
            assert words[1:3] == ["1", "us"]
        elif words[:1] == ["$var"]:
            codes[words[3]] = names[words[4]]
        elif text.startswith("#"):
            t_us = start_us + int(text[1:]) if int(text[1:]) else 0.0
        elif text[:1] in ("0", "1"):
            changes.append((t_us, codes[text[1:]], int(text[0])))
    return changes

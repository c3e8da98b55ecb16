"""Lines of the format taken apart, for the tests of this room; shares no code with the program."""

from __future__ import annotations

import zlib
from dataclasses import dataclass, field


@dataclass
class Line:
    """A line whose CRC holds. Times and counts as on the wire, counts signed."""

    kind: str
    number: int
    fields: list[str]

    def hex(self, which: int) -> int:
        return int(self.fields[which], 16)

    def signed(self, which: int) -> int:
        value = self.hex(which)
        return value - (1 << 32) if value >= 1 << 31 else value


@dataclass
class Edge:
    """A ``C`` (input 1, 2 ...) or ``Z`` (input 0) line."""

    input: int
    level: int
    t_us: int
    count: int
    around: list[tuple[int, int] | None] = field(default_factory=list)  # step, distance


def parse(data: bytes) -> list[Line]:
    """All lines; an AssertionError for anything that is not one."""
    assert data == b"" or data.endswith(b"\n")
    return [parse_line(raw) for raw in data.split(b"\n")[:-1]]


def parse_line(raw: bytes) -> Line:
    assert len(raw) + 1 <= 96
    body, crc = raw[:-9], raw[-8:]
    assert raw[-9:-8] == b" "
    assert b"%08X" % zlib.crc32(body) == crc
    kind, number, *fields = body.decode("ascii").split(" ")
    return Line(kind, int(number, 16), fields)


def good_lines(data: bytes) -> tuple[list[Line], int]:
    """The lines that hold, and how many pieces do not."""
    good, bad = [], 0
    for raw in data.split(b"\n"):
        try:
            good.append(parse_line(raw))
        except (AssertionError, ValueError):
            bad += raw != b""
    return good, bad


def edges(lines: list[Line]) -> list[Edge]:
    found = []
    for line in lines:
        if line.kind not in "CZ":
            continue
        fields = (["0"] if line.kind == "Z" else []) + line.fields
        around = [
            None if text == "." else (1 if text[0] == "+" else -1, int(text[1:], 16))
            for text in fields[4:]
        ]
        assert len(around) == 4
        count = int(fields[3], 16)
        signed = count - (1 << 32) if count >= 1 << 31 else count
        found.append(Edge(int(fields[0], 16), int(fields[1]), int(fields[2], 16), signed, around))
    return found


def of_kind(lines: list[Line], kind: str) -> list[Line]:
    return [line for line in lines if line.kind == kind]

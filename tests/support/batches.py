"""Batches as plain values, to compare; and a stream that has a record of every kind."""

from collections import Counter
from pathlib import Path

from rig.wire.capture import CaptureReader
from rig.wire.line import encode, hexadecimal
from rig.wire.reader import MOST_REPORTED
from rig.wire.records import Batch, LineError, Other


def position(
    number: int, t: int, count: int, back: int = 0, ahead: int = 0, totals: tuple[str, ...] = ()
) -> bytes:
    return encode(
        "P", number, hexadecimal(t), hexadecimal(count), hexadecimal(back), hexadecimal(ahead),
        "30", "0", *totals,
    )  # fmt: skip


def flat(batches: list[Batch]) -> tuple[list[object], list[object], list[object], list[Other]]:
    return (
        [row for b in batches for row in b.positions.tolist()],
        [repr(row) for b in batches for row in b.edges.tolist()],
        [repr(row) for b in batches for row in b.widths.tolist()],
        reported_singly([other for b in batches for other in b.others]),
    )


def reported_singly(others: list[Other]) -> list[Other]:
    """Without the troubles that are only counted: which records they stand in depends on the cut.
    How many they are does not: ``troubles``."""
    seen: Counter[tuple[float, str]] = Counter()
    told: list[Other] = []
    for other in others:
        if isinstance(other, LineError):
            seen[other.t_us, other.kind] += 1
            if seen[other.t_us, other.kind] > MOST_REPORTED:
                continue
        told.append(other)
    return told


def troubles(batches: list[Batch]) -> Counter[str]:
    said: Counter[str] = Counter()
    for batch in batches:
        for other in batch.others:
            if isinstance(other, LineError):
                said[other.kind] += other.times
    return said


GOOD = b"".join(
    [
        encode("R", 0, "1"),
        encode("I", 1, "1", "1000", "2", "bench-rig_1.0"),
        position(2, 1000, 0xFFFFFFFE, 1, 2, totals=("1", "2")),
        encode("C", 3, "1", "1", "4E20", "1A2", "+BB8", "+1F4", "+7D0", "."),
        encode("Z", 4, "0", "5000", "1A3", ".", "-1", "-7D0", "+9C4"),
        encode("W", 5, "5100", "1A3", "10", "20", "30", "40", "2"),
        encode("F", 6, "1", "5200"),
        encode("X", 7, "2", "1F", "5300", "5400", "10", "20"),
        encode("H", 8, "5500", "0", "1", "2", "3", "1388"),
        encode("Q", 9, "a later kind: pass over"),
        position(10, 60000, 1, 3, 0),
    ]
)


def batches_of(path: Path) -> list[Batch]:
    return list(CaptureReader(path).batches())

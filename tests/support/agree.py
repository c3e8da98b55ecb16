"""Whether what the firmware said agrees with what the pins did."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import fmean, median

from said import WRAP, Around, Edge, Line, Truth, edges, of, signed

NAMES = {0: "index", 1: "contact1", 2: "contact2"}
SAME_US = 4  # edges this close together may be seen at the same instant


@dataclass(frozen=True)
class Errors:
    """Of the times of edges, in microseconds, the constant delay taken out."""

    edges: int
    mean_us: float  # of the sizes
    worst_us: float


def _sort_of(truth: Truth, t_us: float, told: Edge) -> bool:
    """Count and neighbours are those of the true instant or of one within ``SAME_US`` of it."""
    for shift_us in range(-SAME_US, SAME_US + 1):
        before, after = truth.around(t_us + shift_us)
        if told.count == truth.count_at(t_us + shift_us) and all(
            _same(a, b) for a, b in zip((*told.before, *told.after), (*before, *after), strict=True)
        ):
            return True
    return False


def _same(told: Around, true: Around) -> bool:
    return told.step == true.step and abs(told.distance_us - true.distance_us) <= 2 * SAME_US


def check_held(found: list[Line]) -> None:
    """Edges come in order of time, and none is older than a position record said."""
    last_us: int | None = None
    sent_us: int | None = None
    for line in found:
        if line.kind == "P":
            sent_us = line[0] - line[5]
        elif line.kind in "CZ":
            t_us = line[2] if line.kind == "C" else line[1]
            assert last_us is None or (t_us - last_us) % WRAP < WRAP // 2, line
            assert sent_us is None or (t_us - sent_us) % WRAP < WRAP // 2, line
            last_us = t_us


def check(found: list[Line], truth: Truth) -> Errors:
    """Every edge told, in order, with its level, count and surroundings; no more and no less.

    The last count is the true one, nothing was lost and no line was dropped.
    """
    check_held(found)
    late: list[float] = []
    for number, name in NAMES.items():
        told, true = edges(found, number), truth.inputs[name]
        assert [edge.level for edge in told] == [level for _, level in true], name
        gone = [(edge.t_us - t_us) % WRAP for edge, (t_us, _) in zip(told, true, strict=True)]
        late += [us - WRAP if us > WRAP / 2 else us for us in gone]
        for edge, (t_us, _) in zip(told, true, strict=True):
            assert _sort_of(truth, t_us, edge), (edge, t_us, truth.around(t_us))
    assert not of(found, "X")
    numbers = [line.number for line in found]
    assert numbers == [number % 65536 for number in range(len(found))]
    last = of(found, "P")[-1]
    assert signed(last[1]) == (truth.counts[-1] if truth.counts else truth.first_count)
    assert of(found, "H")[-1].fields[2:5] == ["0", "0", "0"]
    if not late:
        return Errors(0, 0.0, 0.0)
    middle = median(late)
    sizes = [abs(t_us - middle) for t_us in late]
    return Errors(len(sizes), fmean(sizes), max(sizes))

"""Captures made to cost more than their bytes: memory as a ratio to the file, work as a count.

Every line and note is sound by itself; what is wrong is how many there are, in which order, and
how large their numbers are.
"""

from __future__ import annotations

import itertools
import tracemalloc
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from played import PROFILE

from rig.job.results import JobResults, results_of
from rig.wire.batch_parser import BatchParser, ParsedLines
from rig.wire.capture import MOST_REPORTED, CaptureReader
from rig.wire.line import encode, hexadecimal
from rig.wire.reader import FEW
from rig.wire.records import MOST_CONTACTS, Batch, LineError
from rig.words.diagnostics import remarks_on

SIZE = 20_000
BASE = 3_000_000
"""Bytes that any capture takes, however short: its tables, a piece of the file, its arrays."""

Lines = Iterator[bytes]


def line(kind: str, number: int, *fields: int | str) -> bytes:
    told = (each if isinstance(each, str) else hexadecimal(each) for each in fields)
    return encode(kind, number, *told)


def note(text: bytes, total: int) -> bytes:
    body = b"# %b %08X" % (text, total)
    return b"%b %08X\n" % (body, zlib.crc32(body))


def capture(lines: Lines, size: int = SIZE) -> bytes:
    """A capture of about ``size`` bytes; what begins with # is made a note."""
    made = [note(b'capture {"format": 1, "utc": "2026-05-14T09:02:03Z"}', 0)]
    total, long = zlib.crc32(made[0]), len(made[0])
    for each in lines:
        whole = note(each[2:], total) if each.startswith(b"# ") else each
        made.append(whole)
        total, long = zlib.crc32(whole, total), long + len(whole)
        if long >= size:
            break
    return b"".join(made)


def position(number: int, t: int, count: int, held: int = 0) -> bytes:
    return line("P", number, t, count, 0, 0, 0, held)


def edge(number: int, t: int, count: int, which: int = 1) -> bytes:
    near = ("+64", "+64", "+64", "+64")
    return line("C", number, which, number % 2, t, count, *near)


def leaps_in_time() -> Lines:
    """Each position half a turn of the 32-bit clock after the one before."""
    return (position(n, n * (2**31 - 1), n) for n in itertools.count())


def leaps_in_count() -> Lines:
    return (position(n, n * 20_000, n * (2**31 - 1)) for n in itertools.count())


def edges_and_no_position() -> Lines:
    """Nothing ever says that they are all there: they wait to the end."""
    return (edge(n, n * 700, n) for n in itertools.count())


def edges_held_back() -> Lines:
    """The rig says of each that older ones are still to come."""
    for n in itertools.count(step=2):
        yield edge(n, n * 700, n)
        yield position(n + 1, n * 700, n, held=n * 700)


def openings_at_the_end() -> Lines:
    yield position(0, 0, 0)
    yield from (edge(n, n * 20_000, n * 200) for n in itertools.count(1))


def edges_of_all_inputs() -> Lines:
    for n in itertools.count(step=2):
        yield edge(n, n * 20_000, n * 200, 1 + n // 2 % MOST_CONTACTS)
        yield position(n + 1, n * 20_000 + 9, n * 200)


def index_everywhere() -> Lines:
    near = ("+64", "+64", "+64", "+64")
    for n in itertools.count(step=2):
        yield line("Z", n, n // 2 % 2, n * 15_000, n * 999_983, *near)
        yield position(n + 1, n * 15_000 + 9, n * 999_983)


def widths_without_measure() -> Lines:
    totals = (999_983, 7919, 104_729, 5)
    return (line("W", n, n * 250, n, *(n * each for each in totals), 0) for n in itertools.count())


def health_that_grows() -> Lines:
    return (line("H", n, n * 1000, n // 1000, n, n, n, 0) for n in itertools.count())


def uptimes_of_a_century() -> Lines:
    for n in itertools.count(step=2):
        yield line("H", n, n * 1000, (2**32 - 1) * (n // 2 % 2), 0, 0, 0, 0)
        yield position(n + 1, n * 1000 + 1, n)


def cuts_of_any_input() -> Lines:
    for n in itertools.count(step=2):
        yield line("X", n, n * 999_983, 2**32 - 1, n * 1000, n * 1000, 2**32 - 1, 2**32 - 1)
        yield position(n + 1, n * 1000 + 500, n)


def restarts() -> Lines:
    while True:
        yield line("R", 0, 1)
        yield position(1, 10, 5)


def gaps() -> Lines:
    return (position(7 * n, n * 20_000, n) for n in itertools.count())


def identities() -> Lines:
    """Each tells of another number of contact inputs."""
    return (line("I", n, 1, 2**32 - 1, 2**32 - 1 - n, "x") for n in itertools.count())


def notes(text: bytes) -> Callable[[], Lines]:
    return lambda: itertools.chain([position(0, 10, 5)], itertools.repeat(b"# " + text))


def over_and_over(line: bytes) -> Callable[[], Lines]:
    return lambda: itertools.repeat(line)


MADE: dict[str, tuple[Callable[[], Lines], int]] = {
    "leaps in time": (leaps_in_time, 60),
    "leaps in count": (leaps_in_count, 60),
    "edges and no position": (edges_and_no_position, 60),
    "edges held back": (edges_held_back, 60),
    "openings at the end": (openings_at_the_end, 60),
    "edges of all inputs": (edges_of_all_inputs, 60),
    "index everywhere": (index_everywhere, 60),
    "widths without measure": (widths_without_measure, 60),
    "health that grows": (health_that_grows, 60),
    "uptimes of a century": (uptimes_of_a_century, 60),
    "cuts of any input": (cuts_of_any_input, 60),
    "restarts": (restarts, 60),
    "gaps": (gaps, 60),
    "identities": (identities, 60),
    "remarks": (notes(b'remark {"text": "a"}'), 60),
    "changes": (notes(b'change {"words": "a", "unit": "upper"}'), 60),
    "settings": (notes(b'setting {"unit": "upper", "setting": "full retard"}'), 60),
    "hours of the host": (notes(b'host {"utc": "9999-01-01T00:00:00Z", "monotonic_s": 1e300}'), 60),
    "notes of nothing": (notes(b"a {}"), 60),
    "a note in a note": (notes(b'a {"a":' + b"[" * 900 + b"]" * 900 + b"}"), 60),
    "a list in a note": (notes(b'a {"a":[' + b"0," * 20_000 + b"0]}"), 60),
    "raw line feeds": (notes(b'raw {"hex": "' + b"0A" * 1000 + b'"}'), 60),
    "line feeds": (over_and_over(b"\n"), 60),
    "a letter a line": (over_and_over(b"x\n"), 60),
    "notes cut short": (over_and_over(b"#\n"), 60),
    "one long line": (over_and_over(b"x"), 60),
    "one long note": (over_and_over(b"#x"), 60),
}
"""Lines, and the bytes of memory that a byte of the file may take at once."""


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("captures") / "a.capture"


@pytest.fixture(scope="module", autouse=True)
def _all_is_loaded(path: Path) -> None:
    worked(capture(openings_at_the_end()), path)


def worked(data: bytes, path: Path) -> JobResults:
    path.write_bytes(data)
    done = results_of(PROFILE, [path])
    assert remarks_on(done)  # none of them is as a rig would speak
    return done


@pytest.mark.parametrize(
    "name",
    [
        pytest.param(name, marks=[pytest.mark.slow] if each > 60 else [])
        for name, (_, each) in MADE.items()
    ],
)
def test_memory_is_in_proportion_to_the_file(path: Path, name: str) -> None:
    make, each = MADE[name]
    data = capture(make())
    tracemalloc.start()
    try:
        worked(data, path)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak <= BASE + each * len(data), f"{peak} bytes for {len(data)} of a file"


@pytest.mark.parametrize("make", [leaps_in_time, uptimes_of_a_century, gaps, cuts_of_any_input])
def test_lines_out_of_the_ordinary_are_not_tried_together_again_and_again(
    path: Path, make: Callable[[], Lines], monkeypatch: pytest.MonkeyPatch
) -> None:
    """An attempt looks at all that is left of a piece, so there may be one in ``FEW`` lines."""
    tried = 0
    take = BatchParser.take

    def counted(self: BatchParser, *given: Any) -> ParsedLines | None:
        nonlocal tried
        tried += 1
        return take(self, *given)

    monkeypatch.setattr(BatchParser, "take", counted)
    data = capture(make())
    path.write_bytes(data)
    for _ in CaptureReader(path).batches():
        pass
    assert tried <= data.count(b"\n") / FEW + 2


@pytest.mark.parametrize(
    ("make", "kind", "said", "good"),
    [
        (cuts_of_any_input, b"\nX ", "an input outside 0 to 16", 1),  # the first is of input 0
        (identities, b"\nI ", "more than 16 contact inputs", 0),
    ],
)
def test_there_is_no_input_beyond_those_of_a_rig(
    path: Path, make: Callable[[], Lines], kind: bytes, said: str, good: int
) -> None:
    """Each input that is heard of is kept, asked at each position and told at the end."""
    data = capture(make())
    path.write_bytes(data)
    batches = list(CaptureReader(path).batches())
    others = [other for batch in batches for other in batch.others]
    wrong = [each for each in others if isinstance(each, LineError) and each.kind == "field"]
    assert all(said in each.detail for each in wrong)
    assert sum(each.times for each in wrong) == data.count(kind) - good


def test_notes_that_are_wrong_are_counted_and_not_reported_singly(path: Path) -> None:
    data = capture(over_and_over(b"#\n")())
    path.write_bytes(data)
    batches: list[Batch] = list(CaptureReader(path).batches())
    said = [o.detail for batch in batches for o in batch.others if isinstance(o, LineError)]
    assert len(said) == MOST_REPORTED + 2
    assert said[0] == "line 2: the checksum of a note is wrong"
    lines = data.count(b"\n")
    assert said[-2] == f"{lines - 1 - MOST_REPORTED} more notes are wrong, the last in line {lines}"
    assert said[-1].startswith("the capture was cut off after line ")

"""Whatever a rig sends, and however often: memory, work and file stay in proportion to its bytes.

Lines of every kind of the line format, and bytes that make no line, alone and by turns, over and
over; while a session is live, in pieces of any size, and afterwards from the capture. The kinds and
their fields are read from ``firmware_notes/protocol.md``, so a new kind is covered by itself. Work
is counted in calls, which do not depend on how busy the machine is.
"""

from __future__ import annotations

import itertools
import re
import sys
import tempfile
import tracemalloc
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
from fuzzing import cases
from hypothesis import given
from hypothesis import strategies as st
from played import PROFILE

from rig.job.folder import Job
from rig.job.new import write_example
from rig.job.results import results_of
from rig.live.live_session import Bytes, LiveSession, PortReader, Word
from rig.wire import line
from rig.wire.line import LONGEST_LINE, encode, hexadecimal

SIZE = 6_000
"""Bytes of a stream: enough for some hundred lines."""
MEMORY, MEMORY_EACH = 1_500_000, 60
CALLS, CALLS_EACH, CALLS_A_PIECE = 60_000, 30, 2_000
"""Bounds on bytes of memory and on calls: whatever comes, for each byte, for each piece of it."""
FILE_EACH = 5.0
"""A capture is at most so many times as long as what came: a byte that makes no line, between two
of the shortest lines that are sound, is the worst."""

TABLE = re.compile(r"^\| `([A-Z])` [^|]*\| `([^`]+)` \|", re.MULTILINE)
PROTOCOL = Path(__file__).parents[2] / "firmware_notes" / "protocol.md"
KINDS = {kind: names.split() for kind, names in TABLE.findall(PROTOCOL.read_text("utf-8"))}
"""Each kind of line with the names of its fields."""

NUMBERS = (0, 1, 2, 16, 0xFFFF, 20_000, 999_983, 2**31 - 1, 2**31, 2**32 - 1)
STEPS = (0, 1, 20, 700, 20_000, 250_000, 999_983, 2**31 - 1)
FEW = {"input": 17, "level": 2, "protocol": 2, "contacts": 17}
"""Fields of which only so many values are allowed: most lines hold one of those."""
NEIGHBOURS = (".", "+64", "-64", "+0", "+FFFFFFFF", "-FFFFFFFF")


@dataclass(frozen=True, slots=True)
class Repeated:
    """A line that comes again and again: each field grows by its step each time."""

    kind: str
    number_step: int
    fields: tuple[tuple[int, int] | str, ...]  # first value and step, or the text

    def line(self, number: int, n: int) -> bytes:
        told = (
            each if isinstance(each, str) else hexadecimal(each[0] + n * each[1])
            for each in self.fields
        )
        return encode(self.kind, number, *told)


@st.composite
def repeated(draw: st.DrawFn, kind: str) -> Repeated:
    fields: list[tuple[int, int] | str] = []
    for name in KINDS[kind]:
        if name in ("before", "after"):
            fields.append(draw(st.sampled_from(NEIGHBOURS)))
        elif name == "name":
            fields.append("x" * draw(st.sampled_from([1, 24, 25])))
        elif name in FEW and draw(st.integers(0, 9)):
            fields.append((draw(st.integers(0, FEW[name] - 1)), 0))
        else:
            fields.append((draw(st.sampled_from(NUMBERS)), draw(st.sampled_from(STEPS))))
    return Repeated(kind, draw(st.sampled_from([0, 1, 1, 1, 7])), tuple(fields))


FOUL = (
    b"\n", b"x\n", b"\r\n", b"#\n", b"# end {} 0 0\n", b" 00000000\n", b"x", b"\xff", b"\n" * 96,
    b"P 1 2\n", b"P 1 2 00000000\n", b"x" * LONGEST_LINE + b"\n", b"\x00\n", b"?\n",
)  # fmt: skip
"""What makes no line."""
LINE = st.sampled_from(sorted(KINDS)).flatmap(repeated)
PARTS = st.lists(LINE | st.sampled_from(FOUL), min_size=1, max_size=4)


def stream(parts: Sequence[Repeated | bytes], size: int = SIZE) -> bytes:
    """The parts by turns until there are ``size`` bytes."""
    made = bytearray()
    number = 0
    for n in itertools.count():
        for part in parts:
            if isinstance(part, bytes):
                made += part
            else:
                made += part.line(number, n)
                number += part.number_step
        if len(made) >= size:
            return bytes(made)
    raise AssertionError


@contextmanager
def in_proportion(size: int, pieces: int, what: str) -> Iterator[None]:
    """Fail when more calls are made, or more memory is held at once, than ``size`` bytes may cost.

    Calls are those of functions, of Python's and of its libraries.
    """
    calls = 0

    def note(frame: object, event: str, argument: object) -> None:
        nonlocal calls
        calls += event in ("call", "c_call")

    tracemalloc.start()
    sys.setprofile(note)
    try:
        yield
        sys.setprofile(None)
        memory = tracemalloc.get_traced_memory()[1]
    finally:
        sys.setprofile(None)
        tracemalloc.stop()
    assert calls <= CALLS + CALLS_EACH * size + CALLS_A_PIECE * pieces, f"{what}: {calls} calls"
    assert memory <= MEMORY + MEMORY_EACH * size, f"{what}: {memory} bytes of memory"


class HandFeed(PortReader):
    """A feed whose pieces are put in by hand."""

    def __init__(self) -> None:
        self.piece = b""

    def words(self) -> list[Word]:
        return [Bytes(self.piece, 0.0)]

    def ask(self) -> None:
        """Nobody is there."""

    def close(self) -> None:
        """There is nothing to close."""


def live(data: bytes, step: int, folder: Path) -> LiveSession:
    """A live session that hears ``data`` in pieces of ``step`` bytes, all in the same second."""
    write_example(folder)
    feed = HandFeed()
    bench = LiveSession(Job(folder), feed, "by hand", clock=lambda: 0.0)
    for at in range(0, len(data), step):
        feed.piece = data[at : at + step]
        bench.pump()
    bench.end()
    return bench


def judged(parts: Sequence[Repeated | bytes], step: int) -> None:
    data = stream(parts)
    with tempfile.TemporaryDirectory() as name:
        with in_proportion(len(data), len(data) // step + 1, "live"):
            capture = live(data, step, Path(name, "job")).capture_path
        size = capture.stat().st_size
        assert size <= 2000 + FILE_EACH * len(data), f"a capture of {size} bytes of {len(data)}"
        with in_proportion(len(data), 0, "afterwards"):
            results_of(PROFILE, [capture])


@pytest.fixture(scope="module", autouse=True)
def _all_is_loaded(tmp_path_factory: pytest.TempPathFactory) -> None:
    """What is loaded once is no cost of a stream."""
    made = live(stream([b"\n"]), 500, tmp_path_factory.mktemp("cost") / "job")
    results_of(PROFILE, [made.capture_path])


def test_the_table_names_every_kind_that_is_read() -> None:
    assert {kind: known.names for kind, known in line.KINDS.items()} == KINDS


@pytest.mark.slow
@pytest.mark.parametrize("kind", sorted(KINDS))
@cases(2)
@given(data=st.data())
def test_each_kind_over_and_over(kind: str, data: st.DataObject) -> None:
    judged([data.draw(repeated(kind))], data.draw(st.sampled_from([333, 5000])))


@pytest.mark.slow
@pytest.mark.parametrize("foul", FOUL)
def test_what_makes_no_line_over_and_over(foul: bytes) -> None:
    judged([foul], 333)


@pytest.mark.slow
@cases(8)
@given(PARTS, st.sampled_from([33, 333, 5000]))
def test_all_kinds_by_turns(parts: list[Repeated | bytes], step: int) -> None:
    judged(parts, step)

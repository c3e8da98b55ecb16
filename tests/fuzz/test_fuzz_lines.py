"""What a port may bring: lines whose fields, order and numbers are wrong, under sound checksums."""

from __future__ import annotations

import zlib
from collections.abc import Callable
from pathlib import Path

from fuzzing import bounded, cases
from hypothesis import given
from hypothesis import strategies as st
from played import PROFILE
from recorded import turning

from rig.session.session import Session
from rig.signal.rig_statistics import StatisticsCollector
from rig.tdc.reference import set_by_hand
from rig.wire.reader import LineReader
from rig.words.diagnostics import diagnostic_words

SAID = turning()[0]
REFERENCE = set_by_hand(60.0, how="by hand", half_width_deg=0.1)
BODIES = [line.rsplit(b" ", 1)[0].split(b" ") for line in SAID.splitlines()]
"""Kind, running number and fields of each line."""

KINDS = [b"P", b"C", b"Z", b"W", b"F", b"X", b"H", b"I", b"R", b"Q", b"", b"#", b"PC"]
numbers = st.one_of(
    st.sampled_from([0, 1, 2, 15, 16, 0x7FFF, 0xFFFF, 2**31 - 1, 2**31, 2**32 - 1, 2**32, 2**70]),
    st.integers(0, 2**32 - 1),
).map(lambda value: b"%X" % value)
odd = st.sampled_from([b"", b".", b"+", b"-1", b"+FFFFFFFF", b"-7FFFFFFF", b"ff", b" ", b"\x1b[2J",
                       b"\xff", b"0x1", b"1_0", b"\xd9\xa1", b"a" * 90, b"\r"])  # fmt: skip
fields = numbers | odd

changes = st.one_of(
    st.tuples(st.just("field"), st.integers(1, 8), fields),
    st.tuples(st.just("add"), st.integers(2, 8), st.integers(-(2**32), 2**32) | st.integers(-9, 9)),
    st.tuples(st.just("line"), st.sampled_from(KINDS), st.lists(fields, max_size=9)),
    st.tuples(st.just("drop"), st.integers(1, 300), st.booleans()),
    st.tuples(st.just("again"), st.integers(1, 300), st.integers(1, 5)),
    st.tuples(st.just("swap"), st.integers(1, 60), st.none()),
    st.tuples(st.just("raw"), st.binary(max_size=120), st.none()),
)


@st.composite
def streams(draw: st.DrawFn) -> bytes:
    """The session's lines with changes; checksums made anew, so that the reader believes them."""
    bodies = [list(parts) for parts in BODIES]
    raw: dict[int, bytes] = {}
    for _ in range(draw(st.integers(1, 5))):
        at = draw(st.integers(0, len(bodies) - 1))
        what, one, two = draw(changes)
        parts = bodies[at]
        if what == "field" and one < len(parts):
            parts[one] = two
        elif what == "add" and one < len(parts) and parts[one].isalnum():
            parts[one] = b"%X" % ((int(parts[one], 16) + two) % 2**32) if _hex(parts[one]) else b"0"
        elif what == "line":
            bodies.insert(at, [one, parts[1] if len(parts) > 1 else b"0", *two])
        elif what == "drop":
            del bodies[at : at + one]
            if not two:  # and nothing shows it
                bodies = _renumbered(bodies)
        elif what == "again":
            bodies[at:at] = [list(each) for each in bodies[at : at + one] * two]
            bodies = _renumbered(bodies)
        elif what == "swap":
            bodies[at : at + one] = bodies[at : at + one][::-1]
            bodies = _renumbered(bodies)
        elif what == "raw":
            raw[at] = one
        if not bodies:
            break
    lines = []
    for at, parts in enumerate(bodies):
        body = b" ".join(parts)
        lines.append(raw.get(at, b"") + b"%b %08X\n" % (body, zlib.crc32(body)))
    return b"".join(lines)


def _hex(field: bytes) -> bool:
    return not field.translate(None, b"0123456789ABCDEF")


def _renumbered(bodies: list[list[bytes]]) -> list[list[bytes]]:
    return [[parts[0], b"%X" % (n % 2**16), *parts[2:]] for n, parts in enumerate(bodies)]


def read(data: bytes, piece: int) -> None:
    """The whole way from bytes to figures. A record for each line at most; every trouble told in
    harmless words."""
    with bounded(data):
        reader, session, records = LineReader(), Session(PROFILE, REFERENCE), 0
        survey = StatisticsCollector(session.settings)
        pieces = [data[at : at + piece] for at in range(0, len(data), piece)]
        for batches in [*map(reader.feed, pieces), reader.finish()]:
            for batch in batches:
                records += len(batch.positions) + len(batch.edges) + len(batch.widths)
                survey.take(batch, session.take(batch))
                assert session.last_trouble.isprintable()
        survey.events(session.finish())
        assert records <= data.count(b"\n") + 1
        survey.result(session.state_widths)
        for doubt in session.doubts(over=True):
            assert diagnostic_words(doubt).isprintable()
        session.readings(), session.judgements(), session.comparisons(), session.lags()


@cases(20)
@given(streams(), st.sampled_from([100, 4096, 10**9]))
def test_lines_with_wrong_fields(data: bytes, piece: int) -> None:
    read(data, piece)


@cases(50)
@given(st.binary(max_size=3000), st.integers(1, 100))
def test_any_bytes_from_a_port(data: bytes, piece: int) -> None:
    read(data, piece)


@cases(10)
@given(st.binary(min_size=1, max_size=40), st.integers(1, 40_000))
def test_one_thing_over_and_over(data: bytes, times: int) -> None:
    read(data * times, 1 << 16)


def guided(home: Path) -> tuple[st.SearchStrategy[bytes], Callable[[bytes], None]]:
    """For the long run by hand."""
    return streams() | st.binary(max_size=3000), lambda data: read(data, 4096)

"""What a port may bring: lines whose fields, order and numbers are wrong, under sound checksums."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from fuzzed_lines import streams
from fuzzing import bounded, cases
from hypothesis import given
from hypothesis import strategies as st
from played import PROFILE

from rig.session.session import Session
from rig.signal.rig_statistics import StatisticsCollector
from rig.tdc.reference import set_by_hand
from rig.wire.reader import LineReader
from rig.words.diagnostics import diagnostic_words

REFERENCE = set_by_hand(60.0, how="by hand", half_width_deg=0.1)


def read(data: bytes, piece: int) -> None:
    """The whole way from bytes to figures. A record for each line at most; every line error told in
    harmless words."""
    with bounded(data):
        reader, session, records = LineReader(), Session(PROFILE, REFERENCE), 0
        survey = StatisticsCollector(session.settings)
        pieces = [data[at : at + piece] for at in range(0, len(data), piece)]
        for batches in [*map(reader.feed, pieces), reader.finish()]:
            for batch in batches:
                records += len(batch.positions) + len(batch.edges) + len(batch.widths)
                survey.take(batch, session.take(batch))
                assert session.last_error.isprintable()
        survey.events(session.finish())
        assert records <= data.count(b"\n") + 1
        survey.result(session.state_widths)
        for doubt in session.doubts(over=True):
            assert diagnostic_words(doubt).isprintable()
        session.readings(), session.assessments(), session.comparisons(), session.lags()


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

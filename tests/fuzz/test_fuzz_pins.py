"""Pin recordings as somebody may write them: any token, any time, any header."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

import pytest
from fuzzing import bounded, cases, told
from hypothesis import given
from hypothesis import strategies as st

from rig.base.errors import InputError
from rig.signal.events import Settings
from rig.signal.openings import OpeningFinder
from rig.signal.rig_statistics import StatisticsCollector
from rig.wire.formats import open_recording
from rig.wire.records import LineError

COUNTS = 16
MOST_RECORDS = 10_000
"""For each time stamp: what a rig says of some minutes at rest is work, and no more of it."""

HEADER = [b"$date x $end", b"$timescale 1 us $end", b"$scope module rig $end",
          b"$var wire 1 A a $end", b"$var wire 1 B b $end", b"$var wire 1 Z z $end",
          b"$var wire 1 1 contact1 $end", b"$var reg 1 long2 contact2 $end",
          b"$upscope $end", b"$enddefinitions $end"]  # fmt: skip


def turning() -> list[bytes]:
    """The body of a sound dump: five turns of a coarse encoder, contacts that bounce."""
    chance = random.Random(5)
    body, t_us = [b"#0", b"$dumpvars", b"0A", b"0B", b"0Z", b"01", b"0long2", b"$end"], 0
    gray = [b"0B", b"1A", b"1B", b"0A"]
    for count in range(1, 5 * COUNTS):
        t_us += 20_000 + chance.randrange(2000)
        body += [b"#%d" % t_us, gray[count % 4]]
        if count % COUNTS in (3, 4):
            body += [b"%dZ" % (count % COUNTS == 3)]
        if count % 8 in (1, 5):
            for bounce in range(3):
                body += [b"#%d" % (t_us + 50 + 90 * bounce)]
                body += [b"%d1" % ((bounce + (count % 8 == 5)) % 2 == 0)]
                body += [b"%dlong2" % ((bounce + (count % 8 == 1)) % 2 == 0)]
            t_us += 400
    return [*body, b"#%d" % (t_us + 100_000)]


BODY = turning()
TOKENS = [
    b"#", b"#-1", b"#1e9", b"#0", b"#99999999999999999999", b"#" + b"9" * 400, b"#5000000000",
    b"#900000000000000", b"b1 A", b"b1", b"bx A", b"b10110 1", b"b A", b"r1.5 A", b"rnan 1",
    b"sx 1", b"1", b"x", b"xA", b"zB", b"x1", b"Z", b"1unknown", b"$dumpoff", b"$dumpon",
    b"$dumpall", b"$end", b"$comment", b"$comment 1A $end", b"$vcdclose", b"\x00", b"\xff\xfe#",
    b"1A1B", b"a" * 3000, b"#1\r\n", b"01", b"11", b"2A", b"", b"$enddefinitions $end", b"\x1b[2J",
]  # fmt: skip
HEADERS = [
    b"$timescale 100 s $end", b"$timescale 1 fs $end", b"$timescale 1000 us $end",
    b"$timescale 10ms $end", b"$timescale us $end", b"$timescale 0 s $end", b"$timescale",
    b"$var wire 1 A z $end", b"$var wire 1 A contact3 $end", b"$var wire 32 A a $end",
    b"$var real 64 B b $end", b"$var wire 1 B b [3] $end", b"$var wire 99999999999 C a $end",
    b"$var wire 1 $end", b"$scope $end", b"$scope", b"$upscope $end " * 50, b"$end", b"$var",
    b"$scope module " + b"x" * 4000 + b" $end", b"$scope module q $end " * 3000, b"#0", b"\xff\xfe",
    b"\x00", b"$comment", b"$comment " + b"y " * 3000 + b" $end", b"",
    b"$var wire 1 # contact1 $end", b"$var wire 1 $end contact1 $end",
]  # fmt: skip
tokens = st.sampled_from(TOKENS) | st.integers(-9, 10**19).map(lambda t: b"#%d" % t)
spaces = st.sampled_from([b" ", b"\n", b"\r\n", b"\t", b"\n\n", b""])


@st.composite
def dumps(draw: st.DrawFn) -> bytes:
    header, body = list(HEADER), list(BODY)
    for _ in range(draw(st.sampled_from([0, 0, 0, 1, 2]))):
        _change(draw, header, st.sampled_from(HEADERS))
    for _ in range(draw(st.integers(0, 5))):
        _change(draw, body, tokens)
    space = draw(spaces)
    dump = b"\n".join(header) + b"\n" + b"".join(token + (space or b"\n") for token in body)
    return dump[: draw(st.integers(0, len(dump)))] if draw(st.integers(0, 5)) == 0 else dump


def _change(draw: st.DrawFn, words: list[bytes], new: st.SearchStrategy[bytes]) -> None:
    at = draw(st.integers(0, len(words)))
    what = draw(st.sampled_from(["put", "instead", "drop", "again"]))
    if what == "put":
        words.insert(at, draw(new))
    elif what == "instead":
        words[at : at + 1] = [draw(new)]
    elif what == "drop":
        del words[at : at + draw(st.integers(1, 9))]
    else:
        words[at:at] = words[at : at + 3] * draw(st.integers(1, 40))


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("dumps") / "a.vcd"


def read(data: bytes, path: Path) -> None:
    """The whole way to openings, or a refusal; harmless words, and work in proportion."""
    path.write_bytes(data)
    with bounded(data):
        try:
            recording = open_recording(path, COUNTS)
            settings = Settings(COUNTS)
            follower, survey = OpeningFinder(settings), StatisticsCollector(settings)
            records = 0
            for batch in recording.batches:
                records += len(batch.positions) + len(batch.edges)
                survey.take(batch, follower.take(batch))
                for other in batch.others:
                    assert not isinstance(other, LineError) or other.detail.isprintable()
            survey.events(follower.finish())
            survey.result(follower.widths)
            assert records <= MOST_RECORDS * (data.count(b"#") + 1)
        except InputError as error:
            told(error)


@cases(100)
@given(data=dumps())
def test_dumps_with_wrong_tokens(path: Path, data: bytes) -> None:
    read(data, path)


@cases(50)
@given(data=st.binary(max_size=600))
def test_any_bytes_in_the_place_of_a_dump(path: Path, data: bytes) -> None:
    read(data, path)
    read(b"\n".join(HEADER) + b"\n" + data, path)


@cases(50)
@given(data=st.lists(tokens | st.sampled_from(BODY), max_size=60))
def test_tokens_in_any_order(path: Path, data: list[bytes]) -> None:
    read(b"\n".join([*HEADER, *data]), path)


def guided(home: Path) -> tuple[st.SearchStrategy[bytes], Callable[[bytes], None]]:
    """For the long run by hand."""
    orders = st.lists(tokens | st.sampled_from(BODY), max_size=60)
    any_order = orders.map(lambda words: b"\n".join([*HEADER, *words]))
    return dumps() | any_order, lambda data: read(data, home / "a.vcd")

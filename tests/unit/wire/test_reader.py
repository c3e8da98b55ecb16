"""Bytes in any pieces, records and line error out."""

import itertools

import numpy as np
import pytest
from batches import GOOD, flat, position, troubles
from hypothesis import given
from hypothesis import strategies as st

from rig.wire.line import encode
from rig.wire.reader import LineReader
from rig.wire.records import Batch, Cut, Foot, Health, Identity, LineError, Restart


def read(data: bytes, cuts: list[int] | None = None) -> list[Batch]:
    reader = LineReader()
    places = sorted({0, len(data), *(cut % (len(data) + 1) for cut in cuts or [])})
    batches = [batch for a, b in itertools.pairwise(places) for batch in reader.feed(data[a:b])]
    return batches + reader.finish()


def test_every_kind_of_record() -> None:
    batches = read(GOOD)
    positions, _, widths, others = flat(batches)
    assert positions == [
        (1000.0, -2, -3, 0, 0x30, 1000.0, 1, 2),
        (60000.0, 1, -2, 1, 0x30, 60000.0, -1, -1),  # a rig that tells its totals in H alone
    ]
    assert widths == ["(20736.0, 419, array([16., 32., 48., 64.]), 2)"]
    kinds = [type(other) for other in others]
    assert kinds == [Restart, Identity, Foot, Cut, Health, LineError]
    assert troubles(batches) == {"unknown-kind": 1}
    identity = others[1]
    assert isinstance(identity, Identity)
    assert (identity.counts_per_turn, identity.contacts) == (4096, 2)
    assert identity.name == "bench-rig_1.0"


def test_the_encoder_edges_beside_an_event() -> None:
    first, second = np.concatenate([b.edges for b in read(GOOD)])
    # Going up from 416: over boundary 417, over 418; after the event over 419.
    assert first["count"] == 418
    assert first["around_t_us"][:3].tolist() == [17000.0, 19500.0, 22000.0]
    assert first["around_at"].tolist()[:3] == [417, 418, 419]
    assert first["around_step"].tolist() == [1, 1, 1, 0]
    assert np.isnan(first["around_t_us"][3])
    # Down to 419 over boundary 420, down to 418 over 419, and up again over 419.
    assert second["around_at"].tolist()[1:] == [420, 419, 419]
    assert second["around_step"].tolist() == [0, -1, -1, 1]


@given(st.lists(st.integers(0, 10_000), max_size=12), st.binary(max_size=300), st.integers(0, 600))
def test_pieces_do_not_matter(cuts: list[int], dirt: bytes, where: int) -> None:
    data = GOOD[:where] + dirt + GOOD[where:]
    assert flat(read(data, cuts)) == flat(read(data))
    assert troubles(read(data, cuts)) == troubles(read(data))


@given(st.lists(st.integers(0, 500), max_size=6), st.integers(0, 400))
def test_many_line_errors_are_one_record_and_none_is_lost(cuts: list[int], many: int) -> None:
    data = GOOD + b"\n" * many + encode("P", 11, "0") + GOOD
    batches = read(data, cuts)
    assert flat(batches) == flat(read(data))
    assert troubles(batches)["garbage"] == many
    records = sum(len(b.others) for b in batches)
    assert records <= len(flat(batches)[3]) + 2 * (len(cuts) + 1)


@given(st.binary(max_size=2000))
def test_no_bytes_are_too_foul(dirt: bytes) -> None:
    batches = read(dirt)
    lines = dirt.split(b"\n")
    said = sum(troubles(batches).values())
    assert said <= len(lines)
    assert all(len(b.positions) == 0 for b in batches) or b"P" in dirt


@pytest.mark.parametrize(
    ("data", "kind"),
    [
        (b"\x00\xff\x13\n", "garbage"),
        (position(0, 1, 1)[:-4], "half-line"),
        (b"P" * 200 + b"\n", "long-line"),
        (position(0, 1, 1).replace(b"30 0", b"31 0"), "checksum"),
        (position(0, 1, 1) + position(5, 2, 2), "gap"),
        (position(3, 1, 1) + position(3, 1, 1), "repeat"),
        (encode("Y", 0, "12"), "unknown-kind"),
        (encode("I", 0, "2", "1000", "2", "later"), "protocol"),
        (encode("P", 0, "123"), "field"),
        (encode("P", 0, "1_0", "0", "0", "0", "0", "0"), "field"),
        (encode("P", 0, "-1", "0", "0", "0", "0", "0"), "field"),
        (encode("P", 0, "100000000", "0", "0", "0", "0", "0"), "field"),
        (encode("C", 0, "1", "7", "0", "0", ".", ".", ".", "."), "field"),
        (encode("C", 0, "0", "1", "0", "0", ".", ".", ".", "."), "field"),
        (encode("C", 0, "1", "1", "0", "0", "+5", ".", ".", "."), "field"),
        (encode("I", 0, "1", "1000", "2", "\x1b[31m"), "field"),
        (encode("R", 7, "1"), "field"),
    ],
)
def test_each_line_error_is_counted_and_ends_nothing(data: bytes, kind: str) -> None:
    following = position(200, 5_000, 77)
    batches = read(data + (b"\n" if kind == "half-line" else b"") + following)
    said = troubles(batches if kind != "half-line" else read(data))
    # The line that follows comes after a jump of its own, but for the first of a stream.
    assert said[kind] == (2 if kind == "gap" else 1)
    if kind != "protocol":
        last = [row for b in batches for row in b.positions.tolist()][-1]
        assert last[:2] == (5_000.0, 77)


def test_another_protocol_is_not_assessed() -> None:
    batches = read(encode("I", 0, "9", "1000", "2", "later") + position(1, 10, 10))
    assert flat(batches)[0] == []


def test_a_repeat_is_not_taken_twice() -> None:
    line = encode("C", 4, "1", "1", "100", "0", ".", ".", ".", ".")
    assert len(flat(read(line + line))[1]) == 1


def test_the_running_number_wraps() -> None:
    batches = read(position(0xFFFF, 1, 1) + position(0, 2, 2))
    assert not troubles(batches)


def test_the_clock_wraps_and_counts_run_beyond_32_bits() -> None:
    near = 2**32 - 10
    batches = read(
        position(0, near, 2**31 - 1) + position(1, 20, 2**31) + position(2, 40, 2**31 + 5)
    )
    positions = flat(batches)[0]
    assert [row[:2] for row in positions] == [  # type: ignore[index]
        (near, 2**31 - 1),
        (2**32 + 20, 2**31),
        (2**32 + 40, 2**31 + 5),
    ]


def test_a_restart_begins_a_batch_and_the_clock_goes_on() -> None:
    batches = read(position(7, 9_000_000, 50) + encode("R", 0, "8") + position(1, 5, 0))
    assert [type(o) for o in batches[1].others] == [Restart]
    assert batches[1].positions["t_us"].tolist() == [10_000_005.0]
    assert batches[1].positions["count"].tolist() == [0]
    assert not troubles(batches)


def test_a_restart_whose_line_was_lost_is_concluded_from_the_clock() -> None:
    batches = read(position(7, 9_000_000, 50) + position(1, 5, 0))
    assert troubles(batches)["clock"] == 1
    restarts = [o for b in batches for o in b.others if isinstance(o, Restart)]
    assert [r.cause for r in restarts] == [0]


def test_garbage_without_an_end_takes_no_memory() -> None:
    reader = LineReader()
    said = sum(sum(troubles(reader.feed(b"x" * 10_000)).values()) for _ in range(200))
    assert said == 1
    assert len(reader._rest) < 100


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (encode("X", 11, "11", "1", "EA60", "EA60", "1", "1"), "an input outside 0 to 16"),
        (encode("I", 11, "1", "1000", "11", "rig"), "more than 16 contact inputs"),
    ],
)
def test_inputs_that_no_rig_has_are_line_errors(line: bytes, said: str) -> None:
    """Alone, and among many lines that are taken together."""
    for data in (GOOD + line, GOOD + line + b"".join(position(n, 0, 1) for n in range(12, 60))):
        _, _, _, others = flat(read(data))
        (wrong,) = (each for each in others if isinstance(each, LineError) and each.kind == "field")
        assert wrong.detail.startswith(said)


@pytest.mark.parametrize("step", [7, 1 << 16])
def test_a_position_before_the_last_one_shows_a_restart_whose_line_was_lost(step: int) -> None:
    """Also within the two seconds by which an edge may be late."""
    data = b"".join(position(n, 20_000 * (n + 1), n) for n in range(40))
    data += b"".join(position(n, 20_000 * (n + 1), n) for n in range(3, 40))
    reader = LineReader()
    batches = [b for at in range(0, len(data), step) for b in reader.feed(data[at : at + step])]
    others = [other for batch in batches for other in batch.others]
    assert [type(each) for each in others] == [LineError, LineError, Restart]
    t_us = np.concatenate([batch.positions["t_us"] for batch in batches])
    assert len(t_us) == 77
    assert (np.diff(t_us) > 0).all()


@pytest.mark.parametrize("step", [7, 1 << 16])
def test_a_number_and_a_time_that_go_back_show_a_restart_at_once(step: int) -> None:
    """An edge of the new life has the new clock, though no position was read before it."""
    data = b"".join(position(n, 20_000 * (n + 1), n) for n in range(40))
    data += encode("C", 4, "1", "1", "9000", "3", ".", ".", ".", ".")
    data += b"".join(position(n, 20_000 * n, n) for n in range(5, 40))
    reader = LineReader()
    batches = [b for at in range(0, len(data), step) for b in reader.feed(data[at : at + step])]
    others = [other for batch in batches for other in batch.others]
    assert [type(each) for each in others] == [LineError, LineError, Restart]
    edges = np.concatenate([batch.edges for batch in batches])
    assert edges["t_us"].tolist() == [800_000 + 1_000_000 + 0x9000]


def test_after_very_many_missing_lines_the_clock_goes_on() -> None:
    """The running number seems to go back; the time does not."""
    data = position(40_000, 1_000, 1) + position(10_000, 700_000_000, 2)
    (batch,) = read(data)
    assert batch.positions["t_us"].tolist() == [1_000.0, 700_000_000.0]
    assert [type(each) for each in batch.others] == [LineError]

"""The capture grows on disk, plays back byte for byte, and shows every change."""

from pathlib import Path

import pytest
from batches import GOOD, batches_of, flat, position, troubles
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.base.errors import InputError
from rig.wire.capture import CaptureReader, CaptureWriter, is_capture
from rig.wire.reader import LineReader
from rig.wire.records import Batch, LineError, Note


def write(path: Path, pieces: list[bytes]) -> None:
    writer = CaptureWriter(path, {"tool": "0"})
    for piece in pieces:
        writer.write(piece)
    writer.close()


def rig_only(batches: list[Batch]) -> object:
    positions, edges, widths, others = flat(batches)
    return positions, edges, widths, [o for o in others if not isinstance(o, Note)]


@settings(max_examples=60)
@given(st.lists(st.one_of(st.binary(max_size=150), st.just(GOOD), st.just(b"#\n")), max_size=6))
def test_whatever_came_plays_back_the_same(
    tmp_path_factory: pytest.TempPathFactory, pieces: list[bytes]
) -> None:
    path = tmp_path_factory.mktemp("capture") / "one.cap"
    write(path, pieces)
    live = LineReader()
    batches = [batch for piece in pieces for batch in live.feed(piece)] + live.finish()
    assert rig_only(batches_of(path)) == rig_only(batches)


def test_good_lines_stand_as_they_came_and_bad_ones_as_raw_bytes(tmp_path: Path) -> None:
    path = tmp_path / "one.cap"
    write(path, [GOOD, b"\xff\x00 dirt\n", b"# end {} 0 00000000\n"])
    text = path.read_bytes()
    assert GOOD in text
    assert b"dirt" not in text
    assert text.count(b"# raw ") == 1  # together: a note is longer than a short line
    assert text.isascii()


def test_notes_come_back_in_their_places(tmp_path: Path) -> None:
    path = tmp_path / "one.cap"
    writer = CaptureWriter(path, {"tool": "0"})
    writer.write(position(0, 1000, 5))
    writer.note("setting", {"unit": "upper", "setting": "full <advance>"})
    writer.write(position(1, 2000, 6))
    writer.close()
    seen: list[object] = []
    for batch in batches_of(path):
        seen += [row[0] for row in batch.positions.tolist()]
        seen += [other for other in batch.others if isinstance(other, Note)]
    assert seen[1:4] == [
        1000.0,
        Note(1000.0, "setting", {"unit": "upper", "setting": "full <advance>"}),
        2000.0,
    ]


def test_a_capture_cut_anywhere_reads_up_to_the_cut_and_says_so(tmp_path: Path) -> None:
    whole = tmp_path / "whole.cap"
    write(whole, [GOOD])
    data = whole.read_bytes()
    head = data.index(b"\n") + 1
    complete = len(flat(batches_of(whole))[0])
    for cut in range(head, len(data) - 1):
        path = tmp_path / "cut.cap"
        path.write_bytes(data[:cut])
        reader = CaptureReader(path)
        batches = list(reader.batches())
        said = [o.detail for b in batches for o in b.others if isinstance(o, LineError)]
        assert any("cut off" in text for text in said)
        assert not reader.ended
        assert len(flat(batches)[0]) <= complete


DAMAGE = st.tuples(
    st.floats(0.0, 1.0),  # where
    st.sampled_from([b"", b"\n", b"#", b"\n# host {} 0 0\n", b"\n#" + 300 * b"x", b"\xff\x00"]),
    st.integers(0, 120),  # bytes that it replaces
)


@settings(max_examples=40)
@given(damage=st.lists(DAMAGE, max_size=4), piece=st.integers(1, 300), short=st.booleans())
def test_a_damaged_capture_reads_alike_however_its_file_is_cut_into_pieces(
    tmp_path_factory: pytest.TempPathFactory,
    damage: list[tuple[float, bytes, int]],
    piece: int,
    short: bool,
) -> None:
    path = tmp_path_factory.mktemp("capture") / "one.cap"
    writer = CaptureWriter(path, {"tool": "0"})
    for n in range(4):
        writer.write(b"".join(position(10 * n + k, 1000 * (10 * n + k), k) for k in range(10)))
        writer.note("host" if n % 2 else "remark", {"n": n})
        writer.write(b"dirt \xff\n")
    writer.close()
    data = bytearray(path.read_bytes())
    head = data.index(b"\n") + 1
    for where, put, gone in damage:
        at = head + int(where * (len(data) - head))
        data[at : at + gone] = put
    path.write_bytes(data)

    def read() -> object:
        reader = CaptureReader(path, 1_500 if short else None)
        flattened = flat(list(reader.batches()))
        return flattened, reader.size, reader.ended, reader.altered, reader.lines.lines

    whole = read()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("rig.wire.capture.PIECE", piece)
        assert read() == whole


def test_every_changed_byte_is_found(tmp_path: Path) -> None:
    whole = tmp_path / "whole.cap"
    write(whole, [GOOD])
    data = whole.read_bytes()
    for place in range(data.index(b"\n") + 1, len(data) - 1):
        changed = bytearray(data)
        changed[place] ^= 1
        path = tmp_path / "changed.cap"
        path.write_bytes(changed)
        reader = CaptureReader(path)
        batches = list(reader.batches())
        assert reader.altered or troubles(batches)["capture"], place


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "empty"),
        (b"hello\n", "not the head of a capture"),
        (b"\x00" * 500, "not the head of a capture"),
    ],
)
def test_what_is_no_capture_is_refused(tmp_path: Path, content: bytes, says: str) -> None:
    path = tmp_path / "one.cap"
    path.write_bytes(content)
    with pytest.raises(InputError, match=says):
        CaptureReader(path)


def test_a_capture_of_another_format_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "one.cap"
    writer = CaptureWriter(path, {"format": 7})
    writer.close()
    with pytest.raises(InputError, match="format 7"):
        CaptureReader(path)


def test_a_missing_capture_is_reported(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"gone\.cap: .*no such file"):
        CaptureReader(tmp_path / "gone.cap")


def test_a_capture_is_never_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "one.cap"
    write(path, [])
    before = path.read_bytes()
    with pytest.raises(InputError, match="not overwritten"):
        CaptureWriter(path, {})
    assert path.read_bytes() == before
    assert is_capture(path)

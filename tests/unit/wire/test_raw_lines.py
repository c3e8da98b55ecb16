"""Lines saved from a serial terminal, and the worked example of the protocol page."""

from __future__ import annotations

import json
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import rig
from rig.base.errors import InputError
from rig.wire import raw_lines
from rig.wire.capture import FORMAT, parsed_note
from rig.wire.formats import open_recording
from rig.wire.records import LineError

NOTES = Path(__file__).parents[3] / "firmware_notes"
CAPTURE = next((Path(__file__).parents[3] / "fixtures/version_1/captures").glob("*.capture"))


@cache
def example() -> tuple[bytes, list[float]]:
    """The worked example's lines and truth, made by a process that sees nothing of the program."""
    code = (
        "import runpy, sys; sys.path = [p for p in sys.path if p]; sys.argv[1:1] = []\n"
        f"made = runpy.run_path({str(NOTES / 'example_lines.py')!r})\n"
        "import json\n"
        "print(json.dumps([list(made['lines']()), made['truth'](),\n"
        "                  [m for m in sys.modules if m.partition('.')[0] == 'rig']]))"
    )
    done = subprocess.run([sys.executable, "-I", "-c", code], capture_output=True, check=True)
    lines, truth, ours = json.loads(done.stdout)
    assert ours == []
    return "".join(f"{line}\n" for line in lines).encode("ascii"), truth


def saved(folder: Path, data: bytes) -> Path:
    path = folder / "saved.txt"
    path.write_bytes(data)
    return path


def errors(path: Path) -> list[str]:
    batches = open_recording(path, None).batches
    return [o.kind for batch in batches for o in batch.others if isinstance(o, LineError)]


def test_the_worked_example_opens_where_it_really_does(tmp_path: Path) -> None:
    """Truth is the generator's own motion; a count is 0.15 degrees, the page promises far less."""
    data, truth = example()
    found = rig.read_openings(saved(tmp_path, data), tdc_deg=100.0)
    assert (found.kind, found.counts_per_turn, dict(found.line_errors)) == ("lines", 2400, {})
    assert len(found.valid) == len(truth) == 7
    for one, deg in zip(found.valid, truth, strict=True):
        assert one.crank_deg is not None
        assert one.crank_deg - 360.0 == pytest.approx(deg, abs=0.001)
        assert one.times_opened == 3  # opens at 0, 210 and 520 us
    assert found.illegal_transitions == 0


def test_the_page_shows_lines_of_the_example_and_a_true_header() -> None:
    lines = example()[0].decode("ascii").splitlines()
    page = (NOTES / "protocol.md").read_text("utf-8")
    shown = [line.strip() for line in page.splitlines() if line.startswith("    ")]
    contacts = [line for line in lines if line.startswith("C")]
    chosen = [*lines[:2], next(line for line in lines if line.startswith("Z")), *contacts[:2]]
    assert all(line in shown for line in chosen), chosen
    (header,) = [line for line in shown if line.startswith("# ")]
    note = parsed_note(header.encode("ascii") + b"\n")
    assert note is not None
    assert (note[0], note[2], note[1]["format"]) == ("capture", 0, FORMAT)


@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r\r\n", b"\r", b"\n\n"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
@pytest.mark.parametrize("last", [True, False])
def test_line_ends_of_any_terminal(tmp_path: Path, end: bytes, mark: bytes, last: bool) -> None:
    data, truth = example()
    lines = data.splitlines()
    path = saved(tmp_path, mark + end.join(lines) + (end if last else b""))
    assert errors(path) == []
    assert len(rig.read_openings(path).valid) == len(truth)


def test_saved_from_the_middle_of_a_line(tmp_path: Path) -> None:
    data, _ = example()
    path = saved(tmp_path, data[6:-9])
    assert errors(path) == ["half-line"]  # at the end, where it is; the first one is none
    whole = rig.read_openings(saved(tmp_path, data))
    assert rig.read_openings(path).openings == whole.openings


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 12_000), st.integers(20_000, 30_000))
def test_saved_from_anywhere_to_anywhere(
    tmp_path_factory: pytest.TempPathFactory, begin: int, end: int
) -> None:
    data, truth = example()
    path = saved(tmp_path_factory.mktemp("cut"), data[begin:end])
    assert set(errors(path)) <= {"half-line"}
    for one in rig.read_openings(path).valid:
        assert one.crank_deg is not None
        away = [abs((one.crank_deg - deg + 180.0) % 360.0 - 180.0) for deg in truth]
        assert min(away) < 0.001


def test_a_file_in_pieces_is_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Also where no line ends for far longer than a line."""
    lines = example()[0].splitlines()
    lines[300:300] = [b"~" * 5_000]
    path = saved(tmp_path, b"\r\n".join(lines))
    whole = rig.read_openings(path).openings, errors(path)
    assert whole[1] == ["long-line"]
    monkeypatch.setattr(raw_lines, "PIECE", 97)
    assert (rig.read_openings(path).openings, errors(path)) == whole


def test_a_capture_without_its_notes_reads_the_same(tmp_path: Path) -> None:
    rig_s = [line for line in CAPTURE.read_bytes().splitlines(True) if not line.startswith(b"#")]
    raw = rig.read_openings(saved(tmp_path, b"".join(rig_s)), tdc_deg=161.9)
    assert repr(raw.openings) == repr(rig.read_openings(CAPTURE, tdc_deg=161.9).openings)
    assert raw.valid


def test_without_an_identity_line_the_counts_have_to_be_entered(tmp_path: Path) -> None:
    data = b"".join(line for line in example()[0].splitlines(True) if not line.startswith(b"I"))
    path = saved(tmp_path, data)
    with pytest.raises(InputError, match=r"identity line .* --counts-per-turn"):
        rig.read_openings(path)
    assert len(rig.read_openings(path, 2400).valid) == 7


def test_with_time_stamps_before_each_line_it_is_none_of_ours(tmp_path: Path) -> None:
    data = b"".join(b"12:00:01 " + line for line in example()[0].splitlines(True))
    with pytest.raises(
        InputError, match=r"no recording: .* raw lines of a rig without time stamps"
    ):
        rig.read_openings(saved(tmp_path, data))

"""The table of recording formats: every entry keeps what the table asks of it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.base.errors import InputError
from rig.wire import formats
from rig.wire.formats import HEAD_BYTES, open_recording, recording_formats

FIXTURES = Path(__file__).parents[3] / "fixtures"
SAMPLES = {
    "capture": next((FIXTURES / "version_1" / "captures").glob("*.capture")),
    "lines": FIXTURES / "lines" / "from_a_terminal.txt",
    "pins": FIXTURES / "pins" / "coarse.vcd",
}


def test_every_format_has_a_sample_here() -> None:
    assert [each.kind for each in recording_formats()] == list(SAMPLES)


@pytest.mark.parametrize("kind", SAMPLES)
def test_a_sample_is_recognised_by_its_own_format_alone(kind: str) -> None:
    head = SAMPLES[kind].read_bytes()[:HEAD_BYTES]
    assert [each.kind for each in recording_formats() if each.recognises(head)] == [kind]
    opened = open_recording(SAMPLES[kind], 2400)
    assert (opened.kind, opened.counts_per_turn) == (kind, 2400)
    assert any(len(batch.positions) for batch in opened.batches)


@given(st.binary(max_size=200))
def test_no_two_formats_recognise_the_same_file(head: bytes) -> None:
    assert sum(each.recognises(head) for each in recording_formats()) <= 1


def test_a_format_is_loaded_when_a_file_is_opened_and_not_before() -> None:
    """The wire room does not need the pins room; a line of the table names it, no import."""
    code = "import rig.wire.formats, sys; print([m for m in sys.modules if 'rig.pins' in m])"
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "[]"


def test_without_its_line_a_format_is_unknown_and_the_others_still_read(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(formats, "FORMATS", ("rig.wire.capture",))
    assert any(len(b.positions) for b in open_recording(SAMPLES["capture"], None).batches)
    with pytest.raises(
        InputError, match=r"coarse.vcd: no recording: it begins with '\$.*known are: capture$"
    ):
        open_recording(SAMPLES["pins"], 2400)


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "the file is empty; give a recording"),
        (b" \n\n", "the file is empty; give a recording"),
        (
            b"Time,a,b\n",
            r"no recording: it begins with 'Time,a,b'; known are: capture, raw lines .*, pin ",
        ),
        (b"\x1b[2J\n", r"it begins with '\?\[2J'"),
    ],
)
def test_a_file_of_no_format(tmp_path: Path, data: bytes, says: str) -> None:
    path = tmp_path / "odd"
    path.write_bytes(data)
    with pytest.raises(InputError, match=says):
        open_recording(path, 4096)

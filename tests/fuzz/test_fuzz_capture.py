"""A capture that somebody wrote: any lines, any notes, every sum and checksum right."""

from __future__ import annotations

import json
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from fuzzed_lines import streams
from fuzzing import bounded, cases, leaves, spoilt, told, trees
from hypothesis import given
from hypothesis import strategies as st
from played import PROFILE
from recorded import session

from rig.base.errors import InputError
from rig.job.results import results_of
from rig.job.tdc import others
from rig.session.session import signal_settings
from rig.unit_bench.report import BenchSetUp, alone_seen
from rig.wire.formats import open_recording
from rig.words.diagnostics import remarks_on

CAPTURE = session()[1]
LINES = CAPTURE.splitlines(keepends=True)


def taken_apart(line: bytes) -> tuple[str, Any]:
    """Name and value of a note."""
    _, name, rest = line.split(b" ", 2)
    return name.decode(), json.loads(rest.rsplit(b" ", 2)[0])


PLACES = [at for at, line in enumerate(LINES) if line.startswith(b"#")]
NOTES = {at: taken_apart(LINES[at]) for at in PLACES}
NAMES = sorted({name for name, _ in NOTES.values()})
names = st.sampled_from(
    [*NAMES, "raw", "gap", "end", "reference", "coupling", "neutral", "capture", "_x", "take"]
)


@st.composite
def captures(draw: st.DrawFn) -> bytes:
    """The session's capture, its notes and perhaps its lines changed, sums made again."""
    notes = dict(NOTES)
    for _ in range(draw(st.integers(1, 3))):
        at = draw(st.sampled_from(PLACES))
        name, value = notes.get(at, ("remark", {}))
        change = draw(st.sampled_from(["value", "name", "any", "drop", "move"]))
        if change == "value":
            notes[at] = (name, draw(spoilt(value)) if value else draw(trees))
        elif change == "name":
            notes[at] = (draw(names), value)
        elif change == "any":
            notes[at] = (
                draw(names),
                {"unit": "upper", "crank_deg": draw(leaves), "x": draw(trees)},
            )
        elif change == "drop":
            notes.pop(at, None)
        else:
            notes[draw(st.integers(1, len(LINES)))] = notes.pop(at, ("remark", {}))
    lines = list(LINES)
    if draw(st.booleans()):
        lines = draw(streams()).splitlines(keepends=True)
    return written(lines, notes, draw(st.integers(0, 9)) == 0)


def written(lines: list[bytes], notes: dict[int, tuple[str, Any]], wrong_sums: bool) -> bytes:
    out, total = [], 0
    for at in range(max(len(lines), *notes) + 1 if notes else len(lines)):
        if at in notes:
            name, value = notes[at]
            body = f"# {name} {json.dumps(value)} {total:08X}".encode("ascii", "replace")
            line = b"%b %08X\n" % (body, zlib.crc32(body))
        elif at < len(lines) and not lines[at].startswith(b"#"):
            line = lines[at]
        else:
            continue
        out.append(line)
        total = 1 if wrong_sums else zlib.crc32(line, total)
    return b"".join(out)


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("captures") / "a.capture"


def read(data: bytes, path: Path) -> None:
    """Every command's way with a capture: figures, the person's gauge readings, a unit alone."""
    path.write_bytes(data)
    with bounded(data):
        try:
            worked = results_of(PROFILE, [path])
            others(worked, PROFILE)
            (played,) = worked.played
            recording = open_recording(path, 4096)
            alone_seen(recording.batches, signal_settings(PROFILE), BenchSetUp(1))
        except InputError as error:
            told(error)
        else:
            for text in [*remarks_on(worked), played.session.last_error]:
                text.encode("utf-8")


@pytest.mark.slow
@cases(12)
@given(data=captures())
def test_captures_with_wrong_notes(path: Path, data: bytes) -> None:
    read(data, path)


@cases(8)
@given(data=st.binary(max_size=400), at=st.integers(0, len(CAPTURE)), away=st.integers(0, 3000))
def test_a_capture_with_any_bytes_in_it(path: Path, data: bytes, at: int, away: int) -> None:
    read(CAPTURE[:at] + data + CAPTURE[at + away :], path)


@cases(30)
@given(data=st.binary(max_size=400))
def test_any_bytes_after_the_head(path: Path, data: bytes) -> None:
    read(LINES[0] + data, path)
    read(data, path)


def guided(home: Path) -> tuple[st.SearchStrategy[bytes], Callable[[bytes], None]]:
    """For the long run by hand."""
    return captures(), lambda data: read(data, home / "a.capture")

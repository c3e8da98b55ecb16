"""A short session of the virtual rig, whole: its lines, and a capture with the person's notes."""

from __future__ import annotations

import functools
import tempfile
from collections.abc import Callable
from pathlib import Path

from played import Played

from rig.wire.capture import CaptureWriter

UTC = "2026-05-14T09:02:03Z"


class Recorded(Played):
    """What is done goes into a session and into a capture."""

    def __init__(self, path: Path) -> None:
        super().__init__(7)
        self.said = b""
        self.writer = CaptureWriter(path, {"utc": UTC, "port": "virtual"})

    def do(self, *commands: str) -> Recorded:
        for command in commands:
            data = b"".join(line for part in self.rig.do(command) for _, line in part)
            self.said += data
            self.writer.write(data)
            for batch in self._lines.feed(data):
                self.session.take(batch)
        return self

    def note(self, name: str, **value: object) -> Recorded:
        self.writer.note(name.replace("_", "-"), value)
        super().note(name, **value)
        return self


def recorded(make: Callable[[Recorded], object]) -> tuple[bytes, bytes]:
    """The rig's own bytes, and the capture."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "session.capture")
        done = Recorded(path)
        make(done)
        done.writer.close()
        assert done.session.assessments()
        return done.said, path.read_bytes()


@functools.cache
def turning() -> tuple[bytes, bytes]:
    """Dead centre stated, the stroke stated, most of a cycle turned."""
    return recorded(lambda done: done.know_tdc().state_stroke().do("turn 500 at 400"))


@functools.cache
def session() -> tuple[bytes, bytes]:
    """Dead centre by the stop, the stroke, half a cycle; all that the person can do is done."""

    def make(done: Recorded) -> None:
        done.do("turn 380 at 300")
        done.note("host", utc=UTC, monotonic_s=12.5)
        done.touch(1)
        done.state_stroke()
        done.note("setting", unit="upper", setting="full retard")
        done.do("turn 90 at 300", "back 60 at 300")
        done.note("setting", unit="upper", setting="full advance")
        done.note("phase", phase="as left")
        done.do("turn 330 at 300")
        rejected = next(o for o in done.session.openings if o.valid)
        done.note("strike", t_us=rejected.t_us, why="the hand slipped")
        done.note("remark", text="gap 0.40 mm")
        done.note("change", words="new contacts", unit="upper")
        done.note("said", step="switch proved")
        done.note("gauge", drop_mm=2.0, crank_deg=523.4, cylinder=1, direction=1)
        done.note("mark", crank_deg=521.9, what="flywheel mark", cylinder=1)
        done.touch(1, "check")

    return recorded(make)

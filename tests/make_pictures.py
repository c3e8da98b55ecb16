"""Make the README's pictures from the job folder of a real session.

    python tests/make_pictures.py JOB fixtures/pictures

``JOB`` is what ``rig demo`` leaves. The screen is drawn from the capture, played to the last
readings; the certificate is printed by Chromium and drawn by pdftoppm.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path
from types import SimpleNamespace
from typing import cast

from sketch import picture

from rig.job.folder import Job
from rig.live.live_session import LiveSession
from rig.live.ui_state import UiState
from rig.session.session import Session
from rig.wire.capture import CaptureReader
from rig.wire.records import Batch, Note

CHROMIUM = ("chromium", "--headless", "--no-sandbox", "--disable-gpu",
            "--disable-background-networking", "--no-pdf-header-footer")  # fmt: skip


class Replay:
    """As much of a live run as a view needs, standing at a moment of a capture."""

    lost = ""
    recorder = SimpleNamespace(alarm="")
    silent_s = 0.1
    saved = None
    url = "/dev/ttyUSB0"
    ended = understood = connected = True

    def __init__(self, job: Job, capture: Path, share: float) -> None:
        self.job = job
        self.capture_path = capture
        self.session = Session(job.profile)
        reader = CaptureReader(capture)
        batches = list(reader.batches())
        last = max(float(b.positions["t_us"][-1]) for b in batches if len(b.positions))
        for batch in batches:
            t_us = _time(batch)
            if t_us is not None and t_us > share * last:
                break
            self.session.take(batch)
        self.lines = reader.lines.lines
        now = self.session.now()
        self.elapsed_s = 0.0 if now is None else now.t_us / 1e6

    def diagnosis(self) -> str:
        return ""

    def caution(self) -> str:
        return ""


def _time(batch: Batch) -> float | None:
    notes = [other.t_us for other in batch.others if isinstance(other, Note)]
    return float(batch.positions["t_us"][0]) if len(batch.positions) else max(notes, default=None)


def main(folder: Path, out: Path) -> None:
    job = Job(folder)
    out.mkdir(parents=True, exist_ok=True)
    ui_state = UiState(cast(LiveSession, Replay(job, job.newest().known.path, 0.84)))
    picture(ui_state.view(), out / "screen.png", 120, 40)
    page = sorted(job.certificates.glob("*/*.html"))[-1].resolve()
    with tempfile.TemporaryDirectory() as scratch:
        pdf = Path(scratch, "certificate.pdf")
        subprocess.run([*CHROMIUM, f"--print-to-pdf={pdf}", page.as_uri()], check=True)
        subprocess.run(["pdftoppm", "-r", "80", "-png", pdf, out / "certificate"], check=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))

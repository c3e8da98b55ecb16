"""A job folder whose capture the virtual rig wrote: from the turning crank to the bytes on disk.

Nothing of the program makes it but the writer of captures; the truth is the virtual rig's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from rig.base.errors import InputError
from rig.engine.engine_file import load_profile
from rig.virtual.engine import Encoder
from rig.virtual.ground_truth import GroundTruth, draw
from rig.virtual.rig import VirtualRig
from rig.wire.capture import CaptureWriter

BEGAN = datetime(2026, 3, 1, 9, 0, 0, tzinfo=UTC)


@dataclass
class VirtualJob:
    """A person at a virtual rig, writing a capture into ``folder``, where an engine file lies."""

    folder: Path
    seed: int
    scatter_deg: float = 0.15  # of an opening, from one turn to the next
    began: datetime = BEGAN
    hidden: GroundTruth = field(init=False)
    capture: Path = field(init=False)

    def __post_init__(self) -> None:
        profile = load_profile(self.folder)
        self.hidden = draw(profile, self.seed, scatter_deg=self.scatter_deg)
        self.rig = VirtualRig(profile, self.seed, hidden=self.hidden)
        captures = self.folder / "captures"
        captures.mkdir(exist_ok=True)
        self.capture = captures / f"{self.began:%Y%m%d-%H%M%S}.capture"
        start: dict[str, object] = {"tool": "virtual", "utc": self._utc(), "port": "virtual"}
        self._writer = CaptureWriter(self.capture, start)

    def do(self, *commands: str) -> VirtualJob:
        """Let the hand carry out commands."""
        for command in commands:
            for lines in self.rig.do(command):
                self._writer.write(b"".join(line for _, line in lines))
        return self

    def note(self, name: str, **value: object) -> VirtualJob:
        """What the person did, as the host writes it down."""
        self._writer.note(name, value)
        return self

    def whole(self, touches: int, turns: str) -> VirtualJob:
        """Dead centre by the stop, the stroke, the openings of ``turns``; the capture is ended.

        Those of ``turns`` are as left. What was read on the way to and fro between the touches is
        as found: the virtual rig scatters no more where it passes again.
        """
        self.do("turn 380 at 200")
        try:
            self.do("stop in")
        except InputError:  # the piston is in its way
            self.do("turn 180 at 200", "stop in")
        self.note("stop-in", cylinder=1, purpose="reference")
        for _ in range(touches):
            self.do("touch forward at 200", "touch back at 200")
        self.do("turn 40 at 90", "stop out")
        self.note("stop-out", utc=self._utc(), capture=self.capture.name)
        # The truth calls the first index 0 degrees; met going forward it is a whole turn here.
        firing_deg = 360.0 + self.rig.truth()["firing_tdc_crank_deg"]
        self.note("stroke", cylinder=1, crank_deg=round(firing_deg))
        self.note("phase", phase="as left")
        self.do(turns).note("host", utc=self._utc(), monotonic_s=round(self.rig.now_s, 3))
        self._writer.close()
        return self

    def _utc(self) -> str:
        at = self.began + timedelta(seconds=self.rig.now_s)
        return at.isoformat(timespec="milliseconds").replace("+00:00", "Z")

    # -- what is really so ------------------------------------------------------------------------

    @property
    def tdc_deg(self) -> float:
        """Where the encoder shows dead centre, degrees after the index."""
        shown = Encoder(self.hidden.encoder).shown(np.array([self.hidden.tdc_deg, 0.0]))
        return float(shown[0] - shown[1]) % 360.0

    def btdc(self, setting: str) -> dict[str, Sequence[float]]:
        """True mean openings of each unit by lobe, degrees before top dead centre."""
        units: dict[str, Any] = self.rig.truth()["units"]
        return {unit["name"]: unit["btdc_by_setting"][setting] for unit in units.values()}

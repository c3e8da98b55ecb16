"""A bench on a virtual rig without a port and without waiting: the rig's time is all there is."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, cast

from rig.guide.action import Action
from rig.job.folder import Job
from rig.job.new import write_example
from rig.live.live_session import Bytes, LiveSession, PortReader, Word
from rig.live.ui_state import UiState
from rig.virtual.rig import VirtualRig

SLICE_S = 0.5
BEGAN = datetime(2024, 5, 4, 9, 0, tzinfo=UTC)


def offered(ui_state: UiState) -> list[Action]:
    """The actions that can be done now."""
    return [action for action, why in ui_state.actions() if not why]


class SlicedFeed:
    """Gives what the virtual rig says, a slice of its time at each call."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self.waiting: list[Word] = []

    def words(self) -> list[Word]:
        words, self.waiting = self.waiting, []
        return words

    def ask(self) -> None:
        """The virtual rig says who it is every two seconds anyway."""

    def close(self) -> None:
        """There is no port."""


class VirtualBench:
    """A live run, its dashboard and a virtual rig, in step.

    ``rig`` are options of ``VirtualRig``.
    """

    def __init__(self, folder: Path, seed: int = 3, engine: str = "example", **rig: Any) -> None:
        if not folder.exists():
            write_example(folder, engine)
        self.job = Job(folder)
        self.rig = VirtualRig(self.job.profile, seed, **rig)
        self.feed = SlicedFeed()
        self.live = LiveSession(
            self.job,
            cast(PortReader, self.feed),
            "virtual",
            utc=lambda: BEGAN + timedelta(seconds=self.feed.now_s),
            clock=lambda: self.feed.now_s,
        )
        self.ui_state = UiState(self.live)

    def do(self, *commands: str) -> None:
        """Let the virtual hand work."""
        for command in commands:
            for part in self.rig.do(command, SLICE_S):
                self.feed.now_s = max([self.feed.now_s, *(due_s for due_s, _ in part)])
                data = b"".join(line for _, line in part)
                self.feed.waiting.append(Bytes(data, self.feed.now_s))
                self.ui_state.view()

    def press(self, *keys: str) -> None:
        """Let the person press keys."""
        for key in keys:
            self.ui_state.key(key)
            self.ui_state.view()

    def find_dead_centre(self, touches: int = 2) -> None:
        """The stop, as a person would use it."""
        self.do("turn 400 at 120")
        self.press("p")
        self.do("stop in")
        for _ in range(touches):
            self.do("touch forward at 120", "touch back at 120")
        self.do("turn 40 at 90", "stop out")
        self.press("p")

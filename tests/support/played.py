"""A session fed by a virtual rig, step by step: no file, no port, no clock."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

from launch_engine import launch_engine

from rig.base.earlier_rules import EarlierRule
from rig.base.errors import InputError
from rig.engine.profile import Profile
from rig.session.session import Session
from rig.tdc.reference import set_by_hand
from rig.tdc.reference_file import to_plain
from rig.timing.values import Reading
from rig.virtual.rig import VirtualRig
from rig.wire.reader import LineReader
from rig.wire.records import Batch, Note

PROFILE = launch_engine()


class Played:
    """A session fed by a virtual rig, step by step; no file, no clock."""

    def __init__(
        self,
        seed: int = 7,
        profile: Profile = PROFILE,
        rules: Collection[EarlierRule] = (),
        **rig: Any,
    ) -> None:
        self.rig = VirtualRig(profile, seed, **rig)
        self.session = Session(profile, rules=rules)
        self._lines = LineReader()

    def do(self, *commands: str) -> Played:
        for command in commands:
            data = b"".join(line for part in self.rig.do(command) for _, line in part)
            for batch in self._lines.feed(data):
                self.session.take(batch)
        return self

    def note(self, name: str, **value: object) -> Played:
        note = Note(self._lines.now_us, name.replace("_", "-"), value)
        self.session.take(Batch(others=[note]))
        return self

    def know_tdc(self, within_deg: float = 0.1) -> Played:
        """The true top dead centre, stated."""
        self.do("turn 400 at 150")
        tdc_deg = self.rig.truth()["tdc_deg_after_index"]
        reference = set_by_hand(tdc_deg, how="the truth", half_width_deg=within_deg)
        return self.note("reference", **to_plain(reference))

    def state_stroke(self, *, wrong: bool = False) -> Played:
        """Cylinder 1 at its firing top dead centre, or (wrong) at the other."""
        self.do("goto 0 at 120")
        if ((self.crank_deg - self.true_firing_deg) / 360.0 % 2 > 0.5) != wrong:
            self.do("turn 180 at 150", "goto 0 at 120")
        return self.note("stroke", cylinder=1, crank_deg=self.crank_deg)

    def touch(self, times: int = 2, purpose: str = "reference") -> Played:
        self.put_stop_in()
        self.note("stop_in", cylinder=1, purpose=purpose)
        for _ in range(times):
            self.do("touch forward at 150", "touch back at 150")
        return self.do("turn 40 at 90", "stop out").note("stop_out", utc="", capture="")

    def put_stop_in(self) -> Played:
        """The stop into the plug hole, the crank turned on by a half where the piston is in its
        way."""
        try:
            return self.do("stop in")
        except InputError:
            return self.do("turn 180 at 150", "stop in")

    @property
    def crank_deg(self) -> float:
        angle = self.session.crank_deg()
        assert angle is not None
        return angle

    @property
    def true_firing_deg(self) -> float:
        """A firing top dead centre of cylinder 1. The truth calls the first index 0 degrees; met
        going forward it is a whole turn here."""
        return 360.0 + float(self.rig.truth()["firing_tdc_crank_deg"])

    def counted(self, **wanted: object) -> list[Reading]:
        return [
            r for r in self.session.readings()
            if r.valid and all(getattr(r, key) == value for key, value in wanted.items())
        ]  # fmt: skip

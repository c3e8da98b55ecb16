"""A unit on the bench, live: led step by step, and the report from its capture."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import cast

import pytest
from made_job import refused, rig
from virtual_bench import BEGAN, SLICE_S, SlicedFeed, offered

from rig.guide.procedure import Panel
from rig.job.new import write_example
from rig.live.layout import render
from rig.live.live_session import Bytes, LiveSession, PortReader
from rig.live.ui_state import UiState
from rig.unit_bench.procedure import MeasureUnit, UnitJob
from rig.virtual.rig import VirtualRig
from rig.wire.capture import CaptureReader
from rig.wire.records import Note


class UnitBench:
    """The unit "upper" of the example, which turns with the crank: so the crank is its shaft."""

    def __init__(self, folder: Path) -> None:
        write_example(folder)
        self.folder = folder
        job = UnitJob(folder, "upper")
        self.rig = VirtualRig(job.profile, 5)
        self.feed = SlicedFeed()
        self.live = LiveSession(
            job, cast(PortReader, self.feed), "virtual",
            utc=lambda: BEGAN + timedelta(seconds=self.feed.now_s), clock=lambda: self.feed.now_s,
        )  # fmt: skip
        self.ui_state = UiState(self.live, alone=MeasureUnit)

    def do(self, *commands: str) -> None:
        for command in commands:
            for part in self.rig.do(command, SLICE_S):
                for due_s, data in part:
                    self.feed.now_s = max(self.feed.now_s, due_s)
                    self.feed.waiting.append(Bytes(data, self.feed.now_s))
                self.ui_state.view()

    def press(self, *keys: str) -> None:
        for key in keys:
            self.ui_state.key(key)
            self.ui_state.view()

    @property
    def panel(self) -> Panel:
        found = self.ui_state.view().panel
        assert found is not None
        return found


@pytest.fixture
def unit(tmp_path: Path) -> UnitBench:
    return UnitBench(tmp_path / "job")


def test_led_through_and_reported(unit: UnitBench) -> None:
    assert "index" in unit.ui_state.view().next
    unit.do("rest 0.3")
    assert "SHAFT ANGLE NOT KNOWN" in "\n".join(render(unit.ui_state.view(), 80, 24).plain())
    assert "live" in unit.ui_state.view().warning
    unit.do("turn 700 at 300")
    assert "forward through its openings" in unit.ui_state.view().next
    unit.do("turn 1400 at 150")
    assert "Turn it back" in unit.ui_state.view().next
    unit.do("back 1200 at 150", "turn 60 at 60", "rest 0.8")
    for felt in range(3):
        assert "Turn gently forward until the rotor settles" in unit.ui_state.view().next
        assert f"felt {felt} of 3" in unit.ui_state.view().why
        unit.do("turn 20 at 60", "rest 0.8")
        unit.press("space")
    unit.do("turn 40 at 60")
    for _ in range(3):
        unit.do("back 20 at 60", "rest 0.8")
        unit.press("space")
    assert "press s" in unit.ui_state.view().then
    shown = unit.panel
    assert {"lobe 1", "lobe 2", "backlash", "neutral", "felt"} <= {
        line.label for line in shown.lines
    }
    unit.press("s", "n")
    assert not unit.ui_state.ended
    unit.press("s", "y")
    assert unit.ui_state.ended
    unit.live.end()
    assert unit.live.capture_path.parent == unit.folder / "units"
    ran = rig("bench", unit.folder, unit.live.capture_path, "--unit", "upper", "--json")
    assert ran.status == 0, ran.err
    found = ran.answer["found"]
    truth = unit.rig.hidden.units[0]
    assert found["backlash"]["deg"] == pytest.approx(truth.backlash_deg, abs=0.08)
    assert found["neutral"]["n"] == 3
    proved = rig("verify", ran.answer["saved"])  # its capture is beside it, not the engine's
    assert proved.status == 0, proved.out
    unit.live.capture_path.unlink()
    assert rig("verify", ran.answer["saved"]).status != 0
    (backlash,) = [line.text for line in shown.lines if line.label == "backlash"]
    assert float(backlash.split("°")[0]) == pytest.approx(found["backlash"]["deg"], abs=0.05)
    (neutral,) = [line.text for line in shown.lines if line.label == "neutral"]
    assert float(neutral.split("°")[0]) == pytest.approx(found["neutral"]["deg"], abs=0.5)


def test_neutral_wants_a_rotor_that_stands_and_is_taken_back(unit: UnitBench) -> None:
    unit.do("turn 500 at 200")
    unit.press("space")
    assert "hold it still" in unit.ui_state.view().message
    unit.do("rest 1")
    unit.press("space", "backspace", "backspace")
    assert "no neutral place was entered" in unit.ui_state.view().message
    unit.live.end()
    notes = [
        other.value
        for batch in CaptureReader(unit.live.capture_path).batches()
        for other in batch.others
        if isinstance(other, Note) and other.name == "neutral"
    ]
    assert [("direction" in note, note.get("back")) for note in notes] == [
        (True, None), (False, True),
    ]  # fmt: skip


def test_the_coupling_is_told_apart(unit: UnitBench) -> None:
    """Openings 12 degrees on stand for the coupling's."""
    unit.do("turn 800 at 150", "move upper -12", "turn 100 at 120")
    unit.press("i")
    assert "coupling ENGAGED" in unit.panel.state
    unit.do("turn 900 at 150")
    unit.press("i")
    assert "ENGAGED" not in unit.panel.state
    (lag,) = [line.text for line in unit.panel.lines if line.label == "impulse lag"]
    assert float(lag.split("°")[0]) == pytest.approx(12.0, abs=0.2)
    unit.live.end()
    ran = rig("bench", unit.folder, unit.live.capture_path, "--unit", "upper", "--json")
    assert ran.answer["found"]["impulse_lag"]["deg"] == pytest.approx(12.0, abs=0.2)


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
def test_it_speaks_of_no_engine_and_shows_each_key(unit: UnitBench, size: tuple[int, int]) -> None:
    unit.do("turn 500 at 200")
    text = "\n".join(render(unit.ui_state.view(), *size).plain())
    assert "A UNIT ON THE BENCH" in text
    assert "upper" in text
    for word in ("TDC", "stroke", "crank"):
        assert word not in text, word
    for key in unit.ui_state.view().keys:
        assert f" {key.key}  {key.label}" in text
    unit.press("h")
    page = "\n".join(render(unit.ui_state.view(), *size).plain())
    for action in offered(unit.ui_state):
        assert action.does in page


def test_what_is_refused(tmp_path: Path) -> None:
    write_example(tmp_path / "job")
    job = tmp_path / "job"
    assert "has upper, lower" in refused(2, "bench", job, "--live")
    assert "--port goes with --live" in refused(2, "bench", job, "--unit", "upper", "--port", "x")
    assert "name the job alone" in refused(2, "bench", job / "engine.toml", "--live", "--lobes", 2)
    ran = rig("bench", job, "--unit", "upper", "--live", "--port", "socket://127.0.0.1:1")
    assert ran.status in (2, 3)
    assert ran.err

"""The guided rig check on the virtual rig: what is asked, done and found."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from device import Device
from made_job import MadeJob, refused, rig

from rig.check.procedure import CheckRig, steps_for
from rig.job.new import write_example
from rig.live.plain_lines import changes
from rig.live.ui_state import UiState
from rig.live.view import View
from rig.virtual.rig import demo_profile, run


@pytest.fixture
def job(tmp_path: Path) -> Path:
    write_example(tmp_path / "job")
    return tmp_path / "job"


class Person:
    """Does at the virtual rig what NEXT says, then presses its key."""

    def __init__(self, made: MadeJob, *, skip: tuple[str, ...] = (), quits_at: int = 99) -> None:
        self._made = made
        self._skip = skip
        self._quits_at = quits_at
        self.heard: list[str] = []

    def work(self) -> None:
        ui_state = UiState(self._made.live, alone=lambda host, _: CheckRig(host))
        old: View | None = None
        while not (view := ui_state.view(), ui_state.ended)[1]:
            self.heard += changes(old, view)
            old = view
            assert view.panel is not None
            for key in self._keys(view.panel.state, view.next):
                ui_state.key(key)
        self._made.end()

    def _keys(self, state: str, text: str) -> str | list[str]:
        if state.endswith("now do it"):
            self._do(text)
            return ["enter"]
        if state.startswith(f"step {self._quits_at} "):
            return "qy"
        if any(word in text for word in self._skip):
            return "k"
        unit = "upper" if "upper" in text else "lower"
        if "at OFF" in text:
            self._made.do(f"switch off {unit}")
        elif "at ON" in text:
            self._made.do(f"switch on {unit}")
        elif "are closed" in text:
            self._made.do("goto 70 at 90")
        return ["enter"]

    def _do(self, text: str) -> None:
        low = text.casefold()
        for words, command in (
            ("turn forward by", "turn 400 at 110"),
            ("let it stand", "rest 3.2"),
            ("of upper by hand", "finger upper 0.6"),
            ("of lower by hand", "finger lower 0.6"),
        ):
            if words in low:
                self._made.do(command)
        if "let it stand" in low:
            self._made.do("turn 1800 at 110")
        self._made.do("rest 0.6")


def verdicts(made: MadeJob) -> dict[str, str]:
    ran = rig("check", made.folder, "--json")
    return {each["name"]: each["verdict"] for each in ran.answer["checks"]}


def test_all_of_it(tmp_path: Path) -> None:
    made = MadeJob(tmp_path / "job", 7)
    person = Person(made)
    person.work()
    found = verdicts(made)
    assert set(found.values()) == {"good"}
    assert {"switch of upper", "switch of lower", "input of upper", "input of lower"} <= set(found)
    assert rig("check", made.folder, "--json").answer["not_tried"] == []
    text = " ".join(person.heard)
    assert "live" in text  # the caution stands at the step where it matters
    assert "GOOD: closed for" in text


def test_steps_may_be_skipped_and_are_then_not_tried(tmp_path: Path) -> None:
    made = MadeJob(tmp_path / "job", 7)
    Person(made, skip=("switch", "are closed")).work()
    found = verdicts(made)
    assert not any(name.startswith(("switch", "input")) for name in found)
    assert found["counts a turn"] == "good"
    assert len(rig("check", made.folder, "--json").answer["not_tried"]) == 2


def test_it_can_be_ended_at_any_step(tmp_path: Path) -> None:
    made = MadeJob(tmp_path / "job", 7)
    Person(made, quits_at=3).work()
    found = verdicts(made)
    assert found["switch of upper"] == "good"
    assert "switch of lower" not in found


def test_lines_are_keys_where_there_is_no_terminal(
    job: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An empty line is enter, others are a key by their first letter; the end of input ends it."""
    lines = [line for _, line in run("rest 1\nturn 90 at 90", demo_profile(), 7).lines]
    monkeypatch.setattr("sys.stdin", io.StringIO("\nk\n"))
    with Device([b"".join(lines)], again=True) as device:
        ran = rig("check", job, "--live", "--port", device.port, "--json")
    assert set(ran.answer) >= {"checks", "not_tried"}
    asked = [line.partition("next: ")[2] for line in ran.err.splitlines() if "next: " in line]
    assert [each[:17] for each in asked] == [
        "Put the switch of",
        "Turn forward by 1",
        "Put the switch of",
    ]


def test_a_rig_that_is_never_heard(job: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("q"))
    with Device() as device:
        ran = rig("check", job, "--live", "--port", device.port)
    assert ran.status == 3
    assert "no rig was recognised" in ran.err


def test_a_half_speed_unit_is_turned_further() -> None:
    from rig.engine.engine_file import load_profile

    example = Path(__file__).parents[3] / "rig" / "job" / "examples" / "geared_propeller.toml"
    steps = steps_for(load_profile(example))
    turn = next(step for step in steps if step.kind == "turn")
    assert "5.8 turns" in turn.do  # three turns of the encoder at 9/16, and a half


def test_a_port_alone_is_no_live_check(tmp_path: Path) -> None:
    made = MadeJob(tmp_path / "job", 7).end()
    assert "--live" in refused(2, "check", made.folder, "--port", "socket://127.0.0.1:1")
    ran = rig("check", made.folder, "--live", "--port", "socket://127.0.0.1:1")
    assert ran.status == 3
    assert "nothing answers at this address" in ran.err

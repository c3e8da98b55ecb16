"""The guided rig check on the virtual rig: what is asked, done and found."""

from __future__ import annotations

from pathlib import Path

import pytest
from made_job import MadeJob, refused, rig

from rig.base.errors import RigLostError
from rig.check.procedure import steps_for
from rig.cli.check import lead


class Person:
    """Does at the virtual rig what the guide says, then answers."""

    def __init__(self, made: MadeJob, *, skip: tuple[str, ...] = (), quits_at: int = 99) -> None:
        self._made = made
        self._skip = skip
        self._quits_at = quits_at
        self.heard: list[str] = []
        self._to_answer = ""

    def say(self, text: str) -> None:
        self.heard.append(text)
        if "Enter" in text:
            self._to_answer = text

    def answer(self) -> str | None:
        text, self._to_answer = self._to_answer, ""
        if not text:
            return None
        if "Enter: ready" in text:
            return self._get_ready(text)
        for words, command in (
            ("turn forward by", "turn 400 at 110"),
            ("let it stand", "rest 3.2"),
            ("of upper by hand", "finger upper 0.6"),
            ("of lower by hand", "finger lower 0.6"),
        ):
            if words in text:
                self._made.do(command)
        if "let it stand" in text:
            self._made.do("turn 1800 at 110")
        self._made.do("rest 0.6")
        return "\n"

    def _get_ready(self, text: str) -> str:
        if text.startswith(f"{self._quits_at} "):
            return "q\n"
        if any(word in text for word in self._skip):
            return "k\n"
        unit = "upper" if "upper" in text else "lower"
        if "at OFF" in text:
            self._made.do(f"switch off {unit}")
        elif "at ON" in text:
            self._made.do(f"switch on {unit}")
        elif "are closed" in text:
            self._made.do("goto 70 at 90")
        return "\n"


def led(made: MadeJob, person: Person) -> None:
    lead(made.live, person.answer, person.say, nap=lambda: None)
    made.end()


def verdicts(made: MadeJob) -> dict[str, str]:
    ran = rig("check", made.folder, "--json")
    return {each["name"]: each["verdict"] for each in ran.answer["checks"]}


def test_all_of_it(tmp_path: Path) -> None:
    made = MadeJob(tmp_path / "job", 7)
    person = Person(made)
    led(made, person)
    found = verdicts(made)
    assert set(found.values()) == {"good"}
    assert {"switch of upper", "switch of lower", "input of upper", "input of lower"} <= set(found)
    assert rig("check", made.folder, "--json").answer["not_tried"] == []
    said = " ".join(person.heard)
    assert "live" in said  # the caution stands at the step where it matters
    assert "the index has passed" in said


def test_steps_may_be_skipped_and_are_then_not_tried(tmp_path: Path) -> None:
    made = MadeJob(tmp_path / "job", 7)
    led(made, Person(made, skip=("switch", "are closed")))
    found = verdicts(made)
    assert not any(name.startswith(("switch", "input")) for name in found)
    assert found["counts a turn"] == "good"
    assert len(rig("check", made.folder, "--json").answer["not_tried"]) == 2


def test_it_can_be_ended_at_any_step(tmp_path: Path) -> None:
    made = MadeJob(tmp_path / "job", 7)
    led(made, Person(made, quits_at=3))
    found = verdicts(made)
    assert found["switch of upper"] == "good"
    assert "switch of lower" not in found


def test_a_rig_that_is_never_heard(tmp_path: Path) -> None:
    made = MadeJob(tmp_path / "job", 7)
    with pytest.raises(RigLostError, match="no rig was heard"):
        lead(made.live, lambda: "q", lambda _: None, nap=lambda: None)


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
    assert ran.status in (2, 3)
    assert ran.err

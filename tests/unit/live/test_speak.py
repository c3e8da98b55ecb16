"""Readings spoken: the sentence, the newest only, never waited for."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from screen_states import LOWER, UPPER

from rig.live.speech import Program, Speaker, find_programs, reading_sentence, speakable


def test_the_sentence() -> None:
    reading, unit = UPPER.readings[-1], UPPER.unit
    assert (
        reading_sentence(reading, [LOWER.unit, unit], "Turn on through the next opening.")
        == "upper: 36.24 degrees before top dead centre, inside. Turn on through the next opening."
    )
    late = LOWER.readings[0]
    assert (
        reading_sentence(late, [unit, LOWER.unit])
        == "lower: 34.61 degrees before top dead centre, late."
    )


def test_signs_become_words() -> None:
    assert speakable("go to 36.0° BTDC ±0.1°, not 4° ATDC") == (
        "go to 36.0 degrees before top dead centre plus or minus 0.1 degrees, "
        "not 4 degrees after top dead centre"
    )


@given(st.text())
def test_nothing_is_spoken_that_a_program_might_obey(text: str) -> None:
    spoken = speakable(text)
    assert not spoken.startswith("-")
    assert not set(spoken) & set('[]<>{}|`$\\"\x1b\n')
    assert spoken.isprintable()


@pytest.mark.parametrize(
    ("platform", "there", "command"),
    [
        ("linux", {"spd-say", "espeak-ng"}, "spd-say"),
        ("linux", {"espeak-ng"}, "espeak-ng"),
        ("linux", {"espeak"}, "espeak"),
        ("freebsd14", {"espeak-ng"}, "espeak-ng"),
        ("darwin", {"say"}, "say"),
        ("win32", {"powershell"}, "powershell"),
    ],
)
def test_the_program_that_the_system_has_is_found(
    platform: str, there: set[str], command: str
) -> None:
    programs = find_programs(platform, lambda name: name if name in there else None)
    assert programs[0].command[0] == command
    assert len(programs) == len(there)


def test_none_found_is_said_and_the_rest_goes_on() -> None:
    assert find_programs("linux", lambda name: None) == []
    with Speaker([]) as speaker:
        speaker.say("upper: 36.2 degrees")


def talker(tmp_path: Path, argument: bool, seconds: float) -> tuple[Program, Path]:
    """A program that writes what it is told, speaks for ``seconds``, and says that it ended."""
    log = tmp_path / "said.txt"
    script = tmp_path / "talker.py"
    script.write_text(
        "import sys, time\n"
        "text = sys.argv[1] if len(sys.argv) > 1 else sys.stdin.read()\n"
        f"log = open({str(log)!r}, 'a')\n"
        "print('begin', text, file=log, flush=True)\n"
        f"time.sleep({seconds})\n"
        "print('end', text, file=log, flush=True)\n"
    )
    return Program((sys.executable, str(script)), argument), log


def wait_for(log: Path, wanted: str) -> list[str]:
    until = time.monotonic() + 10.0
    while time.monotonic() < until:
        if log.exists() and wanted in log.read_text():
            return log.read_text().splitlines()
        time.sleep(0.02)
    raise AssertionError(f"{wanted!r} never came: {log.read_text() if log.exists() else 'nothing'}")


@pytest.mark.parametrize("argument", [False, True])
def test_a_sentence_is_spoken_to_its_end(tmp_path: Path, argument: bool) -> None:
    program, log = talker(tmp_path, argument, 0.0)
    with Speaker([program]) as speaker:
        speaker.say("upper: inside")
        assert wait_for(log, "end") == ["begin upper: inside", "end upper: inside"]


def test_an_old_sentence_is_dropped_for_a_newer_one(tmp_path: Path) -> None:
    program, log = talker(tmp_path, False, 5.0)
    with Speaker([program]) as speaker:
        speaker.say("one")
        wait_for(log, "begin one")
        begun = time.monotonic()
        for text in ("two", "three", "four"):
            speaker.say(text)
        assert time.monotonic() - begun < 0.2  # never waited for, though one speaks for 5 s
        lines = wait_for(log, "begin four")
    assert "end one" not in lines
    assert "begin two" not in lines or "end two" not in lines
    assert lines[-1] == "begin four"


def test_closing_falls_silent_at_once(tmp_path: Path) -> None:
    program, log = talker(tmp_path, False, 5.0)
    speaker = Speaker([program])
    speaker.say("one")
    wait_for(log, "begin one")
    begun = time.monotonic()
    speaker.close()
    assert time.monotonic() - begun < 2.0
    assert "end one" not in log.read_text()


def test_a_program_that_fails_is_left_for_the_next(tmp_path: Path) -> None:
    program, log = talker(tmp_path, False, 0.0)
    broken = Program((sys.executable, "-c", "raise SystemExit(1)"))
    with Speaker([broken, program]) as speaker:
        speaker.say("one")
        assert wait_for(log, "end") == ["begin one", "end one"]
        assert not speaker.failed


def test_a_program_that_cannot_be_run_is_said(tmp_path: Path) -> None:
    with Speaker([Program((str(tmp_path / "nothing-here"),))]) as speaker:
        speaker.say("one")
        until = time.monotonic() + 5.0
        while not speaker.failed and time.monotonic() < until:
            time.sleep(0.01)
        assert "could not be run" in speaker.failed
        speaker.say("two")

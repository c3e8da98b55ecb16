"""Each reading spoken, for whoever turns the crank and cannot see the screen.

The speech program is the one that the system already has. Speaking never delays a reading: a
thread of its own does it, an old sentence is dropped for a newer one, also in mid-word.
"""

from __future__ import annotations

import contextlib
import queue
import re
import shutil
import subprocess
import sys
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from rig.base import rounding
from rig.base.escape import clean
from rig.engine.profile import Unit
from rig.timing.values import Reading
from rig.words.assessments import reading_word

# System.Speech is part of Windows; the text comes on standard input, never on the command line.
_POWERSHELL = (
    "Add-Type -AssemblyName System.Speech; "
    "(New-Object System.Speech.Synthesis.SpeechSynthesizer).Speak([Console]::In.ReadToEnd())"
)


@dataclass(frozen=True, slots=True)
class Program:
    """A speech program. It takes the text as its last argument if ``argument``, else on standard
    input; ``silence`` is a further command where ending the program is not enough."""

    command: tuple[str, ...]
    argument: bool = False
    silence: tuple[str, ...] = ()


# Options of spd-say 0.11 and espeak-ng 1.51 are as their --help says; the others from memory.
_KNOWN: dict[str, tuple[Program, ...]] = {
    "linux": (
        Program(("spd-say", "--wait", "--"), True, ("spd-say", "--cancel")),
        Program(("espeak-ng", "--stdin")),
        Program(("espeak", "--stdin")),
    ),
    "darwin": (Program(("say", "-f", "-")),),
    "win32": (Program(("powershell", "-NoProfile", "-NonInteractive", "-Command", _POWERSHELL)),),
}


def find_programs(
    platform: str = sys.platform, which: Callable[[str], str | None] = shutil.which
) -> list[Program]:
    """The speech programs that this system has, the best first."""
    return [each for each in _KNOWN.get(platform, _KNOWN["linux"]) if which(each.command[0])]


def reading_sentence(reading: Reading, units: Sequence[Unit], follow: str = "") -> str:
    """What is spoken for a reading: where it opened, what that means, and what to do next."""
    settings = next(unit.settings for unit in units if unit.name == reading.unit)
    setting = next(each for each in settings if each.name == reading.setting)
    words = rounding.btdc(reading.btdc_deg), reading_word(reading, setting)
    found = ", ".join(part.strip(" .") for part in words if part)
    follow = follow.strip().rstrip(".")
    return speakable(f"{reading.unit}: {found}." + (f" {follow}." if follow else ""))


def speakable(text: str) -> str:
    """``text`` in words that a speech program says, without anything that it might obey.

    Brackets and the like are commands to some of them.
    """
    text = re.sub(r"\s*°\s*BTDC", " degrees before top dead centre", text)
    text = re.sub(r"\s*°\s*ATDC", " degrees after top dead centre", text)
    text = re.sub(r"\bTDC\b", "top dead centre", text)
    text = text.replace("±", " plus or minus ").replace("°", " degrees ")
    text = re.sub(r"[^\w\s.,:;?!'%/-]", " ", clean(text))
    return re.sub(r"\s+([.,:;])", r"\1", " ".join(text.split())).lstrip("-")


class Speaker:
    """Says sentences one at a time, the newest only. Use it as a context manager.

    A program that fails is left for the next of ``programs``; when there is none, ``failed`` says
    so in a sentence. Without any, nothing is spoken.
    """

    def __init__(self, programs: Sequence[Program]) -> None:
        self.failed = ""
        self._programs = list(programs)
        self._texts: queue.SimpleQueue[str | None] = queue.SimpleQueue()  # None: time to end
        self._running: subprocess.Popen[bytes] | None = None
        self._thread = threading.Thread(target=self._work, name="speech", daemon=True)
        self._thread.start()

    def __enter__(self) -> Speaker:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    def say(self, text: str | None) -> None:
        """Hand over ``text`` and return at once; what is not yet spoken is dropped."""
        self._texts.put(text)
        self._hush()

    def close(self) -> None:
        """Fall silent and end the thread."""
        self.say(None)
        self._thread.join(timeout=2.0)

    def _hush(self) -> None:
        running = self._running
        if running is not None and running.poll() is None:
            running.terminate()

    def _work(self) -> None:
        while (text := self._newest()) is not None:
            while self._programs and (wrong := self._speak(self._programs[0], text)):
                del self._programs[0]
                if not self._programs:
                    self.failed = f"Readings are no longer spoken: {wrong}."

    def _newest(self) -> str | None:
        text = self._texts.get()
        while text is not None and not self._texts.empty():
            text = self._texts.get()
        return text

    def _speak(self, program: Program, text: str) -> str:
        """Say ``text`` to its end or until something newer comes; why it failed, if it did."""
        try:
            process = subprocess.Popen(
                [*program.command, text] if program.argument else program.command,
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )
        except OSError as error:
            return f"{program.command[0]} could not be run, {error.strerror}"
        self._running = process
        if not self._texts.empty():  # overtaken while it started
            self._hush()
        with contextlib.suppress(BrokenPipeError):  # it was ended by a newer sentence
            process.communicate(None if program.argument else text.encode())
        if self._texts.empty():
            status = process.wait()
            return f"{program.command[0]} ended with status {status}" if status else ""
        if program.silence:
            with contextlib.suppress(OSError, subprocess.TimeoutExpired):  # nothing hangs on it
                subprocess.run(program.silence, check=False, stdin=subprocess.DEVNULL,
                               capture_output=True, timeout=2.0)  # fmt: skip
        return ""

"""Each counted reading spoken, for whoever turns the crank and cannot see the screen.

The speech program is the one that the system already has. Speaking never delays a reading: a
thread of its own does it, an old sentence is dropped for a newer one, also in mid-word.
"""

from __future__ import annotations

import contextlib
import re
import shutil
import subprocess
import sys
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

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
    """A speech program: its command, how it takes the text, how it is made to stop.

    ``instead`` is what to use when this one fails.
    """

    command: tuple[str, ...]
    takes: str = "input"  # "input": standard input, "argument": last argument
    silence: tuple[str, ...] = ()  # a further command, where ending the program is not enough
    instead: Program | None = None


# Options of spd-say 0.11 and espeak-ng 1.51 are as their --help says; the others from memory.
_KNOWN: dict[str, tuple[Program, ...]] = {
    "linux": (
        Program(("spd-say", "--wait", "--"), "argument", ("spd-say", "--cancel")),
        Program(("espeak-ng", "--stdin")),
        Program(("espeak", "--stdin")),
    ),
    "darwin": (Program(("say", "-f", "-")),),
    "win32": (Program(("powershell", "-NoProfile", "-NonInteractive", "-Command", _POWERSHELL)),),
}


def find_program(
    platform: str = sys.platform, which: Callable[[str], str | None] = shutil.which
) -> Program | None:
    """The speech program that this system has, further ones as its ``instead``; None: none."""
    found: Program | None = None
    for program in reversed(_KNOWN.get(platform, _KNOWN["linux"])):
        if which(program.command[0]):
            found = replace(program, instead=found)
    return found


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

    A program that fails is left for its ``instead``; when there is none, ``failed`` says so in a
    sentence. Without any program ``found`` is False and nothing is said.
    """

    def __init__(self, program: Program | None) -> None:
        self.found = program is not None
        self.failed = ""
        self._program = program
        self._wake = threading.Condition()
        self._waiting: str | None = None
        self._running: subprocess.Popen[bytes] | None = None
        self._hushed = False
        self._closed = False
        self._thread = threading.Thread(target=self._work, name="speech", daemon=True)
        if self.found:
            self._thread.start()

    def __enter__(self) -> Speaker:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    def say(self, text: str) -> None:
        """Hand over ``text`` and return at once; what was not yet said is dropped."""
        if not self.found or self.failed:
            return
        with self._wake:
            self._waiting = text
            self._hush()
            self._wake.notify()

    def close(self) -> None:
        """Fall silent and end the thread."""
        if not self.found:
            return
        with self._wake:
            self._closed, self._waiting = True, None
            self._hush()
            self._wake.notify()
        self._thread.join(timeout=2.0)

    def _hush(self) -> None:
        """End the sentence being said; called with the lock held."""
        if self._running is not None and self._running.poll() is None:
            self._hushed = True
            self._running.terminate()

    def _work(self) -> None:
        while self._program is not None and (text := self._next()) is not None:
            trouble = self._speak(self._program, text)
            if not trouble:
                continue
            self._program = self._program.instead
            if self._program is None:
                self.failed = f"Readings are no longer spoken: {trouble}."
            with self._wake:
                self._waiting = self._waiting or text

    def _next(self) -> str | None:
        """Wait for a sentence; None when it is time to end."""
        with self._wake:
            while self._waiting is None and not self._closed:
                self._wake.wait()
            text, self._waiting = self._waiting, None
            return None if self._closed else text

    def _speak(self, program: Program, text: str) -> str:
        """Say ``text`` to its end or until something newer comes; why it failed, if it did."""
        argument = program.takes == "argument"
        try:
            process = subprocess.Popen(
                [*program.command, text] if argument else program.command,
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )
        except OSError as error:
            return f"{program.command[0]} could not be run, {error.strerror}"
        with self._wake:
            self._running, self._hushed = process, False
            if self._waiting is not None or self._closed:  # overtaken while it started
                self._hush()
        with contextlib.suppress(BrokenPipeError):  # it was ended by a newer sentence
            process.communicate(None if argument else text.encode())
        if self._hushed:
            self._silence(program)
            return ""
        status = process.wait()
        return f"{program.command[0]} ended with status {status}" if status else ""

    @staticmethod
    def _silence(program: Program) -> None:
        if program.silence:
            with contextlib.suppress(OSError, subprocess.TimeoutExpired):  # nothing hangs on it
                subprocess.run(
                    program.silence,
                    check=False,
                    stdin=subprocess.DEVNULL,
                    capture_output=True,
                    timeout=2.0,
                )

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
from dataclasses import dataclass

from rig.screen.wording import clean, number

# System.Speech is part of Windows; the text comes on standard input, never on the command line.
_POWERSHELL = (
    "Add-Type -AssemblyName System.Speech; "
    "(New-Object System.Speech.Synthesis.SpeechSynthesizer).Speak([Console]::In.ReadToEnd())"
)


@dataclass(frozen=True, slots=True)
class Program:
    """A speech program: its command, how it takes the text, and how it is made to stop."""

    command: tuple[str, ...]
    takes: str = "input"  # "input": standard input, "argument": last argument
    silence: tuple[str, ...] = ()  # a further command, where ending the program is not enough


# From memory of their manual pages.
_KNOWN: dict[str, tuple[Program, ...]] = {
    "linux": (
        Program(("spd-say", "--wait", "--"), "argument", ("spd-say", "--cancel")),
        Program(("espeak-ng", "--stdin")),
        Program(("espeak", "--stdin")),
    ),
    "darwin": (Program(("say", "-f", "-")),),
    "win32": (Program(("powershell", "-NoProfile", "-NonInteractive", "-Command", _POWERSHELL)),),
}

NONE_FOUND = (
    "No speech program was found, so readings are not spoken. On Linux install speech-dispatcher "
    "(spd-say) or espeak-ng; macOS has say and Windows has PowerShell."
)


def find_program(
    platform: str = sys.platform, which: Callable[[str], str | None] = shutil.which
) -> Program | None:
    """The first speech program that this system has; None when there is none."""
    programs = _KNOWN.get(platform, _KNOWN["linux"])
    return next((program for program in programs if which(program.command[0])), None)


def sentence(
    unit: str, btdc_deg: float, words: str = "", follow: str = "", decimals: int = 1
) -> str:
    """The one line that is spoken for a reading.

    ``words`` is what the angle means ("1.4° early", "inside"), ``follow`` what to do next.
    """
    side = "before" if btdc_deg >= 0.0 else "after"
    angle = f"{number(abs(btdc_deg), decimals)} degrees {side} top dead centre"
    told = ", ".join(part.strip(" .") for part in (angle, words) if part)
    follow = follow.strip().rstrip(".")
    return speakable(f"{unit}: {told}." + (f" {follow}." if follow else ""))


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

    ``program`` None says nothing and ``found`` is False.
    """

    def __init__(self, program: Program | None) -> None:
        self.found = program is not None
        self.failed = ""  # why the program could not be run, when it could not
        self._program = program
        self._wake = threading.Condition()
        self._waiting: str | None = None
        self._running: subprocess.Popen[bytes] | None = None
        self._closed = False
        self._thread = threading.Thread(target=self._work, name="speech", daemon=True)
        if program is not None:
            self._thread.start()

    def __enter__(self) -> Speaker:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    def say(self, text: str) -> None:
        """Hand over ``text`` and return at once; what was not yet said is dropped."""
        if self._program is None or self.failed:
            return
        with self._wake:
            self._waiting = text
            self._hush()
            self._wake.notify()

    def close(self) -> None:
        """Fall silent and end the thread."""
        if self._program is None:
            return
        with self._wake:
            self._closed, self._waiting = True, None
            self._hush()
            self._wake.notify()
        self._thread.join(timeout=2.0)

    def _hush(self) -> None:
        """End the sentence being said; called with the lock held."""
        if self._running is not None and self._running.poll() is None:
            self._running.terminate()

    def _work(self) -> None:
        while True:
            with self._wake:
                while self._waiting is None and not self._closed:
                    self._wake.wait()
                if self._closed:
                    return
                text, self._waiting = self._waiting or "", None
            try:
                process = self._start(text)
            except OSError as error:
                self.failed = f"{self._command()[0]} could not be run: {error.strerror}"
                return
            with self._wake:
                self._running = process
                if self._waiting is not None or self._closed:  # overtaken while it started
                    self._hush()
            cut_short = self._feed(process, text)
            if cut_short and self._program is not None and self._program.silence:
                self._quietly(self._program.silence)

    def _command(self) -> tuple[str, ...]:
        return self._program.command if self._program is not None else ("",)

    def _start(self, text: str) -> subprocess.Popen[bytes]:
        command: Sequence[str] = self._command()
        if self._program is not None and self._program.takes == "argument":
            command = [*command, text]
        return subprocess.Popen(
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )

    def _feed(self, process: subprocess.Popen[bytes], text: str) -> bool:
        """Give the program its text and wait for it; True when it was ended before its time."""
        given = text if self._program is not None and self._program.takes == "input" else ""
        with contextlib.suppress(BrokenPipeError):  # it was ended by a newer sentence
            process.communicate(given.encode())
        return process.wait() != 0

    @staticmethod
    def _quietly(command: tuple[str, ...]) -> None:
        with contextlib.suppress(OSError, subprocess.TimeoutExpired):  # silence is all it is for
            subprocess.run(
                command, check=False, stdin=subprocess.DEVNULL, capture_output=True, timeout=2.0
            )

"""The demonstration: the virtual rig as a program of its own, and the simulated hand that does the
whole job on it."""

from __future__ import annotations

import json
import queue
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from rig.base.errors import InputError, RigLostError
from rig.guide.advice import ENOUGH_TOUCHES, guidance
from rig.live.live_session import LiveSession

LOOK_S = 5.0  # the dashboard stays up this long after the certificate was saved
BRISK_DEG_S = 240.0  # speed of the hand: the whole job takes under 45 s; a real hand is slower
PAUSE_S, PRESS_PAUSE_S = 0.1, 0.3  # after a movement of the hand, and after a key
HAND_KEYS = {"right": "turn 90 at 60", "left": "back 45 at 60", "up": "turn 720 at 90"}
START_S = 20.0


class VirtualRigProcess:
    """The virtual rig, running as a program of its own."""

    def __init__(self, engine_file: Path, seed: int, *, use_socket: bool) -> None:
        command = [sys.executable, "-m", "rig", "simulate", "--profile", str(engine_file)]
        command += ["--wait", "--seed", str(seed), *(["--socket"] if use_socket else [])]
        self._process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1
        )
        self._words: queue.SimpleQueue[dict[str, Any]] = queue.SimpleQueue()
        self.asked = self.done = 0  # commands given, and carried out
        self.last: dict[str, Any] = {}  # the answer to the last of them
        threading.Thread(target=self._listen, daemon=True).start()
        try:
            self.port = str(self._words.get(timeout=START_S)["port"])
        except queue.Empty:
            self.close()
            raise RigLostError(f"the virtual rig did not start within {START_S:.0f} s") from None

    def __enter__(self) -> VirtualRigProcess:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    def tell(self, command: str) -> None:
        """Give the hand a command; they are carried out one after the other."""
        if self._process.stdin is not None and self._process.poll() is None:
            self._process.stdin.write(command + "\n")

    def hear(self) -> None:
        """Take note of what has been carried out."""
        while not self._words.empty():
            word = self._words.get()
            if "done" in word or "error" in word:
                self.done += 1
                self.last = word

    def command(self, command: str) -> Callable[[], bool]:
        """Give the hand a command of a script; the answer says whether it is done, and raises
        InputError when it cannot be."""
        self.asked += 1
        number = self.asked
        self.tell(command)

        def is_done() -> bool:
            self.hear()
            if self.done < number:
                return False
            if "error" in self.last:
                raise InputError(str(self.last["error"]))
            return True

        return is_done

    def key(self, key: str) -> str:
        """An arrow key of the person's."""
        if movement := HAND_KEYS.get(key):
            self.command(movement)
        else:
            self.tell("halt")
        return f"the virtual hand: {movement or 'hold still'}"

    def close(self) -> None:
        """End the program."""
        if self._process.stdin is not None:
            self._process.stdin.close()
        try:
            self._process.wait(timeout=3.0)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()

    def _listen(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self._words.put(json.loads(line))


def demonstration(
    virtual: VirtualRigProcess, live: LiveSession, speed: float = 1.0
) -> Iterator[str | None]:
    """The job as the lines of a script, at ``speed`` times the usual: what the hand does, and the
    keys. It looks at nothing but what the screen knows and the hand feels."""

    def wait(seconds: float) -> Iterator[None]:
        until_s = live.elapsed_s + seconds
        while live.elapsed_s < until_s:
            yield None

    for line in _job(virtual, live, BRISK_DEG_S * speed):
        yield line
        yield from wait((PAUSE_S if line.startswith("hand") else PRESS_PAUSE_S) / speed)
    yield from wait(LOOK_S if sys.stdout.isatty() else 0.0)


def _job(virtual: VirtualRigProcess, live: LiveSession, deg_s: float) -> Iterator[str]:
    at = f"at {deg_s:g}"

    def steps(*names: str) -> Iterator[str]:
        """Each step is done, or skipped, when the screen asks for it."""
        for name in names:
            advice = guidance(live)
            if advice.step == name:
                yield "step done" if advice.press == "step_done" else "skip"

    yield "wait rig"
    yield f"hand hand speed_deg_s {deg_s:g}"
    yield from steps("make safe", "gap")
    while (advice := guidance(live)).press == "drag":
        for unit in live.job.profile.units if not advice.unit else ():
            if unit.ignition == "magneto":
                yield f"hand drag on {unit.name}"
        if advice.unit:
            yield f"hand drag on {advice.unit}"
        yield "drag"
    yield from steps("switch")
    yield f"hand turn 380 {at}"
    yield from steps("rig check")
    yield f"hand goto 120 {at}"  # the piston is out of the way
    yield from ("hand stop in", "piston stop in")
    yield from ENOUGH_TOUCHES * (f"hand touch forward {at}", f"hand touch back {at}")
    yield from (f"hand turn 40 {at}", "hand stop out", "piston stop out")
    yield from steps("marks")
    yield f"hand goto 0 {at}"
    if not virtual.last.get("compressed", True):
        yield from (f"hand turn 180 {at}", f"hand goto 0 {at}")
    yield "firing TDC"
    yield f"hand turn 1090 {at}"
    levers = [unit for unit in live.job.profile.units if len(unit.settings) > 1]
    for unit in levers:
        yield from (f"hand lever {unit.settings[1].name}", f"lever {unit.name}")
    if levers:
        yield f"hand turn 910 {at}"
    yield "save"

"""The main job on the virtual rig, by a simulated hand."""

from __future__ import annotations

import argparse
import json
import queue
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from typing import Any, Protocol

from rig.base.errors import InputError, RigLostError
from rig.cli.live import conclude
from rig.cli.output import Answer, Command
from rig.guide.advice import ENOUGH_TOUCHES, guidance
from rig.job.folder import Job
from rig.job.new import write_example
from rig.live.live_session import LiveSession
from rig.live.run import show, start
from rig.live.script import Script, script_lines
from rig.live.ui_state import UiState
from rig.wire.ports import open_port

SEED = 10  # of an engine whose openings are all inside
LOOK_S = 5.0  # the dashboard stays up this long after the certificate was saved
BRISK_DEG_S = 240.0  # speed of the hand: the whole job takes under 45 s; a real hand is slower
SLOWEST, FASTEST = 0.1, 2.0  # of the hand, times its usual speed
HAND_KEYS = {"right": "turn 90 at 60", "left": "back 45 at 60", "up": "turn 720 at 90"}
START_S = 20.0


def run(args: argparse.Namespace) -> Answer:
    """The main job on the virtual rig: a simulated hand finds TDC with the piston
    stop, turns the crank and reads two units, and a certificate is saved. Press any
    key to take over.

    Dashboard, session, capture and certificate are those of real work. The rig is a
    program of its own on a serial port of its own: a pseudo-terminal, or a loopback
    socket where there is none.
    """
    if not SLOWEST <= args.speed <= FASTEST:
        raise InputError(f"--speed {args.speed:g}: enter {SLOWEST:g} to {FASTEST:g}")
    folder = args.job or Path(f"demo-job-{datetime.now():%Y%m%d-%H%M%S}")
    lines = script_lines(args.script) if args.script else None
    write_example(folder)
    job = Job(folder)
    with VirtualRigProcess(job.engine_file, args.seed, use_socket=args.socket) as virtual:
        live = start(job, open_port(virtual.port))
        hand = SimulatedHand(virtual, live, args.speed)
        ui_state = UiState(live, tag=f"virtual rig, seed {args.seed}", hand=hand.key)
        hand.ui_state = ui_state
        script = Script(lines, ui_state, args.script, hand.command) if lines is not None else None

        def over() -> bool:
            if script is not None:
                return not script.step() or ui_state.ended
            hand.step()
            return ui_state.ended or hand.finished

        try:
            show(ui_state, over, plain_lines=args.plain)
        finally:
            live.end()
    return Answer({}, status=conclude(live))


class CommandedRig(Protocol):
    """A virtual rig whose hand takes commands."""

    done: int
    last: dict[str, Any]

    def tell(self, command: str) -> None:
        """Give the hand a command; they are carried out one after the other."""

    def hear(self) -> None:
        """Take note of what has been carried out."""


class VirtualRigProcess:
    """The virtual rig, running as a program of its own."""

    def __init__(self, engine_file: Path, seed: int, *, use_socket: bool) -> None:
        command = [sys.executable, "-m", "rig", "simulate", "--profile", str(engine_file)]
        command += ["--wait", "--seed", str(seed), *(["--socket"] if use_socket else [])]
        self._process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1
        )
        self._words: queue.SimpleQueue[dict[str, Any]] = queue.SimpleQueue()
        self.done = 0  # commands carried out
        self.last: dict[str, Any] = {}  # what the last of them came to
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


class SimulatedHand:
    """A simulated person: tells the virtual hand what to do, and presses the keys for it.

    It looks at nothing but the screen's own state. As soon as a real person presses a key it
    stops, and leaves both the keys and the virtual hand to them.
    """

    def __init__(
        self,
        virtual: CommandedRig,
        live: LiveSession,
        speed: float = 1.0,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._virtual = virtual
        self._clock = clock
        self._live = live
        self._times = speed
        self._at = f"at {BRISK_DEG_S * speed:g}"
        self._asked = 0
        self._script = self._job()
        self._running = True
        self.ui_state: UiState | None = None
        self.finished = False

    def step(self) -> None:
        """Go on with the script as far as it goes now."""
        self._virtual.hear()
        if not self._running or self.ui_state is None:
            return
        if self.ui_state.touched and self._live.saved is None:
            self._running = False
            self._virtual.tell("halt")
            self.ui_state.say("the keys are yours: arrows turn the virtual crank")
            return
        if next(self._script, "end") == "end":
            self._running = False
            self.finished = not self.ui_state.touched

    def key(self, key: str) -> str:
        """An arrow key of the person's."""
        self._virtual.tell(HAND_KEYS.get(key, "halt"))
        return f"the virtual hand: {HAND_KEYS.get(key, 'hold still')}"

    def command(self, command: str) -> Callable[[], bool]:
        """Give the hand a command of a script; the answer says whether it is done, and raises
        InputError when it cannot be."""
        self._asked += 1
        number = self._asked
        self._virtual.tell(command)

        def is_done() -> bool:
            self._virtual.hear()
            if self._virtual.done < number:
                return False
            if "error" in self._virtual.last:
                raise InputError(str(self._virtual.last["error"]))
            return True

        return is_done

    def _job(self) -> Iterator[str]:
        units, at = self._live.job.profile.units, self._at
        while self._live.session.identity is None:
            yield "waiting for the rig"
        yield from self._do(f"hand speed_deg_s {BRISK_DEG_S * self._times:g}")
        yield from self._say("make safe", "gap")
        while (advice := guidance(self._live)).press == "drag":
            yield from self._do(f"drag on {advice.unit}")
            yield from self._press("b")
        yield from self._say("switch")
        yield from self._do(f"turn 380 {at}")
        yield from self._say("rig check")
        yield from self._do("stop in")
        if "error" in self._virtual.last:  # the piston is in its way: bring it down
            yield from self._do(f"turn 180 {at}", "stop in")
        yield from self._press("p")
        yield from self._do(*ENOUGH_TOUCHES * (f"touch forward {at}", f"touch back {at}"))
        yield from self._do(f"turn 40 {at}", "stop out")
        yield from self._press("p")
        yield from self._say("marks")
        yield from self._do(f"goto 0 {at}")
        if not self._virtual.last.get("compressed", True):
            yield from self._do(f"turn 180 {at}", f"goto 0 {at}")
        yield from self._press("f")
        yield from self._do(f"turn 1090 {at}")
        levers = [unit for unit in units if len(unit.settings) > 1]
        for unit in levers:
            yield from self._do(f"lever {unit.settings[1].name}")
            yield from self._press(str(unit.input))
        if levers:
            yield from self._do(f"turn 910 {at}")
        yield from self._press("s")
        yield from self._press("y")
        yield from self._wait(LOOK_S if sys.stdout.isatty() else 0.0)

    def _say(self, *steps: str) -> Iterator[str]:
        """Say that each step is done, or skip it, when the screen asks for it."""
        for step in steps:
            advice = guidance(self._live)
            if advice.step == step:
                yield from self._press("enter" if advice.press == "step_done" else "k")

    def _do(self, *commands: str) -> Iterator[str]:
        for command in commands:
            self._asked += 1
            self._virtual.tell(command)
            while self._virtual.done < self._asked:
                yield command
            yield from self._wait(0.1 / self._times)

    def _press(self, key: str) -> Iterator[str]:
        assert self.ui_state is not None
        self.ui_state.press(key)
        yield from self._wait(0.3 / self._times)

    def _wait(self, seconds: float) -> Iterator[str]:
        until = self._clock() + seconds
        while self._clock() < until:
            yield "waiting"


OPTIONS = f"""
--seed N={SEED}     draws the virtual engine
--job FOLDER        the job folder to make
--speed TIMES=1     speed of the hand, {SLOWEST:g} to {FASTEST:g}; 0.3 is a careful person
--script FILENAME   commands as for rig live --script, and those of the hand
--plain             plain lines, even in a terminal
--socket            use a loopback socket as the port
"""
COMMANDS = {"demo": Command(run, OPTIONS, json=False)}

"""The virtual rig as a program of its own, with a port that any program can open.

It prints one JSON object a line: first ``{"port": ...}``, then one for each command carried out.
Commands come on standard input, one a line, or from a plan; it ends at ``quit`` or at the end of
both. The port is a loopback socket (here) or a pseudo-terminal (``pty_port``).
"""

from __future__ import annotations

import argparse
import json
import queue
import shlex
import socket
import sys
import threading
import time
from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Iterable, Iterator
from contextlib import ExitStack
from dataclasses import replace
from itertools import chain
from pathlib import Path
from typing import Any, TextIO

from rig.base.errors import InputError
from rig.engine.engine_file import load_profile
from rig.virtual.board import BoardSpec, Timed
from rig.virtual.contacts import NOISES
from rig.virtual.ground_truth import draw
from rig.virtual.operator import FAULTS, FORMS, lines_of
from rig.virtual.rig import VirtualRig, demo_profile

SLICE_S = 0.05  # rig time computed at once: a command or a ``?`` may take this long to have effect
NAP_S = 0.004
LINGER_S = 0.3  # the port stays open a moment longer, so that the program can read the last bytes


class Server:
    """Sends a rig's lines to a port in time, and carries out commands."""

    def __init__(
        self, rig: VirtualRig, out: TextIO, use_socket: bool, speed: float, job: str = "JOB"
    ) -> None:
        self._rig = rig
        self._job = job  # folder of the job on that engine
        self._out = out
        self._speed = speed  # times real time; 0: at once
        self._use_socket = use_socket
        self._port: VirtualPort | None = open_virtual_port(use_socket)
        self._asked = b""
        self._commands: queue.Queue[str] = queue.Queue()
        self._doing: tuple[str, Iterator[list[Timed]]] | None = None
        self._over = False
        self._pending: deque[Timed] = deque()

    def listen(self, lines: Iterable[str]) -> None:
        """Take commands from ``lines``, which may block anywhere, so in a thread; then end."""

        def read() -> None:
            for text in (text for line in lines for text in lines_of(line)):
                if text == "halt":
                    self._rig.halt()
                else:
                    self._commands.put(text)
            self._commands.put("quit")

        threading.Thread(target=read, daemon=True).start()

    def serve(self, wait: bool) -> None:
        """Serve until all is done. With ``wait`` the rig's time begins when the port is opened."""
        assert self._port is not None
        name = self._port.name
        connect = f"rig live {shlex.quote(self._job)} --port {name}"
        self._tell(port=name, name="virtual-rig", seed=self._rig.hidden.seed, connect=connect)
        while (wait or self._speed == 0.0) and not self._port.someone():
            time.sleep(NAP_S)
        began = time.monotonic()
        while not self._over or self._pending:
            now_s = (time.monotonic() - began) * self._speed if self._speed else float("inf")
            self._plug(now_s)
            self._answer()
            ahead = self._rig.now_s >= now_s + SLICE_S * max(self._speed, 1.0)
            if not self._over and not ahead:
                self._work()
            self._write(now_s)
            if self._over or ahead:
                time.sleep(NAP_S)
        self._tell(end=True, t_s=round(self._rig.now_s, 6))
        if self._port:
            time.sleep(LINGER_S if self._port.someone() else 0.0)
            self._port.close()

    def _tell(self, **what: Any) -> None:
        print(json.dumps(what), file=self._out, flush=True)

    def _work(self) -> None:
        """Compute one more slice."""
        if self._doing is None:
            # At full speed nothing happens without a command, so there is time to wait for one.
            try:
                text = self._commands.get(block=self._speed == 0.0)
            except queue.Empty:
                self._pending += self._rig.idle(SLICE_S)
                return
            self._over = text == "quit"
            self._doing = None if self._over else (text, self._rig.do(text, SLICE_S))
            return
        text, slices = self._doing
        try:
            self._pending += next(slices)
        except StopIteration:
            self._doing = None
            self._tell(done=text, t_s=round(self._rig.now_s, 6), **self._rig.reply)
        except InputError as why:
            self._doing = None
            self._tell(command=text, error=str(why))

    def _plug(self, now_s: float) -> None:
        """Take the port away, or bring it back, where a fault asks for it."""
        if self._rig.unplugged is None:
            return
        from_s, until_s = self._rig.unplugged
        if self._port is not None and now_s >= from_s:
            self._port.close()
            self._port = None
        if self._port is None and now_s >= until_s:
            self._port, self._rig.unplugged = open_virtual_port(self._use_socket), None
            self._tell(port=self._port.name)

    def _answer(self) -> None:
        self._asked += self._port.read().replace(b"\r", b"") if self._port else b""
        if b"?\n" in self._asked:
            self._pending += self._rig.identify()
            self._asked = b""
        self._asked = self._asked[-1:]

    def _write(self, now_s: float) -> None:
        data = bytearray()
        while self._pending and self._pending[0][0] <= now_s:
            data += self._pending.popleft()[1]
        if data and self._port:
            self._port.write(bytes(data), wait=self._speed == 0.0)


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the program's arguments, and the list of commands as its epilogue."""
    commands = [f"  {line}" for _, line in FORMS.values()]
    faults = [f"  {line}" for _, line in FAULTS.values()]
    last = ["  halt: end the present movement", "  quit"]
    parser.epilog = "\n".join(["commands:", *commands, *last, "faults:", *faults])
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--profile", type=Path, help="engine.toml of the engine that the rig is on")
    what.add_argument("--demo", action="store_true", help="the example engine (as without either)")
    parser.add_argument("--seed", type=int, default=0, help="draws the truth")
    parser.add_argument("--plan", type=Path, help="file of commands, one a line")
    parser.add_argument("--socket", action="store_true", help="a loopback socket, no terminal")
    parser.add_argument("--speed", type=float, default=1.0, help="times real time; 0: at once")
    parser.add_argument("--wait", action="store_true", help="begin when the port is opened")
    parser.add_argument("--noise", choices=list(NOISES), default="usual", help="sort of contacts")
    parser.add_argument("--magnet", action="store_true", help="magnets pull through the backlash")
    parser.add_argument("--clock-start", type=int, default=0, metavar="US", help="rig's clock")
    parser.add_argument("--count-start", type=int, default=0, metavar="COUNT", help="rig's count")
    parser.add_argument("--counts", type=int, help="counts a turn that the encoder really has")
    parser.add_argument("--truth", type=Path, help="file for the truth, written at the end")
    parser.add_argument("--vcd", type=Path, help="file for a recording of the pins")


LIMITS = {
    "seed": (0, 2**32 - 1),
    "counts": (4, 1_000_000),
    "clock_start": (0, 2**32 - 1),
    "count_start": (-(2**31), 2**31 - 1),
}
"""The least and the greatest value of each whole number."""


def run(args: argparse.Namespace, lines: TextIO, out: TextIO) -> int:
    """Serve until ``lines`` ends; reports go to ``out``. Returns the exit status.

    Raises InputError for impossible arguments, OSError for files that cannot be used.
    """
    if args.speed < 0.0:
        raise InputError("--speed: times real time, so 0 or more")
    for name, (least, most) in LIMITS.items():
        number = getattr(args, name)
        if number is not None and not least <= number <= most:
            option = f"--{name.replace('_', '-')}"
            raise InputError(f"{option} {number}: enter {least} to {most}")
    profile = load_profile(args.profile) if args.profile else demo_profile()
    hidden = draw(profile, args.seed, noise=args.noise, magnet=args.magnet)
    if args.counts:
        hidden = replace(hidden, encoder=replace(hidden.encoder, counts=args.counts))
    plan = lines_of(args.plan.read_text(encoding="utf-8")) if args.plan else []
    board = BoardSpec(
        profile.encoder.counts_per_turn,
        max(unit.input for unit in profile.units),
        clock_start_us=args.clock_start,
        count_start=args.count_start,
    )
    with ExitStack() as stack:
        vcd = stack.enter_context(args.vcd.open("w", encoding="ascii")) if args.vcd else None
        truth = stack.enter_context(args.truth.open("w", encoding="utf-8")) if args.truth else None
        rig = VirtualRig(profile, args.seed, hidden=hidden, board=board, vcd=vcd)
        job = str(args.profile.parent) if args.profile else "JOB"
        server = Server(rig, out, args.socket, args.speed, job)
        server.listen(chain(plan, lines))
        try:
            server.serve(args.wait)
        finally:
            rig.end_vcd()
            if truth:
                truth.write(json.dumps(rig.truth(), indent=1) + "\n")
    return 0


class VirtualPort(ABC):
    """One port for one program at a time. Nothing here ever blocks, except ``write`` with
    ``wait``."""

    name = ""  # what a program opens: a device path or ``socket://`` address

    @abstractmethod
    def someone(self) -> bool:
        """Whether a program has the port open."""

    @abstractmethod
    def send(self, data: bytes) -> int:
        """How many of the bytes found room. Raises BlockingIOError when none did."""

    @abstractmethod
    def read(self) -> bytes:
        """What the program has sent since the last call."""

    @abstractmethod
    def close(self) -> None: ...

    def write(self, data: bytes, wait: bool = False) -> None:
        """Send bytes to the program; what finds no room is lost, as on a real port.

        With ``wait`` they wait for room as long as the program has the port open.
        """
        while data and self.someone():
            try:
                data = data[self.send(data) :]
            except BlockingIOError:
                if not wait:
                    return
                time.sleep(0.001)


class SocketPort(VirtualPort):
    """A TCP socket on the loopback address; pyserial opens it as ``socket://127.0.0.1:PORT``."""

    def __init__(self) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.setblocking(False)
        self._client: socket.socket | None = None
        self.name = f"socket://127.0.0.1:{self._server.getsockname()[1]}"

    def someone(self) -> bool:
        if self._client is None:
            try:
                self._client, _ = self._server.accept()
            except BlockingIOError:
                return False
            self._client.setblocking(False)
        return True

    def send(self, data: bytes) -> int:
        assert self._client is not None
        try:
            return self._client.send(data)
        except BlockingIOError:
            raise
        except OSError:  # the program has gone
            self._hang_up()
            return 0

    def read(self) -> bytes:
        if not self.someone():
            return b""
        assert self._client is not None
        try:
            data = self._client.recv(4096)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data:
            self._hang_up()
        return data

    def close(self) -> None:
        self._hang_up()
        self._server.close()

    def _hang_up(self) -> None:
        if self._client is not None:
            self._client.close()
            self._client = None


def open_virtual_port(use_socket: bool) -> VirtualPort:
    """A pseudo-terminal, or a socket if there is none or ``use_socket``."""
    if use_socket or sys.platform == "win32":
        return SocketPort()
    from rig.virtual.pty_port import PtyPort

    return PtyPort()

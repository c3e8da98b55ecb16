"""The virtual rig as a program of its own, with a port that any program can open.

It prints one JSON object a line: first ``{"port": ...}``, then one for each command carried out.
Commands come on standard input, one a line, or from a plan; it ends at ``quit`` or at the end of
both. The port is a loopback socket (here) or a pseudo-terminal (``pty_port``).
"""

from __future__ import annotations

import argparse
import json
import queue
import signal
import socket
import sys
import threading
import time
from collections import deque
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import Any, TextIO

from rig.base.errors import InputError, reason
from rig.engine.engine_file import load_profile
from rig.virtual.board import BoardSpec, Timed
from rig.virtual.contacts import NOISES
from rig.virtual.ground_truth import draw
from rig.virtual.operator import FAULTS, FORMS, lines_of, parse, parse_fault
from rig.virtual.rig import VirtualRig, demo_profile

SLICE_S = 0.05  # rig time computed at once: a command or a ``?`` may take this long to have effect
NAP_S = 0.004
LINGER_S = 0.3  # the port stays open a moment longer, so that the program can read the last bytes


class Server:
    """Sends a rig's lines to a port in time, and carries out commands."""

    def __init__(
        self, rig: VirtualRig, plan: list[str], out: TextIO, use_socket: bool, speed: float
    ) -> None:
        self._rig = rig
        self._out = out
        self._speed = speed
        self._use_socket = use_socket
        self._door: VirtualPort | None = open_virtual_port(use_socket)
        self._unplugged: tuple[float, float] | None = None  # from, to
        self._heard = b""
        self._commands: deque[str] = deque(plan)
        self._typed: queue.Queue[str | None] = queue.Queue()
        self._more = False
        self._pending: deque[Timed] = deque()
        self._doing: tuple[str, Iterator[list[Timed]]] | None = None

    def listen(self, lines: TextIO) -> None:
        """Take commands from ``lines`` until it ends (in a thread: reading may block anywhere)."""

        def read() -> None:
            for line in lines:
                self._typed.put(line)
            self._typed.put(None)

        self._more = True
        threading.Thread(target=read, daemon=True).start()

    def serve(self, wait: bool) -> None:
        """Serve until all is done. With ``wait`` the rig's time begins when the port is opened."""
        assert self._door is not None
        self._tell(port=self._door.port, name="virtual-rig", seed=self._rig.hidden.seed)
        while (wait or self._speed == 0.0) and not self._door.someone():
            time.sleep(NAP_S)
        began = time.monotonic()
        while True:
            now_s = (time.monotonic() - began) * self._speed if self._speed else float("inf")
            self._take_commands()
            self._plug(now_s)
            self._answer()
            ahead = now_s + SLICE_S * max(self._speed, 1.0)
            going = self._rig.now_s >= ahead or self._work()
            self._write(now_s)
            if not going and not self._pending:
                break
            if self._speed and self._rig.now_s >= ahead:
                time.sleep(NAP_S)
        self._tell(end=True, t_s=round(self._rig.now_s, 6))
        if self._door:
            time.sleep(LINGER_S if self._door.someone() else 0.0)
            self._door.close()

    def _tell(self, **what: Any) -> None:
        print(json.dumps(what), file=self._out, flush=True)

    def _take_commands(self) -> None:
        # At full speed nothing happens without a command, so there is time to wait for one.
        block = self._speed == 0.0 and self._more and not self._commands and self._doing is None
        try:
            while True:
                line = self._typed.get(block=block)
                block = False
                if line is None:
                    self._more = False
                    return
                for text in lines_of(line):
                    if text == "halt":
                        self._rig.halt()
                    else:
                        self._commands.append(text)
        except queue.Empty:
            return

    def _work(self) -> bool:
        """Compute one more slice; False if there is nothing left to do."""
        if self._doing is None and self._commands:
            text = self._commands.popleft()
            if text == "quit":
                self._commands.clear()
                self._more = False
                return False
            self._doing = (text, self._rig.do(text, SLICE_S))
        if self._doing is None:
            if not self._more:
                return False
            if self._speed:
                self._pending += self._rig.idle(SLICE_S)
            return True
        text, slices = self._doing
        try:
            part = next(slices, None)
        except InputError as why:
            self._tell(command=text, error=str(why))
            self._doing = None
            return True
        if part is None:
            self._doing = None
            self._unplug(text)
            self._tell(done=text, t_s=round(self._rig.now_s, 6), **self._rig.reply)
        else:
            self._pending += part
        return True

    def _unplug(self, text: str) -> None:
        """Remember when the port disappears, if the command asks for it."""
        command = parse(text)
        what, after_s = command.said.get("what", ""), command.said.get("after", 0.0)
        name, argument = parse_fault(what) if command.verb == "fault" else ("", "")
        if name == "unplug":
            from_s = self._rig.now_s + after_s
            self._unplugged = (from_s, from_s + float(argument))

    def _plug(self, now_s: float) -> None:
        if self._unplugged is None or now_s < self._unplugged[0]:
            return
        if self._door is not None:
            self._door.close()
            self._door = None
        if now_s >= self._unplugged[1]:
            self._door, self._unplugged = open_virtual_port(self._use_socket), None
            self._tell(port=self._door.port)

    def _answer(self) -> None:
        self._heard += self._door.read().replace(b"\r", b"") if self._door else b""
        if b"?\n" in self._heard:
            self._pending += self._rig.identify()
            self._heard = b""
        self._heard = self._heard[-1:]

    def _write(self, now_s: float) -> None:
        data = bytearray()
        while self._pending and self._pending[0][0] <= now_s:
            data += self._pending.popleft()[1]
        if data and self._door:
            self._door.write(bytes(data), wait=self._speed == 0.0)


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


def run(args: argparse.Namespace, lines: TextIO, out: TextIO) -> int:
    """Serve until ``lines`` ends; reports go to ``out``. Returns the exit status.

    Raises InputError for impossible arguments, OSError for files that cannot be used.
    """
    if args.speed < 0.0:
        raise InputError("--speed: times real time, so 0 or more")
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
        rig = VirtualRig(profile, args.seed, hidden=hidden, board=board, vcd=vcd)
        server = Server(rig, plan, out, args.socket, args.speed)
        server.listen(lines)
        try:
            server.serve(args.wait)
        finally:
            rig.end_vcd()
            if args.truth:
                args.truth.write_text(json.dumps(rig.truth(), indent=1) + "\n", encoding="utf-8")
    return 0


def main(argv: list[str] | None = None) -> int:
    """``python -m rig.virtual``: the exit status."""
    parser = argparse.ArgumentParser(
        prog="python -m rig.virtual", description="A rig in software, with a port of its own."
    )
    arguments(parser)
    args = parser.parse_args(argv)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    try:
        return run(args, sys.stdin, sys.stdout)
    except KeyboardInterrupt:
        return 0
    except InputError as why:
        print(f"virtual rig: {why}", file=sys.stderr)
        return why.status
    except OSError as why:
        print(f"virtual rig: {why.filename}: {reason(why)}", file=sys.stderr)
        return 2


class VirtualPort:
    """One port for one program at a time. Nothing here ever blocks, except ``write`` with
    ``wait``."""

    port = ""  # what a program opens: a device path or ``socket://`` address

    def someone(self) -> bool:
        """Whether a program has the port open."""
        raise NotImplementedError

    def send(self, data: bytes) -> int:
        """How many of the bytes found room. Raises BlockingIOError when none did."""
        raise NotImplementedError

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

    def read(self) -> bytes:
        """What the program has sent since the last call."""
        raise NotImplementedError

    def close(self) -> None:
        raise NotImplementedError


class SocketPort(VirtualPort):
    """A TCP socket on the loopback address; pyserial opens it as ``socket://127.0.0.1:PORT``."""

    def __init__(self) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.setblocking(False)
        self._client: socket.socket | None = None
        self.port = f"socket://127.0.0.1:{self._server.getsockname()[1]}"

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

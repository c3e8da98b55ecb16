"""The virtual rig as a program of its own, with a port that any program can open.

It prints one JSON object a line: first ``{"port": ...}``, then one for each command carried out.
Commands come on standard input, one a line, or from a plan; it ends at ``quit`` or at the end of
both.
"""

from __future__ import annotations

import json
import queue
import shlex
import threading
import time
from collections import deque
from collections.abc import Iterable, Iterator
from typing import Any, TextIO

from rig.base.errors import InputError
from rig.virtual.board import Timed
from rig.virtual.operator import FAULTS, FORMS, lines_of
from rig.virtual.ports import VirtualPort, open_virtual_port, write
from rig.virtual.rig import VirtualRig

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
        self._print(port=name, name="virtual-rig", seed=self._rig.hidden.seed, connect=connect)
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
        self._print(end=True, t_s=round(self._rig.now_s, 6))
        if self._port:
            time.sleep(LINGER_S if self._port.someone() else 0.0)
            self._port.close()

    def _print(self, **what: Any) -> None:
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
            self._print(done=text, t_s=round(self._rig.now_s, 6), **self._rig.reply)
        except InputError as why:
            self._doing = None
            self._print(command=text, error=str(why))

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
            self._print(port=self._port.name)

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
            write(self._port, bytes(data), wait=self._speed == 0.0)


def commands_help() -> str:
    """Every command of the simulated hand and every fault, a line each."""
    commands = [f"  {line}" for _, line in FORMS.values()]
    faults = [f"  {line}" for _, line in FAULTS.values()]
    last = ["  halt: end the present movement", "  quit"]
    return "\n".join(["commands:", *commands, *last, "faults:", *faults])

"""The port of the virtual rig: a pseudo-terminal, or a socket where there is none.

Each serves one program at a time. Nothing here ever blocks, except ``write`` with ``wait``.
"""

from __future__ import annotations

import errno
import os
import select
import socket
import sys
import time
from typing import Protocol


class VirtualPort(Protocol):
    """What a program opens by ``name``: a device's path or a ``socket://`` address."""

    name: str

    def someone(self) -> bool:
        """Whether a program has the port open."""

    def send(self, data: bytes) -> int:
        """How many of the bytes found room. Raises BlockingIOError when none did."""

    def read(self) -> bytes:
        """What the program has sent since the last call."""

    def close(self) -> None: ...


def write(port: VirtualPort, data: bytes, *, wait: bool = False) -> None:
    """Send bytes to the program; what finds no room is lost, as on a real port.

    With ``wait`` they wait for room as long as the program has the port open.
    """
    while data and port.someone():
        try:
            data = data[port.send(data) :]
        except BlockingIOError:
            if not wait:
                return
            time.sleep(0.001)


class SocketPort:
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


class PtyPort:
    """A pseudo-terminal: the program opens its other side like any serial device. POSIX only."""

    def __init__(self) -> None:
        import pty
        import tty

        self._master, slave = pty.openpty()
        self.name = os.ttyname(slave)
        tty.setraw(slave)  # stays so while the master is open
        os.close(slave)  # else the master could not see whether anybody has it open
        os.set_blocking(self._master, False)
        self._poll = select.poll()
        self._poll.register(self._master, select.POLLOUT)

    def someone(self) -> bool:
        return not any(flags & select.POLLHUP for _, flags in self._poll.poll(0))

    def send(self, data: bytes) -> int:
        return os.write(self._master, data)

    def read(self) -> bytes:
        try:
            return os.read(self._master, 4096)
        except BlockingIOError:
            return b""
        except OSError as why:
            if why.errno != errno.EIO:  # EIO: nobody has the other side open
                raise
            return b""

    def close(self) -> None:
        os.close(self._master)


def open_virtual_port(use_socket: bool) -> VirtualPort:
    """A pseudo-terminal, or a socket if there is none or ``use_socket``."""
    return SocketPort() if use_socket or sys.platform == "win32" else PtyPort()

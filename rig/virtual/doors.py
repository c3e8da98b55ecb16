"""Where the bytes go: a loopback socket here, a pseudo-terminal behind ``pty_door``."""

from __future__ import annotations

import socket
import sys
import time
from typing import Protocol


class Door(Protocol):
    """One port at a time, for one program at a time. Nothing here ever blocks, ``write`` with
    ``wait`` excepted."""

    @property
    def port(self) -> str:
        """What a program opens: a device path or ``socket://`` address."""

    def someone(self) -> bool:
        """Whether a program has the port open."""

    def write(self, data: bytes, wait: bool = False) -> None:
        """Give bytes to the program; what finds no room is lost, as on a real port.

        With ``wait`` they wait for room as long as the program has the port open.
        """

    def read(self) -> bytes:
        """What the program has sent since."""

    def close(self) -> None: ...


class SocketDoor:
    """A TCP socket on the loopback address; pyserial opens it as ``socket://127.0.0.1:PORT``."""

    def __init__(self) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.setblocking(False)
        self._client: socket.socket | None = None

    @property
    def port(self) -> str:
        return f"socket://127.0.0.1:{self._server.getsockname()[1]}"

    def someone(self) -> bool:
        if self._client is None:
            try:
                self._client, _ = self._server.accept()
            except BlockingIOError:
                return False
            self._client.setblocking(False)
        return True

    def write(self, data: bytes, wait: bool = False) -> None:
        while data and self.someone():
            assert self._client is not None
            try:
                data = data[self._client.send(data) :]
            except BlockingIOError:
                if not wait:
                    return
                time.sleep(0.001)
            except OSError:  # the program has gone
                self._hang_up()

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


def open_door(use_socket: bool) -> Door:
    """A pseudo-terminal, or a socket where there is none or when asked for."""
    if use_socket or sys.platform == "win32":
        return SocketDoor()
    from rig.virtual.pty_door import PtyDoor

    return PtyDoor()

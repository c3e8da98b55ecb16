"""Something at the other end of a line: a loopback socket that says what it is told to say."""

from __future__ import annotations

import itertools
import socket
import threading
from collections.abc import Iterable
from types import TracebackType

from rounds import ROUNDS

EVERY_S = 0.02
OPENING_S = 0.2
"""A serial library empties a socket as it opens it: what is said before is lost."""


class Device:
    """Says ``pieces`` to whoever connects, one every 20 ms, then stays silent.

    With ``again`` it begins over and over; ``visits`` are the pieces for each connection in turn,
    after each of which it hangs up and listens again; with ``gone`` it is gone after the last.
    """

    def __init__(
        self,
        pieces: Iterable[bytes] = (),
        *,
        again: bool = False,
        visits: Iterable[Iterable[bytes]] | None = None,
        gone: bool = False,
    ) -> None:
        self.heard = b""
        self._pieces = list(pieces)
        self._again = again
        self._gone = gone
        self._visits = None if visits is None else [list(visit) for visit in visits]
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.settimeout(EVERY_S)
        self.port = f"socket://127.0.0.1:{self._server.getsockname()[1]}"
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)

    def __enter__(self) -> Device:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._over.set()
        self._thread.join(timeout=5.0)
        self._server.close()

    def _serve(self) -> None:
        while not self._over.is_set():
            try:
                client, _ = self._server.accept()
            except TimeoutError:
                continue
            with client:
                client.settimeout(EVERY_S)
                with ROUNDS.say() as self._turn:
                    self._over.wait(OPENING_S)
                    if self._visits is None:
                        self._say(client, self._pieces, stay=True)
                    else:
                        pieces = self._visits.pop(0)
                        self._say(client, pieces, stay=not (self._visits or self._gone))
            if self._visits == []:
                self._server.close()
                return

    def _say(self, client: socket.socket, pieces: list[bytes], *, stay: bool) -> None:
        turns = itertools.cycle(pieces) if self._again and pieces else iter(pieces)
        for piece in turns:
            if self._over.is_set() or not self._send(client, piece):
                return
            self._hear(client)
            ROUNDS.turn(self._turn)
        while stay and not self._over.is_set() and self._hear(client):
            ROUNDS.turn(self._turn)

    @staticmethod
    def _send(client: socket.socket, piece: bytes) -> bool:
        try:
            client.sendall(piece)
        except OSError:  # it hung up
            return False
        return True

    def _hear(self, client: socket.socket) -> bool:
        """What the program says; waits 20 ms for it. False once it has hung up."""
        try:
            said = client.recv(1000)
        except TimeoutError:
            return True
        except OSError:
            return False
        self.heard += said
        return bool(said)

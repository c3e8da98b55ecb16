"""A pseudo-terminal as the port of the virtual rig. POSIX only; imported nowhere at the top."""

from __future__ import annotations

import errno
import os
import pty
import select
import tty

from rig.virtual.server import VirtualPort


class PtyPort(VirtualPort):
    """The program opens the slave side like any serial device."""

    def __init__(self) -> None:
        self._master, slave = pty.openpty()
        self.name = os.ttyname(slave)
        tty.setraw(slave)  # stays so while the master is open
        os.close(slave)  # so that the master can tell whether somebody else has it open
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

"""An open serial line to a rig, and the sentence that says why it cannot be opened.

Anything that pyserial opens is a port: a device path, ``COM3``, ``socket://host:port``. It is
opened for this program alone where the system can do that.
"""

from __future__ import annotations

import errno
import os
import re
import sys
from pathlib import Path
from types import TracebackType
from urllib.parse import urlsplit

import serial

from rig.faults import InputError, RigLostError, reason

BAUD = 500_000
LEAST_BAUD, MOST_BAUD = 50, 12_000_000
"""The lowest rate that POSIX names (termios.h), and the highest of common USB adapters (common
practice, no source)."""
WAIT_S = 0.02
"""``read`` waits so long for the first byte."""
_MOST = 1 << 16  # bytes given at once


class Port:
    """An open line to a rig. Reading and writing raise RigLostError when it went away."""

    def __init__(self, url: str, baud: int, line: serial.Serial) -> None:
        self.url = url
        self.baud = baud
        self._line = line
        self._kept = b""

    @property
    def is_open(self) -> bool:
        """False after ``close``."""
        return bool(self._line.is_open)

    def read(self) -> bytes:
        """What is there; waits up to 20 ms for the first byte; b"" when there is none."""
        if self._kept:
            seen, self._kept = self._kept, b""
            return seen
        seen = b""
        try:
            seen = bytes(self._line.read(1))
            while seen and len(seen) < _MOST and (more := self._waiting()):
                seen += more
        except (OSError, TypeError, ValueError) as why:
            # pyserial raises TypeError or ValueError when another thread closes the line.
            if not seen:  # else the next call says it, and what came before is not lost
                raise RigLostError(f"{self.url}: the rig went away: {_words(why)}") from why
        return seen

    def _waiting(self) -> bytes:
        """What has arrived already."""
        if not self.url.startswith("socket:"):
            return bytes(self._line.read(self._line.in_waiting))
        self._line.timeout = 0  # a socket cannot say how much there is
        try:
            return bytes(self._line.read(_MOST))
        finally:
            self._line.timeout = WAIT_S

    def give_back(self, seen: bytes) -> None:
        """Bytes that were read only to learn who speaks there: ``read`` gives them once more."""
        self._kept = seen + self._kept

    def write(self, data: bytes) -> None:
        """Send ``data``."""
        try:
            self._line.write(data)
        except (OSError, TypeError, ValueError) as why:
            raise RigLostError(f"{self.url}: the rig went away: {_words(why)}") from why

    def close(self) -> None:
        """Give the port back. May be called twice."""
        self._line.close()

    def __enter__(self) -> Port:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def open_port(url: str, baud: int = BAUD) -> Port:
    """Open ``url``. Raises InputError with one sentence: which port, why not, what to do."""
    if not LEAST_BAUD <= baud <= MOST_BAUD:
        raise InputError(
            f"baud rate {baud}: enter {LEAST_BAUD} to {MOST_BAUD}; a rig speaks at {BAUD} unless"
            " its maker says otherwise"
        )
    _check_network(url)
    what = _no_port(url)
    if what:
        raise InputError(f"{url}: this is {what}, no serial port; rig ports lists those there are")
    options = {} if "://" in url or sys.platform == "win32" else {"exclusive": True}
    try:
        line = serial.serial_for_url(
            url,
            baudrate=baud,
            timeout=WAIT_S,
            write_timeout=1.0,
            **options,  # type: ignore[arg-type]  # the stub knows string options only
        )
    except (ValueError, ImportError, LookupError, AttributeError, TypeError, re.error) as why:
        # So pyserial's kinds of address fail on what they do not expect (``hwgrep://[``).
        raise InputError(f"{url}: this is no port that can be opened: {why}") from why
    except OSError as why:
        raise InputError(_why_not(url, why)) from why
    return Port(url, baud, line)


def _why_not(url: str, why: OSError) -> str:
    code = _code(why)
    if "://" in url:
        return f"{url}: nothing can be reached there: {_words(why)}"
    if code in (errno.EACCES, errno.EPERM) and Path(url).exists():
        return f"{url}: this user may not open the port; {_permission(url)}"
    # Windows refuses a port that is in use, and pyserial keeps of that only the text.
    refused = "exclusively lock" in str(why) or "PermissionError" in str(why)
    if refused or code in (errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK):
        holder = _holder(url)
        held = f"by {holder}" if holder else "by another program"
        return f"{url}: the port is taken {held}; close that program, then try again"
    if code == errno.ENOENT or "could not open port" in str(why).lower():
        from serial.tools.list_ports import comports

        there = ", ".join(sorted(port.device for port in comports())) or "none"
        return f"{url}: there is no such port; the ports of this computer: {there}"
    if "Could not configure port" in str(why):  # the system's number is in its text alone
        return f"{url}: this is a device, but no serial port; rig ports lists those there are"
    return f"{url}: the port cannot be opened: {_words(why)}"


def _check_network(url: str) -> None:
    """Raise InputError when ``url`` is a network address that cannot be one."""
    if not url.lower().startswith(("socket://", "rfc2217://")):
        return
    scheme = url.partition(":")[0]
    needed = f"{url}: expected {scheme}://HOST:PORT with a port from 1 to 65535"
    try:
        address = urlsplit(url)
        number = address.port
    except ValueError as why:
        raise InputError(needed) from why
    if not address.hostname or not number:
        raise InputError(needed)
    try:
        address.hostname.encode("idna")
    except UnicodeError as why:
        raise InputError(f"{url}: no host can have such a name") from why


def _no_port(url: str) -> str:
    """What lies there, when that can be no port."""
    if "://" in url:
        return ""
    path = Path(url)
    if not url.strip():
        return "no name"
    try:
        path.stat()
    except (OSError, ValueError) as why:  # ValueError: a NUL in it
        known = isinstance(why, OSError) and why.errno not in (errno.ENAMETOOLONG, errno.EINVAL)
        return "" if known else "a name that nothing can have"
    if path.is_file():
        return "a file"
    if path.is_dir():
        return "a folder"
    return "a pipe" if path.is_fifo() else "a disk" if path.is_block_device() else ""


def _code(why: OSError) -> int | None:
    """The system's error number; pyserial puts it into its own exception or its text."""
    if why.errno is not None:
        return why.errno
    cause = why.__cause__ or why.__context__
    return cause.errno if isinstance(cause, OSError) else None


def _words(why: Exception) -> str:
    return reason(why) if isinstance(why, OSError) and why.errno else str(why) or "it was closed"


def _permission(url: str) -> str:
    """Which group may open the device, on systems that have such groups."""
    try:
        import grp

        group = grp.getgrgid(os.stat(url).st_gid).gr_name
    except (ImportError, KeyError, OSError):
        return "ask whoever looks after this computer to allow it"
    if group == "root":
        return "it belongs to root; ask whoever looks after this computer to allow it"
    return f"the group {group} may: sudo usermod -a -G {group} $USER, then log out and in again"


def _holder(url: str) -> str:
    """Name and number of the program that has the device open, where it can be known (Linux)."""
    target = os.path.realpath(url)
    ours = ""
    for handle in Path("/proc").glob("[0-9]*/fd/*"):
        try:
            if os.readlink(handle) != target:
                continue
            process = handle.parts[2]
            if int(process) == os.getpid():
                ours = "this very program"
                continue
            name = Path("/proc", process, "comm").read_text("utf-8", "replace").strip()
        except OSError:
            continue  # ended meanwhile, or not ours to look at
        return f"{''.join(c if c.isprintable() else '?' for c in name)} (process {process})"
    return ours

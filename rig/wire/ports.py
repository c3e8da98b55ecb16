"""Serial ports: list them, find the one on which a rig answers, open it, say why it cannot open.

Anything that pyserial opens is a port: a device path, ``COM3``, ``socket://host:port``. It is
opened exclusively where the system supports that.
"""

from __future__ import annotations

import errno
import os
import re
import socket
import sys
import time
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from urllib.parse import urlsplit

import serial

from rig.base.errors import InputError, RigError, RigLostError
from rig.base.rounding import many
from rig.wire.line import PROTOCOL, decode
from rig.wire.reader import LineReader
from rig.wire.records import Identity

BAUD = 500_000
LEAST_BAUD, MOST_BAUD = 50, 12_000_000
"""The lowest rate that POSIX has (termios.h), and the highest of common USB adapters (common
practice, no source)."""

WAIT_S = 0.02  # how long ``read`` waits for the first byte
_MOST = 1 << 16  # bytes returned at once


class Port:
    """An open line to a rig. Reading and writing raise RigLostError when the rig is gone."""

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
        """The bytes that have arrived; waits up to 20 ms for the first; b"" if there are none."""
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
            if not seen:  # otherwise the next call reports it, and these bytes are not lost
                raise RigLostError(f"{self.url}: {_why_lost(self.url, why)}") from why
        return seen

    def _waiting(self) -> bytes:
        """Bytes that have arrived already."""
        if not self.url.startswith("socket:"):
            return bytes(self._line.read(self._line.in_waiting))
        self._line.timeout = 0  # a socket cannot report how many there are
        try:
            return bytes(self._line.read(_MOST))
        finally:
            self._line.timeout = WAIT_S

    def give_back(self, seen: bytes) -> None:
        """Put back bytes that were read only to identify the device; ``read`` returns them next."""
        self._kept = seen + self._kept

    def write(self, data: bytes) -> None:
        """Send ``data``."""
        try:
            self._line.write(data)
        except (OSError, TypeError, ValueError) as why:
            raise RigLostError(f"{self.url}: {_why_lost(self.url, why)}") from why

    def close(self) -> None:
        """Release the port; a second call does nothing."""
        self._line.close()

    def __enter__(self) -> Port:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def open_port(url: str, baud: int = BAUD) -> Port:
    """Open ``url``. Raises InputError with the port, the reason and what to do; RigLostError where
    nothing answers at a network address."""
    if not LEAST_BAUD <= baud <= MOST_BAUD:
        raise InputError(
            f"baud rate {baud}: enter {LEAST_BAUD} to {MOST_BAUD}; a rig uses {BAUD} unless its"
            " maker says otherwise"
        )
    _check_network(url)
    what = _no_port(url)
    if what:
        raise InputError(f"{url}: this is {what}, not a serial port; rig ports lists the ports")
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
        # pyserial's address handlers fail like this on input they do not expect (``hwgrep://[``).
        raise InputError(
            f"{url}: this port cannot be opened: enter a device, COM port or socket://HOST:PORT"
        ) from why
    except OSError as why:
        refused = RigLostError if "://" in url else InputError
        raise refused(_why_not(url, why)) from why
    return Port(url, baud, line)


def _why_lost(url: str, why: Exception) -> str:
    """What became of an open line, in our words; the library's stay with the error's cause."""
    if isinstance(why, serial.SerialTimeoutException):
        return "the rig takes nothing that is sent to it"
    if "://" in url:
        return _NETWORK.get(_code(why) or 0, "the connection was closed at the other end")
    return "the rig was unplugged, or lost its power"


_NETWORK = {
    errno.ECONNREFUSED: "the connection was refused: no program listens there",
    errno.ETIMEDOUT: "no reply came in time",
    errno.EHOSTUNREACH: "the network does not reach that computer",
    errno.ENETUNREACH: "this computer's network does not lead there",
    socket.EAI_NONAME: "no computer of that name is known",
    socket.EAI_AGAIN: "no computer of that name is known just now",
}


def _why_not(url: str, why: OSError) -> str:
    code = _code(why)
    if "://" in url:
        cause = _NETWORK.get(code or 0, "no connection could be made")
        return f"{url}: nothing answers at this address; {cause}"
    if code in (errno.EACCES, errno.EPERM) and Path(url).exists():
        return f"{url}: you may not open this port; {_permission(url)}"
    # Windows refuses a port that is in use; pyserial keeps only the text of that error.
    refused = "exclusively lock" in str(why) or "PermissionError" in str(why)
    if refused or code in (errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK):
        holder = _holder(url)
        holder = f"by {holder}" if holder else "by another program"
        return f"{url}: the port is in use {holder}; close that program, then try again"
    if code == errno.ENOENT or "could not open port" in str(why).lower():
        from serial.tools.list_ports import comports

        there = ", ".join(sorted(port.device for port in comports())) or "none"
        return f"{url}: there is no such port; this computer has: {there}"
    if "Could not configure port" in str(why):  # the system's error number is only in its text
        return f"{url}: this device is not a serial port; rig ports lists the ports"
    number = f" (error {code} of the system)" if code else ""
    return f"{url}: the port cannot be opened{number}; unplug it, plug it in, and try again"


def _check_network(url: str) -> None:
    """Raise InputError when ``url`` is a network address that is not valid."""
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
        raise InputError(f"{url}: no host can have this name") from why


def _no_port(url: str) -> str:
    """What ``url`` names, if that cannot be a port."""
    if "://" in url:
        return ""
    path = Path(url)
    if not url.strip():
        return "an empty name"
    try:
        path.stat()
    except (OSError, ValueError) as why:  # ValueError: it has a NUL
        known = isinstance(why, OSError) and why.errno not in (errno.ENAMETOOLONG, errno.EINVAL)
        return "" if known else "not a possible name"
    if path.is_file():
        return "a file"
    if path.is_dir():
        return "a folder"
    return "a pipe" if path.is_fifo() else "a disk" if path.is_block_device() else ""


def _code(why: BaseException | None) -> int | None:
    """The system's error number, which is that of pyserial's exception or of its cause."""
    while why is not None:
        if isinstance(why, TimeoutError):
            return errno.ETIMEDOUT
        if isinstance(why, OSError) and why.errno is not None:
            return why.errno
        why = why.__cause__ or why.__context__
    return None


def _permission(url: str) -> str:
    """Which group may open the device, on systems with groups."""
    try:
        import grp

        group = grp.getgrgid(os.stat(url).st_gid).gr_name
    except (ImportError, KeyError, OSError):
        return "ask the administrator of this computer to allow it"
    if group == "root":
        return "it belongs to root; ask the administrator of this computer to allow it"
    return f"the group {group} may: sudo usermod -a -G {group} $USER, then log out and in again"


def _holder(url: str) -> str:
    """Name and number of the program that has the device open, if known (Linux)."""
    target = os.path.realpath(url)
    ours = ""
    for handle in Path("/proc").glob("[0-9]*/fd/*"):
        try:
            if os.readlink(handle) != target:
                continue
            process = handle.parts[2]
            if int(process) == os.getpid():
                ours = "this program"
                continue
            name = Path("/proc", process, "comm").read_text("utf-8", "replace").strip()
        except OSError:
            continue  # it has ended, or may not be inspected
        return f"{''.join(c if c.isprintable() else '?' for c in name)} (process {process})"
    return ours


RATES = (BAUD, 250_000, 115_200)
"""Rates in the order in which they are tried. 500000 is that of the line format's own rig."""

LISTEN_S = 2.5
"""A rig sends ten times a second; a board that opening the port resets takes two seconds."""

clock_s = time.monotonic  # the clock for ``LISTEN_S``
ENOUGH_LINES = 3
MOST_KEPT = 8192


@dataclass(frozen=True, slots=True)
class PortInfo:
    """What the system knows about a port; all texts are escaped."""

    device: str
    description: str
    maker: str
    usb_id: str  # "vid:pid" in hexadecimal, or empty
    serial: str


def list_ports() -> list[PortInfo]:
    """The serial ports of this computer, by name."""
    from serial.tools.list_ports import comports

    return [
        PortInfo(
            port.device,
            _harmless(port.description if port.description != "n/a" else ""),
            _harmless(port.manufacturer),
            "" if port.vid is None else f"{port.vid:04x}:{port.pid or 0:04x}",
            _harmless(port.serial_number),
        )
        for port in sorted(comports())
    ]


class AnotherRigError(RigLostError):
    """A rig answers, but not the one that was there before."""


def find_rig(urls: Iterable[str] | None = None) -> Port:
    """The one port on which a rig answers, open; ``urls`` are tried instead of the system's.

    A rig of another version of the line format is not accepted. Raises RigLostError when none
    answers, InputError when several do.
    """
    tried = [port.device for port in list_ports()] if urls is None else list(urls)
    if not tried:
        raise RigLostError(
            "this computer has no serial port: plug the rig in, name its port with --port, or try"
            " rig demo without one"
        )
    found: list[Port] = []
    refusals: list[str] = []
    for url in tried:
        port, why = _rig_on(url)
        if port is not None:
            found.append(port)
        else:
            refusals.append(why)
    if len(found) == 1:
        return found[0]
    for port in found:
        port.close()
    if found:
        names = " and ".join(port.url for port in found)
        raise InputError(f"rigs answer on {names}: choose one with --port")
    raise RigLostError(
        f"no rig answers: {'; '.join(refusals)}. Plug the rig in, or name its port with --port"
    )


def _rig_on(url: str) -> tuple[Port | None, str]:
    why = ""
    for baud in RATES:
        try:
            port = open_port(url, baud)
            seen = _listen(port)
        except RigError as wrong:
            return None, str(wrong)
        wrong_line = diagnose(seen, baud)
        if not wrong_line and _valid_lines(seen) >= ENOUGH_LINES:
            return port, ""
        port.close()
        few = "few lines arrive intact: check the cable and the baud rate (--baud)"
        why = why or f"{url}: {wrong_line or few}"
        if not seen or _hello(seen) is not None:
            break  # silence does not depend on the rate, and a rig that is understood uses this one
    return None, why


def _listen(port: Port) -> bytes:
    """What an open port sends when asked for its identity. Closes a port that is lost."""
    seen = b""
    try:
        port.write(b"?\n")
        until = clock_s() + LISTEN_S
        while clock_s() < until:
            seen = (seen + port.read())[-MOST_KEPT:]
            if _valid_lines(seen) >= ENOUGH_LINES and _hello(seen) is not None:
                break
    except RigError:
        port.close()
        raise
    return seen


def _hello(seen: bytes) -> Identity | None:
    """The rig's last identity line."""
    lines = LineReader()
    heard = [other for batch in lines.feed(seen) for other in batch.others]
    return next((other for other in reversed(heard) if isinstance(other, Identity)), None)


@dataclass(frozen=True, slots=True)
class Place:
    """Where a rig was found, to find it again after it was unplugged."""

    url: str
    baud: int
    usb: tuple[str, str]  # id and serial of its USB adapter, empty when it has none
    others: frozenset[str]  # this computer's other ports at that time

    @staticmethod
    def of(port: Port) -> Place:
        """The place of an open port."""
        there = list_ports()
        usb = next((_usb(each) for each in there if each.device == port.url), ("", ""))
        others = frozenset(each.device for each in there if each.device != port.url)
        return Place(port.url, port.baud, usb, others)

    def again(self, rig: Identity | None) -> Port:
        """The same rig, open: under its old name, or under one that was not there before.

        ``rig`` is its identity, None if it never sent one. A port is accepted when its rig has the
        same identity, or when it is silent and the USB adapter or the name is the same. Nothing is
        written to ports that were there before: other devices may be on them. Raises
        AnotherRigError when only another rig answers, else RigLostError.
        """
        there = [each for each in list_ports() if each.device not in self.others]
        own = [each.device for each in there if self.usb[1] and _usb(each) == self.usb]
        urls = list(dict.fromkeys([*own, self.url, *(each.device for each in there)]))
        another = why = ""
        for url in urls:
            try:
                port = open_port(url, self.baud)
                seen = _listen(port)
            except RigError as wrong:
                why = why or str(wrong)
                continue
            hello = _hello(seen)
            known = url == self.url or url in own
            if _same(hello, rig) if hello is not None else known:
                port.give_back(seen)
                return port
            port.close()
            if hello is not None and rig is not None:
                another = another or (
                    f"another rig is on {url}: {hello.name}, {hello.contacts} contact inputs,"
                    f" {many(hello.counts_per_turn, 'count')} a turn; this capture is of"
                    f" {rig.name}, {rig.contacts} inputs, {many(rig.counts_per_turn, 'count')};"
                    " plug that one in, or end here and start again"
                )
        if another:
            raise AnotherRigError(another)
        raise RigLostError(why or f"{self.url}: the rig is not back yet")


def _usb(port: PortInfo) -> tuple[str, str]:
    return port.usb_id, port.serial


def _same(heard: Identity, before: Identity | None) -> bool:
    """Whether two identities are the same rig's; any is, if there was none before."""
    return before is None or replace(heard, t_us=before.t_us) == before


def diagnose(seen: bytes, baud: int = BAUD) -> str:
    """One sentence on the first bytes of a line; empty when a rig answers properly."""
    if not seen:
        return "nothing is received: check that the rig is powered and that this is its port"
    lines = [decode(line) for line in seen.split(b"\n")[:-1]]
    for parts in lines:
        if parts and parts[0] == b"I" and parts[2:3] and parts[2].lstrip(b"0") != b"%X" % PROTOCOL:
            return (
                "the rig uses another version of the line format than this program:"
                " update one of the two"
            )
    if any(lines):
        return ""
    text = sum(32 <= byte < 127 or byte in b"\r\n\t" for byte in seen)
    if text > 0.95 * len(seen):
        heard = _harmless(
            seen.replace(b"\r", b"\n").strip().split(b"\n")[-1][:40].decode("ascii", "replace")
        )
        return f"another device answers, not a rig: it sends {heard!r}"
    return f"only garbage is received: probably not {baud} baud (--baud), or not a rig"


def _valid_lines(seen: bytes) -> int:
    return sum(decode(line) is not None for line in seen.split(b"\n")[:-1])


def _harmless(text: str | None) -> str:
    return "".join(c if c.isprintable() else "?" for c in text or "")[:80]

"""Which ports there are, on which one a rig speaks, and what else is heard."""

from __future__ import annotations

import time
from collections.abc import Iterable
from dataclasses import dataclass, replace

from rig.counted import many
from rig.faults import InputError, RigError, RigLostError
from rig.wire.line import PROTOCOL, decode
from rig.wire.port import BAUD, Port, open_port
from rig.wire.reader import LineReader
from rig.wire.records import Identity

RATES = (BAUD, 250_000, 115_200)
"""Tried in this order. 500000 is the rate of the line format's own rig."""
LISTEN_S = 2.5
"""A rig speaks ten times a second; a board that is reset by opening the port takes two seconds."""
clock_s = time.monotonic
"""What ``LISTEN_S`` is measured by."""
ENOUGH_LINES = 3
MOST_KEPT = 8192


@dataclass(frozen=True, slots=True)
class PortInfo:
    """What the system knows of a port; all texts are made harmless."""

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
    """A rig is there, but not the one that was there before."""


def find_rig(urls: Iterable[str] | None = None) -> Port:
    """The one port on which a rig answers, open; ``urls`` are tried instead of the system's.

    A rig of another version of the line format is not taken. Raises RigLostError when none
    answers, InputError when several do.
    """
    tried = [port.device for port in list_ports()] if urls is None else list(urls)
    if not tried:
        raise RigLostError(
            "this computer has no serial port: plug the rig in, or try rig demo without one"
        )
    found: list[Port] = []
    said: list[str] = []
    for url in tried:
        port, why = _rig_on(url)
        if port is not None:
            found.append(port)
        else:
            said.append(why)
    if len(found) == 1:
        return found[0]
    for port in found:
        port.close()
    if found:
        names = " and ".join(port.url for port in found)
        raise InputError(f"rigs answer on {names}: say which one with --port")
    raise RigLostError(f"no rig answers: {'; '.join(said)}")


def _rig_on(url: str) -> tuple[Port | None, str]:
    why = ""
    for baud in RATES:
        try:
            port = open_port(url, baud)
            seen = _listen(port)
        except RigError as wrong:
            return None, str(wrong)
        wrong_line = diagnose(seen, baud)
        if not wrong_line and _sound_lines(seen) >= ENOUGH_LINES:
            return port, ""
        port.close()
        few = "a rig is heard, but hardly: look at its cable and at the baud rate (--baud)"
        why = why or f"{url}: {wrong_line or few}"
        if not seen or _hello(seen) is not None:
            break  # silence is silent at any rate, and who is understood speaks at this one
    return None, why


def _listen(port: Port) -> bytes:
    """What is said on an open port once it is asked who is there. Closes a port that went away."""
    seen = b""
    try:
        port.write(b"?\n")
        until = clock_s() + LISTEN_S
        while clock_s() < until:
            seen = (seen + port.read())[-MOST_KEPT:]
            if _sound_lines(seen) >= ENOUGH_LINES and _hello(seen) is not None:
                break
    except RigError:
        port.close()
        raise
    return seen


def _hello(seen: bytes) -> Identity | None:
    """What the rig last said of itself."""
    lines = LineReader()
    heard = [other for batch in lines.feed(seen) for other in batch.others]
    return next((other for other in reversed(heard) if isinstance(other, Identity)), None)


@dataclass(frozen=True, slots=True)
class Place:
    """Where a rig was found, so that it is found again after it was unplugged."""

    url: str
    baud: int
    usb: tuple[str, str]  # id and serial of its USB adapter, empty when it has none
    others: frozenset[str]  # the ports of this computer that were there beside it

    @staticmethod
    def of(port: Port) -> Place:
        """The place of an open port."""
        there = list_ports()
        usb = next((_usb(each) for each in there if each.device == port.url), ("", ""))
        others = frozenset(each.device for each in there if each.device != port.url)
        return Place(port.url, port.baud, usb, others)

    def again(self, rig: Identity | None) -> Port:
        """The same rig, open: under its old name, or under one that was not there before.

        ``rig`` is what it said of itself, None when it never did. A port is taken when the rig on
        it says the same, or when nothing is heard and the USB adapter or the name is the same.
        Nothing is written to ports that were there all along: other devices may be on them.
        Raises AnotherRigError when only another rig answers, else RigLostError.
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
                    f"another rig is on {url}: it calls itself {hello.name}, {hello.contacts}"
                    f" contact inputs, {many(hello.counts_per_turn, 'count')} a turn, "
                    f"and this capture is"
                    f" of {rig.name}, {rig.contacts} inputs, "
                    f"{many(rig.counts_per_turn, 'count')}; plug"
                    " that one in, or end here and begin anew"
                )
        if another:
            raise AnotherRigError(another)
        raise RigLostError(why or f"{self.url}: the rig is not back yet")


def _usb(port: PortInfo) -> tuple[str, str]:
    return port.usb_id, port.serial


def _same(heard: Identity, before: Identity | None) -> bool:
    """Tell whether it is the same rig by what it says of itself; any will do where none spoke."""
    return before is None or replace(heard, t_us=before.t_us) == before


def diagnose(seen: bytes, baud: int = BAUD) -> str:
    """One sentence on the first bytes of a line; empty when a rig is speaking as it should."""
    if not seen:
        return "nothing is heard: is the rig powered, and is this its port?"
    lines = [decode(line) for line in seen.split(b"\n")[:-1]]
    for parts in lines:
        if parts and parts[0] == b"I" and parts[2:3] and parts[2].lstrip(b"0") != b"%X" % PROTOCOL:
            return (
                "the rig speaks another version of the line format than this program:"
                " update one of the two"
            )
    if any(lines):
        return ""
    text = sum(32 <= byte < 127 or byte in b"\r\n\t" for byte in seen)
    if text > 0.95 * len(seen):
        heard = _harmless(
            seen.replace(b"\r", b"\n").strip().split(b"\n")[-1][:40].decode("ascii", "replace")
        )
        return f"another device is talking there, not a rig: it says {heard!r}"
    return f"what is heard is garbage: probably not {baud} baud (--baud), or not a rig"


def _sound_lines(seen: bytes) -> int:
    return sum(decode(line) is not None for line in seen.split(b"\n")[:-1])


def _harmless(text: str | None) -> str:
    return "".join(c if c.isprintable() else "?" for c in text or "")[:80]

"""Which ports there are, on which one a rig speaks, and what else is heard."""

from __future__ import annotations

import time
from collections.abc import Iterable
from dataclasses import dataclass

from rig.faults import InputError, RigError, RigLostError
from rig.wire.line import PROTOCOL, decode
from rig.wire.port import BAUD, Port, open_port

RATES = (BAUD, 250_000, 115_200)
"""Tried in this order. 500000 is the rate of the line format's own rig."""
LISTEN_S = 2.5
"""A rig speaks ten times a second; a board that is reset by opening the port takes two seconds."""
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


def find_rig(urls: Iterable[str] | None = None) -> Port:
    """The one port on which a rig answers, open; ``urls`` are tried instead of the system's.

    Raises RigLostError when none answers, InputError when several do.
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
        except InputError as wrong:
            return None, str(wrong)
        seen = b""
        try:
            port.write(b"?\n")
            until = time.monotonic() + LISTEN_S
            while time.monotonic() < until and _sound_lines(seen) < ENOUGH_LINES:
                seen = (seen + port.read())[-MOST_KEPT:]
        except RigError as wrong:
            port.close()
            return None, str(wrong)
        if _sound_lines(seen) >= ENOUGH_LINES:
            return port, ""
        port.close()
        why = why or f"{url}: {diagnose(seen, baud)}"
        if not seen:
            break  # silence is silent at any rate
    return None, why


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

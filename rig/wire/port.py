"""Serial ports: open, list, find the rig, say what is wrong. (Being written: interface first.)"""

from __future__ import annotations

from dataclasses import dataclass
from types import TracebackType


@dataclass(frozen=True, slots=True)
class PortInfo:
    """What the system knows of a port; all texts are made harmless."""

    device: str
    description: str
    maker: str
    usb_id: str  # "vid:pid" in hexadecimal, or empty
    serial: str


class Port:
    """An open line to a rig. RigLostError when it goes away."""

    url: str
    baud: int

    @property
    def is_open(self) -> bool:
        raise NotImplementedError

    def read(self) -> bytes:
        """What is there; waits up to 20 ms for the first byte; b"" when there is none."""
        raise NotImplementedError

    def write(self, data: bytes) -> None:
        raise NotImplementedError

    def close(self) -> None:
        raise NotImplementedError

    def __enter__(self) -> Port:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def open_port(url: str, baud: int = 500_000) -> Port:
    """Open a device path, COM port or ``socket://host:port``; InputError says what to do."""
    raise NotImplementedError


def list_ports() -> list[PortInfo]:
    """The serial ports of this computer."""
    raise NotImplementedError


def find_rig() -> Port:
    """The one port on which a rig answers; InputError or RigLostError when none or several."""
    raise NotImplementedError


def diagnose(seen: bytes, baud: int = 500_000) -> str:
    """One sentence on what the first seconds show; empty when a rig is speaking."""
    raise NotImplementedError

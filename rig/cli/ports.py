"""List the serial ports with what the system knows of each, and find the rig among them."""

from __future__ import annotations

import argparse

from rig.base.errors import RigError
from rig.base.escape import message
from rig.cli.output import figures, json_option
from rig.wire.ports import find_rig, list_ports


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``rig ports``."""
    parser.add_argument("--find", action="store_true", help="listen on each: where is the rig?")
    json_option(parser)


def run(args: argparse.Namespace) -> int:
    """List the ports; with ``--find`` 3 when no rig answered."""
    ports = list_ports()
    answer: dict[str, object] = {"ports": ports}
    lines = [
        "  ".join(part for part in (p.device, p.description, p.maker, p.usb_id, p.serial) if part)
        for p in ports
    ] or ["this computer has no serial port; plug the rig in, or run rig demo"]
    status = 0
    if args.find:
        try:
            with find_rig() as found:
                answer["rig"] = {"port": found.url, "baud": found.baud}
                lines.append(f"a rig answers on {found.url} at {found.baud} baud")
        except RigError as none:
            message(f"rig ports: {none}")
            answer["rig"] = None
            status = none.status
    figures(args, answer, lines)
    return status

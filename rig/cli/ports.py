"""Serial ports: list them, find the rig, and put a rig in software on one."""

from __future__ import annotations

import argparse
import sys

from rig.base.errors import InputError, RigError, reason
from rig.cli.output import Answer, Command, folded, tell
from rig.wire.ports import find_rig, list_ports


def ports(args: argparse.Namespace) -> Answer:
    """List the serial ports with what the system knows of each, and find the rig.

    Exit status 3: no rig answered.
    """
    there = list_ports()
    figures: dict[str, object] = {"ports": there}
    lines = [
        "  ".join(filter(None, (p.device, p.description, p.maker, p.usb_id, p.serial)))
        for p in there
    ] or ["this computer has no serial port; plug the rig in, or run rig demo"]
    if args.find:
        try:
            with find_rig() as found:
                figures["rig"] = {"port": found.url, "baud": found.baud}
                lines.append(f"a rig answers on {found.url} at {found.baud} baud")
        except RigError as none:
            tell(args, str(none))
            return Answer(figures | {"rig": None}, lines, none.status)
    return Answer(figures, lines)


def simulate(args: argparse.Namespace) -> Answer:
    """A rig in software on a serial port of its own, to try things without hardware.

    Prints the port, then takes commands for the simulated hand on standard input.
    """
    from rig.virtual import server

    try:
        return Answer({}, status=server.run(args, sys.stdin, sys.stdout))
    except OSError as why:
        raise InputError(f"{why.filename}: {reason(why)}") from why


def _simulated(parser: argparse.ArgumentParser) -> None:
    from rig.virtual import server

    server.arguments(parser)
    parser.epilog = "\n".join(folded((parser.epilog or "").splitlines()))


COMMANDS = {
    "ports": Command(ports, "--find  listen on each port for the rig"),
    "simulate": Command(simulate, more=_simulated, json=False),
}

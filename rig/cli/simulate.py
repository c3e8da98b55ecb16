"""A rig in software on a serial port of its own, for trying things without hardware.

It prints the port, and takes hand commands on standard input: turn, back, touch, stop in ...
"""

from __future__ import annotations

import argparse
import sys

from rig.base.errors import InputError, reason


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``rig simulate``: those of the virtual rig's own program."""
    from rig.virtual import server

    server.arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Serve until standard input ends."""
    from rig.virtual import server

    try:
        return server.run(args, sys.stdin, sys.stdout)
    except OSError as why:
        raise InputError(f"{why.filename}: {reason(why)}") from why

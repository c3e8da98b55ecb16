"""A rig in software on a serial port of its own, for trying things without hardware."""

from __future__ import annotations

import argparse
import sys


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``rig virtual``."""
    from rig.virtual.serve import arguments as serve_arguments

    serve_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Serve until standard input ends."""
    from rig.virtual.serve import run as serve

    return serve(args, sys.stdin, sys.stdout)

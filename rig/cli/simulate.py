"""A rig in software on a serial port of its own."""

from __future__ import annotations

import argparse
import json
import sys
from contextlib import ExitStack
from dataclasses import replace
from itertools import chain

from rig.base.errors import InputError, reason
from rig.cli.output import Answer, Command, folded
from rig.engine.engine_file import load_profile
from rig.virtual.board import BoardSpec
from rig.virtual.contacts import NOISES
from rig.virtual.ground_truth import draw
from rig.virtual.operator import lines_of
from rig.virtual.rig import VirtualRig, demo_profile
from rig.virtual.server import Server, commands_help

LIMITS = {
    "seed": (0, 2**32 - 1),
    "counts": (4, 1_000_000),
    "clock_start": (0, 2**32 - 1),
    "count_start": (-(2**31), 2**31 - 1),
}
"""The least and the greatest value of each whole number."""


def run(args: argparse.Namespace) -> Answer:
    """A rig in software on a serial port of its own, to try things without hardware.

    Prints the port, then takes commands for the simulated hand on standard input.
    """
    if args.speed < 0.0:
        raise InputError(f"--speed {args.speed:g}: enter 0 or more")
    if args.demo and args.profile:
        raise InputError("--demo is the example engine: leave it out, or --profile")
    for name, (least, most) in LIMITS.items():
        number = getattr(args, name)
        if number is not None and not least <= number <= most:
            option = f"--{name.replace('_', '-')}"
            raise InputError(f"{option} {number}: enter {least} to {most}")
    try:
        _serve(args)
    except OSError as why:
        raise InputError(f"{why.filename}: {reason(why)}") from why
    return Answer({})


def _serve(args: argparse.Namespace) -> None:
    """Serve to the end of the commands. Raises OSError for files that cannot be used."""
    profile = load_profile(args.profile) if args.profile else demo_profile()
    hidden = draw(profile, args.seed, noise=args.noise, magnet=args.magnet)
    if args.counts:
        hidden = replace(hidden, encoder=replace(hidden.encoder, counts=args.counts))
    plan = lines_of(args.plan.read_text(encoding="utf-8")) if args.plan else []
    board = BoardSpec(
        profile.encoder.counts_per_turn,
        max(unit.input for unit in profile.units),
        clock_start_us=args.clock_start,
        count_start=args.count_start,
    )
    with ExitStack() as stack:
        vcd = stack.enter_context(args.vcd.open("w", encoding="ascii")) if args.vcd else None
        truth = stack.enter_context(args.truth.open("w", encoding="utf-8")) if args.truth else None
        rig = VirtualRig(profile, args.seed, hidden=hidden, board=board, vcd=vcd)
        job = str(args.profile.parent) if args.profile else "JOB"
        server = Server(rig, sys.stdout, args.socket, args.speed, job)
        server.listen(chain(plan, sys.stdin))
        try:
            server.serve(args.wait)
        finally:
            rig.end_vcd()
            if truth:
                truth.write(json.dumps(rig.truth(), indent=1) + "\n")


def _commands(parser: argparse.ArgumentParser) -> None:
    parser.epilog = "\n".join(folded(commands_help().splitlines()))


OPTIONS = f"""
--profile FILE            engine.toml of the engine that the rig is on
--demo                    the example engine (the default)
--seed N=0                draws the truth
--plan FILE               file of commands, one a line
--socket                  use a loopback socket as the port
--speed TIMES=1           times real time; 0: at once
--wait                    begin when the port is opened
--noise {{{",".join(NOISES)}}}=usual  sort of contacts
--magnet                  magnets pull through the backlash
--clock-start N=0         the rig's clock at the start, microseconds
--count-start N=0         the rig's count at the start
--counts N                counts a turn that the encoder really has
--truth FILE              write the truth to this file at the end
--vcd FILE                record the pins in this file
"""
COMMANDS = {"simulate": Command(run, OPTIONS, _commands, json=False)}

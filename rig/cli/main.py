"""The command line. Thin: the module of a command is imported when it is called."""

from __future__ import annotations

import argparse
import contextlib
import difflib
import importlib
import inspect
import math
import os
import signal
import sys
import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from rig import __version__
from rig.base.errors import RigError

if TYPE_CHECKING:
    from rig.cli.output import Command

FAULT = 70  # status of a fault of the program (from memory: EX_SOFTWARE of the BSD sysexits.h)
SHOW_FAULTS = "RIG_SHOW_FAULTS"

COMMANDS = {
    "demo": "the main job on the virtual rig, by a simulated hand",
    "new": "make a job folder: from a few questions, or a complete example",
    "ports": "list the serial ports, and find the rig",
    "live": "read the rig: the dashboard",
    "read": "where the contacts open in a recording (capture or VCD)",
    "check": "check the rig: counts, direction, index, contact inputs",
    "results": "what a job's captures show: readings, verdicts, synchronisation",
    "range": "the advance range of each lever, and what is left at each end",
    "tdc": "top dead centre: show it, set it, or find it with a dial gauge",
    "adjust": "what to move, how far, which way; then the outcome",
    "convert": "a crank angle as piston drop, rim length, degrees of other shafts",
    "gears": "gear trains and couplings: teeth as degrees, positions, marks",
    "bench": "a unit off the engine: lobes, backlash, neutral; two reports",
    "certify": "save a timing certificate from a capture",
    "verify": "prove a certificate against its capture and engine file",
    "compare": "two certificates, or two captures, against each other",
    "trend": "the certificates of an engine in order: drift, steps, outlook",
    "plot": "drawings: readings, the turn, a signal, drift, layout",
    "simulate": "a rig in software on a serial port of its own",
}
"""Every command and what it does, in the order in which they are shown."""

MODULES = {"demo": "live", "ports": "check", "range": "results", "verify": "certify"}
"""Commands that share the module of another."""

RENAMED = {
    "figures": "results",
    "lever": "range",
    "gauge": "tdc gauge",
    "correct": "adjust",
    "angle": "convert",
    "unit": "bench",
    "history": "trend",
    "draw": "plot",
    "virtual": "simulate",
}
"""Names of version 0.1, and what each command is called now."""


class _Parser(argparse.ArgumentParser):
    """Usage errors end with status 2 and one sentence, as all wrong input does."""

    def __init__(self, **settings: Any) -> None:
        super().__init__(formatter_class=argparse.RawDescriptionHelpFormatter, **settings)
        self.register("type", float, _number)  # for every option of every command
        self.register("type", int, _whole_number)

    def error(self, message: str) -> None:  # type: ignore[override]
        _tell(f"{self.prog}: {message}\nTry {self.prog} --help.")
        self.exit(2)

    def _print_message(self, message: str, file: Any = None) -> None:
        """As ``argparse`` does it, but a failure to write is raised."""
        if message:
            (file or sys.stderr).write(message)


def _number(text: str) -> float:
    """A finite number. Raises ArgumentTypeError for any other word, "nan" and "inf" included."""
    with contextlib.suppress(ValueError):
        if math.isfinite(value := float(text)):
            return value
    raise argparse.ArgumentTypeError(f"{text!r} is not a number: enter digits, such as 12.5")


def _whole_number(text: str) -> int:
    """A whole number. Raises ArgumentTypeError for any other word."""
    with contextlib.suppress(ValueError):
        return int(text)
    raise argparse.ArgumentTypeError(f"{text!r} is not a whole number")


def _tell(text: str) -> None:
    from rig.cli.output import say

    say(text)


def parser_of(name: str) -> argparse.ArgumentParser:
    """The parser of one command."""
    module = importlib.import_module(f"rig.cli.{MODULES.get(name, name)}")
    parser = _Parser(prog=f"rig {name}")
    parser.set_defaults(command=name)
    _declare(parser, module.COMMANDS[name])
    return parser


def _declare(parser: argparse.ArgumentParser, command: Command) -> None:
    about = inspect.cleandoc(command.run.__doc__ or "") if command.run else command.about.strip()
    parser.description = "\n\n".join(
        part if part.startswith(" ") else textwrap.fill(part, 78) for part in about.split("\n\n")
    )
    if command.run:
        parser.set_defaults(run=command.run)
        command.declare(parser)
    if command.parts:
        below = parser.add_subparsers(required=True, metavar="|".join(command.parts))
        for name, part in command.parts.items():
            words = (inspect.getdoc(part.run) or "").partition("\n")[0]
            _declare(below.add_parser(name, help=words), part)


def _help() -> str:
    width = max(map(len, COMMANDS))
    rows = "\n".join(f"  {name:<{width}}  {text}" for name, text in COMMANDS.items())
    return (
        "usage: rig COMMAND ...\n\n"
        "Reads a timing sensor rig: where ignition contacts open, in degrees of crank.\n\n"
        f"commands:\n{rows}\n\n"
        "For more: rig COMMAND --help. Exit status: 0 done, 1 done and the verdict is\n"
        "negative, 2 the input or the usage was wrong, 3 the rig was lost, 70 a fault of\n"
        "the program.\n"
    )


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line; returns the exit status. Nothing is raised, whatever the input."""
    from rig.base.streams import INTERRUPTED, OutputError, ended_in_order, standard_streams

    words = list(sys.argv[1:] if argv is None else argv)
    name = f"rig {words[0]}" if words and words[0] in COMMANDS else "rig"
    with standard_streams() as refused, ended_in_order() as signals:
        try:
            status = _run(words)
            sys.stdout.flush()
        except RigError as wrong:
            _tell(f"{name}: {wrong}")
            return wrong.status
        except BrokenPipeError:
            return 0  # the reader of our output went away (a pager, head), which is normal
        except KeyboardInterrupt:
            _tell("\nstopped")
            return INTERRUPTED + (signals[-1] if signals else signal.SIGINT)
        except Exception as fault:
            if os.environ.get(SHOW_FAULTS):
                raise
            _tell(f"{name}: {_of_the_program(fault)}")
            return FAULT
        return max(status, OutputError.status) if refused() else status


def _run(words: Sequence[str]) -> int:
    command = words[0] if words else "help"
    if command in ("-h", "--help", "help"):
        sys.stdout.write(_help())
        return 0
    if command in ("-V", "--version"):
        sys.stdout.write(f"timing-rig {__version__}\n")
        return 0
    if command in RENAMED:
        _tell(f"rig: {command!r} is now called {RENAMED[command]!r}: enter rig {RENAMED[command]}.")
        return 2
    if command not in COMMANDS:
        near = difflib.get_close_matches(command, COMMANDS, 1)
        hint = f" Did you mean {near[0]}?" if near else ""
        _tell(f"rig: there is no command {command!r}.{hint} Try rig --help.")
        return 2
    try:
        args = parser_of(command).parse_args(words[1:])
    except SystemExit as stop:
        return stop.code if isinstance(stop.code, int) else 2
    from rig.cli.output import show

    return show(args, args.run(args))


def _of_the_program(fault: Exception) -> str:
    """A fault of the program, in one sentence."""
    import traceback

    at = traceback.extract_tb(fault.__traceback__)[-1]
    what = " ".join(f"{type(fault).__name__} {fault}".split())
    return (
        f"this is a fault of the program ({what}, in {os.path.basename(at.filename)} line"
        f" {at.lineno}); what it had saved is kept. {SHOW_FAULTS}=1 in the environment shows"
        " the traceback, for a report"
    )

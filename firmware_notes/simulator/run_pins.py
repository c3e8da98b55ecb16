"""Runs the firmware on a simulated chip and shows its pins a recording.

    python firmware_notes/simulator/run_pins.py RECORDING.vcd CAPTURE --counts-per-turn 4096
        writes to CAPTURE what the firmware sends while its pins do what the recording says;
        `rig read` reads both, so that they can be compared

    python firmware_notes/simulator/run_pins.py RECORDING.vcd --live
        the same at real time, on a pseudo-terminal whose path is printed: as a board at a port

``--events`` takes a pin stream in place of a recording (``-`` is standard input); chip.c says what
an event is. ``--board rp2040`` runs the second board. Builds what is missing.
"""

from __future__ import annotations

import argparse
import fcntl
import os
import pty
import shutil
import signal
import subprocess
import sys
import tty
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryFile

from rig.base.errors import InputError, RigError
from rig.pins.vcd_body import BodyReader
from rig.pins.vcd_header import read_header
from rig.wire.capture import CaptureWriter

HERE = Path(__file__).resolve().parent
FIRMWARE = HERE.parent / "firmware"
START_US = 20_000  # time 0 of a recording: by then the firmware is ready
PINS = {
    "a": "a",
    "b": "b",
    "z": "index",
    "foot": "foot",
    "contact1": "contact1",
    "contact2": "contact2",
}
PRESSED_IS_LOW = "foot"  # a recording has 1 for pressed, the board's pin is pulled to ground


@dataclass(frozen=True, slots=True)
class Board:
    """What runs a board's firmware: tools, the Debian packages that they come in, and where the
    firmware is built."""

    tools: tuple[str, ...]
    packages: str
    folder: str
    command: tuple[str, ...]


BOARDS = {
    "atmega328p": Board(
        ("make", "cc", "avr-gcc"),
        "make gcc gcc-avr avr-libc libsimavr-dev libelf-dev",
        "{}",
        (str(HERE / "build" / "chip"),),
    ),
    "rp2040": Board(
        ("make", "node", "npm", "arm-none-eabi-gcc", "arm-none-eabi-nm"),
        "make nodejs npm gcc-arm-none-eabi",
        "rp2040-{}",
        ("node", str(HERE / "rp2040" / "chip.js")),
    ),
}


def build(counts_per_turn: int, board: str = "atmega328p") -> tuple[list[str], Path]:
    """The command that runs a board's firmware, options and an ELF to follow; and the ELF for an
    encoder. Both are built if need be.

    Raises InputError: a tool is missing, or the build failed (its own words go to standard error).
    """
    own = BOARDS[board]
    for tool in own.tools:
        if shutil.which(tool) is None:
            raise InputError(
                f"{tool} is not on this machine; on Debian: apt-get install {own.packages}"
            )
    make = ["make", "-s", "-C"]
    if board == "atmega328p":
        commands = [[*make, str(HERE)]]
    elif (HERE / "rp2040" / "node_modules").exists():
        commands = []
    else:
        install = ["npm", "install", "--silent", "--no-package-lock", "--no-audit"]
        commands = [[*install, "--prefix", str(HERE / "rp2040")]]
    commands.append([*make, str(FIRMWARE), f"CHIP={board}", f"COUNTS={counts_per_turn}"])
    with (HERE / "Makefile").open() as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # two runs begun together must not build over each other
        for command in commands:
            if subprocess.run(command, stdout=sys.stderr, check=False).returncode:
                raise InputError(f"{' '.join(command)}: failed; see above")
    folder = own.folder.format(counts_per_turn)
    return list(own.command), FIRMWARE / "build" / folder / "rig.elf"


def events(recording: Path, names: dict[str, str]) -> Iterator[str]:
    """The changes of a recording's pins as event lines; levels at its time 0 from power on.

    ``names`` says what the recording calls the pins a, b, z, contact1 ...
    Raises InputError: no such file or signal, or no dump.
    """
    header = read_header(recording)
    roles = [role for role in PINS if role in names or header.has(role)]
    pins = [header.pin(names.get(role, role)) for role in roles]
    reader = BodyReader(header, pins, lambda _: None)  # the program that reads them reports errors
    return _changes(reader, float(header.tick_us), [PINS[role] for role in roles])


def _changes(reader: BodyReader, tick_us: float, pins: list[str]) -> Iterator[str]:
    before = 0
    for rows in reader.rows():
        for tick, levels in zip(rows.ticks.tolist(), rows.levels.tolist(), strict=True):
            t_us = START_US + tick * tick_us if tick else 0
            for number, pin in enumerate(pins):
                if (levels ^ before) >> number & 1:
                    level = levels >> number & 1 ^ (pin == PRESSED_IS_LOW)
                    yield f"{t_us:.4f} pin {pin} {level}\n"
            before = levels
    yield f"{START_US + reader.end_tick * tick_us:.4f} host \n"


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("recording", nargs="?", type=Path, help="a value change dump (VCD)")
    parser.add_argument("capture", nargs="?", type=Path, help="for what the firmware sends")
    parser.add_argument("--events", type=Path, help="a pin stream in place of the recording")
    parser.add_argument("--live", action="store_true", help="at real time, on a pseudo-terminal")
    parser.add_argument("--counts-per-turn", type=int, default=2400)
    parser.add_argument("--board", choices=BOARDS, default="atmega328p")
    parser.add_argument("--seconds", type=float, help="stop after so much simulated time")
    parser.add_argument(
        "--signal",
        action="append",
        default=[],
        metavar="PIN=NAME",
        help="what the recording calls a pin (a, b, z, foot, contact1, contact2)",
    )
    given = parser.parse_args()
    if given.events and given.recording and not given.capture:
        given.capture, given.recording = given.recording, None
    if bool(given.events) == bool(given.recording):
        parser.error("give a recording, or --events and a pin stream")
    if bool(given.live) == bool(given.capture):
        parser.error("give a file for what the firmware sends, or --live")
    return given


def signal_names(given: list[str]) -> dict[str, str]:
    names = dict(text.partition("=")[::2] for text in given)
    for pin, name in names.items():
        if pin not in PINS or not name:
            raise InputError(f"--signal {pin}={name}: give one of {', '.join(PINS)} and a name")
    return names


def feed(lines: Iterator[str], chip: subprocess.Popen[bytes], at_once: bool) -> None:
    assert chip.stdin is not None
    try:
        for line in lines:
            chip.stdin.write(line.encode())
            if at_once:
                chip.stdin.flush()
        chip.stdin.close()
    except BrokenPipeError:
        pass  # it stopped at --seconds, or says itself why


def terminal() -> int:
    """A line for a chip to talk on: its path is printed, its other end returned. It stays open
    here, so that it outlives each program that reads it."""
    line, held = pty.openpty()
    tty.setraw(held)
    os.set_blocking(line, False)
    print(os.ttyname(held), flush=True)
    return line


def run(given: argparse.Namespace) -> int:
    command, elf = build(given.counts_per_turn, given.board)
    command += ["--live"] if given.live else []
    if given.seconds:
        command += ["--seconds", str(given.seconds)]
    with ExitStack() as stack:
        if given.recording:
            lines = events(given.recording, signal_names(given.signal))
        elif str(given.events) == "-":
            lines = iter(sys.stdin)
        else:
            lines = iter(stack.enter_context(given.events.open()))
        out = None
        if given.capture:
            capture = CaptureWriter(given.capture, {"source": "simulated chip"})
            out = stack.enter_context(TemporaryFile())
        line: tuple[int, ...] = ()
        if given.live and given.board == "rp2040":  # the other simulator opens its line itself
            line = (terminal(),)
            command += ["--line", str(line[0])]
        running = subprocess.Popen(
            [*command, str(elf)], stdin=subprocess.PIPE, stdout=out, pass_fds=line
        )
        stack.callback(running.kill)
        feed(lines, running, given.live)
        status = running.wait()
        if out:
            out.seek(0)
            shutil.copyfileobj(out, capture)
            capture.close()
        return status


def main() -> int:
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))  # so that the chip ends too
    try:
        return run(arguments())
    except RigError as error:
        print(f"run_pins: {error}", file=sys.stderr)
        return error.status
    except OSError as error:
        print(f"run_pins: {error.filename}: {error.strerror}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        return 0


if __name__ == "__main__":
    sys.exit(main())

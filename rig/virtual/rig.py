"""The virtual rig as one object: tell the hand what to do, get bytes with their times."""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Any, TextIO

import numpy as np

from rig.engine.profile import Profile
from rig.faults import InputError
from rig.virtual.board import Board, BoardSpec, Timed
from rig.virtual.cable import Cable
from rig.virtual.commands import Command, lines_of, parse, parse_fault
from rig.virtual.curve import still
from rig.virtual.hands import Person
from rig.virtual.hidden import Hidden, draw
from rig.virtual.motion import Hand, halted
from rig.virtual.pins import INDEX, Pins, VcdWriter
from rig.virtual.truth import Entry, TruthBook
from rig.virtual.wiring import Wiring
from rig.virtual.world import Movement, World

WHOLE = float("inf")


class VirtualRig:
    """A rig in software. Equal profile, seed and commands give equal bytes.

    ``hidden`` replaces the truth drawn by the seed, ``hand`` how the hand turns, ``board`` the
    board; pins are written to ``vcd`` as they change. With ``lines=False`` there is no board.
    """

    def __init__(
        self,
        profile: Profile,
        seed: int = 0,
        *,
        hidden: Hidden | None = None,
        hand: Hand | None = None,
        board: BoardSpec | None = None,
        vcd: TextIO | None = None,
        vcd_step_us: float = 1.0,
        lines: bool = True,
    ) -> None:
        self.hidden = hidden if hidden is not None else draw(profile, seed)
        if self.hidden.encoder.counts % 4:
            raise InputError(
                f"an encoder has 4 counts to a line; {self.hidden.encoder.counts} a turn cannot be"
            )
        self._world = World(profile, self.hidden, steps=lines or vcd is not None)
        self._book = TruthBook.of(self.hidden)
        self._person = Person(self._world, hand or Hand(), self._book.note)
        contacts = max(unit.input for unit in self.hidden.units)
        claimed = profile.encoder.counts_per_turn
        self._spec = board if board is not None else BoardSpec(claimed, contacts)
        self._sensors = copy.deepcopy(self._world.levels)
        self._shown = copy.deepcopy(self._world.levels)
        self._wiring = Wiring()
        self._cable = Cable(np.random.default_rng([self.hidden.seed, 3]))
        self._board = Board(self._spec, self._shown, 0.0) if lines else None
        self._vcd = VcdWriter(vcd, self._shown, vcd_step_us) if vcd is not None else None
        self._later: list[tuple[float, Callable[[], None]]] = []
        self._halt = False
        self._said_s = 0.0  # up to where lines have been given out
        self.reply: dict[str, Any] = {}
        """What the person can tell after the last command: "blocked", "travel_mm"."""

    @property
    def now_s(self) -> float:
        """Rig time up to which lines have been given out."""
        return self._said_s

    def do(self, text: str, slice_s: float = WHOLE) -> Iterator[list[Timed]]:
        """Carry out one command; lines with the time at which each is there, a slice at a time.

        Raises InputError, before anything moves, for what cannot be understood or done.
        """
        command = parse(text)
        if command.verb in ("switch", "fault"):
            self.reply = {}
            self._switch(command) if command.verb == "switch" else self._fault(command)
            return
        mark = self._book.mark()
        # Only to be able to do it again, shorter.
        saved = copy.deepcopy((self._world, self._person.stop)) if slice_s != WHOLE else None
        began_s = self._world.done_s
        movement, self.reply = self._person.do(command)
        happened = self._world.carry_out(movement)
        self._book.add(happened, self._world)
        self._halt = False
        while self._said_s < self._world.done_s:
            far = self._said_s + 0.2 < self._world.done_s
            if self._halt and saved is not None and far and movement == Movement(movement.hand):
                # The same seeds give the same past.
                self._book.rewind(mark)
                (self._world, self._person.stop), saved = saved, None
                self._person.world = self._world
                happened = self._world.carry_out(Movement(halted(movement.hand, self._said_s)))
                self._book.add(happened, self._world)
                self.reply = {"halted": True}
            until_s = min(self._said_s + slice_s, self._world.done_s)
            yield self._say(happened.pins, until_s)
        self._book.note("commands", t=began_s, until=self._world.done_s, text=command.text)

    def idle(self, seconds: float) -> list[Timed]:
        """Nobody touches the crank."""
        world = self._world
        until_s = world.done_s + seconds
        happened = world.carry_out(Movement(still(world.done_s, until_s, world.hand_deg)))
        self._book.add(happened, self._world)
        return self._say(happened.pins, until_s)

    def halt(self) -> None:
        """Have the present movement end soon; see ``do`` with slices."""
        self._halt = True

    def identify(self) -> list[Timed]:
        """The answer to the host's ``?``."""
        return self._cable.carry(self._board.identify()) if self._board else []

    def truth(self) -> Entry:
        """The truth so far; see ``rig.virtual.truth``."""
        return self._book.write(self._world, self._said_s)

    # -- from pins to lines --

    def _say(self, pins: Pins, until_s: float) -> list[Timed]:
        out: list[Timed] = []
        while self._said_s < until_s:
            self._later.sort(key=lambda item: item[0])
            due = [at_s for at_s, _ in self._later if at_s <= until_s]
            upto = max(due[0], self._said_s) if due else until_s
            part = pins.part(self._said_s, upto)
            shown = self._wiring.carry(part, self._sensors, self._shown)
            self._sensors.follow(part)
            self._shown.follow(shown)
            if self._vcd:
                self._vcd.write(shown)
            if self._board:
                out += self._cable.carry(self._board.feed(shown))
            self._said_s = upto
            while self._later and self._later[0][0] <= upto:
                self._later.pop(0)[1]()
        return out

    def end_vcd(self) -> None:
        """Write the last time stamp of the pin recording."""
        if self._vcd:
            self._vcd.end(self._said_s)

    # -- faults --

    def _switch(self, command: Command) -> None:
        """Off earths the primary: its input reads closed all the way round."""
        world = self._world
        units = [world.units[world.unit_at(command.name)]] if command.name else world.units
        for unit in units:
            if command.way == "off":
                self._wiring.stuck[unit.truth.input] = 1 - unit.open_level
            else:
                self._wiring.stuck.pop(unit.truth.input, None)
        self._book.note("switches", t=self._said_s, to=command.way, unit=command.name)

    def _fault(self, command: Command) -> None:
        name, argument = parse_fault(command.what)
        at_s = self._said_s + (command.after or 0.0)
        if name in ("stuck", "free"):
            self._world.unit_at(argument.rpartition(" ")[0] if name == "stuck" else argument)
        self._book.note("faults", t=at_s, fault=command.what)
        if command.after:
            self._later.append((at_s, lambda: self._strike(name, argument, at_s)))
        else:
            self._strike(name, argument, at_s)

    def _strike(self, name: str, argument: str, at_s: float) -> None:
        cable, board, wiring = self._cable, self._board, self._wiring
        match name:
            case "cable" | "unplug":
                cable.pull_out(at_s, at_s + float(argument))
            case "corrupt":
                cable.corrupt += int(argument)
            case "lose":
                cable.lose += int(argument)
            case "garbage":
                cable.garbage += int(argument)
            case "reset" | "dip" | "watchdog":
                self._reset(at_s, {"reset": 2, "dip": 4, "watchdog": 8}[name])
            case "protocol":
                self._spec = replace(self._spec, protocol=int(argument))
                self._reset(at_s, 2)
            case "stuck":
                unit_name, _, way = argument.rpartition(" ")
                unit = self._world.units[self._world.unit_at(unit_name)]
                level = unit.open_level if way == "open" else 1 - unit.open_level
                wiring.stuck[unit.truth.input] = level
            case "free":
                unit = self._world.units[self._world.unit_at(argument)]
                wiring.stuck.pop(unit.truth.input, None)
            case "channel":
                wiring.dead = "" if argument == "good" else argument
            case "index":
                self._index(argument)
            case _ if board is not None:
                {
                    "overflow": lambda: board.fill(at_s + float(argument)),
                    "edges": lambda: board.lose_edges(int(argument)),
                    "counts": lambda: board.counter.ignore(int(argument)),
                    "illegal": lambda: board.counter.merge(int(argument)),
                }[name]()

    def _index(self, sort: str) -> None:
        self._wiring.stuck.pop(INDEX, None)
        if sort == "none":
            self._wiring.stuck[INDEX] = 1 - self.hidden.encoder.index_level
        self._world.index_at((0.0, 100.0) if sort == "double" else (0.0,))

    def _reset(self, at_s: float, cause: int) -> None:
        """The board falls silent, and begins anew after its boot."""
        if self._board is None:
            return
        self._board = None
        back_s = at_s + self._spec.boot_s

        def boot() -> None:
            self._board = Board(self._spec, self._shown, back_s, cause)

        self._later.append((back_s, boot))
        self._book.note("restarts", t=back_s, cause=cause)


@dataclass(frozen=True, slots=True)
class Run:
    """A plan carried out: bytes, each line with its time, truth, what the person could tell."""

    data: bytes
    lines: list[Timed]
    truth: Entry
    replies: list[dict[str, Any]]


def run(
    plan: str | Iterable[str],
    profile: Profile,
    seed: int = 0,
    **options: Any,
) -> Run:
    """Carry out a plan (one command a line) as fast as it can be computed.

    ``options`` are those of ``VirtualRig``. Raises InputError for a command that cannot be done.
    """
    rig = VirtualRig(profile, seed, **options)
    lines: list[Timed] = []
    replies: list[dict[str, Any]] = []
    for text in lines_of(plan):
        for part in rig.do(text):
            lines += part
        replies.append(dict(rig.reply))
    rig.end_vcd()
    return Run(b"".join(data for _, data in lines), lines, rig.truth(), replies)


def pin_recording(
    plan: str | Iterable[str],
    profile: Profile,
    out: TextIO,
    seed: int = 0,
    **options: Any,
) -> Entry:
    """Write the pins of a plan as a value change dump to ``out``; the truth behind it."""
    return run(plan, profile, seed, vcd=out, lines=False, **options).truth

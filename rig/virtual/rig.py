"""The virtual rig as one object: give the hand commands, get bytes with their times.

``TruthBook`` collects the truth behind a run, for tests.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from importlib.resources import files
from pathlib import Path
from typing import Any, TextIO

import numpy as np

from rig.base.angles import modulo
from rig.base.errors import InputError
from rig.base.rounding import many
from rig.engine.engine_file import load_profile
from rig.engine.profile import Profile
from rig.virtual.board import Board, BoardSpec, Cable, Timed
from rig.virtual.drive import ADJUSTED, PULLED, RIDING, SNAPPED
from rig.virtual.engine import Happened, Movement, World
from rig.virtual.ground_truth import GroundTruth, draw, firing_tops_deg
from rig.virtual.motion import Hand, halted, still
from rig.virtual.operator import Operator, lines_of, parse, parse_fault
from rig.virtual.pins import INDEX, Pins, VcdWriter, Wiring

WHOLE = float("inf")


class VirtualRig:
    """A rig in software. Equal profile, seed and commands give equal bytes.

    ``hidden`` replaces the truth drawn by the seed, ``hand`` the way the hand turns, ``board`` the
    board; pins are written to ``vcd`` as they change. With ``lines=False`` there is no board.
    """

    def __init__(
        self,
        profile: Profile,
        seed: int = 0,
        *,
        hidden: GroundTruth | None = None,
        hand: Hand | None = None,
        board: BoardSpec | None = None,
        vcd: TextIO | None = None,
        vcd_step_us: float = 1.0,
        lines: bool = True,
    ) -> None:
        self.hidden = hidden if hidden is not None else draw(profile, seed)
        if self.hidden.encoder.counts % 4:
            raise InputError(
                f"{many(self.hidden.encoder.counts, 'count')} a turn: enter four times the lines of"
                " the encoder"
            )
        self._world = World(profile, self.hidden, steps=lines or vcd is not None)
        self._book = TruthBook.of(self.hidden)
        self._person = Operator(self._world, hand or Hand(), self._book.note)
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
        self._sent_s = 0.0  # end of the lines returned so far
        self.reply: dict[str, Any] = {}
        """What the person can report of the last command: "blocked", "travel_mm"."""
        self.unplugged: tuple[float, float] | None = None
        """From when to when the port is away, by the rig's time, once that was asked for."""

    @property
    def now_s(self) -> float:
        """Rig time of the end of the lines returned so far."""
        return self._sent_s

    def do(self, text: str, slice_s: float = WHOLE) -> Iterator[list[Timed]]:
        """Carry out one command; its lines with their times, a slice at a time.

        Raises InputError, before anything moves, for an unknown or impossible command.
        """
        command = parse(text)
        at_once: dict[str, Callable[..., None]] = {"switch": self._switch, "fault": self._fault}
        if command.verb in at_once:
            self.reply = {}
            at_once[command.verb](**command.parts)
            return
        saved = None
        if slice_s != WHOLE:  # kept to repeat it, shorter
            saved = copy.deepcopy((self._world, self._person.stop)), self._book.copy()
        began_s = self._world.done_s
        movement, self.reply = self._person.do(command)
        pins = self._carry_out(movement)
        self._halt = False
        while self._sent_s < self._world.done_s:
            far = self._sent_s + 0.2 < self._world.done_s
            if self._halt and saved is not None and far and movement == Movement(movement.hand):
                # The same seeds give the same past.
                ((self._world, self._person.stop), self._book), saved = saved, None
                self._person.world, self._person.note = self._world, self._book.note
                pins = self._carry_out(Movement(halted(movement.hand, self._sent_s)))
                self.reply = {"halted": True}
            yield self._send(pins, min(self._sent_s + slice_s, self._world.done_s))
        self._book.note("commands", t=began_s, until=self._world.done_s, text=command.text)

    def _carry_out(self, movement: Movement) -> Pins:
        happened = self._world.carry_out(movement)
        self._book.add(happened, self._world)
        return happened.pins

    def idle(self, seconds: float) -> list[Timed]:
        """The hand is off the crank for so long."""
        world = self._world
        until_s = world.done_s + seconds
        pins = self._carry_out(Movement(still(world.done_s, until_s, world.hand_deg)))
        return self._send(pins, until_s)

    def halt(self) -> None:
        """End the present movement soon; see ``do`` with slices."""
        self._halt = True

    def identify(self) -> list[Timed]:
        """The answer to the host's ``?``."""
        return self._cable.carry(self._board.identify()) if self._board else []

    def truth(self) -> Entry:
        """The truth so far; see ``TruthBook``."""
        return self._book.write(self._world, self._sent_s)

    # -- from pins to lines --

    def _send(self, pins: Pins, until_s: float) -> list[Timed]:
        out: list[Timed] = []
        while self._sent_s < until_s:
            self._later.sort(key=lambda item: item[0])
            due = [at_s for at_s, _ in self._later if at_s <= until_s]
            upto = max(due[0], self._sent_s) if due else until_s
            part = pins.part(self._sent_s, upto)
            shown = self._wiring.carry(part, self._sensors, self._shown)
            self._sensors.follow(part)
            self._shown.follow(shown)
            if self._vcd:
                self._vcd.write(shown)
            if self._board:
                out += self._cable.carry(self._board.feed(shown))
            self._sent_s = upto
            while self._later and self._later[0][0] <= upto:
                self._later.pop(0)[1]()
        return out

    def end_vcd(self) -> None:
        """Write the last time stamp of the pin recording."""
        if self._vcd:
            self._vcd.end(self._sent_s)

    # -- faults --

    def _unit(self, name: str) -> tuple[int, int]:
        """Input of a unit, and its level while open."""
        unit = self._world.units[self._world.unit_at(name)]
        return unit.truth.input, unit.entered.open_level

    def _switch(self, way: str, name: str = "") -> None:
        """Off earths the primary: its input reads closed all the way round."""
        names = [name] if name else [unit.name for unit in self.hidden.units]
        for number, open_level in map(self._unit, names):
            self._wiring.stick(number, 1 - open_level if way == "off" else None)
        self._book.note("switches", t=self._sent_s, to=way, unit=name)

    def _fault(self, what: str, after: float = 0.0) -> None:
        name, argument = parse_fault(what)
        at_s = self._sent_s + after
        if name in ("stuck", "free"):
            self._unit(argument.rpartition(" ")[0] if name == "stuck" else argument)
        if name == "unplug":
            self.unplugged = (at_s, at_s + float(argument))
        self._book.note("faults", t=at_s, fault=what)
        if after:
            self._later.append((at_s, lambda: self._strike(name, argument, at_s)))
        else:
            self._strike(name, argument, at_s)

    def _strike(self, name: str, argument: str, at_s: float) -> None:
        cable, board, wiring = self._cable, self._board, self._wiring
        match name:
            case "cable" | "unplug":
                cable.pull_out(at_s, at_s + float(argument))
            case "corrupt" | "lose" | "garbage":
                setattr(cable, name, getattr(cable, name) + int(argument))
            case "reset" | "dip" | "watchdog":
                self._reset(at_s, {"reset": 2, "dip": 4, "watchdog": 8}[name])
            case "protocol":
                self._spec = replace(self._spec, protocol=int(argument))
                self._reset(at_s, 2)
            case "stuck":
                unit_name, _, way = argument.rpartition(" ")
                number, open_level = self._unit(unit_name)
                wiring.stick(number, open_level if way == "open" else 1 - open_level)
            case "free":
                wiring.stick(self._unit(argument)[0], None)
            case "channel":
                wiring.dead = "" if argument == "good" else argument
            case "index":
                inactive = 1 - self.hidden.encoder.index_level
                wiring.stick(INDEX, inactive if argument == "none" else None)
                self._world.index_at((0.0, 100.0) if argument == "double" else (0.0,))
            case "overflow" if board is not None:
                board.full_until_us = int((at_s + float(argument)) * 1e6)
            case _ if board is not None:
                board.lose_edges += int(argument) * (name == "edges")
                board.counter.ignore += int(argument) * (name == "counts")
                board.counter.merge += int(argument) * (name == "illegal")

    def _reset(self, at_s: float, cause: int) -> None:
        """The board goes silent, and restarts after its boot."""
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
    """A plan carried out: bytes, each line with its time, truth, what the person could report."""

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

    ``options`` are those of ``VirtualRig``. Raises InputError for an impossible command.
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


Entry = dict[str, Any]


@dataclass(slots=True)
class TruthBook:
    """Collects what happened. Angles inside are the world's; they are converted when written."""

    hidden: GroundTruth
    changes: list[list[Entry]]
    lists: dict[str, list[Entry]] = field(default_factory=dict)

    @classmethod
    def of(cls, hidden: GroundTruth) -> TruthBook:
        return cls(hidden, [[] for _ in hidden.units])

    def note(self, name: str, **entry: Any) -> None:
        """Add to one of the lists: touches, index, restarts, slips, settings, moves, commands."""
        self.lists.setdefault(name, []).append(entry)

    def copy(self) -> TruthBook:
        """A copy that is noted in by itself."""
        lists = {name: list(entries) for name, entries in self.lists.items()}
        return TruthBook(self.hidden, [list(entries) for entries in self.changes], lists)

    def add(self, happened: Happened, world: World) -> None:
        """Add changes of the contacts and index passes, with what the encoder showed then."""
        for touch in self.lists.get("touches", []):
            if "shown" not in touch:
                end = np.array([happened.encoder.last])
                touch["shown"] = float(world.encoder.shown(end)[0])
        for at_s, deg in zip(happened.index_s.tolist(), happened.index_deg.tolist(), strict=True):
            self.note("index", t=at_s, deg=deg)
        for entries, changes in zip(self.changes, happened.changes, strict=True):
            kinds = {SNAPPED: "impulse", ADJUSTED: "set"}
            columns = {
                "t": changes.t_s,
                "open": changes.is_open,
                "lobe": changes.lobe,
                "deg": happened.crank.values(changes.t_s),
                "shown": world.encoder.shown(happened.encoder.values(changes.t_s)),
                "direction": np.where(changes.tag == ADJUSTED, 0, changes.step),
                "kind": np.array([kinds.get(tag, "running") for tag in changes.tag.tolist()]),
                "pulled": np.isin(changes.tag, (PULLED, RIDING)),
                "speed_deg_s": np.round(happened.crank.slopes(changes.t_s), 4),
            }
            rows = zip(*(column.tolist() for column in columns.values()), strict=True)
            entries += [dict(zip(columns, row, strict=True)) for row in rows]

    def write(self, world: World, end_s: float) -> Entry:
        """The whole truth, in the form of the JSON beside a pin recording, with more in it."""
        hidden = self.hidden
        index = self.lists.get("index", [])
        zero = index[0]["deg"] if index else None
        tdc, firing = hidden.tdc_deg, None
        if zero is not None:
            tdc = modulo(hidden.tdc_deg - zero)
            # A place (modulo the cycle) at which cylinder 1 is at firing TDC.
            firing = hidden.tdc_deg + 360.0 * hidden.firing_turn - zero
            firing = modulo(firing, world.profile.cycle_deg)
        lists = {name: [_based(e, zero) for e in entries] for name, entries in self.lists.items()}
        return {
            "case": "virtual",
            "seed": hidden.seed,
            "counts_per_rev": hidden.encoder.counts,
            "tdc_deg_after_index": tdc,
            "index_every_deg": 360.0 / hidden.encoder.ratio,
            "tops_after_cylinder_1_deg": firing_tops_deg(world.profile.engine),
            "firing_tdc_crank_deg": firing,
            "backlash_deg": max((unit.backlash_deg for unit in hidden.units), default=0.0),
            "encoder_backlash_deg": hidden.encoder_backlash_deg,
            "offset_mm": hidden.piston.offset_mm,
            "seconds": end_s,
            "units": self._units(world, zero),
            "touches": [],
            **lists,
        }

    def _units(self, world: World, zero: float | None) -> Entry:
        units: Entry = {}
        for truth, works, changes in zip(self.hidden.units, world.units, self.changes, strict=True):
            openings: list[Entry] = []
            others: list[Entry] = []
            around = [None, *changes], changes, [*changes[1:], None]
            for before, change, after in zip(*around, strict=False):
                if change["open"]:
                    entry = _based(change, zero)
                    del entry["open"]
                    entry["closed_s"] = change["t"] - before["t"] if before else None
                    entry["open_s"] = after["t"] - change["t"] if after else None
                    (openings if entry["direction"] > 0 else others).append(entry)
            btdc = {
                name: [deg - later for later in truth.lobe_deg]
                for name, deg in truth.btdc_deg.items()
            }
            key = str(truth.input)
            units[key if key not in units else f"{key} {truth.name}"] = {
                "name": truth.name,
                "btdc": next(iter(btdc.values())),
                "btdc_by_setting": btdc,
                "setting": works.setting,
                "moved_deg": works.moved_deg,
                "backlash_deg": truth.backlash_deg,
                "scatter_deg": truth.scatter_deg,
                "open_deg": list(truth.open_deg),
                "lag_deg": truth.coupling.lag_deg if truth.coupling else None,
                "openings": openings,
                "others": others,
            }
        return units


def _based(entry: Entry, zero: float | None) -> Entry:
    """A copy with the world's angles as degrees after the first index pass, or None."""
    names = {"deg": "crank_deg", "shown": "shown_deg"}
    based = {
        names[key]: None if zero is None else value - zero
        for key, value in entry.items()
        if key in names
    }
    return {key: value for key, value in entry.items() if key not in names} | based


def demo_profile() -> Profile:
    """The example of ``rig new``."""
    return load_profile(Path(str(files("rig.job"))) / "example.toml")

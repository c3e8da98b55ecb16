"""The simulated person: commands, one a line, to the movements that carry them out."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, fields, replace
from difflib import get_close_matches
from typing import Any

import numpy as np

from rig.base.angles import modulo, wrap
from rig.base.errors import InputError
from rig.virtual.contacts import NOISES
from rig.virtual.engine import Movement, World
from rig.virtual.motion import Curve, Hand, blocked, hold, join, still, stroke, turn

GENTLE_DEG_S = 12.0
NEAR_STOP_DEG = 12.0
UNIT_DEG_S = 1.5
SLOT_DEG = 25.0
"""The farthest that a unit can be moved on its slots, in crank degrees."""

STEADY = Hand(uneven=0.2, tremor_deg=0.0)
Note = Callable[..., None]
"""Where truth is noted: ``note(list, **entry)``."""


@dataclass(slots=True)
class Stop:
    """The piston stop in a plug hole: crank angles at which it is met."""

    cylinder: int
    travel_mm: float
    top_deg: float  # of the blocked arc met going forward
    forward_deg: float
    back_deg: float


class Operator:
    """Does one command after another. Raises InputError for what is not possible."""

    def __init__(self, world: World, hand: Hand, note: Note) -> None:
        self.world, self.hand = world, hand
        self.note = note
        self.stop: Stop | None = None
        self._rng = np.random.default_rng([world.hidden.seed, 2])
        self._last_way = 1

    def do(self, command: Command) -> tuple[Movement, dict[str, Any]]:
        """The movement for a command, and what the person can report afterwards."""
        deed: Callable[[Command], tuple[Movement, dict[str, Any]]] = getattr(
            self, "_" + command.verb.replace(" ", "_")
        )
        return deed(command)

    # -- turning --

    def _turn(self, command: Command) -> tuple[Movement, dict[str, Any]]:
        return self._towards(self.world.hand_deg + (command.deg or 0.0), command.speed)

    def _back(self, command: Command) -> tuple[Movement, dict[str, Any]]:
        return self._towards(self.world.hand_deg - (command.deg or 0.0), command.speed)

    def _goto(self, command: Command) -> tuple[Movement, dict[str, Any]]:
        way = -1 if command.back else 1
        wanted = self.world.hand_for(self.world.top_deg(1) - (command.deg or 0.0), way)
        ahead = modulo((wanted - self.world.hand_deg) * way)
        end = self.world.hand_deg + ahead * way
        movement, reply = self._towards(end, command.speed)
        # A person who turns feels on which of the two strokes cylinder 1 is compressed.
        firing = self.world.top_deg(1) + 360.0 * self.world.hidden.firing_turn
        turns = (end - wanted + self.world.top_deg(1) - firing) / 360.0
        compressed = self.world.profile.engine.strokes == 2 or round(turns) % 2 == 0
        return movement, {**reply, "compressed": compressed}

    def _touch(self, command: Command) -> tuple[Movement, dict[str, Any]]:
        """Near the stop at the usual speed, then gently."""
        stop, world = self.stop, self.world
        if stop is None:
            raise InputError("'touch': there is no piston stop to touch; enter 'stop in' first")
        way = -1 if command.way == "back" else 1
        about = world.hand_for(stop.back_deg if way < 0 else stop.forward_deg, way)
        near = (about - world.hand_deg) * way - NEAR_STOP_DEG
        curves: list[Curve] = []
        at, t_s = world.hand_deg, world.done_s
        if near > NEAR_STOP_DEG:
            speed = self.hand.speed_deg_s
            curves.append(turn(self.hand, self._rng, t_s, at, by=near * way, speed=speed))
            at, t_s = curves[-1].last, curves[-1].end_s
        by, speed = 3.0 * NEAR_STOP_DEG * way, command.speed or GENTLE_DEG_S
        curves.append(turn(self.hand, self._rng, t_s, at, by=by, speed=speed))
        return self._met(join(*curves), way, command.how == "unsteady")

    def _towards(self, end: float, speed: float | None) -> tuple[Movement, dict[str, Any]]:
        world = self.world
        by, speed = end - world.hand_deg, speed or self.hand.speed_deg_s
        curve = turn(self.hand, self._rng, world.done_s, world.hand_deg, by=by, speed=speed)
        return self._met(curve, -1 if by < 0.0 else 1, unsteady=False)

    def _met(self, curve: Curve, way: int, unsteady: bool) -> tuple[Movement, dict[str, Any]]:
        """The movement, or as much of it as the stop allows."""
        self._last_way = way
        if self.stop is None:
            return Movement(curve), {}
        stop, truth, piston = self.stop, self.world.hidden.stop, self.world.hidden.piston
        travel = max(stop.travel_mm + truth.spread_mm * float(self._rng.normal()), 1e-3)
        met = stop.top_deg + piston.touch_deg(travel, way)
        if way < 0:
            met -= 360.0  # going back it is the other side of the stop, a turn before
        pressed = blocked(
            curve,
            self._rng,
            limit=self.world.hand_for(met, way),
            way=way,
            sway_deg=truth.sway_deg * (15.0 if unsteady else 1.0),
            press_s=truth.press_s,
        )
        if pressed is None:
            return Movement(curve), {}
        self.note(
            "touches",
            t=pressed.end_s,
            deg=met,
            direction=way,
            cylinder=stop.cylinder,
            travel_mm=stop.travel_mm,
            unsteady=unsteady,
        )
        return Movement(pressed), {"blocked": True}

    def _hold(self, command: Command) -> tuple[Movement, dict[str, Any]]:
        world = self.world
        curve = hold(self.hand, self._rng, world.done_s, world.hand_deg, command.s or 0.01)
        return Movement(curve), {}

    def _rest(self, command: Command) -> tuple[Movement, dict[str, Any]]:
        return self._still(command.s or 0.01), {}

    def _still(self, seconds: float) -> Movement:
        world = self.world
        return Movement(still(world.done_s, world.done_s + seconds, world.hand_deg))

    # -- piston stop and gauge --

    def _stop_in(self, command: Command) -> tuple[Movement, dict[str, Any]]:
        world = self.world
        cylinder = command.cylinder or 1
        travel = command.mm if command.mm is not None else world.hidden.stop.travel_mm
        try:
            before, after = (world.hidden.piston.touch_deg(travel, way) for way in (1, -1))
        except ValueError as why:
            raise InputError(f"'{command.text}': {why}") from why
        top = world.top_deg(cylinder)
        top += 360.0 * np.ceil((world.crank_deg - top - before) / 360.0)
        if world.crank_deg < top - 360.0 + after:
            raise InputError(
                "the piston is too high for the stop to go in; turn the crank on by a half"
            )
        self.stop = Stop(
            cylinder, travel, float(top), float(top + before), float(top - 360.0 + after)
        )
        return self._still(2.0), {"travel_mm": travel}

    def _stop_out(self, _: Command) -> tuple[Movement, dict[str, Any]]:
        self.stop = None
        return self._still(2.0), {}

    def _gauge(self, command: Command) -> tuple[Movement, dict[str, Any]]:
        world = self.world
        piston = world.hidden.piston
        after = wrap(world.crank_deg - world.top_deg(command.cylinder or 1))
        falling = (after > 0.0) == (self._last_way > 0)
        travel = piston.travel_mm(after) - (piston.slack_mm if falling else 0.0)
        shown = round(travel + float(self._rng.normal(0.0, 0.003)), 2)
        return self._still(2.0), {"travel_mm": shown}

    # -- the units --

    def _lever(self, command: Command) -> tuple[Movement, dict[str, Any]]:
        """All levers that have the setting, or both settings, go there, or a part of the way."""
        share = 1.0 if command.share is None else command.share
        if share > 1.0:
            raise InputError(f"'{command.text}': enter a part of the way, 0 to 1")
        ends = [command.start or command.name, command.name]
        every = {name for unit in self.world.units for name in unit.truth.btdc_deg}
        wanted: dict[int, float] = {}
        for number, unit in enumerate(self.world.units):
            btdc = unit.truth.btdc_deg
            if all(end in btdc for end in ends):
                start, end = (btdc[name] for name in ends)
                at = (1.0 - share) * start + share * end
                wanted[number] = unit.advance_deg + (at - unit.lever_btdc_deg)
                unit.lever_btdc_deg = at
                unit.setting = {0.0: ends[0], 1.0: ends[1]}.get(share)
        if not wanted:
            missing = [f"'{name}'" for name in dict.fromkeys(ends) if name not in every]
            what = f"the setting {missing[0]}" if missing else "both settings"
            raise InputError(f"no unit has {what}; there are: {', '.join(sorted(every))}")
        setting = command.name if share == 1.0 else command.text.removeprefix("lever ")
        self.note("settings", t=self.world.done_s, setting=setting)
        return self._adjust(wanted, 40.0), {}

    def _move(self, command: Command) -> tuple[Movement, dict[str, Any]]:
        number = self.world.unit_at(command.name)
        return self._slide(number, [command.deg or 0.0]), {}

    def _set(self, command: Command) -> tuple[Movement, dict[str, Any]]:
        number = self.world.unit_at(command.name)
        by = self.world.to_open_deg(self.world.units[number])
        if abs(by) > SLOT_DEG:
            raise InputError(
                f"'{command.text}': the contacts of '{command.name}' open {abs(by):.0f}° "
                "from here, farther than its slots reach; turn the crank nearer first"
            )
        if self.world.units[number].shaft.held:
            raise InputError(
                f"'{command.text}': its impulse coupling holds the rotor; go past its trip first"
            )
        over = float(self._rng.uniform(0.02, 0.1))
        return self._slide(number, [by - 3.0, 3.0 + over]), {}

    def _in_one_body(self, number: int) -> list[int]:
        body, units = self.world.units[number].body, self.world.units
        return [n for n, unit in enumerate(units) if n == number or (body and unit.body == body)]

    def _drag(self, command: Command) -> tuple[Movement, dict[str, Any]]:
        """A light drag on a rotor, which is that of each unit in its body."""
        for n in self._in_one_body(self.world.unit_at(command.name)):
            self.world.units[n].shaft.dragged = command.way == "on"
        self.note("drags", t=self.world.done_s, unit=command.name, to=command.way)
        return self._still(0.5), {}

    def _slide(self, number: int, steps: list[float]) -> Movement:
        """Move a unit, and all others in its body, by several steps one after another."""
        together = self._in_one_body(number)
        for n in together:
            unit = self.world.units[n]
            unit.moved_deg += sum(steps)
            self.note("moves", t=self.world.done_s, unit=unit.truth.name, earlier_deg=sum(steps))
        start = self.world.units[number].advance_deg
        curve: list[Curve] = []
        at, t_s = start, self.world.done_s
        for step in steps:
            if step:
                curve.append(stroke(STEADY, self._rng, t_s, at, by=step, speed=UNIT_DEG_S))
                at, t_s = curve[-1].last, curve[-1].end_s
        curve.append(still(t_s, t_s + 0.5, at))
        whole = join(*curve)
        offsets = {n: self.world.units[n].advance_deg - start for n in together}
        grip = replace(self.hand, tremor_deg=self.hand.grip_deg, hold_tremor=1.0)
        now_s = self.world.done_s
        return Movement(
            hold(grip, self._rng, now_s, self.world.hand_deg, whole.end_s - now_s),
            {n: whole.shifted(by) for n, by in offsets.items()},
            bodies=True,
        )

    def _adjust(self, wanted: dict[int, float], speed: float) -> Movement:
        world = self.world
        curves: dict[int, Curve] = {}
        for number, to in wanted.items():
            at = world.units[number].advance_deg
            if to != at:
                curves[number] = stroke(
                    STEADY, self._rng, world.done_s, at, by=to - at, speed=speed
                )
        end_s = max((curve.end_s for curve in curves.values()), default=world.done_s) + 0.5
        return Movement(still(world.done_s, end_s, world.hand_deg), curves)

    def _finger(self, command: Command) -> tuple[Movement, dict[str, Any]]:
        unit = self.world.units[self.world.unit_at(command.name)]
        if unit.contacts.is_open:
            raise InputError(f"the contacts of '{command.name}' are open here; turn the crank on")
        seconds, now_s = command.s or 1.0, self.world.done_s
        unit.contacts.finger(now_s + 0.3, now_s + 0.3 + seconds)
        self.note("fingers", t=now_s + 0.3, unit=unit.truth.name, seconds=seconds)
        return self._still(seconds + 0.6), {}

    # -- the rest --

    def _slip(self, command: Command) -> tuple[Movement, dict[str, Any]]:
        world, by = self.world, command.deg or 0.0
        start = world.slip_deg
        curve = stroke(STEADY, self._rng, world.done_s, start, by=by or 1e-9, speed=30.0)
        self.note("slips", t=world.done_s, slip_deg=by)
        return Movement(still(world.done_s, curve.end_s, world.hand_deg), slip=curve), {}

    def _foot(self, _: Command) -> tuple[Movement, dict[str, Any]]:
        now_s = self.world.done_s
        movement = self._still(0.6)
        return Movement(movement.hand, foot_s=(now_s + 0.1, now_s + 0.4)), {}

    def _hand(self, command: Command) -> tuple[Movement, dict[str, Any]]:
        names = [field.name for field in fields(Hand)]
        if command.name not in names:
            raise InputError(f"'{command.text}': allowed are {', '.join(names)}")
        value = command.value or 0.0
        if command.name in ("speed_deg_s", "ramp_s") and value == 0.0:
            raise InputError(f"'{command.text}': enter more than 0")
        if command.name == "uneven" and value > 0.8:
            raise InputError(f"'{command.text}': at most 0.8, or the hand would go backwards")
        self.hand = replace(self.hand, **{command.name: value})
        return self._still(0.01), {}

    def _noise(self, command: Command) -> tuple[Movement, dict[str, Any]]:
        if command.sort not in NOISES:
            raise InputError(f"'{command.text}': allowed are {', '.join(NOISES)}")
        world = self.world
        chosen = [world.units[world.unit_at(command.name)]] if command.name else world.units
        for unit in chosen:
            unit.contacts.noise = NOISES[command.sort]
        return self._still(0.01), {}


NUMBER = r"\d+(?:\.\d+)?"
SIGNED = rf"[-+]?{NUMBER}"
AT = rf"(?: at (?P<speed>{NUMBER}))?"

FORMS = {
    "turn": (rf"(?P<deg>{NUMBER}){AT}", "turn DEG [at DEG_PER_S]: forward"),
    "back": (rf"(?P<deg>{NUMBER}){AT}", "back DEG [at DEG_PER_S]: backwards"),
    "goto": (
        rf"(?P<deg>{SIGNED})(?P<back> back)?{AT}",
        "goto DEG [back] [at DEG_PER_S]: on to the next place where cylinder 1 is DEG before TDC",
    ),
    "hold": (rf"(?P<s>{NUMBER})", "hold S: the hand stays on the crank"),
    "rest": (rf"(?P<s>{NUMBER})", "rest S: hands off"),
    "touch": (
        rf"(?P<way>forward|back)?(?P<how> ?unsteady)?{AT}",
        "touch [forward|back] [unsteady]: gently to the stop",
    ),
    "stop in": (
        rf"(?P<cylinder>\d+)?(?: ?at (?P<mm>{NUMBER}) mm)?",
        "stop in [CYLINDER] [at MM mm]: screw the piston stop in, MM below the piston's top",
    ),
    "stop out": ("", "stop out"),
    "lever": (
        rf"(?:(?P<share>{NUMBER}) from (?P<start>.+) to )?(?P<name>.+)",
        "lever [PART from SETTING to] SETTING: all units that have it; 0.4: four tenths of the way",
    ),
    "move": (
        rf"(?P<name>.+?) (?P<deg>{SIGNED})",
        "move UNIT DEG: on its slots, crank degrees, + makes it open earlier",
    ),
    "set": (r"(?P<name>.+)", "set UNIT: move it until its contacts just open, the crank held"),
    "finger": (rf"(?P<name>.+?)(?: (?P<s>{NUMBER}))?", "finger UNIT [S]: open its closed contacts"),
    "drag": (r"(?P<way>on|off) (?P<name>.+)", "drag on|off UNIT: hold a light drag on its rotor"),
    "switch": (r"(?P<way>on|off)(?: (?P<name>.+))?", "switch on|off [UNIT]: off earths it"),
    "slip": (rf"(?P<deg>{SIGNED})", "slip DEG: the encoder's coupling slips"),
    "gauge": (r"(?P<cylinder>\d+)?", "gauge [CYLINDER]: read a dial gauge on the piston"),
    "foot": ("", "foot: press the foot switch"),
    "hand": (rf"(?P<name>[a-z_]+) (?P<value>{NUMBER})", "hand WHAT VALUE: turn in another way"),
    "noise": (r"(?P<sort>[a-z]+)(?: (?P<name>.+))?", "noise SORT [UNIT]: another sort of contacts"),
    "fault": (rf"(?P<what>.+?)(?: in (?P<after>{NUMBER}))?", "fault WHAT [in S]"),
}
"""Verb: form of the rest, and a line of help."""

FAULTS = {
    "cable": (NUMBER, "cable S: nothing comes through for S seconds"),
    "unplug": (NUMBER, "unplug S: the port goes away and comes back under another name"),
    "corrupt": (r"\d+", "corrupt N: one byte changed in each of N lines"),
    "lose": (r"\d+", "lose N: one byte lost in each of N lines"),
    "garbage": (r"\d+", "garbage N: N bytes of noise"),
    "overflow": (NUMBER, "overflow S: the board drops its lines for S seconds"),
    "edges": (r"\d+", "edges N: N contact or index edges find no room"),
    "counts": (r"\d+", "counts N: N cycles of four encoder steps go unseen"),
    "illegal": (r"\d+", "illegal N: N times both encoder channels change at once"),
    "reset": ("", "reset: the reset line"),
    "dip": ("", "dip: the supply dips and the board restarts"),
    "watchdog": ("", "watchdog: the board hangs and restarts"),
    "protocol": (r"\d+", "protocol N: the board claims another protocol"),
    "stuck": (r".+ (?:open|closed)", "stuck UNIT open|closed"),
    "free": (".+", "free UNIT: no longer stuck"),
    "channel": ("a|b|good", "channel a|b|good: an encoder channel is dead"),
    "index": ("none|double|good", "index none|double|good"),
}
"""Fault: form of the rest, and a line of help."""

_NUMBERS = ("deg", "speed", "s", "mm", "value", "after", "share")


@dataclass(frozen=True, slots=True)
class Command:
    """A parsed command. What is missing is None or empty."""

    text: str
    verb: str
    deg: float | None = None
    speed: float | None = None
    s: float | None = None
    mm: float | None = None
    value: float | None = None
    after: float | None = None
    share: float | None = None
    start: str = ""
    cylinder: int | None = None
    back: bool = False
    how: str = ""
    way: str = ""
    name: str = ""
    sort: str = ""
    what: str = ""


def parse(text: str) -> Command:
    """One command. Raises InputError saying what is allowed."""
    text = " ".join(text.split())
    for verb, (form, help_line) in FORMS.items():
        rest = text.removeprefix(verb)
        if text != verb and not text.startswith(verb + " "):
            continue
        match = re.fullmatch(form, rest.strip())
        if match is None:
            raise InputError(f"'{text}': the form is: {help_line}")
        said = {key: value.strip() for key, value in match.groupdict().items() if value}
        command = Command(
            text,
            verb,
            back="back" in said,
            cylinder=int(said["cylinder"]) if "cylinder" in said else None,
            how=said.get("how", ""),
            way=said.get("way", ""),
            name=said.get("name", ""),
            start=said.get("start", ""),
            sort=said.get("sort", ""),
            what=said.get("what", ""),
            **{key: float(said[key]) for key in _NUMBERS if key in said},
        )
        if command.speed == 0.0:
            raise InputError(f"'{text}': enter a speed above 0")
        return command
    near = get_close_matches(text.split(" ")[0] if text else "", FORMS, 1)
    hint = f"; did you mean '{near[0]}'?" if near else "; allowed: " + ", ".join(FORMS)
    raise InputError(f"'{text}': no such command{hint}")


def parse_fault(what: str) -> tuple[str, str]:
    """Name and argument of a fault. Raises InputError saying what is allowed."""
    name, _, rest = what.partition(" ")
    if name not in FAULTS:
        raise InputError(f"there is no fault '{name}'; allowed: {', '.join(FAULTS)}")
    form, help_line = FAULTS[name]
    if re.fullmatch(form, rest) is None:
        raise InputError(f"'fault {what}': the form is: fault {help_line}")
    return name, rest


def lines_of(plan: str | Iterable[str]) -> list[str]:
    """The commands of a plan: one a line, ``#`` begins a comment."""
    lines = plan.splitlines() if isinstance(plan, str) else plan
    cut = (line.partition("#")[0].strip() for line in lines)
    return [line for line in cut if line]

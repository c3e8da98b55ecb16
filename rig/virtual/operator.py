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
from rig.virtual.engine import Movement, UnitWorks, World
from rig.virtual.motion import Curve, Hand, blocked, hold, join, still, stroke, turn

GENTLE_DEG_S = 12.0
NEAR_STOP_DEG = 12.0
UNIT_DEG_S = 1.5
SLOT_DEG = 25.0  # the farthest that a unit can be moved on its slots, in crank degrees
STEADY = Hand(uneven=0.2, tremor_deg=0.0)
Note = Callable[..., None]  # where truth is noted: ``note(list, **entry)``
Step = Callable[..., Curve]  # ``turn`` or ``stroke``


@dataclass(slots=True)
class Stop:
    """The piston stop in a plug hole: crank angles at which it is met."""

    cylinder: int
    travel_mm: float
    top_deg: float  # of the blocked arc met going forward
    forward_deg: float
    back_deg: float


class Operator:
    """Carries out one command after another. Raises InputError for an impossible one."""

    def __init__(self, world: World, hand: Hand, note: Note) -> None:
        self.world, self.hand = world, hand
        self.note = note
        self.stop: Stop | None = None
        self._rng = np.random.default_rng([world.hidden.seed, 2])
        self._last_way = 1
        self._text = ""
        self._reply: dict[str, Any] = {}

    def do(self, command: Command) -> tuple[Movement, dict[str, Any]]:
        """The movement for a command, and what the person can report afterwards."""
        self._text, self._reply = command.text, {}
        movement_of: Callable[..., Movement] = getattr(self, "_" + command.verb.replace(" ", "_"))
        return movement_of(**command.parts), self._reply

    def _still(self, seconds: float) -> Movement:
        world = self.world
        return Movement(still(world.done_s, world.done_s + seconds, world.hand_deg))

    # -- turning --

    def _turn(self, deg: float, speed: float | None = None) -> Movement:
        return self._towards(self.world.hand_deg + deg, speed)

    def _back(self, deg: float, speed: float | None = None) -> Movement:
        return self._towards(self.world.hand_deg - deg, speed)

    def _towards(self, end: float, speed: float | None) -> Movement:
        world, speed = self.world, speed or self.hand.speed_deg_s
        by = end - world.hand_deg
        curve = turn(self.hand, self._rng, world.done_s, world.hand_deg, by=by, speed=speed)
        return self._met(curve, -1 if by < 0.0 else 1)

    def _goto(self, deg: float, back: str = "", speed: float | None = None) -> Movement:
        way = -1 if back else 1
        world = self.world
        wanted = world.hand_for(world.top_deg(1) - deg, way)
        end = world.hand_deg + modulo((wanted - world.hand_deg) * way) * way
        movement = self._towards(end, speed)
        # A person who turns feels on which of the two strokes cylinder 1 is compressed.
        firing = world.top_deg(1) + 360.0 * world.hidden.firing_turn
        turns = (end - wanted + world.top_deg(1) - firing) / 360.0
        self._reply["compressed"] = world.profile.engine.strokes == 2 or round(turns) % 2 == 0
        return movement

    def _touch(self, way: str = "", how: str = "", speed: float | None = None) -> Movement:
        """Near the piston stop at the usual speed, then gently."""
        stop, world = self.stop, self.world
        if stop is None:
            raise InputError("'touch': there is no piston stop to touch; enter 'stop in' first")
        sign = -1 if way == "back" else 1
        about = world.hand_for(stop.back_deg if sign < 0 else stop.forward_deg, sign)
        near = (about - world.hand_deg) * sign - NEAR_STOP_DEG
        steps = [(near * sign, self.hand.speed_deg_s)] if near > NEAR_STOP_DEG else []
        steps.append((3.0 * NEAR_STOP_DEG * sign, speed or GENTLE_DEG_S))
        return self._met(self._steps(turn, self.hand, world.hand_deg, steps), sign, bool(how))

    def _steps(
        self, make: Step, hand: Hand, at: float, steps: Iterable[tuple[float, float]]
    ) -> Curve:
        """Movements one after another, by so many degrees at so many a second."""
        whole = still(self.world.done_s, self.world.done_s, at)
        for by, speed in steps:
            more = make(hand, self._rng, whole.end_s, whole.last, by=by, speed=speed)
            whole = join(whole, more)
        return whole

    def _met(self, curve: Curve, way: int, unsteady: bool = False) -> Movement:
        """The movement, up to the piston stop if there is one in its way."""
        self._last_way = way
        if self.stop is None:
            return Movement(curve)
        stop, truth, piston = self.stop, self.world.hidden.stop, self.world.hidden.piston
        travel = max(stop.travel_mm + truth.sd_mm * float(self._rng.normal()), 1e-3)
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
            return Movement(curve)
        met_at = {"t": pressed.end_s, "deg": met, "direction": way, "cylinder": stop.cylinder}
        self.note("touches", **met_at, travel_mm=stop.travel_mm, unsteady=unsteady)
        self._reply["blocked"] = True
        return Movement(pressed)

    def _hold(self, s: float) -> Movement:
        world = self.world
        return Movement(hold(self.hand, self._rng, world.done_s, world.hand_deg, s or 0.01))

    def _rest(self, s: float) -> Movement:
        return self._still(s or 0.01)

    # -- piston stop and gauge --

    def _stop_in(self, cylinder: str = "1", mm: float | None = None) -> Movement:
        world = self.world
        travel = world.hidden.stop.travel_mm if mm is None else mm
        try:
            before, after = (world.hidden.piston.touch_deg(travel, way) for way in (1, -1))
        except ValueError as why:
            raise InputError(f"'{self._text}': {why}") from why
        top = world.top_deg(int(cylinder))
        top += 360.0 * np.ceil((world.crank_deg - top - before) / 360.0)
        if world.crank_deg < top - 360.0 + after:
            raise InputError(
                "the piston is too high for the stop to go in; turn the crank on by a half"
            )
        places = (float(top), float(top + before), float(top - 360.0 + after))
        self.stop = Stop(int(cylinder), travel, *places)
        self._reply["travel_mm"] = travel
        return self._still(2.0)

    def _stop_out(self) -> Movement:
        self.stop = None
        return self._still(2.0)

    def _gauge(self, cylinder: str = "1") -> Movement:
        world = self.world
        piston = world.hidden.piston
        after = wrap(world.crank_deg - world.top_deg(int(cylinder)))
        falling = (after > 0.0) == (self._last_way > 0)
        travel = piston.travel_mm(after) - (piston.clearance_mm if falling else 0.0)
        self._reply["travel_mm"] = round(travel + float(self._rng.normal(0.0, 0.003)), 2)
        return self._still(2.0)

    # -- the units --

    def _unit(self, name: str) -> UnitWorks:
        return self.world.units[self.world.unit_at(name)]

    def _in_one_body(self, unit: UnitWorks) -> dict[int, UnitWorks]:
        """A unit and those that move with it, by number."""
        body, units = unit.entered.body, enumerate(self.world.units)
        return {
            n: each for n, each in units if each is unit or (body and each.entered.body == body)
        }

    def _lever(self, name: str, start: str = "", share: float = 1.0) -> Movement:
        """Move every lever that has the settings to one of them, or a part of the way to it."""
        if share > 1.0:
            raise InputError(f"'{self._text}': enter a part of the way, 0 to 1")
        world, ends = self.world, [start or name, name]
        curves: dict[int, Curve] = {}
        found = False
        for number, unit in enumerate(world.units):
            btdc = unit.truth.btdc_deg
            if not all(end in btdc for end in ends):
                continue
            found = True
            to = (1.0 - share) * btdc[ends[0]] + share * btdc[name]
            at, end = unit.advance_deg, unit.advance_deg + (to - unit.lever_btdc_deg)
            unit.lever_btdc_deg, unit.setting = to, {0.0: ends[0], 1.0: name}.get(share)
            if end != at:
                curves[number] = stroke(
                    STEADY, self._rng, world.done_s, at, by=end - at, speed=40.0
                )
        if not found:
            every = {name for unit in world.units for name in unit.truth.btdc_deg}
            missing = next((f"the setting '{end}'" for end in ends if end not in every), "both")
            raise InputError(f"no unit has {missing}; there are: {', '.join(sorted(every))}")
        self.note("settings", t=world.done_s, setting=self._text.removeprefix("lever "))
        end_s = max((curve.end_s for curve in curves.values()), default=world.done_s) + 0.5
        return Movement(still(world.done_s, end_s, world.hand_deg), curves)

    def _move(self, name: str, deg: float) -> Movement:
        return self._slide(self._unit(name), [deg])

    def _set(self, name: str) -> Movement:
        unit = self._unit(name)
        by = self.world.to_open_deg(unit)
        if abs(by) > SLOT_DEG:
            raise InputError(
                f"'{self._text}': the contacts of '{name}' open {abs(by):.0f}° "
                "from here, farther than its slots reach; turn the crank nearer first"
            )
        if unit.shaft.held_at is not None:
            raise InputError(
                f"'{self._text}': its impulse coupling holds the rotor; go past its trip first"
            )
        over = float(self._rng.uniform(0.02, 0.1))
        return self._slide(unit, [by - 3.0, 3.0 + over])

    def _slide(self, moved: UnitWorks, steps: list[float]) -> Movement:
        """Move a unit, and all others in its body, by several steps one after another."""
        world, start = self.world, moved.advance_deg
        together = self._in_one_body(moved)
        for unit in together.values():
            unit.moved_deg += sum(steps)
            self.note("moves", t=world.done_s, unit=unit.truth.name, earlier_deg=sum(steps))
        moves = self._steps(stroke, STEADY, start, [(by, UNIT_DEG_S) for by in steps if by])
        whole = join(moves, still(moves.end_s, moves.end_s + 0.5, moves.last))
        grip = replace(self.hand, tremor_deg=self.hand.grip_deg, hold_tremor=1.0)
        lasting_s = whole.end_s - world.done_s
        return Movement(
            hold(grip, self._rng, world.done_s, world.hand_deg, lasting_s),
            {n: whole.shifted(unit.advance_deg - start) for n, unit in together.items()},
            bodies=True,
        )

    def _finger(self, name: str, s: float = 1.0) -> Movement:
        unit, from_s = self._unit(name), self.world.done_s + 0.3
        if unit.contacts.is_open:
            raise InputError(f"the contacts of '{name}' are open here; turn the crank on")
        s = s or 1.0
        unit.contacts.finger(from_s, from_s + s)
        self.note("fingers", t=from_s, unit=unit.truth.name, seconds=s)
        return self._still(s + 0.6)

    def _drag(self, name: str, way: str) -> Movement:
        """A light drag on a rotor, which is that of each unit in its body."""
        for unit in self._in_one_body(self._unit(name)).values():
            unit.shaft.dragged = way == "on"
        self.note("drags", t=self.world.done_s, unit=name, to=way)
        return self._still(0.5)

    # -- the rest --

    def _slip(self, deg: float) -> Movement:
        world = self.world
        by = deg or 1e-9
        curve = stroke(STEADY, self._rng, world.done_s, world.slip_deg, by=by, speed=30.0)
        self.note("slips", t=world.done_s, slip_deg=deg)
        return Movement(still(world.done_s, curve.end_s, world.hand_deg), slip=curve)

    def _foot(self) -> Movement:
        now_s = self.world.done_s
        return replace(self._still(0.6), foot_s=(now_s + 0.1, now_s + 0.4))

    def _hand(self, name: str, value: float) -> Movement:
        names = [field.name for field in fields(Hand)]
        if name not in names:
            raise InputError(f"'{self._text}': allowed are {', '.join(names)}")
        if name in ("speed_deg_s", "ramp_s") and value == 0.0:
            raise InputError(f"'{self._text}': enter more than 0")
        if name == "uneven" and value > 0.8:
            raise InputError(f"'{self._text}': at most 0.8, or the hand would go backwards")
        self.hand = replace(self.hand, **{name: value})
        return self._still(0.01)

    def _noise(self, sort: str, name: str = "") -> Movement:
        if sort not in NOISES:
            raise InputError(f"'{self._text}': allowed are {', '.join(NOISES)}")
        for unit in [self._unit(name)] if name else self.world.units:
            unit.contacts.noise = NOISES[sort]
        return self._still(0.01)


NUMBER = r"\d+(?:\.\d+)?"
SIGNED = rf"[-+]?{NUMBER}"
AT = rf"(?: at (?P<speed>{NUMBER}))?"

FORMS = {  # verb: form of the rest, and a line of help
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
FAULTS = {  # fault: the same
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
NUMBERS = ("deg", "speed", "s", "mm", "value", "after", "share")


@dataclass(frozen=True, slots=True)
class Command:
    """A parsed command. ``parts``: those of its form that were entered, by name; ``NUMBERS`` are
    numbers, all others words."""

    text: str
    verb: str
    parts: dict[str, Any]


def parse(text: str) -> Command:
    """One command. Raises InputError saying what is allowed."""
    text = " ".join(text.split())
    for verb, (form, help_line) in FORMS.items():
        if text != verb and not text.startswith(verb + " "):
            continue
        match = re.fullmatch(form, text.removeprefix(verb).strip())
        if match is None:
            raise InputError(f"'{text}': the form is: {help_line}")
        words = {key: value.strip() for key, value in match.groupdict().items() if value}
        parts = {key: float(word) if key in NUMBERS else word for key, word in words.items()}
        if parts.get("speed") == 0.0:
            raise InputError(f"'{text}': enter a speed above 0")
        return Command(text, verb, parts)
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

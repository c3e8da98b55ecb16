"""What the simulated person can be told to do, one command a line."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches

from rig.faults import InputError

NUMBER = r"\d+(?:\.\d+)?"
SIGNED = rf"[-+]?{NUMBER}"
AT = rf"(?: at (?P<speed>{NUMBER}))?"

FORMS = {
    "turn": (rf"(?P<deg>{NUMBER}){AT}", "turn DEG [at DEG_PER_S]: forward"),
    "back": (rf"(?P<deg>{NUMBER}){AT}", "back DEG [at DEG_PER_S]: backwards"),
    "goto": (
        rf"(?P<deg>{SIGNED})(?P<back> back)?{AT}",
        "goto DEG [back] [at DEG_PER_S]: on to the next place where cylinder 1 is DEG before top",
    ),
    "hold": (rf"(?P<s>{NUMBER})", "hold S: the hand stays on the crank"),
    "rest": (rf"(?P<s>{NUMBER})", "rest S: hands off"),
    "touch": (
        rf"(?P<way>forward|back)?(?P<how> ?unsteady)?{AT}",
        "touch [forward|back] [unsteady]: gently to the stop",
    ),
    "stop in": (
        rf"(?P<cylinder>\d+)?(?: ?at (?P<mm>{NUMBER}) mm)?",
        "stop in [CYLINDER] [at MM mm]: screw the positive stop in, MM below the piston's top",
    ),
    "stop out": ("", "stop out"),
    "lever": (r"(?P<name>.+)", "lever SETTING: all units that have it"),
    "move": (
        rf"(?P<name>.+?) (?P<deg>{SIGNED})",
        "move UNIT DEG: on its slots, crank degrees, + makes it open earlier",
    ),
    "set": (r"(?P<name>.+)", "set UNIT: move it until its contacts just part, the crank held"),
    "finger": (rf"(?P<name>.+?)(?: (?P<s>{NUMBER}))?", "finger UNIT [S]: part its closed contacts"),
    "switch": (r"(?P<way>on|off)(?: (?P<name>.+))?", "switch on|off [UNIT]: off earths it"),
    "slip": (rf"(?P<deg>{SIGNED})", "slip DEG: the encoder's coupling slips"),
    "gauge": (r"(?P<cylinder>\d+)?", "gauge [CYLINDER]: read a dial gauge on the piston"),
    "foot": ("", "foot: press the foot switch"),
    "hand": (rf"(?P<name>[a-z_]+) (?P<value>{NUMBER})", "hand WHAT VALUE: turn in another way"),
    "noise": (r"(?P<sort>[a-z]+)(?: (?P<name>.+))?", "noise SORT [UNIT]: another sort of contacts"),
    "fault": (rf"(?P<what>.+?)(?: in (?P<after>{NUMBER}))?", "fault WHAT [in S]"),
}
"""Verb: form of what follows it, and a line of help."""

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
    "dip": ("", "dip: the supply dips and the board starts anew"),
    "watchdog": ("", "watchdog: the board hangs and starts anew"),
    "protocol": (r"\d+", "protocol N: the board claims another protocol"),
    "stuck": (r".+ (?:open|closed)", "stuck UNIT open|closed"),
    "free": (".+", "free UNIT: no longer stuck"),
    "channel": ("a|b|good", "channel a|b|good: an encoder channel is dead"),
    "index": ("none|double|good", "index none|double|good"),
}
"""Fault: form of what follows it, and a line of help."""


_NUMBERS = ("deg", "speed", "s", "mm", "value", "after")


@dataclass(frozen=True, slots=True)
class Command:
    """A command taken apart. What was not said is None or empty."""

    text: str
    verb: str
    deg: float | None = None
    speed: float | None = None
    s: float | None = None
    mm: float | None = None
    value: float | None = None
    after: float | None = None
    cylinder: int | None = None
    back: bool = False
    how: str = ""
    way: str = ""
    name: str = ""
    sort: str = ""
    what: str = ""


def parse(text: str) -> Command:
    """One command. Raises InputError that says what is allowed."""
    text = " ".join(text.split())
    for verb, (form, help_line) in FORMS.items():
        rest = text.removeprefix(verb)
        if text != verb and not text.startswith(verb + " "):
            continue
        match = re.fullmatch(form, rest.strip())
        if match is None:
            raise InputError(f"'{text}' cannot be done; the form is: {help_line}")
        said = {key: value.strip() for key, value in match.groupdict().items() if value}
        command = Command(
            text,
            verb,
            back="back" in said,
            cylinder=int(said["cylinder"]) if "cylinder" in said else None,
            how=said.get("how", ""),
            way=said.get("way", ""),
            name=said.get("name", ""),
            sort=said.get("sort", ""),
            what=said.get("what", ""),
            **{key: float(said[key]) for key in _NUMBERS if key in said},
        )
        if command.speed == 0.0:
            raise InputError(f"'{text}': a speed of 0 gets nowhere")
        return command
    near = get_close_matches(text.split(" ")[0] if text else "", FORMS, 1)
    hint = f"; did you mean '{near[0]}'?" if near else "; allowed: " + ", ".join(FORMS)
    raise InputError(f"'{text}' is not something that the hand can do{hint}")


def parse_fault(what: str) -> tuple[str, str]:
    """Name and argument of a fault. Raises InputError that says what is allowed."""
    name, _, rest = what.partition(" ")
    if name not in FAULTS:
        raise InputError(f"there is no fault '{name}'; allowed: {', '.join(FAULTS)}")
    form, help_line = FAULTS[name]
    if re.fullmatch(form, rest) is None:
        raise InputError(f"'fault {what}' cannot be done; the form is: fault {help_line}")
    return name, rest


def lines_of(plan: str | Iterable[str]) -> list[str]:
    """The commands of a plan: one a line, ``#`` begins a remark."""
    lines = plan.splitlines() if isinstance(plan, str) else plan
    cut = (line.partition("#")[0].strip() for line in lines)
    return [line for line in cut if line]

"""The steps of a live job: where it stands, and which keys do something."""

from __future__ import annotations

from rig.command.bench import Bench
from rig.command.guide import SAYABLE
from rig.command.stroke import stroke_state
from rig.screen.view import Key, Step


def step_of(bench: Bench) -> Step:
    """The step at which the job stands."""
    session = bench.session
    if bench.saved is not None:
        return "saved"
    if session.stop is not None:
        return "top dead centre"
    if bench.lines == 0 or bench.lost:
        return "rig check"
    if session.follower.track.anchor is None:
        return "index"
    if session.reference is None:
        return "top dead centre"
    return "stroke" if stroke_state(bench) in ("not stated", "lost") else "reading"


def done_steps(bench: Bench) -> tuple[Step, ...]:
    """Steps that are behind."""
    session = bench.session
    done: list[Step] = []
    if bench.lines:
        done.append("rig check")
    if session.follower.track.anchor is not None:
        done.append("index")
    if session.reference is not None and session.stop is None:
        done.append("top dead centre")
    if session.stroke is not None:
        done.append("stroke")
    if bench.saved is not None:
        done += ["reading", "saved"]
    return tuple(done)


def keys_for(
    bench: Bench, step: Step, advised: str, *, hand: bool, errand: bool
) -> tuple[Key, ...]:
    """The keys that do something now."""
    quit_key = Key("q", "quit")
    if errand:
        return (Key("space", "done here"), Key("esc", "leave it"), quit_key)
    first: tuple[Key, ...] = ()
    more: tuple[Key, ...] = ()
    if advised in SAYABLE:
        first = (Key("n", f"done: {advised}"),)
    if step == "top dead centre":
        first += (Key("space", "stop is in"),)
        if bench.session.stop is not None:
            first = (Key("space", "stop is out"), Key("d", "drop touches"))
    elif step in ("stroke", "reading"):
        first += (Key("space", "firing TDC"),) if step == "stroke" else ()
        first += (Key("s", "save"),)
        movable = [u for u in bench.job.profile.units if len(u.settings) > 1]
        more = tuple(Key(str(u.input), f"{u.name} lever") for u in movable[:3])
        if any(u.coupling == "impulse" for u in bench.job.profile.units):
            more += (Key("i", "past the click"),)
        more += (Key("x", "strike"), Key("c", "stop"))
        if advised != "tighten":
            back = bench.session.phase == "as left"
            more += (Key("t", "as found" if back else "tightened"),)
        more += (Key("g", "go to"), Key("m", "set"), Key("r", "remark"), Key("p", "change"))
    if hand:
        more += (Key("arrows", "crank"),)
    # Where there is no room for all, the last are left out.
    return (*first, quit_key, *more)

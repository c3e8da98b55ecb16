"""The steps of a live job: where it stands, what comes next and why, which keys do something."""

from __future__ import annotations

from dataclasses import dataclass

from rig.command.bench import Bench
from rig.engine.profile import Profile
from rig.screen.view import Key, Step, Stroke
from rig.timing.tie import sparks_on_both_strokes

LIVE_MAGNETO = (
    "A magneto on an open switch lead is live: plugs out, leads earthed, keep clear of the arc."
    " The maker's manual comes first."
)
STOP_IN_WAY = (
    "By hand only, gently: the stop must meet the piston and clear the valves;"
    " take it out before a full turn."
)
ENOUGH_READINGS = 5
"""Readings a unit after which nothing more is asked for; more are always welcome."""


@dataclass(frozen=True, slots=True)
class Advice:
    """What to do next, why, and what to beware of."""

    next: str
    why: str
    caution: str = ""


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


def stroke_state(bench: Bench) -> Stroke:
    """Whether the firing stroke matters, and whether it is stated."""
    profile = bench.job.profile
    if needs_no_stroke(profile):
        return "not needed"
    if bench.session.stroke is not None:
        return "stated"
    return "lost" if bench.session.stroke_lost else "not stated"


def needs_no_stroke(profile: Profile) -> bool:
    """True on a two-stroke, and where every unit sparks on both strokes by design."""
    return profile.engine.strokes == 2 or all(
        sparks_on_both_strokes(unit, profile) for unit in profile.units
    )


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


def advice(bench: Bench, step: Step) -> Advice:
    """What to do at ``step``."""
    session = bench.session
    if step == "rig check":
        if bench.lost:
            return Advice("Plug the rig in again; it is looked for.", bench.lost)
        return Advice("Wait for the rig.", "Nothing it has sent could be read yet.")
    if step == "index":
        return Advice(
            "Turn the crank slowly forward until the index has passed.",
            "The index is the mark that all angles are counted from.",
            LIVE_MAGNETO,
        )
    if step == "top dead centre":
        return _stop_advice(bench)
    if step == "stroke":
        lost = " again: the count of turns was lost" if session.stroke_lost else ""
        return Advice(
            f"Bring cylinder 1 to its firing top dead centre and state it{lost}.",
            "It tells which lobe serves which cylinder. Reading works without it.",
            LIVE_MAGNETO,
        )
    if step == "saved":
        return Advice(
            "Stop, gauge, wedge and leads off; earth leads back on and the switch proved.",
            "The certificate is saved; the closing list stands on it.",
        )
    few = [u.name for u in bench.job.profile.units if _counted(bench, u.name) < ENOUGH_READINGS]
    if few:
        return Advice(
            "Turn slowly forward past the openings, a few turns.",
            f"Not enough readings yet for {' and '.join(few)}.",
            LIVE_MAGNETO,
        )
    return Advice(
        "Save the certificate, move a lever, or turn on for more readings.",
        "Each unit has enough for a judgement; more make the spread surer.",
        LIVE_MAGNETO,
    )


def _counted(bench: Bench, unit: str) -> int:
    session = bench.session
    wanted = (unit, session.setting_of(unit), session.phase)
    return sum(r.counts and (r.unit, r.setting, r.phase) == wanted for r in session.readings())


def _stop_advice(bench: Bench) -> Advice:
    stop = bench.session.touches()
    if stop is None:
        return Advice(
            "Put the stop into the plug hole of cylinder 1, then say so.",
            "Half-way between touching it from both sides is top dead centre.",
            STOP_IN_WAY,
        )
    forward, backward = len(stop.side(1)), len(stop.side(-1))
    if min(forward, backward) < 1:
        side = "forward" if forward == 0 else "back the other way"
        return Advice(
            f"Turn gently {side} to the stop, hold it there, then go back.",
            "Each touch is taken once the crank has left it again.",
            STOP_IN_WAY,
        )
    if min(forward, backward) < 3:
        return Advice(
            "Touch again from both sides, or take the stop out and say so.",
            "Repeated touches show how well they agree; three a side is good.",
            STOP_IN_WAY,
        )
    return Advice(
        "Take the stop out, then say so.", "There are touches enough on both sides.", STOP_IN_WAY
    )


def keys_for(bench: Bench, step: Step, *, hand: bool, errand: bool) -> tuple[Key, ...]:
    """The keys that do something now."""
    keys: tuple[Key, ...] = ()
    if errand:
        return (Key("space", "done here"), Key("esc", "leave it"), Key("q", "quit"))
    if step == "top dead centre":
        keys = (Key("space", "stop is in"),)
        if bench.session.stop is not None:
            keys = (Key("space", "stop is out"), Key("d", "drop touches"))
    elif step in ("stroke", "reading"):
        keys = (Key("space", "firing TDC now"),) if step == "stroke" else ()
        keys += (Key("s", "save"),)
    if step in ("stroke", "reading"):
        movable = [u for u in bench.job.profile.units if len(u.settings) > 1]
        keys += tuple(Key(str(u.input), f"lever of {u.name}") for u in movable[:3])
        phase = "as found" if bench.session.phase == "as left" else "tightened"
        keys += (Key("x", "strike last"), Key("t", phase), Key("c", "touch stop again"))
        keys += (Key("g", "go to an angle"), Key("m", "set by moving"))
    if hand:
        keys += (Key("right", "turn"), Key("left", "back"), Key("down", "hold"))
    return (*keys, Key("q", "quit"))

"""The steps of a live job: where it stands, and which keys matter there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from rig.command.live.bench import Bench
from rig.command.live.deeds import Deed
from rig.command.live.stroke import stroke_state
from rig.screen.view import Key, Step

FOOT: Mapping[str, str] = {
    "make safe": "n", "gap": "n", "switch": "k n", "rig check": "k n", "rig bad": "k",
    "top dead centre": "space d l w", "stop out": "space d", "marks": "e n",
    "stroke": "space", "impulse": "i", "correction": "m", "play": "n", "tighten": "n",
    "touch again": "c w", "dead centre moved": "c w", "certificate": "s",
    "advance": "n",
}  # fmt: skip
"""Keys that matter when a step is advised; the deed's own step and the readings have more."""
MOST_KEYS = 7
LONGEST_NAME = 16


def step_of(bench: Bench) -> Step:
    """The step at which the job stands."""
    session = bench.session
    if bench.saved is not None:
        return "saved"
    if session.stop is not None:
        return "top dead centre"
    if not bench.understood or bench.lost:
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
    if bench.understood:
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


def foot_keys(deeds: Sequence[Deed], step: Step, advised: str) -> tuple[Key, ...]:
    """The few keys that matter now: of the advised step, of the present one, then readings."""
    wanted = FOOT.get(advised, "").split()
    if step == "top dead centre":
        wanted += ["space", "d"]
    elif step == "stroke":
        wanted += ["space"]
    elif step == "reading":
        levers = [deed.key for deed in deeds if deed.key.isdigit()]
        wanted += ["o", *levers[:2], "x", "s"]
    have = {deed.key: deed for deed in deeds}
    chosen = [have[key] for key in dict.fromkeys(wanted) if key in have]
    return tuple(as_key(deed) for deed in chosen[:MOST_KEYS])


def as_key(deed: Deed) -> Key:
    """A deed as the foot shows it. A long name (a unit's may be) is cut."""
    name = deed.name
    return Key(deed.key, name if len(name) <= LONGEST_NAME + 6 else f"{name[: LONGEST_NAME + 5]}…")

"""Past an impulse coupling to a running reading: a state machine, as a table.

Turned slowly, the coupling holds the rotor back and lets it snap over late. The running figure is
read by turning past the click, coming back past the opening without letting the coupling engage
again, and going forward gently (US Army TM 1-1500-204-23-1, magneto timing). Whoever turns is
followed through these steps, and told when one was missed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Literal

State = Literal["click", "back", "forward", "done"]
Event = Literal["nothing", "clicked", "far enough", "too far", "turned too soon", "running reading"]

MARGIN_DEG = 3.0
"""Gone back so much further than the run-up needs, so that it is full at the opening (common
practice, no source)."""
TOO_FAR_DEG = 25.0
"""Gone back so much further than needed, a coupling has probably engaged again (common practice,
no source: each maker's own differs)."""
HAND_DEG = 2.0
"""A hand trembles by less; more than this forward means that the crank was turned."""

TABLE: Mapping[tuple[State, Event], State] = {
    ("click", "clicked"): "back",
    ("back", "clicked"): "back",
    ("back", "far enough"): "forward",
    ("back", "turned too soon"): "back",
    ("forward", "too far"): "click",
    ("forward", "clicked"): "back",
    ("forward", "running reading"): "done",
}
"""(state, event) to the next state; what is not in it leaves the state as it is."""

WORDS: Mapping[State, str] = {
    "click": "turn forward past the click",
    "back": "come back {more:.0f} degrees more, past the opening",
    "forward": "now forward, gently, through the opening",
    "done": "a running reading: go back and forward again for more",
}
MISSED: Mapping[Event, str] = {
    "too far": "too far back: the coupling may have engaged again",
    "clicked": "it clicked again: gone back too far, the coupling had engaged",
    "turned too soon": "not far enough back: there would be no run-up",
}


@dataclass(frozen=True, slots=True)
class Seen:
    """What the rig sees at an instant. ``past_deg`` is how far the crank stands past the running
    opening (negative: before it), crank degrees; the last two are true at those instants only."""

    past_deg: float
    clicked: bool = False  # an opening late by the coupling's lag
    running: bool = False  # an opening that counts, where the running one belongs


@dataclass(frozen=True, slots=True)
class PastClick:
    """Where the person stands. ``needed_deg`` is the run-up that a reading needs."""

    needed_deg: float
    state: State = "click"
    clicked_deg: float = 0.0  # where it clicked
    lowest_deg: float = 0.0  # furthest back since the click
    past_deg: float = 0.0
    missed: str = ""

    @property
    def words(self) -> str:
        """What to do now, one line, with what was missed. Source: the table."""
        more = max(self.past_deg + self.needed_deg + MARGIN_DEG, 0.0)
        told = WORDS[self.state].format(more=more)
        return f"{self.missed}; {told}" if self.missed else told


def _far_enough(now: PastClick) -> float:
    return -(now.needed_deg + MARGIN_DEG)


def _came_back(now: PastClick) -> bool:
    """A hand that goes on a little past the click has not turned round yet."""
    return now.lowest_deg < now.clicked_deg - HAND_DEG


def _turned_on(now: PastClick, seen: Seen) -> bool:
    return seen.past_deg > now.lowest_deg + HAND_DEG


Test = Callable[[PastClick, Seen], bool]

SEEN_AS: tuple[tuple[State, Event, Test], ...] = (
    ("click", "clicked", lambda _, seen: seen.clicked),
    ("back", "clicked", lambda _, seen: seen.clicked),
    ("back", "far enough", lambda now, seen: seen.past_deg <= _far_enough(now)),
    ("back", "turned too soon", lambda now, seen: _came_back(now) and _turned_on(now, seen)),
    ("forward", "running reading", lambda _, seen: seen.running),
    ("forward", "clicked", lambda _, seen: seen.clicked),
    ("forward", "too far", lambda now, seen: seen.past_deg < _far_enough(now) - TOO_FAR_DEG),
)
"""How an event shows in a state; the first row that holds counts."""


def step(now: PastClick, seen: Seen) -> PastClick:
    """The state after one more look at the rig; pure, so that it can be replayed.

    Angles in crank degrees. Source: the table.
    """
    event: Event = "nothing"
    for state, name, shows in SEEN_AS:
        if state == now.state and shows(now, seen):
            event = name
            break
    after = TABLE.get((now.state, event), now.state)
    clicked = seen.past_deg if event == "clicked" else now.clicked_deg
    lowest = seen.past_deg if event == "clicked" else min(now.lowest_deg, seen.past_deg)
    missed = now.missed
    if event == "clicked" and now.state != "forward":
        missed = ""
    elif event in MISSED:
        missed = MISSED[event]
    elif event != "nothing":
        missed = ""
    return replace(
        now, state=after, clicked_deg=clicked, lowest_deg=lowest,
        past_deg=seen.past_deg, missed=missed,
    )  # fmt: skip

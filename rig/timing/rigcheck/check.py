"""Is the rig to be trusted: a plain verdict for each thing that can be wrong, and its likely cause.

Nothing here reads a rig: it is told what was seen. Angles are crank degrees unless said otherwise,
counts are the encoder's, times microseconds.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median
from typing import Literal

from rig.counted import many
from rig.engine.profile import Contacts, Encoder, Unit
from rig.timing.circular import resultant
from rig.timing.rigcheck.contacts import (
    Check,
    ContactSeen,
    SwitchSeen,
    contact_checks,
    propose_contacts,
    switch_check,
    wiring_checks,
)
from rig.timing.rigcheck.widths import WidthCheck, width_check

USUAL_LINES = (
    100, 128, 180, 200, 250, 256, 300, 360, 400, 500, 512, 600, 720, 800, 1000, 1024, 1200, 1250,
    1440, 1500, 1800, 2000, 2048, 2500, 3000, 3600, 4000, 4096, 5000, 8192,
)  # fmt: skip
"""Line counts that encoders are sold with (common practice, no source)."""

CLUSTERED = 0.01
"""Chance below which illegal transitions are taken to crowd at one place of the turn."""


@dataclass(frozen=True, slots=True)
class RigSeen:
    """What was seen of the rig while the crank was turned, a few turns forward and at rest."""

    counts_between: tuple[float, ...] = ()  # counts from each index pass to the next, whole turns
    forward_counts: float | None = None  # while the person turned in the normal direction
    identity_counts: int | None = None  # what the rig says of itself
    illegal: int = 0
    illegal_at_deg: tuple[float, ...] = ()  # where in the encoder's turn, where that is known
    lost_edges: int = 0
    lost_lines: int = 0
    index_off_counts: tuple[float, ...] = ()  # of each pass after the first
    still_counts: int | None = None  # highest less lowest count while the crank stood
    widths: tuple[float, ...] = ()  # of the four states, in counts
    width_errors: tuple[float, ...] = ()  # their standard errors
    widths_taken_out: bool = False  # of the angles
    contacts: tuple[ContactSeen, ...] = ()
    switches: tuple[SwitchSeen, ...] = ()
    opened_by_hand: Mapping[str, tuple[int, ...]] = field(default_factory=dict)  # the last try
    tries_by_hand: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class RigCheck:
    """Every check, the debouncing that they propose, and what became of the widths."""

    checks: tuple[Check, ...]
    contacts: Contacts
    widths: WidthCheck | None

    @property
    def verdict(self) -> Literal["good", "bad", "not complete"]:
        """Bad when any check is, not complete when something was not seen."""
        verdicts = {check.verdict for check in self.checks}
        if "bad" in verdicts:
            return "bad"
        return "not complete" if "not seen" in verdicts else "good"


def check_rig(
    seen: RigSeen, encoder: Encoder, units: Sequence[Unit], contacts: Contacts
) -> RigCheck:
    """All checks in the order in which they are worth putting right.

    ``contacts`` are the debouncing settings in force. Source: the single checks.
    """
    checks = [
        counts_check(seen.counts_between, encoder.counts_per_turn),
        identity_check(seen.identity_counts, encoder.counts_per_turn),
        direction_check(seen.forward_counts, encoder.direction),
        illegal_check(seen.illegal, seen.illegal_at_deg),
        losses_check(seen.lost_edges, seen.lost_lines),
        index_check(seen.index_off_counts),
        jitter_check(seen.still_counts),
    ]
    widths = None
    if len(seen.widths) == 4:
        widths = width_check(
            seen.widths, seen.width_errors, encoder, taken_out=seen.widths_taken_out
        )
        checks.append(Check("widths", "good", widths.measured, widths.words))
    else:
        checks.append(Check("widths", "not seen", "", "turn a few turns steadily to measure them"))
    checks += [switch_check(switch) for switch in seen.switches]
    checks += contact_checks(seen.contacts, units)
    checks += wiring_checks(seen.opened_by_hand, units, seen.tries_by_hand)
    proposed, debouncing = propose_contacts(seen.contacts, contacts)
    return RigCheck((*checks, *debouncing), proposed, widths)


def counts_check(counts_between: Sequence[float], stated: int) -> Check:
    """Counts from index to index against the stated counts of a turn, and why they may differ.

    Source: the index marks one place a turn; a line gives four counts (quadrature).
    """
    name = "counts a turn"
    sizes = [abs(c) for c in counts_between if c != 0]
    if not sizes:
        return Check(name, "not seen", "", "turn on past the index twice")
    middle = median(sizes)
    measured = f"{many(round(middle), 'count')} from index to index, {stated} stated"
    spread = max(sizes) - min(sizes)
    if abs(middle - stated) <= 0.5 and spread <= 1.0:
        return Check(name, "good", measured, "counts and index agree")
    if abs(middle - stated) <= 2.0 and spread > 1.0:
        words = f"{measured}, but they vary by {spread:.0f} from turn to turn"
        cause = "counts are lost, or the coupling of the encoder slips"
        return Check(name, "bad", measured, words, cause)
    return Check(
        name, "bad", measured, f"{measured}: all angles would be wrong", _cause(middle, stated)
    )


def _cause(counts: float, stated: int) -> str:
    """What a wrong figure probably is."""
    ratio = counts / stated
    causes: Mapping[float, str] = {
        4.0: f"the stated figure is the lines; four counts go to a line: state {counts:.0f}",
        0.25: "the stated figure was taken times four twice, or the rig counts one edge of a line",
        2.0: "the rig counts two edges of a line where four were thought of, or every second "
        "index pass was missed",
        0.5: "the rig counts two edges of a line and not four, or the index comes twice a turn",
    }
    for factor, words in causes.items():
        if abs(ratio / factor - 1.0) < 0.002:
            return words
    guesses = []
    whole = round(ratio)
    if whole >= 2 and abs(ratio / whole - 1.0) < 0.002:
        guesses.append(
            f"{whole - 1} of every {many(whole, 'index pass', 'index passes')} were missed"
        )
    lines = min(USUAL_LINES, key=lambda n: abs(counts / (4.0 * n) - 1.0))
    if abs(counts / (4.0 * lines) - 1.0) < 0.002:
        guesses.append(
            f"it is an encoder of {many(lines, 'line')}: state {many(4 * lines, 'count')}"
        )
    if guesses:
        return ", or ".join(guesses)
    return "counts are lost, or the encoder does not turn with the shaft that the file says"


def identity_check(said: int | None, stated: int) -> Check:
    """Counts a turn as the rig itself says against the engine file. Source: comparison."""
    name = "identity"
    if said is None:
        return Check(name, "not seen", "", "the rig has not said yet what it is")
    measured = f"the rig says {many(said, 'count')} a turn"
    if said == stated:
        return Check(name, "good", measured, "rig and engine file agree")
    words = f"{measured}, the engine file {stated}; the index decides which is right"
    return Check(name, "bad", measured, words, _cause(said, stated))


def direction_check(forward_counts: float | None, direction: int) -> Check:
    """Sign of the count against the engine's normal direction, ``direction`` as stated (+1, -1).

    Source: comparison.
    """
    name = "direction"
    if not forward_counts:
        return Check(name, "not seen", "", "turn the crank in its normal direction")
    up = forward_counts > 0
    measured = f"counts {'up' if up else 'down'} in the normal direction"
    if up == (direction > 0):
        return Check(name, "good", measured, "the direction agrees")
    return Check(
        name,
        "bad",
        measured,
        f"{measured}, the engine file says the other way: early and late would change places",
        "A and B are exchanged, the encoder sits on the other end, or it was turned backwards",
    )


def illegal_check(illegal: int, at_deg: Sequence[float]) -> Check:
    """Illegal encoder transitions, and whether they crowd at a place of the turn.

    Crowding by Rayleigh's test, chance exp(-n R^2). Source: Mardia and Jupp, Directional Statistics
    (from memory).
    """
    name = "illegal transitions"
    if illegal == 0:
        return Check(name, "good", "none", "every step of the encoder was a legal one")
    measured = f"{illegal} transitions with both channels changed"
    words = f"{measured}: counts were lost, angles hold again from the next index on"
    if len(at_deg) >= 3:
        mean = resultant(at_deg)
        if math.exp(-len(at_deg) * abs(mean) ** 2) < CLUSTERED:
            at = math.degrees(math.atan2(mean.imag, mean.real)) % 360.0
            cause = (
                f"they crowd about {at:.0f}° after the index: dirt or damage on the disc "
                "there, or a shaft that runs out"
            )
            return Check(name, "bad", measured, words, cause)
        cause = "they lie all round: a loose wire, interference, or turned too fast for the rig"
        return Check(name, "bad", measured, words, cause)
    return Check(name, "bad", measured, words, "too few to say where: turn on")


def losses_check(lost_edges: int, lost_lines: int) -> Check:
    """What the rig itself dropped. Source: its own totals."""
    name = "losses"
    if lost_edges == 0 and lost_lines == 0:
        return Check(name, "good", "none", "the rig dropped nothing")
    measured = f"{many(lost_edges, 'edge')} and {many(lost_lines, 'line')} dropped by the rig"
    cause = "the line is too slow, or an input chatters without end"
    return Check(name, "bad", measured, f"{measured}: openings may be missing", cause)


def index_check(off_counts: Sequence[float]) -> Check:
    """Whether the index comes at always the same count. Source: one index a turn."""
    name = "index"
    if not off_counts:
        return Check(name, "not seen", "", "turn on past the index twice")
    worst = max(off_counts, key=abs)
    measured = f"at most {abs(worst):.1f} counts off in {many(len(off_counts), 'pass', 'passes')}"
    if abs(worst) <= 1.0:
        return Check(name, "good", measured, "the index comes at always the same count")
    return Check(
        name,
        "bad",
        measured,
        f"{measured}: angles move with it",
        "counts are lost, the coupling of the encoder slips, or the index is touched by noise",
    )


def jitter_check(still_counts: int | None) -> Check:
    """How many counts the encoder wanders while the crank stands. Source: an edge is two counts."""
    name = "at rest"
    if still_counts is None:
        return Check(name, "not seen", "", "let the crank stand for two seconds")
    measured = f"{many(still_counts, 'count')} to and fro at rest"
    if still_counts <= 1:
        return Check(name, "good", measured, "steady")
    cause = "a loose coupling or bracket, a hand on the crank, or interference on A and B"
    return Check(
        name, "bad", measured, f"{measured}: the crank stands, the encoder does not", cause
    )

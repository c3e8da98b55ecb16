"""Can the rig be trusted: a verdict for each thing that can be wrong, and its likely cause.

Counts per turn, direction, illegal steps, losses, index, jitter, the widths of the four quadrature
states, and the contact inputs: whether they follow the crank, belong to the right unit, and how
they bounce. Nothing here reads a rig; the evidence is passed in. Angles are crank degrees unless a
name says otherwise, counts are the encoder's, times microseconds.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations
from types import MappingProxyType
from typing import Literal

import numpy as np

from rig.base.angles import circular_mean, modulo, resultant
from rig.base.errors import InputError
from rig.base.rounding import many
from rig.engine.profile import Contacts, Encoder, Unit
from rig.session.diagnostics import CLUSTERED, Check, counts_check, identity_check

"""Line counts that encoders are sold with (common practice, no source)."""


"""Chance below which illegal transitions are taken to crowd at one place of the turn."""


@dataclass(frozen=True, slots=True)
class RigEvidence:
    """What was seen of the rig while the crank was turned, a few turns forward and at rest."""

    counts_between: tuple[float, ...] = ()  # counts from each index pass to the next, whole turns
    forward_counts: float | None = None  # while the person turned in the normal direction
    identity_counts: int | None = None  # what the rig says of itself
    illegal: int = 0
    illegal_at_deg: tuple[float, ...] = ()  # where in the encoder's turn, where that is known
    lost_edges: int = 0
    lost_lines: int = 0
    index_off_counts: tuple[float, ...] = ()  # of each pass after the first
    passes_before: int = 0  # those of which it is not kept
    still_counts: int | None = None  # highest less lowest count while the crank stood
    widths: tuple[float, ...] = ()  # of the four states, in counts
    width_errors: tuple[float, ...] = ()  # their standard errors
    widths_taken_out: bool = False  # of the angles
    contacts: tuple[ContactEvidence, ...] = ()
    switches: tuple[SwitchEvidence, ...] = ()
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
    seen: RigEvidence, encoder: Encoder, units: Sequence[Unit], contacts: Contacts
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
        index_check(seen.index_off_counts, seen.passes_before),
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
        if math.exp(-len(at_deg) * abs(resultant(at_deg)) ** 2) < CLUSTERED:
            at = modulo(circular_mean(at_deg))
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


def index_check(off_counts: Sequence[float], before: int = 0) -> Check:
    """Whether the index comes at always the same count; ``before``: passes that are not among them.

    Source: one index a turn."""
    name = "index"
    if not off_counts:
        return Check(name, "not seen", "", "turn on past the index twice")
    worst = max(off_counts, key=abs)
    measured = (
        f"at most {abs(worst):.1f} counts off in {many(before + len(off_counts), 'pass', 'passes')}"
    )
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


SURE = 4.0


"""A state is unequal when it differs from a quarter line by this many standard errors."""


@dataclass(frozen=True, slots=True)
class WidthCheck:
    """Widths of states 0..3 in counts, and the error that they make if left in, crank degrees.

    ``rms_deg`` is over the four edges, ``largest_deg`` of the worst; ``taken_out`` is true when
    the angles were freed of it.
    """

    widths: tuple[float, ...]
    rms_deg: float
    largest_deg: float
    sure: bool
    taken_out: bool
    measured: str
    words: str


def width_check(
    widths: Sequence[float], errors: Sequence[float], encoder: Encoder, *, taken_out: bool
) -> WidthCheck:
    """What unequal states cost, and what taking them out of the angles bought or would buy.

    ``widths`` and their standard ``errors`` have four numbers each, in counts, mean 1. Whether
    they were ``taken_out`` was decided while the crank turned: where the worst edge lies further
    off than the half-width stated for the encoder's graduation (``rig.session.settings``). Raises
    InputError for another shape. Source: the place of an edge is the sum of the widths before it.
    """
    if len(widths) != 4 or len(errors) != 4 or not all(math.isfinite(w) for w in widths):
        raise InputError("an encoder has four states: four widths and four standard errors")
    ratio = float(encoder.turns_per_crank_turn)
    count_deg = 360.0 / encoder.counts_per_turn / ratio
    wide = np.asarray(widths, np.float64)
    edges = np.concatenate([[0.0], np.cumsum(wide[:3] - 1.0)])
    off = (edges - edges.mean()) * count_deg
    rms, largest = float(np.sqrt(np.mean(off**2))), float(np.abs(off).max())
    sure = bool(np.any(np.abs(wide - 1.0) > SURE * np.maximum(errors, 1e-9)))
    measured = "states of " + ", ".join(f"{w:.2f}" for w in wide) + " counts"
    if not sure:
        words = "the four states are equal, as far as can be seen"
    elif taken_out:
        words = f"taken out, which buys {rms:.3f} degrees (up to {largest:.3f} at the worst edge)"
    else:
        words = (
            f"left in: taking them out would buy {rms:.3f} degrees (up to {largest:.3f} at the "
            "worst edge), no more than the encoder's own graduation of "
            f"{encoder.graduation_error_deg / ratio:g} either way"
        )
    return WidthCheck(tuple(float(w) for w in wide), rms, largest, sure, taken_out, measured, words)


MARGIN = 1.5


"""A debouncing time is this much longer than the longest disturbance that was seen, and the
shortest true run at least as much longer than it (common practice, no source)."""


SAME_INSTANT_US = 50.0


@dataclass(frozen=True, slots=True)
class ContactEvidence:
    """What one contact input did while the crank was turned through ``turned_deg``."""

    input: int
    turned_deg: float
    opened_at_us: tuple[float, ...] = ()  # instants of the openings while the crank turned
    closings: int = 0
    changes_at_rest: int = 0  # openings and closings while the crank stood
    chatter_us: tuple[float, ...] = ()  # closed runs within passages that ended open
    dropouts_us: tuple[float, ...] = ()  # open runs that came to nothing
    closed_us: tuple[float, ...] = ()  # how long it stayed closed, each time
    open_us: tuple[float, ...] = ()  # how long it stayed open, each time
    tries: int = 1  # of turning on; the last is the one told
    opened_before: int = 0  # openings before those whose instants are kept

    @property
    def opened(self) -> int:
        """How often it opened while the crank turned."""
        return self.opened_before + len(self.opened_at_us)


@dataclass(frozen=True, slots=True)
class SwitchEvidence:
    """A unit's input with its switch lead still on: a turn at OFF, a turn at ON.

    Each is of the last try; ``live_before`` says that an earlier one opened at OFF.
    """

    unit: str
    off_turned_deg: float
    off_openings: int
    on_turned_deg: float
    on_openings: int
    needed_deg: float = 360.0  # over which the unit opens at least once
    tries: int = 1  # of the step that was tried most often
    live_before: bool = False


def switch_check(seen: SwitchEvidence) -> Check:
    """The switch proved before its lead comes off: at OFF closed all round, at ON it opens.

    An earlier try that was live stands until a whole turn at OFF shows otherwise; after that it is
    said and not judged. Source: switch OFF earths the primary, an open earthing lead leaves the
    magneto live (FAA-H-8083-32 ch. 4, Ignition Switches).
    """
    check = _again(_switch_check(seen), seen.tries)
    if not seen.live_before or check.verdict == "bad":
        return check
    earlier = "an earlier try had it LIVE at OFF: be sure what changed since, it may come back"
    return replace(check, words=f"{check.words}; {earlier}")


def _again(check: Check, tries: int) -> Check:
    """The check, with the word that earlier tries of it are not judged."""
    if tries < 2:
        return check
    return replace(check, words=f"{check.words}; tried {many(tries, 'time')}, the last counts")


def _switch_check(seen: SwitchEvidence) -> Check:
    name = f"switch of {seen.unit}"
    measured = (
        f"OFF: {many(seen.off_openings, 'opening')} in {seen.off_turned_deg:.0f}°; "
        f"ON: {seen.on_openings} in {seen.on_turned_deg:.0f}"
    )
    if seen.off_openings > 0:
        return Check(
            name,
            "bad",
            measured,
            "it opens with the switch at OFF: the unit is LIVE with the switch off",
            "the earthing lead or the switch is open; put it right before anything else",
        )
    if seen.off_turned_deg < seen.needed_deg and seen.live_before:
        return Check(
            name,
            "bad",
            measured,
            "an earlier try had it LIVE at OFF, and no whole turn at OFF since shows otherwise",
            "the earthing lead or the switch is open; put it right, then turn a whole turn at OFF",
        )
    if seen.off_turned_deg < seen.needed_deg:
        return Check(name, "not seen", measured, "turn a whole turn with the switch at OFF")
    if seen.on_openings > 0:
        return Check(name, "good", measured, "closed all round at OFF, opens at ON")
    if seen.on_turned_deg < seen.needed_deg:
        return Check(name, "not seen", measured, "turn a whole turn with the switch at ON")
    return Check(
        name,
        "bad",
        measured,
        "it does not open at ON",
        "the lead is earthed somewhere, the switch does not open, or the contacts do not part",
    )


def contact_checks(contacts: Sequence[ContactEvidence], units: Sequence[Unit]) -> list[Check]:
    """Each unit's input seen to open and close with the crank, and no two on one pair of contacts.

    Source: comparison; a unit opens lobes x turns per crank turn times a crank turn.
    """
    by_input = {seen.input: seen for seen in contacts}
    checks = []
    for unit in units:
        seen = by_input.get(unit.input)
        checks.append(_again(_contact_check(seen, unit), seen.tries if seen else 1))
    for one, two in combinations(contacts, 2):
        if _together(one, two):
            checks.append(
                Check(
                    f"inputs {one.input} and {two.input}",
                    "bad",
                    f"{many(one.opened, 'opening')} at the same instants",
                    "both inputs always open together to the microsecond",
                    "both leads are on one unit, or the two inputs touch",
                )
            )
    return checks


def _together(one: ContactEvidence, two: ContactEvidence) -> bool:
    n = len(one.opened_at_us)
    return (
        n >= 3
        and n == len(two.opened_at_us)
        and one.opened == two.opened
        and all(
            abs(a - b) < SAME_INSTANT_US
            for a, b in zip(one.opened_at_us, two.opened_at_us, strict=True)
        )
    )


def _contact_check(seen: ContactEvidence | None, unit: Unit) -> Check:
    name = f"contacts of {unit.name}"
    if seen is None:
        return Check(name, "not seen", "", f"nothing was heard of input {unit.input}")
    opened = seen.opened
    measured = (
        f"{many(opened, 'opening')} and {many(seen.closings, 'closing')} in "
        f"{seen.turned_deg:.0f}°, "
        f"{seen.changes_at_rest} changes at rest"
    )
    wanted = seen.turned_deg / 360.0 * float(unit.turns_per_crank_turn) * unit.lobes
    if opened == 0 and seen.closings == 0 and seen.changes_at_rest > 0:
        return Check(
            name,
            "bad",
            measured,
            f"input {unit.input} changes only while the crank stands",
            "a loose lead, or interference; or it was opened by hand",
        )
    if wanted < 2.0:
        return Check(name, "not seen", measured, "turn on until it ought to have opened twice")
    if opened == 0:
        return Check(
            name,
            "bad",
            measured,
            f"input {unit.input} never opened",
            "the lead is off or on another input, the switch lead still earths it, the coil's "
            "winding bridges it, or the contacts do not part",
        )
    if abs(opened - wanted) > 1.5:
        return Check(
            name,
            "bad",
            measured,
            f"it ought to have opened about {many(round(wanted), 'time')}",
            "lobes or drive ratio in the engine file, another unit's lead, or dirty contacts",
        )
    return Check(name, "good", measured, "it follows the crank")


def wiring_checks(
    opened_by_hand: Mapping[str, tuple[int, ...]],
    units: Sequence[Unit],
    tries: Mapping[str, int] = MappingProxyType({}),
) -> list[Check]:
    """Which unit is on which input, from the inputs that changed as each was opened by hand.

    It is the last of so many ``tries`` that is told. Source: comparison with the engine file.
    """
    checks = []
    for unit in units:
        if unit.name not in opened_by_hand:
            continue
        name = f"input of {unit.name}"
        changed = sorted(set(opened_by_hand[unit.name]))
        measured = "inputs that changed: " + (", ".join(map(str, changed)) or "none")
        if changed == [unit.input]:
            checks.append(Check(name, "good", measured, f"it is on input {unit.input} as stated"))
        elif not changed:
            words = "no input changed as it was opened"
            cause = "its lead is off, it is earthed, or its contacts were open already"
            checks.append(Check(name, "bad", measured, words, cause))
        elif len(changed) > 1:
            words = "more than one input changed as it was opened"
            cause = "two leads touch, or both are on one unit"
            checks.append(Check(name, "bad", measured, words, cause))
        else:
            words = f"it is on input {changed[0]}, the engine file says {unit.input}"
            cause = "the leads are exchanged: exchange them, or the inputs in the engine file"
            there = [u for u in units if u.input == changed[0]]
            if any(set(opened_by_hand.get(u.name, ())) == {u.input} for u in there):
                cause = f"{there[0].name} was opened again in its place: open {unit.name}"
            checks.append(Check(name, "bad", measured, words, cause))
        checks[-1] = _again(checks[-1], tries.get(unit.name, 1))
    return checks


def propose_contacts(
    contacts: Sequence[ContactEvidence], now: Contacts
) -> tuple[Contacts, list[Check]]:
    """Debouncing settings that suit the chatter and drop-outs seen, and a check that says why.

    A time is raised to ``MARGIN`` times the longest disturbance; it is never lowered. Where that
    comes too near to the shortest true run, it is said and not raised. Source: the definition of
    an opening: a passage ends with a closed run; common practice, no source, for the margin.
    """
    chatter = max((t for seen in contacts for t in seen.chatter_us), default=0.0) / 1e3
    dropout = max((t for seen in contacts for t in seen.dropouts_us), default=0.0) / 1e3
    shortest_closed = min((t for s in contacts for t in s.closed_us), default=float("inf")) / 1e3
    shortest_open = min((t for s in contacts for t in s.open_us), default=float("inf")) / 1e3
    if not any(seen.opened_at_us for seen in contacts):
        return now, [Check("debouncing", "not seen", "", "openings are needed to judge it")]
    measured = f"chatter closed up to {chatter:.2f} ms, drop-outs up to {dropout:.2f} ms"
    closed_end = max(now.closed_end_ms, MARGIN * chatter)
    longest = max(now.longest_dropout_ms, MARGIN * dropout)
    least_open = max(now.least_open_ms, MARGIN * longest)
    if closed_end * MARGIN > shortest_closed or least_open * MARGIN > shortest_open:
        words = (
            f"{measured}; true runs are as short as {shortest_closed:.1f} ms closed and "
            f"{shortest_open:.1f} ms open, which is too near to tell them apart"
        )
        cause = "turned too fast, or dirty contacts: turn slower, clean them"
        return now, [Check("debouncing", "bad", measured, words, cause)]
    proposed = replace(
        now,
        closed_end_ms=_tenths(closed_end),
        longest_dropout_ms=_tenths(longest),
        least_open_ms=_tenths(least_open),
    )
    if proposed == now:
        return now, [Check("debouncing", "good", measured, "the settings suit what was seen")]
    words = (
        f"propose closed_end_ms = {proposed.closed_end_ms:g}, longest_dropout_ms = "
        f"{proposed.longest_dropout_ms:g}, least_open_ms = {proposed.least_open_ms:g}"
    )
    return proposed, [Check("debouncing", "good", measured, words)]


def _tenths(ms: float) -> float:
    """Rounded up to a tenth of a millisecond."""
    return -(-round(ms * 1e6) // 100_000) / 10.0

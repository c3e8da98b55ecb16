"""Checks of the contact inputs: do they follow the crank, are they the right ones, how they bounce.

Times are microseconds, angles crank degrees.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from types import MappingProxyType
from typing import Literal

from rig.counted import many
from rig.engine.profile import Contacts, Unit

MARGIN = 1.5
"""A debouncing time is this much longer than the longest disturbance that was seen, and the
shortest true run at least as much longer than it (common practice, no source)."""
SAME_INSTANT_US = 50.0


@dataclass(frozen=True, slots=True)
class Check:
    """One thing looked at, its verdict, and what is probably behind a bad one."""

    name: str
    verdict: Literal["good", "bad", "not seen"]
    measured: str
    words: str
    cause: str = ""


@dataclass(frozen=True, slots=True)
class ContactSeen:
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


@dataclass(frozen=True, slots=True)
class SwitchSeen:
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


def switch_check(seen: SwitchSeen) -> Check:
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


def _switch_check(seen: SwitchSeen) -> Check:
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


def contact_checks(contacts: Sequence[ContactSeen], units: Sequence[Unit]) -> list[Check]:
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
                    f"{many(len(one.opened_at_us), 'opening')} at the same instants",
                    "both inputs always open together to the microsecond",
                    "both leads are on one unit, or the two inputs touch",
                )
            )
    return checks


def _together(one: ContactSeen, two: ContactSeen) -> bool:
    n = len(one.opened_at_us)
    return (
        n >= 3
        and n == len(two.opened_at_us)
        and all(
            abs(a - b) < SAME_INSTANT_US
            for a, b in zip(one.opened_at_us, two.opened_at_us, strict=True)
        )
    )


def _contact_check(seen: ContactSeen | None, unit: Unit) -> Check:
    name = f"contacts of {unit.name}"
    if seen is None:
        return Check(name, "not seen", "", f"nothing was heard of input {unit.input}")
    opened = len(seen.opened_at_us)
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
    contacts: Sequence[ContactSeen], now: Contacts
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

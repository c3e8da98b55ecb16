"""Can the rig be trusted: a verdict for each thing that can be wrong, and its likely cause.

From what a recording shows of the rig (``rig.signal.rig_statistics``): counts per turn, direction,
illegal steps, losses, index, jitter, the widths of the four quadrature states; then the contact
inputs: whether they follow the crank, belong to the right unit, and how they bounce. Angles are
crank degrees unless a name says otherwise, counts are the encoder's, times microseconds.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Literal

import numpy as np

from rig.base.angles import circular_mean, modulo, resultant
from rig.base.rounding import listed, many
from rig.engine.profile import Contacts, Encoder, Profile, Unit
from rig.job.results import RigFinding
from rig.signal import rig_statistics
from rig.signal.rig_statistics import InputSeen, RigStatistics, Stretch
from rig.words.counts import CLUSTERED, Check, counts_check, identity_check

SURE = 4.0  # standard errors by which a state that is not a quarter of a line is unequal
MARGIN = 1.5
"""A debouncing time is this much longer than the longest disturbance that was seen, and the
shortest true run at least as much longer than it (common practice, no source)."""

SAME_INSTANT_US = 50.0
Untried = Literal["switches", "inputs"]
UNTRIED: Mapping[Untried, str] = {
    "switches": "switch of each magneto, proved before its lead comes off",
    "inputs": "each unit opened by hand, to see on which input it is",
}


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


def judged(seen: RigStatistics, profile: Profile) -> RigCheck:
    """All checks, in the order in which they are worth putting right.

    The person is taken to have turned forward on the whole.
    """
    units = profile.units
    inputs = seen.inputs if seen.heard else ()
    widths = width_check(seen, profile.encoder)
    proposed, debouncing = propose_contacts(inputs, profile.contacts)
    not_measured = Check("widths", "not seen", "", "turn a few turns steadily to measure them")
    checks = (
        *encoder_checks(seen, profile.encoder),
        Check("widths", "good", widths.measured, widths.words) if widths else not_measured,
        *(check for unit in units if (check := switch_check(seen, unit)) is not None),
        *contact_checks(inputs, units),
        *wiring_checks(seen, units),
        debouncing,
    )
    return RigCheck(checks, proposed, widths)


def not_tried(seen: RigStatistics, units: Sequence[Unit]) -> list[Untried]:
    """Parts of the check that need the person, and were not done."""
    steps = {stretch.step for stretch in seen.stretches}
    missing: list[Untried] = []
    if magnetos(units) and not {rig_statistics.OFF, rig_statistics.ON} <= steps:
        missing.append("switches")
    if rig_statistics.BY_HAND not in steps:
        missing.append("inputs")
    return missing


def magnetos(units: Iterable[Unit]) -> list[Unit]:
    """Those that a switch earths; that of a coil set only opens its supply."""
    return [unit for unit in units if unit.ignition == "magneto"]


def evidence(seen: RigStatistics, profile: Profile, where: str = "") -> list[RigFinding]:
    """The checks as a certificate cites them; ``where`` names the capture where it has to be."""
    head = f"{where}: " if where else ""
    said = {"good": "good", "bad": "bad", "not seen": "not tried"}
    checks = judged(seen, profile).checks
    return [RigFinding(f"{head}{c.name}", said[c.verdict], sentence(c)) for c in checks]


def sentence(check: Check) -> str:
    """What was measured, what that says, and what is probably behind it."""
    text = check.words
    if check.measured and check.measured not in check.words:
        text = f"{check.measured}; {check.words}"
    return f"{text}; probably: {check.cause}" if check.cause else text


def lines_of(check: RigCheck, missing: Sequence[Untried]) -> list[str]:
    """A line for each check, the bad ones last so that they are seen; then the verdict."""
    shown = {"good": "good", "not seen": "not seen", "bad": "BAD"}
    checks = sorted(check.checks, key=lambda each: list(shown).index(each.verdict))
    lines = [f"{shown[each.verdict]:<9} {each.name}: {sentence(each)}" for each in checks]
    lines += [f"{'not tried':<9} {UNTRIED[part]}" for part in missing]
    return [*lines, verdict_of(check, missing)]


def verdict_of(check: RigCheck, missing: Sequence[Untried]) -> str:
    """What the whole check shows, and what it leaves unproved."""
    checks = check.checks
    bad = sum(each.verdict == "bad" for each in checks)
    are, them = ("is", "it") if bad == 1 else ("are", "them")
    untried = f"; not tried, so not proved: {listed(missing)}" if missing else ""
    good = f"every check made is good{untried}" if missing else "the rig can be trusted"
    return {
        "good": good,
        "bad": f"{bad} of {len(checks)} {are} bad: put {them} right before anything is read",
        "not complete": f"nothing is bad; what was not seen is not proved{untried}",
    }[check.verdict]


Row = tuple[object, Literal["good", "bad", "not seen"], str, str]
"""Whether it holds, and the verdict, words and cause that follow."""


def _first(name: str, measured: str, *rows: Row) -> Check:
    """The check by the first row that holds. Words that begin with a mark continue what was
    measured."""
    _, verdict, words, cause = next(row for row in rows if row[0])
    return Check(name, verdict, measured, words if words[0].isalpha() else measured + words, cause)


# -- the encoder ----------------------------------------------------------------------------------


def encoder_checks(seen: RigStatistics, encoder: Encoder) -> Iterator[Check]:
    """Counts, direction, what was lost, the index, and how still it is while the crank is at rest.

    Crowding of illegal transitions by Rayleigh's test, chance exp(-n R^2). Source: Mardia and Jupp,
    Directional Statistics (from memory). At rest an edge is two counts.
    """
    yield counts_check(seen.counts_between, encoder.counts_per_turn)
    yield identity_check(seen.identity_counts, encoder.counts_per_turn)
    up = (seen.net_counts or 0.0) > 0
    yield _first(
        "direction",
        f"counts {'up' if up else 'down'} in the normal direction" if seen.net_counts else "",
        (not seen.net_counts, "not seen", "turn the crank in its normal direction", ""),
        (up == (encoder.direction > 0), "good", "the direction agrees", ""),
        (True, "bad", ", the engine file says the other way: early and late would change places",
         "A and B are exchanged, the encoder sits on the other end, or it was turned backwards"),
    )  # fmt: skip
    at_deg = seen.illegal_at_deg
    where = (
        "they are all round the turn: a loose wire, interference, or turned too fast for the rig"
    )
    if len(at_deg) < 3:
        where = "too few to show where: turn on"
    elif math.exp(-len(at_deg) * abs(resultant(at_deg)) ** 2) < CLUSTERED:
        where = (
            f"they crowd about {modulo(circular_mean(at_deg)):.0f}° after the index: dirt or"
            " damage on the disc there, or a shaft that runs out"
        )
    yield _first(
        "illegal transitions",
        f"{seen.illegal} transitions with both channels changed" if seen.illegal else "none",
        (not seen.illegal, "good", "every step of the encoder was legal", ""),
        (True, "bad", ": counts were lost; angles are valid again after the next index", where),
    )
    edges, lines = many(seen.lost_edges, "edge"), many(seen.lost_lines, "line")
    lost = bool(seen.lost_edges or seen.lost_lines)
    gaps = f"lines missing in {many(seen.gaps, 'place')}"
    dropped = f"{edges} and {lines} dropped by the rig" if lost else ""
    yield _first(
        "losses",
        ", ".join((dropped,) * lost + (gaps,) * bool(seen.gaps)) or "none",
        (not lost and not seen.gaps, "good", "the rig dropped nothing", ""),
        (lost, "bad", ": openings may be missing",
         "the line is too slow, or an input chatters without end"),
        (True, "bad", ": openings may be missing",
         "a loose plug or a bad cable, interference, or a computer too busy to listen"),
    )  # fmt: skip
    off = seen.index_off_counts
    worst = max(map(abs, off), default=0.0)
    passes = many(seen.passes_before + len(off), "pass", "passes")
    yield _first(
        "index",
        f"at most {worst:.1f} counts off in {passes}" if off else "",
        (not off, "not seen", "turn past the index twice more", ""),
        (worst <= 1.0, "good", "the index always comes at the same count", ""),
        (True, "bad", ": angles move with it",
         "counts are lost, the coupling of the encoder slips, or the index is touched by noise"),
    )  # fmt: skip
    still = seen.still_counts
    yield _first(
        "at rest",
        "" if still is None else f"{many(still, 'count')} to and fro at rest",
        (still is None, "not seen", "let the crank stand for two seconds", ""),
        (still in (0, 1), "good", "steady", ""),
        (True, "bad", ": the crank stands, the encoder does not",
         "a loose coupling or bracket, a hand on the crank, or interference on A and B"),
    )  # fmt: skip


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


def width_check(seen: RigStatistics, encoder: Encoder) -> WidthCheck | None:
    """What unequal states cost, and what correcting the angles for them gained or would gain.

    They were taken out where the worst edge lies further off than the half-width entered for the
    encoder's graduation (``rig.session.session.signal_settings``). None when they were not
    measured. Source: the place of an edge is the sum of the widths before it.
    """
    if len(seen.widths) != 4:
        return None
    ratio = float(encoder.turns_per_crank_turn)
    wide = np.asarray(seen.widths, np.float64)
    edges = np.concatenate([[0.0], np.cumsum(wide[:3] - 1.0)])
    off = (edges - edges.mean()) * 360.0 / encoder.counts_per_turn / ratio
    rms, largest = float(np.sqrt(np.mean(off**2))), float(np.abs(off).max())
    sure = bool(np.any(np.abs(wide - 1.0) > SURE * np.maximum(seen.width_errors, 1e-9)))
    gained = f"{rms:.3f} degrees (up to {largest:.3f} at the worst edge)"
    words = (
        f"not corrected: that would gain {gained}, no more than the encoder's own graduation"
        f" of {encoder.graduation_error_deg / ratio:g} either way"
    )
    if not sure:
        words = "the four states are equal, as far as can be seen"
    elif seen.widths_taken_out:
        words = f"corrected, which gains {gained}"
    measured = "states of " + ", ".join(f"{w:.2f}" for w in wide) + " counts"
    return WidthCheck(seen.widths, rms, largest, sure, seen.widths_taken_out, measured, words)


# -- steps that the person tries ------------------------------------------------------------------


NOTHING = Stretch("", "", 0.0, (), ())


def _tries(seen: RigStatistics, step: str, unit: str) -> list[Stretch]:
    """Each time that ``step`` was done with ``unit``, in order of time."""
    return [each for each in seen.stretches if (each.step, each.unit) == (step, unit)]


def _last(tries: list[Stretch], opened: int | None = None) -> Stretch:
    """The try that counts: the last that was not broken off, where there is one.

    One broken off counts, too, when input ``opened`` opened on it: what was seen was seen.
    """
    counting = [each for each in tries if each.done or opened in each.opened]
    return (counting or tries or [NOTHING])[-1]


def _again(check: Check, tries: int) -> Check:
    """The check, with the word that earlier tries of it are not judged."""
    if tries < 2:
        return check
    return replace(check, words=f"{check.words}; tried {many(tries, 'time')}, the last counts")


def turns_to_open(unit: Unit) -> float:
    """Whole turns of the crank in which a unit opens at least once."""
    return max(1.0, 1.0 / (float(unit.turns_per_crank_turn) * unit.lobes))


def switch_check(seen: RigStatistics, unit: Unit) -> Check | None:
    """The switch proved before its lead comes off: at OFF closed all round, at ON it opens.

    An earlier try that was live counts until a whole turn at OFF shows otherwise; after that it is
    reported, without a verdict. None when nothing was tried. Source: switch OFF earths the primary,
    an open earth lead leaves the magneto live (FAA-H-8083-32 ch. 4, Ignition Switches).
    """
    off, on = (_tries(seen, step, unit.name) for step in (rig_statistics.OFF, rig_statistics.ON))
    if not off and not on:
        return None
    at_off, at_on = _last(off, unit.input), _last(on)
    openings, on_openings = at_off.opened.count(unit.input), at_on.opened.count(unit.input)
    live_before = any(unit.input in each.opened for each in off if each is not at_off)
    off_deg, on_deg = round(at_off.turned_deg), round(at_on.turned_deg)
    needed = 360.0 * turns_to_open(unit)
    lead = "the earthing lead or the switch is open; put it right"
    check = _first(
        f"switch of {unit.name}",
        f"OFF: {many(openings, 'opening')} in {off_deg}°; ON: {on_openings} in {on_deg}",
        (openings, "bad", "it opens with the switch at OFF: the unit is LIVE with the switch off",
         f"{lead} before anything else"),
        (off_deg < needed and live_before, "bad",
         "an earlier try had it LIVE at OFF, and no whole turn at OFF since shows otherwise",
         f"{lead}, then turn a whole turn at OFF"),
        (off_deg < needed, "not seen", "turn a whole turn with the switch at OFF", ""),
        (on_openings, "good", "closed all round at OFF, opens at ON", ""),
        (on_deg < needed, "not seen", "turn a whole turn with the switch at ON", ""),
        (True, "bad", "it does not open at ON",
         "the lead is earthed, the switch does not open, or the contacts do not open"),
    )  # fmt: skip
    check = _again(check, max(len(off), len(on)))
    if live_before and check.verdict != "bad":
        earlier = "an earlier try had it LIVE at OFF: be sure what changed since, it may come back"
        check = replace(check, words=f"{check.words}; {earlier}")
    return check


def wiring_checks(seen: RigStatistics, units: Sequence[Unit]) -> list[Check]:
    """Which unit is on which input, from the inputs that changed when each was last opened by hand.

    Source: comparison with the engine file.
    """
    tries = {unit.name: _tries(seen, rig_statistics.BY_HAND, unit.name) for unit in units}
    opened = {name: set(_last(own).moved) for name, own in tries.items() if own}
    checks = []
    for unit in (each for each in units if each.name in opened):
        changed = sorted(opened[unit.name])
        there = [each for each in units if changed == [each.input]]
        exchanged = "the leads are exchanged: exchange them, or the inputs in the engine file"
        if any(opened.get(each.name) == {each.input} for each in there):
            exchanged = f"{there[0].name} was opened again in its place: open {unit.name}"
        check = _first(
            f"input of {unit.name}",
            "inputs that changed: " + (", ".join(map(str, changed)) or "none"),
            (changed == [unit.input], "good", f"it is on input {unit.input} as stated", ""),
            (not changed, "bad", "no input changed as it was opened",
             "its lead is off, it is earthed, or its contacts were open already"),
            (len(changed) > 1, "bad", "more than one input changed as it was opened",
             "two leads touch, or both are on one unit"),
            (True, "bad",
             f"it is on input {min(changed, default=0)}, the engine file says {unit.input}",
             exchanged),
        )  # fmt: skip
        checks.append(_again(check, len(tries[unit.name])))
    return checks


# -- the contact inputs ---------------------------------------------------------------------------


def contact_checks(inputs: Sequence[InputSeen], units: Sequence[Unit]) -> list[Check]:
    """Each unit's input seen to open and close with the crank, and no two on one pair of contacts.

    Source: comparison; a unit opens lobes x turns per crank turn times a crank turn.
    """
    by_input = {seen.input: seen for seen in inputs}
    checks = []
    for unit in units:
        name, seen = f"contacts of {unit.name}", by_input.get(unit.input)
        if seen is None:
            unheard = f"nothing was heard of input {unit.input}"
            checks.append(Check(name, "not seen", "", unheard))
            continue
        opened = _opened(seen)
        wanted = seen.turned_deg / 360.0 * float(unit.turns_per_crank_turn) * unit.lobes
        at_rest_alone = opened == seen.closings == 0 < seen.changes_at_rest
        check = _first(
            name,
            f"{many(opened, 'opening')} and {many(seen.closings, 'closing')} in"
            f" {seen.turned_deg:.0f}°, {seen.changes_at_rest} changes at rest",
            (at_rest_alone, "bad", f"input {unit.input} changes only while the crank stands",
             "a loose lead, or interference; or it was opened by hand"),
            (wanted < 2.0, "not seen", "turn on until it should have opened twice", ""),
            (opened == 0, "bad", f"input {unit.input} never opened",
             "the lead is off or on another input, the switch lead still earths it, the coil's"
             " winding bridges it, or the contacts do not open"),
            (abs(opened - wanted) > 1.5, "bad",
             f"it should have opened about {many(round(wanted), 'time')}",
             "lobes or drive ratio in the engine file, another unit's lead, or dirty contacts"),
            (True, "good", "it follows the crank", ""),
        )  # fmt: skip
        checks.append(_again(check, seen.tries))
    for one, two in combinations(inputs, 2):
        ones, twos = np.array(one.opened_at_us), np.array(two.opened_at_us)
        if len(ones) < 3 or len(ones) != len(twos) or _opened(one) != _opened(two):
            continue
        if (np.abs(ones - twos) < SAME_INSTANT_US).all():
            name = f"inputs {one.input} and {two.input}"
            measured = f"{many(_opened(one), 'opening')} at the same instants"
            words = "both inputs always open together to the microsecond"
            cause = "both leads are on one unit, or the two inputs touch"
            checks.append(Check(name, "bad", measured, words, cause))
    return checks


def _opened(seen: InputSeen) -> int:
    """How often it opened while the crank turned."""
    return seen.opened_before + len(seen.opened_at_us)


def propose_contacts(inputs: Sequence[InputSeen], now: Contacts) -> tuple[Contacts, Check]:
    """Debouncing settings that suit the bounce and drop-outs seen, and a check that says why.

    A time is raised to ``MARGIN`` times the longest disturbance; it is never lowered. Where that
    comes too near to the shortest true run, it is reported, not raised. Source: the definition of
    an opening: a transition ends with a closed run; common practice, no source, for the margin.
    """
    name = "debouncing"
    if not any(seen.opened_at_us for seen in inputs):
        return now, Check(name, "not seen", "", "openings are needed to judge it")
    runs = [seen.runs for seen in inputs]
    bounce = max(each.bounce_us for each in runs) / 1e3
    dropout = max(each.dropout_us for each in runs) / 1e3
    shortest_closed = min(each.closed_us for each in runs) / 1e3
    shortest_open = min(each.open_us for each in runs) / 1e3
    closed_end = max(now.closed_end_ms, MARGIN * bounce)
    longest = max(now.longest_dropout_ms, MARGIN * dropout)
    least_open = max(now.least_open_ms, MARGIN * longest)
    too_near = closed_end * MARGIN > shortest_closed or least_open * MARGIN > shortest_open
    proposed = now if too_near else replace(
        now,
        closed_end_ms=_tenths(closed_end),
        longest_dropout_ms=_tenths(longest),
        least_open_ms=_tenths(least_open),
    )  # fmt: skip
    return proposed, _first(
        name,
        f"bounce closed up to {bounce:.2f} ms, drop-outs up to {dropout:.2f} ms",
        (too_near, "bad",
         f"; true runs are as short as {shortest_closed:.1f} ms closed and {shortest_open:.1f} ms"
         " open, which is too near to tell them apart",
         "turned too fast, or dirty contacts: turn slower, clean them"),
        (proposed == now, "good", "the settings suit what was seen", ""),
        (True, "good",
         f"propose closed_end_ms = {proposed.closed_end_ms:g}, longest_dropout_ms = "
         f"{proposed.longest_dropout_ms:g}, least_open_ms = {proposed.least_open_ms:g}", ""),
    )  # fmt: skip


def _tenths(ms: float) -> float:
    """Rounded up to a tenth of a millisecond."""
    return -(-round(ms * 1e6) // 100_000) / 10.0

"""What looks wrong in a session as a whole: shown live, with results and on the certificate.

These are values; ``rig.words`` says what was seen and what to check. None of them ends a session.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import combinations
from statistics import median

import numpy as np

from rig.engine.gear_train import index_places, places_apart_deg
from rig.engine.profile import Profile, Unit
from rig.session.kept import MOST_VALID
from rig.signal.events import Opening, Reason, Rejection
from rig.tdc.index_resolver import CLEAR
from rig.tdc.validity import Validity
from rig.wire.line import PROTOCOL
from rig.wire.records import Identity

SILENT_TURNS = 2.0  # turns of its shaft after which an input without an opening is reported
# Contacts of two units never open so close together time after time (common practice, no source: at
# 30 turns a minute it is 0.004 degrees).
SAME_INSTANT_US = 20.0
ENOUGH_TOGETHER = 4
MOST_REASONS = 3


class Doubt(StrEnum):
    """What looks wrong; ``rig.words`` has the words. The comments name a ``Diagnostic``'s data."""

    TDC_HAS_MOVED = "tdc-has-moved"  # since the one in use was found: degrees, U
    TDC_HAD_MOVED = "tdc-had-moved"  # before the one in use was found: degrees, U
    LINE_FORMAT = "line-format"  # version of the rig, version of this program
    NO_LINE = "no-line"  # kinds of line errors with their numbers, if any came
    COUNTS_WRONG = "counts-wrong"  # counts; as entered; by how much they vary, if they were seen
    COUNTS_REPORTED = "counts-reported"  # counts as the rig reports them; as the index shows them
    INDEX_OFF = "index-off"  # times
    ANGLES_LOST = "angles-lost"  # its ``rejection`` says why
    STOP_MISLEADS = "stop-misleads"  # why
    INDEX_PLACE = "index-place"  # number of places; degrees apart; degrees within which will do
    NO_INPUT = "no-input"  # unit; its input; number of inputs of the rig
    SILENT = "silent"  # unit; its input; turns; whether never before; open, closed or unknown
    OPENED_AT_REST = "opened-at-rest"  # unit; its input; times
    BRIDGED = "bridged"  # unit, unit; their inputs
    # unit, or nothing; its input; readings left out, of how many first; others; reasons, how often
    LEFT_OUT = "left-out"
    RESTARTED = "restarted"  # times
    ENCODER_JUMPED = "encoder-jumped"  # times


@dataclass(frozen=True, slots=True)
class Diagnostic:
    """A doubt with its data. ``bad``: an entry is wrong, or something cannot be read until it is
    corrected."""

    doubt: Doubt
    data: tuple[float | str, ...] = ()
    bad: bool = True
    of_rig: bool = True  # false: about TDC; the rig may be in order
    rejection: Rejection | None = None


@dataclass(frozen=True, slots=True)
class Counts:
    """Counts from index to index, those of most turns, against what was entered.

    Source: the index marks one place a turn; a line gives four counts (quadrature).
    """

    middle: float
    spread: float  # from the fewest to the most
    entered: int

    @property
    def agree(self) -> bool:
        """Whether each turn has as many as were entered."""
        return abs(self.middle - self.entered) <= 0.5 and self.spread <= 1.0

    @property
    def vary(self) -> bool:
        """Whether they do not always come to what was entered, but about."""
        return abs(self.middle - self.entered) <= 2.0 and self.spread > 1.0


def counts_of(between: Sequence[float], entered: int) -> Counts | None:
    """Counts from index to index, in either direction; None if the index was not passed twice."""
    sizes = [abs(each) for each in between if each != 0]
    return Counts(median(sizes), max(sizes) - min(sizes), entered) if sizes else None


@dataclass(frozen=True, slots=True)
class Seen:
    """What a session has seen of the rig. ``heard`` is true once a position has come."""

    heard: bool
    identity: Identity | None
    openings_of: Callable[[int], Sequence[Opening]]  # of an input, as far as kept
    opened: Mapping[int, int]  # input: all its openings
    left_out: Mapping[int, Mapping[Reason | None, int]]  # of them, by reason; None for readings
    at_rest_left_out: Mapping[int, int]  # of them, at rest without having been asked for
    turns_since: Callable[[int], int]  # forward by the index, since the last opening of an input
    is_open: Callable[[int], bool | None]
    turn_counts: Sequence[float]  # counts from index to index
    counts_wrong: bool  # they are alike, and not as entered
    off_passes: int  # times that the index came at another count than expected
    lost: Rejection | None  # why angles are not valid now
    restarts: int
    illegal: int
    line_errors: Mapping[str, int]
    asked: Callable[[str, Opening], bool]  # whether that unit was meant to open without turning
    validity: Validity = field(default_factory=Validity)  # how long the TDC in use is valid
    stop_warning: str = ""  # why the piston stop misleads in its present or last cylinder
    place_known: bool = True  # of the index of a geared encoder, once there is a TDC


def diagnose(profile: Profile, seen: Seen) -> list[Diagnostic]:
    """Everything that looks wrong, the worst first."""
    found = [*moves(seen.validity), *_line(seen), *_counts(profile, seen)]
    if seen.stop_warning:
        found.append(Diagnostic(Doubt.STOP_MISLEADS, (seen.stop_warning,), bad=False))
    if not seen.place_known:
        apart = places_apart_deg(profile.encoder)
        data = (index_places(profile.encoder), apart, CLEAR * apart)
        found.append(Diagnostic(Doubt.INDEX_PLACE, data, bad=False))
    for unit in profile.units:
        found += _unit(profile, unit, seen)
    found += _bridged(profile.units, seen)
    found += [_left_out(profile, which, whys) for which, whys in sorted(seen.left_out.items())]
    if seen.restarts:
        found.append(Diagnostic(Doubt.RESTARTED, (seen.restarts,), bad=False))
    if seen.illegal:
        found.append(Diagnostic(Doubt.ENCODER_JUMPED, (seen.illegal,), bad=False))
    return found


def moves(validity: Validity) -> list[Diagnostic]:
    """One for each side on which TDC is not where the reference is, the later side first."""
    sides = ((Doubt.TDC_HAS_MOVED, validity.after), (Doubt.TDC_HAD_MOVED, validity.before))
    return [
        Diagnostic(doubt, (move.shift_deg, move.uncertainty.U_deg), of_rig=False)
        for doubt, move in sides
        if move is not None
    ]


def _line(seen: Seen) -> list[Diagnostic]:
    if seen.identity is not None and seen.identity.protocol != PROTOCOL:
        return [Diagnostic(Doubt.LINE_FORMAT, (seen.identity.protocol, PROTOCOL))]
    if not seen.heard:
        kinds = ", ".join(
            f"{kind} {n}" for kind, n in sorted(seen.line_errors.items()) if kind != "capture"
        )
        return [Diagnostic(Doubt.NO_LINE, (kinds,))]
    return []


def _counts(profile: Profile, seen: Seen) -> list[Diagnostic]:
    entered = profile.encoder.counts_per_turn
    counts = counts_of(seen.turn_counts, entered)
    if seen.counts_wrong and counts is not None:
        return [Diagnostic(Doubt.COUNTS_WRONG, (counts.middle, entered, counts.spread))]
    if seen.identity is not None and seen.identity.protocol == PROTOCOL:
        reported = seen.identity.counts_per_turn
        if reported is not None and reported != entered:
            if counts is not None and counts.agree:
                return [Diagnostic(Doubt.COUNTS_REPORTED, (reported, entered), bad=False)]
            return [Diagnostic(Doubt.COUNTS_WRONG, (reported, entered))]
    found = []
    if seen.off_passes:
        found.append(Diagnostic(Doubt.INDEX_OFF, (seen.off_passes,), bad=False))
    if seen.lost:
        found.append(Diagnostic(Doubt.ANGLES_LOST, bad=False, rejection=seen.lost))
    return found


def _unit(profile: Profile, unit: Unit, seen: Seen) -> list[Diagnostic]:
    has = seen.identity.contacts if seen.identity is not None else unit.input
    if unit.input > has:
        return [Diagnostic(Doubt.NO_INPUT, (unit.name, unit.input, has))]
    found: list[Diagnostic] = []
    own = seen.openings_of(unit.input)
    net = max(seen.turns_since(unit.input) - 1, 0)  # whole ones
    turns = net / float(profile.encoder.turns_per_crank_turn)
    if turns >= SILENT_TURNS * max(1.0, 1.0 / float(unit.turns_per_crank_turn)):
        level = {True: "open", False: "closed", None: "unknown"}[seen.is_open(unit.input)]
        data = (unit.name, unit.input, round(turns), not own, level)
        found.append(Diagnostic(Doubt.SILENT, data))
    still = seen.at_rest_left_out.get(unit.input, 0)
    still += sum(o.direction == 0 and not seen.asked(unit.name, o) for o in own)
    if still:
        at_rest = Diagnostic(Doubt.OPENED_AT_REST, (unit.name, unit.input, still), bad=False)
        found.append(at_rest)
    return found


def _left_out(profile: Profile, which: int, left: Mapping[Reason | None, int]) -> Diagnostic:
    """Openings of an input are no longer kept one by one; why they were not readings."""
    unit = next((unit.name for unit in profile.units if unit.input == which), "")
    others = sorted(((n, why.value) for why, n in left.items() if why is not None), reverse=True)
    data = (unit, which, left.get(None, 0), MOST_VALID // 2, sum(n for n, _ in others))
    first = tuple(each for n, code in others[:MOST_REASONS] for each in (code, n))
    return Diagnostic(Doubt.LEFT_OUT, (*data, *first), bad=False)


def _bridged(units: Sequence[Unit], seen: Seen) -> list[Diagnostic]:
    found = []
    for one, two in combinations(units, 2):
        if abs(seen.opened.get(one.input, 0) - seen.opened.get(two.input, 0)) > 1:
            continue
        first, second = (
            np.array([o.t_us for o in seen.openings_of(unit.input)]) for unit in (one, two)
        )
        alike = min(len(first), len(second))
        if alike < ENOUGH_TOGETHER:
            continue
        after = np.searchsorted(second, first[:alike])
        beside = second[[np.maximum(after - 1, 0), np.minimum(after, len(second) - 1)]]
        if (abs(beside - first[:alike]).min(axis=0) <= SAME_INSTANT_US).all():
            data = (one.name, two.name, one.input, two.input)
            found.append(Diagnostic(Doubt.BRIDGED, data))
    return found

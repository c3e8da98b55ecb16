"""What looks wrong in a session as a whole: shown live, with results and on the certificate.

These are values; ``rig.words`` says what was seen and what to check. None of them ends a session.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import astuple, dataclass
from enum import StrEnum
from itertools import combinations
from statistics import median
from typing import TYPE_CHECKING

import numpy as np

from rig.base.angles import wrap
from rig.engine.gear_train import index_places, places_apart_deg
from rig.engine.geometry import StopMisleads, stop_misleads
from rig.engine.profile import Profile, Unit
from rig.session.kept import MOST_VALID, OpeningLog
from rig.signal.events import Opening, Reason, Rejection
from rig.tdc.index_resolver import CLEAR
from rig.tdc.reference import is_touched
from rig.tdc.validity import Validity
from rig.timing.readings import nominal_btdc
from rig.wire.line import PROTOCOL

if TYPE_CHECKING:
    from rig.session.session import Session

Asked = Callable[[str, Opening], bool]
"""Whether a unit was meant to open without turning."""

SILENT_TURNS = 2.0  # turns of its shaft after which an input without an opening is reported
# Contacts of two units never open so close together time after time (common practice, no source: at
# 30 turns a minute it is 0.004 degrees).
SAME_INSTANT_US = 20.0
ENOUGH_TOGETHER = 4
MOST_REASONS = 3
# Contacts taken the wrong way round open where they close: so far from nominal, and close so near
# it, reading after reading (common practice, no source).
FAR_DEG = 20.0
NEAR_DEG = 4.0
ENOUGH_INVERTED = 3
RECENT = 40  # readings of all units that are looked at


class Doubt(StrEnum):
    """What looks wrong; ``rig.words`` has the words. The comments name a ``Diagnostic``'s data."""

    TDC_HAS_MOVED = "tdc-has-moved"  # since the one in use was found: degrees, U
    TDC_HAD_MOVED = "tdc-had-moved"  # before the one in use was found: degrees, U
    TDC_NOT_PROVED = "tdc-not-proved"  # touched again with so great a U that a slip may hide: U
    TDC_COUNTS_LOST = "tdc-counts-lost"  # while the one in use was found: by how many counts
    LINE_FORMAT = "line-format"  # version of the rig, version of this program
    NO_LINE = "no-line"  # kinds of line errors with their numbers, if any came
    COUNTS_WRONG = "counts-wrong"  # counts; as entered; by how much they vary, if they were seen
    COUNTS_REPORTED = "counts-reported"  # counts as the rig reports them; as the index shows them
    INDEX_OFF = "index-off"  # times
    ANGLES_LOST = "angles-lost"  # its ``rejection`` says why
    STOP_MISLEADS = "stop-misleads"  # the numbers of ``StopMisleads``
    INDEX_PLACE = "index-place"  # number of places; degrees apart; degrees within which will do
    NO_INPUT = "no-input"  # unit; its input; number of inputs of the rig
    SILENT = "silent"  # unit; its input; turns; whether never before; open, closed or unknown
    OPENED_AT_REST = "opened-at-rest"  # unit; its input; times
    INVERTED = "inverted"  # unit; degrees BTDC at which it closes; level taken for open
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
        """Whether they are as entered on the whole, but not each turn."""
        return abs(self.middle - self.entered) <= 2.0 and self.spread > 1.0


def counts_of(between: Sequence[float], entered: int) -> Counts | None:
    """Counts from index to index, in either direction; None if the index was not passed twice."""
    sizes = [abs(each) for each in between if each != 0]
    return Counts(median(sizes), max(sizes) - min(sizes), entered) if sizes else None


def diagnose(session: Session, *, heard: bool) -> list[Diagnostic]:
    """Everything that looks wrong, the worst first. ``heard`` is true once a position has come, or
    while one may still come."""
    profile = session.profile
    found = [
        *moves(session.validity),
        *_lost(session.validity),
        *_line(session, heard=heard),
        *_counts(session),
    ]
    if session.checks and not (last := session.checks[-1]).has_moved and not last.is_sharp:
        U_deg = last.uncertainty.U_deg
        found.append(Diagnostic(Doubt.TDC_NOT_PROVED, (U_deg,), bad=False, of_rig=False))
    if wrong := _stop(session):
        found.append(Diagnostic(Doubt.STOP_MISLEADS, astuple(wrong), bad=False))
    if session.reference is not None and not session.places.known:
        apart = places_apart_deg(profile.encoder)
        data = (index_places(profile.encoder), apart, CLEAR * apart)
        found.append(Diagnostic(Doubt.INDEX_PLACE, data, bad=False))
    asked = session.asked()
    for unit in profile.units:
        found += _unit(session, unit, asked)
    found += _bridged(profile.units, session.log)
    found += [_left_out(profile, which, whys) for which, whys in sorted(session.left_out.items())]
    if session.restarts:
        found.append(Diagnostic(Doubt.RESTARTED, (session.restarts,), bad=False))
    if session.illegal:
        found.append(Diagnostic(Doubt.ENCODER_JUMPED, (session.illegal,), bad=False))
    return found


def _stop(session: Session) -> StopMisleads | None:
    """Whether the piston stop that is in misleads, or that by which the reference was found."""
    engine, used = session.profile.engine, session.reference
    if session.stop is not None:
        return stop_misleads(engine, session.stop.cylinder)
    return None if used is None or not is_touched(used) else stop_misleads(engine, used.cylinder)


def moves(validity: Validity) -> list[Diagnostic]:
    """One for each side on which TDC is not where the reference is, the later side first."""
    sides = ((Doubt.TDC_HAS_MOVED, validity.after), (Doubt.TDC_HAD_MOVED, validity.before))
    return [
        Diagnostic(doubt, (move.shift_deg, move.uncertainty.U_deg), of_rig=False)
        for doubt, move in sides
        if move is not None
    ]


def _lost(validity: Validity) -> list[Diagnostic]:
    """Counts were lost in silence while TDC was found."""
    if validity.lost is None:
        return []
    return [Diagnostic(Doubt.TDC_COUNTS_LOST, validity.lost.data)]


def _line(session: Session, *, heard: bool) -> list[Diagnostic]:
    if session.identity is not None and session.identity.protocol != PROTOCOL:
        return [Diagnostic(Doubt.LINE_FORMAT, (session.identity.protocol, PROTOCOL))]
    if not heard:
        kinds = ", ".join(
            f"{kind} {n}" for kind, n in sorted(session.line_errors.items()) if kind != "capture"
        )
        return [Diagnostic(Doubt.NO_LINE, (kinds,))]
    return []


def _counts(session: Session) -> list[Diagnostic]:
    entered, check = session.profile.encoder.counts_per_turn, session.hindsight.index
    counts = counts_of(check.turns, entered)
    if check.counts_wrong and counts is not None:
        return [Diagnostic(Doubt.COUNTS_WRONG, (counts.middle, entered, counts.spread))]
    if session.identity is not None and session.identity.protocol == PROTOCOL:
        reported = session.identity.counts_per_turn
        if reported is not None and reported != entered:
            if counts is not None and counts.agree:
                return [Diagnostic(Doubt.COUNTS_REPORTED, (reported, entered), bad=False)]
            return [Diagnostic(Doubt.COUNTS_WRONG, (reported, entered))]
    found = []
    if check.off_passes:
        found.append(Diagnostic(Doubt.INDEX_OFF, (check.off_passes,), bad=False))
    if lost := session.angles_lost:
        found.append(Diagnostic(Doubt.ANGLES_LOST, bad=False, rejection=lost))
    return found


def _unit(session: Session, unit: Unit, asked: Asked) -> list[Diagnostic]:
    has = session.identity.contacts if session.identity is not None else unit.input
    if unit.input > has:
        return [Diagnostic(Doubt.NO_INPUT, (unit.name, unit.input, has))]
    found: list[Diagnostic] = []
    own = session.log.of(unit.input)
    net = max(session.turns_since(unit.input) - 1, 0)  # whole ones
    turns = net / float(session.profile.encoder.turns_per_crank_turn)
    if turns >= SILENT_TURNS * max(1.0, 1.0 / float(unit.turns_per_crank_turn)):
        level = {True: "open", False: "closed", None: "unknown"}[session.contact_open(unit.input)]
        data = (unit.name, unit.input, round(turns), not own, level)
        found.append(Diagnostic(Doubt.SILENT, data))
    still = session.at_rest_left_out[unit.input]
    still += sum(o.direction == 0 and not asked(unit.name, o) for o in own)
    if still:
        at_rest = Diagnostic(Doubt.OPENED_AT_REST, (unit.name, unit.input, still), bad=False)
        found.append(at_rest)
    if inverted := _inverted(session, unit):
        found.append(inverted)
    return found


def _inverted(session: Session, unit: Unit) -> Diagnostic | None:
    """The contacts close where they should open, and open far from there."""
    closed = []
    for each in session.readings()[-RECENT:]:
        if each.unit != unit.name or not each.valid or each.kind != "turned":
            continue
        if each.btdc_deg is None or each.closed_deg is None:
            return None
        setting = next(s for s in unit.settings if s.name == each.setting)
        if setting.window is None and not setting.per_cylinder:
            return None
        nominal = nominal_btdc(unit, setting, each.cylinder)
        closed.append(each.btdc_deg + each.closed_deg)
        far = abs(wrap(each.btdc_deg - nominal)) > FAR_DEG
        if not (far and abs(wrap(closed[-1] - nominal)) <= NEAR_DEG):
            return None
    if len(closed) < ENOUGH_INVERTED:
        return None
    return Diagnostic(Doubt.INVERTED, (unit.name, median(map(wrap, closed)), unit.open_level))


def _left_out(profile: Profile, which: int, left: Mapping[Reason | None, int]) -> Diagnostic:
    """Openings of an input are no longer kept one by one; why they were not readings."""
    unit = next((unit.name for unit in profile.units if unit.input == which), "")
    others = sorted(((n, why.value) for why, n in left.items() if why is not None), reverse=True)
    data = (unit, which, left.get(None, 0), MOST_VALID // 2, sum(n for n, _ in others))
    first = tuple(each for n, code in others[:MOST_REASONS] for each in (code, n))
    return Diagnostic(Doubt.LEFT_OUT, (*data, *first), bad=False)


def _bridged(units: Sequence[Unit], log: OpeningLog) -> list[Diagnostic]:
    found = []
    for one, two in combinations(units, 2):
        if abs(log.n[one.input] - log.n[two.input]) > 1:
            continue
        first, second = (np.array([o.t_us for o in log.of(unit.input)]) for unit in (one, two))
        alike = min(len(first), len(second))
        if alike < ENOUGH_TOGETHER:
            continue
        after = np.searchsorted(second, first[:alike])
        beside = second[[np.maximum(after - 1, 0), np.minimum(after, len(second) - 1)]]
        if (abs(beside - first[:alike]).min(axis=0) <= SAME_INSTANT_US).all():
            data = (one.name, two.name, one.input, two.input)
            found.append(Diagnostic(Doubt.BRIDGED, data))
    return found

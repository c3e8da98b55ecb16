"""The engine with its encoder: a movement of the hand in, changes of the pins out.

``World`` has crank, drive, units and encoder together; ``Encoder`` has the places of its boundaries
and its index, as the crank sees them.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from rig.base.errors import InputError
from rig.engine.profile import Profile, Unit
from rig.virtual.contacts import OPENS, Changes, ContactSet, Lobes
from rig.virtual.drive import ADJUSTED, Shaft
from rig.virtual.ground_truth import (
    EncoderTruth,
    GroundTruth,
    UnitTruth,
    firing_tops_deg,
    lobe_places_deg,
)
from rig.virtual.motion import TAG, Curve, Floats, Ints, still
from rig.virtual.pins import FOOT, INDEX, Levels, Pins


@dataclass(slots=True)
class UnitWorks:
    """A unit on the engine. ``advance_deg``: how much earlier than in its first setting."""

    truth: UnitTruth
    entered: Unit
    shaft: Shaft
    contacts: ContactSet
    setting: str | None  # None: the lever is between two
    lever_btdc_deg: float  # what the lever's place makes of it
    moved_deg: float = 0.0
    advance_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class Movement:
    """What a command moves: the hand's curve, and units or the encoder on their mountings."""

    hand: Curve
    advance: dict[int, Curve] = field(default_factory=dict)  # unit: its advance over time
    bodies: bool = False  # the units' bodies move, not their levers
    slip: Curve | None = None
    foot_s: tuple[float, float] | None = None  # pressed, let go


@dataclass(frozen=True, slots=True)
class Happened:
    """A movement carried out: pins, and the truth behind them."""

    pins: Pins
    crank: Curve
    encoder: Curve  # its shaft, in crank degrees
    changes: list[Changes]  # by unit
    index_s: Floats  # leading edges of the index passed, either way
    index_deg: Floats  # where the crank is when it meets them going forward


class World:
    """The state of engine and rig between two movements.

    Crank angles are degrees in the normal direction; 0 is where the leading edge of the index was
    at the beginning. Without ``steps`` the encoder's steps are left out; only the truth does not
    need them.
    """

    def __init__(self, profile: Profile, hidden: GroundTruth, steps: bool = True) -> None:
        self.profile, self.hidden = profile, hidden
        self.steps = steps
        at = self.hand_deg = self.crank_deg = hidden.start_deg
        self.turned_at_encoder = profile.encoder.turned_at == "encoder"
        self.coupling = Shaft(
            at, hidden.encoder_backlash_deg
        )  # of crank and encoder, either drives
        self.encoder = Encoder(hidden.encoder)
        self.slip_deg = self.done_s = 0.0
        self.units = [self._unit(truth) for truth in hidden.units]
        active = hidden.encoder.index_level
        inputs = {INDEX: active if self.encoder.index_active(at) else 1 - active, FOOT: 0}
        for unit in self.units:  # of units on one input, all have to be open
            level = unit.entered.open_level ^ (not unit.contacts.shown_open)
            if inputs.get(unit.truth.input) != 1 - unit.entered.open_level:
                inputs[unit.truth.input] = level
        self.levels = Levels(self.encoder.count_at(at), inputs)

    def _unit(self, truth: UnitTruth) -> UnitWorks:
        hidden, at = self.hidden, self.hidden.start_deg
        entered = next(unit for unit in self.profile.units if unit.name == truth.name)
        period = 360.0 / float(entered.turns_per_crank_turn)
        setting = entered.settings[0].name
        btdc_deg = truth.btdc_deg[setting]
        first = hidden.tdc_deg + 360.0 * (truth.crank_turns_out + hidden.firing_turn)
        places = np.asarray(lobe_places_deg(self.profile, entered)) + np.asarray(truth.lobe_deg)
        opens = tuple((first + places - btdc_deg).tolist())
        shaft = Shaft(at, truth.backlash_deg, opens, period, truth.magnet, truth.coupling)
        seed = hidden.seed * 64 + truth.input
        lobes = Lobes(opens, truth.open_deg, period, truth.scatter_deg, seed)
        contacts = ContactSet(lobes, truth.noise, seed, at)
        return UnitWorks(truth, entered, shaft, contacts, setting, btdc_deg)

    # -- places --

    def top_deg(self, cylinder: int) -> float:
        """One TDC of a cylinder. Raises InputError if there is none."""
        tops = firing_tops_deg(self.profile.engine)
        if cylinder not in tops:
            raise InputError(f"the engine has no cylinder {cylinder}; it has {sorted(tops)}")
        return self.hidden.tdc_deg + tops[cylinder]

    def unit_at(self, name: str) -> int:
        """Number of the unit of that name. Raises InputError if there is none."""
        names = [unit.truth.name for unit in self.units]
        if name not in names:
            raise InputError(f"there is no unit '{name}'; the engine has: {', '.join(names)}")
        return names.index(name)

    def hand_for(self, crank_deg: float, way: int) -> float:
        """Where the hand is when it has driven the crank to ``crank_deg``, moving ``way``."""
        backlash_deg = self.coupling.backlash_deg if self.turned_at_encoder and way < 0 else 0.0
        return crank_deg - backlash_deg

    def to_open_deg(self, unit: UnitWorks) -> float:
        """How much earlier a unit must be moved for its nearest contacts to open just now."""
        at = unit.shaft.at + unit.advance_deg
        levels, first = unit.contacts.lobes.levels(at, at)
        opens = levels[(np.arange(len(levels)) + first) % 3 == OPENS]
        return float(opens[np.argmin(np.abs(opens - at))]) - at

    # -- movement --

    def carry_out(self, movement: Movement) -> Happened:
        """Move; the pins' changes up to the end of the movement."""
        until_s = movement.hand.end_s
        crank, encoder = movement.hand, self.coupling.follow(movement.hand)
        if self.turned_at_encoder:
            crank, encoder = encoder, crank
        self.hand_deg, self.crank_deg = movement.hand.last, crank.last
        if movement.slip is not None:
            encoder = movement.slip.shifted(encoder.last)
            self.slip_deg = movement.slip.last
        else:
            encoder = encoder.shifted(self.slip_deg)
        none = np.empty(0, np.int64)
        steps = self.encoder.moved(encoder) if self.steps else (np.empty(0), none, none)
        index_s, index_active, lead_deg = self.encoder.index_moved(encoder)
        edges = [(index_s, INDEX, index_active ^ (1 - self.hidden.encoder.index_level))]
        changes: list[Changes] = []
        shown: dict[int, list[Signal]] = {}
        for number, unit in enumerate(self.units):
            before = unit.contacts.shown_open
            rotor = self._rotor(unit, crank, movement.advance.get(number), movement.bodies)
            true, toggles_s, is_open = unit.contacts.follow(rotor, until_s)
            changes.append(true)
            shown.setdefault(unit.truth.input, []).append((before, toggles_s, is_open))
        open_levels = {unit.truth.input: unit.entered.open_level for unit in self.units}
        for number, signals in shown.items():
            t_s, is_open = _in_parallel(signals)
            edges.append((t_s, number, is_open ^ (1 - open_levels[number])))
        if movement.foot_s:
            edges.append((np.array(movement.foot_s), FOOT, np.array([1, 0])))
        bare = Pins(self.done_s, until_s, *steps, np.empty(0), none, none)
        pins = bare.with_edges(
            np.concatenate([t_s for t_s, _, _ in edges]),
            np.repeat([number for _, number, _ in edges], [len(t_s) for t_s, _, _ in edges]),
            np.concatenate([level for _, _, level in edges]).astype(np.int64),
        )
        self.done_s = until_s
        self.levels.follow(pins)
        leads = np.isfinite(lead_deg)
        index_deg = lead_deg[leads] - self.slip_deg
        return Happened(pins, crank, encoder, changes, index_s[leads], index_deg)

    def _rotor(self, unit: UnitWorks, crank: Curve, advance: Curve | None, bodies: bool) -> Curve:
        """Where a unit's rotor goes, seen from its contacts."""
        follower = unit.shaft.follow(crank)
        if advance is None:
            return follower.shifted(unit.advance_deg)
        rotor = advance.shifted(unit.shaft.at)
        if bodies:
            if unit.shaft.held_at is not None:  # the coupling takes the rotor with it
                here = unit.shaft.at + unit.advance_deg
                rotor = still(self.done_s, advance.end_s, here)
            unit.shaft.body_moved(advance.last - unit.advance_deg)
        rotor.table[:, TAG] = ADJUSTED
        unit.advance_deg = advance.last
        return rotor

    def index_at(self, places_deg: tuple[float, ...]) -> None:
        """Change the number of index pulses a turn."""
        self.encoder = Encoder(replace(self.encoder.truth, index_at_deg=places_deg))


Signal = tuple[bool, Floats, NDArray[np.bool_]]
"""Open before the first change, times of the changes, open after each."""


def _in_parallel(signals: list[Signal]) -> tuple[Floats, NDArray[np.bool_]]:
    """When contacts that are wired together change, open only while all are; open after each."""
    t_s = np.concatenate([times for _, times, _ in signals])
    change = np.concatenate([np.where(after, 1, -1) for _, _, after in signals])
    order = np.argsort(t_s, kind="stable")
    begin = sum(before for before, _, _ in signals)
    is_open = begin + np.cumsum(change[order]) == len(signals)
    new = np.diff(is_open, prepend=begin == len(signals))
    return t_s[order][new], is_open[new]


@dataclass(frozen=True)
class Encoder:
    """Levels of the crank angle at which the encoder changes."""

    truth: EncoderTruth

    @cached_property
    def _turn(self) -> Floats:
        """Encoder angle of each boundary of one turn, shape (counts,)."""
        truth = self.truth
        number = np.arange(truth.counts)
        own = np.random.default_rng(truth.seed).standard_normal(truth.counts) * truth.line_counts
        # Own errors must not make two boundaries change places.
        off = np.asarray(truth.state_counts)[number % 4] + np.clip(own, -0.2, 0.2)
        shown = (number + off) * 360.0 / truth.counts
        angle = shown.copy()
        for _ in range(6):  # the slope of the error is a few hundredths at most
            angle = shown - self._mount_error(angle)
        return np.asarray(angle - self._index_edge(angle, 0.0))

    def _index_edge(self, turn: Floats, after: float) -> float:
        """Encoder angle of the index's leading edge, and ``after`` counts beyond it."""
        here, there = turn[0], turn[1] if self.truth.direction > 0 else turn[-1] - 360.0
        counts = self.truth.index_after_counts + after
        # From the nearer boundary, so that an edge on a boundary is that boundary to the last bit.
        if counts < 0.5:
            return float(here + counts * (there - here))
        return float(there + (counts - 1.0) * (there - here))

    def _mount_error(self, angle_deg: Floats) -> Floats:
        error = np.zeros_like(angle_deg)
        for times, amplitude_deg, phase_deg in self.truth.harmonics:
            error += amplitude_deg * np.sin(np.radians(times * angle_deg + phase_deg))
        return error

    def _crank(self, encoder_deg: Floats) -> Floats:
        return encoder_deg / (self.truth.ratio * self.truth.direction)

    def boundaries(self, low: float, high: float) -> tuple[Floats, Ints]:
        """Crank angles of the boundaries from ``low`` to ``high``, growing, and their numbers."""
        per_deg = self.truth.ratio * self.truth.direction * self.truth.counts / 360.0
        ends = sorted((low * per_deg, high * per_deg))
        off = 2.0 * sum(abs(amplitude) for _, amplitude, _ in self.truth.harmonics)
        spare = 8 + int(off * self.truth.counts / 360.0)
        number = np.arange(int(np.floor(ends[0])) - spare, int(np.ceil(ends[1])) + spare + 1)
        turns, place = np.divmod(number, self.truth.counts)
        level = self._crank(self._turn[place] + 360.0 * turns)
        return (level, number) if self.truth.direction > 0 else (level[::-1], number[::-1])

    def index_edges(self, low: float, high: float) -> tuple[Floats, Ints]:
        """Crank angles of the index's edges, growing, and 1 for those that lead going up."""
        truth = self.truth
        edges = [self._index_edge(self._turn, after) for after in (0.0, truth.index_counts)]
        pair = np.asarray(truth.index_at_deg)[:, None] + np.array(edges)
        turns = sorted((low * truth.ratio / 360.0, high * truth.ratio / 360.0))
        number = np.arange(int(np.floor(turns[0])) - 1, int(np.ceil(turns[1])) + 2)
        level = self._crank(pair[None] + 360.0 * truth.direction * number[:, None, None])
        level = np.sort(level.reshape(-1))
        return level, 1 - np.arange(len(level)) % 2

    def count_at(self, crank_deg: float) -> int:
        """Number of the last boundary passed: its value modulo 4 is the quadrature state."""
        level, number = self.boundaries(crank_deg, crank_deg)
        below = int(np.searchsorted(level, crank_deg, side="right"))
        return int(number[below - 1]) if self.truth.direction > 0 else int(number[below - 1]) - 1

    def shown(self, crank_deg: Floats) -> Floats:
        """What the encoder shows, in crank degrees, read finely between its boundaries.

        As far from ``crank_deg`` as graduation and mounting are wrong there; right at the index.
        """
        edges = np.append(self._turn, self._turn[0] + 360.0)
        turns, angle = np.divmod(
            crank_deg * self.truth.ratio * self.truth.direction - edges[0], 360.0
        )
        number = np.interp(angle + edges[0], edges, np.arange(len(edges)))
        at_index = np.interp(-edges[0], edges - edges[0], np.arange(len(edges)), period=360.0)
        graduation = number * 360.0 / self.truth.counts + 360.0 * turns
        offset = at_index * 360.0 / self.truth.counts
        return self._crank(graduation - (offset if offset < 180.0 else offset - 360.0))

    def moved(self, curve: Curve) -> tuple[Floats, Ints, Ints]:
        """Times of all boundary crossings, steps of the count, counts after them."""
        level, number = self.boundaries(*curve.span)
        passed = curve.passed(level)
        step = passed.step.astype(np.int64) * self.truth.direction
        return passed.t_s, step, number[passed.level] - (step < 0)

    def index_moved(self, curve: Curve) -> tuple[Floats, Ints, Floats]:
        """Times of the index's edges, 1 where it is active after, crank angle of a leading edge.

        The angle is NaN at the other edge of the pulse.
        """
        level, leads = self.index_edges(*curve.span)
        passed = curve.passed(level)
        lead = leads[passed.level]
        active = np.where(passed.step > 0, lead, 1 - lead)
        return passed.t_s, active, np.where(lead == 1, level[passed.level], np.nan)

    def index_active(self, crank_deg: float) -> bool:
        level, leads = self.index_edges(crank_deg, crank_deg)
        return bool(leads[np.searchsorted(level, crank_deg, side="right") - 1 :][:1].any())

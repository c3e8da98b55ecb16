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
from rig.engine.profile import Profile
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
    shaft: Shaft
    contacts: ContactSet
    open_level: int
    setting: str | None  # None: the lever is between two
    lever_btdc_deg: float  # what the lever's place makes of it
    body: str
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
        at = hidden.start_deg
        self.hand_deg = self.crank_deg = at
        play = hidden.encoder_play_deg
        self.turned_at_encoder = profile.encoder.turned_at == "encoder"
        self.coupling = Shaft(at, play)  # between crank and encoder, whichever drives
        self.encoder = Encoder(hidden.encoder)
        self.slip_deg = 0.0
        self.units = [self._unit(truth) for truth in hidden.units]
        self.done_s = 0.0
        active = self.hidden.encoder.index_level
        inputs = {INDEX: active if self.encoder.index_active(at) else 1 - active, FOOT: 0}
        for number in {unit.truth.input for unit in self.units}:
            units = [unit for unit in self.units if unit.truth.input == number]
            opened = all(unit.contacts.shown_open for unit in units)
            inputs[number] = units[0].open_level if opened else 1 - units[0].open_level
        self.levels = Levels(self.encoder.count_at(at), inputs)

    def _unit(self, truth: UnitTruth) -> UnitWorks:
        stated = next(unit for unit in self.profile.units if unit.name == truth.name)
        hidden = self.hidden
        period = 360.0 / float(stated.turns_per_crank_turn)
        setting = stated.settings[0].name
        out = 360.0 * (truth.crank_turns_out + hidden.firing_turn)
        places = np.asarray(lobe_places_deg(self.profile, stated)) + np.asarray(truth.lobe_deg)
        opens = tuple(float(x) for x in hidden.tdc_deg + out + places - truth.btdc_deg[setting])
        shaft = Shaft(
            hidden.start_deg, truth.backlash_deg, opens, period, truth.magnet, truth.coupling
        )
        seed = hidden.seed * 64 + truth.input
        lobes = Lobes(opens, truth.open_deg, period, truth.scatter_deg, seed)
        contacts = ContactSet(lobes, truth.noise, seed, hidden.start_deg)
        btdc_deg = truth.btdc_deg[setting]
        return UnitWorks(truth, shaft, contacts, stated.open_level, setting, btdc_deg, stated.body)

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
        play = self.coupling.backlash_deg if self.turned_at_encoder and way < 0 else 0.0
        return crank_deg - play

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
        other = self.coupling.follow(movement.hand)
        crank, encoder = (
            (other, movement.hand) if self.turned_at_encoder else (movement.hand, other)
        )
        self.hand_deg, self.crank_deg = movement.hand.last, crank.last
        if movement.slip is not None:
            encoder = movement.slip.shifted(encoder.last)
            self.slip_deg = movement.slip.last
        else:
            encoder = encoder.shifted(self.slip_deg)
        none = np.empty(0, np.int64)
        steps = self.encoder.moved(encoder) if self.steps else (np.empty(0), none, none)
        bare = Pins(self.done_s, until_s, *steps, np.empty(0), none, none)
        index_s, index_active, lead_deg = self.encoder.index_moved(encoder)
        inactive = 1 - self.hidden.encoder.index_level
        edges = [(index_s, np.full(len(index_s), INDEX), index_active ^ inactive)]
        changes: list[Changes] = []
        shown: dict[int, list[Signal]] = {}
        for number, unit in enumerate(self.units):
            rotor = unit.shaft.follow(crank)
            if number in movement.advance:
                advance = movement.advance[number]
                rotor = advance.shifted(unit.shaft.at)
                if movement.bodies:
                    if unit.shaft.held_at is not None:
                        here = unit.shaft.at + unit.advance_deg
                        rotor = still(self.done_s, advance.end_s, here)
                    unit.shaft.body_moved(advance.last - unit.advance_deg)
                rotor.table[:, TAG] = ADJUSTED
                unit.advance_deg = advance.last
            else:
                rotor = rotor.shifted(unit.advance_deg)
            before = unit.contacts.shown_open
            true, toggles, states = unit.contacts.follow(rotor, until_s)
            changes.append(true)
            shown.setdefault(unit.truth.input, []).append(
                (unit.open_level, before, toggles, states)
            )
        for number, signals in shown.items():
            t_s, level = _in_parallel(signals)
            edges.append((t_s, np.full(len(t_s), number), level))
        if movement.foot_s:
            edges.append((np.array(movement.foot_s), np.full(2, FOOT), np.array([1, 0])))
        joined = [np.concatenate(column) for column in zip(*edges, strict=True)]
        pins = bare.with_edges(joined[0], joined[1].astype(np.int64), joined[2].astype(np.int64))
        self.done_s = until_s
        self.levels.follow(pins)
        leads = np.isfinite(lead_deg)
        return Happened(
            pins, crank, encoder, changes, index_s[leads], lead_deg[leads] - self.slip_deg
        )

    def index_at(self, places_deg: tuple[float, ...]) -> None:
        """Change the number of index pulses a turn."""
        self.encoder = Encoder(replace(self.encoder.truth, index_at_deg=places_deg))


Signal = tuple[int, bool, Floats, NDArray[np.bool_]]
"""Level when open, open before the first change, times of the changes, open after each."""


def _in_parallel(signals: list[Signal]) -> tuple[Floats, Ints]:
    """Level of an input to which these contacts are wired: open only while all of them are."""
    open_level, _, t_s, shown = signals[0]
    if len(signals) > 1:
        times = np.unique(np.concatenate([signal[2] for signal in signals]))
        opened = np.ones(len(times) + 1, bool)
        for _, first, changed_s, state in signals:
            states = np.append(first, state)
            at = np.append(-np.inf, times)
            opened &= states[np.searchsorted(changed_s, at, side="right")]
        new = np.flatnonzero(np.diff(opened.astype(int)))
        t_s, shown = times[new], opened[1:][new]
    return t_s, np.where(shown, open_level, 1 - open_level)


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
        count = np.where(step > 0, number[passed.level], number[passed.level] - 1)
        return passed.t_s, step, count

    def index_moved(self, curve: Curve) -> tuple[Floats, Ints, Floats]:
        """Times of the index's edges, 1 where it is active after, crank angle of a leading edge.

        The angle is NaN at the other edge of the pulse.
        """
        if not self.truth.index_at_deg:
            return np.empty(0), np.empty(0, np.int64), np.empty(0)
        level, leads = self.index_edges(*curve.span)
        passed = curve.passed(level)
        lead = leads[passed.level]
        active = np.where(passed.step > 0, lead, 1 - lead)
        return passed.t_s, active, np.where(lead == 1, level[passed.level], np.nan)

    def index_active(self, crank_deg: float) -> bool:
        if not self.truth.index_at_deg:
            return False
        level, leads = self.index_edges(crank_deg, crank_deg)
        return bool(leads[int(np.searchsorted(level, crank_deg, side="right")) - 1])

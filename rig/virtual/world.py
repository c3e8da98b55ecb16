"""Crank, drive, units and encoder together: a movement of the hand in, changes of the pins out."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from rig.engine.profile import Profile
from rig.faults import InputError
from rig.virtual.contacts import Changes, ContactSet, Lobes
from rig.virtual.curve import TAG, Curve, Floats, Ints
from rig.virtual.encoder import Encoder
from rig.virtual.hidden import Hidden, UnitTruth, firing_tops_deg, lobe_places_deg
from rig.virtual.pins import FOOT, INDEX, Levels, Pins
from rig.virtual.train import ADJUSTED, Impulse, Pull, Shaft


@dataclass(slots=True)
class UnitWorks:
    """A unit on the engine. ``advance_deg``: how much earlier than in its first setting."""

    truth: UnitTruth
    shaft: Shaft
    contacts: ContactSet
    open_level: int
    setting: str
    body: str
    moved_deg: float = 0.0
    advance_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class Movement:
    """What a command makes move: the hand's curve, and units or the encoder on their mountings."""

    hand: Curve
    advance: dict[int, Curve] = field(default_factory=dict)  # unit: its advance over time
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
    index_deg: Floats  # where the crank stands when it meets them going forward


class World:
    """The state of engine and rig between two movements.

    Crank angles are degrees in the normal direction; 0 is where the leading edge of the index lay
    at the beginning. Without ``steps`` the encoder's steps are left out, which only the truth
    can do without.
    """

    def __init__(self, profile: Profile, hidden: Hidden, steps: bool = True) -> None:
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
        inputs = {INDEX: self._index_level(at), FOOT: 0}
        for number in {unit.truth.input for unit in self.units}:
            inputs[number] = self._shared_level(number)
        self.levels = Levels(self.encoder.count_at(at), inputs)

    def _unit(self, truth: UnitTruth) -> UnitWorks:
        stated = next(unit for unit in self.profile.units if unit.name == truth.name)
        hidden = self.hidden
        period = 360.0 / float(stated.turns_per_crank_turn)
        setting = stated.settings[0].name
        out = 360.0 * (truth.crank_turns_out + hidden.firing_turn)
        places = np.asarray(lobe_places_deg(self.profile, stated)) + np.asarray(truth.lobe_deg)
        opens = tuple(float(x) for x in hidden.tdc_deg + out + places - truth.btdc_deg[setting])
        pull = impulse = None
        if truth.magnet:
            before, over = truth.magnet.before_deg, truth.magnet.before_deg + truth.magnet.after_deg
            pull = Pull(tuple(x - before for x in opens), over, period)
        if truth.coupling:
            catch, lag = truth.coupling.catch_deg, truth.coupling.lag_deg
            places_ = tuple(x - catch for x in opens)
            impulse = Impulse(places_, lag + catch, period, truth.coupling.rearm_deg)
        shaft = Shaft(hidden.start_deg, truth.play_deg, pull, impulse)
        seed = hidden.seed * 64 + truth.input
        lobes = Lobes(opens, truth.open_deg, period, truth.scatter_deg, seed)
        contacts = ContactSet(lobes, truth.noise, seed)
        contacts.place(hidden.start_deg)
        return UnitWorks(truth, shaft, contacts, stated.open_level, setting, stated.body)

    # -- where things are --

    def top_deg(self, cylinder: int) -> float:
        """One of the top dead centres of a cylinder. Raises InputError when there is none."""
        tops = firing_tops_deg(self.profile.engine)
        if cylinder not in tops:
            raise InputError(f"the engine has no cylinder {cylinder}; it has {sorted(tops)}")
        return self.hidden.tdc_deg + tops[cylinder]

    def unit_at(self, name: str) -> int:
        """Number of the unit of that name. Raises InputError when there is none."""
        names = [unit.truth.name for unit in self.units]
        if name not in names:
            raise InputError(f"there is no unit '{name}'; the engine has: {', '.join(names)}")
        return names.index(name)

    def hand_for(self, crank_deg: float, way: int) -> float:
        """Where the hand is when it has driven the crank to ``crank_deg``, moving ``way``."""
        play = self.coupling.play_deg if self.turned_at_encoder and way < 0 else 0.0
        return crank_deg - play

    def to_open_deg(self, unit: UnitWorks) -> float:
        """How much earlier a unit has to be moved for its nearest contacts to part just now."""
        at = unit.shaft.at + unit.advance_deg
        levels, first = unit.contacts.lobes.levels(at, at, 0.0)
        opens = levels[np.arange(len(levels)) % 3 == (1 - first) % 3]
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
        bare = self._steps(encoder, until_s)
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

    def _steps(self, encoder: Curve, until_s: float) -> Pins:
        """Pins on which only the encoder changes."""
        t_s, none = np.empty(0), np.empty(0, np.int64)
        step, count = none, none
        if self.steps:
            t_s, step, count = self.encoder.moved(encoder)
        return Pins(self.done_s, until_s, t_s, step, count, np.empty(0), none, none)

    def index_at(self, places_deg: tuple[float, ...]) -> None:
        """Another number of index pulses a turn from now on."""
        self.encoder = Encoder(replace(self.encoder.truth, index_at_deg=places_deg))

    def _index_level(self, at: float) -> int:
        level = self.hidden.encoder.index_level
        return level if self.encoder.index_active(at) else 1 - level

    def _shared_level(self, number: int) -> int:
        units = [unit for unit in self.units if unit.truth.input == number]
        opened = all(unit.contacts.shown_open for unit in units)
        return units[0].open_level if opened else 1 - units[0].open_level


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

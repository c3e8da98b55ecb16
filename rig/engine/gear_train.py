"""Gear trains from the crank to the units and to a geared encoder. Exact fractions.

A shaft's *speed* is its turns per crank turn. Slipping a mesh by one tooth moves everything
behind it by 360/(driver's teeth x driver's speed) degrees of crank. A plain idler is driven and
drives by the same teeth, so it adds no position of its own. Sources: tooth groups and repeats by
the greatest common divisor, W. C. Foiles on gear frequencies and Euclid's algorithm; the rest is
geometry.

In a planetary stage (sun - carrier) x sun's teeth = -(ring - carrier) x ring's teeth, speeds of
turning (R. Willis, Principles of Mechanism, 1841, from memory). With one member held the two others
turn as a pair of gears with the sun's teeth, the ring's, or for the carrier both together. The same
numbers apply to its positions: with sun and ring held, planets fit at sun + ring places of the
carrier.

A coupling is toothed on both sides: a middle piece with ``n`` teeth on the drive's side and ``m``
on the unit's side takes lcm(n, m) positions a turn, a step of 360/lcm(n, m) degrees of its own
shaft. Sources: the 19 and 20 tooth coupling giving 1/380 of a turn, period car service article kept
by an owners' club; the 24 and 28 tooth spline used as a vernier, US Army TM 9-2815-247-34; the
numbers follow by counting.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

from rig.base.angles import modulo, wrap
from rig.base.errors import InputError
from rig.base.rounding import many
from rig.engine.profile import Encoder, Mesh, Planetary, Rotation, Stage, Train, Unit, members

CRANK = "crank"
MOST_POSITIONS = 60_000  # a longer list of positions is of no use


@dataclass(frozen=True, slots=True)
class MarksMeet:
    """All marks of a train meet again after so many turns; ``teeth`` pass at the crank's gear."""

    crank_turns: int
    shaft_turns: Fraction
    teeth: int


@dataclass(frozen=True, slots=True)
class HuntingTooth:
    """How often one pair of teeth meets: ``turns`` of the first gear until it does so again.

    ``groups`` groups of teeth never mix; ``pairs`` pairs of teeth ever touch.
    """

    groups: int
    turns: int
    pairs: int
    frequency_hz: float


@dataclass(frozen=True, slots=True)
class TrainPosition:
    """One way to assemble a train: teeth slipped at each mesh, and what it moves each shaft by.

    ``slips`` goes with ``train.meshes`` (positive: the driven part advances in its own rotation);
    ``shift_deg`` goes with the shafts asked for, crank degrees, positive earlier, within half a
    turn of the shaft either way.
    """

    slips: tuple[int, ...]
    shift_deg: tuple[Fraction, ...]

    @property
    def teeth(self) -> int:
        """Number of teeth slipped in all."""
        return sum(map(abs, self.slips))


def stage_mistakes(stage: Planetary) -> list[tuple[str, str]]:
    """What is impossible in a planetary stage. Source: the planets fill the gap between sun and
    ring; a gear with corrected teeth may have one or two more or fewer."""
    found = []
    if stage.held == stage.driver_turns:
        found.append(("held", f"the {stage.held} is held, so that the driver cannot turn it"))
    ring = many(stage.ring_teeth, "tooth", "teeth")
    if not stage.bevel and stage.ring_teeth <= stage.sun_teeth:
        found.append(("ring_teeth", f"a ring with {ring} around a sun with {stage.sun_teeth}"))
    elif not stage.bevel and stage.planet_teeth is not None:
        across = stage.sun_teeth + 2 * stage.planet_teeth
        if abs(across - stage.ring_teeth) > 2:
            words = f"sun and two planets have {many(across, 'tooth', 'teeth')}, the ring {ring}"
            found.append(("planet_teeth", words))
    return found


def member_turns(stage: Planetary) -> dict[str, Fraction]:
    """Turns of sun, ring and carrier for one turn of the driver's member, positive its way.

    Raises InputError for an impossible stage. Source: Willis, see the module.
    """
    if wrong := stage_mistakes(stage):
        raise InputError("planetary stage: " + "; ".join(words for _, words in wrong))
    turns = Fraction(stage.driver_teeth, stage.driven_teeth)
    if stage.held == "carrier":
        turns = -turns
    return {stage.held: Fraction(0), stage.driver_turns: Fraction(1), stage.driven_by: turns}


def planet_teeth(stage: Planetary) -> int | None:
    """Teeth of a planet: as entered, else half of what the ring has more than the sun.

    None if that is not a whole number, or the gears are bevel. Source: the planets fill the gap.
    """
    if stage.planet_teeth is not None or stage.bevel:
        return stage.planet_teeth
    teeth, left = divmod(stage.ring_teeth - stage.sun_teeth, 2)
    return None if left else teeth


def planet_meets(stage: Planetary) -> dict[str, Fraction] | None:
    """Turns of the driver after which the same tooth of a planet meets the same of sun and ring.

    None if the planet's teeth are not known. Raises InputError as ``member_turns``. Source: as
    ``hunting_tooth``, in the frame of the carrier.
    """
    planet = planet_teeth(stage)
    if planet is None:
        return None
    turns = member_turns(stage)
    teeth = {"sun": stage.sun_teeth, "ring": stage.ring_teeth}
    return {
        member: Fraction(planet, math.gcd(planet, n)) / abs(turns[member] - turns["carrier"])
        for member, n in teeth.items()
    }


def mistakes(train: Train, ends: Iterable[str] = ()) -> list[tuple[str, str]]:
    """Everything wrong with a train: pairs of (what it is about, a sentence).

    ``ends`` are names of units or bodies, at least one of which must be at an end of the train.
    Source: a gear without teeth turns nothing; a shaft has one speed only.
    """
    found: list[tuple[str, str]] = []
    driven: set[str] = set()
    for mesh in train.meshes:
        pair = f"{mesh.driver} to {mesh.driven}"
        if isinstance(mesh, Planetary):
            found += [(key, f"{pair}: {words}") for key, words in stage_mistakes(mesh)]
        for key in ("driver_teeth", "driven_teeth"):
            if (teeth := getattr(mesh, key)) < 1:
                wrong = f"{pair}: a gear with {many(teeth, 'tooth', 'teeth')}"
                found.append((key, f"{wrong}; a whole number from 1"))
        if mesh.driven == CRANK:
            found.append(("driven", f"{pair}: nothing drives the crank; begin the train there"))
        elif mesh.driven in driven:
            found.append(("driven", f"{pair}: {mesh.driven} is driven by two gears; name one"))
        driven.add(mesh.driven)
    reached = {CRANK}
    while grown := {m.driven for m in train.meshes if m.driver in reached} - reached:
        reached |= grown
    for name in sorted({m.driver for m in train.meshes} - reached):
        found.append(("driver", f"{name} drives a gear but is not driven from the crank"))
    wanted = set(ends)
    if wanted and not wanted & reached:
        names = ", ".join(sorted(wanted))
        found.append(("driven", f"the train does not end at a unit: none of {names} is driven"))
    words = "is to stay as it is but is no shaft of the train"
    return found + [("keeps", f"{name} {words}") for name in train.keeps if name not in reached]


def path(train: Train, shaft: str) -> tuple[Stage, ...]:
    """The meshes from the crank to ``shaft``, in order.

    Raises InputError when the train is wrong in itself or does not reach the shaft. Source:
    definition.
    """
    wrong = mistakes(train)
    if wrong:
        raise InputError("gear train: " + "; ".join(words for _, words in wrong))
    by_driven = {mesh.driven: mesh for mesh in train.meshes}
    if shaft not in (CRANK, *by_driven):
        raise InputError(
            f"the gear train does not end at {shaft}: name {shaft} as the driven shaft of "
            "its last mesh"
        )
    meshes: list[Stage] = []
    while shaft != CRANK:
        meshes.insert(0, by_driven[shaft])
        shaft = meshes[0].driver
    return tuple(meshes)


def ends_of(train: Train) -> list[str]:
    """The shafts that drive no other, in order. Source: definition."""
    drivers = {mesh.driver for mesh in train.meshes}
    return [mesh.driven for mesh in train.meshes if mesh.driven not in drivers]


def speed(train: Train, shaft: str) -> Fraction:
    """Turns of ``shaft`` per crank turn. Raises InputError as ``path``. Source: geometry."""
    turns = Fraction(1)
    for mesh in path(train, shaft):
        turns *= Fraction(mesh.driver_teeth, mesh.driven_teeth)
    return turns


def tooth_crank_deg(train: Train, mesh: Stage) -> Fraction:
    """Crank degrees by which one tooth at ``mesh`` moves what is driven; of a planetary stage, one
    of the places at which it goes together.

    Raises InputError as ``path``. Source: geometry, see the module.
    """
    return Fraction(360, mesh.driver_teeth) / speed(train, mesh.driver)


def tooth_shaft_deg(train: Train, mesh: Stage, shaft: str) -> Fraction:
    """The same tooth in degrees of ``shaft``. Raises InputError as ``path``. Source: geometry."""
    return tooth_crank_deg(train, mesh) * speed(train, shaft)


def rotation(train: Train, shaft: str, crank: Rotation) -> Rotation | None:
    """Which way ``shaft`` turns, seen from the same end as the crank's rotation.

    None if there is a bevel gear in between, since the end is then no longer the same. Source: two
    gears toothed outside turn opposite ways; a chain or an internal gear keeps the direction, and a
    planetary stage does unless its carrier is held.
    """
    meshes = path(train, shaft)
    if any(isinstance(mesh, Mesh) and mesh.kind == "bevel" for mesh in meshes):
        return None
    turned = sum(
        mesh.held == "carrier" if isinstance(mesh, Planetary) else mesh.kind == "gears"
        for mesh in meshes
    )
    if turned % 2 == 0:
        return crank
    return "anticlockwise" if crank == "clockwise" else "clockwise"


def marks_meet(train: Train, shaft: str) -> MarksMeet:
    """After how many crank turns every mark between crank and ``shaft`` meets again.

    The least number of turns that turns each shaft a whole number of times; lcm(all Z)/Z1 in a
    simple train. Raises InputError as ``path``. Source: geometry, by counting.
    """
    meshes = path(train, shaft)
    if not meshes:
        raise InputError("the marks of the crank alone meet always: name a shaft that it drives")
    turns = math.lcm(*(speed(train, mesh.driven).denominator for mesh in meshes))
    return MarksMeet(turns, turns * speed(train, shaft), turns * meshes[0].driver_teeth)


def hunting_tooth(teeth: int, other_teeth: int, turns_per_min: float | None = None) -> HuntingTooth:
    """How often a given pair of teeth meets; ``turns_per_min`` is of the first gear.

    ``frequency_hz`` is mesh frequency x gcd/(Z1 Z2), NaN without a speed. Raises InputError for
    a gear without teeth. Source: W. C. Foiles, Euclid's algorithm.
    """
    if teeth < 1 or other_teeth < 1:
        raise InputError(
            f"gears with {teeth} and {many(other_teeth, 'tooth', 'teeth')}: both need teeth"
        )
    groups = math.gcd(teeth, other_teeth)
    hz = math.nan
    if turns_per_min is not None:
        hz = turns_per_min / 60.0 * teeth * groups / (teeth * other_teeth)
    return HuntingTooth(groups, other_teeth // groups, teeth * other_teeth // groups, hz)


def _effects(train: Train, shafts: Sequence[str]) -> dict[int, tuple[Fraction, ...]]:
    """For each free mesh (by its place), what one tooth there moves each shaft by.

    Of meshes with the same effect only the last is kept: a plain idler adds no position.
    """
    behind = [set(path(train, shaft)) for shaft in shafts]
    by_effect: dict[tuple[Fraction, ...], int] = {}
    for place, mesh in enumerate(train.meshes):
        if not mesh.free:
            continue
        tooth = tooth_crank_deg(train, mesh)
        effect = tuple(tooth if mesh in way else Fraction(0) for way in behind)
        if any(effect):
            by_effect[effect] = place
    return {place: effect for effect, place in by_effect.items()}


def mesh_positions(train: Train, shafts: Sequence[str]) -> list[TrainPosition]:
    """Every position that ``shafts`` can take together, each by the fewest teeth slipped.

    Shafts under ``train.keeps`` do not move. The first is the train as it is. Raises InputError as
    ``path``, or when there are more than ``MOST_POSITIONS``. Source: counting (breadth-first over
    the teeth).
    """
    tracked = [*shafts, *train.keeps]
    whole = [Fraction(360) / speed(train, shaft) for shaft in tracked]
    effects = _effects(train, tracked)
    sizes = [*whole, *(value for effect in effects.values() for value in effect)]
    unit = Fraction(  # the greatest common measure of all
        math.gcd(*(each.numerator for each in sizes)),
        math.lcm(*(each.denominator for each in sizes)),
    )
    periods = [int(value / unit) for value in whole]
    moves = [
        (place, sign, [int(sign * value / unit) for value in effect])
        for place, effect in effects.items()
        for sign in (1, -1)
    ]
    start = (0,) * len(tracked)
    slips = {start: (0,) * len(train.meshes)}
    queue = deque([start])
    while queue:
        state = queue.popleft()
        for place, sign, effect in moves:
            there = tuple((s + e) % p for s, e, p in zip(state, effect, periods, strict=True))
            if there in slips:
                continue
            if len(slips) >= MOST_POSITIONS:
                raise InputError(
                    f"this train has more than {MOST_POSITIONS} positions: "
                    "mark the meshes that must obey their marks with free = false"
                )
            old = slips[state]
            slips[there] = (*old[:place], old[place] + sign, *old[place + 1 :])
            queue.append(there)
    found = []
    for state, slip in slips.items():
        if any(state[len(shafts) :]):
            continue
        shifts = (s - p if 2 * s > p else s for s, p in zip(state, periods, strict=True))
        found.append(TrainPosition(slip, tuple(unit * s for s in shifts)[: len(shafts)]))
    return found


def listed_by_error(
    train: Train, shaft: str, wanted_deg: float
) -> list[tuple[float, TrainPosition]]:
    """All positions of ``shaft``, the nearest to a wanted shift first: (error, position).

    ``wanted_deg`` and the error (its shift minus the wanted one) are crank degrees, positive
    earlier, the error within half a turn of the shaft. Raises as ``positions``. Source: counting.
    """
    whole = float(360 / speed(train, shaft))
    found = [
        (wrap(float(position.shift_deg[0]) - wanted_deg, whole), position)
        for position in mesh_positions(train, [shaft])
    ]
    return sorted(found, key=lambda item: (round(abs(item[0]), 9), item[1].teeth))


def idler_notes(train: Train, shaft: str) -> list[str]:
    """One sentence for each shaft between crank and ``shaft``: does it add positions of its own?

    Raises InputError as ``path``. Source: geometry, see the module.
    """
    return [
        f"{into.driven} is a plain idler: it adds no position of its own"
        if into.driven_teeth == out.driver_teeth
        else f"{into.driven} is a compound idler ({into.driven_teeth} and "
        f"{many(out.driver_teeth, 'tooth', 'teeth')}): it adds positions"
        for into, out in pairwise(path(train, shaft))
        if isinstance(into, Mesh) and isinstance(out, Mesh)
    ]


def shaft_of(unit: Unit, train: Train | None) -> str | None:
    """The shaft of the train that the unit is on: its own name, or its body's."""
    if train is None:
        return None
    ends = {mesh.driven for mesh in train.meshes}
    return next((name for name in (unit.name, unit.body) if name and name in ends), None)


@dataclass(frozen=True, slots=True)
class VernierMove:
    """``steps`` positions of the coupling: the unit earlier when positive.

    ``drive_teeth`` is how many teeth the middle piece goes on (in the shaft's own rotation) in
    the drive's side, ``unit_teeth`` how many the unit goes back in the middle piece; a negative
    number is the other way. ``shaft_deg`` is of the coupling's shaft.
    """

    steps: int
    drive_teeth: int
    unit_teeth: int
    shaft_deg: Fraction
    crank_deg: Fraction
    error_deg: float  # crank degrees: its shift minus the one asked for


@dataclass(frozen=True, slots=True)
class Vernier:
    """A coupling with ``n`` teeth on the drive's side and ``m`` on the unit's.

    Its shaft makes ``turns_per_crank_turn``. Raises InputError for a side without teeth, or a ratio
    of zero. Source: see the module.
    """

    n: int
    m: int
    turns_per_crank_turn: Fraction

    def __post_init__(self) -> None:
        _turns(self.turns_per_crank_turn)
        if self.n < 1 or self.m < 1:
            teeth = f"{self.n} and {many(self.m, 'tooth', 'teeth')}"
            raise InputError(f"a coupling with {teeth} is none: both sides need teeth")

    @property
    def positions(self) -> int:
        """How many it can take in a turn."""
        return math.lcm(self.n, self.m)

    @property
    def step_shaft_deg(self) -> Fraction:
        """Its smallest step, in degrees of its own shaft."""
        return Fraction(360, self.positions)

    @property
    def step_crank_deg(self) -> Fraction:
        """The same in crank degrees."""
        return self.step_shaft_deg / self.turns_per_crank_turn

    def move(self, steps: int) -> VernierMove:
        """``steps`` positions as teeth on either side, with the fewest teeth moved.

        From a 360/n - b 360/m = steps 360/lcm(n, m), by trying all a. ``error_deg`` is 0.
        """
        on, back = self.positions // self.n, self.positions // self.m
        ways: list[tuple[int, int, int, int]] = []
        for a in range(-self.n, self.n + 1):
            b, left = divmod((a * on - steps) % self.positions, back)
            if left == 0:
                ways.extend((abs(a) + abs(c), abs(a), a, c) for c in (b, b - self.m))
        _, _, a, b = min(ways)
        shaft_deg = steps * self.step_shaft_deg
        return VernierMove(steps, a, b, shaft_deg, shaft_deg / self.turns_per_crank_turn, 0.0)

    def nearest(self, wanted_crank_deg: float) -> VernierMove:
        """The position nearest to a wanted shift, in crank degrees, positive earlier."""
        found = self.move(round(wanted_crank_deg / float(self.step_crank_deg)))
        return replace(found, error_deg=float(found.crank_deg) - wanted_crank_deg)


def _turns(turns_per_crank_turn: Fraction) -> Fraction:
    if turns_per_crank_turn <= 0:
        times = many(turns_per_crank_turn, "time")
        raise InputError(
            f"a shaft that turns {times} a crank turn cannot be timed: enter a ratio above zero"
        )
    return turns_per_crank_turn


def crank_deg(shaft_deg: float, turns_per_crank_turn: Fraction) -> float:
    """Degrees of a shaft as degrees of crank: divided by the shaft's turns per crank turn.

    Raises InputError for a ratio of zero. Source: definition of the ratio.
    """
    return float(shaft_deg / float(_turns(turns_per_crank_turn)))


def shaft_deg(angle_crank_deg: float, turns_per_crank_turn: Fraction) -> float:
    """Degrees of crank as degrees of a shaft (unit, propeller): times its turns per crank turn.

    Raises InputError for a ratio of zero. Source: AC 43.13-1B ch. 8 para 8-20, geared propeller
    (from memory).
    """
    return float(angle_crank_deg * float(_turns(turns_per_crank_turn)))


def shaft_speed(train: Train | None, shaft: str, units: Sequence[Unit]) -> Fraction:
    """Turns per crank turn of a unit's shaft or one of the train's.

    Raises InputError when it is neither. Source: the train, else the unit's own figure.
    """
    if train is not None and any(mesh.driven == shaft for mesh in train.meshes):
        return speed(train, shaft)
    return members(units, shaft)[0].turns_per_crank_turn


def index_places(encoder: Encoder) -> int:
    """Number of places of the crank for the index. Source: p of p/q in lowest terms."""
    return encoder.turns_per_crank_turn.numerator


def places_apart_deg(encoder: Encoder) -> float:
    """Crank degrees from one such place to the next."""
    return 360.0 / index_places(encoder)


def disc_places(encoder: Encoder) -> int:
    """Number of places of the encoder's own disc for one place of the crank, turn after turn.
    Source: q of p/q in lowest terms."""
    return encoder.turns_per_crank_turn.denominator


def around_deg(crank_deg: float, encoder: Encoder) -> float:
    """A continuous crank angle in [0, 360 q): after that both crank and encoder are where they
    were, so neither place is lost. Source: q of p/q."""
    return modulo(crank_deg, 360.0 * encoder.turns_per_crank_turn.denominator)

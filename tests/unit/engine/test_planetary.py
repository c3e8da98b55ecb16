"""Planetary stages: against the relation of Willis, and by turning teeth one by one.

R. Willis, Principles of Mechanism (1841), from memory: seen from the carrier, sun and ring turn as
a train whose ratio is -ring/sun. That planets fit at sun + ring places of the carrier is the usual
condition of assembly (handbook rule, from memory); here it is counted.
"""

from __future__ import annotations

from fractions import Fraction
from importlib import resources
from itertools import product
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.adjust.kinds import mesh_step
from rig.adjust.moves import Fitted
from rig.base.errors import ProfileError
from rig.engine import gear_train
from rig.engine.engine_file import engine_from_bytes, profile_from_bytes
from rig.engine.gear_train import index_places, places_apart_deg
from rig.engine.profile import Engine, Member, Mesh, Planetary, Train, Unit

WAYS = [(held, turned) for held, turned in product(get_args(Member), repeat=2) if held != turned]


def stage(held: Member, turned: Member, sun: int = 30, ring: int = 60) -> Planetary:
    return Planetary("crank", turned, "propeller", held, sun, ring, free=True)


def counted(one: Planetary, planet: int) -> dict[str, Fraction]:
    """Turns of the members for one turn of the driver's, by counting teeth through a planet.

    Seen from the carrier, a planet that turns by its own teeth passes as many teeth of the sun,
    backwards, and as many of the ring, forwards. The whole is then turned as a block until the held
    member stands, and scaled until the driver's has made one turn.
    """
    passed = {
        "carrier": Fraction(0),
        "sun": Fraction(-planet, one.sun_teeth),
        "ring": Fraction(planet, one.ring_teeth),
    }
    block = -passed[one.held]
    turns = {name: n + block for name, n in passed.items()}
    return {name: n / turns[one.driver_turns] for name, n in turns.items()}


@given(st.sampled_from(WAYS), st.integers(12, 60), st.integers(8, 40))
def test_every_way_round_is_that_of_the_teeth_counted(
    way: tuple[Member, Member], sun: int, planet: int
) -> None:
    one = stage(*way, sun=sun, ring=sun + 2 * planet)
    found = gear_train.member_turns(one)
    assert found == counted(one, planet)
    train = Train((one,))
    assert gear_train.speed(train, "propeller") == abs(found[one.driven_by])
    turned = gear_train.rotation(train, "propeller", "clockwise")
    assert (turned == "clockwise") == (found[one.driven_by] > 0)
    # Willis: (sun - carrier) / (ring - carrier) = - ring teeth / sun teeth
    sun_in, ring_in = (found[name] - found["carrier"] for name in ("sun", "ring"))
    assert sun_in * sun == -ring_in * one.ring_teeth


@pytest.mark.parametrize(
    ("held", "turned", "sun", "ring", "turns"),
    [
        ("sun", "ring", 30, 60, "2/3"),
        ("ring", "sun", 30, 60, "1/3"),
        ("ring", "carrier", 30, 60, "3"),
        ("carrier", "sun", 30, 60, "-1/2"),
        ("sun", "ring", 28, 36, "9/16"),
        ("sun", "ring", 34, 34, "1/2"),  # two equal bevel gears: the carrier at half speed
    ],
)
def test_ratios_worked_by_hand(
    held: Member, turned: Member, sun: int, ring: int, turns: str
) -> None:
    one = Planetary("crank", turned, "propeller", held, sun, ring, bevel=sun == ring)
    assert gear_train.member_turns(one)[one.driven_by] == Fraction(turns)


def test_the_places_at_which_a_stage_goes_together_are_those_counted() -> None:
    """Sun and ring stand; a planet fits where its teeth meet the gaps of both at once."""
    sun, ring, planet = 12, 24, 6
    fine = 4 * (sun + ring) * planet  # so fine a grid holds every place, and many between
    places = set()
    for at, spin in product(range(fine), range(0, fine, 1)):
        on_sun = (sun * at + planet * spin) % fine  # teeth of the sun passed, and of the planet
        on_ring = (ring * at - planet * spin) % fine
        if on_sun == 0 and on_ring == 0:
            places.add(at)
    train = Train((stage("ring", "sun", sun, ring),))
    found = gear_train.mesh_positions(train, ["propeller"])
    assert len(found) == len(places) == sun + ring


@given(st.integers(12, 60), st.integers(8, 40), st.sampled_from(WAYS))
def test_the_same_teeth_meet_again_when_the_counting_says(
    sun: int, planet: int, way: tuple[Member, Member]
) -> None:
    one = stage(*way, sun=sun, ring=sun + 2 * planet)
    meets = gear_train.planet_meets(one)
    assert meets is not None
    turns = counted(one, planet)
    for member, teeth in (("sun", sun), ("ring", sun + 2 * planet)):
        per_turn = abs(turns[member] - turns["carrier"]) * teeth  # teeth that pass a planet
        passed = meets[member] * per_turn
        assert passed.denominator == 1
        first = next(n for n in range(1, teeth * planet + 1) if n % teeth == n % planet == 0)
        assert passed == first


def test_a_train_through_a_stage_multiplies() -> None:
    """A magneto geared from the propeller shaft."""
    train = Train((stage("sun", "ring"), Mesh("propeller", 24, "unit", 16)))
    assert gear_train.speed(train, "unit") == Fraction(1)
    assert gear_train.marks_meet(train, "unit").crank_turns == 3
    assert gear_train.ends_of(train) == ["unit"]


def test_the_step_says_what_to_take_apart() -> None:
    train = Train((Planetary("crank", "ring", "unit", "sun", 30, 60, free=True),))
    engine = Engine("demo", 4, 1, (1,), (720.0,), "clockwise", "flywheel end")
    unit = Unit("unit", 1, Fraction(2, 3), 1, ())
    step = mesh_step(Fitted([unit], engine, train), train.meshes[0], 2)
    assert "put unit 2 of its 90 places on" in step.words
    assert "take its planetary stage apart" in step.words
    assert step.shift_deg["unit"] == pytest.approx(12.0)  # 2 x 360/90 of the unit, at 2/3 of speed


# -- the engine file --------------------------------------------------------------------------


FILE = (resources.files("rig.job") / "example.toml").read_text("utf-8")
STAGE = """
[[adjustment.planetary]]
driver = "crank"
driver_turns = "ring"
held = "sun"
driven = "propeller"
sun_teeth = 30
ring_teeth = 60
"""


def with_shaft(more: str = "", stage: str = STAGE) -> bytes:
    head, _, rest = FILE.partition("counts_per_turn = ")
    text = f'{head}shaft = "propeller"\n{more}counts_per_turn = {rest}'
    return (text + stage).encode()


def test_an_encoder_on_a_geared_propeller_takes_its_ratio_from_the_stage() -> None:
    profile = profile_from_bytes(with_shaft())
    assert profile.encoder.turns_per_crank_turn == Fraction(2, 3)
    # Its index comes at two places of the crank: after 1.5 turns, that is half a turn further on.
    met = {Fraction(3, 2) * n % 1 for n in range(12)}
    assert index_places(profile.encoder) == len(met) == 2
    assert places_apart_deg(profile.encoder) == 180.0


@given(st.integers(12, 60), st.integers(8, 40))
def test_the_places_of_the_index_are_those_met_by_turning(sun: int, planet: int) -> None:
    ring = sun + 2 * planet
    text = STAGE.replace("sun_teeth = 30", f"sun_teeth = {sun}")
    text = text.replace("ring_teeth = 60", f"ring_teeth = {ring}")
    encoder = profile_from_bytes(with_shaft(stage=text)).encoder
    per_index = Fraction(sun + ring, ring)  # crank turns from one index to the next
    met = {per_index * n % 1 for n in range(4 * (sun + ring))}
    assert index_places(encoder) == len(met)


def test_a_ratio_that_contradicts_the_gears_is_told() -> None:
    with pytest.raises(ProfileError, match=r"is 9/16, the gears turn .propeller. 2/3 times"):
        profile_from_bytes(with_shaft('turns_per_crank_turn = "9/16"\n'))
    assert profile_from_bytes(with_shaft('turns_per_crank_turn = "2/3"\n')).encoder


def test_a_shaft_that_nothing_drives_is_told() -> None:
    with pytest.raises(ProfileError, match="which no gear of the train drives"):
        profile_from_bytes(with_shaft(stage=""))


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('held = "sun"', 'held = "ring"', "the ring is held, so that the driver cannot turn it"),
        ("ring_teeth = 60", "ring_teeth = 20", "a ring with 20 teeth around a sun with 30"),
        ("sun_teeth = 30", "sun_teeth = 30\nplanet_teeth = 20", "sun and two planets have 70"),
        ('held = "sun"', 'held = "planet"', "is .planet."),
        ("sun_teeth = 30\n", "", "is missing"),
    ],
)
def test_what_cannot_be_in_a_stage_is_told_with_its_line(old: str, new: str, words: str) -> None:
    with pytest.raises(ProfileError, match=words) as wrong:
        profile_from_bytes(with_shaft(stage=STAGE.replace(old, new)))
    assert all(mistake.line for mistake in wrong.value.mistakes)


def test_the_stage_stays_as_it_is_unless_it_may_be_taken_apart() -> None:
    train = engine_from_bytes(with_shaft())[1].train
    assert train is not None
    assert len(gear_train.mesh_positions(train, ["propeller"])) == 1
    free = engine_from_bytes(with_shaft(stage=STAGE + "free = true\n"))[1].train
    assert free is not None
    assert len(gear_train.mesh_positions(free, ["propeller"])) == 90

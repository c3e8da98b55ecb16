"""The ``[adjustment]`` table of ``engine.toml``: what can be moved to correct the timing.

The keys are described at the head of ``example.toml``; what each may be is beside its field in
``rig.engine.profile``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import MISSING, fields
from typing import Any, TypeVar, cast, get_type_hints

from rig.base import codec
from rig.base.codec import Section, one_of
from rig.base.errors import shown
from rig.base.rounding import many
from rig.engine import gear_train
from rig.engine.profile import (
    Adjustments,
    Coupling,
    DriveDog,
    Gap,
    GapReading,
    Leads,
    Lever,
    Mesh,
    Planetary,
    Slot,
    Stage,
    Train,
    Unit,
)

KEY, EARLIER_KEY = "adjustment", "means"  # the second until version 0.4.0
# What keys of other tables were called until version 0.4.0.
EARLIER_KEYS = {"backlash_deg": "play_deg", "backlash_error_deg": "play_error_deg"}
MOST_OF_A_KIND = 16

T = TypeVar("T")

PLANETARY_KEYS = ("held", "ring_teeth", "planet_teeth")
ALLOWED: Mapping[str, str] = {
    "driver_teeth": "A whole number of teeth from 1",
    "driven_teeth": "A whole number of teeth from 1",
    "driver": 'A shaft that is driven, or "crank"',
    "driven": "Each shaft driven once, the last one a unit or the body of several",
    "held": "Another member than the one that the driver turns",
    "ring_teeth": "More teeth than the sun has, or bevel = true",
    "planet_teeth": "Sun, planet and ring that fit: ring = sun + 2 x planet",
    "keeps": "Shafts that are driven in one of the meshes",
}


def read_adjustments(top: Section, units: Sequence[Unit]) -> Adjustments:
    """What the ``[adjustment]`` table of the file at ``top`` says can be moved; nothing without it,
    nor while a unit has no name."""
    key = KEY
    if top.has(EARLIER_KEY):
        key = KEY if KEY in top.table else EARLIER_KEY
        if key == KEY:
            top.note(EARLIER_KEY, "is given beside adjustment", "adjustment alone")
    section = top.section(key) if all(unit.name for unit in units) else None
    if section is None:
        return Adjustments()
    names = [unit.name for unit in units]
    owners = [*names, *sorted({unit.body for unit in units if unit.body} - set(names))]
    before = len(section.book.mistakes)
    meshes: tuple[Stage, ...] = _tables(section, "mesh", Mesh)
    meshes += _tables(section, "planetary", Planetary)
    sound = len(section.book.mistakes) == before
    encoder = top.table.get("encoder")
    shaft = shaft_name(encoder) if isinstance(encoder, Mapping) else ""
    ends = [*owners, *filter(None, [shaft])]  # a train may end at the encoder, too
    section.known.add("keeps")
    train = _train(section, meshes, units, ends) if sound else None
    shafts = [*owners, *sorted({mesh.driven for mesh in meshes} - set(owners))]
    adjustments = Adjustments(
        slots=_tables(section, "slot", Slot, lambda slot: owners if slot.part == "body" else names),
        train=train,
        couplings=_tables(section, "coupling", Coupling, lambda _: shafts, "shaft"),
        dogs=_tables(section, "dog", DriveDog, lambda _: owners),
        gaps=tuple(_gap(each, names) for each in section.sections("gap", MOST_OF_A_KIND)),
        leads=_tables(section, "leads", Leads, lambda _: names),
        levers=_tables(section, "lever", Lever, lambda _: names),
    )
    section.end()
    return adjustments


def _tables(
    section: Section,
    key: str,
    kind: type[T],
    known: Callable[[T], Sequence[str]] | None = None,
    name_key: str = "unit",
) -> tuple[T, ...]:
    """The tables of an adjustment. ``known`` are the names of which each has to name one."""
    found = []
    for each in section.sections(key, MOST_OF_A_KIND):
        made = each.whole_table(kind)
        if known is not None:
            _check_name(each, name_key, known(made))
        if isinstance(made, DriveDog):
            _check_dog(each, made)
        found.append(made)
    return tuple(found)


def _check_name(section: Section, key: str, known: Sequence[str]) -> None:
    name = section.table.get(key)
    if isinstance(name, str) and name.strip() and name.strip() not in known:
        section.note(key, f"is {shown(name)}", one_of(map(shown, known)))


def _train(
    section: Section, meshes: tuple[Stage, ...], units: Sequence[Unit], owners: Sequence[str]
) -> Train | None:
    keeps = section.get("keeps", codec.listed(codec.kind_of(str), like='["cam"]')) or ()
    train = Train(meshes, keeps)
    if not meshes:
        if train.keeps:
            allowed = "Meshes under [[adjustment.mesh]] lines"
            section.note("keeps", "is without a train", allowed)
        return None
    before = len(section.book.mistakes)
    for key, words in gear_train.mistakes(train, owners):
        planetary = key in PLANETARY_KEYS or "mesh" not in section.table
        table = key if key == "keeps" else "planetary" if planetary else "mesh"
        section.note(table, words, ALLOWED[key])
    if len(section.book.mistakes) > before:
        return None
    for unit in units:
        shaft = gear_train.shaft_of(unit, train)
        if (
            shaft is not None
            and (turns := gear_train.speed(train, shaft)) != unit.turns_per_crank_turn
        ):
            section.note(
                "mesh",
                f"turns {shown(unit.name)} {many(turns, 'time')} a crank turn, its own figure is "
                f"{unit.turns_per_crank_turn}",
                "Teeth and turns_per_crank_turn that agree",
            )
    return train


def _check_dog(section: Section, dog: DriveDog) -> None:
    """Where it may be cut, its shape and diameters: they have to fit each other."""
    if dog.recut and dog.radius_mm <= 0.0:
        section.note("radius_mm", "is needed to lay out a new hole", "A radius above 0 mm")
    elif dog.recut and dog.clear_mm > 2.0 * dog.radius_mm:
        section.note("clear_mm", "is more than twice the radius", "At most twice radius_mm")
    bore, outside = dog.bore_mm or 0.0, dog.outside_mm
    if outside is not None and outside <= bore:
        section.note("outside_mm", f"is {outside:g}", f"More than bore_mm, {bore:g}")
        return
    if dog.shape == "hole" and dog.length_mm is not None:
        section.note("length_mm", "is given for a hole", "width_mm alone, the hole's diameter")
    diameter = {"bore keyway": "bore_mm", "shaft keyway": "outside_mm"}.get(dog.shape)
    if diameter and not section.has(diameter):
        section.missing(diameter, f"A diameter in mm: a {dog.shape} begins there")
    if diameter and not section.has("length_mm"):
        section.missing("length_mm", "The depth of the keyway in mm")
    if dog.shape == "slot" and dog.length_mm is None and outside is None:
        section.missing("length_mm", "Its length in mm, or outside_mm for a slot up to the rim")
    elif dog.width_mm is not None and dog.radius_mm > 0.0 and not (diameter and not dog.length_mm):
        low, high = dog.span_mm
        if low < bore / 2.0 - 1e-9 and dog.shape != "shaft keyway":
            words = f"is {bore:g}; the {dog.shape} would begin {low:g} mm from the centre"
            section.note("bore_mm", words, f"At most {2.0 * low:g} mm across, or another radius_mm")
        if outside is not None and high > outside / 2.0 + 1e-9:
            words = f"is {outside:g}; the {dog.shape} would end {high:g} mm from the centre"
            section.note("outside_mm", words, f"At least {2.0 * high:g} mm, or another radius_mm")
    if dog.others_width_mm and len(dog.others_width_mm) != len(dog.others_deg):
        section.note(
            "others_width_mm",
            f"has {many(len(dog.others_width_mm), 'figure')}",
            f"One for each of others_deg, which has {len(dog.others_deg)}",
        )


def _gap(section: Section, names: Sequence[str]) -> Gap:
    u_deg = section.get("opening_u_deg", codec.number(0.001, 5.0, "degrees of crank")) or 0.1
    _check_name(section, "unit", names)
    before = len(section.book.mistakes)
    gap = read_table(section, Gap, {"readings": _gap_readings(section, u_deg)})
    if gap.most_mm < gap.least_mm and len(section.book.mistakes) == before:
        wrong = f"is less than least_mm, {gap.least_mm:g}"
        section.note("most_mm", wrong, "Limits the right way up")
    return gap


def _gap_readings(section: Section, u_deg: float) -> tuple[GapReading, ...]:
    if not section.has("readings"):
        return ()
    value = section.table["readings"]
    good = isinstance(value, list) and all(
        isinstance(pair, list)
        and len(pair) == 2
        and all(isinstance(x, (int, float)) and not isinstance(x, bool) for x in pair)
        and 0.0 < pair[0] <= 5.0
        and abs(pair[1]) <= 180.0
        for pair in value
    )
    if not good:
        allowed = "Pairs of gap in mm and opening in degrees BTDC, like [[0.35, 35.1], [0.45, 36]]"
        section.note("readings", f"is {shown(value)}", allowed)
        return ()
    return tuple(GapReading(float(gap), float(deg), u_deg) for gap, deg in value)


def shaft_name(encoder: Mapping[str, object]) -> str:
    """The shaft that the encoder is on; "" where none is named."""
    shaft = encoder.get("shaft")
    return shaft.strip() if isinstance(shaft, str) else ""


def read_table(
    section: Section, kind: type[T], made: Mapping[str, Any], keys: Mapping[str, str] | None = None
) -> T:
    """The table as a ``kind``, a dataclass. Its fields are the keys, but for those ``made`` already
    and those that have another name in the file."""
    hints = get_type_hints(kind, include_extras=True)
    values = dict(made)
    for each in fields(cast(Any, kind)):
        if each.name in made:
            continue
        of = codec.kind_of(hints[each.name])
        needed = each.default is MISSING and each.default_factory is MISSING
        key = (keys or {}).get(each.name, each.name)
        earlier = EARLIER_KEYS.get(key, key)
        if earlier in section.table and key not in section.table:
            key = earlier
        value = section.get(key, of, required=needed)
        if value is not None:
            values[each.name] = value
        elif needed:
            values[each.name] = of.blank
    section.end()
    return kind(**values)

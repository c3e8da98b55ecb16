"""Reads the ``[means]`` table of the engine file: what can be moved to correct the timing.

The keys are shown at the head of ``rig.engine.means``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Literal, TypeVar

from rig.counted import many
from rig.engine import gears
from rig.engine.means import (
    MOST_FILED_MM,
    Coupling,
    DriveDog,
    Gap,
    GapReading,
    Leads,
    Lever,
    Means,
    Member,
    Mesh,
    MeshKind,
    Planetary,
    Slot,
    Stage,
    Train,
)
from rig.engine.mistakes import Mistake, MistakeBook, shown
from rig.engine.profile import Unit
from rig.engine.section import Section
from rig.engine.toml_text import parse

T = TypeVar("T")

MOST_OF_A_KIND = 16
MOST_TEETH = 1000
MOST_MM = 1000.0

MEMBERS: Mapping[str, Member] = {"sun": "sun", "ring": "ring", "carrier": "carrier"}
KINDS: Mapping[str, MeshKind] = {
    "gears": "gears",
    "internal": "internal",
    "chain": "chain",
    "bevel": "bevel",
}
PARTS: Mapping[str, Literal["body", "contact plate"]] = {
    "body": "body",
    "contact plate": "contact plate",
}
HALVES: Mapping[str, Literal["", "unit half", "drive half"]] = {
    "unit half": "unit half",
    "drive half": "drive half",
}
ALLOWED: Mapping[str, str] = {
    "driver_teeth": "A whole number of teeth from 1",
    "driven_teeth": "A whole number of teeth from 1",
    "driver": 'A shaft that is driven, or "crank"',
    "driven": "Each shaft driven once, the last one a unit or the body of several",
    "held": "Another member than the one that the driver turns",
    "ring_teeth": "More teeth than the sun has, or bevel = true",
    "planet_teeth": "Sun, planet and ring that fit: ring = sun + 2 x planet",
    "keeps": "Shafts that stand as driven in one of the meshes",
}


def means_from_bytes(data: bytes, units: Sequence[Unit], name: str = "engine.toml") -> Means:
    """The means that an engine file states; ``data`` is the whole file, ``units`` its units.

    Raises ProfileError with every mistake under ``[means]``. No such table: no means.
    """
    values, line_of = parse(data, name)
    book = MistakeBook(name, line_of)
    means = _means(Section(values, (), book), units)
    book.close()
    return means


def read_means(
    values: Mapping[str, Any], units: Sequence[Unit], name: str = "engine.toml"
) -> tuple[Means, list[Mistake]]:
    """The same from the parsed file: the means, and every mistake (key, what is wrong, allowed)."""
    book = MistakeBook(name, lambda _: 0)
    means = _means(Section(values, (), book), units)
    return means, book.mistakes


def _means(top: Section, units: Sequence[Unit]) -> Means:
    section = top.section("means")
    if section is None:
        return Means()
    names = [unit.name for unit in units]
    owners = [*names, *sorted({unit.body for unit in units if unit.body} - set(names))]
    meshes, sound = _meshes(section)
    ends = [*owners, *_encoder_shaft(top)]
    section.known.add("keeps")
    train = _train(section, meshes, units, ends) if sound else None
    shafts = [*owners, *sorted({mesh.driven for mesh in meshes} - set(owners))]
    means = Means(
        slots=_tables(section, "slot", lambda each: _slot(each, names, owners)),
        train=train,
        couplings=_tables(section, "coupling", lambda each: _coupling(each, shafts)),
        dogs=_tables(section, "dog", lambda each: _dog(each, owners)),
        gaps=_tables(section, "gap", lambda each: _gap(each, names)),
        leads=_tables(section, "leads", lambda each: Leads(_name(each, "unit", names))),
        levers=_tables(section, "lever", lambda each: Lever(_name(each, "unit", names))),
    )
    section.end()
    return means


def _tables(section: Section, key: str, read: Callable[[Section], T]) -> tuple[T, ...]:
    found = []
    for each in section.sections(key, MOST_OF_A_KIND):
        found.append(read(each))
        each.end()
    return tuple(found)


def _name(section: Section, key: str, known: Sequence[str]) -> str:
    """A name out of ``known``; "" when it is none."""
    name = section.text(key, longest=40, required=True)
    if name and name not in known:
        section.note(key, f"is {shown(name)}", "One of " + ", ".join(shown(n) for n in known))
        return ""
    return name


def _slot(section: Section, names: Sequence[str], owners: Sequence[str]) -> Slot:
    part = section.choice("part", PARTS, "body")
    filed = section.number("file_mm", 0.0, MOST_MM, "mm")
    return Slot(
        unit=_name(section, "unit", owners if part == "body" else names),
        radius_mm=section.number("radius_mm", 1.0, MOST_MM, "mm", required=True) or 1.0,
        clockwise_mm=section.number("clockwise_mm", 0.0, MOST_MM, "mm", required=True) or 0.0,
        anticlockwise_mm=section.number("anticlockwise_mm", 0.0, MOST_MM, "mm", required=True)
        or 0.0,
        part=part,
        file_mm=MOST_FILED_MM if filed is None else filed,
    )


def _encoder_shaft(top: Section) -> list[str]:
    """The shaft that the encoder stands on, where it is named: a train may end there, too."""
    encoder = top.table.get("encoder")
    shaft = encoder.get("shaft") if isinstance(encoder, Mapping) else None
    return [shaft.strip()] if isinstance(shaft, str) and shaft.strip() else []


def _planetary(each: Section) -> Planetary:
    return Planetary(
        driver=each.text("driver", longest=40, required=True),
        driver_turns=each.choice("driver_turns", MEMBERS, "sun", required=True),
        driven=each.text("driven", longest=40, required=True),
        held=each.choice("held", MEMBERS, "ring", required=True),
        sun_teeth=each.whole("sun_teeth", 1, MOST_TEETH, required=True) or 1,
        ring_teeth=each.whole("ring_teeth", 1, MOST_TEETH, required=True) or 1,
        planet_teeth=each.whole("planet_teeth", 1, MOST_TEETH),
        bevel=each.flag("bevel"),
        free=each.flag("free"),
    )


def _meshes(section: Section) -> tuple[tuple[Stage, ...], bool]:
    """The meshes, and whether all that they state is sound so far."""
    before = len(section.book.mistakes)

    def mesh(each: Section) -> Mesh:
        return Mesh(
            driver=each.text("driver", longest=40, required=True),
            driver_teeth=each.whole("driver_teeth", 1, MOST_TEETH, required=True) or 1,
            driven=each.text("driven", longest=40, required=True),
            driven_teeth=each.whole("driven_teeth", 1, MOST_TEETH, required=True) or 1,
            kind=each.choice("kind", KINDS, "gears"),
            free=each.flag("free") if each.has("free") else True,
        )

    found: tuple[Stage, ...] = _tables(section, "mesh", mesh)
    found += _tables(section, "planetary", _planetary)
    return found, len(section.book.mistakes) == before


def _train(
    section: Section, meshes: tuple[Stage, ...], units: Sequence[Unit], owners: Sequence[str]
) -> Train | None:
    train = Train(meshes, _keeps(section))
    if not meshes:
        if train.keeps:
            section.note("keeps", "stands without a train", "Meshes under [[means.mesh]] lines")
        return None
    before = len(section.book.mistakes)
    for key, words in gears.mistakes(train, owners):
        section.note(_table_of(key, section), words, ALLOWED[key])
    if len(section.book.mistakes) > before:
        return None
    for unit in units:
        shaft = gears.shaft_of(unit, train)
        if shaft is not None and (turns := gears.speed(train, shaft)) != unit.turns_per_crank_turn:
            section.note(
                "mesh",
                f"turns {shown(unit.name)} {many(turns, 'time')} a crank turn, its own figure is "
                f"{unit.turns_per_crank_turn}",
                "Teeth and turns_per_crank_turn that agree",
            )
    return train


def _table_of(key: str, section: Section) -> str:
    """The table under [means] that a mistake in the train is noted at."""
    if key == "keeps":
        return key
    own = key in ("held", "ring_teeth", "planet_teeth")
    return "planetary" if own or "mesh" not in section.table else "mesh"


def _keeps(section: Section) -> tuple[str, ...]:
    if not section.has("keeps"):
        return ()
    value = section.table["keeps"]
    if not isinstance(value, list) or not all(isinstance(each, str) for each in value):
        section.note("keeps", f"is {shown(value)}", 'A list of shafts, like ["cam"]')
        return ()
    return tuple(value)


def _coupling(section: Section, shafts: Sequence[str]) -> Coupling:
    return Coupling(
        shaft=_name(section, "shaft", shafts),
        drive_teeth=section.whole("drive_teeth", 1, MOST_TEETH, required=True) or 1,
        unit_teeth=section.whole("unit_teeth", 1, MOST_TEETH, required=True) or 1,
    )


def _dog(section: Section, owners: Sequence[str]) -> DriveDog:
    dog = DriveDog(
        unit=_name(section, "unit", owners),
        slots=section.whole("slots", 1, MOST_TEETH) or 1,
        recut=section.choice("recut", HALVES, ""),
        radius_mm=section.number("radius_mm", 0.0, MOST_MM, "mm") or 0.0,
        clear_mm=section.number("clear_mm", 0.0, MOST_MM, "mm") or 0.0,
        others_deg=_places(section),
    )
    if dog.recut and dog.radius_mm <= 0.0:
        section.note("radius_mm", "is needed to lay out a new hole", "A radius above 0 mm")
    elif dog.recut and dog.clear_mm > 2.0 * dog.radius_mm:
        section.note("clear_mm", "is more than twice the radius", "At most twice radius_mm")
    return dog


def _places(section: Section) -> tuple[float, ...]:
    """Places on a half besides its slots."""
    if not section.has("others_deg"):
        return ()
    value = section.table["others_deg"]
    good = isinstance(value, list) and all(
        isinstance(each, (int, float)) and not isinstance(each, bool) and abs(each) <= 360.0
        for each in value
    )
    if not good:
        allowed = "Degrees clockwise of the place in use, -360 to 360, like [47.5, 132]"
        section.note("others_deg", f"is {shown(value)}", allowed)
        return ()
    return tuple(float(each) for each in value)


def _gap(section: Section, names: Sequence[str]) -> Gap:
    least = section.number("least_mm", 0.01, 5.0, "mm", required=True) or 0.01
    most = section.number("most_mm", 0.01, 5.0, "mm", required=True) or 5.0
    if most < least:
        section.note("most_mm", f"is less than least_mm, {least:g}", "Limits the right way up")
    u_deg = section.number("opening_u_deg", 0.001, 5.0, "degrees of crank") or 0.1
    return Gap(
        unit=_name(section, "unit", names),
        now_mm=section.number("now_mm", 0.0, 5.0, "mm", required=True) or 0.0,
        least_mm=least,
        most_mm=most,
        readings=_gap_readings(section, u_deg),
    )


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

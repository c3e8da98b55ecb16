"""Reads the ``[[unit]]`` tables of the engine file: ignition units, their settings and figures."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import Literal

from rig.counted import many
from rig.engine.figures import Yardstick, read_per_cylinder, read_window
from rig.engine.mistakes import shown
from rig.engine.profile import Engine, Setting, Unit
from rig.engine.section import Section

MOST_UNITS = 16
MOST_SETTINGS = 12
MOST_LOBES = 36

ROTATIONS: Mapping[str, Literal["clockwise", "anticlockwise"]] = {
    "clockwise": "clockwise",
    "anticlockwise": "anticlockwise",
}
MEANINGS: Mapping[str, Literal["lamp", "paper"]] = {"lamp": "lamp", "paper": "paper"}
COUPLINGS: Mapping[str, Literal["none", "impulse", "disabled"]] = {
    "none": "none",
    "impulse": "impulse",
    "disabled": "disabled",
}
IGNITIONS: Mapping[str, Literal["magneto", "coil"]] = {"magneto": "magneto", "coil": "coil"}


def read_units(top: Section, engine: Engine, yardstick: Yardstick) -> tuple[Unit, ...]:
    """Every unit of the file. Names and inputs belong to one unit each."""
    if "unit" not in top.table:
        top.missing("unit", "At least one table under a line [[unit]]")
    sections = top.sections("unit", MOST_UNITS)
    units = tuple(_unit(each, engine, yardstick) for each in sections)
    for number, (section, unit) in enumerate(zip(sections, units, strict=True)):
        for other in units[:number]:
            if unit.input and unit.input == other.input:
                section.note(
                    "input",
                    f"is {unit.input}, which {shown(other.name)} has already",
                    "An input of its own for each unit",
                )
            if unit.name and unit.name.casefold() == other.name.casefold():
                section.note("name", f"is {shown(unit.name)} a second time", "Different names")
    return units


def _unit(section: Section, engine: Engine, yardstick: Yardstick) -> Unit:
    name = section.text("name", longest=40, required=True)
    at_input = section.whole("input", 1, MOST_UNITS, required=True)
    turns = section.ratio("turns_per_crank_turn", "1/2", required=True)
    lobes = section.whole("lobes", 1, MOST_LOBES, required=True)
    both_strokes = section.flag("both_strokes")
    # While the firing order is not known to be right, nothing is concluded from it.
    cylinders = tuple(engine.firing_order) if yardstick.datum_deg is not None else ()
    listed = section.whole_list("cylinders", 1, 36, 72) or ()
    if listed and cylinders and not set(listed) <= set(cylinders):
        section.note("cylinders", f"is {list(listed)}", f"Cylinders from 1 to {engine.cylinders}")
        listed = ()
    if turns and lobes and cylinders:
        _check_openings(section, engine, turns * lobes, both_strokes, listed)
    served = tuple(sorted(set(listed or cylinders)))
    unit = Unit(
        name=name,
        input=at_input or 0,
        turns_per_crank_turn=turns or Fraction(1),
        lobes=lobes or 1,
        settings=_settings(section, yardstick, served),
        serial=section.text("serial"),
        open_level=section.choice("open_level", {0: 0, 1: 1}, 1),
        rotation=section.choice("rotation", ROTATIONS, "clockwise", required=True),
        seen_from=section.text("seen_from") or "drive end",
        meaning=section.choice("opening_means", MEANINGS, "lamp"),
        both_strokes=both_strokes,
        coupling=section.choice("coupling", COUPLINGS, "none"),
        body=section.text("body", longest=40),
        play_deg=section.number("play_deg", 0.0, 30.0, "degrees of crank"),
        lobe_cylinders=listed,
        ignition=section.choice("ignition", IGNITIONS, "magneto"),
        automatic_advance=section.flag("automatic_advance"),
    )
    section.end()
    return unit


def _check_openings(
    section: Section,
    engine: Engine,
    openings_per_crank_turn: Fraction,
    both_strokes: bool,
    listed: tuple[int, ...],
) -> None:
    """Openings in a cycle against the cylinders that they are for."""
    openings = engine.strokes // 2 * openings_per_crank_turn
    served = len(set(listed)) or engine.cylinders
    good = {Fraction(served), Fraction(2 * served)} if both_strokes else {Fraction(served)}
    if openings not in good:
        wrong = (
            f"with turns_per_crank_turn gives {many(openings, 'opening')} in a working cycle, for "
            f"{many(served, 'cylinder')}"
        )
        section.note(
            "lobes",
            wrong,
            "As many openings as cylinders, or: both_strokes = true for a spark on the exhaust "
            "stroke as well; cylinders = [1, 4] for a unit that serves only some; "
            'a ratio like 1/3 written as "1/3"',
        )
    elif listed and len(listed) != openings:
        section.note(
            "cylinders",
            f"has {many(len(listed), 'figure')} for {many(openings, 'opening')} in a cycle",
            "The cylinder of each opening, in turn",
        )


def _settings(
    section: Section, yardstick: Yardstick, served: tuple[int, ...]
) -> tuple[Setting, ...]:
    tables = section.sections("setting", MOST_SETTINGS)
    if "setting" not in section.table:
        return (Setting("fixed", None),)
    settings: list[Setting] = []
    for table in tables:
        setting = _setting(table, yardstick, served)
        if setting.name.casefold() in (each.name.casefold() for each in settings):
            table.note("name", f"is {shown(setting.name)} a second time", "Different names")
        settings.append(setting)
    return tuple(settings)


def _setting(section: Section, yardstick: Yardstick, served: tuple[int, ...]) -> Setting:
    name = section.text("name", longest=40, required=True)
    window = read_window(section, yardstick)
    spread = section.number("spread_limit_deg", 0.001, 30.0, "degrees of crank")
    table = section.section("per_cylinder")
    windows, from_first = (
        ({}, False) if table is None else read_per_cylinder(table, window, yardstick, served)
    )
    section.end()
    return Setting(name, window, spread, windows, "first" if from_first else "own")

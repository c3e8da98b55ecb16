"""``engine.toml``, parsed once: what a person enters of engine, units, encoder and figures.

The keys are described at the head of ``example.toml``; what each may be is beside its field in
``rig.engine.profile``. Every mistake is reported at once, with its line, its key and what is
allowed there.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Literal, get_type_hints

from rig.base import codec
from rig.base.angles import wrap
from rig.base.codec import Section, one_of
from rig.base.earlier_rules import EarlierRule, Rules
from rig.base.errors import InputError, Mistake, MistakeBook, ProfileError, reason, shown
from rig.base.files import open_file
from rig.base.rounding import many
from rig.base.toml_file import MOST_BYTES, parse
from rig.engine import gear_train
from rig.engine.adjustment_tables import EARLIER_KEYS, read_adjustments, read_table, shaft_name
from rig.engine.geometry import (
    MM_PER_INCH,
    datum_after_first_deg,
    firing_after_first_deg,
    throw_from_stroke_mm,
)
from rig.engine.profile import (
    Adjustments,
    ApproachRule,
    Contacts,
    Coupling,
    DriveDog,
    Encoder,
    Engine,
    Geometry,
    Mesh,
    Planetary,
    Profile,
    Rotation,
    Rule,
    Setting,
    Synchronisation,
    Train,
    Unit,
)
from rig.engine.windows import Yardstick, read_per_cylinder, read_window

FILE_NAME = "engine.toml"
MOST_CYLINDERS, MOST_UNITS, MOST_SETTINGS = 36, 16, 12
MOST_LOBES = 36
SUM_WITHIN_DEG = 0.01  # firing intervals are often rounded to hundredths
TDC_WITHIN_DEG = 45.0  # no link rod moves a top dead centre further from its place
FINEST_DECIMAL = 40  # a decimal of finer parts than this is taken to be rounded (0.333 for a third)

WHOLE_NUMBERS = frozenset(
    key
    for table in (Engine, Encoder, Unit, Mesh, Planetary, Coupling, DriveDog)
    for key, kind in get_type_hints(table).items()
    if kind in {int, int | None}
)
_CYLINDERS = codec.listed(codec.whole(1, MOST_CYLINDERS), 2 * MOST_CYLINDERS, "[1, 3, 4, 2]")


def load_profile(path: str | Path) -> Profile:
    """Read an engine file, or the one in a job's folder.

    Raises ProfileError with every mistake in it: missing, unreadable, over 1 MB, not UTF-8, not
    TOML, or stating what cannot be.
    """
    return load_engine(path).profile


@dataclass(frozen=True, slots=True)
class EngineSource:
    """An engine file as it was read once: its bytes, and what exactly these bytes state."""

    path: Path
    data: bytes
    profile: Profile
    adjustments: Adjustments

    @property
    def sha256(self) -> str:
        """SHA-256 of the bytes, in hexadecimal."""
        return profile_bytes_digest(self.data)

    def change(self) -> str:
        """What became of the file since it was read, in words; empty when nothing did."""
        try:
            data = _bytes_of(self.path)
            if data == self.data:
                return ""
            engine_from_bytes(data, self.path.name)
        except ProfileError as wrong:
            return f"has changed and cannot be used: {wrong.mistakes[0]}"
        return "has changed"


def _bytes_of(path: Path) -> bytes:
    """The bytes of an engine file. Raises ProfileError."""
    try:
        with open_file(path) as file:
            return file.read(MOST_BYTES + 1)  # one more is a mistake with its own words
    except FileNotFoundError:
        wrong, allowed = "there is no such file", "Make a new job first, or name its folder"
    except OSError as error:
        wrong, allowed = f"it cannot be read: {reason(error)}", "Name the engine file"
    except ValueError:  # a NUL in the name
        wrong, allowed = "no file can have this name", ""
    raise ProfileError([Mistake(_name_of(path), 0, "", wrong, allowed)])


def _name_of(path: Path) -> str:
    return str(path) if str(path).isprintable() else shown(str(path))


def load_engine(path: str | Path) -> EngineSource:
    """Read an engine file, or the one in a job's folder, once. Raises as ``load_profile``."""
    path = Path(path)
    if path.is_dir():
        path = path / FILE_NAME
    data = _bytes_of(path)
    return EngineSource(path, data, *engine_from_bytes(data, _name_of(path)))


def profile_from_bytes(data: bytes, name: str = FILE_NAME, rules: Rules = ()) -> Profile:
    """The profile alone, as ``engine_from_bytes``."""
    return engine_from_bytes(data, name, rules)[0]


def engine_from_bytes(
    data: bytes, name: str = FILE_NAME, rules: Rules = ()
) -> tuple[Profile, Adjustments]:
    """What the bytes of an engine file state, and what can be moved, from one parse.

    ``name`` is that of the messages, ``rules`` are those of an earlier version. Raises
    ProfileError with every mistake.
    """
    values, line_of = parse(data, name, WHOLE_NUMBERS)
    book = MistakeBook(name, line_of)
    top = Section(values, (), book)
    engine, yardstick = _engine(_table(top, "engine", required=True), rules)
    encoder_table = _table(top, "encoder", required=True)
    encoder = _encoder(encoder_table)
    units = _units(top, engine, yardstick)
    before = len(book.mistakes)
    adjustments = read_adjustments(top, units)
    if len(book.mistakes) == before:
        encoder = _on_its_shaft(encoder_table, encoder, adjustments.train)
    contacts = _contacts(_table(top, "contacts"))
    run_up = _table(top, "run_up").whole_table(ApproachRule)
    together = tuple(_together(each, units) for each in top.sections("together", 20))
    certificate = _table(top, "certificate")
    person, workshop = certificate.text("person"), certificate.text("workshop")
    rule: Rule = certificate.get("decision_rule", codec.kind_of(Rule)) or "guarded"
    certificate.end()
    top.end()
    book.close()
    profile = Profile(engine, encoder, units, contacts, run_up, together, person, workshop, rule)
    return profile, adjustments


def profile_bytes_digest(data: bytes) -> str:
    """SHA-256 of the engine file's bytes, in hexadecimal. Source: FIPS 180-4, by the library."""
    return hashlib.sha256(data).hexdigest()


def _on_its_shaft(section: Section, encoder: Encoder, train: Train | None) -> Encoder:
    """The encoder with the ratio of the shaft that it is on, where one is named."""
    shaft = shaft_name(section.table)
    if not shaft:
        return encoder
    driven = sorted({mesh.driven for mesh in train.meshes}) if train else []
    if shaft == gear_train.CRANK or train is None or shaft not in driven:
        allowed = one_of(map(shown, driven)) if driven else "Meshes under [adjustment]"
        section.note("shaft", f"is {shown(shaft)}, which no gear of the train drives", allowed)
        return encoder
    turns = gear_train.speed(train, shaft)
    if "turns_per_crank_turn" in section.table and encoder.turns_per_crank_turn != turns:
        times = many(turns, "time")
        words = f"is {encoder.turns_per_crank_turn}, the gears turn {shown(shaft)} {times}"
        section.note("turns_per_crank_turn", words, "Leave it out beside shaft")
    return replace(encoder, turns_per_crank_turn=turns)


def _table(top: Section, key: str, *, required: bool = False) -> Section:
    """A table of the file; an empty one when it is absent."""
    if required and key not in top.table:
        top.known.add(key)
        top.missing(key, f"A table under a line [{key}]")
    return top.section(key) or Section({}, (key,), MistakeBook("", lambda _: 0))


def _engine(section: Section, rules: Rules) -> tuple[Engine, Yardstick]:
    strokes = section.get("strokes", codec.kind_of(Literal[2, 4]), required=True) or 4
    cylinders = section.get("cylinders", codec.whole(1, MOST_CYLINDERS), required=True)
    order, intervals, sound = _firing(section, cylinders, 180.0 * strokes)
    geometry = _geometry(section.section("geometry"), rules)
    rim_diameter_mm = _length_mm(section, "rim_diameter", 1.0, 20_000.0)
    entered_tdc, within = _entered_tdc(section, order, 180.0 * strokes)
    made = {
        "strokes": strokes,
        "cylinders": cylinders or 1,
        "firing_order": order,
        "intervals_deg": intervals,
        "rotation": section.get("rotation", codec.kind_of(Rotation), required=True) or "clockwise",
        "geometry": geometry,
        "rim_diameter_mm": rim_diameter_mm,
        "entered_tdc_deg": entered_tdc,
        "entered_tdc_within_deg": within,
        "master_cylinder": section.get(
            "master_cylinder", codec.whole(1, cylinders or MOST_CYLINDERS)
        )
        or 0,
    }
    engine = read_table(section, Engine, made)
    for cylinder, place_deg in (firing_after_first_deg(engine) if sound else {}).items():
        deg = entered_tdc.get(cylinder, place_deg)
        away = abs(wrap(deg - place_deg, 180.0 * strokes))
        if away > TDC_WITHIN_DEG:
            section.book.note(
                (*section.path, "tdc_deg_after_cylinder_1", str(cylinder)),
                f"is {deg:g}, {away:g}° from its place in the firing order",
                f"Degrees of crank after cylinder 1 within the cycle, near {place_deg:g}",
            )
    datum_deg = datum_after_first_deg(engine) if sound else None
    return engine, Yardstick(geometry, rim_diameter_mm, datum_deg)


def _firing(
    section: Section, cylinders: int | None, cycle_deg: float
) -> tuple[tuple[int, ...], tuple[float, ...], bool]:
    """Firing order, intervals, and whether both are valid."""
    allowed = f"Each cylinder from 1 to {cylinders or 'the last'} once, like [1, 3, 4, 2]"
    order = section.get("firing_order", _CYLINDERS)
    intervals = section.get(
        "intervals_deg", codec.listed(codec.number(0.0, cycle_deg), MOST_CYLINDERS, "[180, 180]")
    )
    if "firing_order" not in section.table and cylinders is not None:
        if cylinders > 1:
            section.missing("firing_order", allowed)
        else:
            order = (1,)
    if cylinders is None or order is None:
        return (1,), (cycle_deg,), False
    if sorted(order) != list(range(1, cylinders + 1)):
        section.note("firing_order", f"is {list(order)} for {many(cylinders, 'cylinder')}", allowed)
        return (1,), (cycle_deg,), False
    if intervals is None:
        even = "intervals_deg" not in section.table
        return order, (cycle_deg / cylinders,) * cylinders, even
    wrong = ""
    if len(intervals) != cylinders:
        wrong = f"has {many(len(intervals), 'figure')}"
    elif abs(sum(intervals) - cycle_deg) > SUM_WITHIN_DEG:
        wrong = f"add up to {sum(intervals):g}°"
    if wrong:
        wanted = f"{cylinders} intervals in the firing order, {cycle_deg:g}° together"
        section.note("intervals_deg", wrong, wanted)
    return order, intervals, not wrong


def _entered_tdc(
    section: Section, order: tuple[int, ...], cycle_deg: float
) -> tuple[dict[int, float], float]:
    """Top dead centres as entered, and the half-width within which each lies."""
    table = section.section("tdc_deg_after_cylinder_1")
    if table is None:
        return {}, 0.0
    entered: dict[int, float] = {}
    for cylinder in sorted(order):
        deg = table.get(str(cylinder), codec.number(0.0, cycle_deg, "degrees"))
        if deg is not None and cylinder == 1 and deg != 0.0:
            table.note("1", f"is {deg:g}", "0: the others are counted from it")
        elif deg is not None:
            entered[cylinder] = deg
    within = table.get("within_deg", codec.number(0.0, 10.0, "degrees")) or 0.0
    table.end()
    return entered, within


def _geometry(section: Section | None, rules: Rules) -> Geometry | None:
    if section is None:
        return None
    stroke_mm = _length_mm(section, "stroke", 1.0, 5000.0, required=True)
    rod_mm = _length_mm(section, "rod", 1.0, 20_000.0, required=True)
    offset_mm = _length_mm(section, "offset", -1000.0, 1000.0)
    limit_mm = _length_mm(section, "offset_limit", 0.0, 1000.0)
    section.end()
    if offset_mm is not None and limit_mm is not None:
        section.note("", "has both an offset and a limit for an unknown one", "One of the two")
    if stroke_mm is None or rod_mm is None:
        return None
    try:
        throw_mm = throw_from_stroke_mm(stroke_mm, rod_mm, offset_mm or 0.0)
        if throw_mm + max(abs(offset_mm or 0.0), limit_mm or 0.0) >= rod_mm:
            raise InputError("the rod is too short for that stroke and offset")
    except InputError as error:
        section.note("", f"cannot be: {error}", "Stroke, rod centre to centre, and offset")
        return None
    if limit_mm == 0.0 and EarlierRule.OFFSET_LEFT_OPEN not in rules:
        offset_mm = 0.0  # at most none is none
    return Geometry(throw_mm, rod_mm, offset_mm, limit_mm or 0.0)


def _encoder(section: Section) -> Encoder:
    section.text("shaft", longest=40)
    forward = section.get("forward_counts", codec.choice({"up": 1, "down": -1})) or 1
    encoder = read_table(section, Encoder, {"direction": forward})
    if encoder.counts_per_turn % 4:
        wrong = f"is {encoder.counts_per_turn}"
        section.note("counts_per_turn", wrong, "Four times the lines, like 2400 or 4096")
    ratio = str(section.table.get("turns_per_crank_turn"))
    if encoder.turns_per_crank_turn.denominator > FINEST_DECIMAL and "/" not in ratio:
        section.note(
            "turns_per_crank_turn",
            f"is {ratio}: a rounded figure drifts turn by turn",
            'The teeth of the gears as a fraction, like "1/3" or "21/34"',
        )
    if {"backlash_error_deg", EARLIER_KEYS["backlash_error_deg"]} & section.table.keys():
        return encoder
    return replace(encoder, backlash_error_deg=encoder.backlash_deg / 2.0)


def _contacts(section: Section) -> Contacts:
    found = section.whole_table(Contacts)
    if found.longest_dropout_ms >= found.least_open_ms:
        section.note(
            "longest_dropout_ms",
            f"is {found.longest_dropout_ms:g}, not below least_open_ms, which is "
            f"{found.least_open_ms:g}",
            "A drop-out is shorter than an opening",
        )
    return found


def _together(section: Section, units: tuple[Unit, ...]) -> Synchronisation:
    names = {unit.name: unit.name for unit in units}
    if "" in names:  # a name was wrong, and is noted already
        first, second = section.text("first"), section.text("second")
    else:
        first = section.choice("first", names, "", required=True)
        second = section.choice("second", names, "", required=True)
    if first and first == second:
        section.note("second", "is the same unit as first", "Another unit")
    made = {
        "first": first,
        "second": second,
        "stagger_deg": section.get("stagger_deg", codec.number(-90.0, 90.0, "degrees of crank"))
        or 0.0,
        "source": section.text("source", longest=300),
    }
    return read_table(section, Synchronisation, made)


def _length_mm(
    section: Section, stem: str, low_mm: float, high_mm: float, *, required: bool = False
) -> float | None:
    """A length given as ``<stem>_mm`` or ``<stem>_in``, in millimetres."""
    in_mm = section.get(f"{stem}_mm", codec.length(low_mm, high_mm, "mm"))
    inches = section.get(
        f"{stem}_in", codec.length(low_mm / MM_PER_INCH, high_mm / MM_PER_INCH, "inches")
    )
    given = [key for key in (f"{stem}_mm", f"{stem}_in") if key in section.table]
    if len(given) > 1:
        section.note(given[1], f"is given beside {given[0]}", "One of the two")
    if required and not given:
        section.missing(f"{stem}_mm", f"A length; {stem}_in takes inches")
    return in_mm if inches is None else inches * MM_PER_INCH


def _units(top: Section, engine: Engine, yardstick: Yardstick) -> tuple[Unit, ...]:
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
    turns = section.get("turns_per_crank_turn", codec.ratio("1/2"), required=True)
    lobes = section.get("lobes", codec.whole(1, MOST_LOBES), required=True)
    # While the firing order is not known to be right, nothing is concluded from it.
    cylinders = tuple(engine.firing_order) if yardstick.datum_deg is not None else ()
    listed = section.get("cylinders", _CYLINDERS) or ()
    if listed and cylinders and not set(listed) <= set(cylinders):
        section.note("cylinders", f"is {list(listed)}", f"Cylinders from 1 to {engine.cylinders}")
        listed = ()
    if turns and lobes and cylinders:
        both_strokes = section.table.get("both_strokes") is True
        _check_openings(section, engine, turns * lobes, both_strokes, listed)
    contact = section.get("input", codec.whole(1, MOST_UNITS), required=True)
    made = {
        "input": contact or 0,
        "turns_per_crank_turn": turns or Fraction(1),
        "lobes": lobes or 1,
        "settings": _settings(section, yardstick, tuple(sorted(set(listed or cylinders)))),
        "rotation": section.get("rotation", codec.kind_of(Rotation), required=True) or "clockwise",
        "seen_from": section.text("seen_from") or "drive end",
        "lobe_cylinders": listed,
    }
    keys = {
        "meaning": "opening_means",
        "release_btdc": "coupling_releases_deg_btdc",
        "catch_btdc": "coupling_catches_deg_btdc",
    }
    unit = read_table(section, Unit, made, keys)
    if "sensing_delay_error_us" in section.table:
        return unit
    return replace(unit, sensing_delay_error_us=unit.sensing_delay_us)


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
        section.note(
            "lobes",
            f"with turns_per_crank_turn gives {many(openings, 'opening')} in a working cycle, for "
            f"{many(served, 'cylinder')}",
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
    settings: list[Setting] = []
    for table in section.sections("setting", MOST_SETTINGS):
        setting = _setting(table, yardstick, served)
        if setting.name.casefold() in (each.name.casefold() for each in settings):
            table.note("name", f"is {shown(setting.name)} a second time", "Different names")
        settings.append(setting)
    return tuple(settings) if "setting" in section.table else (Setting("fixed", None),)


def _setting(section: Section, yardstick: Yardstick, served: tuple[int, ...]) -> Setting:
    name = section.text("name", longest=40, required=True)
    window = read_window(section, yardstick)
    spread = section.get("spread_limit_deg", codec.number(0.001, 30.0, "degrees of crank"))
    table = section.section("per_cylinder")
    windows, from_first = (
        ({}, False) if table is None else read_per_cylinder(table, window, yardstick, served)
    )
    section.end()
    return Setting(name, window, spread, windows, "first" if from_first else "own")

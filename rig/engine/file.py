"""Reads ``engine.toml``: what the person states about engine, units, encoder and figures.

The keys are described at the head of ``example.toml``. Everything that is wrong is told at once.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Literal

from rig.counted import many
from rig.engine import gears
from rig.engine.figures import Yardstick
from rig.engine.firing import datum_after_first_deg, firing_after_first_deg
from rig.engine.geometry import MM_PER_INCH, throw_from_stroke_mm
from rig.engine.means import Means
from rig.engine.means_file import means_from_bytes
from rig.engine.mistakes import Mistake, MistakeBook, ProfileError, shown
from rig.engine.profile import (
    Contacts,
    Encoder,
    Engine,
    Geometry,
    Profile,
    RunUp,
    Synchronism,
    Unit,
)
from rig.engine.section import Section
from rig.engine.toml_text import parse, read_limited
from rig.engine.unit_file import ROTATIONS, read_units
from rig.faults import InputError

__all__ = [
    "EngineSource",
    "Mistake",
    "ProfileError",
    "load_engine",
    "load_profile",
    "profile_bytes_digest",
    "profile_from_bytes",
]

FILE_NAME = "engine.toml"
MOST_CYLINDERS = 36
SUM_WITHIN_DEG = 0.01  # firing intervals are often rounded to hundredths
TDC_WITHIN_DEG = 45.0  # no link rod moves a top dead centre further from its place

STROKES: Mapping[int, Literal[2, 4]] = {2: 2, 4: 4}
DIRECTIONS: Mapping[str, Literal[1, -1]] = {"up": 1, "down": -1}
LEVELS: Mapping[int, Literal[0, 1]] = {0: 0, 1: 1}
FINEST_DECIMAL = 40
"""A decimal of a finer ratio than this many parts is taken to be rounded (0.333 for a third)."""
TURNED_AT: Mapping[str, Literal["crank", "encoder"]] = {"crank": "crank", "encoder": "encoder"}
RULES: Mapping[str, Literal["guarded", "simple"]] = {"guarded": "guarded", "simple": "simple"}


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

    @property
    def sha256(self) -> str:
        """SHA-256 of the bytes, in hexadecimal."""
        return profile_bytes_digest(self.data)

    def means(self) -> Means:
        """What can be moved, of the same bytes. Raises ProfileError for mistakes in it."""
        return means_from_bytes(self.data, self.profile.units, str(self.path))

    def change(self) -> str:
        """What became of the file since it was read, in words; empty when nothing did."""
        try:
            data = read_limited(self.path)
            if data == self.data:
                return ""
            profile_from_bytes(data, self.path.name)
        except ProfileError as wrong:
            return f"has changed and cannot be used: {wrong.mistakes[0]}"
        return "has changed"


def load_engine(path: str | Path) -> EngineSource:
    """Read an engine file, or the one in a job's folder, once. Raises as ``load_profile``."""
    path = Path(path)
    if path.is_dir():
        path = path / FILE_NAME
    data = read_limited(path)
    return EngineSource(path, data, profile_from_bytes(data, _harmless(str(path))))


def profile_from_bytes(data: bytes, name: str = FILE_NAME) -> Profile:
    """The same from the file's bytes; ``name`` stands in the messages."""
    values, line_of = parse(data, name)
    book = MistakeBook(name, line_of)
    top = Section(values, (), book)
    engine, yardstick = _engine(_table(top, "engine", required=True))
    encoder = _encoder(_table(top, "encoder", required=True))
    units = read_units(top, engine, yardstick)
    encoder = _on_its_shaft(top, encoder, data, units)
    contacts = _contacts(_table(top, "contacts"))
    run_up = _run_up(_table(top, "run_up"))
    together = tuple(_together(each, units) for each in top.sections("together", 20))
    certificate = _table(top, "certificate")
    person = certificate.text("person")
    workshop = certificate.text("workshop")
    rule = certificate.choice("decision_rule", RULES, "guarded")
    certificate.end()
    if top.has("means") and all(unit.name for unit in units):
        _note_means(data, units, book)
    top.end()
    book.close()
    return Profile(engine, encoder, units, contacts, run_up, together, person, workshop, rule)


def profile_bytes_digest(data: bytes) -> str:
    """SHA-256 of the engine file's bytes, in hexadecimal. Source: FIPS 180-4, by the library."""
    return hashlib.sha256(data).hexdigest()


def _note_means(data: bytes, units: tuple[Unit, ...], book: MistakeBook) -> None:
    """The mistakes under [means], so that they are told together with the others."""
    try:
        means_from_bytes(data, units, book.file)
    except ProfileError as error:
        book.mistakes.extend(error.mistakes)


def _on_its_shaft(top: Section, encoder: Encoder, data: bytes, units: tuple[Unit, ...]) -> Encoder:
    """The encoder with the ratio of the shaft that it stands on, where one is named."""
    table = top.table.get("encoder")
    if not isinstance(table, Mapping) or "shaft" not in table or not all(u.name for u in units):
        return encoder
    section = Section(table, ("encoder",), top.book)
    shaft = section.text("shaft", longest=40)
    try:
        train = means_from_bytes(data, units, top.book.file).train
    except ProfileError:  # told with the means
        return encoder
    driven = sorted({mesh.driven for mesh in train.meshes}) if train else []
    if shaft == gears.CRANK or train is None or shaft not in driven:
        allowed = "One of " + ", ".join(map(shown, driven)) if driven else "Meshes under [means]"
        section.note("shaft", f"is {shown(shaft)}, which no gear of the train drives", allowed)
        return encoder
    turns = gears.speed(train, shaft)
    if "turns_per_crank_turn" in table and encoder.turns_per_crank_turn != turns:
        words = f"is {encoder.turns_per_crank_turn}, the gears turn {shown(shaft)} {turns} times"
        section.note("turns_per_crank_turn", words, "Leave it out where shaft is stated")
    return replace(encoder, turns_per_crank_turn=turns)


def _table(top: Section, key: str, *, required: bool = False) -> Section:
    """A table of the file; an empty one when it is absent."""
    if required and key not in top.table:
        top.known.add(key)
        top.missing(key, f"A table under a line [{key}]")
    return top.section(key) or Section({}, (key,), MistakeBook("", lambda _: 0))


def _engine(section: Section) -> tuple[Engine, Yardstick]:
    strokes = section.choice("strokes", STROKES, 4, required=True)
    cylinders = section.whole("cylinders", 1, MOST_CYLINDERS, required=True)
    order, intervals, sound = _firing(section, cylinders, 180.0 * strokes)
    geometry = _geometry(section.section("geometry"))
    rim_diameter_mm = _length_mm(section, "rim_diameter", 1.0, 20_000.0)
    master = section.whole("master_cylinder", 1, cylinders or MOST_CYLINDERS) or 0
    engine = Engine(
        name=section.text("name", required=True),
        strokes=strokes,
        cylinders=cylinders or 1,
        firing_order=order,
        intervals_deg=intervals,
        rotation=section.choice("rotation", ROTATIONS, "clockwise", required=True),
        seen_from=section.text("seen_from", required=True),
        serial=section.text("serial"),
        geometry=geometry,
        rim_diameter_mm=rim_diameter_mm,
        stated_tdc_deg=_stated_tdc(section, order, 180.0 * strokes),
        master_cylinder=master,
    )
    section.end()
    if sound:
        _check_stated_tdc(section, engine)
    datum_deg = datum_after_first_deg(engine) if sound else None
    return engine, Yardstick(geometry, rim_diameter_mm, datum_deg)


def _firing(
    section: Section, cylinders: int | None, cycle_deg: float
) -> tuple[tuple[int, ...], tuple[float, ...], bool]:
    """Firing order, intervals, and whether both can be relied upon."""
    allowed = f"Each cylinder from 1 to {cylinders or 'the last'} once, like [1, 3, 4, 2]"
    order = section.whole_list("firing_order", 1, MOST_CYLINDERS, MOST_CYLINDERS)
    intervals = section.number_list("intervals_deg", 0.0, cycle_deg, MOST_CYLINDERS)
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
    wanted = f"{cylinders} intervals in the firing order, {cycle_deg:g}° together"
    if len(intervals) != cylinders:
        section.note("intervals_deg", f"has {many(len(intervals), 'figure')}", wanted)
    elif abs(sum(intervals) - cycle_deg) > SUM_WITHIN_DEG:
        section.note("intervals_deg", f"add up to {sum(intervals):g}°", wanted)
    else:
        return order, intervals, True
    return order, intervals, False


def _stated_tdc(section: Section, order: tuple[int, ...], cycle_deg: float) -> dict[int, float]:
    table = section.section("tdc_deg_after_cylinder_1")
    if table is None:
        return {}
    stated: dict[int, float] = {}
    for cylinder in sorted(order):
        deg = table.number(str(cylinder), 0.0, cycle_deg, "degrees")
        if deg is not None and cylinder == 1 and deg != 0.0:
            table.note("1", f"is {deg:g}", "0: the others are counted from it")
        elif deg is not None:
            stated[cylinder] = deg
    table.end()
    return stated


def _check_stated_tdc(section: Section, engine: Engine) -> None:
    places = firing_after_first_deg(engine)
    cycle_deg = 180.0 * engine.strokes
    for cylinder, deg in engine.stated_tdc_deg.items():
        away = abs((deg - places[cylinder] + cycle_deg / 2) % cycle_deg - cycle_deg / 2)
        if away > TDC_WITHIN_DEG:
            Section({}, (*section.path, "tdc_deg_after_cylinder_1"), section.book).note(
                str(cylinder),
                f"is {deg:g}, {away:g}° from its place in the firing order",
                f"Degrees of crank after cylinder 1 within the cycle, near {places[cylinder]:g}",
            )


def _geometry(section: Section | None) -> Geometry | None:
    if section is None:
        return None
    stroke_mm = _length_mm(section, "stroke", 1.0, 5000.0, required=True)
    rod_mm = _length_mm(section, "rod", 1.0, 20_000.0, required=True)
    offset_mm = _length_mm(section, "offset", -1000.0, 1000.0)
    limit_mm = _length_mm(section, "offset_limit", 0.0, 1000.0)
    section.end()
    if offset_mm is not None and limit_mm is not None:
        section.note("", "states both an offset and a limit for an unknown one", "One of the two")
    if stroke_mm is None or rod_mm is None:
        return None
    try:
        throw_mm = throw_from_stroke_mm(stroke_mm, rod_mm, offset_mm or 0.0)
        if throw_mm + max(abs(offset_mm or 0.0), limit_mm or 0.0) >= rod_mm:
            raise InputError("the rod is too short for that stroke and offset")
    except InputError as error:
        section.note("", f"cannot be: {error}", "Stroke, rod centre to centre, and offset")
        return None
    return Geometry(throw_mm, rod_mm, offset_mm, limit_mm or 0.0)


def _encoder(section: Section) -> Encoder:
    counts = section.whole("counts_per_turn", 8, 1_000_000, required=True)
    if counts is not None and counts % 4:
        section.note("counts_per_turn", f"is {counts}", "Four times the lines, like 2400 or 4096")
    play_deg = section.number("play_deg", 0.0, 30.0, "degrees of crank") or 0.0
    play_error_deg = section.number("play_error_deg", 0.0, 30.0, "degrees of crank")
    section.text("shaft", longest=40)
    ratio = section.ratio("turns_per_crank_turn", "9/16") or Fraction(1)
    if ratio.denominator > FINEST_DECIMAL and "/" not in str(section.table["turns_per_crank_turn"]):
        section.note(
            "turns_per_crank_turn",
            f"is {section.table['turns_per_crank_turn']}: a rounded figure drifts turn by turn",
            'The teeth of the gears as a fraction, like "1/3" or "21/34"',
        )
    encoder = Encoder(
        counts_per_turn=counts or 8,
        direction=section.choice("forward_counts", DIRECTIONS, 1),
        index_level=section.choice("index_level", LEVELS, 1),
        graduation_error_deg=section.number("graduation_error_deg", 0.0, 10.0, "degrees") or 0.0,
        run_out_deg=section.number("run_out_deg", 0.0, 10.0, "degrees") or 0.0,
        turns_per_crank_turn=ratio,
        play_deg=play_deg,
        play_error_deg=play_deg / 2.0 if play_error_deg is None else play_error_deg,
        turned_at=section.choice("turned_at", TURNED_AT, "crank"),
    )
    section.end()
    return encoder


def _contacts(section: Section) -> Contacts:
    usual = Contacts()
    found: dict[str, float] = {}
    for key in ("closed_end_ms", "longest_dropout_ms", "least_open_ms"):
        value = section.number(key, 0.01, 1000.0, "milliseconds")
        found[key] = getattr(usual, key) if value is None else value
    if found["longest_dropout_ms"] >= found["least_open_ms"]:
        section.note(
            "longest_dropout_ms",
            f"is {found['longest_dropout_ms']:g}, not below least_open_ms, which is "
            f"{found['least_open_ms']:g}",
            "A drop-out is shorter than an opening",
        )
    section.end()
    return Contacts(**found)


def _run_up(section: Section) -> RunUp:
    usual = RunUp()
    needed = section.number("needed_deg", 0.0, 360.0, "degrees of crank")
    forgiven = section.number("forgiven_deg", 0.0, 30.0, "degrees of crank")
    section.end()
    return RunUp(
        usual.needed_deg if needed is None else needed,
        usual.forgiven_deg if forgiven is None else forgiven,
    )


def _together(section: Section, units: tuple[Unit, ...]) -> Synchronism:
    names = {unit.name: unit.name for unit in units}
    if "" in names:  # a name was wrong, and is told already
        first, second = section.text("first"), section.text("second")
    else:
        first = section.choice("first", names, "", required=True)
        second = section.choice("second", names, "", required=True)
    if first and first == second:
        section.note("second", "is the same unit as first", "Another unit")
    stagger = section.number("stagger_deg", -90.0, 90.0, "degrees of crank")
    tolerance = section.number("tolerance_deg", 0.001, 90.0, "degrees of crank", required=True)
    source = section.text("source", longest=300)
    section.end()
    return Synchronism(first, second, stagger or 0.0, tolerance or 1.0, source)


def _length_mm(
    section: Section, stem: str, low_mm: float, high_mm: float, *, required: bool = False
) -> float | None:
    """A length given as ``<stem>_mm`` or ``<stem>_in``, in millimetres."""
    in_mm = section.length(f"{stem}_mm", low_mm, high_mm, "mm")
    inches = section.length(f"{stem}_in", low_mm / MM_PER_INCH, high_mm / MM_PER_INCH, "inches")
    given = [key for key in (f"{stem}_mm", f"{stem}_in") if key in section.table]
    if len(given) > 1:
        section.note(given[1], f"stands beside {given[0]}", "One of the two")
    if required and not given:
        section.missing(f"{stem}_mm", f"A length; {stem}_in takes inches")
    return in_mm if inches is None else inches * MM_PER_INCH


def _harmless(text: str) -> str:
    return text if text.isprintable() else shown(text)

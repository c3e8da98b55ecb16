"""Figures as manuals give them and limits as a person types them, converted into degrees.

A manual's figure is in degrees, piston travel or a length round or across a rim. A length is signed
as an angle is: positive before TDC, negative after. A limit is in degrees, or a length round the
engine's rim.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace

from rig.base import codec
from rig.base.codec import Section, fraction_of
from rig.base.errors import InputError, shown
from rig.engine.geometry import (
    MM_PER_INCH,
    btdc_from_travel_deg,
    deg_from_rim_rule,
    deg_from_rim_tape,
    geometry_of,
    rim_rule_mm,
    rim_tape_mm,
    travel_mm,
)
from rig.engine.profile import Engine, Geometry, Window

# A cylinder's own figure this far from cylinder 1's is a slip: degrees of cam, most often.
MOST_SHIFT_DEG = 30.0


@dataclass(frozen=True, slots=True)
class Form:
    """How manuals give a figure: the unit of length and what the length is of."""

    unit: str  # "deg", "mm" or "in"
    of: str  # "", "travel", "tape" or "rule"
    words: str


FORMS = {
    "deg_btdc": Form("deg", "", "°"),
    "mm_travel": Form("mm", "travel", " mm of piston travel"),
    "in_travel": Form("in", "travel", " in of piston travel"),
    "rim_tape_mm": Form("mm", "tape", " mm round the rim (tape)"),
    "rim_tape_in": Form("in", "tape", " in round the rim (tape)"),
    "rim_rule_mm": Form("mm", "rule", " mm across the rim (rule)"),
    "rim_rule_in": Form("in", "rule", " in across the rim (rule)"),
}
TOLERANCES = {"deg": 30.0, "mm": 1000.0, "in": 40.0}  # unit -> the most that is taken


@dataclass(frozen=True, slots=True)
class Yardstick:
    """What is needed to convert lengths into degrees, and where each cylinder counts from.

    ``datum_deg`` is None until the firing order is known to be right.
    """

    geometry: Geometry | None
    rim_diameter_mm: float | None
    datum_deg: Mapping[int, float] | None


@dataclass(frozen=True, slots=True)
class _Figure:
    key: str
    form: Form
    size: float  # in the form's unit
    written: str

    def btdc(self, section: Section, yardstick: Yardstick) -> float | None:
        """In degrees before TDC; None with a note where that cannot be."""
        geometry, rim_mm, of = yardstick.geometry, yardstick.rim_diameter_mm, self.form.of
        if not of:
            return self.size
        if of == "travel" and geometry is None:
            needed = "[engine.geometry] with stroke_mm and rod_mm"
            section.note(self.key, "is piston travel, and there is no geometry", needed)
            return None
        if of != "travel" and rim_mm is None:
            needed = "rim_diameter_mm or rim_diameter_in in [engine]"
            section.note(self.key, "is a length at the rim, and there is no diameter", needed)
            return None
        length_mm = self.size * _mm_per(self.form)
        try:
            if geometry is not None and of == "travel":
                return btdc_from_travel_deg(abs(length_mm), geometry, after=length_mm < 0)
            return (deg_from_rim_tape if of == "tape" else deg_from_rim_rule)(
                length_mm, rim_mm or 0.0
            )
        except InputError as error:
            section.note(self.key, str(error), "A figure that the engine can have")
            return None


def read_window(section: Section, yardstick: Yardstick) -> Window | None:
    """The window of a setting; None if no figure is given, or a wrong one."""
    figures = {each: _figure(section, each) for each in ("earliest", "nominal", "latest")}
    tolerance = _tolerance(section)
    given = {name: each for name, each in figures.items() if each is not None}
    source = section.text("source", longest=300)
    if not given:
        tried = any(f"{name}_{suffix}" in section.table for name in figures for suffix in FORMS)
        if tolerance is not None and not tried:
            section.note(tolerance.key, "is without a figure", "nominal_deg_btdc beside it")
        return None
    if not source:
        section.missing("source", "Where the figure comes from: manual and page")
    angles = {name: each.btdc(section, yardstick) for name, each in given.items()}
    ends = None if None in angles.values() else _ends(section, given, angles, tolerance, yardstick)
    if ends is None:
        return None
    earliest, latest = ends
    nominal = angles.get("nominal")
    middle = (earliest + latest) / 2.0 if nominal is None else nominal
    if not (earliest >= middle >= latest and earliest > latest):
        section.note(
            next(iter(given.values())).key,
            f"the window is upside down or empty: earliest {earliest:.2f}, nominal {middle:.2f}, "
            f"latest {latest:.2f} degrees before top dead centre",
            "Earliest is the largest, latest the smallest; after top dead centre is negative",
        )
        return None
    used = [each.form for each in given.values()]
    measure = next((suffix for suffix, form in FORMS.items() if form.of and form in used), "")
    return Window(
        earliest, middle, latest, source, _as_written(given, tolerance, yardstick), measure
    )


def measured(btdc_deg: float, measure: str, engine: Engine, cylinder: int = 1) -> float | None:
    """An opening in the measure of the manual (a key of ``FORMS``), mm or inches; positive before
    TDC, negative after.

    None if the engine file lacks what it needs: geometry (not on a link rod), or a rim. Source:
    ``rig.engine.geometry``.
    """
    form = FORMS.get(measure)
    if form is None or not form.of:
        return None
    geometry, rim_mm = geometry_of(engine, cylinder), engine.rim_diameter_mm
    if form.of == "travel" and geometry is not None:
        size_mm = math.copysign(float(travel_mm(btdc_deg, geometry)), btdc_deg)
    elif form.of in ("tape", "rule") and rim_mm is not None:
        size_mm = (rim_tape_mm if form.of == "tape" else rim_rule_mm)(btdc_deg, rim_mm)
    else:
        return None
    return size_mm / _mm_per(form)


def read_per_cylinder(
    section: Section, window: Window | None, yardstick: Yardstick, cylinders: tuple[int, ...]
) -> tuple[dict[int, Window], bool]:
    """Windows of a compensated cam, and whether they are counted from cylinder 1's opening.

    Each window is counted from the cylinder's own datum. ``cylinders`` are those of the unit.
    """
    datums = {"own top dead centre": False, "cylinder 1": True}
    from_first = section.choice("counted_from", datums, False, required=True)
    tolerance = section.get("tolerance_deg", codec.number(0.001, 30, "degrees"))
    source = section.text("source", longest=300) or (window.source if window else "")
    wanted: dict[int, float] = {}
    for cylinder in cylinders:
        low, high = (0.0, 720.0) if from_first else (-90.0, 90.0)
        first_itself = from_first and cylinder == 1
        deg = section.get(
            str(cylinder), codec.number(low, high, "degrees"), required=not first_itself
        )
        if deg is not None or first_itself:
            wanted[cylinder] = deg or 0.0
    section.end()
    if window is None and (from_first or tolerance is None):
        needed = "nominal_deg_btdc of cylinder 1 in the setting, with a tolerance"
        section.note("", "has no figure to count from", needed)
        return {}, from_first
    if not source:
        section.missing("source", "Where the figures come from: manual and page")
    if yardstick.datum_deg is None:
        return {}, from_first
    made: dict[int, Window] = {}
    for cylinder, deg in wanted.items():
        if from_first and window is not None:
            nominal = window.nominal_btdc + yardstick.datum_deg[cylinder] - deg
            written = f"{deg:g}° after cylinder 1's opening"
        else:
            nominal, written = deg, f"{abs(deg):g}° {'BTDC' if deg >= 0 else 'ATDC'}"
        if window is not None and abs(nominal - window.nominal_btdc) > MOST_SHIFT_DEG:
            section.note(
                str(cylinder),
                f"is {deg:g}, which puts cylinder {cylinder} at {nominal:.1f} degrees before top "
                f"dead centre, far from the setting's own {window.nominal_btdc:.1f}",
                "Degrees of crank (not of cam), within the whole working cycle",
            )
        early = window.earliest_btdc - window.nominal_btdc if window else 0.0
        late = window.nominal_btdc - window.latest_btdc if window else 0.0
        if tolerance is not None:
            early = late = tolerance
        made[cylinder] = Window(nominal + early, nominal, nominal - late, source, written)
    return made, from_first


def _figure(section: Section, name: str) -> _Figure | None:
    """The one form in which a figure is given; a second one is noted."""
    found: list[_Figure] = []
    for suffix, form in FORMS.items():
        key = f"{name}_{suffix}"
        high, unit = (180.0, "degrees") if form.unit == "deg" else (10_000.0, form.unit)
        size = section.get(key, codec.length(-high, high, unit))
        if size is not None:
            found.append(_Figure(key, form, size, str(section.table[key]).strip().lstrip("-")))
    for extra in found[1:]:
        section.note(extra.key, f"is given beside {found[0].key}", f"One figure for {name}")
    return found[0] if found else None


def _tolerance(section: Section) -> _Figure | None:
    for unit, most in TOLERANCES.items():
        key = f"tolerance_{unit}"
        size = section.get(key, codec.length(0.0001, most, "degrees" if unit == "deg" else unit))
        if size is not None:
            return _Figure(key, Form(unit, "", ""), size, str(section.table[key]).strip())
    return None


def _ends(
    section: Section,
    given: Mapping[str, _Figure],
    angles: Mapping[str, float | None],
    tolerance: _Figure | None,
    yardstick: Yardstick,
) -> tuple[float, float] | None:
    """Earliest and latest, from themselves or from nominal and tolerance."""
    earliest, latest, nominal = (angles.get(each) for each in ("earliest", "latest", "nominal"))
    if tolerance is None:
        if earliest is not None and latest is not None:
            return earliest, latest
        if not any(f"tolerance_{unit}" in section.table for unit in TOLERANCES):
            allowed = "earliest and latest, or nominal and a tolerance (tolerance_deg = 1)"
            section.note("", "has no limits for the figure", allowed)
        return None
    wrong = "is a length, the figure an angle"
    if earliest is not None and latest is not None:
        wrong = "is given beside earliest and latest"
    elif nominal is None or earliest is not None or latest is not None:
        wrong = "does not go with the figures beside it"
    elif tolerance.form.unit == "deg":
        return nominal + tolerance.size, nominal - tolerance.size
    elif (figure := given["nominal"]).form.unit != "deg":
        step = tolerance.size * _mm_per(tolerance.form) / _mm_per(figure.form)
        earlier, later = (
            replace(figure, key=tolerance.key, size=figure.size + each) for each in (step, -step)
        )
        earliest = earlier.btdc(section, yardstick)
        latest = None if earliest is None else later.btdc(section, yardstick)
        return None if earliest is None or latest is None else (earliest, latest)
    section.note(tolerance.key, wrong, "nominal with a tolerance, or earliest and latest")
    return None


def _mm_per(form: Form) -> float:
    return MM_PER_INCH if form.unit == "in" else 1.0


def _as_written(
    given: Mapping[str, _Figure], tolerance: _Figure | None, yardstick: Yardstick
) -> str:
    """The figures as written, for the certificate."""
    parts = []
    for name, figure in given.items():
        side = "BTDC" if figure.size >= 0 else "ATDC"
        joint = " " if figure.form.unit == "deg" else ", "
        parts.append(f"{name} {figure.written}{figure.form.words}{joint}{side}")
    if tolerance is not None:
        parts.append(f"tolerance {tolerance.written} {tolerance.form.unit}")
    travel = any(figure.form.of == "travel" for figure in given.values())
    if travel and yardstick.geometry is not None and yardstick.geometry.offset_mm is None:
        parts.append("cylinder offset not known, taken as none")
    return "; ".join(parts)


MOST_CHARACTERS = 40
DEGREES = ("", "°", "deg", "degrees")
LENGTHS = {"mm": 1.0, "in": MM_PER_INCH, "inch": MM_PER_INCH, '"': MM_PER_INCH}
_TYPED = re.compile(r'([0-9 .,/]+?)\s*(°|deg|degrees|mm|in|inch|")?\.?')


@dataclass(frozen=True, slots=True)
class Within:
    """A limit on either side: crank degrees, and in words as entered."""

    deg: float
    words: str
    of_rim: bool  # entered as a length round the rim


def typed_within(text: str, rim_diameter_mm: float | None) -> Within:
    """A limit as typed: ``0.5``, ``0,5 deg``, ``2 mm``, ``1/16 in``; a length is round the rim, as
    a tape reads.

    Raises InputError for anything else, for a length without a rim, and for a limit of zero or more
    than half a turn. 1 in = 25.4 mm exactly (definition).
    """
    match = _TYPED.fullmatch(text.strip().casefold()) if len(text) <= MOST_CHARACTERS else None
    size = fraction_of(match[1].replace(",", ".")) if match else None
    if match is None or size is None:
        raise InputError(
            f"{shown(text)} is not a limit on either side: enter degrees (0.5), or a length round"
            " the rim (2 mm, 1/16 in)"
        )
    unit = match[2] or ""
    if unit in DEGREES:
        deg, words, of_rim = float(size), f"{float(size):g}°", False
    elif rim_diameter_mm is None:
        raise InputError(
            "a length needs the rim's diameter: enter rim_diameter_mm or rim_diameter_in"
            " under [engine], or degrees here"
        )
    else:
        deg = deg_from_rim_tape(float(size) * LENGTHS[unit], rim_diameter_mm)
        length = f"{match[1].strip()} {unit} round a rim of {rim_diameter_mm:g} mm"
        of_rim, words = True, f"{deg:.3g}° ({length})"
    if not 0.0 < deg <= 180.0:
        raise InputError(f"{shown(text)}: enter more than 0, at most 180 degrees")
    return Within(deg, words, of_rim)

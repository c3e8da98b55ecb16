"""A new job: a folder with ``engine.toml``, from answers or from an example taken whole.

``rig.job.questions`` has the questions. Nothing is ever overwritten.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from fractions import Fraction
from importlib import resources
from pathlib import Path

from rig.base.errors import InputError, reason, shown
from rig.engine.engine_file import FILE_NAME, profile_from_bytes
from rig.job.answers import AUTOMATIC, LEVER, each_unit, figure_keys, main_setting, tolerance_key
from rig.job.questions import checked

FOLDERS = ("captures", "certificates")


def job_text(answers: Mapping[str, str]) -> str:
    """A commented ``engine.toml`` made of answers. Raises InputError as ``checked`` does."""
    kept = checked(answers)
    names = kept["units"].split(", ")
    turns = int(kept["strokes"]) // 2 * Fraction(kept["drive"])
    parts = [HEAD, _engine_text(kept), ENCODER.format(counts=kept["counts_per_turn"])]
    coupled = kept.get("coupling", "none").split(", ")
    for number, name in enumerate(names, 1):
        advance = each_unit(kept, "advance", name)
        unit = UNIT.format(
            name=_quoted(name),
            input=number,
            drive=kept["drive"],
            lobes=int(int(kept["cylinders"]) / turns),
            rotation=each_unit(kept, "unit_rotation", name),
            ignition=each_unit(kept, "ignition", name),
            coupling="impulse" if name in coupled else "none",
        )
        parts.append(unit + (WEIGHTS if advance == AUTOMATIC else ""))
        parts.append(_setting_text(kept, main_setting(advance), "figure", "tolerance"))
        if advance == LEVER:
            parts.append(_setting_text(kept, "full retard", "retard", "retard_tolerance"))
    if len(names) > 1:
        parts.append(TOGETHER.format(first=_quoted(names[0]), second=_quoted(names[1])))
    parts.append(adjustments_text(kept, names) or NO_ADJUSTMENTS)
    parts.append(TAIL.format(person=_quoted(kept["person"])))
    return "\n".join(parts)


def adjustments_text(kept: Mapping[str, str], units: Sequence[str]) -> str:
    """The tables of what can be moved, for each of ``units``; empty where nothing was named."""
    chosen = kept.get("adjustments", "none").split(", ")
    parts = []
    for name in units:
        unit = _quoted(name)
        if "slot" in chosen:
            parts.append(
                SLOT.format(
                    unit=unit,
                    radius=kept["slot_radius"],
                    clockwise=kept["slot_clockwise"],
                    anticlockwise=kept["slot_anticlockwise"],
                )
            )
        if "coupling" in chosen:
            drive, own = kept["coupling_teeth"].split()
            parts.append(COUPLING.format(unit=unit, drive=drive, own=own))
        if "gear" in chosen:
            driver, driven = kept["gear_teeth"].split()
            parts.append(GEAR.format(unit=unit, driver=driver, driven=driven))
    return "\n".join(parts)


def write_job(folder: str | Path, answers: Mapping[str, str]) -> Path:
    """Make a job's folder from answers; gives the path of its ``engine.toml``.

    Raises InputError for an answer that will not do, a folder that holds a job already, or one that
    cannot be made; nothing that is there is changed.
    """
    return _write(Path(folder), job_text(answers).encode("utf-8"))


def example_names() -> tuple[str, ...]:
    """The examples that can be taken whole; the first is the usual one."""
    more = resources.files("rig.job") / "examples"
    found = sorted(each.name.removesuffix(".toml") for each in more.iterdir())
    return ("example", *found)


def write_example(folder: str | Path, name: str = "example") -> Path:
    """Make a job's folder from an example taken whole; raises InputError as ``write_job``."""
    if name not in example_names():
        raise InputError(
            f"there is no example {shown(name)}; there are {', '.join(example_names())}"
        )
    home = resources.files("rig.job")
    source = home / "example.toml" if name == "example" else home / "examples" / f"{name}.toml"
    return _write(Path(folder), source.read_bytes())


def _write(folder: Path, data: bytes) -> Path:
    profile_from_bytes(data)  # never write a file that cannot be read
    path = folder / FILE_NAME
    where = str(folder) if str(folder).isprintable() else shown(str(folder))
    try:
        if path.exists():
            raise FileExistsError
        for each in FOLDERS:
            (folder / each).mkdir(parents=True, exist_ok=True)
        file = path.open("xb")
        try:
            with file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
        except OSError:
            path.unlink()
            raise
    except FileExistsError:
        raise InputError(
            f"{where}: there is a job already, or a file in the way; nothing was changed. "
            "Name another folder"
        ) from None
    except OSError as error:
        raise InputError(f"{where}: the job cannot be made: {reason(error)}") from error
    except ValueError:
        raise InputError(f"{where}: no folder can have such a name") from None
    return path


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _engine_text(kept: Mapping[str, str]) -> str:
    rim, stroke = kept.get("rim_diameter"), kept.get("stroke")
    return ENGINE.format(
        name=_quoted(kept["name"]),
        strokes=kept["strokes"],
        cylinders=kept["cylinders"],
        order=", ".join(kept.get("firing_order", "1").split()),
        rotation=kept["rotation"],
        rim=f"rim_diameter_mm = {rim}" if rim else RIM,
        geometry=GEOMETRY.format(stroke=stroke, rod=kept["rod"]) if stroke else NO_GEOMETRY,
    )


def _setting_text(kept: Mapping[str, str], name: str, figure: str, tolerance: str) -> str:
    """A setting with its figure, in the form in which it was answered."""
    if not kept[figure]:
        return NO_FIGURE.format(name=_quoted(name))
    key, size = figure_keys(kept[figure])
    within_key, within = tolerance_key(kept[tolerance])
    return FIGURE.format(
        name=_quoted(name),
        figure=f"nominal_{key} = {size}",
        tolerance=f"{within_key} = {within}",
        source=_quoted(kept["source"]),
    )


HEAD = """\
# What you state about this engine, its ignition units and the rig's encoder. It is yours to edit;
# mistakes are reported with their line. Degrees are degrees of crank. The maker's manual has the
# last word on every figure. The example (rig new JOB --example) explains every key.
"""

ENGINE = """\
[engine]
name = {name}
serial = ""
strokes = {strokes}
cylinders = {cylinders}
firing_order = [{order}]
# intervals_deg = []          # from each firing to the next; even when left out
rotation = "{rotation}"
seen_from = "flywheel end"
{rim}

{geometry}"""

RIM = "# rim_diameter_mm = 412       # for figures given as a length round the rim"

GEOMETRY = """\
[engine.geometry]
stroke_mm = {stroke}
rod_mm = {rod}                  # centre to centre
# offset_mm = 0               # take the # off when you know that the cylinder has no offset
"""

NO_GEOMETRY = """\
# For figures given as piston travel, and to take the bias out of a piston stop. Take the #
# off and put your engine's figures in. offset_mm = 0 when you know that there is none.
# [engine.geometry]
# stroke_mm = 100
# rod_mm = 190
# offset_mm = 0
"""

ENCODER = """\
[encoder]
counts_per_turn = {counts}
forward_counts = "up"         # "down" when it counts down as the engine turns forwards
graduation_error_deg = 0      # its own error, as its maker states it, either way
run_out_deg = 0               # once-a-turn error of its mounting: measure it, and state it here
"""

UNIT = """\
[[unit]]
name = {name}
input = {input}
serial = ""
turns_per_crank_turn = "{drive}"
lobes = {lobes}
rotation = "{rotation}"
seen_from = "drive end"
opening_means = "lamp"        # "paper" when the manual means a slip of paper coming free
ignition = "{ignition}"          # "magneto", or "coil": contacts with a battery and a coil
coupling = "{coupling}"             # "none", "impulse", or "disabled" when it is held out of action
# body = "twin"               # the same word for units that sit in one body and move together
"""

WEIGHTS = """\
automatic_advance = true      # weights advance it as it runs: it is read with them at rest
"""

FIGURE = """\
  [[unit.setting]]
  name = {name}
  {figure}
  {tolerance}
  # or earliest_deg_btdc and latest_deg_btdc, or nominal_mm_travel, nominal_in_travel = "5/16", or
  # nominal_rim_tape_mm, nominal_rim_rule_mm (tape round the rim, rule across it)
  source = {source}
"""

NO_FIGURE = """\
  # No figure yet: this setting is read without a verdict. Take the # off when you have it.
  [[unit.setting]]
  name = {name}
  # nominal_deg_btdc = 36     # or nominal_mm_travel, nominal_in_travel, nominal_rim_tape_mm, ...
  # tolerance_deg = 1         # or earliest_deg_btdc and latest_deg_btdc
  # source = "workshop manual, page 12"
"""

TOGETHER = """\
[[together]]
first = {first}
second = {second}
stagger_deg = 0               # how much earlier the first opens, where the maker wants that
tolerance_deg = 1
source = "common practice; look into the manual"
"""

SLOT = """\
# A slotted flange: the unit turns about its shaft. How far it can still be turned is measured
# along the slot, as seen from the end that the unit names. Each end may be filed longer by file_mm.
[[adjustment.slot]]
unit = {unit}
radius_mm = {radius}
clockwise_mm = {clockwise}
anticlockwise_mm = {anticlockwise}
file_mm = 0
"""

COUPLING = """\
# A coupling toothed on both sides, with different numbers of teeth.
[[adjustment.coupling]]
shaft = {unit}
drive_teeth = {drive}
unit_teeth = {own}
"""

GEAR = """\
# Gears from the crank to the unit, of which a tooth can be slipped. Plain idlers do not count.
[[adjustment.mesh]]
driver = "crank"
driver_teeth = {driver}
driven = {unit}
driven_teeth = {driven}
"""

NO_ADJUSTMENTS = """\
# What can be moved to correct the timing. Take the # off and put your figures in; the example
# (rig new JOB --example) has the other kinds: couplings, gears, drive slots, contact gap, lever.
# [[adjustment.slot]]
# unit = "upper"
# radius_mm = 45              # where the slot lies
# clockwise_mm = 3            # how far the unit can still be turned, along the slot,
# anticlockwise_mm = 4        # as seen from the end that the unit names
"""

TAIL = """\
[certificate]
person = {person}
workshop = ""
"""

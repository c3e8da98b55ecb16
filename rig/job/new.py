"""A new job: a folder with ``engine.toml``, from answers or from an example taken whole.

``rig.job.questions`` has the questions, ``new_engine.toml`` the parts that the file is made of.
Nothing is ever overwritten.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from fractions import Fraction
from functools import cache
from importlib import resources
from pathlib import Path
from string import Template

from rig.base.errors import InputError, reason, shown
from rig.engine.engine_file import FILE_NAME, profile_from_bytes
from rig.job.answers import AUTOMATIC, LEVER, NONE, Figure, each_unit, main_setting
from rig.job.questions import ADJUSTMENTS, checked

FOLDERS = ("captures", "certificates")


def job_text(answers: Mapping[str, str]) -> str:
    """A commented ``engine.toml`` made of answers. Raises InputError as ``checked`` does."""
    kept = checked(answers)
    names = kept["units"].split(", ")
    turns = int(kept["strokes"]) // 2 * Fraction(kept["drive"])
    rim = kept.get("rim_diameter")
    coupled = kept.get("coupling", NONE).split(", ")
    geometry = _part("geometry", **kept) if "stroke" in kept else _part("no geometry")
    engine = _part(
        "engine", **(kept | {"name": _quoted(kept["name"])}),
        order=", ".join(kept.get("firing_order", "1").split()),
        rim=f"rim_diameter_mm = {rim}" if rim else _part("rim").rstrip("\n"),
        geometry=geometry.rstrip("\n"),
    )  # fmt: skip
    parts = [_part("head"), engine, _part("encoder", counts=kept["counts_per_turn"])]
    for number, name in enumerate(names, 1):
        own = {key: each_unit(kept, key, name) for key in ("advance", "unit_rotation", "ignition")}
        unit = _part(
            "unit", **own, name=_quoted(name), input=number, drive=kept["drive"],
            lobes=int(int(kept["cylinders"]) / turns), rotation=own["unit_rotation"],
            coupling="impulse" if name in coupled else "none",
        )  # fmt: skip
        parts.append(unit + (_part("weights") if own["advance"] == AUTOMATIC else ""))
        parts.append(_setting_text(kept, main_setting(own["advance"]), "figure", "tolerance"))
        if own["advance"] == LEVER:
            parts.append(_setting_text(kept, "full retard", "retard", "retard_tolerance"))
    if len(names) > 1:
        parts.append(_part("together", first=_quoted(names[0]), second=_quoted(names[1])))
    parts.append(adjustments_text(kept, names) or _part("no adjustments"))
    parts.append(_part("tail", person=_quoted(kept["person"])))
    return "\n".join(parts)


def adjustments_text(kept: Mapping[str, str], units: Sequence[str]) -> str:
    """The tables of what can be moved, for each of ``units``; empty where nothing was named."""
    chosen = kept.get("adjustments", NONE).split(", ")
    teeth = {kind: kept.get(f"{kind}_teeth", " ").split(" ") for kind in ("coupling", "gear")}
    return "\n".join(
        _part(
            kind, **kept, unit=_quoted(name), drive_teeth=teeth["coupling"][0],
            unit_teeth=teeth["coupling"][1], driver_teeth=teeth["gear"][0],
            driven_teeth=teeth["gear"][1],
        )
        for name in units
        for kind in ADJUSTMENTS
        if kind in chosen
    )  # fmt: skip


def _setting_text(kept: Mapping[str, str], name: str, figure: str, tolerance: str) -> str:
    """A setting with its figure, in the form in which it was answered."""
    if not kept[figure]:
        return _part("no figure", name=_quoted(name))
    of, within = Figure.of_answer(kept[figure]), Figure.of_answer(kept[tolerance])
    return _part(
        "figure", name=_quoted(name), figure=f"nominal_{of.key} = {of.in_file}",
        tolerance=f"tolerance_{within.unit or 'deg'} = {within.in_file}",
        source=_quoted(kept["source"]),
    )  # fmt: skip


@cache
def _parts() -> dict[str, Template]:
    """The parts of a new engine file by their names, each after a line ``%% name``."""
    text = (resources.files("rig.job") / "new_engine.toml").read_text(encoding="utf-8")
    found = (each.partition("\n") for each in text.split("%% ")[1:])
    return {name: Template(body) for name, _, body in found}


def _part(which: str, /, **values: object) -> str:
    return _parts()[which].substitute(values)


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def write_job(folder: str | Path, answers: Mapping[str, str]) -> Path:
    """Make a job's folder from answers; returns the path of its ``engine.toml``.

    Raises InputError for an answer that is not allowed, a folder that is a job already, or one that
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

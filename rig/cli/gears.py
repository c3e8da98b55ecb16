"""Gear trains and toothed couplings: what a tooth does, which positions there are, when marks meet.

Of a job (its [adjustment]), or of teeth given here: one number a gear from the crank's on, and A/B
for an idler that is driven by A teeth and drives by B:

    rig gears 24 37 48
    rig gears 21 42/30 20 --shift-deg 5
    rig gears --planetary 30 60 --held sun
    rig gears --coupling 19 20 --turns 1/2 --shift-deg 5
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

from rig.base.errors import InputError
from rig.base.rounding import many
from rig.cli.output import figures, json_option, open_job
from rig.engine import gear_train
from rig.engine.gear_train import shaft_speed
from rig.engine.profile import MEMBERS, Coupling, Member, Mesh, Planetary, Train

SHOWN = 8


"""So many of the nearest positions are shown; --json has them all."""


MOST_TEETH = 1000


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``rig gears``."""
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("what", nargs="*", metavar="JOB|TEETH", help="a job folder, or the teeth")
    parser.add_argument("--coupling", type=int, nargs=2, metavar=("DRIVE", "UNIT"),
                        help="teeth of a coupling, on the drive's side and the unit's")  # fmt: skip
    parser.add_argument("--planetary", type=int, nargs=2, metavar=("SUN", "RING"),
                        help="teeth of a planetary stage, behind the train if any")  # fmt: skip
    parser.add_argument("--held", choices=MEMBERS, default="ring", help="its member that is held")
    parser.add_argument("--driver-turns", choices=MEMBERS,
                        help="its member that is driven (sun; with that held, ring)")  # fmt: skip
    parser.add_argument("--planet", type=int, help="teeth of a planet")
    parser.add_argument("--turns", default="1", help="of the coupling's shaft per crank turn: 1/2")
    parser.add_argument(
        "--shift-deg", type=float, help="shift to look for, crank degrees, + earlier"
    )
    parser.add_argument(
        "--crank-per-min", type=float, help="crank turns a minute, for tooth repeat"
    )
    json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Print the figures."""
    if args.shift_deg is not None and not math.isfinite(args.shift_deg):
        raise InputError(f"--shift-deg {args.shift_deg}: a number of degrees is needed")
    train: Train | None = None
    shafts: list[str] = []
    pairs: list[tuple[Coupling, Fraction]] = []
    if len(args.what) == 1 and not args.what[0].partition("/")[0].isdigit():
        job = open_job(Path(args.what[0]), "gears")
        units = job.profile.units
        means = job.means
        train = means.train
        found = [gear_train.shaft_of(unit, train) for unit in units]
        found += gear_train.ends_of(train) if train else []
        shafts = list(dict.fromkeys(shaft for shaft in found if shaft is not None))
        pairs = [(each, shaft_speed(train, each.shaft, units)) for each in means.couplings]
        if train is None and not pairs:
            raise InputError(f"{job.engine_file}: states no [[adjustment.mesh]] and no coupling")
    elif args.what:
        train, shafts = _train(args.what), ["unit"]
    if args.planetary is not None:
        if train is not None and not shafts == ["unit"]:
            raise InputError("--planetary goes with teeth; a job has its own under [adjustment]")
        train, shafts = _planetary(train, args), ["carried"]
    if args.coupling is not None:
        pairs.append((Coupling("coupling", *args.coupling), _ratio(args.turns)))
    if train is None and not pairs:
        raise InputError("give a job folder, the teeth of a train, or --coupling")
    answer: dict[str, Any] = {
        "trains": [_shaft(train, shaft, args) for shaft in shafts] if train else [],
        "couplings": [_coupling(each, turns, args.shift_deg) for each, turns in pairs],
    }
    figures(args, answer, _lines(answer))
    return 0


def _train(words: Sequence[str]) -> Train:
    """Gears in a row; A/B is a compound idler."""
    gears_of: list[tuple[int, int]] = []
    for word in words:
        parts = word.split("/")
        if len(parts) > 2 or not all(part.isascii() and part.isdigit() for part in parts):
            raise InputError(f"{word!r} is no gear: a number of teeth, or A/B for a compound idler")
        teeth = [int(part) for part in parts]
        if not all(1 <= n <= MOST_TEETH for n in teeth):
            raise InputError(f"{word!r}: a gear has from 1 to {MOST_TEETH} teeth")
        gears_of.append((teeth[0], teeth[-1]))
    if len(gears_of) < 2:
        raise InputError("a train needs two gears or more: the crank's first, the unit's last")
    if gears_of[0][0] != gears_of[0][1] or gears_of[-1][0] != gears_of[-1][1]:
        raise InputError(
            "the first gear and the last have one number of teeth: only idlers have A/B"
        )
    names = [gear_train.CRANK, *(f"idler {i}" for i in range(1, len(gears_of) - 1)), "unit"]
    meshes = tuple(
        Mesh(names[i], gears_of[i][1], names[i + 1], gears_of[i + 1][0])
        for i in range(len(gears_of) - 1)
    )
    return Train(meshes)


def _planetary(train: Train | None, args: argparse.Namespace) -> Train:
    """The train with a planetary stage behind it, whose third member turns the shaft "carried"."""
    turned: Member = args.driver_turns or ("ring" if args.held == "sun" else "sun")
    stage = Planetary(
        driver="unit" if train else gear_train.CRANK,
        driver_turns=turned,
        driven="carried",
        held=args.held,
        sun_teeth=args.planetary[0],
        ring_teeth=args.planetary[1],
        planet_teeth=args.planet,
        free=True,
    )
    return Train((*(train.meshes if train else ()), stage))


def _ratio(text: str) -> Fraction:
    try:
        return Fraction(text)
    except (ValueError, ZeroDivisionError):
        raise InputError(f"--turns {text}: a ratio like 1/2 or 1.5 is needed") from None


def _shaft(train: Train, shaft: str, args: argparse.Namespace) -> dict[str, Any]:
    turns = gear_train.speed(train, shaft)
    meet = gear_train.marks_meet(train, shaft)
    meshes = []
    for mesh in gear_train.path(train, shaft):
        per_min = args.crank_per_min
        if isinstance(mesh, Planetary):
            meshes.append(_stage(train, mesh, shaft))
            continue
        driver = None if per_min is None else per_min * float(gear_train.speed(train, mesh.driver))
        again = gear_train.hunting_tooth(mesh.driver_teeth, mesh.driven_teeth, driver)
        meshes.append(
            {
                "driver": mesh.driver,
                "driver_teeth": mesh.driver_teeth,
                "driven": mesh.driven,
                "driven_teeth": mesh.driven_teeth,
                "free": mesh.free,
                "tooth_crank_deg": float(gear_train.tooth_crank_deg(train, mesh)),
                "tooth_shaft_deg": float(gear_train.tooth_shaft_deg(train, mesh, shaft)),
                "same_teeth_meet_after_turns_of_driver": again.turns,
                "groups_of_teeth": again.groups,
                "pairs_of_teeth": again.pairs,
                "tooth_repeat_hz": again.frequency_hz,
            }
        )
    notes = gear_train.idler_notes(train, shaft)
    positions: list[tuple[float, gear_train.TrainPosition]] = []
    try:
        positions = gear_train.listed_by_error(train, shaft, args.shift_deg or 0.0)
    except InputError as why:  # too many to list; all else is said
        notes.append(str(why))
    step = 360 / turns / len(positions) if len(positions) > 1 else None
    return {
        "shaft": shaft,
        "turns_per_crank_turn": str(turns),
        "meshes": meshes,
        "marks_meet_after_crank_turns": meet.crank_turns,
        "marks_meet_after_shaft_turns": float(meet.shaft_turns),
        "marks_meet_after_teeth": meet.teeth,
        "positions": len(positions) or None,
        "position_step_crank_deg": None if step is None else float(step),
        "wanted_deg": args.shift_deg,
        "nearest": [
            {"shift_deg": float(p.shift_deg[0]), "error_deg": error, "slips": list(p.slips)}
            for error, p in positions
        ],
        "notes": notes,
    }


def _stage(train: Train, stage: Planetary, shaft: str) -> dict[str, Any]:
    meets = gear_train.planet_meets(stage)
    return {
        "driver": stage.driver,
        "driver_turns": stage.driver_turns,
        "driven": stage.driven,
        "driven_by": stage.driven_by,
        "held": stage.held,
        "sun_teeth": stage.sun_teeth,
        "ring_teeth": stage.ring_teeth,
        "planet_teeth": gear_train.planet_teeth(stage),
        "free": stage.free,
        "member_turns": {name: str(n) for name, n in gear_train.member_turns(stage).items()},
        "tooth_crank_deg": float(gear_train.tooth_crank_deg(train, stage)),
        "tooth_shaft_deg": float(gear_train.tooth_shaft_deg(train, stage, shaft)),
        "same_teeth_meet_after_turns_of_driver": None
        if meets is None
        else {name: float(n) for name, n in meets.items()},
    }


def _stage_lines(stage: dict[str, Any], shaft: str) -> list[str]:
    free = "" if stage["free"] else "; it stays as it is"
    lines = [
        f"  {stage['driver']} drives the {stage['driver_turns']} of a planetary stage (sun"
        f" {stage['sun_teeth']}, ring {stage['ring_teeth']}), its {stage['held']} is held, its"
        f" {stage['driven_by']} drives {stage['driven']}: a place at which it goes together is"
        f" {stage['tooth_crank_deg']:.6f} crank degrees, {stage['tooth_shaft_deg']:.6f} of"
        f" {shaft}{free}"
    ]
    meets = stage["same_teeth_meet_after_turns_of_driver"]
    if meets is not None:
        lines.append(
            f"    the same tooth of a planet ({stage['planet_teeth']}) meets the same of the sun"
            f" again after {many(format(meets['sun'], 'g'), 'turn')} of"
            f" {stage['driver']}, of the ring after {meets['ring']:g}"
        )
    return lines


def _coupling(coupling: Coupling, turns: Fraction, wanted_deg: float | None) -> dict[str, Any]:
    n, m = coupling.drive_teeth, coupling.unit_teeth
    answer: dict[str, Any] = {
        "shaft": coupling.shaft,
        "drive_teeth": n,
        "unit_teeth": m,
        "turns_per_crank_turn": str(turns),
        "positions": gear_train.positions(n, m),
        "step_shaft_deg": float(gear_train.step_shaft_deg(n, m)),
        "step_crank_deg": float(gear_train.step_crank_deg(n, m, turns)),
        "wanted_deg": wanted_deg,
        "nearest": None,
    }
    if wanted_deg is not None:
        move = gear_train.nearest(wanted_deg, n, m, turns)
        answer["nearest"] = {
            "steps": move.steps,
            "drive_teeth": move.drive_teeth,
            "unit_teeth": move.unit_teeth,
            "shaft_deg": float(move.shaft_deg),
            "crank_deg": float(move.crank_deg),
            "error_deg": move.error_deg,
        }
    return answer


def _lines(answer: dict[str, Any]) -> list[str]:
    lines: list[str] = []
    for each in answer["trains"]:
        lines += _train_lines(each)
    for each in answer["couplings"]:
        lines += _coupling_lines(each)
    lines.append("a drive put together otherwise: check the distributor finger and make new marks")
    return lines


def _train_lines(each: dict[str, Any]) -> list[str]:
    lines = [f"{each['shaft']}: {many(each['turns_per_crank_turn'], 'turn')} a crank turn"]
    for mesh in each["meshes"]:
        if "held" in mesh:
            lines += _stage_lines(mesh, each["shaft"])
            continue
        free = "" if mesh["free"] else "; has to obey its marks"
        lines.append(
            f"  {mesh['driver']} ({mesh['driver_teeth']}) drives {mesh['driven']}"
            f" ({mesh['driven_teeth']}): a tooth is {mesh['tooth_crank_deg']:.6f} crank degrees,"
            f" {mesh['tooth_shaft_deg']:.6f} of {each['shaft']}{free}"
        )
        hz = mesh["tooth_repeat_hz"]
        often = "" if math.isnan(hz) else f", {hz:.6f} times a second"
        after = mesh["same_teeth_meet_after_turns_of_driver"]
        lines.append(
            f"    the same two teeth meet again after {many(after, 'turn')} of "
            f"{mesh['driver']}{often}"
        )
    lines.append(
        f"  all marks meet again after {many(each['marks_meet_after_crank_turns'], 'crank turn')}"
        f" ({many(each['marks_meet_after_teeth'], 'tooth', 'teeth')}, "
        f"{many(format(each['marks_meet_after_shaft_turns'], 'g'), 'turn')} of {each['shaft']})"
    )
    step = each["position_step_crank_deg"]
    steps = "" if step is None else f", {step:.6f} crank degrees apart"
    if each["positions"]:
        lines.append(f"  {many(each['positions'], 'position')} when no mark need be obeyed{steps}")
    lines += [f"  {text}" for text in each["notes"]]
    if each["wanted_deg"] is not None and each["nearest"]:
        lines.append(f"  nearest to {each['wanted_deg']:+.3f} crank degrees (+ earlier):")
        for near in each["nearest"][:SHOWN]:
            slips = ", ".join(
                f"{n:+d} at {mesh['driver']}-{mesh['driven']}"
                for mesh, n in zip(each["meshes"], near["slips"], strict=False)
                if n
            )
            lines.append(
                f"    {near['shift_deg']:+10.6f}  off by {near['error_deg']:+.6f}  teeth: "
                f"{slips or 'as it is'}"
            )
    return lines


def _coupling_lines(each: dict[str, Any]) -> list[str]:
    lines = [
        f"coupling of {each['drive_teeth']} and "
        f"{many(each['unit_teeth'], 'tooth', 'teeth')}, shaft at"
        f" {each['turns_per_crank_turn']} of crank speed: {many(each['positions'], 'position')},"
        f" {each['step_shaft_deg']:.6f} degrees of its shaft apart, {each['step_crank_deg']:.6f} of"
        " crank"
    ]
    if each["nearest"] is not None:
        near = each["nearest"]
        lines.append(
            f"  nearest to {each['wanted_deg']:+.3f}: {near['crank_deg']:+.6f} crank degrees"
            f" (off by {near['error_deg']:+.6f}): middle piece {_way(near['drive_teeth'])} in the"
            f" drive's teeth, unit's half {_way(-near['unit_teeth'])} in those of the middle piece"
        )
    return lines


def _way(teeth: int) -> str:
    if not teeth:
        return "where it was"
    count = f"{abs(teeth)} {'tooth' if abs(teeth) == 1 else 'teeth'}"
    return f"{count} {'on, in the rotation' if teeth > 0 else 'back, against the rotation'}"

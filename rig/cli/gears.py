"""Gear trains and toothed couplings: teeth as degrees, positions, marks."""

from __future__ import annotations

import argparse
import math
from collections.abc import Iterator, Sequence
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

from rig.base.errors import InputError
from rig.base.rounding import many
from rig.cli.output import Answer, Command, fields_of, open_job
from rig.engine import gear_train
from rig.engine.gear_train import TrainPosition, shaft_speed
from rig.engine.profile import MEMBERS, Coupling, Mesh, Planetary, Train
from rig.words.figures import coupling_move

SHOWN = 8  # of the nearest positions; --json has them all
MOST_TEETH = 1000


def run(args: argparse.Namespace) -> Answer:
    """Gear trains and toothed couplings: what a tooth does, which positions there
    are, when marks meet. Of a job (its [adjustment]) or of teeth given here: one number
    a gear from the crank's on, and A/B for an idler that A teeth drive and whose B
    teeth drive the next gear:

        rig gears 24 37 48
        rig gears 21 42/30 20 --shift-deg 5
        rig gears --planetary 30 60 --held sun
        rig gears --coupling 19 20 --turns 1/2 --shift-deg 5
    """
    train, shafts, couplings = _asked(args)
    figures: dict[str, Any] = {
        "trains": [_shaft(train, shaft, args) for shaft in shafts] if train else [],
        "couplings": [_coupling(each, turns, args.shift_deg) for each, turns in couplings],
    }
    lines = [line for each in figures["trains"] for line in _train_lines(each)]
    lines += [line for each in figures["couplings"] for line in _coupling_lines(each)]
    lines.append("After any change of the drive: check the distributor finger and make new marks.")
    return Answer(figures, lines)


def _asked(
    args: argparse.Namespace,
) -> tuple[Train | None, list[str], list[tuple[Coupling, Fraction]]]:
    """The train, those of its shafts that are asked for, and couplings with their speeds."""
    train, shafts = None, ["unit"]
    couplings: list[tuple[Coupling, Fraction]] = []
    of_job = len(args.what) == 1 and not args.what[0].partition("/")[0].isdigit()
    if of_job:
        job = open_job(args, Path(args.what[0]))
        units, train = job.profile.units, job.adjustments.train
        found = [gear_train.shaft_of(unit, train) for unit in units]
        found += gear_train.ends_of(train) if train else []
        shafts = list(dict.fromkeys(filter(None, found)))
        couplings = [
            (each, shaft_speed(train, each.shaft, units)) for each in job.adjustments.couplings
        ]
        if train is None and not couplings:
            raise InputError(f"{job.engine_file}: has no [[adjustment.mesh]] and no coupling")
    elif args.what:
        train = _train(args.what)
    if args.planetary is not None:
        if of_job and train is not None:
            raise InputError("--planetary goes with teeth; a job has its own under [adjustment]")
        # Behind the train, if any; its third member turns the shaft "carried".
        stage = Planetary(
            driver="unit" if train else gear_train.CRANK,
            driver_turns=args.driver_turns or ("ring" if args.held == "sun" else "sun"),
            driven="carried", held=args.held, sun_teeth=args.planetary[0],
            ring_teeth=args.planetary[1], planet_teeth=args.planet, free=True,
        )  # fmt: skip
        train, shafts = Train((*(train.meshes if train else ()), stage)), ["carried"]
    if args.coupling is not None:
        couplings.append((Coupling("coupling", *args.coupling), args.turns))
    if train is None and not couplings:
        raise InputError("give a job folder, the teeth of a train, or --coupling")
    return train, shafts, couplings


def _train(words: Sequence[str]) -> Train:
    """Gears in a row; A/B is a compound idler."""
    gears: list[tuple[int, int]] = []
    for word in words:
        parts = word.split("/")
        if len(parts) > 2 or not all(part.isascii() and part.isdigit() for part in parts):
            raise InputError(
                f"{word!r} is not a gear: enter its teeth, or A/B for a compound idler"
            )
        if not all(1 <= int(part) <= MOST_TEETH for part in parts):
            raise InputError(f"{word!r}: a gear has from 1 to {MOST_TEETH} teeth")
        gears.append((int(parts[0]), int(parts[-1])))
    if len(gears) < 2:
        raise InputError("a train needs two gears or more: the crank's first, the unit's last")
    if any(driven != driving for driven, driving in (gears[0], gears[-1])):
        raise InputError(
            "the first gear and the last have one number of teeth: only idlers have A/B"
        )
    names = [gear_train.CRANK, *(f"idler {i}" for i in range(1, len(gears) - 1)), "unit"]
    return Train(tuple(
        Mesh(driver, ours[1], driven, next_[0])
        for (driver, ours), (driven, next_) in pairwise(zip(names, gears, strict=True))
    ))  # fmt: skip


def _shaft(train: Train, shaft: str, args: argparse.Namespace) -> dict[str, Any]:
    turns, meet = gear_train.speed(train, shaft), gear_train.marks_meet(train, shaft)
    notes = gear_train.idler_notes(train, shaft)
    positions: list[tuple[float, TrainPosition]] = []
    try:
        positions = gear_train.listed_by_error(train, shaft, args.shift_deg or 0.0)
    except InputError as why:  # too many to list; all else is known
        notes.append(str(why))
    several = len(positions) > 1
    return {
        "shaft": shaft,
        "turns_per_crank_turn": str(turns),
        "meshes": [
            (_stage(m) if isinstance(m, Planetary) else _mesh(train, m, args.crank_per_min))
            | {"tooth_crank_deg": float(gear_train.tooth_crank_deg(train, m)),
               "tooth_shaft_deg": float(gear_train.tooth_shaft_deg(train, m, shaft))}
            for m in gear_train.path(train, shaft)
        ],
        "marks_meet_after_crank_turns": meet.crank_turns,
        "marks_meet_after_shaft_turns": float(meet.shaft_turns),
        "marks_meet_after_teeth": meet.teeth,
        "positions": len(positions) or None,
        "position_step_crank_deg": float(360 / turns / len(positions)) if several else None,
        "wanted_deg": args.shift_deg,
        "nearest": [
            {"shift_deg": float(p.shift_deg[0]), "error_deg": error, "slips": list(p.slips)}
            for error, p in positions
        ],
        "notes": notes,
    }  # fmt: skip


def _mesh(train: Train, mesh: Mesh, crank_per_min: float | None) -> dict[str, Any]:
    driver = crank_per_min and crank_per_min * float(gear_train.speed(train, mesh.driver))
    again = gear_train.hunting_tooth(mesh.driver_teeth, mesh.driven_teeth, driver)
    return fields_of(mesh, "driver", "driver_teeth", "driven", "driven_teeth", "free") | {
        "same_teeth_meet_after_turns_of_driver": again.turns,
        "groups_of_teeth": again.groups,
        "pairs_of_teeth": again.pairs,
        "tooth_repeat_hz": again.frequency_hz,
    }


def _stage(stage: Planetary) -> dict[str, Any]:
    meets = gear_train.planet_meets(stage)
    names = ("driver", "driver_turns", "driven", "driven_by", "held", "sun_teeth", "ring_teeth")
    return fields_of(stage, *names, "free") | {
        "planet_teeth": gear_train.planet_teeth(stage),
        "member_turns": {name: str(n) for name, n in gear_train.member_turns(stage).items()},
        "same_teeth_meet_after_turns_of_driver": (
            {name: float(n) for name, n in meets.items()} if meets else None
        ),
    }


def _coupling(coupling: Coupling, turns: Fraction, wanted_deg: float | None) -> dict[str, Any]:
    of = gear_train.Vernier(coupling.drive_teeth, coupling.unit_teeth, turns)
    near = None
    if wanted_deg is not None:
        move = of.nearest(wanted_deg)
        exact = {"shaft_deg": float(move.shaft_deg), "crank_deg": float(move.crank_deg)}
        near = fields_of(move) | exact | {"words": coupling_move(coupling, move)}
    return {
        "shaft": coupling.shaft,
        "drive_teeth": of.n,
        "unit_teeth": of.m,
        "turns_per_crank_turn": str(turns),
        "positions": of.positions,
        "step_shaft_deg": float(of.step_shaft_deg),
        "step_crank_deg": float(of.step_crank_deg),
        "wanted_deg": wanted_deg,
        "nearest": near,
    }


def _train_lines(each: dict[str, Any]) -> Iterator[str]:
    shaft = each["shaft"]
    yield f"{shaft}: {many(each['turns_per_crank_turn'], 'turn')} a crank turn"
    for mesh in each["meshes"]:
        yield from (_stage_lines if "held" in mesh else _mesh_lines)(mesh, shaft)
    yield (
        f"  all marks meet again after {many(each['marks_meet_after_crank_turns'], 'crank turn')}"
        f" ({many(each['marks_meet_after_teeth'], 'tooth', 'teeth')},"
        f" {many(format(each['marks_meet_after_shaft_turns'], 'g'), 'turn')} of {shaft})"
    )
    step = each["position_step_crank_deg"]
    apart = "" if step is None else f", {step:.6f} crank degrees apart"
    if each["positions"]:
        yield f"  {many(each['positions'], 'position')} if no mark has to be obeyed{apart}"
    yield from (f"  {text}" for text in each["notes"])
    if each["wanted_deg"] is None or not each["nearest"]:
        return
    yield f"  nearest to {each['wanted_deg']:+.3f} crank degrees (+ earlier):"
    for near in each["nearest"][:SHOWN]:
        slips = ", ".join(
            f"{n:+d} at {mesh['driver']}-{mesh['driven']}"
            for mesh, n in zip(each["meshes"], near["slips"], strict=False)
            if n
        )
        yield (
            f"    {near['shift_deg']:+10.6f}  off by {near['error_deg']:+.6f}  teeth:"
            f" {slips or 'as it is'}"
        )


def _mesh_lines(mesh: dict[str, Any], shaft: str) -> Iterator[str]:
    free = "" if mesh["free"] else "; has to obey its marks"
    yield (
        f"  {mesh['driver']} ({mesh['driver_teeth']}) drives {mesh['driven']}"
        f" ({mesh['driven_teeth']}): a tooth is {mesh['tooth_crank_deg']:.6f} crank degrees,"
        f" {mesh['tooth_shaft_deg']:.6f} of {shaft}{free}"
    )
    hz = mesh["tooth_repeat_hz"]
    often = "" if math.isnan(hz) else f", {hz:.6f} times a second"
    after = many(mesh["same_teeth_meet_after_turns_of_driver"], "turn")
    yield f"    the same two teeth meet again after {after} of {mesh['driver']}{often}"


def _stage_lines(stage: dict[str, Any], shaft: str) -> Iterator[str]:
    free = "" if stage["free"] else "; it stays as it is"
    yield (
        f"  {stage['driver']} drives the {stage['driver_turns']} of a planetary stage (sun"
        f" {stage['sun_teeth']}, ring {stage['ring_teeth']}), its {stage['held']} is held, its"
        f" {stage['driven_by']} drives {stage['driven']}: from one position to the next is"
        f" {stage['tooth_crank_deg']:.6f} crank degrees, {stage['tooth_shaft_deg']:.6f} of"
        f" {shaft}{free}"
    )
    if (meets := stage["same_teeth_meet_after_turns_of_driver"]) is not None:
        yield (
            f"    the same tooth of a planet ({stage['planet_teeth']}) meets the same of the sun"
            f" again after {many(format(meets['sun'], 'g'), 'turn')} of {stage['driver']}, of the"
            f" ring after {meets['ring']:g}"
        )


def _coupling_lines(each: dict[str, Any]) -> Iterator[str]:
    yield (
        f"coupling of {each['drive_teeth']} and {many(each['unit_teeth'], 'tooth', 'teeth')},"
        f" shaft at {each['turns_per_crank_turn']} of crank speed:"
        f" {many(each['positions'], 'position')}, {each['step_shaft_deg']:.6f} degrees of its"
        f" shaft apart, {each['step_crank_deg']:.6f} of crank"
    )
    if (near := each["nearest"]) is not None:
        yield (
            f"  nearest to {each['wanted_deg']:+.3f}: {near['crank_deg']:+.6f} crank degrees (off"
            f" by {near['error_deg']:+.6f}): {near['words']}"
        )


MEMBER = f"{{{','.join(MEMBERS)}}}"
OPTIONS = f"""
[what...] TEETH          a job folder, or the teeth of each gear
--coupling N N           teeth of a coupling: on the drive's side, on the unit's
--planetary N N          teeth of a planetary stage behind the train: sun, ring
--held {MEMBER}=ring     member of the planetary stage that is held
--driver-turns {MEMBER}  its member that is driven; default: sun, or ring
--planet N               teeth of a planet
--turns RATIO=1          turns of the coupling's shaft per crank turn, such as 1/2
--shift-deg DEG          shift to look for in crank degrees, + earlier
--crank-per-min PER_MIN  crank turns a minute, for how often teeth meet
"""
COMMANDS = {"gears": Command(run, OPTIONS)}

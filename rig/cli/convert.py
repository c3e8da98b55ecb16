"""One crank angle in every measure."""

from __future__ import annotations

import argparse
import math
from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any

from rig.base.angles import wrap
from rig.base.errors import InputError
from rig.cli.output import Answer, Command, fields_of, open_job
from rig.engine import geometry as crank
from rig.engine.profile import Geometry, Profile
from rig.words.figures import angle

MEASURES = ("btdc_deg", "travel", "tape", "rule")
LENGTHS = ("travel", "tape", "rule", "stroke", "throw", "rod", "offset", "rim")


def run(args: argparse.Namespace) -> Answer:
    """One crank angle in every measure: piston drop, length round the rim, degrees of
    other shafts. For a job's engine or sizes given here; from degrees or a length:

        rig convert JOB --btdc-deg 36
        rig convert JOB --travel 0.344 --length-unit inch
        rig convert --stroke 88 --rod 176 --offset 6 --travel 10
        rig convert --rim 412 --tape 129.4 --turns 9/16

    The piston drop is exact for the cylinder whose sizes these are; a cylinder on a
    link rod does not follow it. A positive offset is on the side to which the crank
    pin moves as it leaves TDC.
    """
    profile = open_job(args).profile if args.job else None
    engine = profile.engine if profile is not None else None
    unit_mm = crank.MM_PER_INCH if args.length_unit == "inch" else 1.0
    given = {name: getattr(args, name) for name in LENGTHS}
    mm = {name: None if value is None else value * unit_mm for name, value in given.items()}
    # Sizes given on the line come first, then those of the engine file.
    piston, rim_mm = _piston(mm), mm["rim"]
    if engine is not None:
        piston, rim_mm = piston or engine.geometry, rim_mm or engine.rim_diameter_mm
    btdc_deg = _asked(args, mm, piston, rim_mm)
    figures = {
        "btdc_deg": btdc_deg,
        "piston": None if piston is None else _of_piston(btdc_deg, piston),
        "rim": None if rim_mm is None else {
            "diameter_mm": rim_mm,
            "tape_mm": crank.rim_tape_mm(abs(btdc_deg), rim_mm),
            "rule_mm": crank.rim_rule_mm(abs(btdc_deg), rim_mm),
        },
        "shafts": _of_shafts(btdc_deg, args.turns, profile),
    }  # fmt: skip
    return Answer(figures, _lines(figures))


def _piston(mm: Mapping[str, float | None]) -> Geometry | None:
    """The sizes given on the line, in mm; None without any."""
    stroke_mm, throw_mm, rod_mm, offset_mm = (
        mm[name] for name in ("stroke", "throw", "rod", "offset")
    )
    if stroke_mm is throw_mm is rod_mm is offset_mm is None:
        return None
    if rod_mm is None or (stroke_mm is None) == (throw_mm is None):
        raise InputError("piston travel needs --rod and one of --stroke and --throw")
    if stroke_mm is not None:
        throw_mm = crank.throw_from_stroke_mm(stroke_mm, rod_mm, offset_mm or 0.0)
    assert throw_mm is not None
    return Geometry(throw_mm, rod_mm, offset_mm)


def _asked(
    args: argparse.Namespace,
    mm: Mapping[str, float | None],
    piston: Geometry | None,
    rim_mm: float | None,
) -> float:
    """The angle asked for, degrees before TDC."""
    asked = [name for name in MEASURES if getattr(args, name) is not None]
    if len(asked) != 1:
        raise InputError("give one of --btdc-deg, --travel, --tape and --rule")
    (name,) = asked
    length_mm = mm.get(name)
    if length_mm is None:
        if args.after:
            raise InputError("--after goes with a length; after TDC --btdc-deg is negative")
        if not -180.0 <= args.btdc_deg <= 180.0:
            raise InputError(f"--btdc-deg {args.btdc_deg:g}: -180 to 180 degrees")
        return float(args.btdc_deg)
    if length_mm < 0.0:
        raise InputError(
            f"--{name} {getattr(args, name):g}: enter 0 or more; --after for after TDC"
        )
    if name == "travel":
        if piston is None:
            raise InputError("--travel: the stroke and the rod are not known; enter them in"
                             " [engine.geometry], or give --stroke and --rod")  # fmt: skip
        return wrap(crank.btdc_from_travel_deg(length_mm, piston, after=args.after))
    if rim_mm is None:
        raise InputError(f"--{name}: the rim's diameter is not known; enter rim_diameter_mm in"
                         " [engine], or give --rim")  # fmt: skip
    back = crank.deg_from_rim_tape if name == "tape" else crank.deg_from_rim_rule
    return back(length_mm, rim_mm) * (-1.0 if args.after else 1.0)


def _of_piston(btdc_deg: float, piston: Geometry) -> dict[str, Any]:
    travel_mm = float(crank.travel_mm(btdc_deg, piston))
    return {
        "travel_mm": travel_mm,
        "same_travel_other_side_btdc_deg": crank.same_travel_other_side_deg(btdc_deg, piston),
        "deg_per_mm": crank.deg_per_mm(btdc_deg, piston),
        "stop_middle_late_deg": crank.stop_bias_deg(travel_mm, piston),
        "tdc_after_bore_deg": crank.theta_tdc_deg(piston),
        "bdc_after_bore_deg": crank.theta_bdc_deg(piston),
        "bdc_btdc_deg": wrap(crank.theta_tdc_deg(piston) - crank.theta_bdc_deg(piston)),
        "stroke_mm": crank.stroke_mm(piston),
    } | fields_of(piston, "throw_mm", "rod_mm", "offset_mm")


def _of_shafts(
    btdc_deg: float, turns: Sequence[Fraction], profile: Profile | None
) -> list[dict[str, Any]]:
    """Degrees that each shaft turns while the crank turns from here to TDC."""
    shafts: dict[str, Fraction] = {}
    if profile is not None:
        shafts |= {unit.name: unit.turns_per_crank_turn for unit in profile.units}
        if profile.encoder.turns_per_crank_turn != 1:
            shafts["encoder"] = profile.encoder.turns_per_crank_turn
    shafts |= {f"shaft {each}": each for each in turns}
    return [
        {"shaft": name, "turns_per_crank_turn": str(ratio), "deg": float(ratio) * btdc_deg}
        for name, ratio in shafts.items()
    ]


def _lines(figures: dict[str, Any]) -> list[str]:
    lines = [angle(figures["btdc_deg"], 4)]
    if (piston := figures["piston"]) is not None:
        rate = piston["deg_per_mm"]
        per_mm = "the piston is still" if math.isinf(rate) else f"{rate:.4f}° a mm there"
        lines += [
            f"  piston drop {_both(piston['travel_mm'])}; {per_mm}",
            f"  the same drop on the other side:"
            f" {angle(piston['same_travel_other_side_btdc_deg'], 4)}",
            f"  bottom dead centre: {angle(piston['bdc_btdc_deg'], 4)}",
        ]
        if late := piston["stop_middle_late_deg"]:
            side = "late" if late > 0.0 else "early"
            lines.append(
                f"  a piston stop touched there finds TDC {abs(late):.4f}° {side}, by the offset"
            )
        if piston["offset_mm"] is None:
            lines.append("  note: the cylinder offset is not given, so none is assumed")
    if (rim := figures["rim"]) is not None:
        diameter, tape, rule = (_both(rim[f"{of}_mm"]) for of in ("diameter", "tape", "rule"))
        lines.append(f"  rim of {diameter}: {tape} with a tape round it, {rule} with a rule across")
    return lines + [
        f"  {each['shaft']}, at {each['turns_per_crank_turn']} of crank speed: turns"
        f" {each['deg']:.4f}° from there to TDC"
        for each in figures["shafts"]
    ]


def _both(length_mm: float) -> str:
    return f"{length_mm:.4f} mm ({length_mm / crank.MM_PER_INCH:.4f} in)"


OPTIONS = """
[job] PATH                  the job folder
--btdc-deg DEG              degrees before TDC, negative after it
--travel LENGTH             piston drop: distance of the piston below TDC
--tape LENGTH               length round the rim, by a tape
--rule LENGTH               length across the rim, by a straight rule
--after                     the length is after TDC
--length-unit {mm,inch}=mm  unit of every length given here
--stroke LENGTH             stroke, as measured on the piston
--throw LENGTH              throw of the crank: half the stroke without an offset
--rod LENGTH                length of the rod, centre to centre
--offset LENGTH             offset of the cylinder, signed
--rim LENGTH                diameter of the rim
--turns RATIO...            turns of another shaft per crank turn, such as 9/16
"""
COMMANDS = {"convert": Command(run, OPTIONS)}

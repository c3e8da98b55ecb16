"""One crank angle in every measure: piston travel, length round the rim, degrees of other shafts.

Of a job's engine, or of one whose sizes are given here; from degrees, or back from a length:

    rig convert JOB --btdc-deg 36
    rig convert JOB --travel 0.344 --unit inch
    rig convert --stroke 88 --rod 176 --offset 6 --travel 10
    rig convert --rim 412 --tape 129.4 --turns 9/16

The piston travel is exact for the cylinder that the sizes are of; a cylinder on a link rod does not
follow it. A positive offset lies on the side to which the crank pin moves as it leaves the top.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

from rig.base.angles import wrap
from rig.base.errors import InputError
from rig.cli.output import figures, json_option, open_job
from rig.engine import geometry as crank
from rig.engine.profile import Geometry, Profile
from rig.words.figures import angle

MEASURES = ("btdc_deg", "travel", "tape", "rule")
NO_OFFSET = "the cylinder's offset is not given: taken as none"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``rig convert``."""
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    add = parser.add_argument
    add("job", nargs="?", type=Path, help="the job folder")
    add("--btdc-deg", type=float, help="degrees before TDC, negative after it")
    add("--travel", type=float, help="piston drop: distance of the piston below TDC")
    add("--tape", type=float, help="length round the rim, a tape laid on it")
    add("--rule", type=float, help="length across the rim, a straight rule")
    add("--after", action="store_true", help="the length is after TDC")
    add("--length-unit", choices=("mm", "inch"), default="mm", help="of every length given here")
    add("--stroke", type=float, help="as measured on the piston")
    add("--throw", type=float, help="of the crank: half the stroke where there is no offset")
    add("--rod", type=float, help="length of the rod, centre to centre")
    add("--offset", type=float, help="of the cylinder, signed")
    add("--rim", type=float, help="diameter of the rim")
    add("--turns", action="append", default=[], metavar="RATIO",
        help="of another shaft per crank turn: 9/16")  # fmt: skip
    json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Print the angle in every measure that the sizes allow."""
    for name in (*MEASURES, "stroke", "throw", "rod", "offset", "rim"):
        value = getattr(args, name)
        if value is not None and not math.isfinite(value):
            raise InputError(f"--{name.replace('_', '-')} {value}: a number is needed")
    profile = open_job(args.job, "angle").profile if args.job else None
    piston = _piston(args, profile)
    rim_mm = _mm(args, "rim") if args.rim is not None else None
    if rim_mm is None and profile is not None:
        rim_mm = profile.engine.rim_diameter_mm
    btdc_deg = _asked(args, piston, rim_mm)
    answer: dict[str, Any] = {
        "btdc_deg": btdc_deg,
        "piston": _of_piston(btdc_deg, piston),
        "rim": _of_rim(btdc_deg, rim_mm),
        "shafts": _of_shafts(btdc_deg, args.turns, profile),
    }
    figures(args, answer, _lines(answer))
    return 0


def _mm(args: argparse.Namespace, name: str) -> float:
    return float(getattr(args, name)) * (crank.MM_PER_INCH if args.length_unit == "inch" else 1.0)


def _piston(args: argparse.Namespace, profile: Profile | None) -> Geometry | None:
    """Sizes given on the line come first, then those of the engine file."""
    given = [args.stroke, args.throw, args.rod, args.offset]
    if all(each is None for each in given):
        return profile.engine.geometry if profile is not None else None
    if args.rod is None or (args.stroke is None) == (args.throw is None):
        raise InputError("piston travel needs --rod and one of --stroke and --throw")
    rod_mm = _mm(args, "rod")
    offset_mm = None if args.offset is None else _mm(args, "offset")
    if args.throw is not None:
        throw_mm = _mm(args, "throw")
    else:
        throw_mm = crank.throw_from_stroke_mm(_mm(args, "stroke"), rod_mm, offset_mm or 0.0)
    return Geometry(throw_mm, rod_mm, offset_mm)


def _asked(args: argparse.Namespace, piston: Geometry | None, rim_mm: float | None) -> float:
    """The angle that is meant, degrees before top dead centre."""
    asked = [name for name in MEASURES if getattr(args, name) is not None]
    if len(asked) != 1:
        raise InputError("give one of --btdc-deg, --travel, --tape and --rule")
    (name,) = asked
    if name == "btdc_deg":
        if args.after:
            raise InputError("--after goes with a length; after the top --btdc-deg is negative")
        if not -180.0 <= args.btdc_deg <= 180.0:
            raise InputError(f"--btdc-deg {args.btdc_deg:g}: -180 to 180 degrees")
        return float(args.btdc_deg)
    length_mm = _mm(args, name)
    if length_mm < 0.0:
        raise InputError(f"--{name} {getattr(args, name):g}: at least 0; --after for after the top")
    if name == "travel":
        if piston is None:
            raise InputError("--travel: the stroke and the rod are not known; state them in"
                             " [engine.geometry], or give --stroke and --rod")  # fmt: skip
        return wrap(crank.btdc_from_travel_deg(length_mm, piston, after=args.after))
    if rim_mm is None:
        raise InputError(f"--{name}: the rim's diameter is not known; state rim_diameter_mm in"
                         " [engine], or give --rim")  # fmt: skip
    back: Callable[[float, float], float] = (
        crank.deg_from_rim_tape if name == "tape" else crank.deg_from_rim_rule
    )
    return back(length_mm, rim_mm) * (-1.0 if args.after else 1.0)


def _of_piston(btdc_deg: float, piston: Geometry | None) -> dict[str, Any] | None:
    if piston is None:
        return None
    travel_mm = float(crank.travel_mm(btdc_deg, piston))
    return {
        "travel_mm": travel_mm,
        "same_travel_other_side_btdc_deg": crank.same_travel_other_side_deg(btdc_deg, piston),
        "deg_per_mm": crank.deg_per_mm(btdc_deg, piston),
        "stop_middle_late_deg": crank.stop_bias_deg(travel_mm, piston),
        "tdc_after_bore_deg": crank.theta_tdc_deg(piston),
        "bdc_after_bore_deg": crank.theta_bdc_deg(piston),
        "bdc_btdc_deg": wrap(crank.theta_tdc_deg(piston) - crank.theta_bdc_deg(piston)),
        "throw_mm": piston.throw_mm,
        "rod_mm": piston.rod_mm,
        "offset_mm": piston.offset_mm,
        "stroke_mm": crank.stroke_mm(piston),
    }


def _of_rim(btdc_deg: float, rim_mm: float | None) -> dict[str, float] | None:
    if rim_mm is None:
        return None
    return {
        "diameter_mm": rim_mm,
        "tape_mm": crank.rim_tape_mm(abs(btdc_deg), rim_mm),
        "rule_mm": crank.rim_rule_mm(abs(btdc_deg), rim_mm),
    }


def _of_shafts(btdc_deg: float, turns: list[str], profile: Profile | None) -> list[dict[str, Any]]:
    """Degrees that a shaft turns while the crank turns from here to top dead centre."""
    shafts: dict[str, Fraction] = {}
    if profile is not None:
        shafts |= {unit.name: unit.turns_per_crank_turn for unit in profile.units}
        if profile.encoder.turns_per_crank_turn != 1:
            shafts["encoder"] = profile.encoder.turns_per_crank_turn
    for text in turns:
        try:
            shafts[f"shaft {text}"] = Fraction(text)
        except (ValueError, ZeroDivisionError):
            raise InputError(f"--turns {text}: a ratio like 9/16 or 1.5 is needed") from None
    return [
        {"shaft": name, "turns_per_crank_turn": str(ratio), "deg": float(ratio) * btdc_deg}
        for name, ratio in shafts.items()
    ]


def _lines(answer: dict[str, Any]) -> list[str]:
    lines = [angle(answer["btdc_deg"], 4)]
    if (piston := answer["piston"]) is not None:
        rate = piston["deg_per_mm"]
        per_mm = "the piston is still" if math.isinf(rate) else f"{rate:.4f}° a mm there"
        other = angle(piston["same_travel_other_side_btdc_deg"], 4)
        lines += [
            f"  piston travel {_both(piston['travel_mm'])}; {per_mm}",
            f"  the same travel on the other side: {other}",
            f"  bottom dead centre: {angle(piston['bdc_btdc_deg'], 4)}",
        ]
        if late := piston["stop_middle_late_deg"]:
            side = "late" if late > 0.0 else "early"
            lines.append(f"  a stop that meets the piston there finds the middle {abs(late):.4f}°"
                         f" {side}, by the offset")  # fmt: skip
        if piston["offset_mm"] is None:
            lines.append(f"  note: {NO_OFFSET}")
    if (rim := answer["rim"]) is not None:
        lines.append(f"  rim of {_both(rim['diameter_mm'])}: {_both(rim['tape_mm'])} by a tape"
                     f" laid round it, {_both(rim['rule_mm'])} by a rule laid across")  # fmt: skip
    lines += [
        f"  {each['shaft']}, {each['turns_per_crank_turn']} of the crank: {each['deg']:.4f}° there"
        for each in answer["shafts"]
    ]
    return lines


def _both(length_mm: float) -> str:
    return f"{length_mm:.4f} mm ({length_mm / crank.MM_PER_INCH:.4f} in)"

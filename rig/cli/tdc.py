"""Top dead centre: show the reference in use, or state it by hand with its uncertainty."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path

from rig.base.errors import InputError
from rig.base.escape import message
from rig.base.rounding import after_index_with, few, many, u_part
from rig.cli.output import figures, json_option, open_job
from rig.engine.gear_train import disc_places, index_places, places_apart_deg
from rig.engine.geometry import plug_hole_offset_deg
from rig.engine.profile import Encoder
from rig.engine.windows import typed_within
from rig.job.results import job_reference
from rig.tdc.index_resolver import CLEAR
from rig.tdc.reference import TdcReference, set_by_hand
from rig.tdc.reference_file import save_reference


def _places(encoder: Encoder, reference: TdcReference) -> list[str]:
    said = []
    placed = reference.forward_deg or reference.backward_deg
    if disc_places(encoder) > 1 and encoder.run_out_deg and not placed:
        said.append(
            f"It comes at {many(disc_places(encoder), 'place')} of the geared encoder's "
            f"disc, and nothing"
            " tells at which it was found: the run-out between it and a reading is counted for the"
            " worst of them. Found by the stop, or by the gauge in a session, it counts less."
        )
    if index_places(encoder) == 1:
        return said
    apart = places_apart_deg(encoder)
    return [
        *said,
        f"The encoder is geared so that its index comes at "
        f"{many(index_places(encoder), 'place')} of the"
        f" crank, {apart:g}° apart: in another session, or after the rig lost power, this holds"
        f" once cylinder 1 is stated at its top (within {CLEAR * apart:.0f}° will do), or the stop"
        " was touched again.",
    ]


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``rig tdc``."""
    parser.add_argument("job", type=Path, help="the job folder")
    parser.add_argument("--state-deg", type=float, help="degrees after the index, forward")
    parser.add_argument("--within", "--within-deg", dest="within", metavar="SIZE",
                        help="sure to lie within so much either way: degrees, or 2mm, 1/16in round"
                        " the stated rim")  # fmt: skip
    parser.add_argument("--how", default="stated by hand", help="how it was found")
    parser.add_argument("--cylinder", type=int, default=1)
    json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Show or state the reference."""
    job = open_job(args.job, "tdc")
    if args.state_deg is not None:
        plug_hole_offset_deg(job.profile.engine, args.cylinder)  # its top is known
        now = datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
        within_deg, how = None, args.how
        if args.within is not None:
            within = typed_within(args.within, job.profile.engine.rim_diameter_mm)
            within_deg = within.deg
            how += f", within {within.words}" if within.of_rim else ""
        reference = set_by_hand(
            args.state_deg, how=how, half_width_deg=within_deg, cylinder=args.cylinder, made_utc=now
        )
        aside = save_reference(job.reference_file, reference)
        if aside is not None:
            message(f"rig tdc: the old reference could not be read and was moved to {aside}")
    in_use, said = job_reference(job)
    for text in said:
        message(f"rig tdc: {text}")
    if in_use is None:
        raise InputError(
            f"{args.job}: top dead centre is not known yet: find it by the stop in rig live, or"
            " state it with --state-deg and --within"
        )
    lines = [
        f"top dead centre of cylinder {in_use.cylinder}:"
        f" {after_index_with(in_use.tdc_deg, in_use.uncertainty.U_deg)}"
        f" (k = {in_use.uncertainty.k:.2f}), {in_use.method}",
        in_use.how,
        *filter(None, [few(in_use.uncertainty, 0)]),
        *_places(job.profile.encoder, in_use),
        *(f"  {p.name}: {u_part(p.u_deg)}° ({p.how})" for p in in_use.uncertainty.parts),
        *(f"warning: {text}" for text in in_use.warnings),
    ]
    places = {"index_places": index_places(job.profile.encoder)}
    figures(args, asdict(in_use) | places, lines)
    return 0

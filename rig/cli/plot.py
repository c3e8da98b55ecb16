"""Drawings as files: .svg, .png or .pdf, by the ending of --out.

rig plot readings JOB [CAPTURE]        each opening against its window
rig plot turn JOB [CAPTURE]            the turn or cycle: openings, closings, dead centres, index
rig plot signal JOB|RECORDING          the contacts' signal at an opening, the instant marked
rig plot drift FOLDER                  the certificates of an engine through the years
rig plot layout JOB                    what the option taken last has to mark, at true scale
"""

from __future__ import annotations

import argparse
from importlib import import_module
from pathlib import Path

from rig.base.escape import message
from rig.cli.output import figures, json_option, newest_capture, open_job
from rig.plots.sheet import Drawn, PlotRequest, out_path

PLOTS = {
    "readings": "rig.plots.readings",
    "turn": "rig.plots.turn",
    "signal": "rig.plots.signal",
    "drift": "rig.history.plot",
    "layout": "rig.adjust.cutting_layout",
}
"""What can be drawn, and the module whose ``plot`` draws it; loaded when it is asked for."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``rig plot``."""
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("kind", choices=tuple(PLOTS), help="what to draw")
    parser.add_argument("what", type=Path, nargs="+", help="a job, a recording, or a folder")
    parser.add_argument("--out", type=Path, help="the file; KIND.svg here when left out")
    parser.add_argument("--unit", help="signal, drift: this unit")
    parser.add_argument("--opening", type=int, help="signal: which one, from 1, as rig read lists")
    parser.add_argument("--counts-per-turn", type=int, help="of a pin recording without a job")
    parser.add_argument("--tdc-deg", type=float, help="signal: TDC, degrees after the index")
    parser.add_argument("--engine", default="", help="drift: of this engine")
    parser.add_argument("--engine-serial", default="", help="drift: of this serial")
    parser.add_argument("--cylinders", action="store_true", help="drift: each cylinder, too")
    parser.add_argument(
        "--face", choices=("working", "other", "both"), default="working",
        help="layout: the face in front of you when you mark; the other one; both",
    )  # fmt: skip
    parser.add_argument("--paper", choices=("A4", "Letter"), default="A4", help="layout: its paper")
    json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Draw, and say where the drawing is."""
    out = out_path(args.out or Path(f"{args.kind}.svg"))
    asked = PlotRequest(
        what=tuple(args.what),
        tell=lambda text: message(f"rig plot: {text}"),
        open_job=lambda folder: open_job(folder, "plot"),
        newest_capture=lambda job: newest_capture(job, "plot"),
        unit=args.unit,
        opening=args.opening,
        counts_per_turn=args.counts_per_turn,
        tdc_deg=args.tdc_deg,
        engine=args.engine,
        engine_serial=args.engine_serial,
        cylinders=args.cylinders,
        face=args.face,
        paper=args.paper,
    )
    drawn: Drawn = import_module(PLOTS[args.kind]).plot(asked, out)
    answer = {"kind": args.kind, "drawing": str(drawn.path), **drawn.facts}
    figures(args, answer, [f"drawing: {path}" for path in (drawn.path, *drawn.more)])
    return 0

"""Drawings as files."""

from __future__ import annotations

import argparse
from importlib import import_module
from pathlib import Path

from rig.cli.output import Answer, Command, newest_capture, open_job, tell
from rig.plots.sheet import Drawn, PlotRequest, out_path

PLOTS = {
    "readings": "rig.plots.readings",
    "turn": "rig.plots.turn",
    "signal": "rig.plots.signal",
    "drift": "rig.history.plot",
    "layout": "rig.adjust.cutting_layout",
}
"""What can be drawn, and the module whose ``plot`` draws it; loaded when it is asked for."""


def run(args: argparse.Namespace) -> Answer:
    """Drawings as files: .svg, .png or .pdf, by the ending of --out. The same figures
    give the same file.

        rig plot readings JOB [CAPTURE]   each opening against its window
        rig plot turn JOB [CAPTURE]       openings, closings, dead centres, index
        rig plot signal JOB|RECORDING     the contacts' signal at an opening
        rig plot drift FOLDER             an engine's certificates over the years
        rig plot layout JOB               what the option taken marks, at true size
    """
    out = out_path(args.out or Path(f"{args.kind}.svg"))
    asked = PlotRequest(
        what=tuple(args.what),
        tell=lambda text: tell(args, text),
        open_job=lambda folder: open_job(args, folder),
        newest_capture=lambda job: newest_capture(args, job),
        unit=args.unit,
        opening=args.opening,
        counts_per_turn=args.counts_per_turn,
        tdc_deg=args.tdc_deg,
        engine=args.engine or "",
        engine_serial=args.engine_serial or "",
        unit_serial=args.unit_serial or "",
        cylinders=args.cylinders,
        face=args.face,
        paper=args.paper,
    )
    drawn: Drawn = import_module(PLOTS[args.kind]).plot(asked, out)
    figures = {"kind": args.kind, "drawing": str(drawn.path), **drawn.facts}
    return Answer(figures, [f"drawing: {path}" for path in (drawn.path, *drawn.more)])


OPTIONS = f"""
kind {{{",".join(PLOTS)}}}            what to draw
what... PATH                          a job, a recording, or a folder
--out FILE                            the file; default: KIND.svg here
--unit NAME                           signal, drift: only this unit
--opening N                           signal: its number, from 1, as rig read lists it
--counts-per-turn N                   signal: counts of a turn, without a job
--tdc-deg DEG                         signal: TDC in degrees after the index
--engine NAME                         drift: the engine's name
--engine-serial SERIAL                drift: its serial number
--unit-serial SERIAL                  drift: one unit by its serial, on any engine
--cylinders                           drift: each cylinder too
--face {{working,other,both}}=working  layout: which face of the piece is in front of you
--paper {{A4,Letter}}=A4              layout: its paper
"""
COMMANDS = {"plot": Command(run, OPTIONS)}

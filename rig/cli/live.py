"""Read the rig live, or a virtual rig by a simulated hand."""

from __future__ import annotations

import argparse
import contextlib
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from rig.base.errors import InputError, RigError, RigLostError
from rig.base.escape import message
from rig.cli.output import JOB, Answer, Command, open_job, shown_lines, tell
from rig.cli.results import assessment_lines, tdc_line, verdict_status
from rig.job.folder import Job
from rig.job.new import write_example
from rig.live.actions import save
from rig.live.demo import VirtualRigProcess, demonstration
from rig.live.live_session import LiveSession
from rig.live.run import load, show, start
from rig.live.script import Script, help_text, script_lines
from rig.live.speech import Speaker, find_programs
from rig.live.ui_state import UiState
from rig.wire.ports import BAUD, find_rig, open_port

NO_SPEECH = "this system has no speech program; readings are not spoken"
SEED = 10  # of an engine whose openings are all inside
SLOWEST, FASTEST = 0.1, 2.0  # of the hand, times its usual speed


def run(args: argparse.Namespace) -> Answer:
    """Read the rig: the dashboard, or plain lines where there is no terminal.

    Exit status 1: a certificate was saved, and a verdict is negative. 3: the rig
    was lost at the end.
    """
    job = open_job(args)
    load()
    others = [path.name for path in job.growing()]
    lines = script_lines(args.script) if args.script else None
    port = open_port(args.port, args.baud) if args.port else find_rig()
    live = start(job, port)
    programs = find_programs() if args.speak else []
    voice = Speaker(programs) if programs else None
    ui_state = UiState(live, voice=voice)
    script = Script(lines, ui_state, args.script) if lines is not None else None
    if args.speak and not programs:
        tell(args, NO_SPEECH)
        ui_state.say(f"{NO_SPEECH}.")
    if odd := job.left_out():
        ui_state.say(odd[0].words + (f"; and {len(odd) - 1} more" if odd[1:] else ""))
    if others:
        ui_state.say(f"another program is recording {others[0]} in this job: both are kept")

    def over() -> bool:
        if script is not None and not script.step():
            return True
        return ui_state.ended or (args.seconds is not None and live.elapsed_s >= args.seconds)

    return _shown(live, ui_state, over, plain=args.plain, save_it=args.save, voice=voice)


def _shown(
    live: LiveSession,
    ui_state: UiState,
    over: Callable[[], bool],
    *,
    plain: bool,
    save_it: bool = False,
    voice: Speaker | None = None,
) -> Answer:
    """Show a live run to its end, and print what it leaves."""
    try:
        try:
            show(ui_state, over, plain_lines=plain)
            if save_it and live.saved is None:
                save(live)
        finally:
            if voice is not None:
                voice.close()
            live.end()
    except RigError:
        conclude(live)  # where the files are, before what went wrong
        raise
    return Answer({}, status=conclude(live))


def conclude(live: LiveSession) -> int:
    """Print what was found and where the files are; the exit status. No path is given of what is
    not there, and the status is that of an error when anything is missing."""
    lacking = live.lacking()
    status = RigLostError.status if live.lost or not live.lines else 0
    saved, lines, files = live.saved, [], []
    if saved is None:
        files = ["no certificate was saved; rig certify makes one from the capture"]
    elif all(path.is_file() for path in saved.files):
        record, page = saved.files
        files = [f"certificate: {record}", f"page:        {page}"]
        found = assessment_lines(saved.assessments, saved.comparisons)
        lines = [tdc_line(saved.reference), "", *found, ""]
        status = verdict_status(saved.assessments, saved.comparisons)
    if live.job.folder.is_dir():
        lines.append(f"job folder:  {live.job.folder.resolve()}")
    if live.recorder.writer.is_there():
        lines.append(f"capture:     {live.capture_path}")
    lines += files
    with contextlib.suppress(BrokenPipeError):  # the window was closed; all is saved
        print("\n".join(shown_lines(lines)), flush=True)
    for text in lacking:
        message(f"MISSING: {text}")
    return InputError.status if lacking else status


def _script_help(parser: argparse.ArgumentParser) -> None:
    parser.epilog = help_text()


def demo(args: argparse.Namespace) -> Answer:
    """The main job on the virtual rig: a simulated hand finds TDC with the piston
    stop, turns the crank and reads two units, and a certificate is saved. Press any
    key to take over.

    Dashboard, session, capture and certificate are those of real work. The rig is a
    program of its own on a serial port of its own: a pseudo-terminal, or a loopback
    socket where there is none.
    """
    if not SLOWEST <= args.speed <= FASTEST:
        raise InputError(f"--speed {args.speed:g}: enter {SLOWEST:g} to {FASTEST:g}")
    if args.seed < 0:
        raise InputError(f"--seed {args.seed}: enter 0 or more")
    folder = args.job or Path(f"demo-job-{datetime.now():%Y%m%d-%H%M%S}")
    lines = script_lines(args.script) if args.script else None
    write_example(folder)
    job = Job(folder)
    with VirtualRigProcess(job.engine_file, args.seed, use_socket=args.socket) as virtual:
        live = start(job, open_port(virtual.port))
        ui_state = UiState(live, tag=f"virtual rig, seed {args.seed}", hand=virtual.key)
        lines = lines or demonstration(virtual, live, args.speed)
        script: Script | None = Script(lines, ui_state, args.script or "demo", virtual.command)

        def over() -> bool:
            nonlocal script
            if script is not None and not args.script and ui_state.touched:
                script = None
                if live.saved is None:
                    virtual.tell("halt")
                    ui_state.say("the keys are yours: arrows turn the virtual crank")
            return ui_state.ended or (script is not None and not script.step())

        return _shown(live, ui_state, over, plain=args.plain)


LIVE = f"""
{JOB}
--port PORT         device, COM port or socket://host:port; else it is found
--baud N={BAUD}     baud rate
--plain             plain lines, even in a terminal
--speak             speak each reading
--seconds S         end after so many seconds
--script FILENAME   read commands from a file or - (see below)
--save              save a certificate at the end
"""
DEMO = f"""
--seed N={SEED}     draws the virtual engine
--job FOLDER        the job folder to make
--speed TIMES=1     speed of the hand, {SLOWEST:g} to {FASTEST:g}; 0.3 is a careful person
--script FILENAME   commands as for rig live --script, and those of the hand
--plain             plain lines, even in a terminal
--socket            use a loopback socket as the port
"""
COMMANDS = {
    "live": Command(run, LIVE, _script_help, json=False),
    "demo": Command(demo, DEMO, json=False),
}

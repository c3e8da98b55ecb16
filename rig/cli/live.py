"""Read the rig live."""

from __future__ import annotations

import argparse
import contextlib
import time

from rig.base.errors import InputError, RigError, RigLostError
from rig.base.escape import message
from rig.cli.output import JOB, Answer, Command, open_job, shown_lines, tell
from rig.cli.tables import assessment_lines, tdc_line, verdict_status
from rig.live.actions import save
from rig.live.live_session import LiveSession
from rig.live.run import load, show, start
from rig.live.script import Script, help_text, script_lines
from rig.live.speech import Speaker, find_program
from rig.live.ui_state import UiState
from rig.wire.ports import BAUD, find_rig, open_port


def run(args: argparse.Namespace) -> Answer:
    """Read the rig: the dashboard, or plain lines where there is no terminal.

    Exit status 1: a certificate was saved, and a verdict is negative. 3: the rig
    was lost at the end.
    """
    job = open_job(args)
    load()
    others = [path.name for path in job.growing()]
    port = open_port(args.port, args.baud) if args.port else find_rig()
    lines = script_lines(args.script) if args.script else None
    live = start(job, port)
    voice = _voice(args) if args.speak else None
    ui_state = UiState(live, voice=voice)
    script = Script(lines, ui_state, args.script) if lines is not None else None
    odd = job.left_out()
    if odd:
        ui_state.say(odd[0].words + (f"; and {len(odd) - 1} more" if odd[1:] else ""))
    if others:
        ui_state.say(f"another program is taking {others[0]} in this job just now: both are kept")

    def over() -> bool:
        if script is not None and not script.step():
            return True
        return ui_state.ended or (args.seconds is not None and live.elapsed_s >= args.seconds)

    try:
        try:
            show(ui_state, over, plain_lines=args.plain)
            if args.save and live.saved is None:
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
    with contextlib.suppress(BrokenPipeError):  # the window was closed: all is kept, nobody looks
        print("\n".join(shown_lines(lines)), flush=True)
    for text in lacking:
        message(f"MISSING: {text}")
    return InputError.status if lacking else status


def _voice(args: argparse.Namespace) -> Speaker:
    program = find_program()
    if program is None:
        tell(args, "this system has no speech program; readings are not spoken")
        time.sleep(1.0)
    return Speaker(program)


def _script_help(parser: argparse.ArgumentParser) -> None:
    parser.epilog = help_text()


OPTIONS = f"""
{JOB}
--port PORT         device, COM port or socket://host:port; else it is found
--baud N={BAUD}     baud rate
--plain             plain lines, even in a terminal
--speak             speak each reading
--seconds S         end after so many seconds
--script FILENAME   read commands from a file or - (see below)
--save              save a certificate at the end
"""
COMMANDS = {"live": Command(run, OPTIONS, _script_help, json=False)}

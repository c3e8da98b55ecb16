"""The rig: its port, and whether it works."""

from __future__ import annotations

import argparse
from datetime import UTC, datetime
from pathlib import Path

from rig.base.errors import InputError, RigError
from rig.base.files import digest
from rig.check.checks import judged, lines_of, not_tried
from rig.check.sheet import answer_of, save
from rig.cli.output import JOB, Answer, Command, newest_capture, open_job, tell
from rig.job.folder import Job
from rig.session.session import signal_settings
from rig.signal.rig_statistics import statistics_of
from rig.wire.formats import open_recording
from rig.wire.ports import find_rig, list_ports


def ports(args: argparse.Namespace) -> Answer:
    """List the serial ports with what the system knows of each, and find the rig.

    Exit status 3: no rig answered.
    """
    there = list_ports()
    figures: dict[str, object] = {"ports": there}
    lines = [
        "  ".join(filter(None, (p.device, p.description, p.maker, p.usb_id, p.serial)))
        for p in there
    ] or ["this computer has no serial port; plug the rig in, or run rig demo"]
    if args.find:
        try:
            with find_rig() as found:
                figures["rig"] = {"port": found.url, "baud": found.baud}
                lines.append(f"a rig answers on {found.url} at {found.baud} baud")
        except RigError as none:
            tell(args, str(none))
            return Answer(figures | {"rig": None}, lines, none.status)
    return Answer(figures, lines)


def run(args: argparse.Namespace) -> Answer:
    """Check the rig: counts, direction, index, losses, encoder, each contact input.

    With --live it leads you through the check at the rig: switches at OFF and at ON,
    a rest, some turns, each unit opened by hand; any step may be skipped. Without
    it, it checks a capture of the job or a pin recording (VCD): best a few turns
    forward, then a rest of three seconds. The verdicts are saved beside the capture
    and named in the certificate.

    Exit status 1: something is bad. 2: the verdicts cannot be saved.
    """
    job = open_job(args)
    if args.port and not args.live:
        raise InputError("--port goes with --live")
    wrong: list[str] = []
    if args.live:
        path = _taken(job, args.port, wrong)
    else:
        path = args.recording or newest_capture(args, job)
    stated = job.profile.encoder.counts_per_turn
    recording = open_recording(path, args.counts_per_turn or stated)
    seen = statistics_of(recording.batches, signal_settings(job.profile))
    if not seen.heard:
        raise InputError(f"{path}: no position records, so nothing can be checked")
    check, missing = judged(seen, job.profile), not_tried(seen, job.profile.units)
    figures = answer_of(check, missing) | {"recording": str(path), "capture_sha256": digest(path)}
    if path.resolve().parent == job.captures.resolve() and recording.kind == "capture":
        try:
            save(job, path, figures, datetime.now(UTC))
        except InputError as why:
            wrong.insert(
                0, f"{why}; the verdicts are shown here but not saved. Correct that, then check"
                f" {path.name} again"
            )  # fmt: skip
    return Answer(figures, lines_of(check, missing), int(check.verdict == "bad"), wrong)


def _taken(job: Job, url: str | None, lacking: list[str]) -> Path:
    """A capture taken now, the person led through the check; what it lacks goes to ``lacking``."""
    from rig.check.procedure import CheckRig
    from rig.live.run import capture_alone

    live = capture_alone(job, url, lambda host, _: CheckRig(host))
    lacking += live.lacking()
    return live.capture_path


OPTIONS = f"""
{JOB}
[recording] PATH      default: the newest capture
--counts-per-turn N   counts of a pin recording; default: the job's
--live                check at the rig, step by step
--port PORT           the rig's port, with --live; else it is found
"""
COMMANDS = {
    "check": Command(run, OPTIONS),
    "ports": Command(ports, "--find  listen on each port for the rig"),
}

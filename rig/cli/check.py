"""Is the rig to be trusted: counts, direction, index, losses, encoder, and each contact input.

With --live you are led through it at the rig: switches at OFF and at ON, a rest, some turns, each
unit opened by hand; any step may be skipped. Else from a capture of the job or a pin recording
(VCD), best one of a few turns forward and a rest of three seconds. The verdicts are saved beside
the capture and cited in the certificate.
"""

from __future__ import annotations

import argparse
from datetime import UTC, datetime
from pathlib import Path

from rig.base.errors import InputError
from rig.base.files import digest
from rig.check.checks import judged, lines_of, not_tried
from rig.check.sheet import answer_of, save
from rig.cli.output import figures, json_option, newest_capture, open_job
from rig.job.folder import Job
from rig.session.session import signal_settings
from rig.signal.rig_statistics import statistics_of
from rig.wire.formats import open_recording


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``rig check``."""
    parser.add_argument("job", type=Path, help="the job folder")
    parser.add_argument("recording", type=Path, nargs="?", help="default: the newest capture")
    parser.add_argument("--counts-per-turn", type=int, help="of a pin recording; else as the job's")
    parser.add_argument("--live", action="store_true", help="at the rig, step by step")
    parser.add_argument("--port", help="with --live: the rig's port; else it is found")
    json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Print a verdict for each thing; 1 when one is bad, 2 when they cannot be saved."""
    job = open_job(args.job, "check")
    if args.port and not args.live:
        raise InputError("--port goes with --live")
    lacking: list[str] = []
    if args.live:
        path = _taken(job, args.port, lacking)
    else:
        path = args.recording or newest_capture(job, "check")
    stated = job.profile.encoder.counts_per_turn
    recording = open_recording(path, args.counts_per_turn or stated)
    seen = statistics_of(recording.batches, signal_settings(job.profile))
    if not seen.heard:
        raise InputError(f"{path}: it holds no position of a rig, so nothing is checked")
    check = judged(seen, job.profile)
    missing = not_tried(seen)
    answer = answer_of(check, missing) | {"recording": str(path), "capture_sha256": digest(path)}
    unsaved: InputError | None = None
    if path.resolve().parent == job.captures.resolve() and recording.kind == "capture":
        try:
            save(job, path, answer, datetime.now(UTC))
        except InputError as why:
            unsaved = why  # the verdicts are told all the same
    figures(args, answer, lines_of(check, missing))
    if unsaved:
        raise InputError(
            f"{unsaved}; the verdicts were told and are not kept. Put that right, then check"
            f" {path.name} again"
        )
    if lacking:
        raise InputError("; ".join(lacking))
    return 1 if check.verdict == "bad" else 0


def _taken(job: Job, url: str | None, lacking: list[str]) -> Path:
    """A capture taken now, the person led through the check; ``lacking`` is told what is missing
    of it."""
    from rig.check.procedure import CheckRig
    from rig.live.run import capture_alone

    live = capture_alone(job, url, lambda host, _: CheckRig(host))
    lacking += live.lacking()
    return live.capture_path

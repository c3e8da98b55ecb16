"""Is the rig to be trusted: counts, direction, index, losses, encoder, and each contact input.

With --live you are led through it at the rig: switches at OFF and at ON, a rest, some turns, each
unit opened by hand; any step may be skipped. Else from a capture of the job or a pin recording
(VCD), best one of a few turns forward and a rest of three seconds. The verdicts are saved beside
the capture and cited in the certificate.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from rig.base.errors import InputError, RigLostError
from rig.base.escape import message
from rig.base.files import digest
from rig.check.checks import judged, lines_of, not_tried
from rig.check.sheet import answer_of, save
from rig.cli.output import figures, json_option, newest_capture, open_job
from rig.job.folder import Job
from rig.session.session import signal_settings
from rig.signal.rig_statistics import statistics_of
from rig.wire.formats import open_recording

if TYPE_CHECKING:
    from rig.live.live_session import LiveSession

SKIP = "k"
NAP_S = 0.03


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
    from rig.live.run import Lines, start
    from rig.wire.ports import find_rig, open_port

    live = start(job, open_port(url) if url else find_rig())
    try:
        lead(live, Lines())
    finally:
        live.end()
    lacking += live.lacking()
    if live.capture_is_there:
        message(f"capture: {live.capture_path}")
    return live.capture_path


def lead(
    live: LiveSession,
    answer: Callable[[], str | None],
    say: Callable[[str], None] = message,
    nap: Callable[[], None] = lambda: time.sleep(NAP_S),
) -> None:
    """Lead the person through the check in plain lines. ``answer`` gives a line once one was
    entered, else None.

    Raises RigLostError when the rig was never heard, and InputError when the disk refuses.
    """
    from rig.check.procedure import CheckRig
    from rig.live.run import QUIT

    check, answers = CheckRig(live), _answers(live, answer, say, nap)
    while (step := check.step) is not None:
        if step.caution:
            say(f"WARNING: {step.caution}")
        number = f"{check.number} of {len(check.steps)}"
        say(f"{number}. {step.ready}. Enter: ready; {SKIP}: skip; {QUIT}: end here")
        word = next(answers)
        if word == QUIT:
            break
        if word == SKIP:
            check.skip()
        elif why := check.not_ready():
            say(f"   {why}")
        else:
            check.begin()
            say(f"   now {step.do}. Enter: done")
            word = next(answers)
            check.end(broken_off=word == QUIT)
            if word == QUIT:
                break
            say(f"   {check.came}")
    if not live.lines:
        raise RigLostError(f"no rig was heard: {live.diagnosis() or 'nothing came'}")


def _answers(
    live: LiveSession,
    answer: Callable[[], str | None],
    say: Callable[[str], None],
    nap: Callable[[], None],
) -> Iterator[str]:
    """Take what comes from the rig until the person answers; then the answer, again and again."""
    from rig.live.panels import ALARM

    passed, lost, alarm = 0, "", ""
    while True:
        word = answer()
        live.pump()
        if passed < live.session.times_passed:
            passed = live.session.times_passed
            say(f"   the index has passed, {passed} x")
        if live.alarm and live.alarm != alarm:
            say(f"   {ALARM}: {live.alarm}")
        alarm = live.alarm
        if live.lost != lost:
            lost = live.lost
            say(f"   {lost or 'the rig is back'}")
        if word is None:
            nap()
        else:
            yield word.strip().casefold()[:1]

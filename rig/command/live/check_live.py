"""The guided rig check: what to do, one step after the other, while the capture is taken.

Each step is announced, begun by the person and ended by the person; both stand in the capture as
notes, so that the check can be repeated from it. Any step can be skipped. Nothing is blocked.
"""

from __future__ import annotations

import contextlib
import queue
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from rig.command.live.bench import Bench
from rig.command.say import message
from rig.counted import many
from rig.engine.profile import Profile
from rig.faults import RigLostError
from rig.screen.panels import ALARM
from rig.signal import survey
from rig.timing.guidance import ARC, LIVE

SKIP, QUIT = "s", "q"
NAP_S = 0.03
TURNS = 3


@dataclass(frozen=True, slots=True)
class Step:
    """What the person gets ready, what is then done, and the note that it makes."""

    ready: str
    do: str
    step: str
    unit: str = ""
    caution: str = ""


def steps_for(profile: Profile) -> list[Step]:
    """The steps in the order of the work: switches before their leads come off, then the rest."""
    turns = TURNS / float(profile.encoder.turns_per_crank_turn)
    steps = []
    for unit in profile.units:
        whole = max(1.0, 1.0 / (float(unit.turns_per_crank_turn) * unit.lobes))
        for step, where in ((survey.OFF, "OFF"), (survey.ON, "ON")):
            steps.append(
                Step(
                    f"{unit.name}: its switch lead still on, put the switch at {where}"
                    " (skip it where there is no switch)",
                    f"turn forward by {many(f'{whole:g}', 'turn')} and a little more",
                    step,
                    unit.name,
                    f"{LIVE} {ARC}" if step == survey.OFF else "",
                )
            )
    steps.append(
        Step(
            "every lead that keeps contacts earthed off, the crank at rest",
            f"let it stand for three seconds, then turn slowly forward, {turns + 0.5:.1f} turns or"
            " more",
            survey.TURN,
            caution=f"{LIVE} {ARC}",
        )
    )
    for unit in profile.units:
        steps.append(
            Step(
                f"{unit.name}: turn until its contacts are closed, and hold the crank still",
                f"open the contacts of {unit.name} by hand once, a slip of paper or a finger",
                survey.BY_HAND,
                unit.name,
            )
        )
    return steps


class Walk:
    """The steps one after another. Each is got ready for, done and ended, and notes say so."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self.steps = steps_for(bench.job.profile)
        self.number = 1
        self.doing = False

    @property
    def step(self) -> Step | None:
        """The present step; None when all are behind."""
        return self.steps[self.number - 1] if self.number <= len(self.steps) else None

    def begin(self) -> None:
        """All is ready: the step begins."""
        if self.step is not None and not self.doing:
            self.doing = True
            self._bench.note(survey.NOTE, {"step": self.step.step, "unit": self.step.unit})

    def end(self, *, broken_off: bool = False) -> None:
        """The step is done, or broken off; nothing happens between two steps."""
        if self.doing:
            self.doing = False
            how = {survey.BROKEN_OFF: True} if broken_off else {}
            self._bench.note(survey.NOTE, {"step": survey.DONE, **how})
            self.number += 1

    def skip(self) -> None:
        """The step is left out."""
        if self.doing:
            self.end(broken_off=True)
        elif self.step is not None:
            self.number += 1

    def back(self) -> None:
        """One step back: to get ready for it again."""
        if self.doing:
            self.end(broken_off=True)
        self.number = max(1, self.number - 1)


def guide(
    bench: Bench,
    answer: Callable[[], str | None],
    say: Callable[[str], None] = message,
    nap: Callable[[], None] = lambda: time.sleep(NAP_S),
) -> None:
    """Lead the person through all steps. ``answer`` gives a line once one was entered, else None.

    Raises RigLostError when the rig was never heard, and InputError when the disk refuses.
    """
    waiting = _waiting(bench, answer, say, nap)
    walk = Walk(bench)
    while (step := walk.step) is not None:
        if step.caution:
            say(f"CAUTION: {step.caution}")
        say(
            f"{walk.number} of {len(walk.steps)}. {step.ready}. Enter: ready; {SKIP}: skip;"
            f" {QUIT}: end here"
        )
        word = next(waiting)
        if word == QUIT:
            break
        if word == SKIP:
            walk.skip()
            continue
        walk.begin()
        say(f"   now {step.do}. Enter: done")
        word = next(waiting)
        walk.end(broken_off=word == QUIT)
        if word == QUIT:
            break
    if not bench.lines:
        raise RigLostError(f"no rig was heard: {bench.diagnosis() or 'nothing came'}")


def _waiting(
    bench: Bench,
    answer: Callable[[], str | None],
    say: Callable[[str], None],
    nap: Callable[[], None],
) -> Iterator[str]:
    """Take what comes from the rig until the person answers; then the answer, again and again."""
    passed, lost, alarm = 0, "", ""
    while True:
        word = answer()
        bench.pump()
        if passed < len(bench.session.index_passes):
            passed = len(bench.session.index_passes)
            say(f"   the index has passed, {passed} x")
        if bench.alarm and bench.alarm != alarm:
            say(f"   {ALARM}: {bench.alarm}")
        alarm = bench.alarm
        if bench.lost != lost:
            lost = bench.lost
            say(f"   {lost or 'the rig is back'}")
        if word is None:
            nap()
        else:
            yield word.strip().casefold()[:1]


class Lines:
    """Lines of standard input, taken in a thread of its own; called, one of them or None."""

    def __init__(self) -> None:
        self._lines: queue.SimpleQueue[str] = queue.SimpleQueue()
        threading.Thread(target=self._read, daemon=True).start()

    def __call__(self) -> str | None:
        try:
            return self._lines.get_nowait()
        except queue.Empty:
            return None

    def _read(self) -> None:
        with contextlib.suppress(OSError):  # a folder in its place, a window that was closed
            for line in sys.stdin:
                self._lines.put(line)
        self._lines.put(QUIT)  # nobody is there any more

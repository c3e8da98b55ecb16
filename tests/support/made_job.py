"""A job made without a bench and without waiting: the virtual rig's bytes go straight to a Bench.

Everything but the port is the real thing: the session, the notes and the capture are those of a
live job, and the clock of the host is the clock of the virtual rig.
"""

from __future__ import annotations

import atexit
import contextlib
import copy
import functools
import io
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from unittest import mock

from rig.base.errors import InputError
from rig.certificate import record
from rig.cli.main import main
from rig.job.folder import Job
from rig.job.new import write_example
from rig.live.actions import save
from rig.live.live_session import Back, Bytes, LiveSession, Lost, PortReader, Word
from rig.virtual.rig import VirtualRig

BEGAN = datetime(2026, 3, 1, 9, 0, 0, tzinfo=UTC)


class HandFeed(PortReader):
    """A feed whose words are put in by hand."""

    def __init__(self) -> None:
        self._put: list[Word] = []
        self.asked = 0

    def put(self, *words: Word) -> None:
        self._put += words

    def words(self) -> list[Word]:
        words, self._put = self._put, []
        return words

    def ask(self) -> None:
        self.asked += 1

    def close(self) -> None:
        pass


class MadeJob:
    """A job folder, a virtual rig on its engine and a bench that reads it.

    ``edit`` changes the text of the example's engine file; ``rig`` are options of ``VirtualRig``.
    """

    def __init__(
        self,
        folder: Path,
        seed: int = 7,
        *,
        example: str = "example",
        edit: Callable[[str], str] | None = None,
        began: datetime = BEGAN,
        **rig: Any,
    ) -> None:
        self.folder = folder
        self.engine_file = folder / "engine.toml"
        if not self.engine_file.exists():
            write_example(folder, example)
        if edit is not None:
            text = self.engine_file.read_text("utf-8")
            changed = edit(text)
            assert changed != text, "the edit changes nothing"
            self.engine_file.write_text(changed, "utf-8")
        self.job = Job(folder)
        self.rig = VirtualRig(self.job.profile, seed, **rig)
        self.feed = HandFeed()
        self.live = LiveSession(
            self.job,
            self.feed,
            "virtual",
            utc=lambda: began + timedelta(seconds=self.rig.now_s),
            clock=lambda: self.rig.now_s,
        )
        self.capture = self.live.capture_path

    def do(self, *commands: str) -> MadeJob:
        """Let the hand carry out commands; all that the rig says on the way is taken in."""
        for command in commands:
            for lines in self.rig.do(command):
                data = b"".join(line for _, line in lines)
                self.feed.put(Bytes(data, self.rig.now_s))
            self.live.pump()
        return self

    def hear(self, data: bytes) -> None:
        """Bytes come from the port, whatever they are."""
        self.feed.put(Bytes(data, self.rig.now_s))
        self.live.pump()

    def unplug(self, why: str = "virtual: the rig went away", back: str = "virtual") -> None:
        """The port goes away and comes back at once, as a feed tells it."""
        self.feed.put(Lost(why), Back(back))
        self.live.pump()

    def find_tdc(self, touches: int = 2) -> MadeJob:
        """Past the index, the stop in, touched from both sides, the stop out."""
        self.do("turn 380 at 150")
        try:
            self.do("stop in")
        except InputError:  # the piston is in its way
            self.do("turn 180 at 150", "stop in")
        self.live.stop_in()
        for _ in range(touches):
            self.do("touch forward at 150", "touch back at 150")
        self.do("turn 40 at 90", "stop out")
        self.live.stop_out()
        return self

    def state_stroke(self) -> MadeJob:
        """Cylinder 1 to its firing top dead centre, and say so."""
        self.do("goto 0 at 120")
        # The truth calls the first index 0 degrees; met going forward it is a whole turn here.
        firing_deg = 360.0 + self.rig.truth()["firing_tdc_crank_deg"]
        if round((self.top_deg() - firing_deg) / 360.0) % 2:
            self.do("turn 180 at 150", "goto 0 at 120")
        self.live.enter_firing_tdc()
        return self

    def next_setting(self, unit: str) -> MadeJob:
        """The advance lever of ``unit`` is at its next setting."""
        session = self.live.session
        names = [setting.name for setting in session.annotations.unit(unit).settings]
        now = names.index(session.setting_of(unit))
        name = names[(now + 1) % len(names)]
        self.live.annotate("setting", {"unit": unit, "setting": name})
        return self

    def as_left(self) -> MadeJob:
        """Everything is tightened."""
        self.live.annotate("phase", {"phase": "as left"})
        return self

    def reject_last(self) -> MadeJob:
        """The last reading is rejected by hand."""
        session = self.live.session
        at_us = max(session.t_us(reading) for reading in session.readings() if reading.valid)
        opening = min(session.openings, key=lambda one: abs(one.t_us - at_us))
        self.live.annotate("strike", {"t_us": opening.t_us})
        return self

    def top_deg(self) -> float:
        """Where the crank stands by what the rig has said, degrees."""
        angle = self.live.crank_deg()
        assert angle is not None
        return angle

    def end(self) -> MadeJob:
        self.live.end()
        return self

    def save(self) -> tuple[Path, Path]:
        """End the capture and save its certificate: record and page."""
        return save(self.live).files

    def copied(self, folder: Path) -> MadeJob:
        """The same job, which has ended, in another folder: its files are copied."""
        other = copy.copy(self)
        other.folder = Path(shutil.copytree(self.folder, folder / "job"))
        other.engine_file = other.folder / self.engine_file.name
        other.job = Job(other.folder)
        other.capture = other.folder / "captures" / self.capture.name
        return other

    def whole(self) -> MadeJob:
        """The main job: top dead centre, stroke, and two turns of the cycle in full advance."""
        return self.find_tdc().state_stroke().do("turn 1450 at 110").end()


@functools.cache
def finished() -> MadeJob:
    """The main job made once for all tests, certificate and all; it is not to be altered."""
    home = tempfile.mkdtemp(prefix="made-job-")
    atexit.register(shutil.rmtree, home, ignore_errors=True)
    made = MadeJob(Path(home, "job")).whole()
    made.save()
    return made


def copied(to: Path) -> Path:
    """A copy of the finished job's folder, to alter."""
    shutil.copytree(finished().folder, to / "job")
    return to / "job"


def certificate_in(job: Path) -> Path:
    """The one certificate of a job: its record file."""
    (found,) = record.find(job / "certificates")
    return found


@dataclass(frozen=True, slots=True)
class Ran:
    """What a command did."""

    status: int
    out: str
    err: str

    @property
    def answer(self) -> dict[str, Any]:
        """The one JSON object of standard output, which holds nothing else."""
        found = json.loads(self.out)
        assert isinstance(found, dict)
        return found


class Terminal(io.TextIOWrapper):
    """Text kept, and said to be a terminal."""

    def isatty(self) -> bool:
        return True


def on_terminal(*words: str | Path | float) -> Ran:
    """As ``rig``, its output on a terminal of 80 columns."""
    with mock.patch.dict(os.environ, COLUMNS="80"):
        return rig(*words, stream=Terminal)


def rig(*words: str | Path | float, stream: type[io.TextIOWrapper] = io.TextIOWrapper) -> Ran:
    """The command line, called in this process; never a traceback."""
    out, err = (kind(io.BytesIO(), "utf-8", newline="") for kind in (stream, io.TextIOWrapper))
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = main([str(word) for word in words])
    texts = []
    for written in (out, err):
        written.seek(0)
        texts.append(written.read())
    return Ran(status, *texts)


def refused(status: int, *words: str | Path | float) -> str:
    """What a command says that is refused: on standard error alone, harmless, no traceback."""
    ran = rig(*words)
    assert (ran.status, ran.out) == (status, ""), ran
    assert re.match(rf"rig {words[0]}( show| set| gauge)?: ", ran.err), ran.err
    assert ran.err.replace("\n", "").isprintable(), ran.err
    assert "Traceback" not in ran.err
    return ran.err


def process(*words: str | Path, env: dict[str, str] | None = None, **options: Any) -> Ran:
    """The command line as a process of its own, with these variables added to its environment."""
    done = subprocess.run(
        [sys.executable, "-m", "rig", *map(str, words)],
        capture_output=True,
        check=False,
        timeout=60,
        env={**os.environ, **(env or {})},
        **options,
    )
    assert b"Traceback" not in done.stderr, done.stderr.decode()
    return Ran(done.returncode, done.stdout.decode("utf-8"), done.stderr.decode("utf-8"))

"""The capture of a live run: written on as it comes, and watched, so that it cannot vanish unseen.

A file that is open can lose its name: it is deleted or renamed, its folder goes, another file takes
its place, its disk is pulled out. What was written can mostly still be read then, and goes into a
new file at once: in the job, else beside it, else wherever this computer lets it. Nothing is ever
written over. The person sees it in large letters, and the run does not end as if all were well when
anything is missing.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from pathlib import Path

from rig.counted import many
from rig.faults import InputError
from rig.files import named
from rig.job import order
from rig.job.folder import Job
from rig.job.when import iso
from rig.record import sheets
from rig.wire.capture_file import Fate, at_free_name
from rig.wire.capture_writer import begin

LOOK_EVERY_S = 0.5
"""The name is looked at this often, so that its loss is seen within a second."""
LARGE_FOR_S = 15.0
"""So long what happened has the place of the crank's figure; a line of it stays."""

WHAT = {
    Fate.NAME_GONE: "was deleted or renamed",
    Fate.FOLDER_GONE: "has gone with its folder",
    Fate.REPLACED: "was replaced by another file",
    Fate.LENGTH: "was cut, or written on, by another program",
    Fate.NO_ANSWER: "is on a disk that does not answer",
}


class CaptureRecorder:
    """One capture and its file. Raises InputError when it cannot be begun.

    ``clock`` gives seconds; ``look`` is to be called often.
    """

    def __init__(
        self, job: Job, start: datetime, head: dict[str, object], clock: Callable[[], float]
    ) -> None:
        self._job = job
        self._clock = clock
        self._stem = f"{start:%Y%m%d-%H%M%S}"
        self._writer = begin(job.captures, self._stem, head)
        self._looked_s = clock()
        self._said = self._short = ""  # of the last loss
        self._said_s = 0.0
        self._stuck = ""  # why no new file could be begun
        self.missing = 0  # bytes that no file holds
        self.write = self._writer.write
        self.note = self._writer.note
        self.half_line = self._writer.half_line
        self.sync = self._writer.sync

    @property
    def path(self) -> Path:
        """Where the capture lies now."""
        return self._writer.path

    @property
    def refusal(self) -> str:
        """Why the disk does not take the capture; empty while it does."""
        return self._writer.refusal

    @property
    def is_in_job(self) -> bool:
        """False when the job's folder did not take it."""
        return self.path.parent == self._job.captures

    def look(self) -> bool:
        """Look whether the file still has its name; True when a new one was begun."""
        if self._clock() - self._looked_s < LOOK_EVERY_S:
            return False
        return self._look()

    def _look(self) -> bool:
        self._looked_s = self._clock()
        fate = self._writer.fate()
        if fate is Fate.THERE:
            self._stuck = ""
            return False
        old = self.path
        self._said_s = self._clock()
        try:
            missing = self._begin_anew(fate)
        except InputError as why:
            self._stuck = str(why)
            self._short = f"{old.name} {WHAT[fate]}, and no new file can be begun: make room"
            self._said = (
                f"{named(old)} {WHAT[fate]}, and no new file can be begun: {why}. It is tried again"
                " every second: make room, and do not switch off"
            )
            return False
        self._stuck = ""
        self.missing += missing
        kept = (
            "all of it" if not missing else f"what is left of it, {many(missing, 'byte')} are lost,"
        )
        head = f"{WHAT[fate]}; {kept} is now in a new file"
        self._said = f"{named(old)} {head}, {named(self.path)}"
        where = self.path.name if self.is_in_job else named(self.path)
        self._short = f"{old.name} {head}, {where}"
        if not self.is_in_job:
            self._said += f", outside the job: copy it into {named(self._job.captures)}"
        self.sync()
        return True

    def _begin_anew(self, fate: Fate) -> int:
        first: InputError | None = None
        for folder in self._places():
            try:
                return at_free_name(
                    folder, self._stem, lambda path: self._writer.begin_anew(path, fate)
                )
            except InputError as why:
                first = first or why
        raise first or InputError(f"{named(self._job.folder)}: the job takes no new file")

    def _places(self) -> Iterator[Path]:
        """Where a new file can be begun: the job's folder, made again if it has gone; others."""
        job = self._job
        if self._made_again():
            yield job.captures
        for folder in (job.folder.absolute().parent, Path.home(), Path(tempfile.gettempdir())):
            if folder.is_dir():
                yield folder

    def _made_again(self) -> bool:
        """Whether there is a folder for captures in the job; with its engine file, when it had to
        be made again."""
        job = self._job
        try:
            job.captures.mkdir(parents=True, exist_ok=True)
            job.look_at(job.captures)
            if not job.engine_file.exists():
                sheets.write_whole(job.engine_file, job.engine.data)
        except (OSError, InputError):
            return False  # another place takes it
        return True

    @property
    def alarm(self) -> str:
        """What happened to the file, while it is to be seen large; empty else."""
        lasts = self._stuck or self.missing or not self.is_in_job
        over = self._clock() - self._said_s > LARGE_FOR_S
        return "" if over and not lasts else self._short

    @property
    def happened(self) -> str:
        """What happened to the file at any time; empty when nothing did."""
        return self._said

    def end(self) -> None:
        """End the file in order. May be called twice. Raises InputError when it cannot be."""
        if not self._writer.closed:
            self._look()
        try:
            self._writer.close()
        except InputError:
            if self._stuck:  # there is no file to speak of
                raise InputError(self._said) from None
            raise

    @property
    def is_there(self) -> bool:
        """Whether the file that was ended is there under its name."""
        return self._writer.is_there()

    def lacking(self) -> list[str]:
        """What is missing of the capture now that it has ended, a sentence each."""
        found = []
        if self.missing:
            found.append(f"{many(self.missing, 'byte')} of the capture are lost: {self._said}")
        if self._stuck:
            found.append(f"the capture is lost: {self._said}")
        elif not self._writer.is_there():
            found.append(f"the capture is lost: {named(self.path)} is gone since it was ended")
        elif not self.is_in_job:
            found.append(f"the capture is not in the job: {self._said}")
        return found


def clock_went_back(start: datetime, before: Sequence[Path]) -> Iterator[str]:
    """That a capture of the job was begun later than now, by the clock of then."""
    latest = order.latest_begun(before)
    if latest is not None and latest > start:
        yield (
            f"the computer's clock says {iso(start)}, but a capture of this job was begun at"
            f" {iso(latest)}: set the clock; a certificate bears its dates"
        )

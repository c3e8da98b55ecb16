"""The capture's file while a run lasts. An open file can lose its name: it is deleted, renamed or
replaced, its folder goes, its disk is removed. What was written can usually still be read, and
goes into a new file at once: in the job, else beside it, else wherever the computer allows.
Nothing is overwritten. The screen shows it large, and the run does not end as if all were well
when anything is missing.
"""

from __future__ import annotations

import contextlib
import tempfile
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path

from rig.base import files
from rig.base.errors import InputError
from rig.base.files import named
from rig.base.rounding import many
from rig.job.folder import Job
from rig.wire.capture import Fate, at_free_name, begin

LOOK_EVERY_S = 0.5  # the name is looked at this often, so that its loss is seen within a second
LARGE_FOR_S = 15.0  # what happened has the place of the crank's figure so long; a line of it stays
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
        self.writer = begin(job.captures, self._stem, head)
        self._looked_s = self._happened_s = clock()
        self.happened = ""  # to the file at any time; empty when nothing did
        self._short = ""  # the same, for the place of the crank's figure
        self._stuck = False  # no new file could be begun
        self._missing = 0  # bytes that no file holds

    @property
    def is_in_job(self) -> bool:
        """False when the job's folder did not take it."""
        return self.writer.path.parent == self._job.captures

    @property
    def alarm(self) -> str:
        """What happened to the file, while it is to be seen large; empty else."""
        lasts = self._stuck or self._missing or not self.is_in_job
        return self._short if lasts or self._clock() - self._happened_s <= LARGE_FOR_S else ""

    def look(self) -> bool:
        """Look whether the file still has its name; True when a new one was begun."""
        return self._clock() - self._looked_s >= LOOK_EVERY_S and self._look()

    def _look(self) -> bool:
        self._looked_s = self._clock()
        fate, old = self.writer.fate(), self.writer.path
        self._stuck = False
        if fate is Fate.THERE:
            return False
        self._happened_s = self._looked_s
        try:
            missing = self._begin_anew(fate)
        except InputError as why:
            self._stuck = True
            head = f"{WHAT[fate]}, and no new file can be begun"
            self._short = f"{old.name} {head}: make room"
            self.happened = (
                f"{named(old)} {head}: {why}. Trying again every second: make room, and do"
                " not switch off"
            )
            return False
        self._missing += missing
        new = self.writer.path
        kept = f"what is left of it, {many(missing, 'byte')} are lost," if missing else "all of it"
        head = f"{WHAT[fate]}; {kept} is now in a new file"
        self._short = f"{old.name} {head}, {new.name if self.is_in_job else named(new)}"
        self.happened = f"{named(old)} {head}, {named(new)}"
        if not self.is_in_job:
            self.happened += f", outside the job: copy it into {named(self._job.captures)}"
        self.writer.sync()
        return True

    def _begin_anew(self, fate: Fate) -> int:
        """Bytes that are missing from the new file."""
        first: InputError | None = None
        for folder in self._places():
            try:
                return at_free_name(
                    folder, self._stem, lambda path: self.writer.begin_anew(path, fate)
                )
            except InputError as why:
                first = first or why
        raise first or InputError(f"{named(self._job.folder)}: the job takes no new file")

    def _places(self) -> Iterator[Path]:
        """Where a new file can be begun: the job's folder, made again with its engine file if it
        has gone; others."""
        job = self._job
        with contextlib.suppress(OSError, InputError):  # another place takes it
            job.captures.mkdir(parents=True, exist_ok=True)
            job.look_at(job.captures)
            if not job.engine_file.exists():
                files.write_whole(job.engine_file, job.engine.data)
            yield job.captures
        for folder in (job.folder.absolute().parent, Path.home(), Path(tempfile.gettempdir())):
            if folder.is_dir():
                yield folder

    def end(self) -> None:
        """End the file in order. May be called twice. Raises InputError when it cannot be."""
        if not self.writer.closed:
            self._look()
        try:
            self.writer.close()
        except InputError:
            if self._stuck:  # there is no file to speak of
                raise InputError(self.happened) from None
            raise

    def lacking(self) -> Iterator[str]:
        """What is missing of the capture now that it has ended, a sentence each."""
        if self._missing:
            yield f"{many(self._missing, 'byte')} of the capture are lost: {self.happened}"
        if self._stuck:
            yield f"the capture is lost: {self.happened}"
        elif not self.writer.is_there():
            yield f"the capture is lost: {named(self.writer.path)} is gone since it was ended"
        elif not self.is_in_job:
            yield f"the capture is not in the job: {self.happened}"

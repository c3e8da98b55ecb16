"""A job is a folder: engine.toml, reference.json, captures/, certificates/."""

from __future__ import annotations

import os
from functools import cached_property
from pathlib import Path

from rig.engine.dead_centre.reference import Reference
from rig.engine.dead_centre.reference_file import load_reference, load_references
from rig.engine.file import load_engine
from rig.engine.firing import plug_hole_offset_deg
from rig.engine.means import Means
from rig.engine.profile import Profile
from rig.faults import InputError
from rig.files import LeftOut, Odd, listed, odd_of
from rig.job import order
from rig.record import certificate
from rig.wire.capture import SUFFIX
from rig.wire.capture_writer import is_growing

FOLDERS = ("captures", "certificates", "predictions", "units")


class Job:
    """The files of a job. Raises InputError when the folder holds none."""

    def __init__(self, folder: Path) -> None:
        if not folder.is_dir():
            raise InputError(f"{folder}: there is no such job folder; rig new makes one")
        self.folder = folder
        self.engine_file = folder / "engine.toml"
        if self.engine_file.is_dir():
            raise InputError(f"{self.engine_file}: is a folder; the engine file is wanted there")
        self.engine = load_engine(self.engine_file)  # once: figures and file belong together
        self.profile: Profile = self.engine.profile
        self.reference_file = folder / "reference.json"
        self.captures = folder / "captures"
        self.certificates = folder / "certificates"
        for name in FOLDERS:
            self.look_at(folder / name)

    def look_at(self, place: Path) -> None:
        """A folder of the job lies in the job: what is written into it stays there.

        Raises InputError when ``place`` is something else.
        """
        odd = odd_of(place) if os.path.lexists(place) else Odd.FOLDER
        if odd is None:
            raise InputError(f"{place}: is a file where a folder is wanted; move it away")
        if odd is Odd.LOOP or place.resolve().parent == self.folder.resolve():
            if odd is not Odd.FOLDER:
                raise InputError(f"{LeftOut(place, odd).said}; a folder is wanted there")
            return
        raise InputError(
            f"{place}: is a link out of the job, to {place.resolve()}; a job keeps its files in"
            " its own folder: put a folder there"
        )

    @cached_property
    def means(self) -> Means:
        """What the engine file says can be moved. Raises ProfileError for mistakes in it."""
        return self.engine.means()

    def reference(self) -> Reference | None:
        """The reference in use, or None when none was found yet.

        Raises InputError when it cannot be read, or is of a cylinder whose top does not follow.
        """
        if not os.path.lexists(self.reference_file):
            return None
        found = load_reference(self.reference_file)
        try:
            plug_hole_offset_deg(self.profile.engine, found.cylinder)
        except InputError as wrong:
            raise InputError(f"{self.reference_file}: {wrong}") from None
        return found

    def references(self) -> tuple[Reference, ...]:
        """The reference in use and every earlier one, newest first; none before the first.

        Raises InputError as ``reference``.
        """
        return load_references(self.reference_file) if self.reference() is not None else ()

    def growing(self) -> list[Path]:
        """Captures that some program is taking just now."""
        return [path for path in self.capture_files() if is_growing(path)]

    def capture_files(self) -> list[Path]:
        """The captures in order of their names; ``left_out`` tells what else is there."""
        return listed(self.captures, SUFFIX).files

    def left_out(self) -> list[LeftOut]:
        """What has the name of a capture, certificate, prediction or report and is none."""
        return [
            *listed(self.captures, SUFFIX).left,
            *certificate.look(self.certificates).left,
            *listed(self.folder / "predictions", ".json").left,
            *listed(self.folder / "units", ".json").left,
            *listed(self.folder / "units", SUFFIX).left,
        ]

    def newest(self) -> order.Newest:
        """The newest capture, by what the captures know of one another.

        Raises InputError when there is none, and when it does not follow which one it is.
        """
        found = order.newest(self.capture_files())
        if found is None:
            raise InputError(f"{self.captures}: there is no capture yet; rig live makes one")
        return found

    def latest_capture(self) -> Path:
        """The path of ``newest``."""
        return self.newest().known.path

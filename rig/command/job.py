"""A job is a folder: engine.toml, reference.json, captures/, certificates/."""

from __future__ import annotations

from pathlib import Path

from rig.engine.file import load_profile
from rig.engine.profile import Profile
from rig.engine.reference import Reference
from rig.engine.reference_file import load_reference
from rig.faults import InputError


class Job:
    """The files of a job. Raises InputError when the folder holds none."""

    def __init__(self, folder: Path) -> None:
        if not folder.is_dir():
            raise InputError(f"{folder}: there is no such job folder; rig new makes one")
        self.folder = folder
        self.engine_file = folder / "engine.toml"
        if self.engine_file.is_dir():
            raise InputError(f"{self.engine_file}: is a folder; the engine file is wanted there")
        self.profile: Profile = load_profile(self.engine_file)
        self.reference_file = folder / "reference.json"
        self.captures = folder / "captures"
        self.certificates = folder / "certificates"
        for place in (self.captures, self.certificates):
            if place.exists() and not place.is_dir():
                raise InputError(f"{place}: is a file where a folder is wanted; move it away")

    def reference(self) -> Reference | None:
        """The reference in use, or None when none was found yet."""
        return load_reference(self.reference_file) if self.reference_file.exists() else None

    def latest_capture(self) -> Path:
        """The newest capture by name. Raises InputError when there is none."""
        found = sorted(self.captures.glob("*.capture"), key=lambda path: path.stem)
        if not found:
            raise InputError(f"{self.captures}: there is no capture yet; rig live makes one")
        return found[-1]

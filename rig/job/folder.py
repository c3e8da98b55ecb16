"""Job; its JSON sheets.

A job is a folder: engine.toml, reference.json, captures/, certificates/.

Small plain files of a job, one thing each: JSON that a person can read, copy and keep.

Tables and drawings are written in the same way: whole, or not at all.
"""

from __future__ import annotations

import copy
import json
import math
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from itertools import count
from os import PathLike
from pathlib import Path
from typing import Any

from rig.base.codec import json_value
from rig.base.errors import InputError, reason
from rig.base.files import (
    LeftOut,
    Listing,
    Odd,
    entries,
    listed,
    odd_of,
    open_file,
    sorted_out,
    write_whole,
)
from rig.engine.engine_file import EngineSource, load_engine
from rig.engine.geometry import plug_hole_offset_deg
from rig.engine.profile import Adjustments, Profile
from rig.job import capture_order
from rig.tdc.reference import TdcReference
from rig.tdc.reference_file import load_reference, load_references
from rig.wire.capture import SUFFIX, is_growing

FOLDERS = ("captures", "certificates", "predictions", "units")


class Job:
    """The files of a job. Raises InputError when the folder holds none."""

    def __init__(self, folder: str | PathLike[str]) -> None:
        folder = Path(folder)
        if not folder.is_dir():
            raise InputError(f"{folder}: there is no such job folder; rig new makes one")
        self.folder = folder
        self.engine_file = folder / "engine.toml"
        if self.engine_file.is_dir():
            raise InputError(f"{self.engine_file}: is a folder; the engine file is wanted there")
        self.engine = load_engine(self.engine_file)  # once: figures and file belong together
        self.profile: Profile = self.engine.profile
        self.means: Adjustments = self.engine.adjustments
        self.reference_file = folder / "reference.json"
        self.captures = folder / "captures"
        self.certificates = folder / "certificates"
        for name in FOLDERS:
            self.look_at(folder / name)

    def with_engine(self, engine: EngineSource) -> Job:
        """The same job with another engine file, as one that it had before."""
        other = copy.copy(self)
        other.engine, other.profile, other.means = engine, engine.profile, engine.adjustments
        return other

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

    def reference(self) -> TdcReference | None:
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

    def references(self) -> tuple[TdcReference, ...]:
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
            *listed_records(self.certificates).left,
            *listed(self.folder / "predictions", ".json").left,
            *listed(self.folder / "units", ".json").left,
            *listed(self.folder / "units", SUFFIX).left,
        ]

    def newest(self) -> capture_order.Newest:
        """The newest capture, by what the captures know of one another.

        Raises InputError when there is none, and when it does not follow which one it is.
        """
        found = capture_order.newest(self.capture_files())
        if found is None:
            raise InputError(f"{self.captures}: there is no capture yet; rig live makes one")
        return found


MOST_BYTES = 10_000_000


@dataclass(frozen=True, slots=True)
class SheetKind:
    """A kind of sheet that can be computed again from the recordings that it names.

    ``folder`` is where a job keeps such sheets. From a sheet as plain data, ``recordings`` gives
    names and digests of its recordings, ``stem`` the file's name by when it was made, and
    ``recompute``, with the job, the sheet as it should be. Each raises KeyError, TypeError
    or ValueError for a sheet that is not whole, InputError where something is wrong.
    """

    kind: str
    folder: str
    recordings: Callable[[Mapping[str, Any]], list[tuple[str, str, int | None]]]
    stem: Callable[[Mapping[str, Any], datetime], str]
    recompute: Callable[[Job, Mapping[str, Any]], dict[str, Any]]
    since: int = 1  # the first version that can be proved


def free_path(folder: Path, stem: str) -> Path:
    """A path in ``folder`` that nothing has yet: STEM.json, else STEM-2.json and so on."""
    names = (f"{stem}.json" if n == 1 else f"{stem}-{n}.json" for n in count(1))
    return next(path for name in names if not os.path.lexists(path := folder / name))


def write(path: Path, sheet: dict[str, Any], *, replace: bool = False) -> None:
    """Write a sheet; as ``write_whole`` does. Numbers that JSON cannot hold become null."""
    text = json.dumps(plain(sheet), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    # A file's name that is no text has lone surrogates in it: JSON can hold them as escapes.
    write_whole(path, text.encode("utf-8", "backslashreplace"), replace=replace)


def read(path: Path, kind: str) -> dict[str, Any]:
    """Read a sheet whose ``kind`` is as given.

    Raises InputError when it cannot be read, is no JSON, or of another kind.
    """
    try:
        with open_file(path) as file:
            data = file.read(MOST_BYTES + 1)
    except OSError as why:
        raise InputError(f"{path}: cannot be read: {reason(why)}") from why
    if len(data) > MOST_BYTES:
        raise InputError(f"{path}: is over {MOST_BYTES} bytes, so no {kind}")
    try:
        found = json_value(data)
    except InputError as why:
        raise InputError(f"{path}: {why}, so this is no {kind}") from None
    if not isinstance(found, dict) or found.get("kind") != kind:
        raise InputError(f"{path}: is no {kind}")
    return found


def plain(value: Any) -> Any:
    """A value as a sheet holds it; numbers that JSON cannot hold become null."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    return value


def listed_records(folder: Path) -> Listing:
    """The record files in ``folder``, and what lies among the certificates and is none.

    Files beside the certificates' folders, a person's own, are nobody's business.
    """
    found, left = entries(folder)
    records: list[Path] = []
    for each in sorted_out(found, left).left:
        record = each.path / f"{each.path.name}.json"
        if each.odd is not Odd.FOLDER:
            left.append(each)
        elif os.path.lexists(record):
            records.append(record)
        else:
            left.append(LeftOut(each.path, Odd.EMPTY))
    return sorted_out(records, left)

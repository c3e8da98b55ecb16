"""A job's folder, and its sheets.

A job is a folder: engine.toml, reference.json, captures/, certificates/. Its sheets are small plain
files, one thing each: JSON that a person can read, copy and keep. They are written whole, or not at
all, as are tables and drawings.
"""

from __future__ import annotations

import copy
import json
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from itertools import count
from os import PathLike
from pathlib import Path
from typing import Any

from rig.base.codec import json_value, to_plain
from rig.base.errors import InputError
from rig.base.files import (
    LeftOut,
    Listing,
    Odd,
    bytes_of,
    entries,
    listed,
    odd_of,
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
    """The files of a job. Raises InputError if the folder has none."""

    def __init__(self, folder: str | PathLike[str]) -> None:
        folder = Path(folder)
        if not folder.is_dir():
            raise InputError(f"{folder}: there is no such job folder; rig new makes one")
        self.folder = folder
        self.engine_file = folder / "engine.toml"
        if self.engine_file.is_dir():
            raise InputError(f"{self.engine_file}: is a folder; it should be the engine file")
        self.engine = load_engine(self.engine_file)  # once: profile and text stay together
        self.profile: Profile = self.engine.profile
        self.adjustments: Adjustments = self.engine.adjustments
        self.reference_file = folder / "reference.json"
        self.captures = folder / "captures"
        self.certificates = folder / "certificates"
        for name in FOLDERS:
            self.look_at(folder / name)

    def with_engine(self, engine: EngineSource) -> Job:
        """The same job with another engine file, as one that it had before."""
        other = copy.copy(self)
        other.engine, other.profile, other.adjustments = engine, engine.profile, engine.adjustments
        return other

    def look_at(self, place: Path) -> None:
        """Check that a folder of the job is inside the job, so that what is written stays there.

        Raises InputError if ``place`` is something else.
        """
        odd = odd_of(place) if os.path.lexists(place) else Odd.FOLDER
        if odd is None:
            raise InputError(f"{place}: is a file, but should be a folder; move it away")
        if odd is Odd.LOOP or place.resolve().parent == self.folder.resolve():
            if odd is not Odd.FOLDER:
                raise InputError(f"{LeftOut(place, odd).said}; it should be a folder")
            return
        raise InputError(
            f"{place}: is a link out of the job, to {place.resolve()}; a job keeps its files in its"
            " own folder: replace the link by a folder"
        )

    def reference(self) -> TdcReference | None:
        """The reference in use; None before the first is found.

        Raises InputError when it cannot be read, or is of a cylinder whose TDC is not known.
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
        """Captures being taken now."""
        return [path for path in self.capture_files() if is_growing(path)]

    def capture_files(self) -> list[Path]:
        """The captures in order of their names; ``left_out`` has what else is there."""
        return listed(self.captures, SUFFIX).files

    def left_out(self) -> list[LeftOut]:
        """What is named like a capture, certificate, prediction or report but is not one."""
        return [
            *listed(self.captures, SUFFIX).left,
            *listed_records(self.certificates).left,
            *listed(self.folder / "predictions", ".json").left,
            *listed(self.folder / "units", ".json").left,
            *listed(self.folder / "units", SUFFIX).left,
        ]

    def newest(self) -> capture_order.Newest:
        """The newest capture, by what the captures know about one another.

        Raises InputError when there is none, and when it does not follow which it is.
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
    ``recompute``, with the job, the sheet as it should be. Each raises KeyError, TypeError or
    ValueError for an incomplete sheet, InputError for other mistakes.
    """

    kind: str
    folder: str
    recordings: Callable[[Mapping[str, Any]], list[tuple[str, str, int | None]]]
    stem: Callable[[Mapping[str, Any], datetime], str]
    recompute: Callable[[Job, Mapping[str, Any]], dict[str, Any]]
    of_version_1: Mapping[str, Any] = field(default_factory=dict)
    """Keys that a sheet of version 1 lacks, and what they are for it; it has no version either."""


def recording_at(job: Path, folder: str, name: str) -> Path:
    """Where a recording is that a sheet in ``folder`` names: with the captures of the engine, or
    beside the sheet, as those of a unit off the engine are."""
    beside = job / folder / name
    engine = job / "captures" / name
    return beside if beside.exists() and not engine.exists() else engine


def free_path(folder: Path, stem: str) -> Path:
    """A free path in ``folder``: STEM.json, else STEM-2.json and so on."""
    names = (f"{stem}.json" if n == 1 else f"{stem}-{n}.json" for n in count(1))
    return next(path for name in names if not os.path.lexists(path := folder / name))


def write(path: Path, sheet: dict[str, Any], *, replace: bool = False) -> None:
    """Write a sheet; as ``write_whole`` does. Numbers that JSON lacks become null."""
    text = json.dumps(plain(sheet), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    # File names that are not text have lone surrogates, which JSON can hold as escapes.
    write_whole(path, text.encode("utf-8", "backslashreplace"), replace=replace)


def read(path: Path, kind: str) -> dict[str, Any]:
    """Read a sheet of this ``kind``.

    Raises InputError when it cannot be read, is not JSON, or is of another kind.
    """
    data = bytes_of(path, MOST_BYTES, f"a {kind}")
    try:
        found = json_value(data)
    except InputError as why:
        raise InputError(f"{path}: {why}, so this is not a {kind}") from None
    if not isinstance(found, dict) or found.get("kind") != kind:
        raise InputError(f"{path}: this is not a {kind}")
    return found


def plain(sheet: Mapping[str, Any]) -> dict[str, Any]:
    """A sheet as it is written; numbers that JSON lacks become null."""
    return dict(to_plain(sheet, lambda _: None))


def listed_records(folder: Path) -> Listing:
    """The record files in ``folder``, and what else is among the certificates.

    A person's own files beside the certificates' folders are ignored.
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

"""Odd things for a job's folder: what a person, a backup or another program may leave there."""

from __future__ import annotations

import os
import socket
import tempfile
from collections.abc import Callable
from pathlib import Path

from rig.base.files import named


def _dangling(path: Path) -> None:
    path.symlink_to(path.with_name("nowhere-at-all"))


def _loop(path: Path) -> None:
    other = path.with_name(path.name + "-back")
    other.symlink_to(path)
    path.symlink_to(other)


def _folder(path: Path) -> None:
    path.mkdir()


def _pipe(path: Path) -> None:
    os.mkfifo(path)


def _socket(path: Path) -> None:
    short = Path(tempfile.mkdtemp(), "s")
    with socket.socket(socket.AF_UNIX) as made:  # its name has a hundred bytes at most
        made.bind(str(short))
    os.replace(short, path)


def _device(path: Path) -> None:
    path.symlink_to("/dev/zero")  # has no end


ODD: dict[str, Callable[[Path], None]] = {
    "dangling link": _dangling,
    "looping link": _loop,
    "folder": _folder,
    "pipe": _pipe,
    "socket": _socket,
    "device": _device,
}
NOT_UTF_8 = "name not UTF-8"
KINDS = (*ODD, NOT_UTF_8)

PLACES = {
    "capture": "captures/{}.capture",
    "certificate": "certificates/{}",
    "record": "certificates/{}/{}.json",
    "prediction": "predictions/{}.json",
    "report": "units/{}.json",
    "capture of a unit": "units/{}.capture",
    "at the top": "{}.json",
}
"""Where an odd thing may lie; all but the last have a name that the program looks for."""


def put(job: Path, kind: str, place: str, name: str) -> str:
    """Put an odd thing there; how it is named when it is left out, empty where nobody looks."""
    name = f"{name}-{sorted(PLACES).index(place)}"
    if kind == NOT_UTF_8:
        name += os.fsdecode(b"\xe9\xff")
    path = job / PLACES[place].format(*[name] * PLACES[place].count("{}"))
    path.parent.mkdir(parents=True, exist_ok=True)
    if kind == NOT_UTF_8 and place == "record":
        path = path.parent  # its folder has the odd name already
    elif kind == NOT_UTF_8:
        path.write_bytes(next((job / "captures").glob("2*.capture")).read_bytes())
    else:
        ODD[kind](path)
    return "" if place == "at the top" else named(path)

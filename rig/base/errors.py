"""The errors that reach a person: one sentence each, with what is wrong, where, and what to do.

A file that a person wrote gets all its mistakes reported at once, each with its place. Text from
the file is quoted and escaped, so that a hostile name cannot reach the terminal as a control code.
"""

from __future__ import annotations

import errno
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field


class RigError(Exception):
    """Base of all errors that a person can do something about.

    ``status`` is the exit status of the command.
    """

    status = 2


class InputError(RigError):
    """The input or the usage was wrong (exit status 2)."""


class RigLostError(RigError):
    """The rig disappeared or never answered (exit status 3)."""

    status = 3


def reason(why: OSError) -> str:
    """Why the operating system refused, in plain words."""
    words = {
        errno.ENOENT: "there is no such file or folder",
        errno.EEXIST: "a file of that name exists, and it is not overwritten",
        errno.EACCES: "reading or writing there is not permitted",
        errno.EROFS: "the disk is read-only",
        errno.ENOSPC: "the disk is full",
        errno.EFBIG: "the file may not grow any larger there",
        errno.EIO: "the disk reports a fault",
        errno.EISDIR: "it is a folder",
        errno.EBADF: "it is closed",
        errno.ENOTDIR: "a part of the path is not a folder",
    }
    if hasattr(errno, "EDQUOT"):  # Windows does not have it
        words[errno.EDQUOT] = "your share of the disk is used up"
    return words.get(why.errno or 0, why.strerror or str(why))


FieldPath = tuple[str | int, ...]
"""A place in the file: table names, keys, and numbers (from 0) in lists of tables."""

LONGEST_SHOWN = 60
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]{1,60}")
MOST_MISTAKES = 100  # a file with more is not an engine file


@dataclass(frozen=True, slots=True)
class Mistake:
    """One mistake. ``line`` counts from 1; 0 if it has no line of its own."""

    file: str
    line: int
    key: str  # "unit 1, setting 2, earliest_deg_btdc", "" for the file as a whole
    wrong: str
    allowed: str

    def __str__(self) -> str:
        place = f"line {self.line}" if self.line else ""
        where = ", ".join(part for part in (place, self.key) if part)
        text = f"{self.wrong}. {self.allowed}" if self.allowed else self.wrong
        return f"{where}: {text}." if where else f"{text}."


class ProfileError(InputError):
    """The engine file has mistakes; ``mistakes`` has them all, in the order of the file."""

    def __init__(self, mistakes: Sequence[Mistake]) -> None:
        self.mistakes = tuple(sorted(mistakes, key=lambda each: each.line))
        file = self.mistakes[0].file
        if len(self.mistakes) == 1:
            super().__init__(f"{file}: {self.mistakes[0]}")
        else:
            listed = "\n".join(f"  {mistake}" for mistake in self.mistakes)
            super().__init__(f"{file} has {len(self.mistakes)} mistakes:\n{listed}")


@dataclass(slots=True)
class MistakeBook:
    """Collects the mistakes of one file. ``line_of`` finds the line of a place in it."""

    file: str
    line_of: Callable[[FieldPath], int]
    mistakes: list[Mistake] = field(default_factory=list)

    @property
    def full(self) -> bool:
        """Whether no more mistakes are collected."""
        return len(self.mistakes) >= MOST_MISTAKES

    def note(self, path: FieldPath, wrong: str, allowed: str) -> None:
        """Note that the value at ``path`` is wrong, and what is allowed there."""
        if not self.full:
            line = self.line_of(path)
            self.mistakes.append(Mistake(self.file, line, place_name(path), wrong, allowed))

    def unfit(self, path: FieldPath, value: object, allowed: str) -> None:
        """Note that the ``value`` at ``path`` is not one of those allowed."""
        self.note(path, f"is {shown(value)}", allowed)

    def close(self) -> None:
        """Raise ProfileError if there was any mistake."""
        if self.mistakes:
            raise ProfileError(self.mistakes)


def place_name(path: FieldPath) -> str:
    """A place in words: ("unit", 0, "setting", 1, "name") is "unit 1, setting 2, name"."""
    words: list[str] = []
    for part in path:
        if isinstance(part, int):
            words[-1:] = [f"{words[-1] if words else 'table'} {part + 1}"]
        else:
            words.append(part if _BARE_KEY.fullmatch(part) else shown(part))
    return ", ".join(words)


def shown(value: object) -> str:
    """A value from the file, short and harmless: one line, printable, at most 60 characters."""
    if isinstance(value, str):
        quoted = repr(value[: LONGEST_SHOWN + 1])
        return quoted if len(quoted) <= LONGEST_SHOWN + 2 else quoted[: LONGEST_SHOWN - 3] + "...'"
    if value is None:
        return "null"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int) and value.bit_length() > 64:  # Python may refuse to print it
        return "a huge number"
    if isinstance(value, (int, float)):
        return str(value)
    if isinstance(value, list):
        return "a list"
    return "a table" if isinstance(value, dict) else "a date or a time"

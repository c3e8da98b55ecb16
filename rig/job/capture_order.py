"""Which capture of a job is the newest, by what the captures know about one another.

The computer's clock may have gone backwards between two sessions, so names and times of day do not
decide. The head of a capture names those that were the newest when it began (``after``: file and
digest of the head), and has a number one above theirs. A capture that another one follows is not
the newest. If several are left (one in between was deleted, or captures were copied together),
number and clock must agree on one of them; if they do not, the person is asked.

Captures from before there were numbers know nothing of one another: they are put in the order of
the clock, which is reported.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from rig.base.errors import InputError
from rig.base.files import LeftOut, Odd, named
from rig.job.clock import moment
from rig.wire.capture import head_of

MOST_NUMBER = 1_000_000_000
MOST_AFTER = 20
"""Captures named in a head at most, as a line of a capture has limits."""


class UncertainError(InputError):
    """Which capture is the newest does not follow from what they know."""


@dataclass(frozen=True, slots=True)
class Known:
    """What the head of a capture says about its place. ``number`` is 0 if it says nothing."""

    path: Path
    digest: str
    after: tuple[str, ...]  # digests of heads
    after_files: tuple[str, ...]
    number: int
    begun: datetime | None
    size: int


@dataclass(frozen=True, slots=True)
class Newest:
    """The newest capture. ``by_clock``: only the clock says so; ``left`` was left out."""

    known: Known
    by_clock: bool = False
    left: tuple[LeftOut, ...] = ()


def known(path: Path) -> Known:
    """Read what a capture knows. Raises InputError if its head cannot be read."""
    head = head_of(path)
    number = head.start.get("number")
    return Known(
        path,
        head.digest,
        heads_of(head.start),
        heads_of(head.start, "file"),
        number if isinstance(number, int) and 0 < number < MOST_NUMBER else 0,
        moment(head.start.get("utc")),
        path.stat().st_size,
    )


def newest(paths: Iterable[Path]) -> Newest | None:
    """The newest of these captures; None if none can be read.

    Raises UncertainError when it does not follow, and InputError for one whose head cannot be read
    and which may be the newest.
    """
    found, broken = _read(paths)
    last = _last(found)
    if len(last) > 1:
        raise UncertainError(_asked(last))
    after = {name for each in found for name in each.after_files}
    unread = [(path, why) for path, why in broken if path.name not in after]
    for path, why in unread:
        if not last or path.stem > last[0].path.stem:
            raise InputError(f"{why}; move it away, or name the capture to use")
    if not last:
        return None
    left = tuple(LeftOut(path, Odd.NO_CAPTURE) for path, _ in unread)
    return Newest(last[0], last[0].number == 0 and len(found) > 1, left)


def place_after(paths: Iterable[Path]) -> dict[str, object]:
    """The place of a new capture among ``paths``, for its head: ``number``, ``after``."""
    found, broken = _read(paths)
    before = [{"file": path.name} for path, _ in broken]
    before += [{"file": each.path.name, "head": each.digest} for each in _uncovered(found)]
    number = 1 + max((each.number for each in found), default=0)
    return {"number": number, "after": before[-MOST_AFTER:]}


@dataclass(frozen=True, slots=True)
class SeenCapture:
    """The part of a capture from which something was made: its first ``size_bytes``."""

    file: str  # its name in the job's ``captures``
    head: str  # digest of its head
    sha256: str
    size_bytes: int
    until_us: float  # the rig's time at the end of that part


@dataclass(frozen=True, slots=True)
class MadeWhen:
    """When something was made, by what its maker knew about captures.

    ``after`` are the heads (digests) of those that were the newest then, and complete. The clock
    (``utc``) decides only if these do not.
    """

    utc: datetime
    seen: tuple[SeenCapture, ...] = ()
    after: tuple[str, ...] = ()

    def is_before(self, path: Path, t_us: float, at: datetime | None, order: Order) -> bool:
        """Whether it was made before the time ``t_us`` of a capture, which is ``at`` by the host's
        clock."""
        head = order.head(path)
        for each in self.seen:
            if each.head == head:
                return t_us > each.until_us
        there = True if head in self.after else order.was_there(path, self.after)
        if there is not None:
            return not there
        return at is not None and at > self.utc


def heads_of(place: Mapping[str, object], what: str = "head") -> tuple[str, ...]:
    """The heads (digests), or files, that a place from ``place_after`` names as the newest."""
    after = place.get("after")
    named = [each for each in after if isinstance(each, dict)] if isinstance(after, list) else []
    return tuple(str(each[what]) for each in named if what in each)


class Order:
    """Which of two captures of a job came later, by what they know about one another."""

    def __init__(self, paths: Iterable[Path]) -> None:
        found, _ = _read(paths)
        self._at = {each.path: each for each in found}
        self._before: dict[str, set[str]] = {}
        for each in sorted(found, key=lambda each: each.number):
            further = (self._before.get(digest, set()) for digest in each.after)
            self._before[each.digest] = set(each.after).union(*further)

    def _of(self, path: Path) -> Known:
        return self._at.get(path) or Known(path, "", (), (), 0, None, 0)

    def head(self, path: Path) -> str:
        """The digest of a capture's head; empty if not known."""
        return self._of(path).digest

    def number(self, path: Path) -> int:
        """The number in a capture's head; 0 if it has none."""
        return self._of(path).number

    def is_later(self, one: Path, other: Path) -> bool | None:
        """Whether ``one`` came after ``other``; None if they do not know."""
        first, second = self.head(one), self.head(other)
        if second in self._before.get(first, ()):
            return True
        return False if first in self._before.get(second, ()) else None

    def was_there(self, path: Path, heads: Collection[str]) -> bool | None:
        """Whether a capture was begun before something whose maker saw ``heads`` (digests) as the
        newest: True only if another had followed it by then; None if not known."""
        own = self._of(path)
        if not own.digest or not heads or own.digest in heads:
            return None
        if any(own.digest in self._before.get(head, ()) for head in heads):
            return True
        return False if own.number and self._before.keys() >= set(heads) else None

    def went_back(self, earlier: Path, later: Path) -> bool:
        """Whether the clock went backwards between the beginnings of two captures."""
        first, second = self._of(earlier).begun, self._of(later).begun
        return first is not None and second is not None and second < first

    def last(self, paths: Sequence[Path]) -> Path:
        """The latest of them, which none follows; of several, the last given."""
        free = [one for one in paths if not any(self.is_later(other, one) for other in paths)]
        return (free or paths)[-1]


def latest_begun(paths: Iterable[Path]) -> datetime | None:
    """The latest time of day at which one of these captures began."""
    return max((each.begun for each in _read(paths)[0] if each.begun), default=None)


def _read(paths: Iterable[Path]) -> tuple[list[Known], list[tuple[Path, InputError]]]:
    found: dict[str, Known] = {}
    broken: list[tuple[Path, InputError]] = []
    for path in paths:
        try:
            one = known(path)
        except InputError as why:
            broken.append((path, why))
            continue
        except OSError:  # it has disappeared since
            continue
        copy = found.get(one.digest)
        # Of one session's copies the longest; of equal ones the last by name.
        if copy is None or (one.size, one.path.stem) > (copy.size, copy.path.stem):
            found[one.digest] = one
    return list(found.values()), broken


def _uncovered(found: Sequence[Known]) -> list[Known]:
    """Those that no other follows."""
    silent = sorted((each for each in found if not each.number), key=_by_clock)
    after = {digest for each in found for digest in each.after}
    after |= {each.digest for each in silent[:-1]}
    left = (each for each in found if each.digest not in after)
    return sorted(left, key=lambda each: (each.number, each.path.stem))


def _last(found: Sequence[Known]) -> list[Known]:
    """The newest alone, or all that may be the newest."""
    left = _uncovered(found) or list(found)
    if len(left) < 2:
        return left
    *rest, first = sorted(left, key=lambda each: each.number)
    earlier = [each.begun for each in rest if each.begun is not None]
    if first.begun is None or len(earlier) < len(rest):
        return left
    alone = first.number > rest[-1].number and first.begun >= max(earlier)
    return [first] if alone else left


def _by_clock(each: Known) -> tuple[str, str]:
    return (each.begun.isoformat() if each.begun else "", each.path.stem)


def _asked(last: Sequence[Known]) -> str:
    listed = " or ".join(named(each.path) for each in sorted(last, key=lambda each: each.path))
    return (
        "which capture is the newest does not follow from their heads, and the clock may have been"
        f" set: name the one to use, {listed}"
    )

"""Numbers with their nouns, and lists: in one place, so that no sentence says "1 touches"."""

from __future__ import annotations

from collections.abc import Iterable


def many(n: object, one: str, several: str = "") -> str:
    """A number with its noun: "1 reading", "2 readings"; ``several`` where an s does not do."""
    return f"{n} {noun(n, one, several)}"


def noun(n: object, one: str, several: str = "") -> str:
    """The noun alone as it goes with ``n``: "reading" with 1, else "readings" or ``several``."""
    return one if str(n) == "1" else several or one + "s"


def listed(items: Iterable[object]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    *first, last = [str(each) for each in items] or [""]
    return f"{', '.join(first)} and {last}" if first else last

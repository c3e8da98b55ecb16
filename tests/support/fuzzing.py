"""What every fuzz test shares: how many cases, the bound on memory, and trees that go wrong.

The cases are the same on every run. ``FUZZ_CASES=20000 pytest tests/fuzz`` tries so many fresh ones
of each kind instead; ``python tests/fuzz/guided.py`` lets the coverage of the code choose them.
"""

from __future__ import annotations

import copy
import math
import os
import tracemalloc
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st

from rig.base.errors import InputError

CASES = int(os.environ.get("FUZZ_CASES", "0"))
GUIDED = "FUZZ_GUIDED" in os.environ
"""A guided run bounds the memory of its process, and need not measure that of each case."""


def cases(few: int) -> settings:
    """``few`` settled cases, or as many fresh ones as the environment asks for."""
    return settings(
        max_examples=CASES or few,
        derandomize=not CASES,
        database=None,
        deadline=None,
        suppress_health_check=list(HealthCheck),
    )


@contextmanager
def bounded(data: bytes, *, base: int = 40_000_000, each: int = 400) -> Iterator[None]:
    """Fail when more is allocated at once than ``base`` bytes and ``each`` for a byte of input.

    To measure makes a case ten times as long, so it is done for one in eight, chosen by its bytes.
    """
    if GUIDED or zlib.crc32(data) % 8:
        yield
        return
    tracemalloc.start()
    try:
        yield
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak <= base + each * len(data), f"{peak} bytes for {len(data)} of input"


def told(error: InputError) -> None:
    """A refusal is one of words that can be printed."""
    assert str(error)
    assert str(error).isprintable(), str(error)


WORDS = (
    "", " ", "\x00", "\x1b[2J\x1b]0;t\x07", "\x9b31m", "\u202e", "\ud800", "\U000e0001", "a" * 5000,
    "<script>x</script>", "[bold]x[/]", "{0}%s$x", "=1+1", "../../x", "/etc/x", "C:\\x", "nan",
    "inf", "-inf", "1e400", "0x10", "1/0", "3/2", "1" * 25 + "/7", "as left", "reference",
    "2026-05-14T09:12:44Z", "0001-01-01T00:00:00Z", "9999-12-31T23:59:59+14:00", "9" * 4000,
)  # fmt: skip
"""Texts that some part of the program may take for something."""

NUMBERS = (
    0, 1, -1, 2, 255, 65535, 2**31, 2**32, 2**53, -(2**63), 2**64, 10**30, 10**400, 0.0, -0.0, 0.1,
    1e-320, 1e-9, 180.0, 360.0, 719.9999999999999, 1e9, 1e16, 1e308, -1e308, math.nan, math.inf,
    -math.inf,
)  # fmt: skip

leaves = (
    st.none()
    | st.booleans()
    | st.sampled_from(NUMBERS)
    | st.integers()
    | st.floats()
    | st.sampled_from(WORDS)
    | st.text(max_size=20)
)


def deep(levels: int) -> list[Any]:
    """Lists in lists."""
    made: list[Any] = []
    for _ in range(levels):
        made = [made]
    return made


trees = st.recursive(
    leaves,
    lambda each: (
        st.lists(each, max_size=4) | st.dictionaries(st.text(max_size=5), each, max_size=3)
    ),
    max_leaves=6,
) | st.sampled_from([deep(60), [0] * 3000, {str(i): i for i in range(300)}])

Path = tuple[str | int, ...]


def paths(tree: Any, path: Path = ()) -> list[Path]:
    """The place of every value in a tree of plain values, the whole left out."""
    inner: list[tuple[str | int, Any]] = []
    if isinstance(tree, dict):
        inner = list(tree.items())
    elif isinstance(tree, list):
        inner = list(enumerate(tree))
    found = [path] if path else []
    return found + [p for name, each in inner for p in paths(each, (*path, name))]


@st.composite
def spoilt(draw: st.DrawFn, tree: Any) -> Any:
    """``tree`` with some of its values replaced, left out, written twice or moved elsewhere."""
    made = copy.deepcopy(tree)
    places = paths(tree)
    for _ in range(draw(st.integers(1, 4))):
        *way, last = draw(st.sampled_from(places))
        inner: Any = made
        try:
            for step in way:
                inner = inner[step]
            old = inner[last]
        except (KeyError, IndexError, TypeError):
            continue  # an earlier change took it away
        change = draw(st.sampled_from(["value", "near", "drop", "twice", "other"]))
        if change == "value":
            inner[last] = draw(trees)
        elif change == "near" and isinstance(old, (int, float)) and not isinstance(old, bool):
            inner[last] = draw(st.sampled_from([old + 1, -old, old * 1e6, float(old), old // 2]))
        elif change == "drop":
            del inner[last]
        elif change == "twice" and isinstance(inner, list):
            inner.insert(int(last), copy.deepcopy(old))
        elif change == "other":
            other: Any = tree
            for step in draw(st.sampled_from(places)):
                other = other[step]
            inner[last] = copy.deepcopy(other)
    return made

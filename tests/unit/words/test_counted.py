"""Every sentence that puts a number before a noun: none says "1 touches" or "on 1 sides".

The source is read, since no run makes all sentences: wherever a text is put together from a value
and what follows it, a counted noun in the plural has to come from ``rig.counted.many``.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

import rig
from rig.base.rounding import listed, many, noun

ROOT = Path(rig.__file__).parent

NOUNS = frozenset(
    [
        "bytes",
        "captures",
        "certificates",
        "characters",
        "closings",
        "columns",
        "counts",
        "cylinders",
        "days",
        "degrees",
        "edges",
        "events",
        "figures",
        "files",
        "folders",
        "gaps",
        "groups",
        "jobs",
        "keys",
        "lifts",
        "lines",
        "lobes",
        "marks",
        "minutes",
        "months",
        "notes",
        "openings",
        "pairs",
        "parts",
        "passes",
        "pieces",
        "pins",
        "places",
        "points",
        "positions",
        "readings",
        "recordings",
        "records",
        "reports",
        "rows",
        "runs",
        "samples",
        "seconds",
        "settings",
        "sides",
        "steps",
        "teeth",
        "times",
        "tolerances",
        "touches",
        "turns",
        "units",
        "windows",
        "years",
    ]
)
"""Nouns that are counted in the program's sentences."""

DIGITS = frozenset(
    [
        "two_figures",
        "figure",
        "size",
        "size_in_words",
        "difference",
        "after_index",
        "degrees",
        "lag",
        "per_mm",
        "entered",
        "signed",
        "_stated",
        "digits",
        "number",
    ]
)
"""Calls and names of digits with decimals, before which the plural is right: "1.00 degrees"."""


def put_together(tree: ast.AST) -> Iterator[tuple[int, str, str, str]]:
    """Line, value, its format and what follows it, of every value within a text."""
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            for value, after in zip(node.values, node.values[1:], strict=False):
                if isinstance(value, ast.FormattedValue) and isinstance(after, ast.Constant):
                    form = ast.unparse(value.format_spec)[2:-1] if value.format_spec else ""
                    yield node.lineno, ast.unparse(value.value), form, str(after.value)


def may_be_one(value: str, form: str) -> bool:
    """Whether the text may show a bare 1 there."""
    if form and not form.endswith((".0f", "g", "d", ",")):
        return False  # with decimals
    if re.fullmatch(r"[A-Z_][A-Z_0-9]*(\[.*\])?", value.rsplit(".", 1)[-1]):
        return False  # a constant: whoever sets it to 1 reads the sentence
    return value.split("(", maxsplit=1)[0].rsplit(".", 1)[-1] not in DIGITS


def wrongly_counted(source: str) -> list[str]:
    found = []
    for line, value, form, after in put_together(ast.parse(source)):
        words = re.match(r" ([a-z-]+)(?: ([a-z-]+))?", after)
        if words and NOUNS & {*words.groups()} and may_be_one(value, form):
            plural = words[1] in NOUNS or words[1] in ("more", "crank", "gauge", "encoder", "index")
            if plural:
                found.append(f"line {line}: {{{value}}}{after[:30]!r}")
    return found


@pytest.mark.parametrize(
    "path", sorted(ROOT.rglob("*.py")), ids=lambda path: str(path.relative_to(ROOT))
)
def test_a_number_and_its_noun_agree(path: Path) -> None:
    assert wrongly_counted(path.read_text("utf-8")) == []


@pytest.mark.parametrize(
    ("source", "is_wrong"),
    [
        ('f"on {len(hidden)} sides (JCGM 100)"', True),
        ('f"{n} touches turning forward"', True),
        ('f"{turned:.0f} degrees past"', True),
        ('f"{count} more readings"', True),
        ('f"{deg:g} degrees apart"', True),
        ("f\"on {many(n, 'side')} (JCGM 100)\"", False),
        ('f"{deg:.2f} degrees"', False),
        ('f"{size(deg, U)} degrees"', False),
        ('f"{MOST_READINGS} more readings"', False),
        ('f"cylinder {n} turns out"', True),  # read as a noun: such a sentence is put otherwise
    ],
)
def test_the_test_itself(source: str, is_wrong: bool) -> None:
    assert bool(wrongly_counted(source)) == is_wrong


@pytest.mark.parametrize(
    "path", sorted(ROOT.rglob("*.py")), ids=lambda path: str(path.relative_to(ROOT))
)
def test_no_noun_is_made_plural_by_hand(path: Path) -> None:
    """``'s' * (n != 1)`` and its like say the rule again, each a little otherwise."""
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Mult):
            assert not any(isinstance(s, ast.Constant) and s.value == "s"
                           for s in (node.left, node.right)), node.lineno  # fmt: skip
        if isinstance(node, ast.IfExp) and isinstance(node.body, ast.Constant):
            assert node.body.value != "s", node.lineno


@pytest.mark.parametrize(
    ("n", "said"), [(0, "0 touches"), (1, "1 touch"), (2, "2 touches"), (21, "21 touches")]
)
def test_numbers_with_their_nouns(n: int, said: str) -> None:
    assert many(n, "touch", "touches") == said
    assert many(n, "side") == f"{n} {noun(n, 'side')}" == f"{n} side{'' if n == 1 else 's'}"


def test_lists() -> None:
    assert [listed(range(1, n + 1)) for n in range(4)] == ["", "1", "1 and 2", "1, 2 and 3"]

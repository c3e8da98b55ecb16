"""Two records set beside one another, figure by figure: as stated, and as worked out again.

Figures and codes have to be the same bit for bit. Where other versions of the libraries compute
them than those that the record names, their last digits may differ. Sentences that the program
makes of figures are compared by the version that wrote the record, and by no other: so a
sentence can be reworded, and an earlier certificate still holds.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal

from rig.record.ink import visible
from rig.record.inputs import RECOMPUTED, is_sentence
from rig.record.seal import Record

CLOSE = 1e-9
"""Figures that differ by less than this part of themselves differ by rounding alone."""


Sort = Literal["proof", "figure", "reworded"]
"""A fingerprint, text or date; a figure computed anew; words that this version puts otherwise."""


@dataclass(frozen=True, slots=True)
class Check:
    """One fingerprint or figure: what the certificate says, what was found, whether it holds.

    ``what`` is a file's name or a path such as ``judgements[0].mean_btdc``; the text is harmless.
    """

    what: str
    holds: bool
    stated: str
    found: str
    words: str
    sort: Sort = "proof"


def check(
    what: str, stated: str, found: str, words: str, *, holds: bool, sort: Sort = "proof"
) -> Check:
    """A check whose text is harmless whatever stands in it."""
    return Check(visible(what), holds, visible(stated), visible(found), visible(words), sort)


@dataclass(frozen=True, slots=True)
class _With:
    """What both records were made with."""

    same_program: bool  # version and libraries
    same_version: bool  # the version alone: its words are the same


def compare(stated: Record, fresh: Record) -> list[Check]:
    """Compare two records figure by figure; a check for each figure.

    A list of plain values (the readings of a column) is one check while it holds.
    """
    one, other = stated.get("program", {}), fresh.get("program", {})
    same = _With(one == other, one.get("version") == other.get("version"))
    checks: list[Check] = []
    for name in RECOMPUTED:
        checks += _compared(name, stated.get(name), fresh.get(name), same)
    return checks


def compare_part(stated: Any, fresh: Any, *, same_version: bool) -> list[Check]:
    """Compare a sheet of a job with what it should say; sentences by its own version alone."""
    same = _With(same_version, same_version)
    return [
        each
        for name in dict.fromkeys((*stated, *fresh))
        for each in _compared(name, stated.get(name), fresh.get(name), same)
    ]


def _compared(where: str, stated: Any, fresh: Any, same: _With) -> Iterator[Check]:
    if is_sentence(where) and not same.same_version:
        if not _same(stated, fresh):
            words = "words of the version that made it; this version puts it otherwise"
            yield check(where, _text(stated), _text(fresh), words, holds=True, sort="reworded")
    elif isinstance(stated, dict) and isinstance(fresh, dict):
        for name, value in stated.items():
            if name in fresh:
                yield from _compared(f"{where}.{name}", value, fresh[name], same)
            else:
                yield _figure(f"{where}.{name}", value, "nothing", same)
        if same.same_version:  # another may have more to say, which is no fault of this one
            for name, value in fresh.items():
                if name not in stated:
                    yield _figure(f"{where}.{name}", "nothing", value, same)
    elif isinstance(stated, list) and isinstance(fresh, list):
        yield from _lists_compared(where, stated, fresh, same)
    else:
        yield _figure(where, stated, fresh, same)


def _lists_compared(
    where: str, stated: list[Any], fresh: list[Any], same: _With
) -> Iterator[Check]:
    if len(stated) != len(fresh):
        yield _figure(f"{where}, how many", len(stated), len(fresh), same)
    if _same(stated, fresh) and not any(isinstance(each, (dict, list)) for each in stated):
        n = f"{len(stated)} values"
        yield check(where, n, n, "holds", holds=True, sort="figure")
        return
    for i, (one, other) in enumerate(zip(stated, fresh, strict=False)):
        yield from _compared(f"{where}[{i}]", one, other, same)


def _figure(where: str, stated: Any, fresh: Any, same: _With) -> Check:
    holds = _same(stated, fresh)
    words = "holds" if holds else "differs"
    if (
        not holds
        and isinstance(stated, float)
        and isinstance(fresh, float)
        and math.isclose(stated, fresh, rel_tol=CLOSE, abs_tol=CLOSE)
    ):
        holds = not same.same_program
        words = "differs in its last digits only"
        if holds:
            words = "holds but for its last digits: other versions computed it"
    return check(where, _text(stated), _text(fresh), words, holds=holds, sort="figure")


def _same(stated: Any, fresh: Any) -> bool:
    """Bit for bit: 1 is not 1.0, and -0.0 is not 0.0."""
    return repr(stated) == repr(fresh)


def _text(value: Any) -> str:
    return value if isinstance(value, str) else repr(value)

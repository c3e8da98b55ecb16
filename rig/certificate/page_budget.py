"""Every uncertainty, laid out so that a reader can work it out again with a pocket calculator.

One small table for each unit, setting, phase and kind; a line for each figure. What all its lines
share is printed once, above them.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import TypeVar

from rig.base.escape import ink
from rig.base.rounding import figure, two_figures
from rig.base.uncertainty import Contribution, Source, Uncertainty
from rig.certificate.schema import Certificate
from rig.job.results import PredictedOpening
from rig.timing.assess import found_and_left
from rig.timing.values import Assessment, Comparison, Mark
from rig.words.assessments import MARKS, contribution_words

KINDS = {"set": "set with the crank held", "impulse": "impulse coupling engaged"}
CLOSE = 5e-4  # a part of a part: contributions as near as this print the same digits
Parts = dict[str, Contribution]  # by their names; without the repeatability, which a line has as s
AnyAssessment = TypeVar("AnyAssessment", bound=Assessment)


def budget(certificate: Certificate) -> str:
    """Draw the tables, and how each U follows from its line."""
    judged = found_and_left(certificate.judgements)
    groups = [
        [(each, each.uncertainty) for each in of if each in judged and each.uncertainty]
        for of in by_block(certificate.judgements)  # tables in the order of the first sheet
    ]
    every = [_parts(uncertainty) for of in groups for _, uncertainty in of]
    rules = " ".join(ink(each) for each in certificate.rules)
    verdicts = f'<p class="note">Verdicts: {rules}</p>' if rules else ""
    if not every:
        return verdicts
    common = _common(every)
    tables = "".join(_group(of, common) for of in groups if of)
    shared = f'<p class="common">In every line: {_stated(common, every[0])}</p>' if common else ""
    how: dict[str, str] = {}  # in the words of the first figure that has it
    for each in certificate.judgements:
        for name, part in _parts(each.uncertainty).items():
            how.setdefault(name, part.how)
    sources = "; ".join(f"{ink(name)}: {ink(text)}" for name, text in how.items())
    return (
        '<div class="every"><h3>Each uncertainty, to be worked out again</h3>'
        f'{shared}<div class="budget">{tables}</div>{_pairs(certificate.comparisons)}'
        '<p class="note">Standard uncertainties in degrees of crank, with their degrees of freedom '
        "ν; without ν, taken as exact. u is the root of the sum of squares of s/√n and all other "
        "parts (JCGM 100, 5.1.2). ν of u is u⁴ over the sum of each part⁴ over its ν (G.4.1). k is "
        "Student's factor at 95 % for ν cut to a whole number (Table G.2; 1.960 for ∞). U = k u. "
        "s is pooled over the cylinders where fewer than five readings were taken of one, and for "
        f"“all”, whose n is m²/Σ(1/n) over its m cylinders. {sources}.</p>{verdicts}</div>"
    )


def _group(of: Sequence[tuple[Assessment, Uncertainty]], everywhere: Sequence[str]) -> str:
    """A table for one unit and setting, its phases below one another."""
    first, parts = of[0][0], [_parts(uncertainty) for _, uncertainty in of]
    own = [name for name in _common(parts) if name not in everywhere]
    names = [name for name in _names(parts) if name not in (*own, *everywhere)]
    phases: defaultdict[str, list[tuple[Assessment, Uncertainty]]] = defaultdict(list)
    for each, uncertainty in of:
        phases[each.phase].append((each, uncertainty))
    rows = ""
    for phase, block in phases.items():
        if phase != first.phase:
            rows += f'<tr class="phase"><th colspan="{8 + len(names)}">{ink(phase)}</th></tr>'
        for each, uncertainty in block:
            s = _repeatability(uncertainty)
            n = _count(each, s, [one for one, _ in block])
            s_deg, nu = (s.u_deg * math.sqrt(n), s.nu) if s else (0.0, math.inf)
            number = f"{n:.0f}" if math.isclose(n, round(n)) else f"{n:.2f}"
            cells = (cylinder(each, len(block) > 1), _four(s_deg), _freedom(nu), number)
            rows += _row(cells, names, uncertainty)
    turn_out = MARKS[Mark.ONE_TURN_OUT] * (Mark.ONE_TURN_OUT in first.marks)
    what = (first.setting, first.phase, KINDS.get(first.kind, ""), turn_out)
    caption = f"<b>{ink(first.unit)}</b>, {ink(', '.join(filter(None, what)))}"
    if own:
        caption += f"; in every line: {_stated(own, parts[0])}"
    return _table(caption, ("cyl.", "s", "ν", "n", *names), rows)


def _pairs(comparisons: Sequence[Comparison]) -> str:
    """A table for each pair of units: the differences whose U the first sheet has."""
    groups: defaultdict[tuple[str, str], list[tuple[Comparison, Uncertainty]]] = defaultdict(list)
    for (first, second, *_), (speaks, *_) in by_line(comparisons).items():
        if speaks.uncertainty is not None:
            groups[first, second].append((speaks, speaks.uncertainty))
    tables = ""
    for (first, second), lines in groups.items():
        every = (part for _, of in lines for part in of.parts if part.u_deg)
        names = list(dict.fromkeys(map(contribution_words, every)))
        rows = "".join(
            _row((ink(", ".join(filter(None, (of.setting, of.phase)))), cylinder(of)), names, u)
            for of, u in lines
        )
        caption = f"<b>{ink(first)}</b> earlier than <b>{ink(second)}</b>"
        tables += _table(caption, ("", "cyl.", *names), rows)
    return f'<div class="budget one">{tables}</div>' if tables else ""


def by_block(judgements: Iterable[AnyAssessment]) -> list[list[AnyAssessment]]:
    """Judgements by unit, setting and kind, in order; those one crank turn out apart."""
    blocks: defaultdict[object, list[AnyAssessment]] = defaultdict(list)
    for each in judgements:
        key = (each.unit, each.setting, each.kind, Mark.ONE_TURN_OUT in each.marks)
        blocks[key].append(each)
    return list(blocks.values())


def by_line(
    comparisons: Sequence[Comparison],
) -> dict[tuple[str, str, str, str], list[Comparison]]:
    """Comparisons by pair, setting and phase; the main one of each comes first: over all
    cylinders, else the first."""
    lines: defaultdict[tuple[str, str, str, str], list[Comparison]] = defaultdict(list)
    for each in sorted(comparisons, key=lambda each: each.cylinder is not None):
        lines[each.first, each.second, each.setting, each.phase].append(each)
    return lines


def cylinder(of: Assessment | Comparison | PredictedOpening, several: bool = True) -> str:
    """The number of its cylinder; "all" without one among ``several``, else "?"."""
    return ("all" if several else "?") if of.cylinder is None else str(of.cylinder)


def _parts(of: Uncertainty | None) -> Parts:
    return {
        contribution_words(part): part
        for part in (of.parts if of else ())
        if part.source is not Source.REPEATABILITY
    }


def _repeatability(of: Uncertainty) -> Contribution | None:
    return next((part for part in of.parts if part.source is Source.REPEATABILITY), None)


def _count(of: Assessment, own: Contribution | None, block: Sequence[Assessment]) -> float:
    """The n of s/√n: of the mean over m cylinders m²/Σ(1/n), which is n where all have as many.

    Source: JCGM 100:2008, 5.1.2; see ``uncertainty_budget.mean_over_cylinders``.
    """
    counts = [each.n for each in block if each.cylinder is not None]
    free = sum(counts) - len(counts)
    if of.cylinder is not None or sum(counts) != of.n or own is None or own.nu != free:
        return float(of.n)
    return len(counts) ** 2 / sum(1.0 / n for n in counts)


def _names(parts: Sequence[Parts]) -> list[str]:
    return list(dict.fromkeys(name for own in parts for name in own))


def _common(parts: Sequence[Parts]) -> list[str]:
    """The contributions that all lines share, to the digits that are printed."""

    def same(one: Contribution | None, other: Contribution | None) -> bool:
        if one is None or other is None or one.nu != other.nu:
            return False
        return math.isclose(one.u_deg, other.u_deg, rel_tol=CLOSE, abs_tol=1e-9)

    return [n for n in _names(parts) if all(same(own.get(n), parts[0].get(n)) for own in parts)]


def _stated(names: Sequence[str], parts: Parts) -> str:
    """Contributions by name: "TDC 0.0271 (ν 27.0), counting 0.0036"."""
    return ", ".join(f"{ink(name)} {_cell(parts[name])}" for name in names)


def _table(caption: str, heads: Sequence[str], rows: str) -> str:
    shown = "".join(f"<th>{ink(each)}</th>" for each in (*heads, "u", "ν", "k", "U"))
    return (
        f"<table><caption>{caption}</caption><thead><tr>{shown}</tr></thead>"
        f"<tbody>{rows}</tbody></table>"
    )


def _row(cells: Sequence[str], names: Sequence[str], of: Uncertainty) -> str:
    """A row: its cells, the parts of those names, their combined u with its ν, k and U."""
    parts = {contribution_words(part): part for part in of.parts}
    total = (_four(of.u_deg), _freedom(of.nu_eff), f"{of.k:.3f}", f"<b>{two_figures(of.U_deg)}</b>")
    every = (*cells, *(_cell(parts.get(name)) for name in names), *total)
    return f"<tr>{''.join(f'<td>{each}</td>' for each in every)}</tr>"


def _cell(part: Contribution | None) -> str:
    """A part with its degrees of freedom, where it has any; a dash for none."""
    if part is None or not part.u_deg:
        return "–"
    nu = "" if math.isinf(part.nu) else f" (ν {_freedom(part.nu)})"
    return f"{_four(part.u_deg)}{nu}"


def _four(size: float) -> str:
    """Four significant figures: enough to get the same U."""
    return figure(size, size / 100.0) if size > 0.0 else "0"


def _freedom(nu: float) -> str:
    if math.isinf(nu) or nu >= 100_000.0:
        return "∞"
    return f"{nu:.0f}" if nu >= 1000.0 or nu == round(nu) else f"{nu:.1f}"

"""Every uncertainty, laid out so that a reader can work it out again with a pocket calculator.

One small table for each unit, setting, phase and kind; a line for each figure. What is the same for
all its lines stands once, above them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from rig.base.escape import ink
from rig.base.rounding import figure, two_figures
from rig.base.uncertainty import Contribution, Source, Uncertainty
from rig.certificate.schema import Certificate
from rig.timing.assess import found_and_left
from rig.timing.values import Assessment, Comparison, Mark
from rig.words.assessments import MARKS, contribution_words

KINDS = {"set": "set with the crank held", "impulse": "impulse coupling engaged"}
CLOSE = 5e-4  # a part of a part: contributions as near as this print the same digits


def budget(certificate: Certificate) -> str:
    """Draw the tables, and how each U follows from its line."""
    groups: dict[tuple[str, str, str, str, bool], list[Assessment]] = {}
    for each in found_and_left(certificate.judgements):
        turn_out = Mark.ONE_TURN_OUT in each.marks
        key = (each.unit, each.setting, each.phase, each.kind, turn_out)
        groups.setdefault(key, []).append(each)
    order = list(dict.fromkeys((j.unit, j.setting) for j in certificate.judgements))
    keys = sorted(groups, key=lambda key: order.index(key[:2]))
    tables = "".join(_group(key, groups[key]) for key in keys)
    rules = " ".join(ink(each) for each in certificate.rules)
    verdicts = f'<p class="note">Verdicts: {rules}</p>' if rules else ""
    if not tables:
        return verdicts
    return (
        '<h3 class="every">Each uncertainty, to be worked out again</h3>'
        f'<div class="budget">{tables}</div>{_pairs(certificate.comparisons)}'
        '<p class="note">Standard uncertainties in degrees of crank, with their degrees of freedom '
        "ν; without ν, taken as exact. u is the root of the sum of squares of s/√n and all other "
        "parts (JCGM 100, 5.1.2). ν of u is u⁴ over the sum of each part⁴ over its ν (G.4.1). k is "
        "Student's factor at 95 % for ν cut to a whole number (Table G.2; 1.960 for ∞). U = k u. "
        "s is pooled over the cylinders where fewer than five readings were taken of one, and for "
        f"“all”, whose n is m²/Σ(1/n) over its m cylinders.</p>"
        f'<p class="note">{_sources(certificate.judgements)}.</p>{verdicts}'
    )


def rows_of(certificate: Certificate) -> int:
    """How many uncertainties there are."""
    own = (each.uncertainty for each in found_and_left(certificate.judgements))
    pairs = (of[0].uncertainty for of in by_line(certificate.comparisons).values())
    return sum(each is not None for each in (*own, *pairs))


def _pairs(comparisons: Sequence[Comparison]) -> str:
    """A table for each pair of units: the differences whose U the first sheet has."""
    groups: dict[tuple[str, str], list[Comparison]] = {}
    for (first, second, *_), of in by_line(comparisons).items():
        if of[0].uncertainty is not None:
            groups.setdefault((first, second), []).append(of[0])
    tables = ""
    for (first, second), lines in groups.items():
        parts = [each.uncertainty.parts for each in lines if each.uncertainty is not None]
        names = list(dict.fromkeys(contribution_words(part) for own in parts for part in own))
        heads = "".join(f"<th>{ink(name)}</th>" for name in names)
        rows = "".join(_pair_row(each, names) for each in lines)
        tables += (
            f"<table><caption><b>{ink(first)}</b> earlier than <b>{ink(second)}</b></caption>"
            f"<thead><tr><th></th><th>cyl.</th>{heads}<th>u</th><th>ν</th><th>k</th><th>U</th>"
            f"</tr></thead><tbody>{rows}</tbody></table>"
        )
    return f'<div class="budget one">{tables}</div>' if tables else ""


def _pair_row(of: Comparison, names: Sequence[str]) -> str:
    parts = of.uncertainty.parts if of.uncertainty else ()
    what = ", ".join(filter(None, (of.setting, of.phase)))
    cells = [ink(what), "all" if of.cylinder is None else str(of.cylinder)]
    for name in names:
        part = next((each for each in parts if contribution_words(each) == name), None)
        cells.append(_cell(part))
    return _with_total(cells, of.uncertainty)


def by_line(
    comparisons: Sequence[Comparison],
) -> dict[tuple[str, str, str, str], list[Comparison]]:
    """Comparisons by pair, setting and phase; the one that speaks for each comes first: over all
    cylinders, else the first."""
    lines: dict[tuple[str, str, str, str], list[Comparison]] = {}
    for each in comparisons:
        lines.setdefault((each.first, each.second, each.setting, each.phase), []).append(each)
    return {
        key: sorted(of, key=lambda each: each.cylinder is not None) for key, of in lines.items()
    }


@dataclass(frozen=True, slots=True)
class _Line:
    """One figure: the s and n that its repeatability comes from, and its other parts."""

    of: Assessment
    s_deg: float
    n: float
    nu_s: float
    others: tuple[Contribution, ...]


def _group(key: tuple[str, str, str, str, bool], of: Sequence[Assessment]) -> str:
    lines = [_line(each, of) for each in of if each.uncertainty is not None]
    if not lines:
        return ""
    unit, setting, phase, kind, turn_out = key
    what = (setting, phase, KINDS.get(kind, ""), MARKS[Mark.ONE_TURN_OUT] * turn_out)
    names = list(dict.fromkeys(contribution_words(p) for line in lines for p in line.others))
    common = [name for name in names if _is_common(name, lines)]
    own = [name for name in names if name not in common]
    above = ", ".join(_stated(name, _named(name, lines[0])) for name in common)
    heads = "".join(f"<th>{ink(name)}</th>" for name in own)
    rows = "".join(_row(line, own, several=len(of) > 1) for line in lines)
    said = ", ".join(filter(None, what))
    return (
        f"<table><caption><b>{ink(unit)}</b>, {ink(said)}<br>{above}</caption><thead><tr>"
        f"<th>cyl.</th><th>s</th><th>ν</th><th>n</th>{heads}<th>u</th><th>ν</th><th>k</th>"
        f"<th>U</th></tr></thead><tbody>{rows}</tbody></table>"
    )


def _line(of: Assessment, block: Sequence[Assessment]) -> _Line:
    parts = of.uncertainty.parts if of.uncertainty else ()
    own = next((p for p in parts if p.source is Source.REPEATABILITY), None)
    others = tuple(p for p in parts if p is not own)
    n = _count(of, own, block)
    if own is None:
        return _Line(of, 0.0, n, math.inf, others)
    return _Line(of, own.u_deg * math.sqrt(n), n, own.nu, others)


def _count(of: Assessment, own: Contribution | None, block: Sequence[Assessment]) -> float:
    """The n of s/√n: of the mean over m cylinders m²/Σ(1/n), which is n where all have as many.

    Source: JCGM 100:2008, 5.1.2; see ``uncertainty_budget.mean_over_cylinders``.
    """
    counts = [each.n for each in block if each.cylinder is not None]
    free = sum(counts) - len(counts)
    if of.cylinder is not None or sum(counts) != of.n or own is None or own.nu != free:
        return float(of.n)
    return len(counts) ** 2 / sum(1.0 / n for n in counts)


def _named(name: str, line: _Line) -> Contribution | None:
    return next((p for p in line.others if contribution_words(p) == name), None)


def _is_common(name: str, lines: Sequence[_Line]) -> bool:
    found = [_named(name, line) for line in lines]
    first = found[0]
    return first is not None and all(
        each is not None and each.nu == first.nu
        and math.isclose(each.u_deg, first.u_deg, rel_tol=CLOSE, abs_tol=1e-9)
        for each in found
    )  # fmt: skip


def _stated(name: str, part: Contribution | None) -> str:
    """A part that all lines share: "top dead centre 0.0271 (ν 27.0)"."""
    return f"{ink(name)} {_cell(part)}"


def _row(line: _Line, own: Sequence[str], *, several: bool) -> str:
    of = line.of
    if of.uncertainty is None:
        return ""
    cells = [_cylinder(of, several), _four(line.s_deg), _freedom(line.nu_s), _number(line.n)]
    cells += [_cell(_named(name, line)) for name in own]
    return _with_total(cells, of.uncertainty)


def _cell(part: Contribution | None) -> str:
    """A part with its degrees of freedom, where it has any."""
    if part is None:
        return "–"
    nu = "" if math.isinf(part.nu) else f" (ν {_freedom(part.nu)})"
    return f"{_four(part.u_deg)}{nu}"


def _with_total(cells: Sequence[str], found: Uncertainty | None) -> str:
    """A row: its parts, what they come to, k and U."""
    shown = "".join(f"<td>{each}</td>" for each in cells)
    if found is None:
        return f"<tr>{shown}</tr>"
    total = (_four(found.u_deg), _freedom(found.nu_eff), f"{found.k:.3f}")
    shown += "".join(f"<td>{each}</td>" for each in total)
    return f"<tr>{shown}<td><b>{two_figures(found.U_deg)}</b></td></tr>"


def _cylinder(of: Assessment, several: bool) -> str:
    if of.cylinder is None:
        return "all" if several else "?"
    return str(of.cylinder)


def _four(size: float) -> str:
    """Four significant figures: enough to come to the same U."""
    return figure(size, size / 100.0) if size > 0.0 else "0"


def _freedom(nu: float) -> str:
    if math.isinf(nu) or nu >= 100_000.0:
        return "∞"
    return f"{nu:.0f}" if nu >= 1000.0 or nu == round(nu) else f"{nu:.1f}"


def _number(n: float) -> str:
    return f"{n:.0f}" if math.isclose(n, round(n)) else f"{n:.2f}"


def _sources(judgements: Sequence[Assessment]) -> str:
    """Where each part comes from, in the words of the first figure that has it."""
    how: dict[str, str] = {}
    for each in judgements:
        for part in each.uncertainty.parts if each.uncertainty else ():
            if part.source is not Source.REPEATABILITY:
                how.setdefault(contribution_words(part), part.how)
    return "; ".join(f"{ink(name)}: {ink(text)}" for name, text in how.items())

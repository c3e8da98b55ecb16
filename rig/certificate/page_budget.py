"""Every uncertainty, laid out so that a reader can work it out again with a pocket calculator.

One small table for each unit, setting, phase and kind; a line for each figure. What is the same for
all its lines stands once, above them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

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
Parts = dict[str, Contribution]  # by their names


def budget(certificate: Certificate) -> str:
    """Draw the tables, and how each U follows from its line."""
    judged = found_and_left(certificate.judgements)
    groups: dict[tuple[str, str, str, bool], list[Assessment]] = {}
    for each in certificate.judgements:  # tables in the order of the first sheet
        key = (each.unit, each.setting, each.kind, Mark.ONE_TURN_OUT in each.marks)
        groups.setdefault(key, []).extend([each] if each in judged and each.uncertainty else [])
    every = [_named(each.uncertainty) for of in groups.values() for each in of]
    common = _common(every)
    tables = "".join(_group(*key, of, common) for key, of in groups.items() if of)
    rules = " ".join(ink(each) for each in certificate.rules)
    verdicts = f'<p class="note">Verdicts: {rules}</p>' if rules else ""
    if not tables:
        return verdicts
    shared = f'<p class="common">In every line: {_stated(common, every[0])}</p>' if common else ""
    return (
        '<div class="every"><h3>Each uncertainty, to be worked out again</h3>'
        f'{shared}<div class="budget">{tables}</div>{_pairs(certificate.comparisons)}'
        '<p class="note">Standard uncertainties in degrees of crank, with their degrees of freedom '
        "ν; without ν, taken as exact. u is the root of the sum of squares of s/√n and all other "
        "parts (JCGM 100, 5.1.2). ν of u is u⁴ over the sum of each part⁴ over its ν (G.4.1). k is "
        "Student's factor at 95 % for ν cut to a whole number (Table G.2; 1.960 for ∞). U = k u. "
        "s is pooled over the cylinders where fewer than five readings were taken of one, and for "
        f"“all”, whose n is m²/Σ(1/n) over its m cylinders. {_sources(certificate.judgements)}.</p>"
        f"{verdicts}</div>"
    )


def _group(
    unit: str, setting: str, kind: str, turn_out: bool, of: Sequence[Assessment],
    everywhere: Sequence[str],
) -> str:  # fmt: skip
    """A table for one unit and setting, its phases below one another."""
    parts = [_named(each.uncertainty) for each in of]
    own = [name for name in _common(parts) if name not in everywhere]
    names = [name for name in _names(parts) if name not in (*own, *everywhere)]
    phases = list(dict.fromkeys(each.phase for each in of))
    rows = ""
    for phase in phases:
        block = [each for each in of if each.phase == phase]
        if phase != phases[0]:
            rows += f'<tr class="phase"><th colspan="{8 + len(names)}">{ink(phase)}</th></tr>'
        for each in block:
            found = _named(each.uncertainty)
            part = next(filter(_is_s, found.values()), None)
            n = _count(each, part, block)
            s_deg, nu = (part.u_deg * math.sqrt(n), part.nu) if part else (0.0, math.inf)
            number = f"{n:.0f}" if math.isclose(n, round(n)) else f"{n:.2f}"
            cells = [cylinder(each, len(block) > 1), _four(s_deg), _freedom(nu), number]
            rows += _row([*cells, *(_cell(found.get(name)) for name in names)], each.uncertainty)
    what = (setting, phases[0], KINDS.get(kind, ""), MARKS[Mark.ONE_TURN_OUT] * turn_out)
    caption = f"<b>{ink(unit)}</b>, {ink(', '.join(filter(None, what)))}"
    if own:
        caption += f"; in every line: {_stated(own, parts[0])}"
    return _table(caption, ["cyl.", "s", "ν", "n", *names], rows)


def _pairs(comparisons: Sequence[Comparison]) -> str:
    """A table for each pair of units: the differences whose U the first sheet has."""
    groups: dict[tuple[str, str], list[Comparison]] = {}
    for (first, second, *_), of in by_line(comparisons).items():
        if of[0].uncertainty is not None:
            groups.setdefault((first, second), []).append(of[0])
    tables = ""
    for (first, second), lines in groups.items():
        parts = [_named(each.uncertainty) for each in lines]
        names = list(dict.fromkeys(name for own in parts for name in own if own[name].u_deg))
        rows = ""
        for each, own in zip(lines, parts, strict=True):
            cells = [ink(", ".join(filter(None, (each.setting, each.phase)))), cylinder(each)]
            rows += _row([*cells, *(_cell(own.get(name)) for name in names)], each.uncertainty)
        caption = f"<b>{ink(first)}</b> earlier than <b>{ink(second)}</b>"
        tables += _table(caption, ["", "cyl.", *names], rows)
    return f'<div class="budget one">{tables}</div>' if tables else ""


def by_line(
    comparisons: Sequence[Comparison],
) -> dict[tuple[str, str, str, str], list[Comparison]]:
    """Comparisons by pair, setting and phase; the one that speaks for each comes first: over all
    cylinders, else the first."""
    lines: dict[tuple[str, str, str, str], list[Comparison]] = {}
    for each in sorted(comparisons, key=lambda each: each.cylinder is not None):
        lines.setdefault((each.first, each.second, each.setting, each.phase), []).append(each)
    return lines


def cylinder(of: Assessment | Comparison | PredictedOpening, several: bool = True) -> str:
    """The number of its cylinder; "all" without one among ``several``, else "?"."""
    return ("all" if several else "?") if of.cylinder is None else str(of.cylinder)


def _named(of: Uncertainty | None) -> Parts:
    return {contribution_words(part): part for part in (of.parts if of else ())}


def _is_s(part: Contribution) -> bool:
    return part.source is Source.REPEATABILITY


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
    """All contributions but the repeatability, which each line has as s and n."""
    named = {name: None for own in parts for name, part in own.items() if not _is_s(part)}
    return list(named)


def _common(parts: Sequence[Parts]) -> list[str]:
    """The contributions that all lines share, to the digits that are printed."""
    return [
        name
        for name in _names(parts)
        if (first := parts[0].get(name)) and all(
            (part := own.get(name)) and part.nu == first.nu
            and math.isclose(part.u_deg, first.u_deg, rel_tol=CLOSE, abs_tol=1e-9)
            for own in parts
        )
    ]  # fmt: skip


def _stated(names: Sequence[str], parts: Parts) -> str:
    """Contributions by name: "TDC 0.0271 (ν 27.0), counting 0.0036"."""
    return ", ".join(f"{ink(name)} {_cell(parts[name])}" for name in names)


def _table(caption: str, heads: Sequence[str], rows: str) -> str:
    shown = "".join(f"<th>{ink(each)}</th>" for each in (*heads, "u", "ν", "k", "U"))
    return (
        f"<table><caption>{caption}</caption><thead><tr>{shown}</tr></thead>"
        f"<tbody>{rows}</tbody></table>"
    )


def _row(cells: Sequence[str], found: Uncertainty | None) -> str:
    """A row: its parts, what they come to, k and U."""
    total: list[str] = []
    if found is not None:
        total = [_four(found.u_deg), _freedom(found.nu_eff), f"{found.k:.3f}"]
        total.append(f"<b>{two_figures(found.U_deg)}</b>")
    return f"<tr>{''.join(f'<td>{each}</td>' for each in (*cells, *total))}</tr>"


def _cell(part: Contribution | None) -> str:
    """A part with its degrees of freedom, where it has any; a dash for none."""
    if part is None or not part.u_deg:
        return "–"
    nu = "" if math.isinf(part.nu) else f" (ν {_freedom(part.nu)})"
    return f"{_four(part.u_deg)}{nu}"


def _four(size: float) -> str:
    """Four significant figures: enough to come to the same U."""
    return figure(size, size / 100.0) if size > 0.0 else "0"


def _freedom(nu: float) -> str:
    if math.isinf(nu) or nu >= 100_000.0:
        return "∞"
    return f"{nu:.0f}" if nu >= 1000.0 or nu == round(nu) else f"{nu:.1f}"


def _sources(judgements: Sequence[Assessment]) -> str:
    """Where each part comes from, in the words of the first figure that has it."""
    how: dict[str, str] = {}
    for each in judgements:
        for part in each.uncertainty.parts if each.uncertainty else ():
            if part.source is not Source.REPEATABILITY:
                how.setdefault(contribution_words(part), part.how)
    return "; ".join(f"{ink(name)}: {ink(text)}" for name, text in how.items())

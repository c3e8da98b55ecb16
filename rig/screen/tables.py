"""Tables that commands print: ruled on a terminal, plain lines anywhere else."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import repeat
from math import isfinite
from typing import TextIO

from rich.cells import cell_len

from rig.engine import stated
from rig.engine.uncertainty import Uncertainty
from rig.screen.canvas import Role, rich_style
from rig.screen.keys import shows_colour, shows_unicode
from rig.screen.units import VERDICT_ROLE
from rig.screen.wording import clean, number
from rig.timing.results import Comparison, Judgement, Reading


@dataclass(frozen=True, slots=True)
class Table:
    """Text in rows and columns. ``numeric`` columns are set to their far edge."""

    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: frozenset[int] = frozenset()
    roles: tuple[Role, ...] = ()  # of each row, all "text" when empty
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PortRow:
    """One serial port as the system knows it, and what answered there."""

    device: str
    description: str
    answers: str = ""


def show(table: Table, out: TextIO | None = None) -> None:
    """Print ``table``: ruled on a terminal, else as plain lines without control codes."""
    stream = sys.stdout if out is None else out
    if stream.isatty():
        _show_ruled(table, stream)
    else:
        for line in plain_lines(table, shows_unicode(stream)):
            print(line, file=stream)


def plain_lines(table: Table, unicode: bool = True) -> list[str]:
    """``table`` as lines of text, columns two spaces apart, no space at the end of a line."""
    rows = [[clean(cell, unicode) for cell in row] for row in (table.heads, *table.rows)]
    widths = [max(map(cell_len, column)) for column in zip(*rows, strict=True)]
    lines = [clean(table.title, unicode)] if table.title else []
    for row in rows:
        cells = [
            _padded(cell, width, place in table.numeric)
            for place, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append("  ".join(cells).rstrip())
    return lines + [clean(note, unicode) for note in table.notes]


def _padded(cell: str, width: int, far: bool) -> str:
    spare = " " * (width - cell_len(cell))
    return spare + cell if far else cell + spare


def _show_ruled(table: Table, stream: TextIO) -> None:
    from rich import box
    from rich.console import Console
    from rich.table import Table as Ruled
    from rich.text import Text

    colour, unicode = shows_colour(stream), shows_unicode(stream)
    console = Console(file=stream, no_color=not colour, highlight=False, markup=False, emoji=False)
    edge = box.SIMPLE_HEAD if unicode else box.ASCII
    ruled = Ruled(box=edge, pad_edge=False, header_style="bold", show_edge=False)
    for place, head in enumerate(table.heads):
        ruled.add_column(
            Text(clean(head, unicode)), justify="right" if place in table.numeric else "left"
        )
    roles: Iterable[Role] = table.roles or repeat("text", len(table.rows))
    for row, role in zip(table.rows, roles, strict=True):
        style = rich_style(role, colour)
        ruled.add_row(*(Text(clean(cell, unicode), style=style) for cell in row))
    if table.title:
        console.print(Text(clean(table.title, unicode), style="bold"))
    console.print(ruled)
    for note in table.notes:
        console.print(Text(clean(note, unicode)))


def judgement_table(judgements: Sequence[Judgement], title: str = "Judgement") -> Table:
    """Each unit, setting and cylinder against its window; the rule and what would settle below."""
    rows = []
    for j in judgements:
        U_deg = None if j.uncertainty is None else j.uncertainty.U_deg
        U = stated.within(U_deg) or "–"
        # What the words say already is not said twice.
        more = ("" if j.kind == "turned" else j.kind, *j.marks)
        remarks = (j.words, *(each for each in more if each not in j.words))
        rows.append(
            (
                j.unit, j.setting, _cylinder(j.cylinder), j.phase, str(j.n),
                stated.btdc(j.mean_btdc, U_deg), U, stated.scatter(j.sd_deg), _window(j), j.verdict,
                ", ".join(filter(None, remarks)),
            )
        )  # fmt: skip
    rules = dict.fromkeys(j.rule for j in judgements if j.rule)
    settle = [
        f"{j.unit}, {j.setting}, cylinder {_cylinder(j.cylinder)}: {j.settle}"
        for j in judgements
        if j.settle
    ]
    wide = [
        f"{j.unit}, {j.setting}, cylinder {_cylinder(j.cylinder)}: {why}"
        for j in judgements
        if (why := stated.few(j.uncertainty, j.n))
    ]
    return Table(
        title,
        ("unit", "setting", "cylinder", "phase", "n", "mean", "within", "spread", "window",
         "verdict", "in words"),
        tuple(rows),
        frozenset({4, 5, 6, 7}),
        tuple(VERDICT_ROLE[j.verdict] for j in judgements),
        (*rules, *settle, *wide),
    )  # fmt: skip


def comparison_table(comparisons: Sequence[Comparison], title: str = "Two units") -> Table:
    """The first against the second; positive when the first opens earlier."""
    rows = []
    for c in comparisons:
        U_deg = None if c.uncertainty is None else c.uncertainty.U_deg
        wanted = "–" if c.wanted_deg is None else f"{stated.entered(c.wanted_deg)}°"
        if c.wanted_deg is not None and c.tolerance_deg is not None:
            wanted += f" ±{stated.entered(c.tolerance_deg)}°"
        rows.append(
            (
                f"{c.first} against {c.second}", ", ".join(filter(None, (c.setting, c.phase))),
                "all" if c.cylinder is None else str(c.cylinder),
                f"{stated.figure(c.difference_deg, U_deg)}°", stated.within(U_deg) or "–", wanted,
                c.verdict, c.words,
            )
        )  # fmt: skip
    return Table(
        title,
        ("units", "setting", "cylinder", "difference", "within", "wanted", "verdict", "in words"),
        tuple(rows),
        frozenset({3, 4}),
        tuple(VERDICT_ROLE[c.verdict] for c in comparisons),
        tuple(
            f"{c.first} against {c.second}, cylinder {_cylinder(c.cylinder)}: {why}"
            for c in comparisons
            if (why := stated.few(c.uncertainty, 0))
        ),
    )


def contribution_table(uncertainty: Uncertainty, title: str = "Uncertainty") -> Table:
    """The parts of an uncertainty and what they come to (JCGM 100)."""
    rows = [
        (
            p.name,
            stated.u_part(p.u_deg),
            number(p.nu, 1) if isfinite(p.nu) else "exact",
            p.kind,
            p.how,
        )
        for p in uncertainty.parts
    ]
    nu = number(uncertainty.nu_eff, 1) if isfinite(uncertainty.nu_eff) else "without limit"
    return Table(
        title,
        ("part", "u, degrees", "degrees of freedom", "type", "from"),
        tuple(rows),
        frozenset({1, 2}),
        notes=(
            f"together u {stated.u_part(uncertainty.u_deg)}°, degrees of freedom {nu}, "
            f"k {number(uncertainty.k, 2)}: {stated.within(uncertainty.U_deg)} at about 95 %",
        ),
    )


def reading_table(readings: Sequence[Reading], title: str = "Openings") -> Table:
    """Every opening in order, those that do not count with the reason."""
    rows = []
    for r in readings:
        remarks = (
            r.why,
            "" if r.kind == "turned" else r.kind,
            "one crank turn out" if r.wrong_stroke else "",
            "" if r.stroke_known else "stroke not stated",
        )
        cells = (
            r.unit,
            r.setting,
            _cylinder(r.cylinder),
            number(r.t_s, 3),
            stated.btdc(r.btdc_deg),
        )
        rows.append((*cells, "yes" if r.counts else "no", ", ".join(filter(None, remarks))))
    return Table(
        title,
        ("unit", "setting", "cylinder", "at, s", "opens", "counts", "remark"),
        tuple(rows),
        frozenset({3, 4}),
    )


def port_table(ports: Iterable[PortRow], title: str = "Serial ports") -> Table:
    """The ports of this computer."""
    rows = tuple((p.device, p.description or "–", p.answers or "–") for p in ports)
    notes = () if rows else ("no serial port found: is the rig's cable in?",)
    return Table(title, ("port", "what the system knows", "what answers"), rows, notes=notes)


def fact_table(facts: Iterable[tuple[str, str]], title: str = "") -> Table:
    """Pairs of name and value."""
    return Table(title, ("", ""), tuple(facts))


def _cylinder(cylinder: int | None) -> str:
    return "–" if cylinder is None else str(cylinder)


def _window(j: Judgement) -> str:
    if j.earliest_btdc is None or j.latest_btdc is None:
        return "none stated"
    return f"{stated.entered_btdc(j.earliest_btdc)} to {stated.entered_btdc(j.latest_btdc)}"

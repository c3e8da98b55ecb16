"""What to buy: the parts of each circuit, of one kind on one line; and what each net joins."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass

from netlist import CIRCUITS, Circuit, Part

HEAD = (
    "board",
    "quantity",
    "designators",
    "value",
    "what",
    "order as",
    "package",
    "tolerance",
    "rating",
)
NAMES = {
    "inputs": "encoder and foot switch",
    "plain": "contacts alone",
    "winding": "winding left on",
}


@dataclass(frozen=True, slots=True)
class Line:
    """Parts of one kind."""

    circuit: Circuit
    parts: tuple[Part, ...]

    @property
    def cells(self) -> tuple[str, ...]:
        """As in ``HEAD``."""
        part = self.parts[0]
        kind = part.type
        value = "" if kind.symbol in ("connector", "point") else part.value
        if kind.symbol == "resistor":
            value += "ohm" if value[-1] in "kM" else " ohm"
        return (
            NAMES[self.circuit.name],
            str(len(self.parts)),
            " ".join(each.ref for each in self.parts),
            value,
            kind.what,
            part.order,
            kind.package,
            kind.tolerance,
            kind.rating.words,
        )


def lines() -> list[Line]:
    """All circuits, in the order of their parts."""
    found = []
    for circuit in CIRCUITS:
        kinds: dict[tuple[str, str], list[Part]] = {}
        for part in circuit.parts:
            connector = part.type.symbol in ("connector", "point")
            kinds.setdefault((part.type_name, "" if connector else part.value), []).append(part)
        found += [Line(circuit, tuple(parts)) for parts in kinds.values()]
    return found


def as_csv() -> str:
    """The list as a file for spreadsheets and shops."""
    text = io.StringIO()
    rows = csv.writer(text, lineterminator="\n")
    rows.writerow(HEAD)
    rows.writerows(line.cells for line in lines())
    return text.getvalue()


def as_markdown() -> str:
    """The list as tables, one for each circuit."""
    text = []
    for circuit in CIRCUITS:
        text += [f"**{NAMES[circuit.name].capitalize()}**", ""]
        text += [f"| {' | '.join(HEAD[1:])} |", f"|{' --- |' * (len(HEAD) - 1)}"]
        own = [line.cells[1:] for line in lines() if line.circuit is circuit]
        text += [f"| {' | '.join(cells)} |" for cells in own]
        text.append("")
    return "\n".join(text)


def nets_as_csv() -> str:
    """Each net with its pins (designator and pin number): for wiring by hand, and for a meter."""
    text = io.StringIO()
    rows = csv.writer(text, lineterminator="\n")
    rows.writerow(("board", "net", "pins"))
    for circuit in CIRCUITS:
        for net, pins in circuit.nets().items():
            joined = " ".join(f"{ref}.{pin}" for ref, pin in sorted(pins))
            rows.writerow((NAMES[circuit.name], net, joined))
    return text.getvalue()

"""Drawings, stripboards and parts list against the one netlist."""

from __future__ import annotations

import csv
import io
from collections import Counter
from dataclasses import replace

import pytest
from bom import HEAD, NAMES, as_csv, nets_as_csv
from netlist import CIRCUITS, INPUTS, PLAIN, Circuit, Part
from schematic import Schematic
from sheets_board import encoder
from sheets_contacts import contacts_alone, contacts_with_winding
from stripboard import INPUTS_LAYOUT, PLAIN_LAYOUT, Layout, hole

LAYOUTS = (PLAIN_LAYOUT, INPUTS_LAYOUT)
BOARD = {"5V", "0V", "OUT"}


def nets_of(circuit: Circuit) -> set[frozenset[tuple[str, int]]]:
    return {frozenset(pins) for pins in circuit.nets().values()}


@pytest.mark.parametrize("draw", [encoder, contacts_alone, contacts_with_winding])
def test_wires_join_nothing_but_what_the_netlist_joins(draw: type[Schematic]) -> None:
    """Wires alone; what is left apart carries the name of its net (``finish`` raises otherwise)."""
    s = draw()  # type: ignore[call-arg]
    net_of = {(p.ref, n): net for p in s.circuit.parts for n, net in enumerate(p.nets, 1)}
    joined = [group.pins for group in s.groups() if len(group.pins) > 1]
    assert len(joined) > 5
    for pins in joined:
        assert len({net_of[pin] for pin in pins}) == 1


def test_a_wrong_drawing_is_refused() -> None:
    def drawn() -> Schematic:
        two = Circuit(
            "two",
            "",
            (Part("R1", "R", "1 k", ("a", "b"), ""), Part("R2", "R", "1 k", ("b", "c"), "")),
        )
        s = Schematic(two, "", "")
        s.two("R1", (20, 50), (34, 50))
        s.two("R2", (40, 50), (54, 50))
        return s

    right = drawn()
    right.wire((34, 50), (40, 50))
    right.finish()
    wrong = drawn()
    wrong.wire((34, 50), (34, 40), (54, 40), (54, 50))
    with pytest.raises(ValueError, match="joins"):
        wrong.finish()
    less = Schematic(PLAIN, "", "")
    with pytest.raises(ValueError, match="not drawn"):
        less.finish()


@pytest.mark.parametrize("layout", LAYOUTS, ids=lambda layout: str(layout.circuit.name))
def test_strips_join_what_the_netlist_joins(layout: Layout) -> None:
    assert set(layout.parts) == {part.ref for part in layout.circuit.parts}
    free = {(p.ref, n) for p in layout.circuit.parts for n, net in enumerate(p.nets, 1) if not net}
    found = {frozenset(pins) for pins in layout.joined() if not pins <= free}
    assert found == nets_of(layout.circuit)


@pytest.mark.parametrize("layout", LAYOUTS, ids=lambda layout: str(layout.circuit.name))
def test_nothing_stands_where_something_is(layout: Layout) -> None:
    pins, cuts = set(layout.pins()), layout.cut_holes()
    ends = [end for link in layout.link_ends() for end in link]
    assert len(ends) == len(set(ends))
    assert not pins & cuts
    assert not pins & set(ends)
    assert not cuts & set(ends)
    for row, column in [*pins, *ends, *cuts]:
        assert 0 <= row < layout.rows
        assert 0 <= column < layout.columns
    for one, other in layout.link_ends():
        assert one[1] == other[1]


@pytest.mark.parametrize("layout", LAYOUTS, ids=lambda layout: str(layout.circuit.name))
def test_a_link_or_a_cut_left_out_is_found(layout: Layout) -> None:
    wanted = nets_of(layout.circuit)
    for link in layout.links.split():
        less = replace(layout, links=layout.links.replace(link, "", 1))
        assert not wanted <= {frozenset(pins) for pins in less.joined()}, link
    rows = {name[0] for name in layout.cuts.split()}
    bridged = [
        replace(layout, cuts=" ".join(n for n in layout.cuts.split() if n[0] != row))
        for row in sorted(rows)
    ]
    assert any(not wanted <= {frozenset(pins) for pins in each.joined()} for each in bridged)


def test_two_holes_of_every_strip_part_engine_and_board() -> None:
    """5 mm along each strip; at the converter the next strip is nearer, as wiring.md says."""
    layout = PLAIN_LAYOUT
    net_of = {(p.ref, n): net for p in PLAIN.parts for n, net in enumerate(p.nets, 1)}
    cuts = layout.cut_holes()
    for row in range(layout.rows):
        here = {c for r, c in cuts if r == row}
        assert any(c + 1 in here for c in here), row
        sides: dict[str, list[int]] = {"engine": [], "board": []}
        for (r, column), pin in layout.pins().items():
            net = net_of[pin]
            if r == row and net:
                sides["board" if net in BOARD else "engine"].append(column)
        if sides["engine"] and sides["board"]:
            left, right = max(sides["engine"]), min(sides["board"])
            between = [c for c in range(left + 1, right) if c in here]
            assert len(between) >= 2, row


def test_holes_have_names() -> None:
    assert hole("C12") == (2, 11)
    with pytest.raises(ValueError, match="no hole"):
        hole("12C")


def test_the_list_has_every_part_once() -> None:
    rows = list(csv.DictReader(io.StringIO(as_csv())))
    assert set(rows[0]) == set(HEAD)
    assert sum(int(row["quantity"]) for row in rows) == sum(len(c.parts) for c in CIRCUITS)
    names = Counter((row["board"], ref) for row in rows for ref in row["designators"].split())
    assert set(names.values()) == {1}
    for row in rows:
        assert len(row["designators"].split()) == int(row["quantity"])
        assert all(row[key] for key in ("what", "order as", "package"))
        if row["what"].startswith(("metal film", "ceramic", "electrolytic", "wire wound", "poly")):
            assert row["value"]
            assert row["tolerance"]


def test_inputs_stay_below_five_volts() -> None:
    """No part of the encoder's board has another supply than the board's own."""
    assert not set(INPUTS.nets()) & {"V12", "E"}


def test_the_list_of_nets_is_the_netlist() -> None:
    rows = list(csv.DictReader(io.StringIO(nets_as_csv())))
    for circuit in CIRCUITS:
        own = {
            row["net"]: {
                (ref, int(pin)) for ref, pin in (p.split(".") for p in row["pins"].split())
            }
            for row in rows
            if row["board"] == NAMES[circuit.name]
        }
        assert own == circuit.nets()

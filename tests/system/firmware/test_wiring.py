"""Drawings, stripboards and parts list against the one netlist."""

from __future__ import annotations

import csv
import io
from collections import Counter
from dataclasses import replace
from itertools import combinations, pairwise

import pytest
from bom import HEAD, NAMES, as_csv, nets_as_csv
from netlist import CIRCUITS, INPUTS, PLAIN, Circuit, Part
from schematic import Schematic
from sheets_board import encoder
from sheets_contacts import contacts_alone, contacts_with_winding
from stripboard import INPUTS_LAYOUT, PLAIN_LAYOUT, WINDING_LAYOUT, Layout, hole, place

LAYOUTS = (PLAIN_LAYOUT, INPUTS_LAYOUT, WINDING_LAYOUT)
BOARD = {"5V", "0V", "OUT"}
BARRIER_MM = 5.0
"""Creepage of basic insulation at 500 V, pollution degree 2, material group III (IEC 60664-1, table
F.5, from memory)."""
KICK_MM = 1.5


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


@pytest.mark.parametrize(
    ("layout", "cut"), [(PLAIN_LAYOUT, "I13"), (WINDING_LAYOUT, "H42")], ids=["plain", "winding"]
)
def test_copper_of_engine_and_board_is_kept_apart(layout: Layout, cut: str) -> None:
    """The drawing says 5.5 mm. A strip that is not peeled, or a cut left out, is found."""
    engine = set(layout.circuit.nets()) - BOARD
    assert layout.apart_mm(engine, BOARD) >= max(BARRIER_MM, 5.5)
    assert replace(layout, bare="").apart_mm(engine, BOARD) < BARRIER_MM
    fewer = replace(layout, cuts=layout.cuts.replace(cut, ""))
    assert fewer.apart_mm(engine, BOARD) < BARRIER_MM


@pytest.mark.parametrize(
    ("layout", "kick"),
    [(PLAIN_LAYOUT, {"LEAD", "M"}), (WINDING_LAYOUT, {"LEAD", "K2", "K1", "N", "N2"})],
    ids=["plain", "winding"],
)
def test_copper_that_sees_the_kick_keeps_away(layout: Layout, kick: set[str]) -> None:
    nets = set(layout.circuit.nets())
    for net in kick:
        assert layout.apart_mm({net}, nets - {net}) >= KICK_MM, net


def outlines(layout: Layout) -> dict[str, list[tuple[float, float]]]:
    """Bodies, links (wire of 0.6 mm) and pins (also 0.6 mm), as corners in millimetres."""

    def about(*spots: tuple[float, float]) -> list[tuple[float, float]]:
        (x0, y0), (x1, y1) = spots[0], spots[-1]
        return [
            (x0 - 0.3, y0 - 0.3),
            (x0 + 0.3, y0 - 0.3),
            (x1 + 0.3, y1 + 0.3),
            (x1 - 0.3, y1 + 0.3),
        ]

    found = {ref: layout.body(ref) for ref in layout.parts}
    for one, other in layout.link_ends():
        found[f"link {one}"] = about(place(one), place(other))
    for at, (ref, number) in layout.pins().items():
        found[f"{ref} pin {number}"] = about(place(at))
    return found


def overlap(one: list[tuple[float, float]], other: list[tuple[float, float]]) -> bool:
    """Of two convex shapes: no line along a side of either parts them (separating axes)."""
    for shape in (one, other):
        for (x0, y0), (x1, y1) in pairwise([*shape, shape[0]]):
            seen, others = (
                [x * (y1 - y0) - y * (x1 - x0) for x, y in each] for each in (one, other)
            )
            if max(seen) <= min(others) + 1e-6 or max(others) <= min(seen) + 1e-6:
                return False
    return True


@pytest.mark.parametrize("layout", LAYOUTS, ids=lambda layout: str(layout.circuit.name))
def test_parts_and_links_of_a_stripboard_have_room(layout: Layout) -> None:
    """Pins fit their holes (``body`` raises otherwise), and nothing stands in another's way."""
    shapes = outlines(layout)
    for (one, first), (other, second) in combinations(shapes.items(), 2):
        own = one.split()[0] == other.split()[0] and one.split()[0] in layout.parts
        assert own or not overlap(first, second), (one, other)


def test_pins_that_do_not_fit_are_found() -> None:
    parts = WINDING_LAYOUT.parts
    for ref, names in (("U2", parts["U2"].replace("G44", "G45")), ("C3", "P8 P13")):
        with pytest.raises(ValueError, match=ref):
            replace(WINDING_LAYOUT, parts=parts | {ref: names}).body(ref)


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
        assert row["rating"] or row["what"].startswith(("screw terminal", "loop of wire"))
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

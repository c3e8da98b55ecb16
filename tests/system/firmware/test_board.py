"""The board's files, read back from what a maker of boards would get, against the schematic's nets.

Limits of a cheap board house (from memory): track and gap 0.15 mm, hole 0.3 mm, ring 0.15 mm.
"""

from __future__ import annotations

import math
from collections import defaultdict

import numpy as np
import pytest
from board import FOLDER, PLACES, SIZE_MM, pads_of
from board_files import PIXEL_MM, Copper, Layer, gaps_mm, read_drill, read_gerber, trace
from footprints import FOOTPRINTS, body_box
from netlist import WINDING

BARRIER_MM = 6.0
"""Basic insulation asks for 5.0 mm of creepage at 500 V (pollution degree 2, material group III)
and for 1.5 mm of clearance at 2.5 kV (IEC 60664-1, tables F.5 and F.2, from memory)."""
KICK = {"LEAD", "K2", "K1", "N", "N2"}
BOARD = {"5V", "0V", "OUT"}


def up(place: tuple[float, float]) -> tuple[float, float]:
    return place[0], SIZE_MM[1] - place[1]


@pytest.fixture(scope="module")
def layers() -> list[Layer]:
    return [read_gerber(FOLDER / f"{side}-copper.gbr") for side in ("top", "bottom")]


@pytest.fixture(scope="module")
def holes() -> list[tuple[tuple[float, float], float]]:
    return read_drill(FOLDER / "holes.drl")


@pytest.fixture(scope="module")
def copper(layers: list[Layer], holes: list[tuple[tuple[float, float], float]]) -> Copper:
    return trace(layers, holes, SIZE_MM)


@pytest.fixture(scope="module")
def nets(copper: Copper) -> dict[str, int]:
    """Net of the schematic: net of the copper; each pin stands on its own."""
    return {pad.net: copper.net_at(up(pad.at)) for pad in pads_of() if pad.net}


def test_copper_joins_what_the_schematic_joins_and_nothing_else(copper: Copper) -> None:
    names: dict[int, set[str]] = defaultdict(set)
    pins: dict[int, set[tuple[str, int]]] = defaultdict(set)
    for pad in pads_of():
        for layer in (0, 1):
            net = copper.net_at(up(pad.at), layer)
            assert net
            if pad.net:
                names[net].add(pad.net)
                pins[net].add((pad.ref, pad.pin))
    assert all(len(each) == 1 for each in names.values()), names
    assert {frozenset(each) for each in pins.values()} == {
        frozenset(each) for each in WINDING.nets().values()
    }


def test_no_copper_is_left_over(copper: Copper, nets: dict[str, int]) -> None:
    """Each island belongs to a net, or is a pad of a pin that is left free."""
    free = sum(not pad.net for pad in pads_of())
    assert len(set(copper.net_of.values()) - set(nets.values())) == free


def test_clearances(copper: Copper, nets: dict[str, int]) -> None:
    """A pin that is left free belongs to the engine's side: all of them stand there."""
    board = np.array([nets[net] for net in BOARD])
    for layer in (0, 1):
        gaps = gaps_mm(copper.nets(layer))
        for name, number in nets.items():
            least = 1.5 if name in KICK else 0.2
            assert gaps[number].min() >= least - 2 * PIXEL_MM, name
        engine = np.setdiff1d(np.arange(len(gaps)), board)
        assert gaps[np.ix_(engine, board)].min() >= BARRIER_MM - 2 * PIXEL_MM


def test_holes_stand_in_their_pads(
    layers: list[Layer], holes: list[tuple[tuple[float, float], float]]
) -> None:
    pads = pads_of()
    assert len(holes) >= len(pads)
    for layer in layers:
        sizes = {(round(x, 3), round(y, 3)): mm for (x, y), mm in layer.flashes}
        for (x, y), mm in holes:
            assert sizes[round(x, 3), round(y, 3)] >= mm + 2 * 0.25
    drilled = {(round(x, 3), round(y, 3)): mm for (x, y), mm in holes}
    for pad in pads:
        x, y = up(pad.at)
        assert (
            drilled[round(x, 3), round(y, 3)]
            == FOOTPRINTS[WINDING.part(pad.ref).type.package].hole_mm
        )


def test_tracks_can_be_etched_and_stay_on_the_board(layers: list[Layer]) -> None:
    for layer in layers:
        assert layer.strokes
        for one, two, mm in layer.strokes:
            assert mm >= 0.3
            for x, y in (one, two):
                assert 0.5 + mm / 2 <= x <= SIZE_MM[0] - 0.5 - mm / 2
                assert 0.5 + mm / 2 <= y <= SIZE_MM[1] - 0.5 - mm / 2


def test_every_pad_is_free_of_mask() -> None:
    for side in ("top", "bottom"):
        openings = {
            (round(x, 3), round(y, 3)): mm
            for (x, y), mm in read_gerber(FOLDER / f"{side}-mask.gbr").flashes
        }
        for pad in pads_of():
            x, y = up(pad.at)
            assert openings[round(x, 3), round(y, 3)] > pad.pad_mm


def test_parts_have_room() -> None:
    """Bodies do not overlap and do not hang over the edge; screws reach none."""
    boxes = {}
    for part in WINDING.parts:
        ux, uy, quarter = PLACES[part.ref]
        boxes[part.ref] = body_box(FOOTPRINTS[part.type.package], (ux * 2.54, uy * 2.54), quarter)
    for ref, (left, top, right, bottom) in boxes.items():
        assert left > 0.5
        assert top > 0.5
        assert right < SIZE_MM[0] - 0.5
        assert bottom < SIZE_MM[1] - 0.5
        for other, (left2, top2, right2, bottom2) in boxes.items():
            if other != ref:
                apart = left2 >= right or right2 <= left or top2 >= bottom or bottom2 <= top
                assert apart, (ref, other)
        for (x, y), mm in read_drill(FOLDER / "screw-holes.drl"):
            dx = max(left - x, x - right, 0.0)
            dy = max(top - (SIZE_MM[1] - y), SIZE_MM[1] - y - bottom, 0.0)
            assert math.hypot(dx, dy) > mm / 2 + 1.0, ref


def test_bypass_stands_at_its_chip() -> None:
    """10 mm from the optocoupler's supply pins, as its data sheets ask (from memory)."""
    pads = {(pad.ref, pad.pin): pad.at for pad in pads_of()}
    for one, two in ((("C13", 1), ("U2", 8)), (("C13", 2), ("U2", 5)), (("C11", 1), ("U1", 3))):
        assert math.dist(pads[one], pads[two]) <= 10.0


def test_what_is_read_back_would_find_a_fault(layers: list[Layer], holes: object) -> None:
    """A track too many, and one too few, change the nets."""
    drills = read_drill(FOLDER / "holes.drl")
    pads = {(pad.ref, pad.pin): up(pad.at) for pad in pads_of()}
    more = Layer("", layers[0].flashes, [*layers[0].strokes, (pads["R1", 1], pads["U1", 1], 0.4)])
    both = trace([more, layers[1]], drills, SIZE_MM)
    assert both.net_at(pads["R1", 1]) == both.net_at(pads["U1", 1])
    fewer = [Layer("", layer.flashes, layer.strokes[:-4]) for layer in layers]
    cut = trace(fewer, drills, SIZE_MM)
    assert any(len({cut.net_at(pads[pin]) for pin in pins}) > 1 for pins in WINDING.nets().values())


def test_every_hole_lies_on_the_grid_of_perforated_board() -> None:
    """0.1 inch, 2.54 mm: so the same layout can be wired by hand."""
    for pad in pads_of():
        for mm in pad.at:
            assert mm / 2.54 == pytest.approx(round(mm / 2.54), abs=1e-4), pad.ref
    assert len({pad.at for pad in pads_of()}) == len(pads_of())
